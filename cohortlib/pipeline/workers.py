"""Many tasks on several processors, with a bar for whoever waits at a terminal."""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from typing import TypeVar

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

from cohortlib.errors import study_error

Task = TypeVar("Task")
Result = TypeVar("Result")

# Each worker has one processor; threads inside it would only wait for each other.
_ONE_THREAD = (
    "OMP_NUM_THREADS",
    "OPENBLAS_NUM_THREADS",
    "MKL_NUM_THREADS",
    "VECLIB_MAXIMUM_THREADS",
    "ITK_GLOBAL_DEFAULT_NUMBER_OF_THREADS",
)


def parallel_results(
    function: Callable[[Task], Result],
    tasks: Sequence[Task],
    *,
    workers: int,
    title: str,
    progress: bool | None = None,
) -> Iterator[tuple[Task, Result]]:
    """Each task with its result, as they come.

    Parameters
    ----------
    function
        Defined at the top of a module, so that another process finds it.
    tasks
        Each able to travel to another process.
    workers
        Processes at a time.
    title
        What is being done, for the bar.
    progress
        Whether to show a bar; None shows it where a person looks at a terminal.

    Raises
    ------
    StudyError
        If a process was ended from outside. Any other exception of `function` comes as it is. The
        tasks that wait are dropped then.

    Notes
    -----
    Processes start afresh instead of being copied: a copy of a process with threads, such as a
    notebook's kernel, may never end. Even a single worker is a process, so that a value does not
    depend on how many there are.
    """
    if not tasks:
        return
    with _one_thread(), progress_bar(title, len(tasks), progress=progress) as advance:
        pool = ProcessPoolExecutor(
            max(1, min(workers, len(tasks))),
            mp_context=multiprocessing.get_context("spawn"),
            initializer=_leave_interrupts_to_the_parent,
        )
        try:
            waiting = {pool.submit(function, task): task for task in tasks}
            for future in as_completed(waiting):
                yield waiting[future], future.result()
                advance()
        except BrokenProcessPool as error:
            raise study_error(
                found="a worker process that was ended from outside",
                expected="enough memory for every worker",
                remedy="Run it again with fewer workers; what is finished is kept",
            ) from error
        finally:
            pool.shutdown(wait=True, cancel_futures=True)


@contextmanager
def progress_bar(title: str, total: int, *, progress: bool | None = None) -> Iterator[Callable[[], None]]:
    """A bar on the error stream; call what the `with` gives after each of `total` steps."""
    shown = sys.stderr.isatty() if progress is None else progress
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True, disable=not shown) as bar:
        task = bar.add_task(title, total=total)
        yield lambda: bar.advance(task)


@contextmanager
def _one_thread() -> Iterator[None]:
    """Let processes that start inside the block have one thread each."""
    before = {name: os.environ.get(name) for name in _ONE_THREAD}
    os.environ.update(dict.fromkeys(_ONE_THREAD, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value


def _leave_interrupts_to_the_parent() -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)

"""Everything that must hold, step by step; a failing step does not stop the next."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory

from cohortlib.commands.project import Project
from cohortlib.commands.study import make_films, make_measurements
from cohortlib.errors import StudyError
from cohortlib.files import make_folder

_LAYERS = "from importlinter.cli import lint_imports_command; lint_imports_command()"
#: Step → arguments of Python.
TOOLS = {
    "format": ("-m", "ruff", "format", "--check", "."),
    "lint": ("-m", "ruff", "check", "."),
    "layers": ("-c", _LAYERS),
    "types": ("-m", "mypy"),
    "private": ("-m", "cohortlib", "private", "."),
    "notebooks": ("-m", "pytest", "--nbval", "notebooks", "-p", "no:cacheprovider"),
    "tests": ("-m", "pytest"),
}


def check_everything(project: Project) -> int:
    """Run every step, print a line with the time of each, and name those that failed; 1 if any did.

    Notes
    -----
    The tests run beside the notebooks, on the second processor; what they print is shown after them,
    so that the output ends with the tests' own summary.
    """
    start = time.monotonic()
    make_folder(project.figures)
    steps: dict[str, Callable[[], bool]] = {
        name: partial(_run_tool, project, TOOLS[name])
        for name in ("format", "lint", "layers", "types", "private")
    }
    # The notebooks show films and measurements; made here they have a bar and a line of their own.
    steps["study"] = partial(_make_study, project)
    failed = [name for name, step in steps.items() if not _timed(name, step)]
    with _beside(project, TOOLS["tests"]) as tests:
        last: dict[str, Callable[[], bool]] = {
            "notebooks": partial(_run_tool, project, TOOLS["notebooks"]),
            "tests": tests,
        }
        failed += [name for name, step in last.items() if not _timed(name, step)]
    minutes, seconds = divmod(round(time.monotonic() - start), 60)
    verdict = "Failed: " + ", ".join(failed) if failed else "Everything holds"
    print(f"{verdict} ({minutes} min {seconds} s)", flush=True)
    return 1 if failed else 0


def _timed(name: str, step: Callable[[], bool]) -> bool:
    print(f"--- {name}", flush=True)
    start = time.monotonic()
    holds = step()
    print(f"{name:<14}{'holds' if holds else 'FAILED'} ({time.monotonic() - start:.1f} s)", flush=True)
    return holds


def _run_tool(project: Project, arguments: tuple[str, ...]) -> bool:
    command = [sys.executable, *arguments]
    return subprocess.run(command, cwd=project.root, stdin=subprocess.DEVNULL, check=False).returncode == 0


@contextmanager
def _beside(project: Project, arguments: tuple[str, ...]) -> Iterator[Callable[[], bool]]:
    """Start a tool; what the `with` gives shows all that it prints and waits for its end."""
    with TemporaryDirectory() as folder:
        path = Path(folder, "output.txt")
        with path.open("wb") as output:
            command = [sys.executable, "-u", *arguments]
            tool = subprocess.Popen(
                command, cwd=project.root, stdin=subprocess.DEVNULL, stdout=output, stderr=subprocess.STDOUT
            )
        try:
            yield partial(_shown_to_its_end, tool, path)
        finally:
            tool.terminate()  # does nothing to a tool that has ended
            tool.wait()


def _shown_to_its_end(tool: subprocess.Popen[bytes], path: Path) -> bool:
    with path.open(encoding="utf-8", errors="replace") as output:
        running = True
        while running:
            running = tool.poll() is None
            print(output.read(), end="", flush=True)
            time.sleep(0.2 * running)
    return tool.returncode == 0


def _make_study(project: Project) -> bool:
    try:
        make_films(project)
        make_measurements(project)
    except StudyError as error:
        print(error, flush=True)
        return False
    return True

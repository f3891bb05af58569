"""Where the project's own folders are: the demo study, the notebooks, what is made of them."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

import cohortlib
from cohortlib.errors import study_error


class Project(NamedTuple):
    """The folders that the commands work on."""

    root: Path

    @property
    def study(self) -> Path:
        """The invented study."""
        return self.root / "synthetic_cohort"

    @property
    def out(self) -> Path:
        """What `demo` makes."""
        return self.root / "out"

    @property
    def figures(self) -> Path:
        """Where the notebooks save their figures."""
        return self.out / "figures"

    @property
    def notebooks(self) -> list[Path]:
        """The notebooks in their order."""
        return sorted((self.root / "notebooks").glob("*.ipynb"))


def find_project() -> Project:
    """The project that this library is installed from.

    Raises
    ------
    StudyError
        If the library lies elsewhere, without notebooks and demo study.
    """
    project = Project(Path(cohortlib.__file__).resolve().parents[1])
    if not (project.study / "study.toml").is_file():
        raise study_error(
            file=project.root,
            found="a library without the project around it",
            expected="the project's folder with notebooks/ and synthetic_cohort/",
            remedy="Install in the project's folder: pip install -c constraints.txt -e '.[dev]'",
        )
    return project


@contextmanager
def timed_step(title: str) -> Iterator[Callable[[str], None]]:
    """Call what the `with` gives with the outcome: it prints a line with the step's time."""
    start = time.monotonic()
    yield lambda outcome: print(f"{title:<14}{outcome} ({time.monotonic() - start:.1f} s)", flush=True)

"""Everything that must hold, one step after the other; a failing step does not stop the next."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Callable
from functools import partial

from cohortlib.commands.project import Project
from cohortlib.commands.study import make_films, make_measurements
from cohortlib.errors import StudyError
from cohortlib.pipeline.files import make_folder

_LAYERS = "from importlinter.cli import lint_imports_command; lint_imports_command()"
#: Step → arguments of Python. The tests come last, so that the output ends with their summary.
TOOLS = {
    "format": ("-m", "ruff", "format", "--check", "."),
    "lint": ("-m", "ruff", "check", "."),
    "layers": ("-c", _LAYERS),
    "types": ("-m", "mypy"),
    "notebooks": ("-m", "pytest", "--nbval", "notebooks"),
    "tests": ("-m", "pytest"),
}


def check_everything(project: Project) -> int:
    """Run every step, print a line with the time of each, and name those that failed; 1 if any did."""
    start = time.monotonic()
    make_folder(project.figures)
    steps: dict[str, Callable[[], bool]] = {
        name: partial(_run_tool, project, arguments) for name, arguments in TOOLS.items()
    }
    # The notebooks show films and measurements; made here they have a bar and a line of their own.
    early, late = ("format", "lint", "layers", "types"), ("notebooks", "tests")
    order = {name: steps[name] for name in early}
    order["study"] = partial(_make_study, project)
    order.update({name: steps[name] for name in late})
    failed = [name for name, step in order.items() if not _timed(name, step)]
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
    done = subprocess.run(
        [sys.executable, *arguments], cwd=project.root, stdin=subprocess.DEVNULL, check=False
    )
    return done.returncode == 0


def _make_study(project: Project) -> bool:
    try:
        make_films(project)
        make_measurements(project)
    except StudyError as error:
        print(error, flush=True)
        return False
    return True

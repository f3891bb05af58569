"""Everything that is wrong in a study folder, printed file by file."""

from __future__ import annotations

from pathlib import Path

from cohortlib.errors import sentence
from cohortlib.study import check_study


def print_problems(folder: Path, *, images: bool) -> int:
    """Print the problems of a study folder; 1 if there are any, else 0."""
    problems = check_study(folder, images=images)
    for file, rows in problems.groupby("file", sort=False):
        print(f"{file}")
        for row in rows.assign(file="").to_dict("records"):
            print("  " + sentence({str(name): value for name, value in row.items()}))
        print()
    if problems.empty:
        print(f"{folder}: nothing wrong found.")
        return 0
    files = problems["file"].nunique()
    print(f"{_counted(len(problems), 'problem')} in {_counted(files, 'file')}.")
    return 1


def _counted(count: int, noun: str) -> str:
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"

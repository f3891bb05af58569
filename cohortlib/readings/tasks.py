"""What readers say of an image, and what an item of a worklist asks for."""

from __future__ import annotations

from typing import Literal

#: Marks, gradings of zones, and grades of a hip on scales.
Content = Literal["marks", "gradings", "grades"]
CONTENTS: tuple[Content, ...] = ("marks", "gradings", "grades")
#: Which of them an item asks for. Each may have sessions of its own, or one session be for all.
TASKS: dict[str, tuple[Content, ...]] = {
    "marks": ("marks",),
    "gradings": ("gradings",),
    "grades": ("grades",),
    "marks and gradings": ("marks", "gradings"),
    "marks and grades": ("marks", "grades"),
    "gradings and grades": ("gradings", "grades"),
    "marks, gradings and grades": ("marks", "gradings", "grades"),
}


def tasks_of(content: Content) -> list[str]:
    """The tasks that ask for marks, for gradings, or for grades."""
    return [task for task, contents in TASKS.items() if content in contents]

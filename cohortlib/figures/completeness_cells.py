"""Rows and cells of the picture of completeness: which there are, and what is written in them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import pandas as pd

from cohortlib.errors import StudyError, problem, study_error
from cohortlib.figures.millimetres import fitted
from cohortlib.figures.words import NO_BREAK, percent_text

KEYS = ("examination", "counted", "visit_id")
#: In place of numbers that are left empty because they are small, and where nothing is due.
NOT_SHOWN, NOTHING_DUE = "not shown", "nothing due"

#: A line of text, and whether it is bold.
Line = tuple[str, bool]


class CellRow(NamedTuple):
    """A row of cells: its examination, whether patients or hips are counted, its arm, its cells by visit."""

    name: str
    counted: str
    arm: str
    cells: dict[str, pd.Series]


def cell_rows(table: pd.DataFrame, arms: Sequence[str], examinations: Mapping[str, str]) -> list[CellRow]:
    """The rows in the order of the examinations, patients and hips of each apart, arm by arm.

    Raises
    ------
    StudyError
        If a cell has two rows in the table.
    """
    repeated = table.duplicated([*KEYS, "arm"])
    if repeated.any():
        raise study_error(
            file="completeness",
            column=", ".join([*KEYS, "arm"]),
            found=", ".join(str(part) for part in table.loc[repeated, [*KEYS, "arm"]].iloc[0]),
            count=int(repeated.sum()),
            expected="each cell once",
            remedy="Group by no more than the arm",
        )
    rows = []
    for name, label in examinations.items():
        of_name = table[table["examination"] == name]
        for counted in of_name["counted"].unique():
            for arm in arms:
                mine = of_name[(of_name["counted"] == counted) & (of_name["arm"] == arm)]
                cells = {str(cell["visit_id"]): cell for _, cell in mine.iterrows()}
                if cells:
                    rows.append(CellRow(label, str(counted), arm, cells))
    return rows


def names(table: pd.DataFrame, column: str, labels: Mapping[str, str] | None) -> dict[str, str]:
    """The values that occur, with the words that are written for them, in the order of the labels.

    Raises
    ------
    StudyError
        If a value has no label.
    """
    found = [str(value) for value in table[column].unique()]
    if labels is None:
        return {value: value for value in found}
    option = f"{column.removesuffix('_id')}_labels"
    problems = [
        problem(
            file="completeness",
            column=column,
            found=value,
            expected="one of " + ", ".join(labels),
            remedy=f"Name it in `{option}`, or leave its rows out",
        )
        for value in found
        if value not in labels
    ]
    if problems:
        raise StudyError(problems)
    return {value: label for value, label in labels.items() if value in found}


def cell_lines(cell: pd.Series, width_mm: float) -> list[Line]:
    """What stands in a cell: the percentage, received / due, and how many are overdue."""
    due, received, overdue = cell["n_due"], cell["n_received_of_due"], cell["n_overdue"]
    if pd.isna(due) or pd.isna(received):
        texts = [(NOT_SHOWN, False)]
    elif due == 0:
        texts = [(NOTHING_DUE, False)]
    else:
        texts = [(_percent(int(received), int(due)), True), (f"{int(received)} / {int(due)}", False)]
        if pd.isna(overdue):
            texts.append((f"{NOT_SHOWN} overdue", False))
        elif overdue:
            texts.append((f"{int(overdue)} overdue".replace(" ", NO_BREAK), False))
    return in_lines(texts, width_mm, of_what="a cell")


def row_lines(row: CellRow, arm_label: str, *, goes_on: bool, width_mm: float) -> list[Line]:
    """What names a row: the examination once, in whom it is counted, and the arm."""
    texts = []
    if not goes_on:
        texts = (
            [(row.name, True), (row.counted, False)]
            if not arm_label
            else [(f"{row.name}, {row.counted}", True)]
        )
    if arm_label:
        texts.append((arm_label, False))
    return in_lines(texts, width_mm, of_what="the words of a row")


def in_lines(texts: Sequence[Line], width_mm: float, *, of_what: str) -> list[Line]:
    """Texts in lines that fit a width."""
    return [
        (line, bold) for text, bold in texts for line in fitted(text, width_mm, bold=bold, of_what=of_what)
    ]


def _percent(received: int, due: int) -> str:
    """Rounded, but 100 % only where it is all and 0 % only where it is nothing."""
    percent = round(100 * received / due)
    if 0 < received < due:
        percent = min(max(percent, 1), 99)
    return percent_text(percent / 100)

"""Rows and columns of the picture of completeness: how large they are and where they stand [mm]."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from cohortlib.figures.completeness_cells import CellRow, Line, cell_lines, in_lines, row_lines
from cohortlib.figures.millimetres import bar_mm, line_mm, padding_mm


class Columns(NamedTuple):
    """A column for each visit, and the words beside them (`words_mm` wide; 0 if they stand above)."""

    x_mm: dict[str, float]
    cell_mm: float
    words_mm: float
    heads: dict[str, list[Line]]
    head_mm: float


class SizedRow(NamedTuple):
    """A row with its words and those of its cells; gap and words are above the cells."""

    row: CellRow
    words: list[Line]
    texts: dict[str, list[Line]]
    gap_mm: float
    words_mm: float
    cells_mm: float

    @property
    def height_mm(self) -> float:
        """Of the row with all that is above its cells."""
        return self.gap_mm + self.words_mm + self.cells_mm


def columns_of(visits: Mapping[str, str], *, width_mm: float, words_mm: float, bars: bool) -> Columns:
    """The columns of visits with these labels; `bars` leaves room for the colours of the arms."""
    left_mm = words_mm + (bar_mm() if bars else 0.0)
    step_mm = (width_mm - left_mm) / len(visits)
    cell_mm = step_mm - padding_mm()
    heads = {visit: in_lines([(label, True)], cell_mm, of_what="a column") for visit, label in visits.items()}
    return Columns(
        {visit: left_mm + place * step_mm for place, visit in enumerate(visits)},
        cell_mm,
        words_mm,
        heads,
        max(map(len, heads.values())) * line_mm() + padding_mm(),
    )


def sized_rows(
    rows: Sequence[CellRow], columns: Columns, labels: Mapping[str, str], *, width_mm: float
) -> list[SizedRow]:
    """The rows with the words that fit; those of one examination stand close together."""
    sized: list[SizedRow] = []
    beside = columns.words_mm > 0
    above: CellRow | None = None
    for row in rows:
        goes_on = above is not None and (row.name, row.counted) == (above.name, above.counted)
        room_mm = (columns.words_mm or width_mm) - padding_mm()
        words = row_lines(row, labels[row.arm], goes_on=goes_on, width_mm=room_mm)
        texts = {visit: cell_lines(cell, columns.cell_mm - padding_mm()) for visit, cell in row.cells.items()}
        n_lines = max(len(lines) for lines in [*texts.values(), words if beside else []])
        sized.append(
            SizedRow(
                row,
                words,
                texts,
                gap_mm=0.0 if above is None else (0.15 if goes_on else 0.5) * line_mm(),
                words_mm=0.0 if beside else len(words) * line_mm(),
                cells_mm=n_lines * line_mm() + 2 * padding_mm(),
            )
        )
        above = row
    return sized

"""Where the rows of a table stand in the files a person knows, whatever the library calls them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from cohortlib.study.grouping import file_name, shown


class Piece(NamedTuple):
    """Rows of a table that come from one file or sheet.

    Attributes
    ----------
    file
        As the person knows it.
    headings
        Column of the dictionary → heading in the file, where they differ.
    lines : (n,) or None
        Line of each row; None where the table's own index is the line.
    own_headings
        Column of the dictionary → heading of each row's cell: of a wide form, where one line holds
        many rows.
    """

    file: str
    headings: Mapping[str, str]
    lines: NDArray[np.int64] | None = None
    own_headings: Mapping[str, NDArray[np.object_]] | None = None

    def line(self, row: int) -> int:
        """The line of a row of this piece."""
        return row if self.lines is None else int(self.lines[row])

    def heading(self, column: str, row: int | None = None) -> str:
        """The heading of a column as the person knows it, and the dictionary's name if it is another."""
        own = self.headings.get(column, column)
        if row is not None and self.own_headings and column in self.own_headings:
            own = str(self.own_headings[column][row])
        return column if own == column else f"{shown(own)} ({column})"


class Place(NamedTuple):
    """All pieces of a table in the order of its rows, and the first row of each."""

    table: str
    pieces: tuple[Piece, ...]
    starts: tuple[int, ...]

    @property
    def files(self) -> str:
        """The file, or the files, of the table."""
        return " and ".join(dict.fromkeys(piece.file for piece in self.pieces))

    def find(self, row: int) -> tuple[Piece, int]:
        """The piece that holds a row of the table, and the number of the row in it."""
        if len(self.pieces) == 1:
            return self.pieces[0], row
        number = int(np.searchsorted(self.starts, row, side="right")) - 1
        return self.pieces[number], row - self.starts[number]

    def words(self, row: int) -> str:
        """A row in a sentence: its line, and its file where the table has several."""
        piece, own = self.find(row)
        return f"line {piece.line(own)}" + (f" of {piece.file}" if len(self.pieces) > 1 else "")

    def told(self, problem: Mapping[str, Any]) -> dict[str, Any]:
        """A problem whose line is a row of the table, as the person knows its place."""
        row = problem["line"]
        piece, own = self.find(row) if row is not None else (self.pieces[0], None)
        headings = [piece.heading(name, own) for name in str(problem["column"]).split(", ")]
        line = None if own is None else piece.line(own)
        return {**problem, "file": piece.file, "line": line, "column": ", ".join(headings)}


def plain_place(table: str) -> Place:
    """The place of a table in its own CSV file."""
    return Place(table, (Piece(file_name(table), {}),), (0,))


def told_problems(problems: list[dict[str, Any]], places: Mapping[str, Place]) -> list[dict[str, Any]]:
    """Problems between tables in the words of the files that the tables come from.

    Parameters
    ----------
    problems
        Files as `grouping.file_name` calls them, lines as the index of the tables, columns as in the
        dictionary.
    """
    by_file = {file_name(name): place for name, place in places.items()}
    other = {name: place.files for name, place in by_file.items() if place.files != name}
    told = []
    for problem in problems:
        place = by_file.get(problem["file"])
        words = dict(place.told(problem)) if place else dict(problem)
        for name, files in other.items():
            for part in ("expected", "remedy"):
                words[part] = words[part].replace(name, files)
        told.append(words)
    return told

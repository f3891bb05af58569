"""All tables of a study folder, from whatever files and sheets study.toml names, as typed columns."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any, NamedTuple

import pandas as pd

from cohortlib.study.columns import no_rows, typed_table
from cohortlib.study.sources.headings import heading_problems, named_columns
from cohortlib.study.sources.places import Piece, Place, plain_place
from cohortlib.study.sources.source_files import Sources
from cohortlib.study.sources.wide import long_rows
from cohortlib.study.sources.wide_headings import Spread, spread_headings, spread_problems
from cohortlib.tables import DICTIONARY, REQUIRED_TABLES, Column


class Tables(NamedTuple):
    """What could be read.

    Attributes
    ----------
    tables
        Table → typed columns, texts as categories; wrong cells are missing.
    places
        Table → where its rows stand.
    broken
        Table → its columns with a problem; "" stands for lines or a file that could not be read.
    problems
        Of files, headings and cells, as the person knows their places.
    """

    tables: dict[str, pd.DataFrame]
    places: dict[str, Place]
    broken: dict[str, set[str]]
    problems: list[dict[str, Any]]


def read_tables(root: Path, definition: Mapping[str, Any]) -> Tables:
    """The tables of a study folder.

    Parameters
    ----------
    root
        The study folder.
    definition
        From `study_definition`, with files, wide, columns, sheets and spellings.
    """
    return _Reader(root, definition).tables()


def sources_of(definition: Mapping[str, Any]) -> dict[str, list[dict[str, Any]]]:
    """Table → the [[wide]] entries that make it; none for a table in long form."""
    entries = definition["wide"].to_dict("records")
    return {name: [entry for entry in entries if entry["table"] == name] for name in DICTIONARY}


class _Reader:
    """Reads table after table."""

    def __init__(self, root: Path, definition: Mapping[str, Any]) -> None:
        self.root, self.definition, self.how = root, definition, definition["files"]
        self.wide = sources_of(definition)
        self.sources = Sources(root, definition)

    def tables(self) -> Tables:
        tables, places, broken = {}, {}, {}
        problems = self.sources.problems
        for name in DICTIONARY:
            tables[name], places[name], found, broken[name] = self._table(name)
            problems = problems + found
        # What is wrong with a source stands in each of the tables that come from it, and is told once.
        once = {tuple(problem.values()): problem for problem in problems}
        return Tables(tables, places, broken, list(once.values()))

    def _table(self, name: str) -> tuple[pd.DataFrame, Place, list[dict[str, Any]], set[str]]:
        entries = self.wide[name]
        parts: list[tuple[pd.DataFrame, Piece]] = []
        problems: list[dict[str, Any]] = []
        broken: set[str] = set()
        wanted: list[tuple[str, dict[str, Any] | None]] = [(entry["source"], entry) for entry in entries]
        if name not in {entry["source"] for entry in entries}:
            required = name in REQUIRED_TABLES and not entries
            if required or self.sources.has(name):
                wanted.insert(0, (name, None))
        for source, entry in wanted:
            table, piece, found, wrong = self._part(name, source, entry)
            problems += found
            broken |= wrong
            if table is not None:
                parts.append((table, piece))
        if not parts:
            place = plain_place(name)
            if self.sources.unread:
                broken = {""}
            if wanted:
                place = Place(name, (Piece(self.sources.read(wanted[0][0]).file, {}),), (0,))
            return no_rows(name), place, problems, broken
        if len(parts) == 1:
            table, piece = parts[0]
            return table, Place(name, (piece,), (0,)), problems, broken
        return (*_joined(name, parts), problems, broken)

    def _part(
        self, name: str, source: str, entry: dict[str, Any] | None
    ) -> tuple[pd.DataFrame | None, Piece, list[dict[str, Any]], set[str]]:
        """One table's rows in one source: typed, with their place, their problems and what is broken."""
        columns = DICTIONARY[name]
        read = self.sources.read(source)
        problems = list(read.problems)
        broken = {""} if read.problems or read.cells is None else set()
        piece = Piece(read.file, {})
        if read.cells is None:
            return None, piece, problems, broken
        cells, headings, found = named_columns(
            read.cells, self.definition["columns"].get(source, {}), file=read.file, source=source
        )
        piece = Piece(read.file, headings)
        workbook = self.sources.sheet_of(source)
        if workbook is not None:
            kinds = self._kinds(cells, columns, entry)
            cells, wrong = workbook.checked(source, cells, kinds, piece, decimal=self.how["decimal"])
            found += wrong
        if entry is None:
            found += heading_problems(list(map(str, cells)), columns, file=read.file, source=source)
        else:
            cells, piece, wrong = self._long(cells, columns, entry, piece)
            found += wrong
        broken |= {problem["column"] for problem in found}
        table, wrong = typed_table(
            cells,
            columns,
            file=read.file,
            folder=self.root,
            decimal=self.how["decimal"],
            dates=self.how["dates"],
            spellings=self.definition["spellings"],
        )
        broken |= {problem["column"] for problem in wrong}
        told = Place(name, (piece,), (0,)).told
        return table, piece, problems + found + [told(problem) for problem in wrong], broken

    def _long(
        self, cells: pd.DataFrame, columns: Mapping[str, Column], entry: dict[str, Any], piece: Piece
    ) -> tuple[pd.DataFrame, Piece, list[dict[str, Any]]]:
        spread = self._spread(cells, entry)
        fixed = entry["fixed"] or {}
        elsewhere, taken = self._known_elsewhere(cells, entry)
        problems = spread_problems(cells, spread, entry, taken, piece.file)
        said = {*fixed, *spread.columns, *spread.named, *spread.headings["heading"], *elsewhere}
        problems += heading_problems(
            list(map(str, cells)), columns, file=piece.file, source=entry["source"], said=said
        )
        if problems:
            return cells.iloc[:0], piece, problems
        return (*long_rows(cells.drop(columns=elsewhere), spread, fixed, piece), problems)

    def _spread(self, cells: pd.DataFrame, entry: dict[str, Any]) -> Spread:
        return spread_headings(cells, entry, self.definition["spellings"])

    def _known_elsewhere(self, cells: pd.DataFrame, entry: dict[str, Any]) -> tuple[list[str], set[str]]:
        """Headings of a source that belong to another table or [[wide]] of it, and those of a [[wide]]."""
        known: set[str] = set()
        taken: set[str] = set()
        for name, entries in self.wide.items():
            for other in entries:
                if other["source"] == entry["source"] and other is not entry:
                    taken |= set(self._spread(cells, other).headings["heading"])
                    known |= {
                        column for column in DICTIONARY[name] if column not in DICTIONARY[entry["table"]]
                    }
        return [str(heading) for heading in cells if heading in known | taken], taken

    def _kinds(
        self, cells: pd.DataFrame, columns: Mapping[str, Column], entry: dict[str, Any] | None
    ) -> dict[str, Column]:
        """Heading → what its cells must be."""
        kinds = {str(name): columns[str(name)] for name in cells if name in columns}
        if entry is not None:
            for row in self._spread(cells, entry).headings.itertuples():
                kinds[str(row.heading)] = columns[str(row.column)]
        return kinds


def _joined(name: str, parts: list[tuple[pd.DataFrame, Piece]]) -> tuple[pd.DataFrame, Place]:
    """Tables of several sources end to end, with a new index."""
    starts, start, pieces = [], 0, []
    for table, piece in parts:
        starts.append(start)
        start += len(table)
        lines = table.index.to_numpy() if piece.lines is None else piece.lines
        pieces.append(piece._replace(lines=lines))
    columns = dict.fromkeys(column for table, _ in parts for column in table)
    joined = {column: _end_to_end([table.get(column) for table, _ in parts], parts) for column in columns}
    table = pd.DataFrame(joined, index=pd.RangeIndex(start, name="line"))
    return table, Place(name, tuple(pieces), tuple(starts))


def _end_to_end(cells: list[pd.Series | None], parts: list[tuple[pd.DataFrame, Piece]]) -> Any:
    whole = [
        pd.Series(pd.Categorical([None] * len(table), categories=pd.Index([], dtype="str")))
        if column is None
        else column
        for column, (table, _) in zip(cells, parts, strict=True)
    ]
    if isinstance(whole[0].dtype, pd.CategoricalDtype):
        return pd.api.types.union_categoricals(whole)
    return pd.concat(whole, ignore_index=True).array

"""All tables of a study folder, from whatever files and sheets study.toml names, as typed columns."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any, NamedTuple

import pandas as pd

from cohortlib.errors import problem
from cohortlib.study.columns import no_rows, typed_table
from cohortlib.study.files import file_bytes
from cohortlib.study.grouping import file_name
from cohortlib.study.sources.csv_file import text_table
from cohortlib.study.sources.headings import heading_problems, named_columns
from cohortlib.study.sources.places import Piece, Place, plain_place
from cohortlib.study.sources.wide import Spread, long_rows, spread_headings, spread_problems
from cohortlib.study.sources.workbook import Workbook, read_workbook
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


class _Source(NamedTuple):
    """Cells of one file or sheet as they are, None if there are none, and what is wrong with it."""

    cells: pd.DataFrame | None
    file: str
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


def source_names(definition: Mapping[str, Any]) -> list[str]:
    """Names of all files of tables/, or sheets, that may hold a table."""
    return list(dict.fromkeys([*DICTIONARY, *definition["wide"]["source"]]))


def sources_of(definition: Mapping[str, Any]) -> dict[str, list[dict[str, Any]]]:
    """Table → the [[wide]] entries that make it; none for a table in long form."""
    entries = definition["wide"].to_dict("records")
    return {name: [entry for entry in entries if entry["table"] == name] for name in DICTIONARY}


class _Reader:
    """Reads each source once, however many tables come from it."""

    def __init__(self, root: Path, definition: Mapping[str, Any]) -> None:
        self.root, self.definition, self.how = root, definition, definition["files"]
        self.wide = sources_of(definition)
        self.read: dict[str, _Source] = {}
        self.workbook: Workbook | None = None
        self.problems: list[dict[str, Any]] = []
        self.unread = False
        if "workbook" in self.how:
            sheets = {name: definition["sheets"].get(name, name) for name in source_names(definition)}
            self.workbook, self.problems = read_workbook(
                root, self.how["workbook"], sheets=sheets, others=self.how.get("other_sheets", ())
            )
            self.unread = self.workbook is None

    def tables(self) -> Tables:
        tables, places, broken = {}, {}, {}
        problems = self.problems
        for name in DICTIONARY:
            tables[name], places[name], found, broken[name] = self._table(name)
            problems = problems + found
        return Tables(tables, places, broken, problems)

    def _table(self, name: str) -> tuple[pd.DataFrame, Place, list[dict[str, Any]], set[str]]:
        entries = self.wide[name]
        parts: list[tuple[pd.DataFrame, Piece]] = []
        problems: list[dict[str, Any]] = []
        broken: set[str] = set()
        wanted: list[tuple[str, dict[str, Any] | None]] = [(entry["source"], entry) for entry in entries]
        if name not in {entry["source"] for entry in entries}:
            required = name in REQUIRED_TABLES and not entries
            if required or self._is_there(name):
                wanted.insert(0, (name, None))
        for source, entry in wanted:
            table, piece, found, wrong = self._part(name, source, entry)
            problems += found
            broken |= wrong
            if table is not None:
                parts.append((table, piece))
        if not parts:
            place = plain_place(name)
            if self.unread:
                broken = {""}
            if wanted:
                place = Place(name, (Piece(self._file(wanted[0][0]), {}),), (0,))
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
        read = self._source(source)
        problems = [] if self._told_before(name, source, entry) else list(read.problems)
        broken = {""} if read.problems or read.cells is None else set()
        piece = Piece(read.file, {})
        if read.cells is None:
            return None, piece, problems, broken
        cells, headings, found = named_columns(
            read.cells, self.definition["columns"].get(source, {}), file=read.file, source=source
        )
        piece = Piece(read.file, headings)
        if self.workbook is not None and source in self.workbook.sheets:
            kinds = self._kinds(cells, columns, entry)
            cells, wrong = self.workbook.checked(source, cells, kinds, piece, decimal=self.how["decimal"])
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

    def _told_before(self, name: str, source: str, entry: dict[str, Any] | None) -> bool:
        """Whether the source was read for another table before, which told what is wrong with it."""
        first = next(
            (
                (table, other)
                for table, entries in self.wide.items()
                for other in entries
                if other["source"] == source
            ),
            (name, entry),
        )
        return first[1] is not entry

    def _is_there(self, source: str) -> bool:
        in_workbook = self.workbook is not None and source in self.workbook.sheets
        return in_workbook or os.path.lexists(self.root / file_name(source))

    def _file(self, source: str) -> str:
        return self._source(source).file

    def _source(self, source: str) -> _Source:
        if source not in self.read:
            self.read[source] = self._read_source(source)
        return self.read[source]

    def _read_source(self, source: str) -> _Source:
        file = file_name(source)
        if self.workbook is not None and source in self.workbook.sheets:
            place = self.workbook.place(source)
            if os.path.lexists(self.root / file):
                remedy = (
                    "Keep the one that counts: delete the file, or rename the sheet and list it as another"
                )
                found = f"{file} and {place}"
                twice = problem(file=place, found=found, expected="one place for a table", remedy=remedy)
                return _Source(None, place, [twice])
            return _Source(self.workbook.sheets[source], place, self.workbook.problems[source])
        if self.workbook is not None and not os.path.lexists(self.root / file):
            missing = self.workbook.missing(source)
            return _Source(None, self.workbook.place(source), [missing])
        if self.unread and not os.path.lexists(self.root / file):
            return _Source(None, self.how["workbook"], [])  # why, was said of the whole workbook
        data, problems = file_bytes(self.root, file)
        if data is None:
            return _Source(None, file, problems)
        cells, problems = text_table(
            data, file=file, encoding=self.how["encoding"], separator=self.how["separator"]
        )
        return _Source(cells, file, problems)


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

"""What a check found as a page for the person who mends it: file by file, kind by kind, with counts."""

from __future__ import annotations

import datetime
from collections.abc import Iterator
from typing import Any

import pandas as pd

from cohortlib.report.markup import Element, element, link, page
from cohortlib.tables import DICTIONARY

#: How the title of the page begins; by it a page of an earlier check is known.
TITLE = "Check of the study in"
#: Kinds of problems, in the order they are mended: what is wrong above may cause what is wrong below.
KINDS = (
    "to fill in",
    "definition",
    "files",
    "headings",
    "ids",
    "choices",
    "numbers",
    "dates",
    "other cells",
    "between cells",
)
_KIND_OF_COLUMN = {
    "id": "ids",
    "choice": "choices",
    "integer": "numbers",
    "number": "numbers",
    "date": "dates",
    "datetime": "dates",
}
#: Kind of a column by its name: a name has one kind in all tables.
_KINDS_BY_NAME = {name: column.kind for table in DICTIONARY.values() for name, column in table.items()}
_HEAD = ("Expected", "First line", "Found", "Rows", "What to do")


def problems_page(problems: pd.DataFrame, *, study: str, checked_at: datetime.datetime) -> str:
    """The page; every text from the study is escaped, and what cannot be seen is spelt out.

    Parameters
    ----------
    problems
        From `check_study`: file, line, column, found, count, expected, remedy.
    study
        Name of the study folder.
    checked_at
        When the check was made, with its zone.
    """
    title = f"{TITLE} {_visible(study)}"
    when = f"Checked on {checked_at:%Y-%m-%d at %H:%M %Z}. Nothing in the folder was changed."
    parts = [element("header", element("h1", title), element("p", _summary(problems), class_="job"))]
    if len(problems):
        table = problems.assign(kind=[problem_kind(row) for row in problems.to_dict("records")])
        files = list(dict.fromkeys(table["file"]))
        parts.append(_overview(table, files))
        for number, file in enumerate(files):
            parts.append(_file(_of_file(table, file), file, number))
    parts.append(element("footer", when))
    return page(title, element("main", parts, class_="check"))


def problem_kind(row: Any) -> str:
    """The kind of a problem, one of `KINDS`, by where it stands."""
    if row["file"] == "study.toml":
        return "to fill in" if row["found"] == "" else "definition"
    if not row["column"]:
        return "files"
    if not pd.isna(row["line"]) and row["line"] == 1:
        return "headings"
    if ", " in row["column"]:
        return "between cells"
    return _KIND_OF_COLUMN.get(_KINDS_BY_NAME.get(row["column"], ""), "other cells")


def counted(count: int, noun: str) -> str:
    """A number with its noun: "1 problem", "2 problems"."""
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def _summary(problems: pd.DataFrame) -> str:
    if problems.empty:
        return "Nothing wrong found."
    files = counted(problems["file"].nunique(), "file")
    return (
        f"{counted(len(problems), 'problem')} in {files}. Mend the upper ones first: they may cause others."
    )


def _overview(table: pd.DataFrame, files: list[str]) -> Element:
    kinds = [kind for kind in KINDS if kind in set(table["kind"])]
    names = [
        element("th", name.capitalize(), scope="col", class_="number") for name in (*kinds, "all", "rows")
    ]
    head = element("thead", element("tr", element("th", "Where", scope="col"), names))
    rows = [
        _overview_row(_of_file(table, file), kinds, link(_visible(file), f"#file-{number}"))
        for number, file in enumerate(files)
    ]
    if len(files) > 1:
        rows.append(_overview_row(table, kinds, "All"))
    return element("table", head, element("tbody", rows), class_="overview")


def _overview_row(table: pd.DataFrame, kinds: list[str], name: Element | str) -> Element:
    counts = [*((table["kind"] == kind).sum() for kind in kinds), len(table), table["count"].sum()]
    return element("tr", element("th", name, scope="row"), [_number(int(count)) for count in counts])


def _of_file(table: pd.DataFrame, file: str) -> pd.DataFrame:
    # A comparison by == does not see a zero character at the end of a name, and would find no row.
    return table[table["file"].isin([file])]


def _file(table: pd.DataFrame, file: str, number: int) -> Element:
    parts = [element("h2", _visible(file), id=f"file-{number}")]
    for kind in KINDS:
        rows = table[table["kind"] == kind]
        if file == "study.toml":
            rows = rows.sort_values("line", kind="stable")
        if len(rows):
            noun = "blank" if kind == "to fill in" else "problem"
            parts.append(element("h3", f"{kind.capitalize()}: {counted(len(rows), noun)}"))
            parts.append(_problems(rows, file))
    return element("section", parts)


def _problems(rows: pd.DataFrame, file: str) -> Element:
    """One table; column and expectation stand once for all rows in succession that share them."""
    shared = rows["column"] + "\n" + rows["expected"]
    body = []
    for _, group in rows.groupby((shared != shared.shift()).cumsum(), sort=False):
        first = group.iloc[0]
        cells = _shared(str(first["column"]), str(first["expected"]), file, len(group))
        for row in group.to_dict("records"):
            body.append(element("tr", cells, list(_own(row))))
            cells = []
    names = ("Key" if file == "study.toml" else "Column", *_HEAD)
    head = element("thead", element("tr", [element("th", name, scope="col") for name in names]))
    return element("table", head, element("tbody", body), class_="problems")


def _shared(column: str, expected: str, file: str, count: int) -> list[Element]:
    known = DICTIONARY.get(file.removeprefix("tables/").removesuffix(".csv"), {}).get(column)
    meaning = [element("span", known.meaning, class_="meaning")] if known else []
    return [
        element("th", element("code", _visible(column)), meaning, scope="rowgroup", rowspan=str(count)),
        element("td", _visible(expected), rowspan=str(count)),
    ]


def _own(row: Any) -> Iterator[Element]:
    yield _number("" if pd.isna(row["line"]) else int(row["line"]))
    found = str(row["found"])
    # A value stands as it is written; a description in words is prose.
    is_words = not isinstance(row["found"], str) or " " in found.strip(" ")
    yield element("td", _visible(found) if is_words else element("code", _visible(found) or "(empty)"))
    yield _number(int(row["count"]))
    yield element("td", _visible(str(row["remedy"])))


def _number(count: object) -> Element:
    return element("td", "" if count == 0 else str(count), class_="number")


def _visible(text: str) -> str:
    """The text with letters that cannot be seen, or turn the direction of reading, spelt out."""
    return "".join(
        letter if letter.isprintable() else letter.encode("unicode_escape").decode() for letter in text
    )

"""Dates and times in a cell: year first, or day first where study.toml says so; never guessed."""

from __future__ import annotations

import re

import pandas as pd

_DATE = r"[0-9]{4}-[0-9]{2}-[0-9]{2}"
_TIME = r"[0-9]{2}:[0-9]{2}(?::[0-9]{2}(?:\.[0-9]{1,6})?)?"
_DATETIME = _DATE + "[T ]" + _TIME + r"(?:Z|[+-][0-9]{2}:[0-9]{2})?"
#: Three numbers with the same mark between them; the year has four digits or is none.
_DAY_FIRST = r"([0-9]{1,2})([./-])([0-9]{1,2})\2([0-9]{4})"
_SHORT_YEAR = re.compile(r"[0-9]{1,2}([./-])[0-9]{1,2}\1[0-9]{2}(?:[T ].*)?")
#: A day as a spreadsheet counts it: 36526 is the first of 2000, 73050 the last of 2099.
_COUNTED_DAY = re.compile(r"[1-7][0-9]{4}(?:[.,][0-9]+)?")
EARLIEST, LATEST = pd.Timestamp("1900-01-01"), pd.Timestamp("2199-12-31")


def times(texts: pd.Series, kind: str, *, dates: str) -> tuple[pd.Series, pd.Series, str]:
    """Days or moments of distinct texts, which texts are right, and what is expected.

    Parameters
    ----------
    texts
        Distinct texts.
    kind
        "date" gives days without a zone; "datetime" gives UTC, and a time without zone is taken as such.
    dates
        "year first" or "day first", as study.toml says; 2031-06-30 is understood in any case.
    """
    pattern, example = (_DATE, "2031-06-30") if kind == "date" else (_DATETIME, "2031-06-30T09:15:00Z")
    shaped = texts.where(texts.str.fullmatch(pattern))
    form = "year-month-day"
    if dates == "day first":
        shaped = shaped.fillna(_year_first(texts, kind))
        form = f"day.month.year, such as {'30.06.2031' if kind == 'date' else '30.06.2031 09:15'}, or {form}"
    values = pd.to_datetime(shaped, format="ISO8601", errors="coerce", utc=True).dt.as_unit("us")
    days = values.dt.tz_localize(None)
    expected = f"a {kind} as {form}, such as {example}, between {EARLIEST.year} and {LATEST.year}"
    return days if kind == "date" else values, days.between(EARLIEST, LATEST), expected


def time_remedy(found: str, *, dates: str) -> str:
    """What to do about a text that is no date."""
    if _SHORT_YEAR.fullmatch(found):
        return "Write the year with four digits"
    if _COUNTED_DAY.fullmatch(found):
        return (
            "This looks like a spreadsheet's count of days: format the cells as YYYY-MM-DD and export again"
        )
    if parts := re.match(_DAY_FIRST, found):
        first, middle = int(parts[1]), int(parts[3])
        if first <= 12 < middle:
            return "The middle number is no month, as if the month stood first: ask who exported the file"
        if dates != "day first":
            unclear = "Which number is the day cannot be seen: write" if first <= 12 else "Write"
            return (
                f'{unclear} the date as 2031-06-30, or declare dates = "day first" in study.toml [files] if '
                "it is so in all tables"
            )
    return "Write the date so; a spreadsheet shows it so when the cells are formatted as YYYY-MM-DD"


def _year_first(texts: pd.Series, kind: str) -> pd.Series:
    """Texts with the day first turned round, the others missing."""
    time = "" if kind == "date" else f"[T ]({_TIME})"
    parts = texts.str.extract(f"^(?:{_DAY_FIRST}{time})$")
    turned = parts[3] + "-" + parts[2].str.zfill(2) + "-" + parts[0].str.zfill(2)
    return turned if kind == "date" else turned + "T" + parts[4]

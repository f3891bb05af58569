"""The rules that the database keeps by itself, whoever speaks to it: append-only, once, locked.

A guard is a condition under which a new row is refused; changing and removing is always refused. The
conditions are plain SQL that both databases understand. Their messages are the keys of
`refusals.REASONS`. Who may alter the tables themselves can take a guard away; that is found when the
store is opened the next time.
"""

from __future__ import annotations

from typing import NamedTuple

from sqlalchemy import MetaData, Table

from cohortlib.readings.schema import OWN_ID, READINGS

APPEND_ONLY = "cohortlib: append-only"
TAKEN = "cohortlib: number or key taken"
LOCKED = "cohortlib: locked"
NOT_LOCKED = "cohortlib: not locked"
FOREIGN = "cohortlib: supersedes a foreign row"

IS_LOCKED = "EXISTS (SELECT 1 FROM events WHERE what = 'locked')"
#: What a correction must have in common with the row that it supersedes.
SAME = {
    "marks": ("image_id", "reader_id", "repeat"),
    "gradings": ("image_id", "reader_id", "repeat", "side", "zone_system", "zone"),
    "grades": ("image_id", "reader_id", "repeat", "side", "scale", "part"),
}
_AFTER_THE_LOCK = ("store", "events")


class Guard(NamedTuple):
    """Refuses a new row of `table` with `message` where `condition` holds; NEW is the row."""

    table: str
    name: str
    condition: str
    message: str


def guards(schema: MetaData) -> list[Guard]:
    """Every guard of a store with these tables."""
    found = []
    for table in schema.sorted_tables:
        if table.name not in _AFTER_THE_LOCK:
            found.append(Guard(table.name, "locked", IS_LOCKED, LOCKED))
        if table.name in READINGS:
            found.append(_same(table.name))
        # Without it, INSERT OR REPLACE would remove the row that has the key, and tell no trigger.
        found.append(Guard(table.name, "once", " OR ".join(_taken(table)), TAKEN))
    found.append(
        Guard("events", "locked", f"NEW.what IN ('item shown', 'item finished') AND {IS_LOCKED}", LOCKED)
    )
    found.append(Guard("events", "unblinded", f"NEW.what = 'unblinded' AND NOT {IS_LOCKED}", NOT_LOCKED))
    found.append(Guard("store", "one", "EXISTS (SELECT 1 FROM store)", TAKEN))
    return found


def _same(table: str) -> Guard:
    same = " AND ".join(f"{column} = NEW.{column}" for column in SAME[table])
    earlier = f"SELECT 1 FROM {table} WHERE {OWN_ID[table]} = NEW.supersedes AND {same}"
    return Guard(table, "same", f"NEW.supersedes IS NOT NULL AND NOT EXISTS ({earlier})", FOREIGN)


def _taken(table: Table) -> list[str]:
    keys = [([column.name for column in table.primary_key], "")]
    keys += [([column.name], "") for column in table.columns if column.unique]
    for index in sorted(table.indexes, key=lambda index: str(index.name)):
        if index.unique and not any(column.unique for column in index.columns):
            where = index.dialect_options["sqlite"]["where"]
            keys.append(([column.name for column in index.columns], "" if where is None else str(where)))
    conditions = []
    for columns, where in keys:
        same = " AND ".join(f"{column} = NEW.{column}" for column in columns)
        extra = f" AND {where} AND NEW.{where}" if where else ""
        conditions.append(f"EXISTS (SELECT 1 FROM {table.name} WHERE {same}{extra})")
    return conditions

"""A worklist into the store: whole, once, and only of readings that are not there."""

from __future__ import annotations

from typing import Any

import pandas as pd
from sqlalchemy import Connection, insert, select

from cohortlib.errors import study_error
from cohortlib.readings.argument_tables import check_once, checked_table
from cohortlib.readings.batches import check_not_locked, readings_listed, readings_there
from cohortlib.readings.cell_checks import checked
from cohortlib.readings.cells import number
from cohortlib.readings.clock import software, stored_time
from cohortlib.readings.kept import check_kept
from cohortlib.readings.schema import ITEMS, READINGS, WORKLISTS
from cohortlib.readings.tasks import CONTENTS, TASKS
from cohortlib.readings.trail import insert_event
from cohortlib.readings.worklist import ITEM_RULES

_WASHOUT_DAYS = number(0, 3650, "d")


def insert_worklist(connection: Connection, table: pd.DataFrame, *, who: str, washout_days: float) -> int:
    """Store a worklist in the open transaction; returns its number."""
    check_not_locked(connection)
    rows = checked_table(table, ITEM_RULES, file="worklist")
    washout = checked(washout_days, _WASHOUT_DAYS, name="washout_days")
    check_once((row["item_id"] for row in rows), file="worklist", column="item_id")
    reading = (
        (row["image_id"], row["reader_id"], row["repeat"], what)
        for row in rows
        for what in TASKS[row["task"]]
    )
    check_once(reading, file="worklist", column="image_id, reader_id, repeat")
    _check_repeats(rows)
    _check_not_there(connection, rows)
    seeds = {row.pop("seed") for row in rows}
    if len(seeds) > 1:
        found = f"{len(seeds)} seeds"
        remedy = "Write the worklists one by one"
        raise study_error(file="worklist", column="seed", found=found, expected="one seed", remedy=remedy)
    now = stored_time(connection)
    stored = {"n_items": len(rows), "washout_days": washout, "seed": seeds.pop(), "who": who}
    added = connection.execute(
        insert(WORKLISTS).values(**stored, stored_at=now, software=software(connection))
    )
    (worklist_id,) = added.inserted_primary_key or (0,)
    connection.execute(insert(ITEMS), [{**row, "worklist_id": worklist_id} for row in rows])
    insert_event(connection, what="worklist written", who=who, now=now, subject=str(worklist_id))
    return int(worklist_id)


def _check_repeats(rows: list[dict[str, Any]]) -> None:
    sessions = {_key(row, row["repeat"]): row["session"] for row in rows}
    for line, row in enumerate(rows, start=2):
        first = sessions.get(_key(row, row["repeat"] - 1))
        if row["role"] == "repeat":
            right = first is not None and first < row["session"]
            expected = "the reading that it repeats in an earlier session"
        else:
            right, expected = row["repeat"] == 1, "repeat 1 for everything but a hidden repeat"
        if not right:
            found = f"{row['role']}, repeat {row['repeat']}"
            remedy = "Take the table as make_worklist gives it"
            raise study_error(
                file="worklist", line=line, column="role", found=found, expected=expected, remedy=remedy
            )


def _key(row: dict[str, Any], repeat: int) -> tuple[Any, ...]:
    return row["reader_id"], row["image_id"], row["task"], repeat


def _check_not_there(connection: Connection, rows: list[dict[str, Any]]) -> None:
    known = set(connection.execute(select(ITEMS.c.item_id)).scalars())
    taken = [row["item_id"] for row in rows if row["item_id"] in known]
    if taken:
        raise study_error(
            file="worklist",
            column="item_id",
            found=taken[0],
            count=len(taken),
            expected="names that no other worklist has",
            remedy="Make the worklist with another seed",
        )
    for content in CONTENTS:
        asked = [row for row in rows if content in TASKS[row["task"]]]
        if not asked:
            continue
        check_kept(connection, content)
        listed = readings_listed(connection, asked, content=content)
        stored = readings_there(connection, asked, table=READINGS[content])
        for name, again in (("items", listed), (content, stored)):
            if not again:
                continue
            raise study_error(
                file="worklist",
                column="image_id, reader_id, repeat",
                found=", ".join(map(str, again[0])),
                count=len(again),
                expected=f"readings of which the store has no {name} yet",
                remedy="Leave these images out, or give another reader",
            )

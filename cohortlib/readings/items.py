"""The items of a worklist: shown one at a time, finished in order."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd
from sqlalchemy import Connection, select

from cohortlib.errors import study_error
from cohortlib.readings.batches import check_not_locked, insert_batch
from cohortlib.readings.cell_checks import checked
from cohortlib.readings.cells import ID, SHA256, TEXT, number
from cohortlib.readings.clock import TOLERANCE, current_time, stored_time, time_value
from cohortlib.readings.progress import Item, next_open_item, reader_items
from cohortlib.readings.row_checks import Content
from cohortlib.readings.rows import MARKED_AT, imported_fields, reading_rows, written_fields
from cohortlib.readings.schema import EVENTS, TASKS
from cohortlib.readings.trail import insert_event
from cohortlib.tables import OF_BOTH_SIDES

_DURATION_S = number(0, 86_400, "s")
#: What `finish_item` takes from the item, so that no program can mistake it.
_OF_THE_ITEM = ("image_id", "reader_id", "repeat", "duration_s", "image_sha256")


def show_next(connection: Connection, reader_id: str) -> tuple[Item | None, list[Item]]:
    """What a reader is to read now, recorded as shown (None: everything is finished), and all items."""
    check_not_locked(connection)
    items = reader_items(connection, reader_id)
    item = next_open_item(items, current_time(connection))
    if item is not None:
        now = stored_time(connection)
        insert_event(connection, what="item shown", who=reader_id, now=now, subject=item.item_id)
    return item, items


def finish_item(
    connection: Connection,
    item_id: str,
    tables: Mapping[Content, pd.DataFrame | None],
    *,
    reader_id: str,
    image_sha256: str,
    duration_s: float,
    remark: str,
) -> dict[Content, int]:
    """Store what a reader read on an item, all of it in the open transaction; returns the batches."""
    check_not_locked(connection)
    item = _item_in_hand(connection, item_id, reader_id)
    seconds = checked(duration_s, _DURATION_S, name="duration_s")
    if checked(image_sha256, SHA256, name="image_sha256") != item.image_sha256:
        raise study_error(
            column="image_sha256",
            found="an image that is not the one of the worklist",
            expected="the same bytes as when the worklist was written",
            remedy="Put the image back as it was; its readings would be of something else",
        )
    note = checked(remark, TEXT, name="remark")
    given = dict(
        zip(_OF_THE_ITEM, (item.image_id, reader_id, item.repeat, seconds, image_sha256), strict=True)
    )
    batches = {}
    for content, table in tables.items():
        if table is None:
            continue
        check_task(item, content)
        fields = {n: f for n, f in written_fields(content).items() if n not in (*_OF_THE_ITEM, "supersedes")}
        for correction in ("withdrawn", "reason"):
            fields.pop(correction)
        fields[MARKED_AT] = imported_fields(content)[MARKED_AT]._replace(required=False)
        rows = reading_rows(table, fields, content=content, file=content)
        _check_times(connection, rows, item, content)
        check_sides(rows, item, content)
        batches[content] = insert_batch(
            connection, [{**row, **given} for row in rows], content=content, item_id=item_id
        )
    now = stored_time(connection)
    insert_event(
        connection,
        what="item finished",
        who=reader_id,
        now=now,
        subject=item_id,
        remark=note,
        duration_s=seconds,
    )
    return batches


def _item_in_hand(connection: Connection, item_id: str, reader_id: str) -> Item:
    """The item, if it is this reader's turn to finish it."""
    checked(item_id, ID, name="item_id")
    items = reader_items(connection, checked(reader_id, ID, name="reader_id"))
    item = next_open_item(items, current_time(connection))
    shown = select(EVENTS.c.event_id).where(EVENTS.c.what == "item shown", EVENTS.c.subject == item_id)
    if item is None or item.item_id != item_id or connection.execute(shown).first() is None:
        raise study_error(
            column="item_id",
            found=item_id,
            expected=f"the item that next_item showed to {reader_id} and that is not finished yet",
            remedy="Take the items in their order, one by one",
        )
    return item


def check_task(item: Item, content: Content) -> None:
    """Refuse marks where an item asks for gradings alone, and the other way round."""
    if content not in TASKS[item.task]:
        raise study_error(
            file=content,
            found=f"{content} of an item that asks for {item.task}",
            expected=item.task,
            remedy="Read what the item asks for",
        )


def _check_times(connection: Connection, rows: list[dict[str, Any]], item: Item, content: Content) -> None:
    """A mark was made after the item was shown, and before now; the clocks of two computers may differ."""
    query = select(EVENTS.c.stored_at).where(EVENTS.c.what == "item shown", EVENTS.c.subject == item.item_id)
    first = time_value(min(connection.execute(query).scalars())) - TOLERANCE
    last = current_time(connection) + TOLERANCE
    claimed = [(line, row["claimed_at"]) for line, row in enumerate(rows, start=2) if row["claimed_at"]]
    wrong = [(line, moment) for line, moment in claimed if not first <= time_value(moment) <= last]
    if wrong:
        raise study_error(
            file=content,
            line=wrong[0][0],
            column=MARKED_AT,
            found=wrong[0][1],
            count=len(wrong),
            expected="a time after the item was shown, and not after now",
            remedy="Set the clock of the reader's computer, or leave the column out",
        )


def check_sides(rows: list[dict[str, Any]], item: Item, content: Content) -> None:
    """Refuse what is read on a side that the item does not name, but for landmarks of both sides."""
    wrong = [
        line
        for line, row in enumerate(rows, start=2)
        if item.sides not in ("both", row["side"]) and row.get("landmark") not in OF_BOTH_SIDES
    ]
    if wrong:
        raise study_error(
            file=content,
            line=wrong[0],
            column="side",
            found="a side that was not asked for",
            count=len(wrong),
            expected=item.sides,
            remedy="Read the side that the item names",
        )

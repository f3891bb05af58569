"""How far a reader is, what comes next, and when."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from typing import NamedTuple

import pandas as pd
from sqlalchemy import Connection, select

from cohortlib.errors import study_error
from cohortlib.readings.clock import time_text, time_value
from cohortlib.readings.schema import EVENTS, ITEMS, WORKLISTS

#: When a session opens that waits for nothing.
ALWAYS_OPEN = datetime.datetime.min.replace(tzinfo=datetime.UTC)


class Item(NamedTuple):
    """One item of a worklist; only item_id, sides and task are for the reader's eyes."""

    item_id: str
    worklist_id: int
    session: int
    place: int
    image_id: str
    image_sha256: str
    sides: str
    repeat: int
    role: str
    task: str
    washout_days: float
    finished_at: str | None


def reader_items(connection: Connection, reader_id: str) -> list[Item]:
    """All items of a reader in the order of reading.

    Raises
    ------
    StudyError
        If the reader has no worklist.
    """
    finished = select(EVENTS.c.subject, EVENTS.c.stored_at).where(EVENTS.c.what == "item finished").subquery()
    names = [name for name in Item._fields if name not in ("washout_days", "finished_at")]
    query = (
        select(*(ITEMS.c[name] for name in names), WORKLISTS.c.washout_days, finished.c.stored_at)
        .join_from(ITEMS, WORKLISTS, ITEMS.c.worklist_id == WORKLISTS.c.worklist_id)
        .join(finished, finished.c.subject == ITEMS.c.item_id, isouter=True)
        .where(ITEMS.c.reader_id == reader_id)
        .order_by(ITEMS.c.worklist_id, ITEMS.c.session, ITEMS.c.place)
    )
    items = [Item._make(row) for row in connection.execute(query)]
    if not items:
        raise study_error(
            column="reader_id",
            found=reader_id,
            expected="a reader with a worklist",
            remedy="Correct the reader, or write a worklist for this reader",
        )
    return items


def opening_times(items: list[Item]) -> dict[tuple[int, int], datetime.datetime | None]:
    """When each (worklist, session) opens: the washout of all its repeats is over; None = not known yet.

    It is one time for the whole session, so that it does not tell which items are repeats.
    """
    finished = {(item.image_id, item.task, item.repeat): item.finished_at for item in items}
    opens: dict[tuple[int, int], datetime.datetime | None] = {}
    for item in items:
        key = (item.worklist_id, item.session)
        before = opens.setdefault(key, ALWAYS_OPEN)
        if item.role != "repeat" or before is None:
            continue
        first = finished.get((item.image_id, item.task, item.repeat - 1))
        if first is None:
            opens[key] = None
        else:
            opens[key] = max(before, time_value(first) + datetime.timedelta(days=item.washout_days))
    return opens


def next_open_item(items: list[Item], now: datetime.datetime) -> Item | None:
    """The first item that is not finished and whose session is open; None when everything is finished.

    Raises
    ------
    StudyError
        If what is left waits, saying until when.
    """
    opens = opening_times(items)
    waiting = []
    for item in items:
        if item.finished_at is None:
            opening = opens[item.worklist_id, item.session]
            if opening is not None and opening <= now:
                return item
            waiting.append(opening)
    if not waiting:
        return None
    known = [opening for opening in waiting if opening is not None]
    until = (
        f"nothing before {time_text(min(known))}" if known else "nothing before the items ahead are finished"
    )
    raise study_error(
        column="next item",
        found=until,
        expected="a pause in reading, as the study lays it down",
        remedy="Come back then; what was read is kept",
    )


def reader_view(items: list[Item]) -> pd.DataFrame:
    """All that a reader may see of a worklist: item_id, number, of, sides, task, finished."""
    rows = [
        (item.item_id, number, len(items), item.sides, item.task, item.finished_at is not None)
        for number, item in enumerate(items, start=1)
    ]
    return pd.DataFrame(rows, columns=["item_id", "number", "of", "sides", "task", "finished"])


def progress_table(listed: Mapping[str, list[Item]]) -> pd.DataFrame:
    """How far each reader is in each session, and when it opens."""
    rows = []
    for reader_id, items in listed.items():
        for (worklist_id, session), opens in opening_times(items).items():
            part = [item for item in items if (item.worklist_id, item.session) == (worklist_id, session)]
            n_finished = sum(item.finished_at is not None for item in part)
            waits = None if opens in (None, ALWAYS_OPEN) else opens
            rows.append((reader_id, worklist_id, session, len(part), n_finished, waits))
    columns = ["reader_id", "worklist_id", "session", "n_items", "n_finished", "opens_at"]
    table = pd.DataFrame(rows, columns=columns)
    return table.assign(opens_at=pd.to_datetime(table["opens_at"], utc=True).astype("datetime64[us, UTC]"))

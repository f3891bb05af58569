"""An item while it is read: every mark is stored when it is made, not when the item is finished."""

from __future__ import annotations

from typing import Any

import pandas as pd
from sqlalchemy import Connection, false, select, true

from cohortlib.errors import study_error
from cohortlib.readings.batches import check_not_locked, insert_batch
from cohortlib.readings.cell_checks import checked
from cohortlib.readings.cells import ID, SHA256, number
from cohortlib.readings.frames import history, reading_frame
from cohortlib.readings.handle import Handle
from cohortlib.readings.items import check_sides, check_task
from cohortlib.readings.marking import Rows
from cohortlib.readings.progress import Item, reader_items
from cohortlib.readings.row_checks import Content
from cohortlib.readings.rows import reading_rows, written_fields
from cohortlib.readings.schema import EVENTS, READINGS, TASKS

_DURATION_S = number(0, 86_400, "s")
_OF_THE_ITEM = ("image_id", "reader_id", "repeat", "duration_s", "image_sha256")


class InHand(Handle):
    """What a reader says of an item, row by row."""

    def write_item(
        self,
        item_id: str,
        content: Content,
        rows: Rows,
        *,
        reader_id: str,
        image_sha256: str,
        duration_s: float,
    ) -> pd.DataFrame:
        """Store marks or gradings of an item that is being read, all or none.

        Parameters
        ----------
        item_id
            The item that `next_item` showed, or a finished one of the same session: of that one, rows
            are corrected only.
        content
            "marks" or "gradings".
        rows
            As `write_marks` and `write_gradings` take them, without image_id, reader_id, repeat, duration_s
            and image_sha256: those are the item's. A correction names the row that it supersedes; a row that
            was withdrawn comes back by a correction of its withdrawal.
        image_sha256
            Of the file that is shown; it must be the one of the worklist.
        duration_s
            Seconds since the image was shown.

        Returns
        -------
        DataFrame
            The rows as stored.

        Raises
        ------
        StudyError
            If it is not this item's turn, or a row is wrong; then nothing was stored.
        """
        with self._database.writing() as connection:
            check_not_locked(connection)
            item = _readable_item(connection, item_id, reader_id)
            check_task(item, content)
            _check_image(item, image_sha256)
            seconds = checked(duration_s, _DURATION_S, name="duration_s")
            given = dict(
                zip(_OF_THE_ITEM, (item.image_id, reader_id, item.repeat, seconds, image_sha256), strict=True)
            )
            fields = {name: f for name, f in written_fields(content).items() if name not in _OF_THE_ITEM}
            # What the rows say of each other is judged with whose they are.
            table = [{**row, **given} for row in reading_rows(rows, fields, content=content, file=content)]
            _check_rows(table, item, content)
            batch_id = insert_batch(connection, table, content=content, item_id=item_id)
            stored = history(READINGS[content]).where(READINGS[content].c.batch_id == batch_id)
            return reading_frame(connection, stored, content=content)

    def item_history(self, item_id: str, *, reader_id: str) -> dict[Content, pd.DataFrame]:
        """Every mark and every grading that a reader ever stored of an item, in that order, as it asks for.

        For the program that shows the item again after a pause or a crash. Only the item in hand and
        finished ones of the same session are opened: an earlier session would show the reader what a hidden
        repeat is to be compared with.

        Raises
        ------
        StudyError
            If the item is not one of these.
        """
        tables: dict[Content, pd.DataFrame] = {}
        with self._database.reading() as connection:
            item = _readable_item(connection, item_id, reader_id)
            for content in ("marks", "gradings"):
                columns = READINGS[content].c
                query = history(READINGS[content]).where(
                    columns.image_id == item.image_id,
                    columns.reader_id == reader_id,
                    columns.repeat == item.repeat,
                    true() if content in TASKS[item.task] else false(),
                )
                tables[content] = reading_frame(connection, query, content=content)
        return tables


def _readable_item(connection: Connection, item_id: str, reader_id: str) -> Item:
    """The item, if it was shown to this reader in the session that is being read."""
    checked(item_id, ID, name="item_id")
    items = {
        item.item_id: item for item in reader_items(connection, checked(reader_id, ID, name="reader_id"))
    }
    query = select(EVENTS.c.subject).where(EVENTS.c.what == "item shown", EVENTS.c.who == reader_id)
    shown = [
        name for name in connection.execute(query.order_by(EVENTS.c.event_id)).scalars() if name in items
    ]
    if item_id in shown:
        item, latest = items[item_id], items[shown[-1]]
        if (item.worklist_id, item.session) == (latest.worklist_id, latest.session):
            return item
    raise study_error(
        column="item_id",
        found=item_id,
        expected=f"an item that next_item showed to {reader_id} in the session that is being read",
        remedy="Take the items in their order; those of an earlier session stay closed",
    )


def _check_image(item: Item, image_sha256: str) -> None:
    if checked(image_sha256, SHA256, name="image_sha256") != item.image_sha256:
        raise study_error(
            column="image_sha256",
            found="an image that is not the one of the worklist",
            expected="the same bytes as when the worklist was written",
            remedy="Put the image back as it was; its readings would be of something else",
        )


def _check_rows(rows: list[dict[str, Any]], item: Item, content: Content) -> None:
    new = [line for line, row in enumerate(rows, start=2) if row["supersedes"] is None]
    if item.finished_at is not None and new:
        raise study_error(
            file=content,
            line=new[0],
            column="supersedes",
            found="a new row of a finished item",
            count=len(new),
            expected="corrections of what was read on it",
            remedy="Correct or withdraw a row that is there",
        )
    check_sides(rows, item, content)

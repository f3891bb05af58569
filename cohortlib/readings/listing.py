"""Worklists: set up, read item by item, and how far everybody is."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd
from sqlalchemy import select

from cohortlib.errors import study_error
from cohortlib.readings import items
from cohortlib.readings.cell_checks import checked
from cohortlib.readings.cells import ID
from cohortlib.readings.frames import frame, history
from cohortlib.readings.handle import Handle
from cohortlib.readings.kept import kept
from cohortlib.readings.progress import progress_table, reader_items, reader_view
from cohortlib.readings.schema import ITEMS, READINGS, WORKLISTS
from cohortlib.readings.tasks import TASKS, tasks_of
from cohortlib.readings.worklist import TASK
from cohortlib.readings.worklist_storing import insert_worklist


class Listing(Handle):
    """Who reads what next."""

    def write_worklist(self, worklist: pd.DataFrame, *, who: str, washout_days: float) -> int:
        """Store a worklist, whole; returns its number.

        Parameters
        ----------
        worklist
            From `make_worklist` or `make_adjudication_list`.
        who
            Who sets it up; not one of its readers where that can be had.
        washout_days
            Days that must lie between the first reading of an image and its hidden repeat.

        Raises
        ------
        StudyError
            If one of its readings is in the store already.
        """
        name = checked(who, ID, name="who")
        with self._database.writing() as connection:
            return insert_worklist(connection, worklist, who=name, washout_days=washout_days)

    def worklist(self, reader_id: str) -> pd.DataFrame:
        """What a reader may see of the own worklist: item_id, number, of, sides, task, finished."""
        with self._database.reading() as connection:
            return reader_view(reader_items(connection, checked(reader_id, ID, name="reader_id")))

    def next_item(self, reader_id: str) -> pd.DataFrame:
        """What a reader reads now, and nothing that tells whose image it is or when it was taken.

        The same item comes until it is finished, also after a pause or a crash.

        Returns
        -------
        DataFrame
            One row: item_id, number, of, sides, task, finished; no row when everything is finished.

        Raises
        ------
        StudyError
            If what is left waits for the washout, saying until when; or the readings are locked.
        """
        name = checked(reader_id, ID, name="reader_id")
        with self._database.writing() as connection:
            item, listed = items.show_next(connection, name)
        view = reader_view(listed)
        return view[view["item_id"] == (item.item_id if item else "")].reset_index(drop=True)

    def item_image(self, item_id: str) -> str:
        """The image_id of an item, for the program that shows the pixels; never for the reader's eyes."""
        query = select(ITEMS.c.image_id).where(ITEMS.c.item_id == checked(item_id, ID, name="item_id"))
        with self._database.reading() as connection:
            image_id = connection.execute(query).scalar()
        if image_id is None:
            remedy = "Take the item from next_item"
            raise study_error(
                column="item_id", found=item_id, expected="an item of a worklist", remedy=remedy
            )
        return str(image_id)

    def finish_item(
        self,
        item_id: str,
        *,
        reader_id: str,
        image_sha256: str,
        duration_s: float,
        marks: pd.DataFrame | None = None,
        gradings: pd.DataFrame | None = None,
        grades: pd.DataFrame | None = None,
        remark: str = "",
    ) -> None:
        """Store everything that a reader read on an item, and that the item is finished, all or nothing.

        Parameters
        ----------
        item_id
            The item that `next_item` showed.
        image_sha256
            Of the file that was shown; it must be the one of the worklist.
        duration_s
            How long the reader took.
        marks
            landmark, side, x_px, y_px; None where there is nothing to mark. It may have marked_at (with its
            zone), when the reader clicked: kept beside the time of storing.
        gradings
            side, zone_system, zone, state, width_mm, as marks; None where there is nothing to grade.
        grades
            side, scale, part, grade, as marks; None where there is nothing to grade, or where `write_item`
            stored them.
        remark
            Such as why the image cannot be read.

        Raises
        ------
        StudyError
            If it is not this item's turn, a row is wrong, or the item asks for grades and there is none, or
            not every part of a scale, and no remark says why; then nothing was stored.
        """
        with self._database.writing() as connection:
            items.finish_item(
                connection,
                item_id,
                {"marks": marks, "gradings": gradings, "grades": grades},
                reader_id=reader_id,
                image_sha256=image_sha256,
                duration_s=duration_s,
                remark=remark,
            )

    def progress(self) -> pd.DataFrame:
        """For who runs the reading: reader_id, worklist_id, session, n_items, n_finished, opens_at.

        `opens_at` is empty while it is not known, or where nothing is waited for.
        """
        with self._database.reading() as connection:
            readers = connection.execute(select(ITEMS.c.reader_id).distinct().order_by(ITEMS.c.reader_id))
            listed = {name: reader_items(connection, name) for name in readers.scalars().all()}
        return progress_table(listed)

    def images_of(self, reader_ids: Sequence[str], *, task: str) -> set[str]:
        """The image_id of all that one of the readers read or is to read; for who sets up worklists.

        Parameters
        ----------
        task
            One of `TASKS`, such as "marks and gradings": what counts as read.
        """
        found: set[str] = set()
        readers = list(reader_ids)
        with self._database.reading() as connection:
            for content in TASKS[checked(task, TASK, name="task")]:
                table = READINGS[content]
                asked = ITEMS.c.task.in_(tasks_of(content))
                queries = [select(ITEMS.c.image_id).where(ITEMS.c.reader_id.in_(readers), asked)]
                if content in kept(connection):
                    queries.append(select(table.c.image_id).where(table.c.reader_id.in_(readers)))
                for query in queries:
                    found |= set(connection.execute(query.distinct()).scalars())
        return found

    def worklists(self) -> pd.DataFrame:
        """One row a worklist: worklist_id, n_items, washout_days, seed, who, stored_at, software."""
        with self._database.reading() as connection:
            return frame(connection, history(WORKLISTS))

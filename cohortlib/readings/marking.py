"""Marks and gradings: write them, take them in, read them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd
from sqlalchemy import Connection

from cohortlib.readings.batches import check_not_listed, insert_batch
from cohortlib.readings.frames import current, frame, history, reading_frame
from cohortlib.readings.handle import Handle
from cohortlib.readings.imports import import_readings
from cohortlib.readings.rows import reading_rows, written_fields
from cohortlib.readings.schema import IMPORTS, READINGS
from cohortlib.readings.tasks import Content

Rows = pd.DataFrame | Sequence[Mapping[str, Any]]


class Marking(Handle):
    """What readers said of images."""

    def write_marks(self, rows: Rows) -> pd.DataFrame:
        """Store marks, all or none.

        Parameters
        ----------
        rows
            One row a mark: image_id, reader_id, repeat, landmark, side, x_px, y_px, duration_s (seconds
            since the image was shown), image_sha256 (of the file that was shown). A correction has
            supersedes (the mark_id that it replaces, of the same image, reader and repeat) and may have
            reason; withdrawn = True takes a mark back, then x_px and y_px are empty.

        Returns
        -------
        DataFrame
            The rows as stored, as `mark_history` has them.

        Raises
        ------
        StudyError
            With every problem of the rows; then nothing was stored.
        """
        return self._write(rows, "marks")

    def write_gradings(self, rows: Rows) -> pd.DataFrame:
        """Store gradings of zones, all or none.

        Parameters
        ----------
        rows
            One row a zone: image_id, reader_id, repeat, side, zone_system, zone, state ("none",
            "incomplete", "complete", "not assessable"), width_mm (empty without a line), duration_s,
            image_sha256; corrections as in `write_marks`, of the same zone.

        Returns
        -------
        DataFrame
            The rows as stored, as `grading_history` has them.

        Raises
        ------
        StudyError
            With every problem of the rows; then nothing was stored.
        """
        return self._write(rows, "gradings")

    def _write(self, rows: Rows, content: Content) -> pd.DataFrame:
        checked_rows = reading_rows(rows, written_fields(content), content=content, file=content)
        with self._database.writing() as connection:
            check_not_listed(connection, checked_rows, content=content)
            batch_id = insert_batch(connection, checked_rows, content=content)
            stored = _batch_frame(connection, content, batch_id)
        return stored

    def marks(self) -> pd.DataFrame:
        """The marks that stand: nothing supersedes them, and they are not withdrawn.

        Returns
        -------
        DataFrame
            The columns of the table `landmarks` of a study, then mark_id, duration_s, image_sha256,
            stored_at (by the clock of the store), claimed_at (as the imported file or the reader's program
            says), software, supersedes, withdrawn, reason, batch_id, item_id, import_id. `marked_at` is
            claimed_at where there is one, and stored_at for all others.
        """
        return self._readings("marks", whole_history=False)

    def mark_history(self) -> pd.DataFrame:
        """Every mark that was ever stored, in that order; columns as `marks`."""
        return self._readings("marks", whole_history=True)

    def gradings(self) -> pd.DataFrame:
        """The gradings that stand.

        Returns
        -------
        DataFrame
            The columns of the table `gradings` of a study, then grading_id and on as in `marks`.
        """
        return self._readings("gradings", whole_history=False)

    def grading_history(self) -> pd.DataFrame:
        """Every grading that was ever stored, in that order; columns as `gradings`."""
        return self._readings("gradings", whole_history=True)

    def _readings(self, content: Content, *, whole_history: bool) -> pd.DataFrame:
        query = history(READINGS[content]) if whole_history else current(READINGS[content])
        with self._database.reading() as connection:
            return reading_frame(connection, query, content=content)

    def import_marks(self, table: pd.DataFrame, *, provenance: Mapping[str, str]) -> pd.DataFrame:
        """Take in the marks of a file once, all or none.

        Parameters
        ----------
        table
            As the table `landmarks` of a study; duration_s and image_sha256 may be there too. Its times
            are kept as claimed_at beside the time of storing.
        provenance
            file, sha256 and who, as `file_provenance` gives them.

        Returns
        -------
        DataFrame
            The rows as stored.

        Raises
        ------
        StudyError
            If a row is wrong, the file was imported before, a reading has marks in the store already, or
            a worklist asks for it.
        """
        return self._import(table, "marks", provenance)

    def import_gradings(self, table: pd.DataFrame, *, provenance: Mapping[str, str]) -> pd.DataFrame:
        """Take in the gradings of a file once, all or none; as `import_marks`."""
        return self._import(table, "gradings", provenance)

    def _import(self, table: pd.DataFrame, content: Content, provenance: Mapping[str, str]) -> pd.DataFrame:
        with self._database.writing() as connection:
            batch_id = import_readings(connection, table, content=content, provenance=provenance)
            stored = _batch_frame(connection, content, batch_id)
        return stored

    def imports(self) -> pd.DataFrame:
        """One row an import: import_id, content, file, sha256, n_rows, who, stored_at, software."""
        with self._database.reading() as connection:
            return frame(connection, history(IMPORTS))


def _batch_frame(connection: Connection, content: Content, batch_id: int) -> pd.DataFrame:
    table = READINGS[content]
    query = history(table).where(table.c.batch_id == batch_id)
    return reading_frame(connection, query, content=content)

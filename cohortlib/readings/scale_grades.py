"""Grades of a hip on scales: write them, take them in, read them."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from cohortlib.readings.marking import Marking, Rows


class ScaleGrades(Marking):
    """What readers said of a whole hip, scale by scale."""

    def write_grades(self, rows: Rows) -> pd.DataFrame:
        """Store grades of hips on scales, all or none.

        Parameters
        ----------
        rows
            One row a part of a scale: image_id, reader_id, repeat, side, scale, part ("whole" of a scale
            without parts), grade (one of `grades_of(scale, part)`), duration_s, image_sha256; corrections as
            in `write_marks`, of the same side, scale and part.

        Returns
        -------
        DataFrame
            The rows as stored, as `grade_history` has them.

        Raises
        ------
        StudyError
            With every problem of the rows; then nothing was stored.
        """
        return self._write(rows, "grades")

    def grades(self) -> pd.DataFrame:
        """The grades that stand.

        Returns
        -------
        DataFrame
            The columns of the table `grades` of a study, then grade_id and on as in `marks`. No rows of a
            store that was made before there were grades.
        """
        return self._readings("grades", whole_history=False)

    def grade_history(self) -> pd.DataFrame:
        """Every grade that was ever stored, in that order; columns as `grades`."""
        return self._readings("grades", whole_history=True)

    def import_grades(self, table: pd.DataFrame, *, provenance: Mapping[str, str]) -> pd.DataFrame:
        """Take in the grades of a file once, all or none; as `import_marks`."""
        return self._import(table, "grades", provenance)

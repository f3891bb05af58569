"""The data dictionary (what every column is) and Study (a definition with its checked tables)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, NamedTuple

import pandas as pd

from cohortlib.errors import study_error

Kind = Literal["id", "text", "integer", "number", "date", "datetime", "choice", "path"]


class Column(NamedTuple):
    """One row of the dictionary.

    `allowed` lists the choices, or gives (least, greatest) for a number. `refers` names the table
    that must hold the id. `unique` marks the key of a table.
    """

    table: str
    column: str
    kind: Kind
    required: bool
    meaning: str
    unit: str = ""
    allowed: tuple[Any, ...] = ()
    refers: str = ""
    unique: bool = False


SIDES = ("left", "right")
#: Landmarks of a radiograph that a reader marks; each belongs to a side of the patient.
LANDMARKS = ("teardrop", "head_edge", "cup_rim")

_COLUMNS = (
    Column("patients", "patient_id", "id", True, "study number of the patient", unique=True),
    Column("patients", "sex", "choice", True, "sex", allowed=("female", "male")),
    Column("patients", "birth_year", "integer", True, "year of birth", "a", (1900, 2100)),
    Column("patients", "height_cm", "number", False, "standing height", "cm", (120, 220)),
    Column("patients", "mass_kg", "number", False, "body mass", "kg", (30, 250)),
    Column("hips", "hip_id", "id", True, "study number of the hip", unique=True),
    Column("hips", "patient_id", "id", True, "whose hip", refers="patients"),
    Column("hips", "side", "choice", True, "side of the patient", allowed=SIDES),
    Column("hips", "arm", "id", True, "study arm, one of [[arms]] in study.toml", refers="arms"),
    Column("hips", "device", "text", True, "implant design as the study names it"),
    Column("hips", "surgery_date", "date", True, "date of the operation: day 0"),
    Column("hips", "surgeon_id", "id", False, "who operated"),
    Column("hips", "head_diameter_mm", "number", True, "labelled diameter of the head", "mm", (20, 70)),
    Column("hips", "cup_diameter_mm", "number", False, "labelled outer diameter of the cup", "mm", (36, 80)),
    Column("visits", "patient_id", "id", True, "whose visit", refers="patients"),
    Column("visits", "visit_id", "id", True, "one of [[visits]] in study.toml", refers="schedule"),
    Column("visits", "date", "date", True, "the day the patient came"),
    Column("images", "image_id", "id", True, "study number of the image", unique=True),
    Column("images", "patient_id", "id", True, "whose image", refers="patients"),
    Column("images", "visit_id", "id", True, "taken for which visit", refers="schedule"),
    Column("images", "kind", "choice", True, "kind of examination", allowed=("radiograph",)),
    Column("images", "view", "choice", True, "projection", allowed=("AP pelvis", "AP hip")),
    Column(
        "images", "position", "choice", False, "how the patient was placed", allowed=("supine", "standing")
    ),
    Column("images", "path", "path", True, "file below the study folder"),
    Column("landmarks", "image_id", "id", True, "marked on which image", refers="images"),
    Column("landmarks", "reader_id", "id", True, "who marked"),
    Column(
        "landmarks", "repeat", "integer", True, "1 for the first reading, 2 for the second …", "1", (1, 99)
    ),
    Column("landmarks", "landmark", "choice", True, "what was marked", allowed=LANDMARKS),
    Column("landmarks", "side", "choice", True, "side of the patient", allowed=SIDES),
    Column("landmarks", "x_px", "number", True, "columns to the right; 0 = middle of the first", "{pixel}"),
    Column("landmarks", "y_px", "number", True, "rows downwards; 0 = middle of the first", "{pixel}"),
    Column("landmarks", "marked_at", "datetime", True, "when, UTC"),
    Column("answers", "patient_id", "id", True, "who answered", refers="patients"),
    Column("answers", "visit_id", "id", True, "at which visit", refers="schedule"),
    Column("answers", "instrument", "id", True, "one of [[instruments]] in study.toml", refers="instruments"),
    Column("answers", "item", "integer", True, "number of the question", "1", (1, 99)),
    Column("answers", "answer", "integer", False, "the answer's score; empty = not answered", "1"),
)

DICTIONARY: dict[str, dict[str, Column]] = {}
for _column in _COLUMNS:
    DICTIONARY.setdefault(_column.table, {})[_column.column] = _column

#: What makes a row of a table one of its kind, where no single column does.
KEYS = {
    "patients": ("patient_id",),
    "hips": ("hip_id",),
    "visits": ("patient_id", "visit_id"),
    "images": ("image_id",),
    "answers": ("patient_id", "visit_id", "instrument", "item"),
}

#: Columns of a measurement row; `sd` is the measurement's own standard deviation in `unit`.
MEASUREMENT_COLUMNS = (
    "hip_id",
    "patient_id",
    "visit_id",
    "image_id",
    "reader_id",
    "repeat",
    "quantity",
    "zone",
    "value",
    "unit",
    "sd",
    "method",
    "note",
)

#: Columns every estimate row ends with; the grouping columns stand before them.
ESTIMATE_COLUMNS = ("estimate", "ci_low", "ci_high", "n_patients", "n_hips", "unit", "method", "note")


@dataclass(frozen=True, eq=False)
class Study:
    """A study definition and its checked tables; made by `cohortlib.study.read_study`.

    Attributes
    ----------
    folder
        The study folder; every path in a table is relative to it.
    title, comparator
        From study.toml; the comparator is the arm the others are judged against.
    arms, schedule, instruments, thresholds
        The definition as tables: arm, label … · visit_id, label, due_days, earliest_days,
        latest_days (from surgery) · instrument, items, lowest, highest, direction … ·
        threshold, quantity, lower, upper, unit, source …
    endpoint
        The primary endpoint as written in study.toml.
    data_cut
        The last day whose data count, or None where study.toml names none.
    synthetic
        True if the study is invented; figures and reports must say so.
    tables
        Table name to DataFrame: the columns of `DICTIONARY` in its order, then the study's own (`x_…`).
        `visits` has two columns more, worked out on reading: `days` (from the patient's first
        surgery) and `in_window` (whether `days` lies in the window of the schedule); both are empty
        for a patient without an operation.
    """

    folder: Path
    title: str
    comparator: str
    arms: pd.DataFrame
    schedule: pd.DataFrame
    instruments: pd.DataFrame
    thresholds: pd.DataFrame
    endpoint: Mapping[str, Any]
    data_cut: pd.Timestamp | None
    synthetic: bool
    tables: Mapping[str, pd.DataFrame]

    @property
    def patients(self) -> pd.DataFrame:
        """One row a patient."""
        return self.tables["patients"]

    @property
    def hips(self) -> pd.DataFrame:
        """One row a study hip."""
        return self.tables["hips"]

    @property
    def visits(self) -> pd.DataFrame:
        """One row a visit that took place."""
        return self.tables["visits"]

    @property
    def images(self) -> pd.DataFrame:
        """One row an image."""
        return self.tables["images"]

    @property
    def landmarks(self) -> pd.DataFrame:
        """One row a mark that a reader placed."""
        return self.tables["landmarks"]

    @property
    def answers(self) -> pd.DataFrame:
        """One row an answer to a questionnaire item."""
        return self.tables["answers"]

    def threshold(self, name: str, *, quantity: str) -> pd.Series:
        """The row of `thresholds` called `name` for a quantity: lower, upper, unit, source.

        Raises
        ------
        StudyError
            If study.toml has no such threshold; add it there with its source.
        """
        table = self.thresholds
        rows = table[(table["threshold"] == name) & (table["quantity"] == quantity)]
        if rows.empty:
            raise study_error(
                file="study.toml",
                column="[[thresholds]]",
                found=f"{name}, {quantity}",
                expected="one of " + ("; ".join(table["threshold"] + ", " + table["quantity"]) or "none"),
                remedy="Add the threshold with its source to study.toml",
            )
        return rows.iloc[0]

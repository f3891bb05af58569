"""Study: the definition of a study and its checked tables."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pandas as pd

from cohortlib.errors import study_error


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
    readings
        How images are read, as written under [readings] in study.toml: url, repeat_share,
        washout_days, readers, adjudicator, seed; what was left out is missing.
    discrepancies
        quantity, limit, unit: how far two readers may lie apart before a third one decides.
    readings_state
        Where marks, gradings and grades come from: `source` is "tables", or the store of readings; of a
        store also `grades_source` ("tables" where the store holds no grades and is asked for none), how many
        rows are shown and how many are hidden because their worklist is not unblinded yet (n_marks,
        n_marks_hidden, n_gradings, n_gradings_hidden, n_grades, n_grades_hidden), holds_grades, n_items,
        n_finished, n_adjudicated, locked_by, locked_at, unblinded_by, unblinded_at, sha256 (of all rows that
        stand), simulated.
    bone_density
        How bone density is judged, as written under [bone_density]: baseline, zone_system, zones,
        published_precision, published_source; what was left out is missing.
    calibrations
        Of one scanner by another: from_scanner, from_mode, to_scanner, to_mode, slope, offset, source.
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
    readings: Mapping[str, Any] = field(default_factory=dict)
    discrepancies: pd.DataFrame = field(
        default_factory=lambda: pd.DataFrame(columns=["quantity", "limit", "unit"])
    )
    readings_state: Mapping[str, Any] = field(default_factory=lambda: {"source": "tables"})
    bone_density: Mapping[str, Any] = field(default_factory=dict)
    calibrations: pd.DataFrame = field(default_factory=pd.DataFrame)

    @property
    def patients(self) -> pd.DataFrame:
        """One row a patient."""
        return self.tables["patients"]

    @property
    def hips(self) -> pd.DataFrame:
        """One row a study hip."""
        return self.tables["hips"]

    @property
    def plans(self) -> pd.DataFrame:
        """One row a hip whose operation was planned."""
        return self.tables["plans"]

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
    def gradings(self) -> pd.DataFrame:
        """One row a zone that a reader graded."""
        return self.tables["gradings"]

    @property
    def grades(self) -> pd.DataFrame:
        """One row a part of a scale that a reader graded on an image."""
        return self.tables["grades"]

    @property
    def answers(self) -> pd.DataFrame:
        """One row an answer to a questionnaire item."""
        return self.tables["answers"]

    @property
    def blood(self) -> pd.DataFrame:
        """One row a metal measured in a sample."""
        return self.tables["blood"]

    @property
    def densitometry(self) -> pd.DataFrame:
        """One row a zone of a scan."""
        return self.tables["densitometry"]

    @property
    def gait_trials(self) -> pd.DataFrame:
        """One row a walking trial."""
        return self.tables["gait_trials"]

    @property
    def gait_curves(self) -> pd.DataFrame:
        """One row a point of a curve."""
        return self.tables["gait_curves"]

    @property
    def events(self) -> pd.DataFrame:
        """One row an event: revision, adverse event, death, withdrawal and so on."""
        return self.tables["events"]

    @property
    def ct_doses(self) -> pd.DataFrame:
        """One row a CT acquisition."""
        return self.tables["ct_doses"]

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

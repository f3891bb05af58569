"""Readers' grades of scales as measurement rows: grades as ranks, scores as sums of points."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from cohortlib.errors import StudyError, problem
from cohortlib.measure.rows import check_columns
from cohortlib.tables import MEASUREMENT_COLUMNS, Study
from cohortlib.tables.grading_scales import GRADING_SCALES, NOT_ASSESSABLE

#: Quantity of each scale; the score of a stem is the sum of fixation and stability.
_QUANTITIES = {
    "ossification": "ossification",
    "cup_demarcation": "cup_demarcation",
    "stem_fixation": "stem_fixation_score",
    "stem_stability": "stem_stability_score",
}
_SUM = ("stem_score", ("stem_fixation_score", "stem_stability_score"))
_READING = ["hip_id", "patient_id", "visit_id", "image_id", "reader_id", "repeat"]
#: Lower bounds of the bands of the stem's score (from memory; the bounds themselves belong to the middle).
STEM_BANDS = ("unstable", "fibrous, stable", "suspected ingrowth", "ingrown")


def graded_scores(study: Study) -> pd.DataFrame:
    """Every scale that readers graded, one row a hip, film and reading.

    Parameters
    ----------
    study
        From `read_study`: its grades, images and hips are used.

    Returns
    -------
    DataFrame
        The columns of `MEASUREMENT_COLUMNS`: a grade as its rank, a score as the sum of its points, sd empty.
        A score with a part that is missing or not assessable has no value and says so in `note`: it is not
        made up from the rest.

    Raises
    ------
    StudyError
        If a grade is none of its scale, or belongs to no study hip.
    """
    grades = study.grades
    check_columns(
        grades, ("image_id", "reader_id", "repeat", "side", "scale", "part", "grade"), name="grades"
    )
    _check(grades)
    rows = grades.merge(study.images[["image_id", "patient_id", "visit_id"]], on="image_id", how="left")
    rows = rows.merge(study.hips[["hip_id", "patient_id", "side"]], on=["patient_id", "side"], how="left")
    lost = rows["hip_id"].isna()
    if lost.any():
        first = rows[lost].iloc[0]
        raise StudyError(
            [
                _problem("image_id, side", f"{first['image_id']}, {first['side']}", int(lost.sum()),
                         "the film of a patient with a study hip on that side", "Correct image or side")
            ]
        )  # fmt: skip
    found = []
    for ids, reading in rows.groupby(_READING, sort=False):
        scores = [_score(scale, table) for scale, table in reading.groupby("scale", sort=False)]
        name, parts = _SUM
        known = {score[0]: score for score in scores}
        if all(part in known for part in parts):
            values = [known[part][2] for part in parts]
            notes = "; ".join(known[part][6] for part in parts if known[part][6])
            method = "; ".join(known[part][5] for part in parts)
            scores.append([name, "", float(np.sum(values)), "1", np.nan, method, notes])
        found += [[*ids, *score] for score in scores]
    table = pd.DataFrame(found, columns=list(MEASUREMENT_COLUMNS))
    kinds = {"repeat": "Int64", "value": "float64", "sd": "float64"}
    return table.astype({name: kinds.get(name, "str") for name in MEASUREMENT_COLUMNS})


def stem_band(score: float) -> str:
    """The band of a stem's score: unstable, fibrous and stable, suspected ingrowth, or ingrown.

    Notes
    -----
    Above 10 ingrown, 0 to 10 suspected, -10 to 0 (without 0) fibrous and stable, below -10 unstable; from
    memory.
    """
    if not np.isfinite(score):
        return ""
    return STEM_BANDS[int(score >= -10) + int(score >= 0) + int(score > 10)]


def _score(scale: Any, table: pd.DataFrame) -> list[Any]:
    """Quantity to note of one scale in one reading."""
    parts = GRADING_SCALES[scale].parts
    given = dict(zip(table["part"], table["grade"], strict=True))
    lacking = [part for part in parts if given.get(part, NOT_ASSESSABLE) == NOT_ASSESSABLE]
    value = np.nan if lacking else sum(parts[part][given[part]] for part in parts)
    note = ""
    if lacking:
        note = NOT_ASSESSABLE if len(parts) == 1 else "not graded or not assessable: " + ", ".join(lacking)
    source = GRADING_SCALES[scale].source
    return [_QUANTITIES[scale], "", float(value), "1", np.nan, f"graded by a reader; {source}", note]


def _check(grades: pd.DataFrame) -> None:
    problems = []
    for (scale, part), table in grades.groupby(["scale", "part"], sort=False):
        known = GRADING_SCALES[str(scale)].parts.get(str(part)) if scale in GRADING_SCALES else None
        if known is None:
            expected = "a part of " + ", ".join(GRADING_SCALES)
            problems.append(_problem("scale, part", f"{scale}, {part}", len(table), expected, "Correct it"))
            continue
        allowed = [*known, NOT_ASSESSABLE]
        odd = table.loc[~table["grade"].isin(allowed), "grade"]
        if len(odd):
            problems.append(_problem("grade", str(odd.iloc[0]), len(odd), ", ".join(allowed), "Correct it"))
    if problems:
        raise StudyError(problems)


def _problem(column: str, found: str, count: int, expected: str, remedy: str) -> dict[str, Any]:
    return problem(
        file="tables/grades.csv", column=column, found=found, count=count, expected=expected, remedy=remedy
    )

"""Answers to questionnaires → scores of patients."""

from __future__ import annotations

from dataclasses import asdict

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from cohortlib.errors import StudyError, study_error
from cohortlib.outcomes.answer_checks import VISIT, answer_problems
from cohortlib.outcomes.instruments import INSTRUMENTS, Instrument

#: UCUM: a count of points, annotated; it converts as 1.
SCORE_UNIT = "{score}"
SCORE_COLUMNS = (
    "patient_id",
    "visit_id",
    "instrument",
    "value",
    "unit",
    "n_items",
    "n_missing",
    "method",
    "note",
)


def questionnaire_scores(answers: pd.DataFrame) -> pd.DataFrame:
    """Score of each patient at each visit, as far as enough questions were answered.

    Parameters
    ----------
    answers : DataFrame
        patient_id, visit_id, instrument (one of `INSTRUMENTS`), item (from 1), answer (the score of
        the answer as the instrument defines it; missing = not answered).

    Returns
    -------
    DataFrame
        One row a patient, visit and instrument with at least one row of answers, sorted so:
        patient_id, visit_id, instrument, value (NaN if there is no score), unit ("{score}", UCUM),
        n_items (questions of the instrument), n_missing (not answered, or without a row), method
        (the rule), note ("" or what was done about missing items).

    Raises
    ------
    StudyError
        For an unknown instrument, an item the instrument does not have, an item twice at a visit, an
        answer outside the range, or a file coded from 1 instead of 0; with every problem found.

    Notes
    -----
    With m the mean of the answered items, lowest a and highest b of an answer, and s(a), s(b) the
    score when all are so::

        value = s(a) + (m - a) / (b - a) * (s(b) - s(a))

    For the Oxford Hip Score this is 12 m: the sum, each missing answer replaced by the mean of the
    answered. Up to two may be missing. Values are not rounded.

    References
    ----------
    Murray DW, Fitzpatrick R, Rogers K, et al. The use of the Oxford hip and knee scores. J Bone Joint
    Surg Br 2007;89:1010-4.

    Example
    -------
    >>> answers = pd.DataFrame({"patient_id": "P01", "visit_id": "before",
    ...     "instrument": "oxford_hip_score", "item": range(1, 13), "answer": 3})
    >>> questionnaire_scores(answers)["value"].tolist()
    [36.0]
    """
    problems = answer_problems(answers)
    if problems:
        raise StudyError(problems)
    given = answers.astype({"answer": "float64"})
    visits = given.groupby(VISIT, as_index=False)["answer"].agg(mean="mean", answered="count")
    rules = pd.DataFrame([{**asdict(rule), "method": _method(rule)} for rule in INSTRUMENTS.values()])
    rule = rules.set_index("name").reindex(visits["instrument"]).reset_index(drop=True)
    n_missing = rule["items"] - visits["answered"]
    scored = n_missing <= rule["most_missing"]
    part = (visits["mean"] - rule["lowest"]) / (rule["highest"] - rule["lowest"])
    value = rule["score_at_lowest"] + part * (rule["score_at_highest"] - rule["score_at_lowest"])
    note = n_missing.astype("str") + " of " + rule["items"].astype("str") + " items missing: "
    note += scored.map({True: "replaced by the mean of the others", False: "no score"}).astype("str")
    scores = visits[VISIT].assign(
        value=value.where(scored),
        unit=SCORE_UNIT,
        n_items=rule["items"],
        n_missing=n_missing,
        method=rule["method"],
        note=note.where(n_missing > 0, ""),
    )
    text = [name for name in SCORE_COLUMNS if name not in ("value", "n_items", "n_missing")]
    return scores.astype({**dict.fromkeys(text, "str"), "n_items": "int64", "n_missing": "int64"})


def oxford_hip_score_from_12_to_60(total: ArrayLike) -> NDArray[np.float64]:
    """Oxford Hip Score (0 to 48, 48 best) of totals in the first published coding (12 to 60, 12 best).

    Parameters
    ----------
    total : scalar or array of any shape [points, 12 to 60]
        NaN stays NaN.

    Returns
    -------
    array of the same shape [points, 0 to 48]

    Raises
    ------
    StudyError
        For a total outside 12 to 60.

    Notes
    -----
    new = 60 - old; for one answer, coded 1 to 5 with 1 best: new = 5 - old. Whether a total is in the
    old coding cannot be seen from most values: it must be known from the form.

    References
    ----------
    Murray DW, Fitzpatrick R, Rogers K, et al. The use of the Oxford hip and knee scores. J Bone Joint
    Surg Br 2007;89:1010-4.

    Example
    -------
    >>> oxford_hip_score_from_12_to_60([12, 13, 60]).tolist()
    [48.0, 47.0, 0.0]
    """
    totals = np.asarray(total, dtype="float64")
    wrong = totals[(totals < 12) | (totals > 60)]
    if wrong.size:
        raise study_error(
            column="total",
            found=float(wrong.flat[0]),
            count=wrong.size,
            expected="a total from 12 to 60, 12 best",
            remedy="Leave totals alone that are in the coding of 0 to 48 already",
        )
    return np.asarray(60.0 - totals)


def _method(rule: Instrument) -> str:
    span = f"{min(rule.score_at_lowest, rule.score_at_highest):g} to "
    span += f"{max(rule.score_at_lowest, rule.score_at_highest):g}"
    replaced = (
        f"up to {rule.most_missing} missing replaced by their mean" if rule.most_missing else "no missing"
    )
    return f"{span} from {rule.items} items, {rule.direction}; {replaced}"

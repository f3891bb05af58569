"""The rows of an overview for grades: kappa with what stands beside it, and what could not be graded."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from cohortlib.errors import study_error
from cohortlib.stats.agreement.comparisons import Comparison
from cohortlib.stats.agreement.kappa import kappa
from cohortlib.stats.agreement.weights import Weights

_ASSESSABLE = ("kappa", "Gwet AC", "observed agreement")


def graded_agreement(
    chosen: pd.DataFrame,
    comparison: Comparison,
    *,
    grades: Sequence[str],
    weights: Weights,
    not_assessable: str | None,
) -> pd.DataFrame:
    """Rows of one comparison of grades at one zone.

    Parameters
    ----------
    chosen
        Readings of the comparison, from `readings_of`.

    Returns
    -------
    DataFrame
        measure, category, the counts and estimates as `agreement_overview` says.
    """
    if not_assessable in grades:
        raise study_error(
            column="not_assessable",
            found=str(not_assessable),
            expected="a word that is not one of the grades: it has no place on their scale",
            remedy="Take it out of grades",
        )
    unsure = chosen["value"].isin([not_assessable]) if not_assessable is not None else chosen["value"].isna()
    graded = chosen.assign(value=chosen["value"].mask(unsure))
    by_subject = graded.groupby("subject")
    read_by_all = by_subject["reading"].nunique() == len(comparison.readings)
    valued = by_subject["value"].count() == len(comparison.readings)
    whole = read_by_all.index[read_by_all]
    tables = [_kappa_rows(graded, whole[valued[whole]], grades, weights)]
    if unsure.any():
        words = {True: "assessable", False: "not assessable"}
        sure = chosen.assign(value=[words[one] for one in chosen["value"].notna() & ~unsure])
        apart = _kappa_rows(sure, whole, list(words.values()), None)
        apart = apart[apart["measure"].isin(_ASSESSABLE)]
        tables.append(apart.assign(measure="assessable or not: " + apart["measure"]))
    return pd.concat(tables, ignore_index=True).assign(
        n_no_value=int((read_by_all & ~valued).sum()), n_read_once=int((~read_by_all).sum())
    )


def _kappa_rows(
    table: pd.DataFrame, subjects: pd.Index, grades: Sequence[str], weights: Weights
) -> pd.DataFrame:
    """Kappa of the subjects, with the counts and the columns of an estimate."""
    complete = table[table["subject"].isin(subjects)]
    found = kappa(
        complete,
        subject="subject",
        rater="reading",
        value="value",
        categories=grades,
        weights=weights,
        cluster="patient_id",
    )
    return found.assign(
        n_images=complete["image_id"].nunique(),
        n_patients=complete["patient_id"].nunique(),
        n_hips=complete["hip_id"].nunique(),
        unit="1",
    )

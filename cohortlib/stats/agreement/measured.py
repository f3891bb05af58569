"""The rows of an overview for numbers: bias, limits, correlation, measurement error."""

from __future__ import annotations

from typing import Any

import pandas as pd

from cohortlib.stats.agreement.comparisons import Comparison
from cohortlib.stats.agreement.detectable import FACTOR, smallest_detectable_change
from cohortlib.stats.agreement.intraclass import intraclass_correlation
from cohortlib.stats.agreement.readers import reader_agreement

#: Which intraclass correlation and which measurement error go with a comparison.
FORMS = {
    "within reader": ("ICC(1,1)", "repeats"),
    "between readers": ("ICC(2,1)", "agreement"),
    "all readers": ("ICC(2,1)", "agreement"),
}
_NUMBERS = ["estimate", "ci_low", "ci_high"]


def measured_agreement(
    rows: pd.DataFrame, chosen: pd.DataFrame, comparison: Comparison, *, quantity: str, seed: int | None
) -> pd.DataFrame:
    """Rows of one comparison of a quantity at one zone.

    Parameters
    ----------
    rows
        All readings of the quantity at the zone.
    chosen
        Those of the comparison, from `readings_of`.

    Returns
    -------
    DataFrame
        measure, category (empty), the counts and estimates as `agreement_overview` says.
    """
    form, error = FORMS[comparison.kind]
    if len(comparison.readings) == 2:
        first, second = comparison.readings
        table = reader_agreement(rows, quantity=quantity, first=first, second=second, seed=seed or 0)
        table = table.rename(columns={"n_pairs": "n_subjects"})
    else:
        table = _of_all_readers(chosen, seed=seed or 0)
    change = f"smallest detectable change, {error}"
    wanted = ["bias", "lower limit", "upper limit", form, change]
    table = table[table["measure"].isin(wanted)]
    sem = table[table["measure"] == change]
    sem = sem.assign(
        measure=f"standard error of measurement, {error}", **{name: sem[name] / FACTOR for name in _NUMBERS}
    )
    return pd.concat([table[table["measure"] != change], sem, table[table["measure"] == change]]).assign(
        category=""
    )


def _of_all_readers(chosen: pd.DataFrame, *, seed: int) -> pd.DataFrame:
    """Intraclass correlation and detectable change of three readers or more, from what all could measure."""
    by_subject = chosen.groupby("subject")
    n_readers = chosen["reading"].nunique()
    read_by_all = by_subject["reading"].nunique() == n_readers
    valued = by_subject["value"].count() == n_readers
    complete = chosen[chosen["subject"].isin(valued.index[read_by_all & valued])]
    alone = not complete.groupby("patient_id")["subject"].nunique().gt(1).any()
    who: dict[str, Any] = {"subject": "subject", "rater": "reading", "value": "value"}
    draws: dict[str, Any] = {"cluster": "patient_id", "seed": seed}
    forms = intraclass_correlation(complete, **who, interval="F" if alone else "cluster bootstrap", **draws)
    changes = smallest_detectable_change(
        complete, **who, interval="chi-square" if alone else "cluster bootstrap", **draws
    )
    table = pd.concat(
        [
            forms.rename(columns={"form": "measure"}).assign(unit="1"),
            changes.assign(
                measure="smallest detectable change, " + changes["form"],
                unit=complete["unit"].iloc[0] if len(complete) else "",
            ),
        ],
        ignore_index=True,
    )
    return table.assign(
        n_subjects=complete["subject"].nunique(),
        n_images=complete["image_id"].nunique(),
        n_no_value=int((read_by_all & ~valued).sum()),
        n_read_once=int((~read_by_all).sum()),
        n_patients=complete["patient_id"].nunique(),
        n_hips=complete["hip_id"].nunique(),
    )

"""Everything a report says of two readings of a quantity, as rows of estimates."""

from __future__ import annotations

from typing import Any

import pandas as pd

from cohortlib.stats.agreement.detectable import smallest_detectable_change
from cohortlib.stats.agreement.intraclass import intraclass_correlation
from cohortlib.stats.agreement.limits import limits_of_agreement
from cohortlib.stats.agreement.pairs import Reading, reading_pairs
from cohortlib.tables import ESTIMATE_COLUMNS

AGREEMENT_COLUMNS = (
    "quantity",
    "comparison",
    "measure",
    "n_pairs",
    "n_images",
    "n_no_value",
    "n_read_once",
    *ESTIMATE_COLUMNS,
)


def reader_agreement(
    measurements: pd.DataFrame, *, quantity: str, first: Reading, second: Reading, seed: int
) -> pd.DataFrame:
    """Bias, limits, intraclass correlation and smallest detectable change of two readings of a quantity.

    Parameters
    ----------
    measurements
        Columns as in `tables.MEASUREMENT_COLUMNS`, one method.
    quantity
        Which quantity.
    first, second
        The two readings, each (reader_id, repeat): two readers, or two repeats of one reader.
    seed
        Of the bootstrap's draws, where patients have several films or hips.

    Returns
    -------
    DataFrame
        Rows: bias, lower limit, upper limit, ICC(1,1), ICC(2,1), ICC(3,1), and the smallest detectable
        change by repeats, agreement and consistency. Columns: quantity, comparison, measure, n_pairs,
        n_images, n_no_value, n_read_once, then those of `tables.ESTIMATE_COLUMNS`; n_patients and n_hips
        are those of the pairs. Fewer than three pairs or patients: empty estimates with a note.

    Raises
    ------
    StudyError
        As `reading_pairs`.

    Notes
    -----
    Films of one patient are not independent readings. Where every patient has one pair the intervals are
    the closed forms; else patients are drawn (`cluster_bootstrap`). The method column says which.
    """
    pairs = reading_pairs(measurements, quantity=quantity, first=first, second=second)
    status = pairs["status"].value_counts()
    paired = pairs[pairs["status"] == "paired"].reset_index(drop=True)
    alone = paired["patient_id"].is_unique
    long = paired.assign(pair=paired.index).melt(
        id_vars=["pair", "patient_id"], value_vars=["first", "second"], var_name="reading"
    )
    draws: dict[str, Any] = {"cluster": "patient_id", "seed": seed}
    who: dict[str, Any] = {"subject": "pair", "rater": "reading", "value": "value"}
    limits = limits_of_agreement(
        paired,
        first="first",
        second="second",
        interval="Bland-Altman 1986" if alone else "cluster bootstrap",
        **draws,
    ).iloc[0]
    forms = intraclass_correlation(long, **who, interval="F" if alone else "cluster bootstrap", **draws)
    changes = smallest_detectable_change(
        long, **who, interval="chi-square" if alone else "cluster bootstrap", **draws
    )
    unit = paired["unit"].iloc[0] if len(paired) else ""
    rows = [
        {
            "measure": name,
            "estimate": limits[column],
            "ci_low": limits[f"{column}_ci_low"],
            "ci_high": limits[f"{column}_ci_high"],
            "unit": unit,
            "method": limits["method"],
            "note": limits["note"],
        }
        for name, column in (("bias", "bias"), ("lower limit", "lower"), ("upper limit", "upper"))
    ]
    result = pd.concat(
        [
            pd.DataFrame(rows),
            forms.iloc[:3].rename(columns={"form": "measure"}).assign(unit="1"),
            changes.assign(measure="smallest detectable change, " + changes["form"], unit=unit),
        ],
        ignore_index=True,
    )
    result = result.assign(
        quantity=quantity,
        comparison=f"{first[0]} repeat {first[1]} − {second[0]} repeat {second[1]}",
        n_pairs=len(paired),
        n_images=paired["image_id"].nunique(),
        n_no_value=int(status.get("no value", 0)),
        n_read_once=int(status.get("read once", 0)),
        n_patients=paired["patient_id"].nunique(),
        n_hips=paired["hip_id"].nunique(),
    )
    return result[list(AGREEMENT_COLUMNS)]

"""Zones that were named beforehand first; the others corrected for how many they are, and marked."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from statsmodels.stats.multitest import multipletests

from cohortlib.errors import study_error
from cohortlib.stats.inputs import check_columns, numbers, sentence_of


def with_corrected_zones(
    estimates: pd.DataFrame,
    *,
    prespecified: Sequence[str],
    zone_system: str | None = None,
    zone: str = "zone",
) -> pd.DataFrame:
    """Estimates by zone with p-values corrected over the zones that nobody named beforehand.

    Parameters
    ----------
    estimates
        One row a zone (and visit, arm …) with p_value and note.
    prespecified
        Zones that the protocol names; they come first and keep their p-value.
    zone_system
        The system they belong to, such as "stem_7"; needed where the rows are of several: zone 1 of the cup
        is not zone 1 of the stem.
    zone
        Column of the zone.

    Returns
    -------
    DataFrame
        `estimates`, pre-specified zones first in the order of the protocol, with prespecified (true or
        false) and p_corrected: the p-value itself, or Holm's over all rows of the other zones, whose notes
        begin with "exploratory". Intervals are not corrected.

    Raises
    ------
    StudyError
        If a pre-specified zone is not among the rows, or the rows are of several zone systems and none is
        named.

    References
    ----------
    Holm S. A simple sequentially rejective multiple test procedure. Scand J Stat 1979;6:65-70.
    """
    check_columns(estimates, [zone, "p_value", "note"])
    named = estimates[zone].astype(str)
    named = named.where(_of_system(estimates, zone_system), "")
    unknown = [one for one in prespecified if one not in set(named)]
    if unknown:
        raise study_error(
            column=zone,
            found=", ".join(map(str, unknown)),
            expected="zones among " + ", ".join(name for name in dict.fromkeys(named) if name),
            remedy="Correct the name, or keep the zone in the table: a zone without data is a result too",
        )
    first = named.isin(list(prespecified)).to_numpy()
    p_value = numbers(estimates, "p_value")
    corrected = np.where(first, p_value, np.nan)
    open_ones = ~first & np.isfinite(p_value)
    if open_ones.any():
        corrected[open_ones] = multipletests(p_value[open_ones], method="holm")[1]
    notes = [
        note if own else sentence_of("exploratory", note)
        for own, note in zip(first, estimates["note"], strict=True)
    ]
    rank = named.map({one: place for place, one in enumerate(prespecified)}).fillna(len(prespecified))
    result = estimates.assign(prespecified=first, p_corrected=corrected, note=notes)
    return result.iloc[np.argsort(rank.to_numpy(), kind="stable")].reset_index(drop=True)


def _of_system(estimates: pd.DataFrame, zone_system: str | None) -> np.ndarray:
    """Which rows are of the zone system that the pre-specified zones belong to."""
    if zone_system is not None:
        check_columns(estimates, ["zone_system"])
        return (estimates["zone_system"] == zone_system).to_numpy()
    if "zone_system" in estimates and estimates["zone_system"].nunique() > 1:
        raise study_error(
            column="zone_system",
            found=", ".join(map(str, estimates["zone_system"].unique())),
            expected="rows of one zone system, or the name of the one that the zones belong to",
            remedy="Name zone_system: zone 1 of the cup is not zone 1 of the stem",
        )
    return np.ones(len(estimates), dtype=bool)

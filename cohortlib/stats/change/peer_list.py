"""The list of hips that go another way than their peers, the one that lost most beyond them first."""

from __future__ import annotations

import pandas as pd

from cohortlib.stats.change.flags import AGAIN
from cohortlib.stats.inputs import check_columns, check_unique, sentence_of


def hips_against_peers(compared: pd.DataFrame) -> pd.DataFrame:
    """One row a hip, the greatest loss beyond its peers first.

    Parameters
    ----------
    compared
        From `change_against_peers`.

    Returns
    -------
    DataFrame
        Of each hip the look at which it lost most against its limit (a sound one, where that is a loss;
        examinations to be made again come into it where no sound one is): the columns of
        `change_against_peers`, with n_loss, n_gain, n_again (looks flagged). A hip that no look could judge
        stands at the end, with the reason. Order is by times_limit, so that gains come after what is usual.
        A row is a reason to look at the hip and its images, never a diagnosis.

    Raises
    ------
    StudyError
        If a column is missing, or a look comes twice.
    """
    looked = ["hip_id", "zone", "visit_id", "n_visits"]
    looked += [name for name in ("zone_system",) if name in compared]
    check_columns(compared, [*looked, "times_limit", "flag", "reason"])
    check_unique(compared, looked, remedy="Give the rows of change_against_peers as they are")
    flags = compared["flag"].fillna("").astype(str)
    ordered = compared.assign(later=flags.ne("loss"), none=compared["flag"].isna()).sort_values(
        ["none", "later", "times_limit"], kind="stable"
    )
    counts = {
        f"n_{name}": flags.eq(flag).groupby(compared["hip_id"]).sum()
        for name, flag in (("loss", "loss"), ("gain", "gain"), ("again", AGAIN))
    }
    worst = ordered.drop_duplicates("hip_id").sort_values("times_limit", kind="stable")
    told = compared.groupby("hip_id")["reason"].agg(lambda each: sentence_of(*dict.fromkeys(each)))
    worst = worst.assign(
        **{name: worst["hip_id"].map(count).astype(int) for name, count in counts.items()},
        reason=worst["hip_id"].map(told).where(worst["none"], ""),
    )
    return worst.drop(columns=["later", "none"]).reset_index(drop=True)

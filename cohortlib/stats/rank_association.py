"""Association in ranks, for a score that many patients answer with its best value."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cohortlib.errors import study_error
from cohortlib.stats.bootstrap import cluster_bootstrap
from cohortlib.stats.inputs import (
    LEAST,
    check_columns,
    check_one_row_a_hip,
    codes,
    counted,
    identifiers,
    numbers,
    one_row,
    sentence_of,
)
from cohortlib.tables import ESTIMATE_COLUMNS

Array = NDArray[np.float64]

RANK_COLUMNS = (
    "outcome",
    "exposure",
    "term",
    "floor_share",
    "ceiling_share",
    "n_two_hips",
    "n_missing",
    *ESTIMATE_COLUMNS,
)
#: A larger share of patients at an end of the scale is called a floor or ceiling effect.
_CROWDED = 0.15


def rank_association(
    table: pd.DataFrame,
    *,
    outcome: str,
    exposure: str,
    cluster: str,
    outcome_range: tuple[float, float],
    primary: bool,
    seed: int,
) -> pd.DataFrame:
    """Spearman's rank correlation of outcome and exposure, with an interval that draws whole patients.

    Parameters
    ----------
    table
        One row a hip, with its `hip_id`, at one visit.
    outcome, exposure
        Columns of numbers.
    cluster
        Column of the patient.
    outcome_range
        Lowest and highest possible score, in the outcome's unit.
    primary
        Whether this very association was named primary before the data were read. If not, the note says
        "exploratory".
    seed
        Of the bootstrap's draws.

    Returns
    -------
    DataFrame
        One row: outcome, exposure, term, floor_share and ceiling_share (of patients, at the lowest and
        highest possible score), n_two_hips, n_missing (hips left out for want of a value), then the columns
        of `tables.ESTIMATE_COLUMNS` (unit 1). Fewer than three patients, or an exposure or outcome that
        does not vary: empty numbers with a note.

    Raises
    ------
    StudyError
        If a column is missing or not numeric, a hip has two rows, or a score lies outside `outcome_range`.

    Notes
    -----
    Ranks with ties at their mean; interval on Fisher's z (`cluster_bootstrap`). Patients at the ceiling
    share one rank: the scale no longer tells them apart, and a weak correlation may be the scale's. The
    note says so above 15 % (Terwee). A patient counts as at the ceiling when his mean score is there.

    References
    ----------
    Terwee CB et al. Quality criteria were proposed for measurement properties of health status
    questionnaires. J Clin Epidemiol 2007;60:34-42.
    """
    check_columns(table, [cluster, "hip_id", outcome, exposure])
    check_one_row_a_hip(table)
    lowest, highest = outcome_range
    rows = pd.DataFrame(
        {
            "patient": identifiers(table, cluster),
            "outcome": numbers(table, outcome),
            "exposure": numbers(table, exposure),
        }
    ).dropna(ignore_index=True)
    outside = ~rows["outcome"].between(lowest, highest)
    if outside.any():
        raise study_error(
            column=outcome,
            found=rows.loc[outside, "outcome"].iloc[0],
            count=int(outside.sum()),
            expected=f"a score from {lowest:g} to {highest:g}",
            remedy="Correct the score, or the range of the instrument",
        )
    patients = rows.groupby("patient")["outcome"]
    n_missing, n_patients = len(table) - len(rows), patients.ngroups
    scores = patients.mean()
    floor, ceiling = (float((scores == end).mean()) if n_patients else np.nan for end in outcome_range)
    notes = ["" if primary else "exploratory", counted(n_missing, "hip", "left out for want of a value")]
    estimate, low, high = np.nan, np.nan, np.nan
    if n_patients < LEAST:
        notes.append(f"no estimate from {n_patients} patients")
    elif min(rows["exposure"].nunique(), rows["outcome"].nunique()) < 2:
        notes.append("no estimate: exposure or outcome does not vary")
    else:
        of_row, _ = codes(rows["patient"].to_numpy(dtype=str))
        pair = rows["outcome"].to_numpy(dtype=float), rows["exposure"].to_numpy(dtype=float)
        drawn = cluster_bootstrap(
            lambda weights: np.arctanh(_rank_correlation(*pair, weights[:, of_row]))[:, None],
            clusters=n_patients,
            seed=seed,
        )
        estimate, low, high = (float(np.tanh(bound[0])) for bound in drawn[:3])
        notes.append(drawn.note)
    for share, end in ((floor, "floor"), (ceiling, "ceiling")):
        if share > _CROWDED:
            notes.append(f"{share:.0%} of patients at the {end} of the score")
    values = {
        "outcome": outcome,
        "exposure": exposure,
        "term": f"rank correlation of {outcome} and {exposure}",
        "floor_share": floor,
        "ceiling_share": ceiling,
        "n_two_hips": int((patients.size() > 1).sum()),
        "n_missing": n_missing,
        "estimate": estimate,
        "ci_low": low,
        "ci_high": high,
        "n_patients": n_patients,
        "n_hips": len(rows),
        "unit": "1",
        "method": "Spearman's rank correlation by hip; studentised bootstrap of patients",
        "note": sentence_of(*notes),
    }
    return one_row(values)[list(RANK_COLUMNS)]


def _rank_correlation(first: Array, second: Array, weights: Array) -> Array:
    """Spearman's correlation in every draw; `weights`, shape (draws, n), say how often each row is in it."""
    ranks = [_ranks(values, weights) for values in (first, second)]
    total = weights.sum(axis=1, keepdims=True)
    x, y = (rank - (weights * rank).sum(axis=1, keepdims=True) / total for rank in ranks)
    products = [(weights * a * b).sum(axis=1) for a, b in ((x, y), (x, x), (y, y))]
    return products[0] / np.sqrt(products[1] * products[2])


def _ranks(values: Array, weights: Array) -> Array:
    """Rank of every row among the drawn rows, ties at their mean."""
    distinct, of_row = np.unique(values, return_inverse=True)
    order = np.argsort(of_row, kind="stable")
    starts = np.searchsorted(of_row[order], np.arange(distinct.size))
    held = np.add.reduceat(weights[:, order], starts, axis=1)
    return (np.cumsum(held, axis=1) - held + (held + 1) / 2)[:, of_row]

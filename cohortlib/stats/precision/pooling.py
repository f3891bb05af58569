"""Precision errors of several zones or visits taken together, where they are alike."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy import stats

from cohortlib.errors import study_error
from cohortlib.stats.inputs import check_columns, check_names, check_unique, numbers, sentence_of
from cohortlib.stats.precision.error import BORROWED, PRECISION_COLUMNS, standard_deviation_bounds

_NEEDED = ("rms_sd", "df", "rms_cv_percent", "n", "n_left_out", "origin")


def precision_homogeneity(precision_error: pd.DataFrame, *, over: Sequence[str]) -> pd.DataFrame:
    """Whether the precision errors of several groups may be one and the same.

    Parameters
    ----------
    precision_error
        From `precision_error`: at least the columns of `over`, and maybe others that keep groups apart.
    over
        Columns whose groups are compared, such as ["zone"] or ["visit_id"].

    Returns
    -------
    DataFrame
        One row for each combination of the other grouping columns: statistic, df, p_value, largest_ratio
        (largest over smallest precision error), n_groups, method.

    Notes
    -----
    Bartlett's test on the mean squares s_i² with ν_i degrees of freedom: (ν ln s² − Σ ν_i ln s_i²) / C with
    s² pooled, ν = Σ ν_i and C = 1 + (Σ 1/ν_i − 1/ν) / (3(m − 1)), against χ² with m − 1 degrees of freedom.
    It also reacts to repeats that are not normally distributed. Groups of one set of scans (zones of the
    same hips) are not independent of each other, which Bartlett's test takes no notice of. A large p with
    few repeats does not prove that they are alike: look at the ratio too.

    References
    ----------
    Bartlett MS. Properties of sufficiency and statistical tests. Proc R Soc Lond A 1937;160:268-82.
    """
    others = _other_columns(precision_error, over)
    rows = []
    for labels, group in _groups(precision_error, others):
        usable = group[(group["rms_sd"] > 0) & (group["df"] > 0)]
        variance, df = numbers(usable, "rms_sd") ** 2, numbers(usable, "df")
        m, total = len(usable), df.sum()
        statistic = p_value = ratio = np.nan
        if m > 1:
            pooled = (df * variance).sum() / total
            correction = 1 + ((1 / df).sum() - 1 / total) / (3 * (m - 1))
            statistic = (total * np.log(pooled) - (df * np.log(variance)).sum()) / correction
            p_value = float(stats.chi2.sf(statistic, m - 1))
            ratio = float(np.sqrt(variance.max() / variance.min()))
        rows.append(
            {
                **dict(zip(others, labels, strict=True)),
                "statistic": statistic,
                "df": m - 1,
                "p_value": p_value,
                "largest_ratio": ratio,
                "n_groups": m,
                "method": "Bartlett's test of equal variances",
            }
        )
    return pd.DataFrame(rows)


def pooled_precision(
    precision_error: pd.DataFrame, *, over: Sequence[str], significance: float = 0.05
) -> pd.DataFrame:
    """Precision errors pooled over zones or visits, only where the test of homogeneity lets them be.

    Parameters
    ----------
    precision_error
        From `precision_error`.
    over
        Columns to pool over.
    significance
        Where the p-value of `precision_homogeneity` is below this, the rows stay apart.

    Returns
    -------
    DataFrame
        As `precision_error`: pooled rows hold "all" in the columns of `over`; where the groups differ their
        rows come back as they are. The note names test, p-value and largest ratio either way.
    """
    others = _other_columns(precision_error, over)
    tests = precision_homogeneity(precision_error, over=over)
    parts = []
    for (labels, group), test in zip(_groups(precision_error, others), tests.to_dict("records"), strict=True):
        told = f"Bartlett p = {test['p_value']:.3g}, largest ratio {test['largest_ratio']:.2f}"
        if not test["p_value"] >= significance:
            reason = "not pooled: " + (told if test["n_groups"] > 1 else "nothing to pool")
            parts.append(group.assign(note=[sentence_of(note, reason) for note in group["note"]]))
            continue
        usable = group[group["df"] > 0]
        df = float(usable["df"].sum())
        rms_sd = float(np.sqrt((usable["df"] * usable["rms_sd"] ** 2).sum() / df))
        relative = float(np.sqrt((usable["df"] * usable["rms_cv_percent"] ** 2).sum() / df))
        low, high = standard_deviation_bounds(rms_sd, df)
        row = {
            **dict(zip(others, labels, strict=True)),
            **dict.fromkeys(over, "all"),
            "rms_sd": rms_sd,
            "df": df,
            "ci_low": low,
            "ci_high": high,
            "rms_cv_percent": relative,
            "n": int(usable["n"].sum()),
            "n_left_out": int(usable["n_left_out"].sum()),
            "origin": usable["origin"].iloc[0],
            "source": "",
            "method": f"pooled over {len(usable)} groups by degrees of freedom; chi-square interval",
            "note": "pooled: " + told,
        }
        parts.append(pd.DataFrame([row], columns=list(precision_error.columns)))
    return pd.concat(parts, ignore_index=True)


def _other_columns(precision_error: pd.DataFrame, over: Sequence[str]) -> list[str]:
    check_names("over", over)
    check_columns(precision_error, [*over, *_NEEDED])
    labels = [name for name in precision_error.columns if name not in PRECISION_COLUMNS]
    check_unique(precision_error, labels, remedy="Keep one precision error a group")
    if (precision_error["origin"] == BORROWED).any():
        raise study_error(
            column="origin",
            found=BORROWED,
            expected="precision errors from the study's own repeats",
            remedy="Use a published precision as it was published",
        )
    return [name for name in labels if name not in over]


def _groups(table: pd.DataFrame, columns: list[str]) -> list[tuple[tuple[object, ...], pd.DataFrame]]:
    if not columns:
        return [((), table)]
    return [(labels, group) for labels, group in table.groupby(columns, sort=False, dropna=False)]

"""The precision error: the root mean square of the standard deviations of repeated examinations."""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence

import numpy as np
import pandas as pd
from scipy import stats

from cohortlib.errors import StudyError, problem, study_error
from cohortlib.stats.inputs import (
    LEAST,
    check_columns,
    check_names,
    counted,
    identifiers,
    numbers,
    sentence_of,
)

#: Where a precision error comes from; every flag made with it says so.
OWN, BORROWED = "own repeats", "borrowed precision"
#: What a pooled or published precision error has as well.
PRECISION_COLUMNS = (
    "rms_sd",
    "df",
    "ci_low",
    "ci_high",
    "rms_cv_percent",
    "n",
    "n_left_out",
    "origin",
    "source",
    "method",
    "note",
)
#: Fewer degrees of freedom leave the upper bound more than a third above the estimate (Glüer 1995: 27).
ENOUGH_DF = 27


def precision_error(
    table: pd.DataFrame, *, value: str, unit: str | Sequence[str], by: Sequence[str]
) -> pd.DataFrame:
    """Precision error of each group of repeated examinations, with its degrees of freedom and interval.

    Parameters
    ----------
    table
        Long: one row an examination; repeats of the same unit after repositioning, with nothing changed
        between them.
    value
        Column of the numbers.
    unit
        Column of what was examined repeatedly, e.g. "hip_id", or several whose combination it is: where a
        hip was examined twice at each of two visits, the repeats are those of ["hip_id", "visit_id"].
    by
        Columns that make the groups, such as ["zone_system", "zone"]; () takes all together.

    Returns
    -------
    DataFrame
        One row a group: the columns of `by`, rms_sd (in the unit of the values), df, ci_low and ci_high
        (95 %, of rms_sd), rms_cv_percent (to be shown beside, never used in its place: a limit in percent
        is too wide where bone is dense and too narrow where it is thin), n (units with repeats), n_left_out
        (units examined once), origin ("own repeats"), source, method, note. Fewer than three units with
        repeats: empty numbers with a note.

    Raises
    ------
    StudyError
        If a column is missing or not numeric, or a row does not say of which unit it is.

    Notes
    -----
    With k_i repeats and variance s_i² of unit i: rms_sd = √(Σ (k_i − 1) s_i² / df), df = Σ (k_i − 1), and
    df·rms_sd²/χ² bounds its square. The mean of the standard deviations would be too small (by a fifth for
    duplicates). rms_cv_percent takes the squares of s_i / mean_i in the same way.

    References
    ----------
    Glüer CC et al. Accurate assessment of precision errors: how to measure the reproducibility of bone
    densitometry techniques. Osteoporos Int 1995;5:262-70.
    International Society for Clinical Densitometry, official positions, adult: precision assessment.

    Example
    -------
    >>> table = pd.DataFrame({"hip_id": [1, 1, 2, 2, 3, 3], "zone": "1",
    ...                       "bmd": [0.842, 0.851, 1.013, 1.002, 0.765, 0.771]})
    >>> precision_error(table, value="bmd", unit="hip_id", by=["zone"])[["rms_sd", "df"]].round(4).values
    array([[0.0063, 3.    ]])
    """
    check_names("by", by)
    units = [unit] if isinstance(unit, str) else list(unit)
    check_columns(table, [value, *units, *by])
    _check_apart(units, by)
    values = numbers(table, value)
    known = pd.DataFrame({name: identifiers(table, name) for name in units}, index=table.index)
    known = pd.concat([table[list(by)], known], axis=1).assign(value=values)
    groups = known.groupby(list(by), sort=False, dropna=False) if by else [((), known)]
    rows = []
    for labels, group in groups:
        of_unit = (
            group.dropna(subset="value").groupby(units, sort=False)["value"].agg(["count", "var", "mean"])
        )
        named = dict(zip(by, labels, strict=True))
        rows.append(
            {**named, **_precision(of_unit[of_unit["count"] > 1], int((of_unit["count"] == 1).sum()))}
        )
    return pd.DataFrame(rows, columns=[*by, *PRECISION_COLUMNS])


def published_precision(
    rms_sd: float, *, source: str, df: float | None = None, of: Mapping[str, Sequence[Hashable]] | None = None
) -> pd.DataFrame:
    """A precision error from the literature, for a study without repeats of its own.

    Parameters
    ----------
    rms_sd
        The published root-mean-square standard deviation, in the unit of the values it is to judge.
    source
        Author, journal, year and pages; printed with everything that is made of it.
    df
        Its degrees of freedom where they are published; None gives no interval.
    of
        Columns and their values, such as {"zone": ["1", "7"]}: one row a combination. None: one row for all.

    Returns
    -------
    DataFrame
        As `precision_error`, with origin "borrowed precision".

    Raises
    ------
    StudyError
        If the number is not above zero, or no source is named.
    """
    if not (np.isfinite(rms_sd) and rms_sd > 0):
        raise study_error(
            column="rms_sd",
            found=rms_sd,
            expected="a standard deviation above zero, in the unit of the values",
            remedy="Copy it from the publication; a coefficient of variation is no standard deviation",
        )
    if not source.strip():
        raise study_error(
            column="source",
            found="no source",
            expected="who published this precision, and where",
            remedy="Name author, journal, year and pages, or measure repeats in the study itself",
        )
    low, high = standard_deviation_bounds(rms_sd, np.nan if df is None else float(df))
    row = {
        "rms_sd": float(rms_sd),
        "df": np.nan if df is None else float(df),
        "ci_low": low,
        "ci_high": high,
        "rms_cv_percent": np.nan,
        "n": 0,
        "n_left_out": 0,
        "origin": BORROWED,
        "source": source.strip(),
        "method": "published root-mean-square standard deviation",
        "note": "precision of others: their scanner, their patients, their hands",
    }
    names = list(of or {})
    combinations = pd.MultiIndex.from_product(list((of or {}).values()), names=names) if of else [()]
    return pd.DataFrame(
        [{**dict(zip(names, labels, strict=True)), **row} for labels in combinations],
        columns=[*names, *PRECISION_COLUMNS],
    )


def _check_apart(units: Sequence[str], by: Sequence[str]) -> None:
    both = [name for name in units if name in by]
    if both:
        raise StudyError(
            problem(
                column=name,
                found="a column of both unit and by",
                expected="groups that hold several units",
                remedy="Name it once: unit says whose repeats they are, by which of them are taken together",
            )
            for name in both
        )


def _precision(repeated: pd.DataFrame, n_once: int) -> dict[str, object]:
    """The row of a group whose units have count, var and mean."""
    n, note = len(repeated), ""
    extra = repeated["count"] - 1
    rms_sd = df = low = high = relative = np.nan
    if n < LEAST:
        note = f"no estimate from {n} unit{'' if n == 1 else 's'} with repeats"
    else:
        df = float(extra.sum())
        rms_sd = float(np.sqrt((extra * repeated["var"]).sum() / df))
        if (repeated["mean"] > 0).all():
            relative = 100 * float(np.sqrt((extra * repeated["var"] / repeated["mean"] ** 2).sum() / df))
        low, high = standard_deviation_bounds(rms_sd, df)
        if rms_sd == 0:
            note = "all repeats are equal: was one examination copied from the other?"
        elif df < ENOUGH_DF:
            note = f"few repeats: the true error may be {high / rms_sd:.1f} times as large"
    return {
        "rms_sd": rms_sd,
        "df": df,
        "ci_low": low,
        "ci_high": high,
        "rms_cv_percent": relative,
        "n": n,
        "n_left_out": n_once,
        "origin": OWN,
        "source": "",
        "method": "root mean square of the standard deviations of repeats; chi-square interval",
        "note": sentence_of(note, counted(n_once, "unit", "left out: examined once")),
    }


def standard_deviation_bounds(rms_sd: float, df: float) -> tuple[float, float]:
    """95 % interval of a standard deviation."""
    low, high = rms_sd * np.sqrt(df / stats.chi2.ppf([0.975, 0.025], df))
    return float(low), float(high)

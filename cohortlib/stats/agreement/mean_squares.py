"""The analysis of variance behind intraclass correlation and measurement error: images by readers."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cohortlib.errors import study_error
from cohortlib.stats.inputs import check_columns, check_unique, codes, identifiers, numbers

Array = NDArray[np.float64]


class MeanSquares(NamedTuple):
    """Mean squares of Shrout and Fleiss 1979: numbers, or arrays of one value a bootstrap draw.

    between: of subjects (BMS) · within: of readings inside a subject (WMS) · raters (JMS) · error: what is
    left when subjects and raters are taken out (EMS).
    """

    between: Array
    within: Array
    raters: Array
    error: Array
    n_subjects: Array


class Readings(NamedTuple):
    """Values of subjects (rows) by raters (columns), NaN where there is none; whose each subject is."""

    values: Array
    owner: NDArray[np.str_]

    def having(self, least: int) -> Readings:
        """Only the subjects with at least so many values."""
        enough = (~np.isnan(self.values)).sum(axis=1) >= least
        return Readings(self.values[enough], self.owner[enough])

    @property
    def n_clusters(self) -> int:
        """How many patients the subjects belong to."""
        return int(np.unique(self.owner).size)


def readings_by_rater(
    table: pd.DataFrame, *, subject: str, rater: str, value: str, cluster: str | None
) -> Readings:
    """Long table to subjects × raters; without `cluster` every subject is its own.

    Raises
    ------
    StudyError
        If a column is missing or not numeric, a rater has two values for one subject, or a subject
        belongs to two clusters.
    """
    check_columns(table, [subject, rater, value, *([cluster] if cluster else [])])
    long = pd.DataFrame(
        {
            subject: identifiers(table, subject),
            rater: identifiers(table, rater),
            "its value": numbers(table, value),
            "its owner": identifiers(table, cluster or subject),
        }
    )
    check_unique(
        long, [subject, rater], remedy="Keep one reading of each rater, or give each repeat a name of its own"
    )
    owners = long.groupby(subject)["its owner"].agg(["first", "nunique"])
    shared = owners.index[owners["nunique"] > 1]
    if len(shared):
        raise study_error(
            column=str(cluster),
            found=f"{subject} {shared[0]}",
            count=len(shared),
            expected=f"every {subject} to belong to one {cluster}",
            remedy="Correct the ids",
        )
    wide = long.pivot(index=subject, columns=rater, values="its value")
    return Readings(wide.to_numpy(dtype=float), owners["first"].reindex(wide.index).to_numpy(dtype=str))


def without_rounding(square: float, values: Array) -> Array:
    """A mean square, or exactly zero where it is no more than the rounding of the values."""
    return np.asarray(square if square > (1e-12 * np.nanmax(np.abs(values))) ** 2 else 0.0)


def mean_squares(values: Array) -> MeanSquares:
    """Mean squares of complete readings, shape (subjects, raters), at least 2 × 2."""
    n, k = values.shape
    subject_means, rater_means = values.mean(axis=1), values.mean(axis=0)
    left_over = values - subject_means[:, None] - rater_means + values.mean()
    return MeanSquares(
        between=without_rounding(k * subject_means.var(ddof=1), values),
        within=without_rounding(values.var(axis=1, ddof=1).mean(), values),
        raters=without_rounding(n * rater_means.var(ddof=1), values),
        error=without_rounding((left_over**2).sum() / ((n - 1) * (k - 1)), values),
        n_subjects=np.asarray(float(n)),
    )


def sums_by_owner(parts: Array, owner: NDArray[np.str_]) -> Array:
    """One row a patient: the sums of the rows that are his."""
    owner_codes, n_owners = codes(owner)
    sums = np.zeros((n_owners, parts.shape[1]))
    np.add.at(sums, owner_codes, parts)
    return sums


def parts_of_squares(values: Array) -> Array:
    """One row a subject: what the mean squares are sums of, so that a draw of patients is one product."""
    centred = values - values.mean()
    return np.column_stack(
        [np.ones(len(values)), centred.sum(axis=1) ** 2, (centred**2).sum(axis=1), centred]
    )


def summed_mean_squares(totals: Array) -> MeanSquares:
    """Mean squares of every row of `totals`, each the sum of a draw's `parts_of_squares`."""
    n, squared_rows, squares, columns = totals[:, 0], totals[:, 1], totals[:, 2], totals[:, 3:]
    k = columns.shape[1]
    correction = columns.sum(axis=1) ** 2 / (n * k)
    between = squared_rows / k - correction
    raters = (columns**2).sum(axis=1) / n - correction
    within = squares - squared_rows / k
    return MeanSquares(
        between=between / (n - 1),
        within=within / (n * (k - 1)),
        raters=raters / (k - 1),
        error=(within - raters) / ((n - 1) * (k - 1)),
        n_subjects=n,
    )

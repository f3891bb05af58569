"""How alike two hips of one patient are."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from cohortlib.stats.inputs import LEAST


def within_patient_correlation(values: ArrayLike, patients: ArrayLike) -> float:
    """Correlation between two hips of one patient: 1, they agree wholly; 0, they are like strangers' hips.

    Parameters
    ----------
    values, patients
        Shape (n,): a finite number a hip, and whose hip it is.

    Returns
    -------
    float
        NaN with fewer than three patients who have more than one hip, or where nothing varies.

    Notes
    -----
    Analysis of variance of unequal groups: (B − W) / (B + (m − 1) W), with the mean squares B between and W
    within patients and m = (n − Σ n_i² / n) / (patients − 1). Below zero means that hips of one patient
    differ more than chance would have them.

    References
    ----------
    Donner A. A review of inference procedures for the intraclass correlation coefficient in the one-way
    random effects model. Int Stat Rev 1986;54:67-82.
    """
    table = pd.DataFrame({"value": np.asarray(values, dtype=float), "patient": np.asarray(patients)})
    groups = table.groupby("patient")["value"]
    sizes = groups.size()
    n, n_patients = len(table), len(sizes)
    if int((sizes > 1).sum()) < LEAST:
        return float("nan")
    total = float(((table["value"] - table["value"].mean()) ** 2).sum())
    within = float(((table["value"] - groups.transform("mean")) ** 2).sum())
    if total == 0:
        return float("nan")
    between_square = (total - within) / (n_patients - 1)
    within_square = within / (n - n_patients)
    size = (n - float((sizes**2).sum()) / n) / (n_patients - 1)
    return (between_square - within_square) / (between_square + (size - 1) * within_square)

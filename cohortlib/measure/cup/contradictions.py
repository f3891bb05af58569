"""Angles of one cup in several definitions: whether the labels can be right."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from cohortlib.errors import study_error
from cohortlib.measure.cup.definitions import DEFINITIONS

#: Columns that a table of angles may have.
COLUMNS = tuple(f"{name}_{angle}" for name in DEFINITIONS for angle in ("inclination", "anteversion"))


class Order(NamedTuple):
    """Two angles of which the first is never the larger."""

    smaller: str
    larger: str


#: Of every cup that opens outwards, downwards and not to the back; holds for means of cups as well.
ORDERS = (
    Order("operative_inclination", "radiographic_inclination"),
    Order("radiographic_inclination", "anatomical_inclination"),
    Order("operative_inclination", "anatomical_inclination"),
    Order("radiographic_anteversion", "operative_anteversion"),
    Order("radiographic_anteversion", "anatomical_anteversion"),
)


def definition_contradictions(angles: pd.DataFrame, *, tolerance_deg: float) -> pd.DataFrame:
    """Where angles that are said to be of one cup cannot all be what they are called.

    Parameters
    ----------
    angles
        One row a cup, or a mean of cups: two or more of `COLUMNS` [deg]; missing is allowed.
    tolerance_deg
        How far rounding may break an order [deg]: 0.5 for whole degrees.

    Returns
    -------
    DataFrame
        One row a contradiction: row (label of the index), smaller, larger (names), smaller_deg, larger_deg.
        None where all can be right; that does not say that they are.

    Raises
    ------
    StudyError
        If fewer than two of the columns are there, one is not numeric, an anteversion is negative (the orders
        turn round there), or the tolerance is negative.

    Notes
    -----
    operative ≤ radiographic ≤ anatomical inclination; radiographic anteversion is the smallest of three.
    Published tables have broken these: look at the labels before the angles are compared with anything.

    References
    ----------
    Murray DW, J Bone Joint Surg Br 1993;75:228-32 (the orders follow from the definitions).
    """
    known = _checked(angles, tolerance_deg)
    found: list[dict[str, Any]] = []
    for order in ORDERS:
        if not {*order} <= set(known.columns):
            continue
        broken = known[known[order.smaller] > known[order.larger] + tolerance_deg]
        found += [
            {
                "row": label,
                "smaller": order.smaller,
                "larger": order.larger,
                "smaller_deg": float(row[order.smaller]),
                "larger_deg": float(row[order.larger]),
            }
            for label, row in broken.iterrows()
        ]
    return pd.DataFrame(found, columns=["row", "smaller", "larger", "smaller_deg", "larger_deg"])


def _checked(angles: pd.DataFrame, tolerance_deg: float) -> pd.DataFrame:
    columns = [name for name in COLUMNS if name in angles.columns]
    if len(columns) < 2:
        raise study_error(
            file="angles",
            column=", ".join(columns) or "none",
            found=f"{len(columns)} of the columns",
            expected="two or more of " + ", ".join(COLUMNS),
            remedy="Name each angle by its definition",
        )
    if not tolerance_deg >= 0:
        raise study_error(
            column="tolerance_deg",
            found=float(tolerance_deg),
            expected="0 or more",
            remedy="Give half of the last digit",
        )
    for name in columns:
        if not pd.api.types.is_numeric_dtype(angles[name]):
            raise study_error(
                file="angles",
                column=name,
                found=str(angles[name].dtype),
                expected="numbers in degrees",
                remedy="Give the angles as numbers",
            )
        negative = angles[name].to_numpy(dtype=float) < 0
        if name.endswith("anteversion") and negative.any():
            raise study_error(
                file="angles",
                column=name,
                found=float(angles.loc[negative, name].iloc[0]),
                count=int(np.sum(negative)),
                expected="0 or more: the orders hold for cups that do not open to the back",
                remedy="Leave retroverted cups out of this check",
            )
    return angles[columns]

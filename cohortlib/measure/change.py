"""What changed in a hip since a named earlier film, with the least change that marks can tell from none."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import pandas as pd

from cohortlib.errors import study_error
from cohortlib.measure.femur.neck import neck_narrowing
from cohortlib.measure.rows import check_measurements
from cohortlib.quantities import QUANTITIES
from cohortlib.tables import MEASUREMENT_COLUMNS


class Change(NamedTuple):
    """What a change is called, of which quantity, and by which sign."""

    quantity: str
    of: str
    sign: float = 1.0


CHANGES = (
    Change("cup_inclination_change", "inclination"),
    Change("cup_migration_lateral", "hip_centre_horizontal"),
    Change("cup_migration_proximal", "hip_centre_vertical"),
    Change("subsidence", "stem_depth"),
    Change("subsidence", "peg_depth"),
    Change("neck_narrowing_relative", "neck_head_ratio", -1.0),
    Change("neck_narrowing_points", "neck_head_ratio", -1.0),
)
_LIMIT = 1.96
#: A reading is compared with the reading of the same reader and repeat.
_SAME = ["hip_id", "reader_id", "repeat", "quantity", "zone"]


def change_since(measurements: pd.DataFrame, *, visits: Sequence[str], baseline: str) -> pd.DataFrame:
    """Migration, subsidence and narrowing of every hip against one visit, reading by reading.

    Parameters
    ----------
    measurements
        The columns of `MEASUREMENT_COLUMNS`, such as from `measurements_from_marks`; of the quantities
        inclination, hip_centre_horizontal, hip_centre_vertical, stem_depth, peg_depth and neck_head_ratio, as
        far as they are there.
    visits
        All visits in their order; those before the baseline are left aside, for nothing has changed yet.
    baseline
        The visit that changes are counted from: the first after the operation. It has no default.

    Returns
    -------
    DataFrame
        The columns of `MEASUREMENT_COLUMNS`, one row a later reading: the image is the later one, the earlier
        one stands in `method`. `note` names the detection limit and says "not told from none" where the
        change stays within it, or why there is no value.

    Raises
    ------
    StudyError
        If a column is missing, no row is of the baseline visit, a visit is not among `visits`, or one reading
        has two rows of a quantity.

    Notes
    -----
    ``later − earlier``, narrowing with the other sign; ``sd² = sd² later + sd² earlier``. The detection limit
    is 1.96 of it: by marks on plain films several millimetres, far from what radiostereometry tells. Where
    both visits take their scale in different ways, the note says so. Rotation of femur and pelvis between the
    films is not in the standard deviation: see `comparability.technique_changes`.
    """
    check_measurements(measurements)
    first = measurements[measurements["visit_id"] == baseline]
    if first.empty:
        raise study_error(
            file="measurements",
            column="visit_id",
            found=f"no row of {baseline!r}",
            expected="one of " + ", ".join(sorted(measurements["visit_id"].astype(str).unique())),
            remedy="Name the first visit after the operation",
        )
    order = list(visits)
    unknown = measurements.loc[~measurements["visit_id"].isin(order), "visit_id"]
    if len(unknown) or baseline not in order:
        raise study_error(
            file="measurements",
            column="visit_id",
            found=str(unknown.iloc[0]) if len(unknown) else baseline,
            count=max(len(unknown), 1),
            expected="one of " + ", ".join(order),
            remedy="List all visits in their order",
        )
    wanted = {change.of for change in CHANGES}
    after = measurements["visit_id"].isin(order[order.index(baseline) + 1 :])
    later = measurements[measurements["quantity"].isin(wanted) & after]
    _check_single(first[first["quantity"].isin(wanted)])
    pairs = later.merge(
        first[[*_SAME, "image_id", "value", "sd", "method", "note"]],
        on=_SAME,
        how="left",
        suffixes=("", "_before"),
    )
    rows = [
        _row(pair, change, baseline)
        for pair in pairs.to_dict("records")
        for change in CHANGES
        if change.of == pair["quantity"]
    ]
    table = pd.DataFrame(rows, columns=list(MEASUREMENT_COLUMNS))
    return table.astype({name: measurements[name].dtype for name in MEASUREMENT_COLUMNS})


def _row(pair: dict, change: Change, baseline: str) -> dict:
    value, sd = _value(pair, change)
    unit = QUANTITIES[change.quantity].unit
    absent = pd.isna(pair["image_id_before"])
    method = (
        f"since {baseline}" + ("" if absent else f", image {pair['image_id_before']}") + f"; {pair['method']}"
    )
    if np.isfinite(value):
        limit = _LIMIT * sd
        note = f"detection limit {limit:.1f} {unit}"
        note += "; not told from none" if abs(value) <= limit else ""
        if pair["method"] != pair["method_before"]:
            note += f"; measured otherwise before: {pair['method_before']}"
    elif absent:
        note = f"not read by this reader at {baseline}"
    else:
        note = "; ".join(text for text in (pair["note"], pair["note_before"]) if text) or "no value"
    return {
        **pair,
        "quantity": change.quantity,
        "value": value,
        "unit": unit,
        "sd": sd,
        "method": method,
        "note": note,
    }


def _value(pair: dict, change: Change) -> tuple[float, float]:
    after, before = pair["value"], pair["value_before"]
    if not (np.isfinite(after) and np.isfinite(before)):
        return np.nan, np.nan
    sd = float(np.hypot(pair["sd"], pair["sd_before"]))
    if change.quantity == "neck_narrowing_points":
        return neck_narrowing(before, after).percentage_points, 100.0 * sd
    if change.quantity == "neck_narrowing_relative":
        relative = np.hypot(pair["sd"] / before, pair["sd_before"] * after / before**2)
        return neck_narrowing(before, after).relative_percent, float(100.0 * relative)
    return change.sign * (after - before), sd


def _check_single(first: pd.DataFrame) -> None:
    twice = first.duplicated(_SAME)
    if twice.any():
        row = first[twice].iloc[0]
        raise study_error(
            file="measurements",
            column=", ".join(_SAME),
            found=f"{row['hip_id']}, {row['reader_id']}, {row['repeat']}, {row['quantity']} twice",
            count=int(twice.sum()),
            expected="one row a reading at the baseline visit",
            remedy="Choose one film of the visit before counting changes",
        )

"""What follows from a cup's measured angles: other definitions, the way of the load, cover by the cup."""

from __future__ import annotations

import numpy as np
import pandas as pd

from cohortlib.errors import StudyError, problem
from cohortlib.measure.cup.cover import (
    arc_of_cover,
    contact_patch_to_rim_distance,
    contact_patch_to_rim_sd,
)
from cohortlib.measure.cup.definitions import DEFINITIONS, cup_orientation
from cohortlib.measure.rows import check_measurements
from cohortlib.tables import MEASUREMENT_COLUMNS

_ANGLES = ["inclination", "anteversion"]
_READING = ["hip_id", "patient_id", "visit_id", "image_id", "reader_id", "repeat", "zone"]


def orientation_in_definition(measurements: pd.DataFrame, *, wanted: str) -> pd.DataFrame:
    """Every measured cup in another definition, under names of its own.

    Parameters
    ----------
    measurements
        The columns of `MEASUREMENT_COLUMNS`, with inclination and anteversion (both radiographic).
    wanted
        "operative" or "anatomical".

    Returns
    -------
    DataFrame
        The columns of `MEASUREMENT_COLUMNS`: `wanted`_inclination and `wanted`_anteversion, each with its
        standard deviation. A cup without both angles has rows without a value and a note.

    Raises
    ------
    StudyError
        If a column is missing, a row is not radiographic, or the definition is another.
    """
    pairs = _pairs(measurements)
    if wanted not in DEFINITIONS[1:]:
        raise StudyError(
            [
                problem(
                    column="wanted",
                    found=wanted,
                    expected="operative or anatomical",
                    remedy="The measurements are radiographic already; name another definition",
                )
            ]
        )
    given = (pairs["inclination"].to_numpy(), pairs["anteversion"].to_numpy())
    sds = (pairs["inclination_sd"].to_numpy(), pairs["anteversion_sd"].to_numpy())

    def turned(inclination: np.ndarray, anteversion: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        return cup_orientation(inclination, anteversion, given="radiographic", wanted=wanted)

    step = 1e-3
    ahead = (turned(given[0] + step, given[1]), turned(given[0], given[1] + step))
    behind = (turned(given[0] - step, given[1]), turned(given[0], given[1] - step))
    parts = []
    for k, angle in enumerate(_ANGLES):
        slopes = [(ahead[j][k] - behind[j][k]) / (2.0 * step) for j in (0, 1)]
        sd = np.hypot(slopes[0] * sds[0], slopes[1] * sds[1])
        parts.append(
            _rows(pairs, f"{wanted}_{angle}", turned(*given)[k], "deg", sd, f"{wanted}, from radiographic")
        )
    return pd.concat(parts, ignore_index=True)


def cover_of_cups(
    measurements: pd.DataFrame, bearings: pd.DataFrame, *, load_medial_deg: float
) -> pd.DataFrame:
    """Contact-patch-to-rim distance and arc of cover of every measured cup.

    Parameters
    ----------
    measurements
        As for `orientation_in_definition`.
    bearings
        One row a hip: hip_id, bearing_diameter_mm, cup_arc_deg (the arc of the bearing surface, from the
        maker's drawing of that size).
    load_medial_deg
        How far the force leans to the medial side [deg]; an assumption, the same for everybody, printed in
        `method`.

    Returns
    -------
    DataFrame
        The columns of `MEASUREMENT_COLUMNS`.

    Raises
    ------
    StudyError
        If a column is missing, a hip has no bearing or two, or a size is impossible.
    """
    pairs = _pairs(measurements)
    sizes = _bearings(pairs, bearings)
    distance, distance_sd, cover = [], [], []
    for pair, size in zip(pairs.to_dict("records"), sizes.to_dict("records"), strict=True):
        bearing = {name: float(size[name]) for name in ("bearing_diameter_mm", "cup_arc_deg")}
        angles = (pair["inclination"], pair["anteversion"])
        distance.append(
            float(contact_patch_to_rim_distance(*angles, **bearing, load_medial_deg=load_medial_deg))
        )
        distance_sd.append(
            contact_patch_to_rim_sd(
                *angles,
                inclination_sd_deg=pair["inclination_sd"],
                anteversion_sd_deg=pair["anteversion_sd"],
                **bearing,
                load_medial_deg=load_medial_deg,
            )
        )
        cover.append(float(arc_of_cover(pair["inclination"], cup_arc_deg=bearing["cup_arc_deg"])))
    method = f"centre of the patch; load {load_medial_deg:g} deg medial of the vertical, assumed"
    return pd.concat(
        [
            _rows(
                pairs,
                "contact_patch_to_rim_distance",
                np.array(distance),
                "mm",
                np.array(distance_sd),
                method,
            ),
            _rows(
                pairs,
                "arc_of_cover",
                np.array(cover),
                "deg",
                pairs["inclination_sd"].to_numpy(),
                "plane of the film",
            ),
        ],
        ignore_index=True,
    )


def _pairs(measurements: pd.DataFrame) -> pd.DataFrame:
    """One row a cup and reading: its ids, both angles and their standard deviations, method and note."""
    check_measurements(measurements)
    rows = measurements[measurements["quantity"].isin(_ANGLES)]
    valued = rows["value"].notna()
    other = valued & ~rows["method"].astype(str).str.startswith("radiographic")
    twice = rows.duplicated([*_READING, "quantity"])
    problems = []
    for wrong, column, expected, remedy in (
        (other, "method", "a method that begins with radiographic", "Give radiographic angles only"),
        (twice, "quantity", "one value a cup and reading", "Keep one method: methods are not mixed"),
    ):
        if wrong.any():
            problems.append(
                problem(
                    file="measurements",
                    column=column,
                    found=str(rows.loc[wrong, column].iloc[0]),
                    count=int(wrong.sum()),
                    expected=expected,
                    remedy=remedy,
                )
            )
    if problems:
        raise StudyError(problems)
    inclination, anteversion = (
        rows[rows["quantity"] == angle][[*_READING, "value", "sd", "note"]].rename(
            columns={"value": angle, "sd": f"{angle}_sd", "note": f"{angle}_note"}
        )
        for angle in _ANGLES
    )
    return inclination.merge(anteversion, on=_READING, how="outer", sort=False)


def _bearings(pairs: pd.DataFrame, bearings: pd.DataFrame) -> pd.DataFrame:
    problems = [
        problem(
            file="bearings",
            column=name,
            found="no such column",
            expected="columns hip_id, bearing_diameter_mm, cup_arc_deg",
            remedy="Give one row a hip",
        )
        for name in ("hip_id", "bearing_diameter_mm", "cup_arc_deg")
        if name not in bearings.columns
    ]
    if problems:
        raise StudyError(problems)
    absent = pairs.loc[~pairs["hip_id"].isin(bearings["hip_id"]), "hip_id"].unique()
    doubled = bearings.loc[bearings["hip_id"].duplicated(), "hip_id"].unique()
    for ids, found, remedy in (
        (absent, "no bearing of", "Add the hip with the arc of its size"),
        (doubled, "two bearings of", "Keep one row a hip"),
    ):
        if len(ids):
            problems.append(
                problem(
                    file="bearings",
                    column="hip_id",
                    found=f"{found} {ids[0]}",
                    count=len(ids),
                    expected="one row for each measured hip",
                    remedy=remedy,
                )
            )
    if problems:
        raise StudyError(problems)
    return bearings.set_index("hip_id").loc[pairs["hip_id"]].reset_index()


def _rows(
    pairs: pd.DataFrame, quantity: str, value: np.ndarray, unit: str, sd: np.ndarray, method: str
) -> pd.DataFrame:
    notes = pairs["inclination_note"].fillna("").astype(str)
    other = pairs["anteversion_note"].fillna("").astype(str)
    notes = notes.where((other == notes) | (other == ""), notes + np.where(notes == "", "", "; ") + other)
    lacking = np.isnan(value) & (notes == "").to_numpy()
    notes = notes.mask(pd.Series(lacking, index=notes.index), "an angle of the cup has no value")
    table = pairs[_READING].assign(
        quantity=quantity, value=value, unit=unit, sd=sd, method=method, note=notes
    )
    return table[list(MEASUREMENT_COLUMNS)]

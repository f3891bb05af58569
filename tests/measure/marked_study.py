"""A study of one patient whose marks lie where a drawing has them: for tests of what marks alone tell."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from cohortlib.tables import DICTIONARY, Study

#: A left hip in millimetres of the patient: x to the patient's left, y up. Numbers that can be added up.
CENTRE = np.array([85.0, 14.0])
HEAD_MM, CUP_MM = 48.0, 54.0
_ARC = np.radians(np.arange(-150, 31, 30))
_HALF = CUP_MM / np.sqrt(8.0)


def _about(x: float, y: float) -> tuple[float, float]:
    return float(CENTRE[0] + x), float(CENTRE[1] + y)


PLACES = {
    ("teardrop", "left"): [(55.0, 0.0)],
    ("teardrop", "right"): [(-55.0, 0.0)],
    ("head_edge", "left"): [tuple(CENTRE + HEAD_MM / 2 * np.array([np.cos(a), np.sin(a)])) for a in _ARC],
    ("cup_rim", "left"): [_about(_HALF, _HALF), _about(-_HALF, -_HALF)],
    ("stem_axis", "left"): [tuple(CENTRE), _about(30.0, -30.0)],
    ("stem_tip", "left"): [_about(35.0, -35.0)],
    ("shaft_axis", "left"): [(125.0, -60.0), (125.0, -120.0)],
    ("lesser_trochanter", "left"): [(112.0, -46.0)],
    ("lesser_trochanter", "right"): [(-112.0, -41.0)],
    ("greater_trochanter_tip", "left"): [_about(35.0, 15.0)],
    ("neck_edge", "left"): [_about(25.0, -5.0), _about(5.0, -25.0)],
    ("symphysis_top", "left"): [(0.0, -5.0)],
    ("sacrococcygeal_joint", "left"): [(0.0, 15.0)],
}  # fmt: skip
#: What the drawing says.
EXPECTED = {
    "hip_centre_horizontal": 30.0,
    "hip_centre_vertical": 14.0,
    "femoral_offset": 40.0,
    "global_offset": 70.0,
    "stem_shaft_angle": 135.0,
    "neck_shaft_angle": 135.0,
    "neck_width": np.hypot(20.0, 20.0),
    "neck_head_ratio": np.hypot(20.0, 20.0) / 48.0,
    "head_neck_ratio": 48.0 / np.hypot(20.0, 20.0),
    "peg_depth": 50.0 / np.sqrt(2.0),
    "hip_length": 46.0,
    "leg_length_difference": 5.0,
    "pelvic_tilt": 0.0,
    "pelvic_rotation": 0.0,
}


def marked_study(
    *,
    mirrored: bool = False,
    turn_deg: float = 0.0,
    mm_per_px: tuple[float, float] = (0.26, 0.26),
    places: dict | None = None,
    click_sd_mm: float = 0.0,
    seed: int = 0,
    operated: bool = True,
    readings: int = 1,
) -> Study:
    """The study, its film mirrored onto the other hip, turned, in other pixels, with shaky clicks."""
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    rng = np.random.default_rng(seed)
    rows = []
    for reading in range(1, readings + 1):
        for (landmark, side), points in (PLACES if places is None else places).items():
            xy = np.asarray(points, dtype=float) * ([-1, 1] if mirrored else [1, 1])
            xy = xy @ np.array([[c, s], [-s, c]]) + rng.normal(0, click_sd_mm, xy.shape)
            shown = {"left": "right", "right": "left"}[side] if mirrored else side
            for x, y in xy / [mm_per_px[0], -mm_per_px[1]] + [700.0, 500.0]:
                rows.append(["I1", "R1", reading, landmark, shown, x, y, pd.Timestamp("2031-01-01")])
    tables = {name: pd.DataFrame({column: [] for column in columns}) for name, columns in DICTIONARY.items()}
    tables["patients"] = pd.DataFrame({"patient_id": ["P1"], "sex": ["male"], "birth_year": [1970]})
    day = pd.Timestamp("2030-01-01")
    tables["hips"] = pd.DataFrame(
        {
            "hip_id": ["H1"],
            "patient_id": ["P1"],
            "side": ["right" if mirrored else "left"],
            "surgery_date": [day if operated else day + pd.Timedelta(days=900)],
            "head_diameter_mm": [HEAD_MM],
            "cup_diameter_mm": [CUP_MM],
        }
    )
    tables["visits"] = pd.DataFrame(
        {"patient_id": ["P1"], "visit_id": ["v"], "date": [day + pd.Timedelta(days=40)]}
    )
    tables["images"] = pd.DataFrame(
        {
            "image_id": ["I1"],
            "patient_id": ["P1"],
            "visit_id": ["v"],
            "kind": ["radiograph"],
            "path": ["a.dcm"],
        }
    )
    columns = ["image_id", "reader_id", "repeat", "landmark", "side", "x_px", "y_px", "marked_at"]
    tables["landmarks"] = pd.DataFrame(rows, columns=columns)
    empty = pd.DataFrame()
    return Study(Path(), "drawn", "a", empty, empty, empty, empty, {}, None, True, tables)

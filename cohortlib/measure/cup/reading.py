"""One reading of one hip: its marks and sizes, checked whole."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cohortlib.errors import StudyError, problem
from cohortlib.geometry.line import fit_line
from cohortlib.measure.cup.rim import lateral_sign

Array = NDArray[np.float64]
_WANTED = {"teardrop_left": (1, 1), "teardrop_right": (1, 1), "head_edge": (3, 99), "cup_rim": (2, 99)}


@dataclass(frozen=True)
class Reading:
    """Checked marks [px] and sizes [mm] of one hip; `sign` is +1 for a left hip, -1 for a right one."""

    side: str
    sign: float
    head_diameter: float
    cup_diameter: float | None
    teardrop_left: Array
    teardrop_right: Array
    head_edge: Array
    cup_rim: Array

    @staticmethod
    def of(marks: pd.DataFrame, side: str, head_diameter_mm: float, cup_diameter_mm: float | None) -> Reading:
        """The reading, or one `StudyError` with everything that is wrong with it."""
        sign = lateral_sign(side)
        absent = [name for name in ("landmark", "x_px", "y_px") if name not in marks.columns]
        if absent:
            raise StudyError(
                problem(
                    column="marks",
                    found=f"no column {name}",
                    expected="columns landmark, x_px, y_px",
                    remedy="Give the marks of one reading as a table",
                )
                for name in absent
            )
        cup = None if cup_diameter_mm is None or np.isnan(cup_diameter_mm) else float(cup_diameter_mm)
        problems = _size_problems(head_diameter_mm, cup)
        places = {}
        for name, (least, most) in _WANTED.items():
            rows = marks[marks["landmark"] == name]
            places[name] = rows[["x_px", "y_px"]].to_numpy(dtype=float)
            if not least <= len(rows) <= most or not np.isfinite(places[name]).all():
                need = "one" if most == 1 else f"at least {least}"
                problems.append(
                    problem(
                        column="landmark",
                        found=f"{len(rows)} marks {name!r}",
                        expected=f"{need} with x_px and y_px for the {side} hip",
                        remedy="Complete this reading",
                    )
                )
        if problems:
            raise StudyError(problems)
        left, right = places["teardrop_left"][0], places["teardrop_right"][0]
        return Reading(
            side, sign, float(head_diameter_mm), cup, left, right, places["head_edge"], places["cup_rim"]
        )

    def opening(self, flip: Array) -> tuple[Array, float]:
        """Ends of the cup's opening (2, 2) [mm] and the slope of the line between them [deg].

        The ends are the two rim marks farthest apart. Their line runs from medial-caudal to
        lateral-cranial; its slope is about the inclination. `flip` turns pixels into millimetres.
        """
        rim = self.cup_rim * flip
        apart = np.linalg.norm(rim[:, None] - rim[None], axis=2)
        ends = rim[list(np.unravel_index(int(np.argmax(apart)), apart.shape))]
        return ends, float(np.clip(self.sign * fit_line(ends).angle_deg % 180.0, 5.0, 85.0))


def _size_problems(head: float, cup: float | None) -> list[dict]:
    sizes = {"head_diameter_mm": (head, 20, 70), "cup_diameter_mm": (cup, 36, 80)}
    problems = [
        problem(
            column=name,
            found=value,
            expected=f"{least} to {most} mm",
            remedy="Correct the size in hips.csv; sizes are diameters in mm",
        )
        for name, (value, least, most) in sizes.items()
        if value is not None and not least <= value <= most
    ]
    if not problems and cup is not None and cup <= head:
        problems.append(
            problem(
                column="cup_diameter_mm",
                found=cup,
                expected=f"more than the head's {head:g} mm",
                remedy="Correct the sizes in hips.csv; the cup's is its outer diameter",
            )
        )
    return problems

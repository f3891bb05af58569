"""How many millimetres of the patient a pixel of a film is, and how well that is known."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd

from cohortlib.errors import StudyError, problem

#: Columns of a table of scales; an empty side stands for both.
SCALE_COLUMNS = ("image_id", "side", "x_mm_per_px", "y_mm_per_px", "relative_sd", "source")
HEAD_AS_MARKED = "head and cup as marked"


class FilmScale(NamedTuple):
    """Millimetres of the patient, in the depth of the hip, for one pixel across and one down.

    `relative_sd` is the standard deviation as a part of the scale: 0.01 = 1 %.
    """

    x_mm_per_px: float
    y_mm_per_px: float
    relative_sd: float
    source: str


def scales_by_hip(scales: pd.DataFrame | None) -> dict[tuple[str, str], FilmScale]:
    """(image_id, side) → its scale; side "" stands for both.

    Parameters
    ----------
    scales
        The columns of `SCALE_COLUMNS`, or None.

    Raises
    ------
    StudyError
        If a column is missing, a scale is impossible, or one hip has two on the same film.
    """
    if scales is None:
        return {}
    problems = [
        problem(
            file="scales",
            column=name,
            found="no such column",
            expected="columns " + ", ".join(SCALE_COLUMNS),
            remedy="Give one row a film, or one a film and side",
        )
        for name in SCALE_COLUMNS
        if name not in scales.columns
    ]
    if problems:
        raise StudyError(problems)
    table = scales.assign(side=scales["side"].fillna(""))
    limits = {"x_mm_per_px": (0.02, 2.0), "y_mm_per_px": (0.02, 2.0), "relative_sd": (0.0, 0.5)}
    for name, (least, most) in limits.items():
        wrong = ~table[name].between(least, most)
        if wrong.any():
            problems.append(
                problem(
                    file="scales",
                    column=name,
                    found=float(table.loc[wrong, name].iloc[0]),
                    count=int(wrong.sum()),
                    expected=f"{least:g} to {most:g}",
                    remedy="Correct the scale: millimetres of the patient for one pixel",
                )
            )
    twice = table.duplicated(["image_id", "side"])
    if twice.any():
        first = table[twice].iloc[0]
        problems.append(
            problem(
                file="scales",
                column="image_id, side",
                found=f"{first['image_id']}, {first['side'] or 'both sides'} twice",
                count=int(twice.sum()),
                expected="one scale a film and side",
                remedy="Keep the scale that is known best",
            )
        )
    if problems:
        raise StudyError(problems)
    return {
        (str(row["image_id"]), str(row["side"])): FilmScale(
            float(row["x_mm_per_px"]),
            float(row["y_mm_per_px"]),
            float(row["relative_sd"]),
            str(row["source"]),
        )
        for row in table.to_dict("records")
    }


def scale_of(scales: dict[tuple[str, str], FilmScale], image_id: str, side: str) -> FilmScale | None:
    """The scale of a hip on a film: its own, or that of the whole film, or None."""
    return scales.get((image_id, side), scales.get((image_id, "")))


def head_magnification(head_on_image: float, head_diameter_mm: float) -> float:
    """How much larger than life an object of known size is shown: size on the image over size.

    Notes
    -----
    Equals source-to-detector over source-to-object distance in the depth of the object: a ball nearer to
    the tube than the hip is magnified more than the hip.
    """
    return float(np.divide(head_on_image, head_diameter_mm))

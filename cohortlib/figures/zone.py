"""A published zone of cup orientation, drawn in the definition it was published in."""

from __future__ import annotations

import re
from collections.abc import Hashable, Mapping
from typing import Any

import matplotlib as mpl
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.patches import Rectangle

from cohortlib.errors import StudyError, problem, study_error
from cohortlib.figures.notes import Entry
from cohortlib.figures.rows import check_rows
from cohortlib.figures.style import MUTED
from cohortlib.figures.words import number

_ANGLES = ("inclination", "anteversion")
_ZONE = "zone"


def draw_zone(axes: Axes, zone: pd.DataFrame, *, definition: str = "radiographic") -> list[Entry]:
    """Draw a published zone as a labelled rectangle, anteversion across and inclination up.

    Parameters
    ----------
    axes
        Axes in degrees.
    zone
        Two threshold rows, inclination and anteversion: threshold, quantity, lower, upper, unit,
        definition, source.
    definition
        Of the angles on the axes; what the catalogue measures is radiographic.

    Returns
    -------
    list of (artist, text)
        For a legend: the rectangle with its ranges, definition and source.

    Raises
    ------
    StudyError
        If a row or bound is missing, or the zone was published in another definition of the
        angles than the one drawn.
    """
    columns = ("threshold", "quantity", "lower", "upper", "unit", "definition", "source")
    check_rows(zone, columns, name=_ZONE, numbers=("lower", "upper"), rows=2)
    if set(zone["quantity"]) != set(_ANGLES):
        raise study_error(
            file=_ZONE,
            column="quantity",
            found=", ".join(map(str, zone["quantity"])),
            expected="one row of inclination and one of anteversion",
            remedy="Choose the threshold's rows of both angles",
        )
    problems = []
    for row in zone.to_dict("records"):
        if str(row["definition"]).lower() != definition:
            problems.append(
                problem(
                    file=_ZONE,
                    column="definition",
                    found=str(row["definition"]),
                    expected=f"the definition that is drawn ({definition.capitalize()} {row['quantity']})",
                    remedy="Convert the zone, or leave it out: unlike angles do not compare",
                )
            )
        if not row["lower"] < row["upper"]:
            problems.append(
                problem(
                    file=_ZONE,
                    column="lower, upper",
                    found=f"{row['lower']}, {row['upper']}",
                    expected="both bounds, the lower one below the upper",
                    remedy="Correct the threshold in study.toml",
                )
            )
        if row["unit"] != "deg":
            problems.append(
                problem(
                    file=_ZONE,
                    column="unit",
                    found=str(row["unit"]),
                    expected="'deg'",
                    remedy="Give the zone in degrees",
                )
            )
    if problems:
        raise StudyError(problems)
    rows = {row["quantity"]: row for row in zone.to_dict("records")}
    up, across = rows["inclination"], rows["anteversion"]
    label = (
        f"{up['threshold']}: {up['definition']} inclination {_bounds(up)}, anteversion {_bounds(across)} "
        f"({short_source(str(up['source']))})"
    )
    rectangle = Rectangle(
        (across["lower"], up["lower"]),
        across["upper"] - across["lower"],
        up["upper"] - up["lower"],
        facecolor="#ececec",
        edgecolor=MUTED,
        linestyle=(0, (5, 3)),
        linewidth=mpl.rcParams["lines.linewidth"],
        zorder=0.5,
    )
    axes.add_patch(rectangle)
    axes.autoscale_view()
    return [(rectangle, label)]


def short_source(source: str) -> str:
    """First author and year of a reference; the whole reference where it does not start so."""
    name, year = r"(?P<name>(?:[a-z]+ )*[A-Z][\w'’-]*)", r"(?P<year>(?:19|20)\d\d)"
    found = re.match(rf"{name}\b.*?\b{year}\b", source)
    return f"{found['name']} {found['year']}" if found else source


def _bounds(row: Mapping[Hashable, Any]) -> str:
    decimals = 0 if float(row["lower"]).is_integer() and float(row["upper"]).is_integer() else 1
    return f"{number(row['lower'], decimals=decimals)}–{number(row['upper'], decimals=decimals)}°"

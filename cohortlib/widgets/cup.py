"""A panel of controls for looking at cup orientation."""

from __future__ import annotations

import ipywidgets
import numpy as np
import pandas as pd

from cohortlib.errors import StudyError
from cohortlib.figures.words import interval, number
from cohortlib.measure.cup.definitions import DEFINITIONS
from cohortlib.tables import Study
from cohortlib.widgets.cup_choice import GROUPINGS
from cohortlib.widgets.cup_view import cup_orientation_figure, cup_orientation_summary, zone_definition
from cohortlib.widgets.panel import arranged, nothing_html, picture_of, row_html

_WORDS = {
    "visit_id": "Cups seen at",
    "reader_id": "by reader",
    "by": "coloured by",
    "definition": "Angles",
    "zone": "Zone",
}


def explore_cup_orientation(study: Study, measurements: pd.DataFrame) -> ipywidgets.VBox:
    """A panel: choose visit, reader, colours, definition and zone; see the cups and their numbers.

    Parameters
    ----------
    study
        From `read_study`.
    measurements
        From `measure_study`.

    Returns
    -------
    VBox
        To be named last in a cell. A choice without data shows a sentence instead of a figure. Every
        choice replaces the picture of the one before.
    """
    controls = _controls(study, measurements)
    picture = ipywidgets.Image(
        format="png", layout=ipywidgets.Layout(max_width="100%", align_self="flex-start")
    )
    words = ipywidgets.HTML()

    def show(_change: object = None) -> None:
        controls["zone"].disabled = controls["definition"].value != zone_definition(study)
        chosen = {name: control.value for name, control in controls.items()}
        chosen["zone"] = chosen["zone"] and not controls["zone"].disabled
        try:
            figure = cup_orientation_figure(study, measurements, **chosen)
            summary = cup_orientation_summary(study, measurements, **chosen)
        except StudyError as error:
            picture.layout.display = "none"
            words.value = nothing_html(error)
            return
        # Only the picture is kept, not the figure: turning a control for an hour fills no memory.
        picture.value = picture_of(figure)
        picture.layout.display = "block"
        words.value = row_html(_cells(summary.iloc[0]))

    for control in controls.values():
        control.observe(show, names="value")
    show()
    return ipywidgets.VBox([arranged(controls, _WORDS, lines=(3, 2)), words, picture])


def _controls(study: Study, measurements: pd.DataFrame) -> dict[str, ipywidgets.ValueWidget]:
    """The controls by the name of the option they choose, set to the reading with most rows."""
    first = measurements[measurements["repeat"] == 1]
    most = first[["visit_id", "reader_id"]].value_counts()
    visits = list(zip(study.schedule["label"], study.schedule["visit_id"], strict=True))
    visit_id, reader_id = most.index[0] if len(most) else (visits[0][1], "nobody")
    published = zone_definition(study)
    definition = ipywidgets.ToggleButtons(options=DEFINITIONS)
    definition.style.button_width = "9em"
    return {
        "visit_id": ipywidgets.Dropdown(options=visits, value=visit_id),
        "reader_id": ipywidgets.Dropdown(
            options=sorted(first["reader_id"].unique()) or ["nobody"], value=reader_id
        ),
        "by": ipywidgets.Dropdown(options=[(name, column) for column, name in GROUPINGS.items()]),
        "definition": definition,
        "zone": ipywidgets.Checkbox(
            value=published == DEFINITIONS[0],
            description=f"published in {published} angles" if published else "none in the study",
            indent=False,
        ),
    }


def _cells(row: pd.Series) -> dict[str, str]:
    """The row as a reader wants it: heading to text, every count, intervals where they are known."""
    cells = {
        "Patients": f"{row['n_patients']}",
        "Hips": f"{row['n_hips']}",
        "No value": f"{row['n_no_value']}",
        "Not read": f"{row['n_not_read']}",
    }
    for angle in ("inclination", "anteversion"):
        values = (row[f"{angle}_{part}"] for part in ("mean", "ci_low", "ci_high"))
        cells[f"Mean {angle}"] = _with_interval(*values, unit="°", decimals=1)
    if "share_inside" in row:
        percent = (100 * row[f"share_{part}"] for part in ("inside", "ci_low", "ci_high"))
        cells["Inside the zone"] = f"{row['n_inside']}, {_with_interval(*percent, unit=' %', decimals=0)}"
    return cells


def _with_interval(value: float, low: float, high: float, *, unit: str, decimals: int) -> str:
    if np.isnan(value):
        return "too few patients"
    bounds = interval(low, high, decimals=decimals)
    return f"{number(value, decimals=decimals)}{unit} (95 % CI {bounds})"

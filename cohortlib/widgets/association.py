"""A panel of controls for looking at scores and cups together."""

from __future__ import annotations

import ipywidgets
import pandas as pd

from cohortlib.errors import StudyError
from cohortlib.figures.words import counted, decimals_for, interval, number, p_text
from cohortlib.tables import Study
from cohortlib.widgets.association_choice import EXPOSURES
from cohortlib.widgets.association_view import ALL, association_figure, association_summary
from cohortlib.widgets.panel import arranged, nothing_html, picture_of, row_html

_WORDS = {
    "score_visit_id": "Score at",
    "exposure": "against",
    "arm": "in",
    "unit_of_analysis": "One row a",
    "adjusted": "Arm held constant",
}


def explore_association(
    study: Study,
    measurements: pd.DataFrame,
    scores: pd.DataFrame,
    *,
    image_visit_id: str,
    reader_id: str,
) -> ipywidgets.VBox:
    """A panel: choose score, exposure, hips and model; see the points, the line and its numbers.

    Parameters
    ----------
    study
        From `read_study`.
    measurements
        From `measure_study`.
    scores
        From `questionnaire_scores`.
    image_visit_id, reader_id
        Which reading of which film shows the cups.

    Returns
    -------
    VBox
        To be named last in a cell. A choice without data shows a sentence instead of a figure. Every
        choice replaces the picture of the one before, and each is stamped exploratory: what is found by
        turning controls was not named before the data were read.
    """
    controls = _controls(study)
    # At its own size: stretched to the width of the cell its letters would blur.
    natural = ipywidgets.Layout(max_width="100%", align_self="flex-start")
    picture = ipywidgets.Image(format="png", layout=natural)
    words = ipywidgets.HTML()

    def show(_change: object = None) -> None:
        # Within one arm there is nothing to adjust for.
        controls["adjusted"].disabled = controls["arm"].value != ALL
        chosen = {name: control.value for name, control in controls.items()}
        chosen["adjusted"] = chosen["adjusted"] and not controls["adjusted"].disabled
        chosen |= {"image_visit_id": image_visit_id, "reader_id": reader_id}
        try:
            figure = association_figure(study, measurements, scores, **chosen)
            summary = association_summary(study, measurements, scores, **chosen)
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


def _controls(study: Study) -> dict[str, ipywidgets.ValueWidget]:
    """The controls by the name of the option they choose, set to the study's endpoint."""
    visits = _visits_with_forms(study)
    names = "hips with " + study.arms["label"].str.lower()
    arms = [("all hips", ALL), *zip(names, study.arms["arm"], strict=True)]
    units = ipywidgets.ToggleButtons(options=["hip", "patient"])
    units.style.button_width = "6em"
    return {
        "score_visit_id": ipywidgets.Dropdown(options=visits, value=study.endpoint["visit_id"]),
        "exposure": ipywidgets.Dropdown(
            options=[(name[0].lower() + name[1:], column) for column, name in EXPOSURES.items()]
        ),
        "arm": ipywidgets.Dropdown(options=arms),
        "unit_of_analysis": units,
        "adjusted": ipywidgets.Checkbox(value=True, indent=False),
    }


def _visits_with_forms(study: Study) -> list[tuple[str, str]]:
    """Label and visit_id of the visits that ask for the endpoint's questionnaire, its own among them."""
    instrument, of_endpoint = study.endpoint["instrument"], study.endpoint["visit_id"]
    schedule = study.schedule
    named = schedule["examinations"] if "examinations" in schedule else [None] * len(schedule)
    return [
        (label, visit)
        for label, visit, asked in zip(schedule["label"], schedule["visit_id"], named, strict=True)
        if visit == of_endpoint or not isinstance(asked, tuple | list) or instrument in asked
    ]


def _cells(row: pd.Series) -> dict[str, str]:
    """The row as a reader wants it: heading to text."""
    if pd.isna(row["estimate"]):
        slope = p_value = "no estimate"
    else:
        decimals = decimals_for([row["ci_low"], row["ci_high"]])
        bounds = interval(row["ci_low"], row["ci_high"], decimals=decimals)
        slope = f"{number(row['estimate'], decimals=decimals)} (95 % CI {bounds})"
        p_value = f"{p_text(row['p_value'])}, df {row['df']:.1f}"
    lost = {
        "n_no_film_read": "no film read",
        "n_film_gives_no_value": "no value",
        "n_no_form": "no form",
        "n_form_without_a_score": "no score",
    }
    parts = [f"{row[column]} {word}" for column, word in lost.items() if row[column]]
    return {
        "Points per degree": slope,
        "Test": p_value,
        "Patients": f"{row['n_patients']}",
        "Hips": f"{row['n_hips']}",
        "Both hips": counted(int(row["n_two_hips"]), "patient"),
        "Hips lost": ", ".join(parts) or "none",
        "Stamp": "exploratory",
    }

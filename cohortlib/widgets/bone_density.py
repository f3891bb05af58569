"""A panel of controls for looking at changes of bone density, zone by zone."""

from __future__ import annotations

import ipywidgets
import numpy as np
import pandas as pd

from cohortlib.errors import StudyError
from cohortlib.figures.words import interval, number
from cohortlib.tables import Study
from cohortlib.widgets.bone_density_choice import ALL, SCALES, is_prespecified, zone_names
from cohortlib.widgets.bone_density_view import LOST, bone_density_figure, bone_density_summary
from cohortlib.widgets.panel import arranged, nothing_html, picture_of, row_html

_WORDS = {"zone": "Bone in", "arm": "of", "scale": "Change", "visit_id": "Numbers for"}
_DECIMALS = {"absolute": 3, "percent": 1}


def explore_bone_density(
    study: Study, changes: pd.DataFrame, precision_error: pd.DataFrame
) -> ipywidgets.VBox:
    """A panel: choose zone, arm, scale and visit; see every hip's change and the numbers of the visit.

    Parameters
    ----------
    study
        From `read_study`.
    changes
        From `bone_density_changes`.
    precision_error
        From `bone_density_precision`.

    Returns
    -------
    VBox
        To be named last in a cell. A choice without data shows a sentence instead of a figure. Every choice
        replaces the picture of the one before. Zones that study.toml did not name beforehand are stamped
        exploratory.
    """
    controls = _controls(study, changes)
    # At its own size: stretched to the width of the cell its letters would blur.
    natural = ipywidgets.Layout(max_width="100%", align_self="flex-start")
    picture = ipywidgets.Image(format="png", layout=natural)
    words = ipywidgets.HTML()

    def show(_change: object = None) -> None:
        chosen = {name: control.value for name, control in controls.items()}
        visit_id = chosen.pop("visit_id")
        try:
            figure = bone_density_figure(study, changes, precision_error, **chosen)
            summary = bone_density_summary(study, changes, precision_error, visit_id=visit_id, **chosen)
        except StudyError as error:
            picture.layout.display = "none"
            words.value = nothing_html(error)
            return
        # Only the picture is kept, not the figure: turning a control for an hour fills no memory.
        picture.value = picture_of(figure)
        picture.layout.display = "block"
        labels = dict(zip(study.arms["arm"], study.arms["label"], strict=True))
        words.value = "".join(
            row_html({"Arm": labels[row["arm"]], **_cells(row, scale=chosen["scale"])})
            for _, row in summary.iterrows()
        )

    for control in controls.values():
        control.observe(show, names="value")
    show()
    return ipywidgets.VBox([arranged(controls, _WORDS, lines=(2, 2)), words, picture])


def _controls(study: Study, changes: pd.DataFrame) -> dict[str, ipywidgets.ValueWidget]:
    """The controls by the name of the option they choose, set to the first pre-specified zone."""
    compared = set(changes.loc[changes["status"] == "compared", "visit_id"])
    visits = [
        (label, visit)
        for label, visit in zip(study.schedule["label"], study.schedule["visit_id"], strict=True)
        if visit in compared
    ]
    zones = zone_names(changes)
    named = [zone for zone in zones.values() if is_prespecified(study, zone)]
    first = f"{study.bone_density.get('zone_system')}:{next(iter(study.bone_density.get('zones', ())), '')}"
    names = "hips with " + study.arms["label"].str.lower()
    scale = ipywidgets.ToggleButtons(options=list(SCALES))
    scale.style.button_width = "7em"
    return {
        "zone": ipywidgets.Dropdown(
            options=list(zones.items()), value=first if first in named else next(iter(zones.values()))
        ),
        "arm": ipywidgets.Dropdown(
            options=[("all hips", ALL), *zip(names, study.arms["arm"], strict=True)], value=ALL
        ),
        "scale": scale,
        "visit_id": ipywidgets.Dropdown(options=visits, value=_usual_visit(study, visits)),
    }


def _usual_visit(study: Study, visits: list[tuple[str, str]]) -> str | None:
    """The visit of the endpoint where hips were compared at it, else the last."""
    values = [visit for _, visit in visits]
    endpoint = str(study.endpoint.get("visit_id", ""))
    return endpoint if endpoint in values else (values[-1] if values else None)


def _cells(row: pd.Series, *, scale: str) -> dict[str, str]:
    """The row as a reader wants it: heading to text."""
    if np.isnan(row["estimate"]):
        mean = "too few patients"
    else:
        decimals, unit = _DECIMALS[scale], {"%": "%", "g/cm2": "g/cm²"}[row["unit"]]
        bounds = interval(row["ci_low"], row["ci_high"], decimals=decimals)
        mean = f"{number(row['estimate'], decimals=decimals)} {unit} (95 % CI {bounds})"
    lost = {why: row[f"n_{why.replace(' ', '_')}"] for why in LOST}
    parts = [f"{count} {why}" for why, count in lost.items() if count]
    flags = [f"{row[f'n_{name}']} {name}" for name in ("loss", "gain") if row[f"n_{name}"]]
    flags += [f"{row['n_again']} to examine again"] if row["n_again"] else []
    return {
        "Mean change" if row["scale"] == "absolute" else "Mean of the percentages": mean,
        "Patients": f"{row['n_patients']}",
        "Hips": f"{row['n_hips']}",
        "Beyond error": ", ".join(flags) or "none",
        "Not scanned": f"{row['n_not_scanned']}",
        "Not comparable": ", ".join(parts) or "none",
        "Stamp": "named beforehand" if row["prespecified"] else "exploratory",
    }

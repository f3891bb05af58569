"""What is seen of the cups of one choice: a figure, and a row of numbers that goes with it."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from cohortlib.errors import study_error
from cohortlib.figures.cup import plot_cup_orientation
from cohortlib.stats.describe import group_means, share_inside
from cohortlib.tables import Study
from cohortlib.widgets.cup_choice import MEASURED, cup_choice, group_names

ZONE = "cup zone"
_ANGLES = ("inclination", "anteversion")


def cup_orientation_figure(
    study: Study,
    measurements: pd.DataFrame,
    *,
    visit_id: str,
    reader_id: str,
    by: str,
    definition: str,
    zone: bool,
) -> Figure:
    """Inclination against anteversion of the cups that one reader read at one visit.

    Parameters
    ----------
    study, measurements, visit_id, reader_id, by, definition
        As in `cup_choice`.
    zone
        Whether to draw the study's threshold "cup zone"; only in the definition it was published in.

    Raises
    ------
    StudyError
        As `cup_choice` and `plot_cup_orientation`; also if a zone is asked for that study.toml lacks, or
        has in another definition.
    """
    points = cup_choice(
        study, measurements, visit_id=visit_id, reader_id=reader_id, by=by, definition=definition
    )
    labels = study.schedule.set_index("visit_id")["label"]
    ids = ["hip_id", "patient_id", "image_id", by]
    long = [
        points[ids].assign(quantity=angle, value=points[angle], sd=points[f"{angle}_sd"], unit="deg")
        for angle in _ANGLES
    ]
    return plot_cup_orientation(
        pd.concat(long, ignore_index=True),
        zone=_zone(study, definition) if zone else None,
        by=by,
        labels=group_names(study, by),
        definition=definition,
        title=f"Cups at {labels[visit_id]}, read by {reader_id}",
        notes=[
            ""
            if definition == MEASURED
            else f"Converted from {MEASURED} angles, errors taken as independent.",
            "Invented data." if study.synthetic else "",
        ],
        size="double column",
    )


def cup_orientation_summary(
    study: Study,
    measurements: pd.DataFrame,
    *,
    visit_id: str,
    reader_id: str,
    by: str,
    definition: str,
    zone: bool,
) -> pd.DataFrame:
    """One row of numbers that go with `cup_orientation_figure`, over all groups together.

    Parameters
    ----------
    study, measurements, visit_id, reader_id, by, definition, zone
        As in `cup_orientation_figure`.

    Returns
    -------
    DataFrame
        visit_id, reader_id, definition; n_patients and n_hips with both angles; n_no_value (hips read
        whose film did not allow both); n_not_read (study hips without this reading); inclination_mean,
        inclination_ci_low, inclination_ci_high, and the same of anteversion [deg, 95 %]; with `zone` also
        n_inside, share_inside, share_ci_low and share_ci_high of the hips with both angles.

    Raises
    ------
    StudyError
        As `cup_choice`; also if a zone is asked for that study.toml lacks, or has in another definition.
    """
    points = cup_choice(
        study, measurements, visit_id=visit_id, reader_id=reader_id, by=by, definition=definition
    )
    both = points.dropna(subset=list(_ANGLES))
    row: dict[str, object] = {
        "visit_id": visit_id,
        "reader_id": reader_id,
        "definition": definition,
        "n_patients": both["patient_id"].nunique(),
        "n_hips": len(both),
        "n_no_value": len(points) - len(both),
        "n_not_read": len(study.hips) - len(points),
    }
    for angle in _ANGLES:
        row |= _estimate(
            group_means(both, value=angle, by=(), cluster="patient_id", unit="deg"), f"{angle}_mean", angle
        )
    if zone:
        bounds = _zone(study, definition).set_index("quantity")
        within = [both[angle].between(*bounds.loc[angle, ["lower", "upper"]]) for angle in _ANGLES]
        both = both.assign(inside=(within[0] & within[1]).astype(float))
        share = share_inside(both, value="inside", lower=1, upper=1, by=(), cluster="patient_id")
        row |= {"n_inside": int(both["inside"].sum())} | _estimate(share, "share_inside", "share")
    return pd.DataFrame([row])


def zone_definition(study: Study) -> str:
    """The definition that the study's zone was published in; "" where there is no zone, or none stated."""
    rows = study.thresholds[study.thresholds["threshold"] == ZONE]
    stated = set(rows["definition"].dropna()) if "definition" in rows else set()
    return str(stated.pop()) if len(stated) == 1 else ""


def _zone(study: Study, definition: str) -> pd.DataFrame:
    """The zone's two rows; raises where it was published in another definition than is looked at."""
    rows = pd.DataFrame([study.threshold(ZONE, quantity=angle) for angle in _ANGLES])
    if zone_definition(study) != definition:
        raise study_error(
            file="study.toml",
            column=f"[[thresholds]] {ZONE}, definition",
            found=zone_definition(study) or "no definition",
            expected=f"{definition}, the definition looked at",
            remedy="Look at the definition the zone was published in, or leave the zone out",
        )
    return rows


def _estimate(table: pd.DataFrame, name: str, stem: str) -> dict[str, object]:
    """The one estimate of a table with its bounds, by new names; nothing known where the table is empty."""
    low, high = f"{stem}_ci_low", f"{stem}_ci_high"
    if table.empty:
        return {name: np.nan, low: np.nan, high: np.nan}
    values = table.iloc[0]
    return {name: values["estimate"], low: values["ci_low"], high: values["ci_high"]}

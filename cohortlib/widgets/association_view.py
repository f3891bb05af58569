"""What is seen of one choice of score, exposure and hips: a figure, and the row of numbers to it."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from cohortlib.errors import study_error
from cohortlib.figures.association import plot_association
from cohortlib.stats.association import UnitOfAnalysis, association
from cohortlib.stats.association_line import association_line
from cohortlib.tables import Study
from cohortlib.widgets.association_choice import (
    EXPOSURES,
    STATUS,
    endpoint_instrument,
    hips_with_scores,
    target_orientation,
)

#: Choice of hips that leaves none out.
ALL = "all"
SLOPE_UNIT = "{score}/deg"
_PLACES = 41


def association_figure(
    study: Study,
    measurements: pd.DataFrame,
    scores: pd.DataFrame,
    *,
    exposure: str,
    image_visit_id: str,
    reader_id: str,
    score_visit_id: str,
    arm: str,
    unit_of_analysis: UnitOfAnalysis,
    adjusted: bool,
) -> Figure:
    """The score against the exposure, one marker a hip, with the fitted line; stamped exploratory.

    Parameters
    ----------
    study, measurements, scores, exposure, image_visit_id, reader_id, score_visit_id
        As in `hips_with_scores`.
    arm
        An arm of the study, or "all".
    unit_of_analysis
        "hip" or "patient", as in `association`.
    adjusted
        Whether the arm is held constant: each arm but the comparator enters as 0 or 1, and where the
        patient is the unit as the share of his hips.

    Raises
    ------
    StudyError
        As `hips_with_scores`; also if no hip has both values, there is no such arm, or a single arm is to be
        adjusted for.
    """
    chosen = _chosen(
        study,
        measurements,
        scores,
        exposure=exposure,
        image_visit_id=image_visit_id,
        reader_id=reader_id,
        score_visit_id=score_visit_id,
        arm=arm,
        unit_of_analysis=unit_of_analysis,
        adjusted=adjusted,
    )
    instrument = endpoint_instrument(study)
    high_is_good = instrument.direction == "high is good"
    visits = study.schedule.set_index("visit_id")["label"]
    target = ""
    if exposure == "distance":
        target = "Target {:g}° inclination, {:g}° anteversion.".format(*target_orientation(study))
    return plot_association(
        chosen.hips,
        _line(chosen),
        x=exposure,
        y="score",
        x_label=EXPOSURES[exposure],
        y_label=instrument.label,
        x_unit="deg",
        y_unit="{score}",
        estimate=chosen.estimate,
        estimate_label="Slope",
        ceiling=instrument.score_at_highest if high_is_good else None,
        labels=dict(zip(study.arms["arm"], study.arms["label"], strict=True)),
        title=f"{instrument.label}: {visits[score_visit_id]}, "
        f"against the cup: {visits[image_visit_id]}, read by {reader_id}",
        notes=[target, "Invented data." if study.synthetic else ""],
        size="double column",
    )


def association_summary(
    study: Study,
    measurements: pd.DataFrame,
    scores: pd.DataFrame,
    *,
    exposure: str,
    image_visit_id: str,
    reader_id: str,
    score_visit_id: str,
    arm: str,
    unit_of_analysis: UnitOfAnalysis,
    adjusted: bool,
) -> pd.DataFrame:
    """One row of numbers that go with `association_figure`.

    Parameters
    ----------
    study, measurements, scores, exposure, image_visit_id, reader_id, score_visit_id, arm, unit_of_analysis, \
adjusted
        As in `association_figure`.

    Returns
    -------
    DataFrame
        score_visit_id and arm; the columns of `association`, never primary; then how many hips of the choice
        were lost, in this order: n_no_film_read, n_film_gives_no_value, n_no_form, n_form_without_a_score.

    Raises
    ------
    StudyError
        As `association_figure`.
    """
    chosen = _chosen(
        study,
        measurements,
        scores,
        exposure=exposure,
        image_visit_id=image_visit_id,
        reader_id=reader_id,
        score_visit_id=score_visit_id,
        arm=arm,
        unit_of_analysis=unit_of_analysis,
        adjusted=adjusted,
    )
    lost = {
        f"n_{status.replace(' ', '_')}": int((chosen.hips["status"] == status).sum())
        for status in STATUS[:-1]
    }
    first = pd.DataFrame({"score_visit_id": [score_visit_id], "arm": [arm]})
    return pd.concat([first, chosen.estimate, pd.DataFrame([lost])], axis=1)


class _Chosen(NamedTuple):
    """The hips of one choice, how they are to be modelled, and what came of it."""

    hips: pd.DataFrame
    model: dict[str, Any]
    estimate: pd.DataFrame


def _chosen(
    study: Study,
    measurements: pd.DataFrame,
    scores: pd.DataFrame,
    *,
    exposure: str,
    image_visit_id: str,
    reader_id: str,
    score_visit_id: str,
    arm: str,
    unit_of_analysis: UnitOfAnalysis,
    adjusted: bool,
) -> _Chosen:
    _check_arm(study, arm=arm, adjusted=adjusted)
    hips = hips_with_scores(
        study,
        measurements,
        scores,
        exposure=exposure,
        image_visit_id=image_visit_id,
        reader_id=reader_id,
        score_visit_id=score_visit_id,
    )
    if arm != ALL:
        hips = hips[hips["arm"] == arm].reset_index(drop=True)
    others = study.arms[study.arms["arm"] != study.comparator]
    covariates = []
    for row in others.itertuples() if adjusted else ():
        covariates.append(f"arm {str(row.label).lower()}")
        hips[covariates[-1]] = (hips["arm"] == row.arm).astype(float)
    model: dict[str, Any] = {
        "outcome": "score",
        "exposure": exposure,
        "cluster": "patient_id",
        "covariates": covariates,
        "unit_of_analysis": unit_of_analysis,
    }
    return _Chosen(hips, model, association(hips, **model, primary=False, unit=SLOPE_UNIT))


def _line(chosen: _Chosen) -> pd.DataFrame | None:
    """The fitted line over the exposures used; None where there is none or its band is not known."""
    if chosen.estimate["estimate"].isna().iloc[0]:
        return None
    used = chosen.hips.dropna(subset=[chosen.model["exposure"], "score"])
    exposures = used[chosen.model["exposure"]]
    if chosen.model["unit_of_analysis"] == "patient":
        exposures = exposures.groupby(used["patient_id"]).mean()
    places = np.linspace(exposures.min(), exposures.max(), _PLACES)
    line = association_line(chosen.hips, **chosen.model, at=places)
    return None if line.isna().to_numpy().any() else line


def _check_arm(study: Study, *, arm: str, adjusted: bool) -> None:
    known = [ALL, *study.arms["arm"]]
    if arm not in known:
        raise study_error(
            column="arm", found=arm, expected="one of " + ", ".join(known), remedy="Choose one of these"
        )
    if adjusted and arm != ALL:
        raise study_error(
            column="adjusted",
            found=f"hips of one arm, {arm}, to be adjusted for the arm",
            expected="hips of more than one arm",
            remedy="Choose all hips, or do not adjust",
        )

"""What is seen of one choice of zone, visit and arm: a figure, and a row of numbers for each arm."""

from __future__ import annotations

from typing import Any

import pandas as pd
from matplotlib.figure import Figure

from cohortlib.errors import study_error
from cohortlib.figures.change import plot_change_over_visits
from cohortlib.figures.zones import plot_zone_map
from cohortlib.stats.change import change_means, significant_changes
from cohortlib.stats.change.summary import Scale
from cohortlib.stats.inputs import check_choice
from cohortlib.stats.precision import least_significant_change
from cohortlib.tables import Study
from cohortlib.widgets.bone_density_choice import (
    SCALES,
    SYSTEM_NAMES,
    bone_density_choice,
    is_prespecified,
)

#: On what each scale is a mean.
MEANS: dict[str, Scale] = {"absolute": "absolute", "percent": "mean of percentages"}
#: Where a hip that was scanned at the visit leaves the comparison.
LOST = ("no baseline", "baseline outside window", "device changed", "no value", "no day")


def bone_density_figure(
    study: Study, changes: pd.DataFrame, precision_error: pd.DataFrame, *, zone: str, arm: str, scale: str
) -> Figure:
    """The change of every hip in one zone from visit to visit, each arm's mean, and the band of no change.

    Parameters
    ----------
    study, changes, zone, arm, scale
        As in `bone_density_choice`.
    precision_error
        From `bone_density_precision`; the band is drawn on the absolute scale only: a limit in percent is too
        wide where bone is dense and too narrow where it is thin.

    Raises
    ------
    StudyError
        As `bone_density_choice`; also if no hip of the choice can be compared.
    """
    rows = bone_density_choice(study, changes, zone=zone, arm=arm, scale=scale)
    system, name = zone.split(":", maxsplit=1)
    means = change_means(rows, by=["visit_id", "arm"], scale=MEANS[scale], unit="g/cm2")
    own = precision_error[precision_error["zone_system"] == system]
    baseline = str(study.bone_density["baseline"])
    seen = [baseline, *rows.loc[rows["shown"].notna(), "visit_id"]]
    labels = dict(zip(study.schedule["visit_id"], study.schedule["label"], strict=True))
    visits = {visit: label for visit, label in labels.items() if visit in seen}
    percent = scale == "percent"
    return plot_change_over_visits(
        rows.assign(zone=name),
        means.assign(zone=name),
        None if percent else least_significant_change(own),
        visits=visits,
        y_label="Change of bone density",
        y_unit=SCALES[scale],
        value="shown",
        panel_label=SYSTEM_NAMES.get(system, system),
        labels=_arm_labels(study),
        title=f"{SYSTEM_NAMES.get(system, system)} {name}, "
        + ("named beforehand" if is_prespecified(study, zone) else "exploratory"),
        notes=[
            "Percent of each hip's own first scan; no band, as the limit is one of g/cm²." if percent else "",
            "Invented data." if study.synthetic else "",
        ],
        size="double column",
    )


def bone_density_map(
    study: Study, changes: pd.DataFrame, *, visit_id: str, designs: dict[str, str], scale: str
) -> Figure:
    """Every zone of both designs filled by its mean change at one visit.

    Parameters
    ----------
    study, changes, scale
        As in `bone_density_choice`.
    visit_id
        A visit after the baseline.
    designs
        What is drawn for each arm, as `plot_zone_map` takes it.

    Raises
    ------
    StudyError
        If the scale or visit is unknown, or no zone has an estimate at the visit.
    """
    check_choice("scale", scale, list(SCALES))
    check_choice("visit_id", visit_id, list(study.schedule["visit_id"]))
    drawn = changes[changes["arm"].isin(list(designs)) & changes["measured_side"].eq("operated")]
    # A neck cut into fewer parts is the same bone again.
    rows = drawn[drawn["visit_id"].eq(visit_id) & drawn["zone_system"].isin(["stem_7", "cup_3", "neck_6"])]
    # The template of the stem, laid over a resurfaced hip, has no place in its drawing.
    stem = rows["arm"].map(designs) == "stem"
    rows = rows[stem | (rows["zone_system"] != "stem_7")]
    labels = dict(zip(study.schedule["visit_id"], study.schedule["label"], strict=True))
    if not (rows["status"] == "compared").any():
        raise study_error(
            column="visit_id",
            found=f"no hip that can be compared at the visit '{labels[visit_id]}'",
            expected="a visit after the first scan",
            remedy="Choose a later visit",
        )
    means = change_means(rows, by=["arm", "zone_system", "zone"], scale=MEANS[scale], unit="g/cm2")
    percent = scale == "percent"
    return plot_zone_map(
        means,
        designs=designs,
        labels=_arm_labels(study),
        quantity="mean of the hips' changes in percent" if percent else "mean change of bone density",
        decimals=1 if percent else 2,
        title=f"Bone density at {labels[visit_id]}, against the first scan after the operation",
        notes=["Invented data." if study.synthetic else ""],
    )


def bone_density_summary(
    study: Study,
    changes: pd.DataFrame,
    precision_error: pd.DataFrame,
    *,
    zone: str,
    visit_id: str,
    arm: str,
    scale: str,
) -> pd.DataFrame:
    """A row of numbers for each arm that go with `bone_density_figure` at one visit.

    Parameters
    ----------
    study, changes, precision_error, zone, arm, scale
        As in `bone_density_figure`.
    visit_id
        A visit after the baseline.

    Returns
    -------
    DataFrame
        zone, prespecified, arm; the columns of `change_means` (scale says of what the mean is); n_loss,
        n_gain and n_again (hips flagged in this zone, the limit corrected for all zones of the system);
        n_not_scanned (hips of the arm without a scan at the visit); then how many of those scanned could
        not be compared: n_no_baseline, n_baseline_outside_window, n_device_changed, n_no_value, n_no_day.

    Raises
    ------
    StudyError
        As `bone_density_choice`; also if no hip of the choice was scanned at the visit.
    """
    rows = bone_density_choice(study, changes, zone=zone, arm=arm, scale=scale)
    labels = dict(zip(study.schedule["visit_id"], study.schedule["label"], strict=True))
    check_choice("visit_id", visit_id, list(labels))
    here = rows[rows["visit_id"].eq(visit_id) & ~rows["status"].isin(["baseline", "before baseline"])]
    if here.empty:
        raise study_error(
            column="visit_id",
            found=f"no hip scanned again at the visit '{labels[visit_id]}'",
            expected="a visit after the first scan",
            remedy="Choose another visit",
        )
    system, name = zone.split(":", maxsplit=1)
    together = changes[changes["measured_side"].eq("operated") & changes["zone_system"].eq(system)]
    flags = significant_changes(together, precision_error, technique="technique")
    flags = flags[flags["visit_id"].eq(visit_id) & flags["zone"].astype(str).eq(name)]
    means = change_means(here, by=["arm"], scale=MEANS[scale], unit="g/cm2")
    further = []
    for one in means["arm"]:
        mine, own = here[here["arm"] == one], flags.loc[flags["arm"] == one, "flag"]
        scanned = mine["hip_id"].nunique()
        row: dict[str, Any] = {
            "n_loss": int((own == "loss").sum()),
            "n_gain": int((own == "gain").sum()),
            "n_again": int((own == "examine again").sum()),
            "n_not_scanned": int((study.hips["arm"] == one).sum()) - scanned,
        }
        further.append(
            row | {f"n_{why.replace(' ', '_')}": int((mine["status"] == why).sum()) for why in LOST}
        )
    told = means.join(pd.DataFrame(further))
    told.insert(0, "zone", zone)
    told.insert(1, "prespecified", is_prespecified(study, zone))
    return told


def _arm_labels(study: Study) -> dict[str, str]:
    return dict(zip(study.arms["arm"], study.arms["label"], strict=True))

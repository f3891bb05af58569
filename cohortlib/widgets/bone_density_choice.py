"""The changes of bone density of one choice of zone, arm and scale, and every hip's reason at one visit."""

from __future__ import annotations

import pandas as pd

from cohortlib.errors import study_error
from cohortlib.stats.inputs import check_choice
from cohortlib.tables import Study

#: Choice of hips, or of zones, that leaves none out.
ALL = "all"
#: On which scale a change is shown, and in which unit.
SCALES = {"absolute": "g/cm2", "percent": "%"}
#: Column of the number on each scale.
VALUES = {"absolute": "change", "percent": "percent"}
#: What each zone system is called before the number of a zone.
SYSTEM_NAMES = {
    "stem_7": "Stem zone",
    "cup_3": "Cup zone",
    "neck_1": "Neck",
    "neck_2": "Neck half",
    "neck_6": "Neck zone",
}


def bone_density_choice(
    study: Study, changes: pd.DataFrame, *, zone: str, arm: str, scale: str
) -> pd.DataFrame:
    """Examinations of the operated hips in one zone, with the number on the scale that is asked for.

    Parameters
    ----------
    study
        For the arms.
    changes
        From `bone_density_changes`.
    zone
        Zone system and zone, such as "stem_7:7".
    arm
        An arm of the study, or "all".
    scale
        "absolute" or "percent".

    Returns
    -------
    DataFrame
        The rows of `changes` chosen, with shown: the change on the scale.

    Raises
    ------
    StudyError
        If there is no such zone, arm or scale, or no hip of the arm was scanned there.
    """
    check_choice("scale", scale, list(SCALES))
    check_choice("arm", arm, [ALL, *study.arms["arm"]])
    operated = changes[changes["measured_side"] == "operated"]
    check_choice("zone", zone, list(zone_names(changes).values()))
    system, name = zone.split(":", maxsplit=1)
    rows = operated[(operated["zone_system"] == system) & (operated["zone"].astype(str) == name)]
    if arm != ALL:
        rows = rows[rows["arm"] == arm]
    if rows.empty:
        labels = dict(zip(study.arms["arm"], study.arms["label"], strict=True))
        raise study_error(
            column="zone, arm",
            found=f"no scan of {SYSTEM_NAMES.get(system, system).lower()} {name} in the arm '{labels[arm]}'",
            expected="a zone that was measured in this arm",
            remedy="Choose another zone or all hips",
        )
    return rows.assign(shown=rows[VALUES[scale]])


def zone_names(changes: pd.DataFrame) -> dict[str, str]:
    """What each zone of the operated hips is called, and its value as an option; the stem's first."""
    operated = changes[changes["measured_side"] == "operated"]
    pairs = operated[["zone_system", "zone"]].drop_duplicates()
    order = {system: place for place, system in enumerate(SYSTEM_NAMES)}
    pairs = pairs.assign(zone=pairs["zone"].astype(str), place=pairs["zone_system"].map(order))
    pairs = pairs.sort_values(["place", "zone"])
    return {
        f"{SYSTEM_NAMES.get(system, system)} {zone}": f"{system}:{zone}"
        for system, zone in zip(pairs["zone_system"], pairs["zone"], strict=True)
    }


def is_prespecified(study: Study, zone: str) -> bool:
    """Whether study.toml named the zone before the data were read."""
    system, _, name = zone.partition(":")
    return system == study.bone_density.get("zone_system") and name in study.bone_density.get("zones", ())

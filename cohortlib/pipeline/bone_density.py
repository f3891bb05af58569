"""Bone density of a whole study: every scan on its hip's time line, its precision, its changes."""

from __future__ import annotations

import pandas as pd

from cohortlib.errors import study_error
from cohortlib.stats.change import change_against_peers, change_from_baseline
from cohortlib.stats.precision import precision_error, published_precision
from cohortlib.study.density_scans import density_scans
from cohortlib.tables import Study

#: Columns that keep what is measured apart, and those that say with what it was measured.
ZONES, DEVICE = ("zone_system", "zone"), ("scanner", "mode")
#: A foot turned further than this doubles the error (Penny JO et al., Acta Orthop 2010;81:318-23: 15 to 30°).
MOST_TURNED_DEG = 15
#: There 7.2, 7.3 and 12 % against 3.1, 3.6 and 4.6 %, in one, two and six regions of the neck.
TURNED_ERROR = 2.0
#: Hips that should go the same way: of one design, by the same zones.
PEERS = ("arm", "zone_system")


def bone_density_precision(study: Study) -> pd.DataFrame:
    """The precision error of each zone: from the study's own repeats, or the published one it names.

    Parameters
    ----------
    study
        From `read_study`.

    Returns
    -------
    DataFrame
        As `precision_error`, by zone_system and zone, all scanners together; repeats are those of one hip at
        one visit by one scanner in one mode, without scans of a foot that was turned by 15° or more.

    Raises
    ------
    StudyError
        If no hip was scanned twice at a visit and study.toml names no published precision.
    """
    scans = density_scans(study)
    scans = scans[~_turned(scans["foot_rotation_deg"])]
    own = precision_error(
        scans,
        value="bmd_g_cm2",
        unit=["hip_id", "measured_side", "visit_id", *DEVICE],
        by=list(ZONES),
    )
    if own["rms_sd"].notna().any():
        return own
    published = study.bone_density.get("published_precision")
    if published is None:
        raise study_error(
            file="tables/densitometry.csv",
            column="repeat",
            found="no zone of three hips that were scanned twice at one visit",
            expected="repeated scans, from which the precision error follows",
            remedy="Scan some hips twice (30, or 15 three times); until then name published_precision and "
            "published_source under [bone_density] in study.toml",
        )
    borrowed = published_precision(float(published), source=str(study.bone_density["published_source"]))
    return own[list(ZONES)].merge(borrowed, how="cross")


def bone_density_changes(study: Study) -> pd.DataFrame:
    """Every zone's change since the first scan after the operation, or why there is none.

    Parameters
    ----------
    study
        From `read_study`; its study.toml names the baseline visit under [bone_density].

    Returns
    -------
    DataFrame
        As `change_from_baseline`, by measured_side, zone_system and zone, with the hip's side and arm;
        values in g/cm2, converted where study.toml gives a calibration; technique: "" or how far the foot was
        turned at this scan or at the first, where it was 15° or more.

    Raises
    ------
    StudyError
        If study.toml names no baseline, or repeats of one visit are of unlike scanners or modes.
    """
    baseline = study.bone_density.get("baseline")
    if baseline is None:
        raise study_error(
            file="study.toml",
            column="[bone_density] baseline",
            found="no such key",
            expected="the visit of the first scan after the operation",
            remedy="Name it: a late scan would silently become the baseline",
        )
    scans = density_scans(study)
    changes = change_from_baseline(
        scans,
        value="bmd_g_cm2",
        by=["measured_side", *ZONES],
        baseline=str(baseline),
        device=DEVICE,
        calibrations=study.calibrations,
    )
    return changes.assign(technique=_technique(changes, scans)).merge(
        study.hips[["hip_id", "side", "arm"]], on="hip_id", how="left", validate="many_to_one"
    )


def bone_density_against_peers(
    changes: pd.DataFrame, precision_error: pd.DataFrame, *, confidence: float = 0.95
) -> pd.DataFrame:
    """Every operated hip's change against other patients' hips of its arm, by zone and visit.

    Parameters
    ----------
    changes
        From `bone_density_changes`, of the zone systems that are looked at.
    precision_error
        From `bone_density_precision`.
    confidence
        As in `change_against_peers`: for a whole hip.

    Returns
    -------
    DataFrame
        As `change_against_peers`, in percent of the own baseline; scans of turned feet have twice the error
        and are nobody's peers. `hips_against_peers` makes the list of it.

    Raises
    ------
    StudyError
        As `change_against_peers`.
    """
    operated = changes[changes["measured_side"] == "operated"]
    seen = operated[operated["status"] == "compared"]
    return change_against_peers(
        operated,
        precision_error,
        value="percent",
        by=list(PEERS),
        visits=list(seen.groupby("visit_id")["days"].median().sort_values().index),
        confidence=confidence,
        technique="technique",
        technique_factor=TURNED_ERROR,
    )


def _turned(rotation_deg: pd.Series) -> pd.Series:
    """Whether a foot was turned; one whose rotation nobody noted counts as not turned."""
    return rotation_deg.abs().ge(MOST_TURNED_DEG).fillna(False).astype(bool)


def _technique(changes: pd.DataFrame, scans: pd.DataFrame) -> list[str]:
    """How far the foot was turned, of this scan and of the first one of the hip."""
    keys = ["hip_id", "measured_side", "visit_id"]
    worst = scans.assign(turned=scans["foot_rotation_deg"].abs()).groupby(keys)["turned"].max()
    of_visit = pd.MultiIndex.from_frame(changes[keys]).map(worst.to_dict())
    first = changes[changes["status"] == "baseline"].drop_duplicates(keys[:2]).set_index(keys[:2])["visit_id"]
    first_visit = pd.MultiIndex.from_frame(changes[keys[:2]]).map(first.to_dict())
    of_first = pd.MultiIndex.from_frame(changes[keys[:2]].assign(visit_id=first_visit)).map(worst.to_dict())
    told = []
    for here, there in zip(of_visit, of_first, strict=True):
        parts = [f"foot turned {here:.0f}°"] if here >= MOST_TURNED_DEG else []
        parts += [f"at the first scan {there:.0f}°"] if there >= MOST_TURNED_DEG else []
        told.append("; ".join(parts))
    return told

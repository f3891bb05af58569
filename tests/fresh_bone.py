"""Scans of an invented study by any seed, made in memory: the demo's generator without its files."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from unittest import mock

import pandas as pd

from cohortlib.pipeline.bone_density import bone_density_changes, bone_density_precision
from cohortlib.study import read_study
from cohortlib.synthetic import answers, bone_density, cohort, densitometry
from cohortlib.synthetic.hips import hip_table
from cohortlib.tables import Study

STUDY = Path(__file__).parents[1] / "synthetic_cohort"
#: Systems of the femur in which the demo's hips lose bone.
FEMUR = ("stem_7", "neck_6")


def demo_study() -> Study:
    """The demo, of which fresh studies take the definition."""
    return read_study(STUDY, readings=False)


def fresh_study(
    demo: Study, *, seed: int, loss: dict[str, float] | None = None
) -> tuple[Study, pd.DataFrame]:
    """A study with the demo's definition and the hips, visits and scans of another seed; its true density.

    `loss`: further loss [%] of the losing hips by arm, where it is not the generator's own.
    """
    sizes = {
        arm: (count, (loss or {}).get(arm, percent), where)
        for arm, (count, percent, where) in bone_density.TRUE_LOSS.items()
    }
    patients = cohort.patient_table(seed=seed)
    hips, visits = hip_table(patients, seed=seed), cohort.visit_table(patients, seed=seed)
    latent = answers.latent_scores(patients, hips, visits, seed=seed)
    visits = pd.concat([visits, densitometry.first_visits(patients, seed=seed)], ignore_index=True)
    scanned = densitometry.scan_visits(visits, latent, seed=seed)
    with mock.patch.object(bone_density, "TRUE_LOSS", sizes):
        density = bone_density.true_density(hips, scanned, seed=seed)
    scans = densitometry.densitometry_table(density, hips, visits, seed=seed).assign(scanned_on=pd.NaT)
    tables = {**demo.tables, "hips": hips, "visits": visits, "densitometry": scans}
    return replace(demo, tables=tables), density


def femur_changes(study: Study) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Changes of the operated femur since the first scan, and the study's own precision error."""
    changes = bone_density_changes(study)
    of_femur = changes["measured_side"].eq("operated") & changes["zone_system"].isin(FEMUR)
    return changes[of_femur], bone_density_precision(study)

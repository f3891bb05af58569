"""A large invented study as plain files: 5,000 hips, and 1,000,000 answers of four questionnaires."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

#: Instrument → number of questions; 50 answers a visit.
ITEMS = {"oxford_hip_score": 12, "score_b": 12, "score_c": 20, "score_d": 6}
#: Visit → days from the operation.
VISITS = {"before": -20, "week_6": 42, "month_6": 183, "month_12": 365, "month_24": 730}

_TOML = """\
title = "Large made-up study"
synthetic = true
comparator = "short_stem"

[[arms]]
arm = "resurfacing"
label = "Resurfacing"

[[arms]]
arm = "short_stem"
label = "Short stem"

[endpoint]
instrument = "oxford_hip_score"
visit_id = "month_12"
"""
_VISIT = """
[[visits]]
visit_id = "{0}"
label = "{0}"
due_days = {1}
earliest_days = {2}
latest_days = {3}
"""
_INSTRUMENT = """
[[instruments]]
instrument = "{0}"
label = "{0}"
items = {1}
lowest = 0
highest = 4
direction = "high is good"
"""


def write_large_study(folder: Path, *, patients: int, seed: int) -> None:
    """A sound study in an empty folder: a quarter more hips than patients, 250 answers a patient.

    Patients, hips, visits, images with paths and digests, answers of which 2 % are missing.
    """
    (folder / "tables").mkdir()
    toml = _TOML + "".join(
        _VISIT.format(name, day, min(day, 0) * 9 or day - 14, 0 if day < 0 else day + 14)
        for name, day in VISITS.items()
    )
    toml += "".join(_INSTRUMENT.format(*row) for row in ITEMS.items())
    (folder / "study.toml").write_text(toml)
    for name, table in _tables(patients, np.random.default_rng(seed)).items():
        table.to_csv(folder / f"tables/{name}.csv", index=False)


def _tables(patients: int, rng: np.random.Generator) -> dict[str, pd.DataFrame]:
    ids = np.array([f"P{number:05d}" for number in range(patients)])
    people = pd.DataFrame(
        {
            "patient_id": ids,
            "sex": rng.choice(["female", "male"], patients),
            "birth_year": rng.integers(1940, 1985, patients),
            "height_cm": rng.integers(150, 195, patients),
            "mass_kg": rng.integers(55, 110, patients),
        }
    )
    surgery = pd.Timestamp("2025-01-01") + pd.to_timedelta(rng.integers(0, 700, patients), unit="D")
    first = rng.choice(["left", "right"], patients)
    both = patients // 4
    side = np.concatenate([first, np.where(first[:both] == "left", "right", "left")])
    owner = np.concatenate([np.arange(patients), np.arange(both)])
    hips = pd.DataFrame(
        {
            "hip_id": [f"H{number:05d}" for number in range(len(owner))],
            "patient_id": ids[owner],
            "side": side,
            "arm": np.array(["resurfacing", "short_stem"])[owner % 2],
            "device": np.array(["Cup A", "Stem B"])[owner % 2],
            "surgery_date": surgery[owner].strftime("%Y-%m-%d"),
            "surgeon_id": rng.choice(["S1", "S2", "S3"], len(owner)),
            "head_diameter_mm": rng.choice([36, 48, 52], len(owner)),
            "cup_diameter_mm": rng.choice([52, 54, 58], len(owner)),
        }
    )
    visits = pd.DataFrame(
        {"patient_id": np.repeat(ids, len(VISITS)), "visit_id": np.tile(list(VISITS), patients)}
    )
    days = pd.to_timedelta(np.tile(list(VISITS.values()), patients), unit="D")
    visits["date"] = (surgery.repeat(len(VISITS)) + days).strftime("%Y-%m-%d")
    images = visits[["patient_id", "visit_id"]].copy()
    images.insert(0, "image_id", [f"I{number:06d}" for number in range(len(images))])
    images["kind"], images["view"], images["position"] = "radiograph", "AP pelvis", "supine"
    images["path"] = "images/" + images["patient_id"] + "/" + images["image_id"] + ".dcm"
    images["sha256"] = [rng.bytes(32).hex() for _ in range(len(images))]
    items = pd.DataFrame(
        [(name, item + 1) for name, count in ITEMS.items() for item in range(count)],
        columns=["instrument", "item"],
    )
    answers = visits[["patient_id", "visit_id"]].merge(items, how="cross")
    answer = np.where(answers["visit_id"] == "before", 1, 3) + rng.integers(-1, 2, len(answers))
    answers["answer"] = pd.array(answer, dtype="Int64")
    answers.loc[rng.random(len(answers)) < 0.02, "answer"] = pd.NA
    return {"patients": people, "hips": hips, "visits": visits, "images": images, "answers": answers}

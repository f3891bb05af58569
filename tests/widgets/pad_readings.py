"""Invented films and a store with a worklist of them, for tests of the marking pad and its notebook."""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
import pandas as pd

from cohortlib.image import Radiograph
from cohortlib.readings import make_worklist, open_readings
from cohortlib.readings.store import Readings
from cohortlib.widgets.pad import MarkingPad, ShownFilm

#: What a reader must not learn; looked for in everything that goes to the browser.
SECRET_ID = "PATIENT07-2030-04-01"
PLAN = {"teardrop": 1, "head_edge": 3}


def sha256(image_id: str) -> str:
    return hashlib.sha256(image_id.encode()).hexdigest()


def film(image_id: str, *, rows: int = 60, columns: int = 50) -> ShownFilm:
    """Two bright heads on a slope of grey, of a size by image, so that films differ."""
    across, down = np.meshgrid(np.linspace(-1, 1, columns), np.linspace(-1, 1, rows))
    pixels = 900 + 300 * np.cos(3 * across) * np.cos(2 * down)
    for middle in (-0.45, 0.45):
        distance = np.hypot(across - middle, (down + 0.1) * rows / columns)
        pixels += 1500 / (1 + np.exp((distance - 0.16) * 90))
    pixels += np.random.default_rng(len(image_id)).normal(0, 25, pixels.shape)
    radiograph = Radiograph(
        pixels=pixels.astype(np.float32),
        spacing_mm=(0.15, 0.15),
        spacing_source="detector",
        source_to_detector_mm=1150.0,
        beam_centre_px=None,
        beam_centre_source="",
        view="AP pelvis",
        position="supine",
        photometric="MONOCHROME2",
        name=f"{image_id}.dcm",
        note="",
    )
    return ShownFilm(radiograph, sha256(image_id))


def large_film(image_id: str) -> ShownFilm:
    """As large as films come."""
    return film(image_id, rows=3000, columns=2500)


def new_store(folder: Path, *, count: int = 3) -> Readings:
    """A store with a worklist of one reader, R1."""
    ids = [f"{SECRET_ID}-{number}" for number in range(1, count + 1)]
    images = pd.DataFrame({"image_id": ids, "image_sha256": [sha256(name) for name in ids], "sides": "right"})
    store = open_readings(folder / "readings.sqlite")
    worklist = make_worklist(images, readers=["R1"], repeat_share=0.0, seed=4)
    store.write_worklist(worklist, who="PI", washout_days=14)
    return store


def new_pad(store: Readings, **other: object) -> MarkingPad:
    given = {"reader_id": "R1", "film_of": film, "plan": PLAN, "zone_systems": ["cup_3"], **other}
    return MarkingPad(store, **given)  # type: ignore[arg-type]

"""A store with a worklist of small invented films, and sittings at it."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from cohortlib.image import Radiograph
from cohortlib.measure.proposals import Proposal
from cohortlib.readings import make_worklist, open_readings
from cohortlib.readings.store import Readings
from cohortlib.tables.grading_scales import NOT_ASSESSABLE
from cohortlib.widgets.pad import MarkingPad, ShownFilm

ROWS, COLUMNS = 240, 200
PLAN = {"teardrop": 1, "head_edge": 2}
_TURN = np.linspace(0, 2 * np.pi, 9, endpoint=False)
RING = np.column_stack([100 + 30 * np.cos(_TURN), 120 + 30 * np.sin(_TURN)])
#: What must never reach the browser, in every spelling that a test can look for.
HIDDEN = ("SECRET_IMAGE", "SECRET_READER", "SECRET_PATH", "SECRET_PATIENT")


def sha256(image_id: str) -> str:
    return hashlib.sha256(image_id.encode()).hexdigest()


def image_ids(count: int) -> list[str]:
    return [f"SECRET_IMAGE_{number:03}" for number in range(1, count + 1)]


def film_of(image_id: str) -> ShownFilm:
    """Grey values that tell the film: its number in one corner."""
    pixels = np.full((ROWS, COLUMNS), 1000, dtype=np.float32)
    pixels[:20, :20] = 2000 + int(image_id[-3:])
    return ShownFilm(
        Radiograph(pixels, (0.5, 0.5), "detector", name=f"SECRET_PATH/{image_id}.dcm"), sha256(image_id)
    )


def reading_store(
    folder: Path,
    *,
    count: int = 3,
    repeat_share: float = 0.0,
    washout_days: float = 0.0,
    sides: str = "both",
    task: str = "marks and gradings",
) -> Readings:
    store = open_readings(folder)
    ids = image_ids(count)
    images = pd.DataFrame({"image_id": ids, "image_sha256": [sha256(one) for one in ids], "sides": sides})
    worklist = make_worklist(images, readers=["SECRET_READER"], repeat_share=repeat_share, seed=3, task=task)
    store.write_worklist(worklist, who="PI", washout_days=washout_days)
    return store


def pad_at(store: Readings, **other: Any) -> MarkingPad:
    options: dict[str, Any] = {"reader_id": "SECRET_READER", "film_of": film_of, "plan": PLAN}
    return MarkingPad(store, **(options | other))


def boxes(_film: Radiograph, _marks: pd.DataFrame) -> pd.DataFrame:
    """The three zones of the left cup as boxes side by side; 1 lies at the right edge."""
    rows = []
    for zone in ("1", "2", "3"):
        right = COLUMNS - 30 * (int(zone) - 1)
        corners = [(right, 60), (right - 28, 60), (right - 28, 90), (right, 90)]
        rows += [("left", "cup_3", zone, x, y) for x, y in corners]
    return pd.DataFrame(rows, columns=["side", "zone_system", "zone", "x_px", "y_px"])


def a_head(_film: Radiograph) -> list[Proposal]:
    """A head that is found on the left of every film."""
    return [Proposal("head_edge", "left", RING, RING[[*range(9), 0]], 0.72, "little of the dome is seen")]


def mark_all(pad: MarkingPad) -> None:
    """Do what the plan asks for on the film in view."""
    while pad.asked is not None:
        step = pad.steps[pad.asked]
        if hasattr(step, "landmark"):
            pad.add_mark(step.landmark, side=step.side, x_px=10.5, y_px=20.25)
        elif hasattr(step, "scale"):
            pad.grade_scale(**step._asdict(), grade=NOT_ASSESSABLE)
        else:
            pad.grade(**step._asdict(), state="none")

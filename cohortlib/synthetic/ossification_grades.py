"""Simulated grades of new bone beside a hip: what the readers of the zones say of it."""

from __future__ import annotations

import numpy as np
import pandas as pd

from cohortlib.synthetic.streams import random_stream

SCALE, PART, NOT_ASSESSABLE = "ossification", "whole", "not assessable"
#: Chance that a reader is one grade off where there is bone, and sees islands where there is none.
ONE_OFF, FALSE_ISLANDS = {"R1": 0.2, "R2": 0.3}, {"R1": 0.01, "R2": 0.02}
UNCLEAR = 0.005
GREATEST = 4


def ossification_table(gradings: pd.DataFrame, true_grades: pd.DataFrame, *, seed: int) -> pd.DataFrame:
    """One row a hip in each reading of the zones.

    Parameters
    ----------
    gradings
        From `gradings.grading_table`.
    true_grades
        image_id, side, value: the grade put in.

    Returns
    -------
    DataFrame
        image_id, reader_id, repeat, side, scale, part, grade (text), marked_at (UTC): after the zones.
    """
    keys = ["image_id", "reader_id", "repeat", "side"]
    read = gradings.groupby(["image_id", "reader_id", "repeat"])["marked_at"].max()
    hips = gradings[keys].drop_duplicates(ignore_index=True)
    true = true_grades.set_index(["image_id", "side"])["value"].astype(int)
    rows = []
    for hip in hips.to_dict("records"):
        image_id, reader, repeat = hip["image_id"], str(hip["reader_id"]), hip["repeat"]
        stream = random_stream(seed, "ossification", image_id, reader, str(repeat), hip["side"])
        grade = _seen(int(true[image_id, hip["side"]]), reader, stream)
        at = read[image_id, reader, repeat] + pd.Timedelta(seconds=3 if hip["side"] == "right" else 6)
        rows.append({**hip, "scale": SCALE, "part": PART, "grade": grade, "marked_at": at})
    return pd.DataFrame(rows)


def _seen(grade: int, reader: str, stream: np.random.Generator) -> str:
    unclear, off, up = stream.random(3)
    if unclear < UNCLEAR:
        return NOT_ASSESSABLE
    if grade == 0:
        return "1" if off < FALSE_ISLANDS[reader] else "0"
    if off < ONE_OFF[reader]:
        grade += 1 if up < 0.5 and grade < GREATEST else -1
    return str(grade)

"""Simulated gradings: what two readers say of the zones about each implant.

A reader sees the true line through his own eye: its width and length with an error, thin and short lines
not always, now and then a line where there is none.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import expit

from cohortlib.errors import study_error
from cohortlib.synthetic.readers import start_times
from cohortlib.synthetic.streams import random_stream

#: Width at which each reader sees half of the lines of a whole zone [mm], and how steeply that rises [1/mm].
SEEN_FROM_MM, STEEPNESS_PER_MM = {"R1": 0.55, "R2": 0.75}, 6.0
#: A line of a part of the zone counts as so much thinner [mm], times what the part lacks to the whole.
SHORT_IS_THIN_MM = 0.35
#: Error of a width [mm] and of the part of the zone.
WIDTH_SD_MM, EXTENT_SD = {"R1": 0.2, "R2": 0.3}, {"R1": 0.10, "R2": 0.14}
#: A part from which the reader says "complete".
COMPLETE_FROM = 0.85
#: Share of zones without a line in which one is seen, and of all zones that cannot be assessed.
FALSE_LINE, NOT_ASSESSABLE = {"R1": 0.006, "R2": 0.012}, 0.015
#: Part of those that cannot be assessed because of the film, for every reader alike.
BY_THE_FILM = 0.8
GRADED_AGAIN = 1 / 5  # of the films, by each reader; he does not know which
#: (reader, repeat): day of the first session.
FIRST_SESSION = {
    ("R1", 1): "2031-07-21",
    ("R2", 1): "2031-07-22",
    ("R1", 2): "2031-09-08",
    ("R2", 2): "2031-09-09",
}


class Eye(NamedTuple):
    """How well somebody sees: each as the constant of its name, of one reader."""

    seen_from_mm: float
    width_sd_mm: float
    extent_sd: float
    false_line: float
    not_assessable: float


def grading_table(lines: pd.DataFrame, *, seed: int) -> pd.DataFrame:
    """One row a zone in a reading, in the order of the readings.

    Parameters
    ----------
    lines
        From `findings.true_lines`.

    Returns
    -------
    DataFrame
        image_id, reader_id, repeat, side, zone_system, zone, state, width_mm (empty where no line was
        seen), marked_at (UTC).
    """
    of_film = dict(list(lines.groupby("image_id", sort=False)))
    films = np.array(list(of_film), dtype=object)
    again = random_stream(seed, "films graded again")
    parts = []
    for (reader, repeat), first_day in FIRST_SESSION.items():
        stream = random_stream(seed, "grading worklist", reader, str(repeat))
        listed = (
            films if repeat == 1 else again.choice(films, round(GRADED_AGAIN * len(films)), replace=False)
        )
        order = stream.permutation(listed)
        for image_id, start in zip(order, start_times(len(order), first_day, stream), strict=True):
            own = random_stream(seed, "grades", image_id, reader, str(repeat))
            hidden = random_stream(seed, "zones not assessable", image_id).random(len(of_film[image_id]))
            seen = seen_states(of_film[image_id], reader, own, hidden=hidden < NOT_ASSESSABLE * BY_THE_FILM)
            seconds = pd.to_timedelta(5 + np.cumsum(own.integers(2, 6, len(seen))), unit="s")
            parts.append(
                seen.assign(image_id=image_id, reader_id=reader, repeat=repeat, marked_at=start + seconds)
            )
    columns = ["image_id", "reader_id", "repeat", "side", "zone_system", "zone", "state", "width_mm"]
    return pd.concat(parts, ignore_index=True)[[*columns, "marked_at"]]


def seen_states(
    lines: pd.DataFrame, reader: str, stream: np.random.Generator, *, hidden: NDArray[np.bool_]
) -> pd.DataFrame:
    """What one reader says of some zones.

    Parameters
    ----------
    lines
        side, zone_system, zone, width_mm, extent_percent.
    reader
        Key of `SEEN_FROM_MM`.
    hidden
        Which zones nobody can assess on this film.

    Returns
    -------
    DataFrame
        side, zone_system, zone, state, width_mm; one row a row of `lines`.

    Raises
    ------
    StudyError
        If there is no such reader.
    """
    if reader not in SEEN_FROM_MM:
        raise study_error(
            column="reader_id",
            found=reader,
            expected="one of " + ", ".join(SEEN_FROM_MM),
            remedy="Name a simulated reader",
        )
    eye = Eye(
        seen_from_mm=SEEN_FROM_MM[reader],
        width_sd_mm=WIDTH_SD_MM[reader],
        extent_sd=EXTENT_SD[reader],
        false_line=FALSE_LINE[reader],
        not_assessable=NOT_ASSESSABLE * (1 - BY_THE_FILM),
    )
    return seen_by(lines, eye, stream, hidden=hidden)


def seen_by(
    lines: pd.DataFrame, eye: Eye, stream: np.random.Generator, *, hidden: NDArray[np.bool_]
) -> pd.DataFrame:
    """What one eye says of some zones; arguments and columns as in `seen_states`."""
    count = len(lines)
    width, extent = lines["width_mm"].to_numpy(), lines["extent_percent"].to_numpy() / 100
    thin = eye.seen_from_mm + SHORT_IS_THIN_MM * (1 - extent)
    there = width > 0
    seen = there & (stream.random(count) < expit(STEEPNESS_PER_MM * (width - thin)))
    false = ~there & (stream.random(count) < eye.false_line)
    read_mm = np.where(there, width, 0.6) + stream.normal(0, eye.width_sd_mm, count)
    part = np.where(there, extent, 0.3) + stream.normal(0, eye.extent_sd, count)
    state = np.where(seen | false, np.where(part >= COMPLETE_FROM, "complete", "incomplete"), "none")
    hidden = hidden | (stream.random(count) < eye.not_assessable)
    state = np.where(hidden, "not assessable", state)
    written = np.maximum(np.round(read_mm, 1), 0.1)
    return lines[["side", "zone_system", "zone"]].assign(
        state=state, width_mm=np.where(np.isin(state, ("complete", "incomplete")), written, np.nan)
    )

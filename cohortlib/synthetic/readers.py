"""Simulated readers: who read which film when, and where they clicked.

A click lies where the point truly is, plus the reader's habit (bias) and hand (spread), both in
millimetres at the detector, rounded to a tenth of a pixel.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cohortlib.errors import study_error
from cohortlib.synthetic.further_marks import further_points, further_times_s
from cohortlib.synthetic.streams import random_stream

#: Spread of a click along each axis; how far outwards edges and rims are marked; how high teardrops are.
CLICK_SD_MM = {"R1": 1.0, "R2": 1.5, "R3": 1.5}
OUTWARD_MM = {"R1": 0.3, "R2": 0.8, "R3": -0.5}
TEARDROP_PROXIMAL_MM = {"R1": -0.3, "R2": 0.5, "R3": 0.4}

POINTS = {"teardrop": 1, "head_edge": 6, "cup_rim": 6}  # marked on each side
SHARED_BY_ALL = 1 / 3  # of the films: read by R2 and R3 too
READ_AGAIN = 1 / 5  # of the films: read by R1 a second time
#: (reader, repeat): day of the first session; R1 reads again weeks after the last first reading.
FIRST_SESSION = {
    ("R1", 1): "2031-07-07",
    ("R2", 1): "2031-07-09",
    ("R3", 1): "2031-07-14",
    ("R1", 2): "2031-08-18",
}
FILMS_A_SESSION, SESSION_HOUR_UTC = 20, 15


def reading_table(image_ids: pd.Series, *, seed: int) -> pd.DataFrame:
    """One row a reading, each reader's films in an order of its own.

    Parameters
    ----------
    image_ids
        The films to be read.

    Returns
    -------
    DataFrame
        image_id, reader_id, repeat, started_at (UTC).
    """
    films = image_ids.to_numpy()
    shared = _sample(films, SHARED_BY_ALL, random_stream(seed, "films read by all"))
    again = _sample(films, READ_AGAIN, random_stream(seed, "films read again"))
    worklists = {("R1", 1): films, ("R2", 1): shared, ("R3", 1): shared, ("R1", 2): again}
    parts = []
    for (reader, repeat), listed in worklists.items():
        stream = random_stream(seed, "worklist", reader, str(repeat))
        order = pd.Series(stream.permutation(listed), name="image_id")
        started = start_times(len(listed), FIRST_SESSION[reader, repeat], stream)
        parts.append(order.to_frame().assign(reader_id=reader, repeat=repeat, started_at=started))
    return pd.concat(parts, ignore_index=True)


def _sample(films: NDArray[np.object_], share: float, stream: np.random.Generator) -> NDArray[np.object_]:
    return stream.choice(films, round(share * len(films)), replace=False)


def start_times(count: int, first_day: str, stream: np.random.Generator) -> pd.Series:
    """Sessions of `FILMS_A_SESSION` on following workdays, two to four minutes a film."""
    session = np.arange(count) // FILMS_A_SESSION
    day = pd.Series(pd.bdate_range(first_day, periods=count)[session])
    seconds = pd.Series(stream.integers(120, 240, count)).groupby(session).cumsum()
    return day + pd.Timedelta(hours=SESSION_HOUR_UTC) + pd.to_timedelta(seconds, unit="s")


def mark_table(
    readings: pd.DataFrame, points: pd.DataFrame, spacing_mm: pd.Series, *, seed: int
) -> pd.DataFrame:
    """One row a mark, of all readings.

    Parameters
    ----------
    readings
        From `reading_table`.
    points
        Where everything truly is: image_id, landmark, side, x_px, y_px, visible.
    spacing_mm
        Pixel spacing at the detector, indexed by image_id.

    Returns
    -------
    DataFrame
        image_id, reader_id, repeat, landmark, side, x_px, y_px, marked_at (UTC).

    Raises
    ------
    StudyError
        If a film has no points.
    """
    unknown = readings.loc[~readings["image_id"].isin(points["image_id"]), "image_id"]
    if len(unknown):
        raise study_error(
            column="image_id",
            found=unknown.iloc[0],
            count=len(unknown),
            expected="a film with points",
            remedy="Take the readings and the points from the same study",
        )
    of_film = dict(list(points.groupby("image_id", sort=False)))
    parts = []
    for reading in readings.to_dict("records"):
        image_id, reader, repeat = reading["image_id"], reading["reader_id"], reading["repeat"]
        stream = random_stream(seed, "marks", image_id, reader, str(repeat))
        chosen = chosen_points(of_film[image_id], stream)
        marks = clicks(chosen, reader, float(spacing_mm[image_id]), stream)
        seconds = 5 + np.cumsum(stream.integers(2, 7, len(marks)))
        own = random_stream(seed, "further marks", image_id, reader, str(repeat))
        further = clicks(further_points(of_film[image_id]), reader, float(spacing_mm[image_id]), own)
        later = further_times_s(len(further), seconds[-1], own)
        marks = pd.concat([marks, further], ignore_index=True)
        after = pd.to_timedelta(np.concatenate([seconds, later]), unit="s")
        parts.append(
            marks.assign(
                image_id=image_id, reader_id=reader, repeat=repeat, marked_at=reading["started_at"] + after
            )
        )
    columns = ["image_id", "reader_id", "repeat", "landmark", "side", "x_px", "y_px", "marked_at"]
    return pd.concat(parts, ignore_index=True)[columns]


def chosen_points(points: pd.DataFrame, stream: np.random.Generator) -> pd.DataFrame:
    """The visible points of one film that a reader picks: well spread, both ends of each cup opening.

    A landmark that is hidden altogether is not marked.

    Parameters
    ----------
    points
        landmark, side, x_px, y_px, visible; those of an outline go round its ellipse in even steps.

    Returns
    -------
    DataFrame
        landmark, side, x_px, y_px, and outward_x, outward_y: the direction away from the middle of
        the landmark (0 for a single point).
    """
    parts = []
    marked = points[points["landmark"].isin(POINTS)]
    for (landmark, _), rows in marked.groupby(["landmark", "side"], sort=False):
        middle = rows[["x_px", "y_px"]].mean()
        outline = rows if len(rows) == 1 else _finer(rows)
        seen = outline[outline["visible"].astype(bool)]
        if seen.empty:
            continue
        ends = _ends(seen[["x_px", "y_px"]].to_numpy()) if landmark == "cup_rim" else []
        picked = seen.iloc[_spread_out(len(seen), POINTS[str(landmark)], ends, stream)]
        away = picked[["x_px", "y_px"]].to_numpy() - middle.to_numpy()
        length = np.maximum(np.hypot(away[:, 0], away[:, 1]), 1e-9)
        parts.append(picked.assign(outward_x=away[:, 0] / length, outward_y=away[:, 1] / length))
    columns = ["landmark", "side", "x_px", "y_px", "outward_x", "outward_y"]
    return pd.concat(parts, ignore_index=True)[columns]


def _finer(rows: pd.DataFrame) -> pd.DataFrame:
    """An outline in steps eight times as fine; what lies between two visible points is visible.

    Even steps in the ellipse's own angle make its centre and its two half axes plain averages.
    """
    places, count = rows[["x_px", "y_px"]].to_numpy(), len(rows)
    angle = 2 * np.pi * np.arange(count) / count
    first, second = 2 / count * np.cos(angle) @ places, 2 / count * np.sin(angle) @ places
    step = np.arange(8 * count)
    fine = (2 * np.pi * step / (8 * count))[:, None]
    between = places.mean(axis=0) + np.cos(fine) * first + np.sin(fine) * second
    seen = rows["visible"].to_numpy(dtype=bool)
    both = seen[step // 8] & seen[-(-step // 8) % count]
    return pd.DataFrame(
        {
            "landmark": rows["landmark"].iloc[0],
            "side": rows["side"].iloc[0],
            "x_px": between[:, 0],
            "y_px": between[:, 1],
            "visible": both,
        }
    )


def _ends(places: NDArray[np.float64]) -> list[int]:
    """The two points furthest apart: the ends of the opening."""
    apart = np.linalg.norm(places[:, None] - places[None, :], axis=2)
    first, second = np.unravel_index(np.argmax(apart), apart.shape)
    return sorted((int(first), int(second)))


def _spread_out(count: int, wanted: int, ends: list[int], stream: np.random.Generator) -> list[int]:
    """Positions of `wanted` points: the `ends`, and one from each equal part of the rest."""
    rest = np.setdiff1d(np.arange(count), ends)
    sections = np.array_split(rest, wanted - len(ends))
    return sorted([*ends, *(int(stream.choice(section)) for section in sections if len(section))])


def clicks(chosen: pd.DataFrame, reader: str, spacing_mm: float, stream: np.random.Generator) -> pd.DataFrame:
    """Where the reader clicks for the chosen points: habit and hand added, rounded to 0.1 px.

    Parameters
    ----------
    chosen
        From `chosen_points`.
    reader
        Key of `CLICK_SD_MM`.
    spacing_mm
        Pixel spacing at the detector.

    Returns
    -------
    DataFrame
        landmark, side, x_px, y_px, in the order of `chosen`.

    Raises
    ------
    StudyError
        If there is no such reader.
    """
    if reader not in CLICK_SD_MM:
        raise study_error(
            column="reader_id",
            found=reader,
            expected="one of " + ", ".join(CLICK_SD_MM),
            remedy="Name a simulated reader",
        )
    outward_mm = chosen["landmark"].ne("teardrop") * OUTWARD_MM[reader]
    down_mm = chosen["landmark"].eq("teardrop") * -TEARDROP_PROXIMAL_MM[reader]
    habit_mm = (outward_mm * chosen["outward_x"], outward_mm * chosen["outward_y"] + down_mm)
    return clicked(chosen, habit_mm, click_sd_mm=CLICK_SD_MM[reader], spacing_mm=spacing_mm, stream=stream)


def clicked(
    chosen: pd.DataFrame,
    habit_mm: tuple[pd.Series, pd.Series],
    *,
    click_sd_mm: float,
    spacing_mm: float,
    stream: np.random.Generator,
) -> pd.DataFrame:
    """Clicks of one hand: chosen points, plus a habit [mm along x and y], plus chance. Rows as `clicks`."""
    hand_mm = stream.normal(0, click_sd_mm, (len(chosen), 2))
    return chosen[["landmark", "side"]].assign(
        x_px=(chosen["x_px"] + (habit_mm[0] + hand_mm[:, 0]) / spacing_mm).round(1) + 0.0,
        y_px=(chosen["y_px"] + (habit_mm[1] + hand_mm[:, 1]) / spacing_mm).round(1) + 0.0,
    )

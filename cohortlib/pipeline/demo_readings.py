"""The readings of an invented study: simulated readers go through worklists of a real store.

Marks, gradings and grades are those of tables/landmarks.csv, gradings.csv and grades.csv, which the generator
wrote; here they are read item by item, with hidden repeats after their washout, by a clock that follows the
tables. A film is marked in one sitting, its zones and its hips are graded in another. Then the store is
locked and unblinded.
"""

from __future__ import annotations

import datetime
import os
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import NamedTuple

import pandas as pd

from cohortlib.errors import study_error
from cohortlib.files import make_folder
from cohortlib.pipeline.digests import file_digest
from cohortlib.readings import open_readings
from cohortlib.readings.store import Readings
from cohortlib.readings.worklist import ITEM_RULES, named_items, reader_stream
from cohortlib.study import read_study
from cohortlib.study.stored_readings import STORE_FILE
from cohortlib.tables import DICTIONARY, Study

#: Who sets the worklist up, locks and unblinds.
KEEPER = "PI"
#: Tables that are read, by the task of their worklist: what `finish_item` calls them, and the study.
TABLES: dict[str, dict[str, str]] = {
    "marks": {"marks": "landmarks"},
    "gradings and grades": {"gradings": "gradings", "grades": "grades"},
}
_READ = [table for tables in TABLES.values() for table in tables.values()]
_LOOKING = pd.Timedelta(seconds=5)  # before the first mark
_PAUSE = pd.Timedelta(seconds=1)  # after the last
#: What of a row is the item's, not the reader's.
_OF_THE_ITEM = ["image_id", "reader_id", "repeat"]


class Reading(NamedTuple):
    """One image as one reader read it for one task, with the rows of each table."""

    task: str
    reader_id: str
    shown_at: pd.Timestamp
    finished_at: pd.Timestamp
    image_id: str
    repeat: int
    rows: dict[str, pd.DataFrame]


class Clock:
    """The time of the simulated readers."""

    def __init__(self, now: pd.Timestamp) -> None:
        self.now = now

    def __call__(self) -> datetime.datetime:
        """The time as it was set last."""
        return self.now.to_pydatetime()


def make_readings(folder: str | os.PathLike[str]) -> int:
    """How many readings the simulated readers made; 0 if their store is there and as it should be.

    Parameters
    ----------
    folder
        The folder of an invented study, with its films.

    Raises
    ------
    StudyError
        If the study is not an invented one, a film is missing, or there is a store that no simulated reader
        made: it is never replaced.
    """
    study = read_study(folder, readings=False)
    if not study.synthetic:
        raise study_error(
            file="study.toml",
            column="synthetic",
            found="a study that is not marked as invented",
            expected="synthetic = true",
            remedy="Import the study's own readings: python -m cohortlib readings FOLDER import",
        )
    digests = _film_digests(study)
    store = study.folder / STORE_FILE
    if os.path.lexists(store) and _is_made(store, study, digests):
        return 0
    readings = list(_readings(study))
    unfinished = make_folder(study.folder / "derived") / "readings.unfinished"
    for left in (unfinished, unfinished.with_name(f"{unfinished.name}-journal")):
        left.unlink(missing_ok=True)
    clock = Clock(min(one.shown_at for one in readings) - pd.Timedelta(days=1))
    with open_readings(unfinished, simulated_clock=clock) as opened:
        _read_all(opened, readings, study, digests, clock)
    with unfinished.open("rb") as file:
        os.fsync(file.fileno())
    os.replace(unfinished, store)
    return len(readings)


def _film_digests(study: Study) -> dict[str, str]:
    """SHA-256 of the file of every film that was read."""
    read = {image_id for table in _READ for image_id in study.tables[table]["image_id"]}
    films = study.images[study.images["image_id"].isin(read)]
    paths = {
        str(one): study.folder / path for one, path in zip(films["image_id"], films["path"], strict=True)
    }
    missing = [image_id for image_id, path in paths.items() if not path.is_file()]
    if missing or not paths:
        raise study_error(
            file="tables/images.csv",
            column="path",
            found=f"no film of {missing[0]}" if missing else "no film that was read",
            count=max(1, len(missing)),
            expected="the films that were read",
            remedy="Make the films first: python -m cohortlib demo",
        )
    return {image_id: file_digest(path) for image_id, path in paths.items()}


def _is_made(store: Path, study: Study, digests: dict[str, str]) -> bool:
    """Whether the store has the rows of the tables, read on these films."""
    with open_readings(store, write=False) as opened:
        opened.check()
        shown = opened.shown()
        if not shown.state.simulated:
            raise study_error(
                file=STORE_FILE,
                found="a store that was not made by simulated readers",
                expected="the store of the demo, or none",
                remedy="Move it to the study that it belongs to",
            )
        if not shown.state.unblinded_at or not _same_rows(shown.tables, study):
            return False
        key = opened.key()
    return dict(zip(key["image_id"], key["image_sha256"], strict=True)) == digests


def _same_rows(found: Mapping[str, pd.DataFrame], study: Study) -> bool:
    """Whether the tables came back; of grades in any order, as no measurement follows theirs."""
    for table in _READ:
        names = list(DICTIONARY[table])
        rows, wanted = found[table][names], study.tables[table][names]
        if table == "grades":
            rows, wanted = (one.sort_values(names, ignore_index=True) for one in (rows, wanted))
        if not rows.equals(wanted):
            return False
    return True


def _readings(study: Study) -> Iterator[Reading]:
    """Each reader's readings one after the other, by the times of their rows."""
    sittings: dict[tuple[str, str, str, int], dict[str, pd.DataFrame]] = {}
    for task, tables in TABLES.items():
        for content, table in tables.items():
            for key, rows in study.tables[table].groupby(["reader_id", "image_id", "repeat"], sort=False):
                sitting = (str(key[0]), task, str(key[1]), int(rows["repeat"].iloc[0]))
                sittings.setdefault(sitting, {})[content] = rows
    parts = [
        (reader_id, min(rows["marked_at"].min() for rows in said.values()), task, image_id, repeat, said)
        for (reader_id, task, image_id, repeat), said in sittings.items()
    ]
    before: dict[str, pd.Timestamp] = {}
    for reader_id, begun_at, task, image_id, repeat, said in sorted(parts, key=lambda part: part[:5]):
        shown_at = max(begun_at - _LOOKING, before.get(reader_id, begun_at - _LOOKING))
        last = max(rows["marked_at"].max() for rows in said.values())
        before[reader_id] = max(last, shown_at) + _PAUSE
        yield Reading(task, reader_id, shown_at, before[reader_id], image_id, repeat, said)


def _worklist(readings: list[Reading], task: str, study: Study, digests: dict[str, str]) -> pd.DataFrame:
    """The order in which the films were read for a task, as a worklist; repeats have their own session."""
    seed = study.readings["seed"]
    sides = study.images.set_index("image_id")["side"].fillna("both")
    taken: set[str] = set()
    parts = []
    sessions = sorted({(one.reader_id, one.repeat) for one in readings if one.task == task})
    for reader_id, repeat in sessions:
        stream = reader_stream(seed, reader_id, purpose=f"demo {task} {repeat}")
        images = [one.image_id for one in readings if one[:2] == (task, reader_id) and one.repeat == repeat]
        items = pd.DataFrame({"image_id": images, "repeat": repeat})
        parts.append(named_items(items, reader_id, session=repeat, stream=stream, taken=taken))
    worklist = pd.concat(parts, ignore_index=True)
    return worklist.assign(
        image_sha256=worklist["image_id"].map(digests),
        sides=worklist["image_id"].map(sides),
        role=worklist["repeat"].map(lambda repeat: "first" if repeat == 1 else "repeat"),
        task=task,
        seed=seed,
    )[list(ITEM_RULES)]


def _read_all(
    store: Readings, readings: list[Reading], study: Study, digests: dict[str, str], clock: Clock
) -> None:
    washout = study.readings["washout_days"]
    for task in sorted({one.task for one in readings}, reverse=True):
        store.write_worklist(_worklist(readings, task, study, digests), who=KEEPER, washout_days=washout)
    moments = [(one.shown_at, 1, one) for one in readings] + [(one.finished_at, 0, one) for one in readings]
    in_hand: dict[str, str] = {}
    # Who is done comes before who begins: a reader's next film is shown at the moment the last was done.
    for moment, begins, reading in sorted(moments, key=lambda row: row[:2]):
        clock.now = moment
        if begins:
            item_id = str(store.next_item(reading.reader_id)["item_id"].iloc[0])
            in_hand[reading.reader_id] = item_id
            continue
        said = {
            content: rows[[name for name in DICTIONARY[table] if name not in _OF_THE_ITEM]]
            for content, table in TABLES[reading.task].items()
            if (rows := reading.rows.get(content)) is not None
        }
        store.finish_item(
            in_hand.pop(reading.reader_id),
            reader_id=reading.reader_id,
            image_sha256=digests[reading.image_id],
            duration_s=(reading.finished_at - reading.shown_at).total_seconds(),
            marks=said.get("marks"),
            gradings=said.get("gradings"),
            grades=said.get("grades"),
        )
    clock.now += pd.Timedelta(days=1)
    store.lock(who=KEEPER)
    store.unblind(who=KEEPER, reason="readings of the invented study are complete")
    if not _same_rows(store.shown().tables, study):
        raise study_error(
            file="tables/",
            found="readings that came out of the store otherwise than they went in",
            expected="the rows of the tables; of landmarks.csv and gradings.csv by repeat, reader and time",
            remedy="Sort the tables so",
        )

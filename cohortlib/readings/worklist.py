"""Worklists: which reader reads which image when, in an order that gives nothing away."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from cohortlib.errors import study_error
from cohortlib.readings.argument_tables import check_once, checked_table
from cohortlib.readings.cell_checks import checked
from cohortlib.readings.cells import ID, SHA256, number, one_of, whole_number
from cohortlib.readings.refusals import shown
from cohortlib.readings.schema import ITEM_SIDES, ROLES
from cohortlib.readings.tasks import TASKS

#: Letters and digits of an item's name that are not taken for one another.
_LETTERS = np.array(list("abcdefghjkmnpqrstuvwxyz23456789"))
_NAME_LENGTH = 8
_IMAGE_RULES = {"image_id": ID, "image_sha256": SHA256, "sides": one_of(ITEM_SIDES)}
_SEED = whole_number(0, 2**31 - 1)
TASK = one_of(tuple(TASKS))
#: Columns of a worklist and what they hold.
ITEM_RULES = {
    "item_id": ID,
    "reader_id": ID,
    "session": whole_number(1, 99),
    "place": whole_number(1, 2**31 - 1),
    **_IMAGE_RULES,
    "repeat": whole_number(1, 99),
    "role": one_of(ROLES),
    "task": TASK,
    "seed": _SEED,
}


def make_worklist(
    images: pd.DataFrame,
    *,
    readers: Sequence[str],
    repeat_share: float,
    seed: int,
    task: str = "marks and gradings",
) -> pd.DataFrame:
    """Every image once for each reader in an order of its own, and some of them again, unknown to the reader.

    Parameters
    ----------
    images
        One row an image: image_id, image_sha256 (of the file as it is read), sides ("left", "right" or
        "both": what is to be read on it). Other columns are left alone and go nowhere.
    readers
        reader_id of each reader.
    repeat_share
        Share of the images that each reader reads a second time, 0 to 0.5; 0.1 to 0.2 is usual. Where it
        is above 0, at least one image is.
    seed
        The same seed gives the same worklist.
    task
        What is asked for: "marks", "gradings" (of zones), "grades" (on scales), or several of them, such as
        "marks and gradings" or "marks, gradings and grades". Those of one reading may stand on several
        worklists, each with its own order and washout.

    Returns
    -------
    DataFrame
        One row an item, in the order of reading: item_id (says nothing), reader_id, session, place,
        image_id, image_sha256, sides, repeat (1, or 2 for a hidden repeat), role ("first" or "repeat"),
        task, seed. It is for `Readings.write_worklist`; a reader never sees it.

    Raises
    ------
    StudyError
        If a value is wrong or an image or reader comes twice.

    Notes
    -----
    The second session opens when the washout of all its repeats is over. As many first readings as
    there are repeats are held back for it and mixed with them, so that coming late does not tell a
    repeat from a first reading.
    """
    listed = checked_images(images)
    share = checked(repeat_share, number(0, 0.5, ""), name="repeat_share")
    again = min(max(1, round(share * len(listed))), len(listed) // 2) if share else 0
    if share and not again:
        raise study_error(
            column="images",
            found=f"{len(listed)} images",
            expected="at least 2, for one of them to be read again unnoticed",
            remedy="Give more images, or repeat_share=0",
        )
    taken: set[str] = set()
    parts = []
    for reader_id in _reader_ids(readers):
        stream = reader_stream(seed, reader_id, purpose="worklist")
        order = [listed[place] for place in stream.permutation(len(listed))]
        early, late = order[: len(order) - again], order[len(order) - again :]
        chosen = [early[place] for place in stream.choice(len(early), again, replace=False)]
        mixed = [(image, 1) for image in late] + [(image, 2) for image in chosen]
        mixed = [mixed[place] for place in stream.permutation(len(mixed))]
        for session, items in ((1, [(image, 1) for image in early]), (2, mixed)):
            part = pd.DataFrame([{**image, "repeat": repeat} for image, repeat in items])
            parts.append(named_items(part, reader_id, session=session, stream=stream, taken=taken))
    asked = checked(task, TASK, name="task")
    worklist = pd.concat(parts, ignore_index=True).assign(seed=seed, task=asked)
    role = np.where(worklist["repeat"] == 1, "first", "repeat")
    return worklist.assign(role=role)[list(ITEM_RULES)]


def reader_stream(seed: int, reader_id: str, *, purpose: str) -> np.random.Generator:
    """Random numbers of a reader's own: another reader more or less changes nothing for this one."""
    digest = hashlib.sha256(f"{purpose}\n{reader_id}".encode()).digest()
    checked(seed, _SEED, name="seed")
    return np.random.default_rng([seed, *np.frombuffer(digest, dtype=np.uint32).tolist()])


def named_items(
    items: pd.DataFrame, reader_id: str, *, session: int, stream: np.random.Generator, taken: set[str]
) -> pd.DataFrame:
    """The items of one session with their place and a name each that is not in `taken`, which grows."""
    names: list[str] = []
    while len(names) < len(items):
        name = "".join(stream.choice(_LETTERS, _NAME_LENGTH))
        if name not in taken:
            taken.add(name)
            names.append(name)
    places = np.arange(1, len(items) + 1)
    return items.assign(item_id=names, reader_id=reader_id, session=session, place=places)


def checked_images(images: pd.DataFrame) -> list[Mapping[str, Any]]:
    """image_id, image_sha256 and sides of each image, by id, so that the order of the table does not count.

    Raises
    ------
    StudyError
        If a value is wrong or an image comes twice.
    """
    rows = checked_table(images, _IMAGE_RULES, file="images")
    check_once((row["image_id"] for row in rows), file="images", column="image_id")
    return sorted(rows, key=lambda row: str(row["image_id"]))


def _reader_ids(readers: Sequence[str]) -> list[str]:
    if isinstance(readers, str) or not isinstance(readers, Iterable) or not len(list(readers)):
        remedy = 'Write readers=["R1", "R2"]'
        raise study_error(
            column="readers", found=shown(readers), expected="a list of reader_id", remedy=remedy
        )
    names: list[str] = [checked(name, ID, name="readers") for name in readers]
    check_once(names, file="", column="readers")
    return names

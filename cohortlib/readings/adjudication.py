"""The images that a third reader decides, without seeing what the first two said."""

from __future__ import annotations

import pandas as pd

from cohortlib.errors import study_error
from cohortlib.readings.argument_tables import checked_table
from cohortlib.readings.cell_checks import checked
from cohortlib.readings.cells import FLAG, ID
from cohortlib.readings.worklist import ITEM_RULES, TASK, checked_images, named_items, reader_stream

_RULES = {"image_id": ID, "first_reader": ID, "second_reader": ID, "discrepant": FLAG}


def make_adjudication_list(
    compared: pd.DataFrame,
    images: pd.DataFrame,
    *,
    reader_id: str,
    seed: int,
    task: str = "marks and gradings",
) -> pd.DataFrame:
    """A worklist of all images on which two readers disagree, for a third one, in random order.

    Parameters
    ----------
    compared
        From `measurement_discrepancies`, `grading_discrepancies` or `grade_discrepancies`, or some of them
        joined end to end.
    images
        As for `make_worklist`: image_id, image_sha256, sides.
    reader_id
        The third reader.
    seed
        The same seed gives the same order.
    task
        What is asked for, as in `make_worklist`.

    Returns
    -------
    DataFrame
        As `make_worklist`, each image once with the role "adjudication". What the first two readers said,
        and in which place they disagree, is not in it.

    Raises
    ------
    StudyError
        If there is nothing to decide, an image is not listed, or the third reader is one of the first two.
    """
    rows = [row for row in checked_table(compared, _RULES, file="compared") if row["discrepant"]]
    third = checked(reader_id, ID, name="reader_id")
    image_ids = sorted({row["image_id"] for row in rows})
    known = {row["image_id"]: row for row in checked_images(images)}
    unknown = [image_id for image_id in image_ids if image_id not in known]
    if not rows or unknown:
        raise study_error(
            file="images" if rows else "compared",
            column="image_id",
            found=unknown[0] if unknown else "no discrepancy",
            count=max(1, len(unknown)),
            expected="every discrepant image, with its hash and sides" if rows else "readings that disagree",
            remedy="Add the image" if rows else "Nothing is to be adjudicated",
        )
    if any(third in (row["first_reader"], row["second_reader"]) for row in rows):
        raise study_error(
            column="reader_id",
            found=third,
            expected="a reader who has not read these images",
            remedy="Name a third reader",
        )
    asked = checked(task, TASK, name="task")
    stream = reader_stream(seed, third, purpose="adjudication")
    items = pd.DataFrame([known[image_ids[place]] for place in stream.permutation(len(image_ids))])
    items = named_items(items, third, session=1, stream=stream, taken=set())
    return items.assign(repeat=1, role="adjudication", task=asked, seed=seed)[list(ITEM_RULES)]

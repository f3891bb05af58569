"""An item that asks for grades is finished when they are there, or when a remark says why not."""

from __future__ import annotations

from sqlalchemy import Connection

from cohortlib.errors import StudyError, problem
from cohortlib.readings.frames import current
from cohortlib.readings.progress import Item
from cohortlib.readings.schema import GRADES
from cohortlib.readings.tasks import TASKS
from cohortlib.tables.grading_scales import GRADING_SCALES

_SAY_WHY = "or say in a remark why it cannot be done"


def check_graded(connection: Connection, item: Item, *, reader_id: str, remark: str) -> None:
    """Refuse to finish an item without the grades that it asks for.

    Notes
    -----
    Which scales are asked for is the plan of whoever reads. The store demands at least one grade, and of a
    scale that was begun on a side every part: a part that the film does not show is "not assessable".

    Raises
    ------
    StudyError
        If there is no grade, or a part of a scale is missing, and no remark.
    """
    if "grades" not in TASKS[item.task] or remark:
        return
    columns = GRADES.c
    query = current(GRADES).where(
        columns.image_id == item.image_id,
        columns.reader_id == reader_id,
        columns.repeat == item.repeat,
    )
    graded: dict[tuple[str, str], set[str]] = {}
    for row in connection.execute(query).mappings():
        graded.setdefault((row["side"], row["scale"]), set()).add(row["part"])
    if not graded:
        expected = "a grade of every scale that is asked for"
        remedy = f"Grade the hips, {_SAY_WHY}"
        raise StudyError(
            [problem(file="grades", column="scale", found="no grade", expected=expected, remedy=remedy)]
        )
    lacking = [
        problem(
            file="grades",
            column="part",
            found=f"{side}, {scale}: no grade of {', '.join(left)}",
            expected="every part of a scale that was begun",
            remedy=f"Grade it, {_SAY_WHY}",
        )
        for (side, scale), parts in graded.items()
        if (left := [part for part in _parts(scale) if part not in parts])
    ]
    if lacking:
        raise StudyError(lacking)


def _parts(scale: str) -> tuple[str, ...]:
    """The parts of a scale; of one that this release does not know, none are demanded."""
    return tuple(GRADING_SCALES[scale].parts) if scale in GRADING_SCALES else ()

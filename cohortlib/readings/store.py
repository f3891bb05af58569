"""The store of readings as one object."""

from __future__ import annotations

from cohortlib.readings.closing import Closing
from cohortlib.readings.in_hand import InHand
from cohortlib.readings.listing import Listing
from cohortlib.readings.scale_grades import ScaleGrades
from cohortlib.readings.showing import Showing


class Readings(ScaleGrades, Listing, InHand, Closing, Showing):
    """What readers marked and graded; made by `open_readings`. Rows are added, never changed.

    A mark or grading that a method returned is on the disk, whatever happens afterwards. Every method
    raises `StudyError` where the store, its rows or an argument are not what they should be.

    Notes
    -----
    Write and read: `write_marks`, `write_gradings`, `write_grades`, `import_marks`, `import_gradings`,
    `import_grades`, `marks`, `gradings`, `grades`, `mark_history`, `grading_history`, `grade_history`,
    `imports`. Read by worklist: `write_worklist`,
    `next_item`, `item_image`, `write_item`, `item_history`, `finish_item`, `worklist`, `progress`,
    `worklists`. Close: `lock`, `locked`, `unblind`, `key`. What a study shows: `shown`. Always: `check`,
    `events`, `place`, `close`.
    """

"""What stands on one film: marks and grades, each change a row that is stored before it is shown."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from typing import Any, NamedTuple

import pandas as pd

from cohortlib.errors import study_error
from cohortlib.readings.schema import OWN_ID
from cohortlib.readings.store import Readings
from cohortlib.readings.tasks import Content
from cohortlib.widgets.pad.said import (
    Grade,
    Key,
    Mark,
    ScaleGrade,
    Value,
    content_of,
    said_row,
    stored_key,
    stored_value,
)


class _Change(NamedTuple):
    key: Key
    before: Value
    after: Value


class Sheet:
    """The marks and grades of one item by one reader, as the store has them.

    Parameters
    ----------
    history
        From `item_history` of the store.

    Notes
    -----
    Nothing is changed here before the store has it on the disk. Every change is one row that names the row
    it supersedes: moving, taking back, undo and redo alike, told apart by their reason. From those rows
    alone the sheet is made again, with what may be undone, after a kernel or a browser died.
    """

    def __init__(
        self,
        store: Readings,
        item_id: str,
        history: Mapping[Content, pd.DataFrame],
        *,
        reader_id: str,
        image_sha256: str,
    ) -> None:
        self._store = store
        self._whose = {"reader_id": reader_id, "image_sha256": image_sha256}
        self.item_id = item_id
        self._clock: Callable[[], float] = time.monotonic
        self._shown_at = self._clock()
        self._values: dict[Key, Value] = {}
        self._last_row: dict[Key, int] = {}
        self._undo: list[_Change] = []
        self._redo: list[_Change] = []
        self._read_again(history)

    @property
    def marks(self) -> dict[int, Mark]:
        """The marks that stand, by their number, in the order in which they were made."""
        return {
            key: value
            for key, value in self._values.items()
            if isinstance(key, int) and isinstance(value, Mark)
        }

    @property
    def grades(self) -> dict[tuple[str, str, str], Grade]:
        """The grades of zones that stand, by side, zone system and zone."""
        return {
            key: value
            for key, value in self._values.items()
            if isinstance(key, tuple) and isinstance(value, Grade)
        }

    @property
    def scale_grades(self) -> dict[tuple[str, str, str], ScaleGrade]:
        """The grades on scales that stand, by side, scale and part."""
        return {
            key: value
            for key, value in self._values.items()
            if isinstance(key, tuple) and isinstance(value, ScaleGrade)
        }

    @property
    def done(self) -> Counter[tuple[str, ...]]:
        """How many marks of each (side, landmark), and 1 for each grade."""
        marks = Counter[tuple[str, ...]]((mark.side, mark.landmark) for mark in self.marks.values())
        return marks + Counter[tuple[str, ...]]([*self.grades, *self.scale_grades])

    @property
    def can_undo(self) -> bool:
        """Whether there is something to undo."""
        return bool(self._undo)

    @property
    def can_redo(self) -> bool:
        """Whether something was undone that may come back."""
        return bool(self._redo)

    def seconds(self) -> float:
        """Since the film was shown; at most a day, as the store takes it."""
        return round(min(self._clock() - self._shown_at, 86_400.0), 2)

    def add(self, marks: Sequence[Mark], *, reason: str = "") -> list[int]:
        """Store new marks, all or none of them; their numbers."""
        new = {"supersedes": None, "withdrawn": False, "reason": reason}
        numbers = self._stored("marks", [{**mark._asdict(), **new} for mark in marks])
        for number, mark in zip(numbers, marks, strict=True):
            self._keep(number, mark, number, reason="")
        return numbers

    def change(self, key: Key, value: Value, *, reason: str) -> None:
        """Store what a mark or a grade is from now on; None takes it back."""
        if isinstance(key, int) and self._values.get(key) is None:
            raise study_error(
                column="mark",
                found=key,
                expected="the number of a mark that stands on this film",
                remedy="Take a number from marks()",
            )
        if value is None and self._values.get(key) is None:
            raise study_error(
                column="part" if content_of(key) == "grades" else "zone",
                found=" ".join(map(str, key)) if isinstance(key, tuple) else key,
                expected="a scale that is graded" if content_of(key) == "grades" else "a zone that is graded",
                remedy="Grade it first",
            )
        if value != self._values.get(key):
            self._keep(key, value, self._row_number(key, value, reason), reason=reason)

    def undo(self) -> Key:
        """Store that the last change is taken back; what it was a change of."""
        return self._step_back(self._undo, "undo")

    def redo(self) -> Key:
        """Store that what was undone last stands again; what it was a change of."""
        return self._step_back(self._redo, "redo")

    def _step_back(self, changes: list[_Change], reason: str) -> Key:
        if not changes:
            raise study_error(
                column=reason,
                found=f"nothing to {reason} on this film",
                expected="a change made on this film",
                remedy="Move a mark or take it back instead",
            )
        change = changes[-1]
        value = change.before if reason == "undo" else change.after
        self._keep(change.key, value, self._row_number(change.key, value, reason), reason=reason)
        return change.key

    def _row_number(self, key: Key, value: Value, reason: str) -> int:
        """Store the row that says what a mark or grade is now."""
        row = {"supersedes": self._last_row.get(key), "withdrawn": value is None, "reason": reason}
        return self._stored(content_of(key), [{**said_row(key, value, self._values.get(key)), **row}])[0]

    def _stored(self, content: Content, rows: list[dict[str, Any]]) -> list[int]:
        stored = self._store.write_item(self.item_id, content, rows, duration_s=self.seconds(), **self._whose)
        return [int(number) for number in stored[OWN_ID[content]]]

    def _keep(self, key: Key, value: Value, row_number: int, *, reason: str) -> None:
        if reason == "undo" and self._undo:
            self._redo.append(self._undo.pop())
        elif reason == "redo" and self._redo:
            self._undo.append(self._redo.pop())
        else:
            self._undo.append(_Change(key, self._values.get(key), value))
            self._redo.clear()
        self._values[key] = value
        self._last_row[key] = row_number

    def _read_again(self, history: Mapping[Content, pd.DataFrame]) -> None:
        tables = [
            table.rename(columns={OWN_ID[content]: "row_number"}).assign(content=content)
            for content, table in history.items()
            if len(table)
        ]
        first: dict[int, int] = {}
        for row in sorted(
            (row for table in tables for row in table.to_dict("records")),
            key=lambda row: (row["batch_id"], row["row_number"]),
        ):
            content, number = row["content"], int(row["row_number"])
            key: Key
            if content == "marks":
                key = first[number] = number if pd.isna(row["supersedes"]) else first[int(row["supersedes"])]
            else:
                key = stored_key(content, row)
            self._keep(key, stored_value(content, row), number, reason=row["reason"])

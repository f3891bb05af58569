"""What a study may show of its readings while some of them are still being made."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

import pandas as pd
from sqlalchemy import Connection, and_, func, select

from cohortlib.readings import locking
from cohortlib.readings.clock import SIMULATED
from cohortlib.readings.frames import STUDY_TABLE, current, history, reading_frame
from cohortlib.readings.handle import Handle
from cohortlib.readings.kept import kept
from cohortlib.readings.rows import MARKED_AT
from cohortlib.readings.schema import EVENTS, GRADES, IMPORTS, ITEMS, OWN_ID, READINGS, STORE
from cohortlib.readings.seal import current_sha256
from cohortlib.readings.tasks import CONTENTS, Content, tasks_of
from cohortlib.tables import DICTIONARY


class State(NamedTuple):
    """How far the readings are, and who closed and opened them; nothing that tells one item from another.

    Attributes
    ----------
    n_marks, n_gradings, n_grades
        Rows that stand and are shown.
    n_marks_hidden, n_gradings_hidden, n_grades_hidden
        Rows that stand and belong to a worklist that is not unblinded yet.
    holds_grades
        Whether there is a grade in the store, or an item that asks for grades.
    n_items, n_finished
        Items of all worklists, and those that were read.
    n_adjudicated
        Images that a third reader decided.
    sha256
        Over all rows that stand, shown or not.
    locked_by, locked_at, unblinded_by, unblinded_at
        Empty as long as nobody did; of several unblindings the first.
    simulated
        Whether the store was made by an invented clock.
    """

    n_marks: int
    n_gradings: int
    n_marks_hidden: int
    n_gradings_hidden: int
    n_items: int
    n_finished: int
    n_adjudicated: int
    sha256: str
    locked_by: str
    locked_at: str
    unblinded_by: str
    unblinded_at: str
    simulated: bool
    n_grades: int
    n_grades_hidden: int
    holds_grades: bool


class Shown(NamedTuple):
    """The readings of one moment.

    Attributes
    ----------
    tables
        landmarks, gradings, grades: the rows that stand and may be shown, with the columns of the study's
        table and mark_id, grading_id or grade_id; by repeat, reader and time.
    imported
        landmarks, gradings, grades: SHA-256 of the files that were imported.
    state
    """

    tables: dict[str, pd.DataFrame]
    imported: dict[str, set[str]]
    state: State


class Showing(Handle):
    """The tables of a study, as far as they may be seen."""

    def shown(self) -> Shown:
        """The readings that a study shows: those of worklists only once they are locked and unblinded.

        Notes
        -----
        A reader whose marks, or whose colleague's marks, of an image can be looked up by its image_id can
        tell a hidden repeat, and is not independent any more. So whatever a worklist asks for is hidden,
        corrections too, until someone unblinds the store, which needs the lock and is recorded. What was
        imported, and what was written without a worklist, is shown.
        """
        with self._database.reading() as connection:
            unblinded = _first_event(connection, "unblinded")
            tables, hidden, imported = {}, {}, {}
            for content in CONTENTS:
                name = STUDY_TABLE[content]
                tables[name], hidden[content] = _parted(connection, content, all_shown=unblinded is not None)
                digests = select(IMPORTS.c.sha256).where(IMPORTS.c.content == content)
                imported[name] = set(connection.execute(digests).scalars())
            state = _state(connection, tables, hidden, unblinded)
        return Shown(tables, imported, state)

    def known(self, table: str) -> pd.DataFrame:
        """Every row of one of the three tables that was ever stored, shown or not, to look rows up in."""
        content = next(content for content in CONTENTS if STUDY_TABLE[content] == table)
        with self._database.reading() as connection:
            every = reading_frame(connection, history(READINGS[content]), content=content)
        return every.loc[~every["withdrawn"], list(DICTIONARY[table])]


def _parted(connection: Connection, content: Content, *, all_shown: bool) -> tuple[pd.DataFrame, int]:
    """The rows that may be shown, and how many may not."""
    table, own_id = READINGS[content], OWN_ID[content]
    rows = reading_frame(connection, current(table), content=content)
    hidden = pd.Series(False, index=rows.index)
    if not all_shown and content in kept(connection):
        # By reading, not by batch: a correction comes in a batch of its own.
        same = and_(*(table.c[name] == ITEMS.c[name] for name in ("image_id", "reader_id", "repeat")))
        asked = ITEMS.c.task.in_(tasks_of(content))
        query = select(table.c[own_id]).join_from(table, ITEMS, and_(same, asked))
        listed = connection.execute(query).scalars()
        hidden = rows[own_id].isin(list(listed))
    shown = rows.loc[~hidden, [*DICTIONARY[STUDY_TABLE[content]], own_id]]
    shown = shown.sort_values(["repeat", "reader_id", MARKED_AT, own_id], ignore_index=True)
    return shown, int(hidden.sum())


def _holds_grades(connection: Connection) -> bool:
    if "grades" not in kept(connection):
        return False
    asked = select(ITEMS.c.item_id).where(ITEMS.c.task.in_(tasks_of("grades")))
    return any(connection.execute(query.limit(1)).first() for query in (asked, select(GRADES.c.grade_id)))


def _first_event(connection: Connection, what: str) -> Mapping[str, Any] | None:
    query = select(EVENTS).where(EVENTS.c.what == what).order_by(EVENTS.c.event_id).limit(1)
    found = connection.execute(query).mappings().first()
    return None if found is None else dict(found)


def _state(
    connection: Connection,
    tables: Mapping[str, pd.DataFrame],
    hidden: Mapping[Content, int],
    unblinded: Mapping[str, Any] | None,
) -> State:
    lock = locking.the_lock(connection)
    finished = select(EVENTS.c.subject).where(EVENTS.c.what == "item finished")
    roles = connection.execute(select(ITEMS.c.role).where(ITEMS.c.item_id.in_(finished))).scalars().all()
    return State(
        n_marks=len(tables["landmarks"]),
        n_gradings=len(tables["gradings"]),
        n_marks_hidden=hidden["marks"],
        n_gradings_hidden=hidden["gradings"],
        n_items=connection.execute(select(func.count()).select_from(ITEMS)).scalar_one(),
        n_finished=len(roles),
        n_adjudicated=roles.count("adjudication"),
        sha256=lock.sha256 if lock else current_sha256(connection),
        locked_by=lock.who if lock else "",
        locked_at=lock.locked_at if lock else "",
        unblinded_by=unblinded["who"] if unblinded else "",
        unblinded_at=unblinded["stored_at"] if unblinded else "",
        simulated=str(connection.execute(select(STORE.c.software)).scalar_one()).endswith(SIMULATED),
        n_grades=len(tables["grades"]),
        n_grades_hidden=hidden["grades"],
        holds_grades=_holds_grades(connection),
    )

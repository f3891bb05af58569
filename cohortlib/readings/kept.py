"""What a store keeps: one that was made before there were grades has no place for them."""

from __future__ import annotations

from sqlalchemy import Connection, select

from cohortlib.errors import study_error
from cohortlib.readings.schema import SCHEMA_VERSION, STORE
from cohortlib.readings.tasks import CONTENTS, Content

#: The version of the tables that had no grades.
BEFORE_GRADES = 2


def stored_version(connection: Connection) -> int:
    """The version of the tables of the store."""
    return int(connection.execute(select(STORE.c.schema_version)).scalar_one())


def kept(connection: Connection) -> tuple[Content, ...]:
    """Marks and gradings, and grades where the store has a table for them."""
    is_earlier = stored_version(connection) == BEFORE_GRADES
    return tuple(content for content in CONTENTS if not (is_earlier and content == "grades"))


def check_kept(connection: Connection, content: Content) -> None:
    """Refuse grades in a store that has no table for them.

    Raises
    ------
    StudyError
        If it was made before grades were kept, and could not be given what it lacks.
    """
    if content not in kept(connection):
        raise study_error(
            file="readings",
            column="schema_version",
            found=f"a store of version {stored_version(connection)}, which keeps no {content}",
            expected=f"a store of version {SCHEMA_VERSION}",
            remedy="Let whoever owns the tables of the database open the store for writing once",
        )

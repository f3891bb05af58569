"""Readings that were made elsewhere: taken in once, with where they come from."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Mapping
from pathlib import Path

import pandas as pd
from sqlalchemy import Connection, insert, select

from cohortlib.errors import study_error
from cohortlib.readings.batches import (
    check_not_listed,
    check_not_locked,
    insert_batch,
    readings_there,
)
from cohortlib.readings.cell_checks import checked
from cohortlib.readings.cells import ID, SHA256, TEXT
from cohortlib.readings.clock import software, stored_time
from cohortlib.readings.kept import check_kept
from cohortlib.readings.refusals import shown
from cohortlib.readings.rows import imported_fields, reading_rows
from cohortlib.readings.schema import IMPORTS, READINGS
from cohortlib.readings.tasks import Content
from cohortlib.readings.trail import insert_event

_PROVENANCE_RULES = {"file": TEXT, "sha256": SHA256, "who": ID}


def file_provenance(path: str | os.PathLike[str], *, who: str) -> dict[str, str]:
    """Where imported readings come from: file (its name), sha256 (of its bytes), who (imports it).

    Raises
    ------
    StudyError
        If the file cannot be read.
    """
    try:
        with Path(path).open("rb") as file:
            digest = hashlib.file_digest(file, "sha256").hexdigest()
    except (OSError, ValueError) as error:
        found = shown(getattr(error, "strerror", None) or error)
        remedy = "Make the file readable, or correct the path"
        raise study_error(file=shown(path), found=found, expected="a file", remedy=remedy) from None
    return {"file": Path(path).name, "sha256": digest, "who": who}


def import_readings(
    connection: Connection, table: pd.DataFrame, *, content: Content, provenance: Mapping[str, str]
) -> int:
    """Store the readings of a file in the open transaction; returns the number of the batch."""
    check_not_locked(connection)
    check_kept(connection, content)
    origin = _checked_provenance(provenance)
    file, who = origin["file"], origin["who"]
    same = select(IMPORTS).where(IMPORTS.c.content == content, IMPORTS.c.sha256 == origin["sha256"])
    before = connection.execute(same).mappings().first()
    if before is not None:
        raise study_error(
            file=file,
            found=f"a file that {before['who']} imported on {before['stored_at']}",
            expected="a file that is not in the store yet",
            remedy="Nothing is to be done: its readings are there",
        )
    rows = reading_rows(table, imported_fields(content), content=content, file=file)
    check_not_listed(connection, rows, content=content)
    there = readings_there(connection, rows, table=READINGS[content])
    if there:
        raise study_error(
            file=file,
            column="image_id, reader_id, repeat",
            found=", ".join(map(str, there[0])),
            count=len(there),
            expected=f"readings of which the store has no {content} yet",
            remedy="Write corrections of the stored rows, or leave these readings out",
        )
    now = stored_time(connection)
    entry = {
        **origin,
        "content": content,
        "n_rows": len(rows),
        "stored_at": now,
        "software": software(connection),
    }
    added = connection.execute(insert(IMPORTS).values(**entry))
    (import_id,) = added.inserted_primary_key or (0,)
    insert_event(connection, what="imported", who=who, now=now, subject=str(import_id), file=file)
    return insert_batch(connection, rows, content=content, import_id=import_id)


def _checked_provenance(provenance: Mapping[str, str]) -> dict[str, str]:
    if not isinstance(provenance, Mapping) or set(provenance) != set(_PROVENANCE_RULES):
        found = ", ".join(map(shown, provenance)) if isinstance(provenance, Mapping) else shown(provenance)
        raise study_error(
            column="provenance",
            found=found or "nothing",
            expected="file, sha256 and who",
            remedy="Take what file_provenance gives",
        )
    rules = _PROVENANCE_RULES.items()
    return {name: checked(provenance[name], rule, name=f"provenance {name}") for name, rule in rules}

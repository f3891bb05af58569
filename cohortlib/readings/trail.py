"""The trail: who did what to the store, and when."""

from __future__ import annotations

import json
from typing import Any

from sqlalchemy import Connection, insert

from cohortlib.readings.clock import software
from cohortlib.readings.schema import EVENTS


def insert_event(
    connection: Connection, *, what: str, who: str, now: str, subject: str = "", **details: Any
) -> None:
    """Record an event in the open transaction; the details are kept as JSON."""
    text = json.dumps(details, sort_keys=True, allow_nan=False)
    row = {"what": what, "who": who, "subject": subject, "stored_at": now, "details": text}
    connection.execute(insert(EVENTS).values(**row, software=software(connection)))

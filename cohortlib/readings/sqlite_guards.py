"""The guards as triggers of an SQLite file."""

from __future__ import annotations

from sqlalchemy import Connection, MetaData

from cohortlib.readings.guards import APPEND_ONLY, guards


def trigger_texts(schema: MetaData) -> dict[str, str]:
    """Name and text of every trigger."""
    texts = {}
    for table in schema.tables:
        for event in ("UPDATE", "DELETE"):
            name = f"{table}_no_{event.lower()}"
            texts[name] = _trigger(name, f"{event} ON {table}", APPEND_ONLY)
    for guard in guards(schema):
        name = f"{guard.table}_{guard.name}_guard"
        texts[name] = _trigger(name, f"INSERT ON {guard.table} WHEN {guard.condition}", guard.message)
    return texts


def _trigger(name: str, when: str, message: str) -> str:
    return f"CREATE TRIGGER {name} BEFORE {when} BEGIN SELECT RAISE(ABORT, '{message}'); END"


def make_guards(connection: Connection, schema: MetaData) -> None:
    """Put every trigger in its place."""
    for text in trigger_texts(schema).values():
        connection.exec_driver_sql(text)


def drop_guards(connection: Connection, schema: MetaData) -> None:
    """Take every trigger away, for others to be put in place in the same transaction."""
    for name in trigger_texts(schema):
        connection.exec_driver_sql(f"DROP TRIGGER {name}")


def guard_faults(connection: Connection, schema: MetaData) -> list[str]:
    """What differs from what `make_guards` made: triggers missing, changed or foreign, foreign tables."""
    rows = connection.exec_driver_sql(
        "SELECT type, name, sql FROM sqlite_master WHERE name NOT LIKE 'sqlite\\_%' ESCAPE '\\'"
    )
    found = {(kind, name): text for kind, name, text in rows}
    expected = {("trigger", name): sql for name, sql in trigger_texts(schema).items()}
    for table in schema.tables.values():
        expected["table", table.name] = ""
        expected |= {("index", str(index.name)): "" for index in table.indexes}
    faults = [f"no {kind} {name}" for kind, name in expected if (kind, name) not in found]
    for (kind, name), text in found.items():
        if (kind, name) not in expected:
            faults.append(f"a foreign {kind} {name}")
        elif kind == "trigger" and text != expected[kind, name]:
            faults.append(f"a changed {kind} {name}")
    return faults

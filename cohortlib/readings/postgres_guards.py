"""The guards as triggers of a PostgreSQL database."""

from __future__ import annotations

from collections.abc import Container
from typing import NamedTuple

from sqlalchemy import Connection, MetaData, text

from cohortlib.readings.guards import APPEND_ONLY, guards

# Parts of pg_trigger.tgtype.
_ROW, _BEFORE, _INSERT, _DELETE, _UPDATE, _TRUNCATE = 1, 2, 4, 8, 16, 32
_WRITTEN = ("batches", "marks", "gradings", "grades", "imports", "worklists", "items")


class _Trigger(NamedTuple):
    table: str
    name: str
    event: str
    kind: int
    source: str


def lock_writers_out(tables: Container[str]) -> str:
    """Writers hold a weaker lock until they are done: whoever locks the readings waits for them."""
    written = ", ".join(name for name in _WRITTEN if name in tables)
    return f"LOCK TABLE {written} IN SHARE ROW EXCLUSIVE MODE"


def _triggers(schema: MetaData) -> list[_Trigger]:
    found = []
    refuse = f" BEGIN RAISE EXCEPTION '{APPEND_ONLY}'; END "
    for table in schema.tables:
        change = _ROW | _BEFORE | _UPDATE | _DELETE
        found.append(_Trigger(table, f"{table}_no_change", "UPDATE OR DELETE", change, refuse))
        # Statement by statement: there are no rows when a table is emptied.
        found.append(_Trigger(table, f"{table}_no_truncate", "TRUNCATE", _BEFORE | _TRUNCATE, refuse))
        checks = "".join(
            f"IF {guard.condition} THEN RAISE EXCEPTION '{guard.message}'; END IF; "
            for guard in guards(schema)
            if guard.table == table
        )
        if table == "events":
            checks = f"IF NEW.what = 'locked' THEN {lock_writers_out(schema.tables)}; END IF; {checks}"
        # A transaction that looks at the past would not see a lock that was set meanwhile.
        level = (
            "IF current_setting('transaction_isolation') <> 'read committed' "
            "THEN RAISE EXCEPTION 'cohortlib: isolation level'; END IF; "
        )
        source = f" BEGIN {level}{checks}RETURN NEW; END "
        found.append(_Trigger(table, f"{table}_guard", "INSERT", _ROW | _BEFORE | _INSERT, source))
    return found


def make_guards(connection: Connection, schema: MetaData) -> None:
    """Put every trigger and its function in its place; they fire in replicas too."""
    # Without a fixed path, someone's own table `events` would answer whether the readings are locked.
    path = _search_path(connection)
    for trigger in _triggers(schema):
        name = f"cohortlib_{trigger.name}"
        each = "ROW" if trigger.kind & _ROW else "STATEMENT"
        for statement in (
            f"CREATE FUNCTION {name}() RETURNS trigger LANGUAGE plpgsql SET search_path TO {path} "
            f"AS $guard${trigger.source}$guard$",
            f"CREATE TRIGGER {name} BEFORE {trigger.event} ON {trigger.table} "
            f"FOR EACH {each} EXECUTE FUNCTION {name}()",
            f"ALTER TABLE {trigger.table} ENABLE ALWAYS TRIGGER {name}",
        ):
            connection.exec_driver_sql(statement)


def drop_guards(connection: Connection, schema: MetaData) -> None:
    """Take every trigger away, for others to be put in place in the same transaction."""
    for trigger in _triggers(schema):
        connection.exec_driver_sql(f"DROP TRIGGER cohortlib_{trigger.name} ON {trigger.table}")
        connection.exec_driver_sql(f"DROP FUNCTION cohortlib_{trigger.name}()")


def _search_path(connection: Connection) -> str:
    schema = connection.execute(text("SELECT quote_ident(current_schema())")).scalar_one()
    return f"{schema}, pg_temp"


def guard_faults(connection: Connection, schema: MetaData) -> list[str]:
    """What differs from what `make_guards` made: triggers missing, changed or foreign, rules."""
    rows = connection.execute(
        text(
            "SELECT c.relname, t.tgname, t.tgtype, p.prosrc, t.tgenabled = 'A' AND t.tgqual IS NULL "
            "AND p.proconfig = ARRAY['search_path=' || :path] "
            "FROM pg_trigger t JOIN pg_class c ON c.oid = t.tgrelid JOIN pg_proc p ON p.oid = t.tgfoid "
            "WHERE NOT t.tgisinternal AND c.relname = ANY(:tables) "
            "AND c.relnamespace = CAST(quote_ident(current_schema()) AS regnamespace)"
        ),
        {"path": _search_path(connection), "tables": list(schema.tables)},
    )
    found = {(table, name): (kind, source, active) for table, name, kind, source, active in rows}
    expected = {(t.table, f"cohortlib_{t.name}"): (t.kind, t.source, True) for t in _triggers(schema)}
    faults = [f"no trigger {name}" for table, name in expected if (table, name) not in found]
    for key, parts in found.items():
        if key not in expected:
            faults.append(f"a foreign trigger {key[1]}")
        elif parts != expected[key]:
            faults.append(f"a changed trigger {key[1]}")
    rules = connection.execute(
        text(
            "SELECT rulename FROM pg_rules WHERE schemaname = current_schema() AND tablename = ANY(:tables)"
        ),
        {"tables": list(schema.tables)},
    )
    return faults + [f"a foreign rule {name}" for (name,) in rules]

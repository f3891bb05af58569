"""What turns a store that was made before grades were kept into one of today.

Such a store stays as valid as it was: its rows are the same, and so are the seals over them. One that is only
looked at, or that is locked, is left alone; it has no grades, and none can come. Any other gets what it lacks
when it is opened for writing, in one transaction: a table of grades, and items that may ask for them.
"""

from __future__ import annotations

from types import ModuleType

from sqlalchemy import Connection, text, update
from sqlalchemy.schema import CreateIndex

from cohortlib.readings import postgres_guards, sqlite_guards
from cohortlib.readings.clock import stored_time
from cohortlib.readings.earlier import ONCE_BEFORE_GRADES, SCHEMAS, task_rule
from cohortlib.readings.kept import BEFORE_GRADES
from cohortlib.readings.schema import GRADES, ITEMS, METADATA, SCHEMA_VERSION, STORE
from cohortlib.readings.trail import insert_event


def guards_of(connection: Connection) -> ModuleType:
    """The module that makes and checks the guards of this kind of database."""
    return postgres_guards if connection.dialect.name == "postgresql" else sqlite_guards


def add_grades(connection: Connection) -> None:
    """Turn a sound store of version 2 that is not locked into one of today, in the open transaction."""
    now = stored_time(connection)
    guards = guards_of(connection)
    guards.drop_guards(connection, SCHEMAS[BEFORE_GRADES])
    if connection.dialect.name == "postgresql":
        _alter_items(connection)
    else:
        _make_items_anew(connection)
    GRADES.create(connection)
    if connection.dialect.name == "postgresql":
        _grant_as_for_gradings(connection)
    connection.execute(update(STORE).values(schema_version=SCHEMA_VERSION))
    guards.make_guards(connection, METADATA)
    insert_event(connection, what="grades added", who="", now=now, version=SCHEMA_VERSION)


def may_add_grades(connection: Connection) -> bool:
    """Whether whoever opened the store may alter its tables; a reader of a server need not."""
    if connection.dialect.name != "postgresql":
        return True
    owned = text(
        "SELECT has_schema_privilege(current_schema(), 'CREATE') "
        "AND bool_and(pg_has_role(relowner, 'USAGE')) FROM pg_class WHERE relname = ANY(:tables) "
        "AND relnamespace = CAST(quote_ident(current_schema()) AS regnamespace)"
    )
    tables = list(SCHEMAS[BEFORE_GRADES].tables)
    return bool(connection.execute(owned, {"tables": tables}).scalar())


def _alter_items(connection: Connection) -> None:
    connection.exec_driver_sql("ALTER TABLE items DROP CONSTRAINT items_task")
    connection.exec_driver_sql(
        f"ALTER TABLE items ADD CONSTRAINT items_task CHECK ({task_rule(ITEMS).sqltext})"
    )
    for name in ONCE_BEFORE_GRADES:
        connection.exec_driver_sql(f"DROP INDEX {name}")
    for index in ITEMS.indexes:
        connection.execute(CreateIndex(index))


def _grant_as_for_gradings(connection: Connection) -> None:
    """Who may read or add gradings may the same of grades: a reader is not shut out by what the owner did."""
    rights = connection.execute(
        text(
            "SELECT DISTINCT privilege_type, "
            "CASE grantee WHEN 'PUBLIC' THEN grantee ELSE quote_ident(grantee) END "
            "FROM information_schema.role_table_grants "
            "WHERE table_schema = current_schema() AND table_name = 'gradings' AND grantee <> current_user"
        )
    )
    for right, role in rights.all():
        connection.exec_driver_sql(f"GRANT {right} ON grades TO {role}".replace("%", "%%"))


def _make_items_anew(connection: Connection) -> None:
    """SQLite alters no rule of a table: the items go through a table of this connection's own."""
    # Batches name items: what is missing in between is asked for at the end of the transaction.
    connection.exec_driver_sql("PRAGMA defer_foreign_keys = ON")
    connection.exec_driver_sql("CREATE TEMP TABLE items_before AS SELECT * FROM main.items")
    ITEMS.drop(connection)
    ITEMS.create(connection)
    columns = ", ".join(column.name for column in ITEMS.columns)
    connection.exec_driver_sql(
        f"INSERT INTO items ({columns}) SELECT {columns} FROM temp.items_before ORDER BY rowid"
    )
    connection.exec_driver_sql("DROP TABLE temp.items_before")

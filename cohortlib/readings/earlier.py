"""The tables of stores that were made earlier: what one is held against when it is opened."""

from __future__ import annotations

from sqlalchemy import CheckConstraint, MetaData, Table

from cohortlib.readings.kept import BEFORE_GRADES
from cohortlib.readings.schema import GRADES, ITEMS, METADATA, SCHEMA_VERSION, once_where, one_of

_TASKS = ("marks", "gradings", "marks and gradings")
#: Name of an index → among which items a reading is asked for once.
ONCE_BEFORE_GRADES = {"items_marks_once": "task <> 'gradings'", "items_gradings_once": "task <> 'marks'"}


def _before_grades() -> MetaData:
    """No grades, and items that ask for marks, for gradings, or for both."""
    schema = MetaData()
    for table in METADATA.tables.values():
        if table is not GRADES:
            table.to_metadata(schema)
    items = schema.tables[ITEMS.name]
    items.constraints.remove(task_rule(items))
    items.append_constraint(one_of("task", _TASKS, name="items_task"))
    items.indexes.clear()
    for name, condition in ONCE_BEFORE_GRADES.items():
        once_where(condition, name, items.c.reader_id, items.c.image_id, items.c.repeat)
    return schema


def task_rule(items: Table) -> CheckConstraint:
    """What the items of a store may ask for."""
    rules = (rule for rule in items.constraints if isinstance(rule, CheckConstraint))
    return next(rule for rule in rules if rule.name == "items_task")


#: Version → the tables of a store of that version.
SCHEMAS = {BEFORE_GRADES: _before_grades(), SCHEMA_VERSION: METADATA}

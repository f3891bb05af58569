"""Grades by readers: subjects × raters as places in a declared list of categories."""

from __future__ import annotations

from collections.abc import Hashable, Sequence

import numpy as np
import pandas as pd

from cohortlib.errors import StudyError, problem, study_error
from cohortlib.stats.agreement.mean_squares import Readings, readings_by_rater
from cohortlib.stats.inputs import check_columns


def declared_categories(
    table: pd.DataFrame, value: str, categories: Sequence[Hashable] | None, *, in_order: bool
) -> list[Hashable]:
    """The categories in their order: as declared, or as found (sorted) where the order does not matter.

    Raises
    ------
    StudyError
        If an order is needed and none is declared, or the list names a category twice or fewer than two.
    """
    check_columns(table, [value])
    found = list(table[value].dropna().unique())
    if categories is None:
        if in_order:
            raise study_error(
                column="categories",
                found="no order of the categories",
                expected="all categories, from one end of the scale to the other",
                remedy='Write for example categories=["none", "incomplete", "complete"]',
            )
        return sorted(found, key=str)
    listed: list[Hashable] = [categories] if isinstance(categories, str) else list(categories)
    if len(set(listed)) != len(listed) or len(listed) < 2:
        raise study_error(
            column="categories",
            found=", ".join(map(str, listed)) or "an empty list",
            expected="a list of at least two categories, each once",
            remedy="Correct the list",
        )
    return listed


def grades_by_rater(
    table: pd.DataFrame,
    *,
    subject: str,
    rater: str,
    value: str,
    cluster: str | None,
    categories: Sequence[Hashable],
) -> Readings:
    """Long table to subjects × raters, each value the place of its category in the list; NaN where none.

    Raises
    ------
    StudyError
        If a grade is not one of the categories, with every such grade; and as `readings_by_rater`.
    """
    check_columns(table, [subject, rater, value, *([cluster] if cluster else [])])
    place = {category: number for number, category in enumerate(categories)}
    grades = table[value]
    known = grades.isna() | grades.isin(list(place))
    if not known.all():
        counts = grades[~known].value_counts(sort=False)
        raise StudyError(
            problem(
                column=value,
                found=grade,
                count=int(count),
                expected="one of the declared categories: " + ", ".join(map(str, categories)),
                remedy="Correct the grade, add it to categories in its place, or count it apart by name",
            )
            for grade, count in counts.items()
        )
    numbered = pd.Series([place.get(grade, np.nan) for grade in grades], index=table.index, dtype=float)
    return readings_by_rater(
        table.assign(**{value: numbered}), subject=subject, rater=rater, value=value, cluster=cluster
    )

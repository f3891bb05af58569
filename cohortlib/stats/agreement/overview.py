"""Agreement of all readers of a study; the repeats and the pairs of readers are found by themselves."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import pandas as pd

from cohortlib.errors import study_error
from cohortlib.stats.agreement.comparisons import comparisons_found, readings_of
from cohortlib.stats.agreement.graded import graded_agreement
from cohortlib.stats.agreement.measured import measured_agreement
from cohortlib.stats.agreement.weights import Weights
from cohortlib.stats.bootstrap import check_draws
from cohortlib.stats.inputs import check_columns
from cohortlib.tables import ESTIMATE_COLUMNS, MEASUREMENT_COLUMNS

OVERVIEW_COLUMNS = (
    "quantity",
    "zone",
    "kind",
    "comparison",
    "measure",
    "category",
    "n_subjects",
    "n_images",
    "n_no_value",
    "n_read_once",
    *ESTIMATE_COLUMNS,
)


def agreement_overview(
    readings: pd.DataFrame,
    *,
    grades: Sequence[str] | None = None,
    weights: Weights = None,
    not_assessable: str | None = None,
    adjudicator: str | None = None,
    seed: int | None = None,
) -> pd.DataFrame:
    """Everything a report says of its readers: each reader's repeats, each pair, and all together.

    Nothing has to be named: a second reading by the same reader is a (hidden) repeat, the first readings of
    two readers of the same film are a pair. Each quantity and each zone stands for itself.

    Parameters
    ----------
    readings
        Columns as in `tables.MEASUREMENT_COLUMNS`, one method. Numbers from measurements; grades from
        `hip_gradings`.
    grades
        None where the values are numbers. Else all grades, from one end of the scale to the other.
    weights
        Of grades, as for `kappa`.
    not_assessable
        The word for a zone that the film does not allow to grade. It has no place on the scale: such
        readings are counted as having no value, and whether readers agree on them is given apart.
    adjudicator
        The reader who decides where two differ; is compared with nobody.
    seed
        Of the bootstrap's draws; needed for numbers.

    Returns
    -------
    DataFrame
        One row a statistic: quantity, zone, kind (within reader, between readers, all readers), comparison,
        measure, category (of a grade), n_subjects (hips and zones on films with a value in every reading),
        n_images, n_no_value (read by all, but without a value at least once), n_read_once (not read by
        all, often by design), then those of `tables.ESTIMATE_COLUMNS`.

        Numbers, within a reader: bias, lower limit, upper limit, ICC(1,1), standard error of measurement
        and smallest detectable change by repeats. Between readers: the same with ICC(2,1) and by
        agreement, where a steady shift between readers is error. All readers: ICC(2,1) and the two errors.
        Grades: kappa, Gwet AC, PABAK, observed and expected agreement, kappa and prevalence of each grade,
        and where `not_assessable` occurs the agreement on that. Few subjects or patients: empty estimates
        with a note.

    Raises
    ------
    StudyError
        If columns are missing, a reader has two values of one repeat for a place, a grade is not declared,
        or the seed is missing.

    Notes
    -----
    Where a patient has several subjects the intervals of numbers draw patients, those of grades sum their
    contributions by patient (`kappa`). A reading that exists in no pair is in no row: count the readings.

    An adjudicator reads only what others read differently. Agreement with him would be that of the hardest
    films, so he has to be named (`study.readings["adjudicator"]`) and is left out.
    """
    check_columns(readings, MEASUREMENT_COLUMNS)
    if grades is None:
        check_draws("patient_id", seed)
        if not_assessable is not None or weights is not None:
            raise study_error(
                column="weights, not_assessable",
                found="words for grades, and no grades",
                expected="the grades in their order",
                remedy='Write for example grades=["none", "incomplete", "complete"]',
            )
    if adjudicator is not None:
        readings = readings[readings["reader_id"] != adjudicator]
    tables = []
    for place, rows in _places(readings):
        for comparison in comparisons_found(rows):
            chosen = readings_of(rows, comparison)
            if grades is None:
                found = measured_agreement(rows, chosen, comparison, quantity=place["quantity"], seed=seed)
            else:
                found = graded_agreement(
                    chosen, comparison, grades=grades, weights=weights, not_assessable=not_assessable
                )
            tables.append(
                found.assign(**place, kind=comparison.kind, comparison=comparison.name)[
                    list(OVERVIEW_COLUMNS)
                ]
            )
    if not tables:
        return pd.DataFrame(columns=list(OVERVIEW_COLUMNS))
    return pd.concat(tables, ignore_index=True)


def _places(readings: pd.DataFrame) -> Iterator[tuple[dict[str, str], pd.DataFrame]]:
    """Each quantity and zone, with its rows."""
    zone = readings["zone"].astype(object).where(readings["zone"].notna(), "").astype(str)
    rows = readings.assign(zone=zone)
    for (quantity, which), part in rows.groupby(["quantity", "zone"], sort=True):
        yield {"quantity": str(quantity), "zone": str(which)}, part

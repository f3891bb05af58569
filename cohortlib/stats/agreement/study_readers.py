"""Agreement of the readers of a study, numbers and grades, with nothing to be named by hand."""

from __future__ import annotations

import pandas as pd

from cohortlib.stats.agreement.hip_gradings import hip_gradings
from cohortlib.stats.agreement.overview import OVERVIEW_COLUMNS, agreement_overview
from cohortlib.stats.agreement.weights import Weights
from cohortlib.tables import ZONE_STATES, Study

#: What a zone is called that the film does not allow to grade: no step of the scale.
NOT_ASSESSABLE = "not assessable"
#: The steps of the scale, from no line to a whole one.
GRADES = tuple(state for state in ZONE_STATES if state != NOT_ASSESSABLE)


def study_agreement(study: Study, measurements: pd.DataFrame, *, weights: Weights, seed: int) -> pd.DataFrame:
    """How the readers of a study agree: every hidden repeat and every pair, numbers and zone grades.

    Parameters
    ----------
    study
        Its gradings, images and hips, and who adjudicates ([readings] of study.toml).
    measurements
        Columns as in `tables.MEASUREMENT_COLUMNS`, one method, such as `measure_study` gives.
    weights
        Of the grades none, incomplete, complete, as for `kappa`: "linear", "quadratic", or None.
    seed
        Of the bootstrap's draws.

    Returns
    -------
    DataFrame
        As `agreement_overview`: numbers first, then zones. No rows where nothing was read twice.

    Raises
    ------
    StudyError
        As `agreement_overview` and `hip_gradings`.

    Notes
    -----
    A study shows the readings of a worklist only once they are unblinded (`read_study`), so hidden repeats
    come in then.
    """
    adjudicator = study.readings.get("adjudicator")
    numbers = agreement_overview(measurements, adjudicator=adjudicator, seed=seed)
    graded = hip_gradings(study.gradings, study.images, study.hips)
    grades = agreement_overview(
        graded, grades=GRADES, weights=weights, not_assessable=NOT_ASSESSABLE, adjudicator=adjudicator
    )
    found = [table for table in (numbers, grades) if len(table)]
    return pd.concat(found, ignore_index=True) if found else pd.DataFrame(columns=list(OVERVIEW_COLUMNS))

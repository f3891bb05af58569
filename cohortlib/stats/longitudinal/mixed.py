"""Arms compared over all visits: a mixed model with patients, and hips within them, as random."""

from __future__ import annotations

import warnings
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats
from statsmodels.regression.mixed_linear_model import MixedLM, VCSpec
from statsmodels.tools.sm_exceptions import ConvergenceWarning

from cohortlib.stats.inputs import LEAST, counted, sentence_of
from cohortlib.stats.longitudinal.rows import DIFFERENCE_COLUMNS, Compared, arm_terms, compared_rows
from cohortlib.tables import ESTIMATE_COLUMNS

Array = NDArray[np.float64]
#: Tried one after the other: the default of the library stops early on well-known data, with a warning only.
_OPTIMISERS = ("lbfgs", "powell")


class MixedFit(NamedTuple):
    """Terms, estimates, their covariance, variances (patient, hip, residual), whether it converged."""

    terms: list[str]
    estimate: Array
    covariance: Array
    variances: dict[str, float]
    converged: bool


def visit_differences(changes: pd.DataFrame, *, comparator: str, unit: str) -> pd.DataFrame:
    """How much higher the value of each arm is than the comparator's at every visit, for equal baselines.

    Parameters
    ----------
    changes
        From `change_from_baseline` with an `arm`, one zone of one side, all visits.
    comparator
        The arm that the others are judged against.
    unit
        Of the value.

    Returns
    -------
    DataFrame
        One row a visit and arm other than the comparator: visit_id, arm, comparator, standard_error, df,
        p_value, n_left_out, variance_patient, variance_hip, variance_residual, converged, then the columns
        of `tables.ESTIMATE_COLUMNS`. Too few patients, or no convergence: empty numbers with a note.

    Raises
    ------
    StudyError
        If a column is missing, the comparator has no rows, or a hip comes twice at a visit.

    Notes
    -----
    value = visit × arm + baseline × visit + patient + hip + error, restricted maximum likelihood
    (statsmodels). A hip that missed a visit stays in with the others: right if whether it is missing depends
    on what was seen, not on what was not. Degrees of freedom: patients − terms that lie between patients
    (arms and baseline), for all terms; with them Student's t in place of the normal distribution, which is
    too narrow for few patients. The hip has a variance of its own where three patients or more have two.

    References
    ----------
    Schluchter MD, Elashoff JD. Small-sample adjustments to tests with unbalanced repeated measures assuming
    several covariance structures. J Stat Comput Simul 1990;37:69-87.
    """
    compared = compared_rows(changes, comparator=comparator)
    rows = compared.rows
    visits = list(dict.fromkeys(rows["visit_id"]))
    per_cell = rows.groupby(["visit_id", "arm"])["patient"].nunique()
    enough = [
        visit
        for visit in visits
        if all(per_cell.get((visit, arm), 0) >= LEAST for arm in (comparator, *compared.arms))
    ]
    used = rows[rows["visit_id"].isin(enough)].reset_index(drop=True)
    fit = None
    if enough and compared.arms:
        fit = mixed_fit(used["value"], _design(used, enough, compared.arms), used["patient"], used["hip_id"])
    return _result(compared, visits, fit, comparator=comparator, unit=unit)


def mixed_fit(
    outcome: pd.Series, design: pd.DataFrame, patient: pd.Series, hip: pd.Series | None = None
) -> MixedFit:
    """A linear mixed model with a random patient, and a random hip where patients with two can tell.

    Parameters
    ----------
    outcome, patient, hip
        Shape (n,).
    design
        Shape (n, p), a named column a term.

    Returns
    -------
    MixedFit
    """
    components, two_hips = None, 0
    if hip is not None:
        two_hips = int((hip.groupby(patient.to_numpy()).nunique() > 1).sum())
    if hip is not None and two_hips >= LEAST:
        of_patient = [pd.get_dummies(hip[own]).to_numpy(dtype=float) for own in _owners(patient)]
        names = [[f"hip {number}" for number in range(block.shape[1])] for block in of_patient]
        components = VCSpec(["hip"], [names], [of_patient])
    order = np.concatenate([np.flatnonzero(own) for own in _owners(patient)])
    values = outcome.to_numpy(dtype=float)
    # In units of their own spread: what the library takes for a variance of zero is an absolute number.
    size = float(values.std()) or 1.0
    model = MixedLM(
        values[order] / size,
        design.to_numpy(dtype=float)[order],
        groups=patient.to_numpy()[order],
        exog_re=np.ones((len(order), 1)),
        exog_vc=components,
    )
    fitted = None
    for optimiser in _OPTIMISERS:
        with warnings.catch_warnings():
            # Whether it converged is looked at; a variance of zero is a result, not a failure.
            warnings.simplefilter("ignore", ConvergenceWarning)
            warnings.simplefilter("ignore", RuntimeWarning)
            warnings.simplefilter("ignore", UserWarning)
            try:
                fitted = model.fit(reml=True, method=[optimiser])
            except np.linalg.LinAlgError:
                continue
        if fitted.converged and np.isfinite(fitted.bse_fe).all():
            break
    p = design.shape[1]
    terms = list(design.columns)
    if fitted is None or not fitted.converged:
        return MixedFit(terms, np.full(p, np.nan), np.full((p, p), np.nan), {}, False)
    of_patient_and_rest = float(np.asarray(fitted.cov_re)[0, 0]), float(fitted.scale)
    of_hip = float(fitted.vcomp[0]) if components is not None else np.nan
    found = zip(("patient", "residual", "hip"), (*of_patient_and_rest, of_hip), strict=True)
    return MixedFit(
        terms,
        size * np.asarray(fitted.fe_params),
        size**2 * np.asarray(fitted.cov_params())[:p, :p],
        {name: size**2 * variance for name, variance in found},
        True,
    )


def _owners(patient: pd.Series) -> list[NDArray[np.bool_]]:
    """For each patient, in the sorted order that statsmodels takes, the rows that are his."""
    values = patient.to_numpy()
    return [values == one for one in np.unique(values)]


def _design(rows: pd.DataFrame, visits: list[str], arms: list[str]) -> pd.DataFrame:
    columns = {}
    centred = (rows["baseline"] - rows["baseline"].mean()).to_numpy()
    of_arm = arm_terms(rows, arms)
    for visit in visits:
        here = (rows["visit_id"] == visit).to_numpy(dtype=float)
        columns[f"{visit}"] = here
        columns[f"{visit} baseline"] = here * centred
        for arm, member in of_arm.items():
            columns[f"{visit} {arm}"] = here * member
    return pd.DataFrame(columns)


def _result(
    compared: Compared, visits: list[str], fit: MixedFit | None, *, comparator: str, unit: str
) -> pd.DataFrame:
    rows = compared.rows
    df = rows["patient"].nunique() - 2 - len(compared.arms)
    result = []
    for visit in visits:
        here = rows[rows["visit_id"] == visit]
        for arm in compared.arms:
            mine = here[here["arm"].isin([arm, comparator])]
            term = f"{visit} {arm}"
            estimate = error = np.nan
            note = "no estimate: fewer than three patients in an arm"
            if fit is not None and term in fit.terms:
                place = fit.terms.index(term)
                estimate, error = fit.estimate[place], np.sqrt(fit.covariance[place, place])
                note = "" if fit.converged else "no estimate: the fit did not converge"
            reach = stats.t.ppf(0.975, df) * error
            variances = fit.variances if fit is not None else {}
            result.append(
                {
                    "visit_id": visit,
                    "arm": arm,
                    "comparator": comparator,
                    "standard_error": error,
                    "df": df,
                    "p_value": 2 * stats.t.sf(abs(estimate / error), df) if error > 0 else np.nan,
                    "n_left_out": compared.n_left_out,
                    **{
                        f"variance_{name}": variances.get(name, np.nan)
                        for name in ("patient", "hip", "residual")
                    },
                    "converged": fit is not None and fit.converged,
                    "estimate": estimate,
                    "ci_low": estimate - reach,
                    "ci_high": estimate + reach,
                    "n_patients": mine["patient"].nunique(),
                    "n_hips": mine["hip_id"].nunique(),
                    "unit": unit,
                    "method": "mixed model by restricted maximum likelihood; t with patients − terms df",
                    "note": sentence_of(
                        note, counted(compared.n_left_out, "examination", "without a change, left out")
                    ),
                }
            )
    further = ["variance_patient", "variance_hip", "variance_residual", "converged"]
    return pd.DataFrame(result, columns=[*DIFFERENCE_COLUMNS, *further, *ESTIMATE_COLUMNS])

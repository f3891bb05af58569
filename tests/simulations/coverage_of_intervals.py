"""How often 95 % intervals hold the truth in cohorts of our size. By hand: `python <this file> [repeats]`.

Cohorts are drawn from a known law (30 % of the patients with two hips, correlation 0.7 between hips of one
patient); the method under test is shown beside the naive one that takes every hip for a patient. A method is
fit for use where it holds the truth in 93 to 97 % of the cohorts.

Found with 1500 repeats, 20 / 40 / 60 patients: slope by CR2 94.4-95.2 / 94.7-95.7 / 94.7-95.1 %, naive slope
91.2-92.1 / 90.3-93.1 / 91.3-93.1 %; mean by CR2 95.5 / 94.9 / 94.9 %, naive 91 %; share 95.3 / 95.5 / 95.1 %,
naive 93 %. Drawn intervals (300 repeats, give or take 1.3): rank correlation 93.7-96.3 %, bias, limits, ICC
and smallest detectable change 92.0-95.7 % where the naive ones hold 78-87 %: the limits stay a little short.
"""

from __future__ import annotations

import sys

import numpy as np
import pandas as pd
from scipy import stats

from cohortlib.stats.agreement import (
    intraclass_correlation,
    limits_of_agreement,
    smallest_detectable_change,
)
from cohortlib.stats.association import association
from cohortlib.stats.clustered import clustered_regression
from cohortlib.stats.describe import group_means, share_inside
from cohortlib.stats.rank_association import rank_association

TWO_HIPS_SHARE = 0.3
WITHIN_PATIENT = 0.7
SLOPE = 0.4


def pairs_of(rng: np.random.Generator, of_hip: np.ndarray, n_patients: int, within: float) -> np.ndarray:
    """Standard normal values of hips, correlated within a patient."""
    patient, hip = rng.normal(size=n_patients), rng.normal(size=of_hip.size)
    return np.sqrt(within) * patient[of_hip] + np.sqrt(1 - within) * hip


def cohort(rng: np.random.Generator, n_patients: int, *, score: str) -> pd.DataFrame:
    """Hips with an exposure and a score of slope SLOPE on it (0 with score="unrelated")."""
    of_hip = np.repeat(np.arange(n_patients), 1 + (rng.random(n_patients) < TWO_HIPS_SHARE))
    exposure = pairs_of(rng, of_hip, n_patients, WITHIN_PATIENT)
    if score == "of the hip":
        outcome = SLOPE * exposure + pairs_of(rng, of_hip, n_patients, WITHIN_PATIENT)
    elif score == "of the patient":
        # Score and the exposures of his hips jointly normal, so that on each hip the slope is SLOPE.
        counts = np.bincount(of_hip)
        total = np.bincount(of_hip, exposure)
        weight = SLOPE / (1 + (counts - 1) * WITHIN_PATIENT)
        residual = np.sqrt(1 - weight**2 * counts * (1 + (counts - 1) * WITHIN_PATIENT))
        outcome = (weight * total + residual * rng.normal(size=n_patients))[of_hip]
    else:
        # A score of the patient with a third of the cohort at its ceiling, unrelated to the exposure.
        outcome = np.minimum(np.round(44 + 8 * rng.normal(size=n_patients)), 48.0)[of_hip]
    return pd.DataFrame(
        {
            "patient_id": of_hip,
            "hip_id": np.arange(of_hip.size),
            "exposure": exposure,
            "outcome": outcome,
        }
    )


def holds(low: float, high: float, truth: float) -> bool:
    """Whether the interval holds the truth."""
    return bool(low <= truth <= high)


def slope_once(rng: np.random.Generator, n_patients: int, score: str) -> dict[str, bool]:
    """One cohort: slope of the score by CR2, and its rivals."""
    hips = cohort(rng, n_patients, score=score)
    truth = 0.0 if score == "unrelated" else SLOPE
    row = association(
        hips,
        outcome="outcome",
        exposure="exposure",
        cluster="patient_id",
        unit_of_analysis="hip",
        primary=True,
        unit="1",
    ).iloc[0]
    design = pd.DataFrame({"intercept": 1.0, "exposure": hips["exposure"]})
    crude = clustered_regression(hips["outcome"], design, hips["patient_id"], correction="CR1").iloc[1]
    naive = stats.linregress(hips["exposure"], hips["outcome"])
    half = stats.t.ppf(0.975, len(hips) - 2) * naive.stderr
    return {
        "slope, CR2": holds(row["ci_low"], row["ci_high"], truth),
        "slope, CR1": holds(crude["ci_low"], crude["ci_high"], truth),
        "slope, naive": holds(naive.slope - half, naive.slope + half, truth),
    }


def rank_once(rng: np.random.Generator, n_patients: int, score: str, seed: int) -> dict[str, bool]:
    """One cohort: rank correlation of a score of the patient."""
    hips = cohort(rng, n_patients, score=score)
    truth = 0.0 if score == "unrelated" else 6 / np.pi * np.arcsin(SLOPE / 2)
    row = rank_association(
        hips,
        outcome="outcome",
        exposure="exposure",
        cluster="patient_id",
        outcome_range=(-np.inf, 48.0),
        primary=True,
        seed=seed,
    ).iloc[0]
    z = np.arctanh(stats.spearmanr(hips["exposure"], hips["outcome"]).statistic)
    width = 1.96 * np.sqrt((1 + z**2 / 2) / (len(hips) - 3))
    return {
        "rank, drawn patients": holds(row["ci_low"], row["ci_high"], truth),
        "rank, naive": holds(np.tanh(z - width), np.tanh(z + width), truth),
    }


def describe_once(rng: np.random.Generator, n_patients: int) -> dict[str, bool]:
    """One cohort: mean and share inside a zone."""
    hips = cohort(rng, n_patients, score="of the hip")
    mean = group_means(hips, value="exposure", by=(), cluster="patient_id", unit="deg").iloc[0]
    share = share_inside(hips, value="exposure", lower=-1.0, upper=1.0, by=(), cluster="patient_id").iloc[0]
    naive = stats.t.interval(0.95, len(hips) - 1, hips["exposure"].mean(), stats.sem(hips["exposure"]))
    inside = stats.norm.cdf(1) - stats.norm.cdf(-1)
    wilson = stats.binomtest(int(hips["exposure"].between(-1, 1).sum()), len(hips)).proportion_ci(
        method="wilson"
    )
    return {
        "mean, CR2": holds(mean["ci_low"], mean["ci_high"], 0.0),
        "mean, naive": holds(*naive, 0.0),
        "share, clustered Wilson": holds(share["ci_low"], share["ci_high"], inside),
        "share, naive Wilson": holds(wilson.low, wilson.high, inside),
    }


def agreement_once(rng: np.random.Generator, n_patients: int, seed: int) -> dict[str, bool]:
    """One reader study: every hip read by two readers on two films, errors alike within a patient."""
    of_hip = np.repeat(np.arange(n_patients), 1 + (rng.random(n_patients) < TWO_HIPS_SHARE))
    of_image = np.repeat(of_hip, 2)
    spread, error, shift = 6.0, 1.5, 0.5
    true = spread * pairs_of(rng, of_image, n_patients, 0.5)
    first, second = (true + error * pairs_of(rng, of_image, n_patients, WITHIN_PATIENT) for _ in range(2))
    wide = pd.DataFrame(
        {"film": np.arange(of_image.size), "patient_id": of_image, "a": first, "b": second + shift}
    )
    long = wide.melt(id_vars=["film", "patient_id"], value_vars=["a", "b"])
    who = {"subject": "film", "rater": "variable", "value": "value", "cluster": "patient_id"}
    sd = np.sqrt(2) * error
    truth = {
        "bias": -shift,
        "lower": -shift - 1.96 * sd,
        "upper": -shift + 1.96 * sd,
        "ICC(3,1)": spread**2 / (spread**2 + error**2),
        "change": 1.96 * sd,
    }
    result = {}
    for name, drawn in (("drawn patients", True), ("naive", False)):
        limits = limits_of_agreement(
            wide,
            first="a",
            second="b",
            interval="cluster bootstrap" if drawn else "exact",
            cluster="patient_id",
            seed=seed,
        ).iloc[0]
        for measure in ("bias", "lower", "upper"):
            bounds = limits[f"{measure}_ci_low"], limits[f"{measure}_ci_high"]
            result[f"{measure}, {name}"] = holds(*bounds, truth[measure])
        forms = intraclass_correlation(
            long, **who, interval="cluster bootstrap" if drawn else "F", seed=seed
        ).iloc[2]
        result[f"ICC(3,1), {name}"] = holds(forms["ci_low"], forms["ci_high"], truth["ICC(3,1)"])
        change = smallest_detectable_change(
            long, **who, interval="cluster bootstrap" if drawn else "chi-square", seed=seed
        ).iloc[2]
        result[f"change, {name}"] = holds(change["ci_low"], change["ci_high"], truth["change"])
    return result


def main(repeats: int) -> None:
    """Print the share of cohorts whose interval holds the truth, in percent; a fifth for drawn intervals."""
    fifth = repeats // 5
    for kind, count in (("closed", repeats), ("drawn", fifth)):
        error = 100 * np.sqrt(0.05 * 0.95 / count)
        print(f"{kind} intervals: {count} cohorts each, standard error {error:.1f} points")
    for n_patients in (20, 40, 60):
        rng = np.random.default_rng(n_patients)
        runs = {
            f"score {score}": [slope_once(rng, n_patients, score) for _ in range(repeats)]
            for score in ("of the hip", "of the patient", "unrelated")
        }
        runs["groups"] = [describe_once(rng, n_patients) for _ in range(repeats)]
        runs["readers"] = [agreement_once(rng, n_patients, seed) for seed in range(fifth)]
        for score in ("of the patient", "unrelated"):
            runs[f"ranks, score {score}"] = [rank_once(rng, n_patients, score, s) for s in range(fifth)]
        for name, held in runs.items():
            for interval, share in pd.DataFrame(held).mean().items():
                print(f"{n_patients} patients  {name:28} {interval:26} {100 * share:5.1f}", flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1000)

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from cohortlib.errors import StudyError
from cohortlib.stats.agreement import smallest_detectable_change
from cohortlib.stats.precision import (
    least_significant_change,
    pooled_precision,
    precision_error,
    precision_homogeneity,
    published_precision,
)

# Invented worked set of five duplicate scans [g/cm2], computed with a calculator; no source.
DUPLICATES = [(0.842, 0.851), (1.013, 1.002), (0.765, 0.771), (0.910, 0.898), (1.120, 1.131)]


def repeats(values, zone="1"):
    """Rows hip_id, zone, bmd: one tuple of repeats a hip."""
    rows = [(f"H{hip}", zone, value) for hip, scans in enumerate(values) for value in scans]
    return pd.DataFrame(rows, columns=["hip_id", "zone", "bmd"])


def of_zones(table, **options):
    return precision_error(table, value="bmd", unit="hip_id", by=["zone"], **options)


def simulated(rng, *, sd, hips=30, scans=2, zone="1", bone=None):
    bone = rng.normal(1.2, 0.2, hips) if bone is None else bone
    return repeats(bone[:, None] + rng.normal(0, sd, (hips, scans)), zone)


# by hand --------------------------------------------------------------------------------------------------


def test_the_root_mean_square_not_the_mean():
    row = of_zones(repeats(DUPLICATES)).iloc[0]
    assert row["rms_sd"] == pytest.approx(0.007092, abs=5e-7)
    assert row["rms_cv_percent"] == pytest.approx(0.752, abs=5e-4)
    assert (row["df"], row["n"], row["origin"]) == (5, 5, "own repeats")
    mean_sd = np.mean([abs(a - b) / np.sqrt(2) for a, b in DUPLICATES])
    assert mean_sd == pytest.approx(0.006930, abs=5e-7)


def test_units_with_more_repeats_weigh_more_and_single_ones_are_counted():
    row = of_zones(repeats([(1.0, 1.0), (1.0, 1.1, 1.2), (2.0, 2.0), (1.5,), (1.6, np.nan)])).iloc[0]
    assert row["rms_sd"] == pytest.approx(np.sqrt(2 * 0.01 / 4))
    assert (row["df"], row["n"], row["n_left_out"]) == (4, 3, 2)
    assert "2 units left out: examined once" in row["note"]


def test_repeats_of_two_visits_do_not_make_a_change_an_error():
    before, after = (
        repeats([(1.0, 1.02), (1.1, 1.1), (0.9, 0.9)]),
        repeats([(0.8, 0.82), (0.9, 0.9), (0.7, 0.7)]),
    )
    table = pd.concat([before.assign(visit_id="early"), after.assign(visit_id="late")])
    row = precision_error(table, value="bmd", unit=["hip_id", "visit_id"], by=["zone"]).iloc[0]
    assert row["rms_sd"] == pytest.approx(np.sqrt(2 * 0.0002 / 6))


def test_scans_averaged_on_both_sides():
    precision = published_precision(0.015, source="invented")
    single = least_significant_change(precision)["lsc"].item()
    assert least_significant_change(precision, scans=(4, 4))["lsc"].item() == pytest.approx(single / 2)


# by reference ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("scans", "confidence", "limit"),
    [
        # Precision error 0.015 g/cm2: ISCD's worked values as printed in the shared tables of the trade
        # (0.0415 is 2.77 times, a rounded 1.96·√2 = 2.772).
        ((1, 1), 0.95, 0.0416),
        ((1, 1), 0.80, 0.0272),
        ((2, 2), 0.95, 0.0294),
    ],
)
def test_published_limits(scans, confidence, limit):
    precision = published_precision(0.015, source="ISCD")
    found = least_significant_change(precision, scans=scans, confidence=confidence)
    assert found["lsc"].item() == pytest.approx(limit, abs=5e-5)


def test_the_limit_of_the_worked_set():
    found = least_significant_change(of_zones(repeats(DUPLICATES)))["lsc"].item()
    assert found == pytest.approx(0.01966, abs=5e-6)


def test_upper_limit_of_few_degrees_of_freedom():
    # Glüer CC et al., Osteoporos Int 1995;5:262-70: 27 degrees of freedom, upper 90 % limit 30 % up.
    row = published_precision(1.0, source="Glüer 1995", df=27).iloc[0]
    assert np.sqrt(27 / stats.chi2.ppf(0.05, 27)) == pytest.approx(1.293, abs=5e-4)
    assert row["ci_high"] == pytest.approx(np.sqrt(27 / stats.chi2.ppf(0.025, 27)))
    thirty = published_precision(1.0, source="ISCD: 30 degrees of freedom", df=30).iloc[0]
    assert (thirty["ci_low"], thirty["ci_high"]) == pytest.approx((0.799, 1.337), abs=5e-4)


def test_bartlett_as_scipy_has_it():
    rng = np.random.default_rng(4)
    samples = [rng.normal(0, sd, n) for sd, n in ((0.02, 12), (0.03, 31), (0.05, 9))]
    precision = of_zones(pd.concat([repeats(DUPLICATES, zone) for zone in "127"])).assign(
        rms_sd=[one.std(ddof=1) for one in samples], df=[len(one) - 1.0 for one in samples]
    )
    found = precision_homogeneity(precision, over=["zone"]).iloc[0]
    assert tuple(found[["statistic", "p_value"]]) == pytest.approx(tuple(stats.bartlett(*samples)))
    assert found["largest_ratio"] == pytest.approx(precision["rms_sd"].max() / precision["rms_sd"].min())


def test_the_same_as_the_measurement_error_of_repeats():
    table = repeats(DUPLICATES).assign(scan=[1, 2] * 5)
    other = smallest_detectable_change(table, subject="hip_id", rater="scan", value="bmd").iloc[0]
    row = least_significant_change(of_zones(table)).iloc[0]
    assert (row["rms_sd"], row["ci_low"], row["ci_high"]) == pytest.approx(
        (other["sem"], other["sem_ci_low"], other["sem_ci_high"])
    )
    assert row["lsc"] == pytest.approx(other["estimate"], rel=1e-4)


# by law ---------------------------------------------------------------------------------------------------

SCANS = st.lists(st.tuples(st.floats(0.3, 2.5), st.floats(0.3, 2.5)), min_size=3, max_size=12)


@settings(max_examples=40, deadline=None)
@given(SCANS, st.floats(0.1, 10))
def test_it_has_the_unit_of_the_values(scans, factor):
    once = of_zones(repeats(scans)).iloc[0]
    scaled = of_zones(repeats(np.array(scans) * factor)).iloc[0]
    assert scaled["rms_sd"] == pytest.approx(once["rms_sd"] * factor, abs=1e-9)
    assert scaled["rms_cv_percent"] == pytest.approx(once["rms_cv_percent"], abs=1e-6)


@settings(max_examples=40, deadline=None)
@given(SCANS, st.floats(-0.2, 5))
def test_bone_itself_does_not_matter(scans, denser):
    once = of_zones(repeats(scans))["rms_sd"].item()
    assert of_zones(repeats(np.array(scans) + denser))["rms_sd"].item() == pytest.approx(once, abs=1e-9)


# by recovery ----------------------------------------------------------------------------------------------


def test_the_interval_holds_the_true_error():
    rng = np.random.default_rng(11)
    rows = pd.concat([of_zones(simulated(rng, sd=0.03)) for _ in range(400)])
    covered = ((rows["ci_low"] <= 0.03) & (rows["ci_high"] >= 0.03)).mean()
    assert 0.92 <= covered <= 0.98
    assert np.sqrt((rows["rms_sd"] ** 2).mean()) == pytest.approx(0.03, rel=0.02)


def test_like_zones_are_pooled_and_unlike_ones_are_not():
    rng = np.random.default_rng(5)
    alike = of_zones(pd.concat([simulated(rng, sd=0.03, zone=zone) for zone in "123"]))
    pooled = pooled_precision(alike, over=["zone"]).iloc[0]
    assert (pooled["zone"], pooled["df"]) == ("all", 90)
    assert pooled["rms_sd"] == pytest.approx(np.sqrt((alike["rms_sd"] ** 2).mean()))
    assert "Bartlett p" in pooled["note"]
    unlike = of_zones(
        pd.concat([simulated(rng, sd=sd, zone=zone) for zone, sd in (("1", 0.02), ("7", 0.08))])
    )
    apart = pooled_precision(unlike, over=["zone"])
    assert apart["zone"].tolist() == ["1", "7"]
    assert apart["note"].str.contains("not pooled: Bartlett p").all()


# by failure -----------------------------------------------------------------------------------------------


def test_few_units_give_no_number_but_a_reason():
    row = of_zones(repeats(DUPLICATES[:2])).iloc[0]
    assert np.isnan(row["rms_sd"])
    assert row["note"] == "no estimate from 2 units with repeats"


def test_copied_scans_are_noticed():
    assert "copied" in of_zones(repeats([(1.0, 1.0)] * 4))["note"].item()


def of_duplicates(unit, by):
    return precision_error(repeats(DUPLICATES), value="bmd", unit=unit, by=by)


def limit_of(**options):
    return least_significant_change(published_precision(0.03, source="x"), **options)


def borrowed_pooled():
    return pooled_precision(published_precision(0.03, source="x", of={"zone": ["1", "2"]}), over=["zone"])


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: of_duplicates("hip", ["zone"]), "hip: found no such column"),
        (lambda: of_duplicates("hip_id", ["hip_id"]), "both unit and by"),
        (lambda: of_duplicates("hip_id", "zone"), "list of column names"),
        (lambda: published_precision(0.03, source=" "), "no source"),
        (lambda: published_precision(0.0, source="x"), "above zero"),
        (lambda: limit_of(confidence=95), "Write 0.95"),
        (lambda: limit_of(scans=(0, 1)), "Count the scans"),
        (borrowed_pooled, "own repeats"),
    ],
)
def test_refused_in_words(call, message):
    with pytest.raises(StudyError, match=message):
        call()

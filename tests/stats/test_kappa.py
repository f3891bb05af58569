import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from stats_reference import expected, reference
from statsmodels.stats.inter_rater import cohens_kappa, fleiss_kappa

from cohortlib.errors import StudyError
from cohortlib.stats.agreement import kappa
from cohortlib.stats.agreement.coefficients import coefficients, influence, parts_of_agreement
from cohortlib.stats.agreement.weights import agreement_weights

NAMES = {"subject": "subject", "rater": "rater", "value": "value"}
OWN_DISAGREEMENTS = [[0, 1, 3], [1, 0, 6], [3, 6, 0]]


def long_table(grades, patients=None):
    """Subjects × raters as one row a reading."""
    grades = np.asarray(grades, dtype=object)
    n, k = grades.shape
    patients = np.arange(n) if patients is None else np.asarray(patients)
    return pd.DataFrame(
        {
            "subject": np.repeat(np.arange(n), k),
            "rater": np.tile(np.arange(k), n),
            "value": grades.ravel(),
            "patient_id": np.repeat(patients, k),
        }
    )


def square(name):
    """The readings behind a published table of two raters."""
    cells = reference("two_raters")
    cells = cells[cells["example"] == name]
    pairs = [(row.first, row.second) for row in cells.itertuples() for _ in range(row.count)]
    return np.array(pairs), int(cells["first"].max()) + 1


def fleiss_1971(patients=30):
    """Which psychiatrist said what is not told: the places are filled in any order."""
    counts = reference("fleiss_1971").iloc[:patients].drop(columns=["patient", "source"])
    return np.array([np.repeat(counts.columns, row) for row in counts.to_numpy(dtype=int)])


def measured(table, **options):
    return kappa(table, **NAMES, **options).set_index(["measure", "category"])


def of(table, measure, column="estimate", category="", **options):
    return measured(table, **options).loc[(measure, category), column]


# by hand --------------------------------------------------------------------------------------------------


def test_two_readers_two_grades():
    # 20 and 15 of 50 agree: 0.7. By chance 0.5 · 0.6 + 0.5 · 0.4 = 0.5. Prevalence (25 + 30) / 100.
    found = measured(long_table(square("two_by_two")[0]))["estimate"]
    assert found["observed agreement", ""] == pytest.approx(0.7)
    assert found["expected agreement", ""] == pytest.approx(0.5)
    assert found["kappa", ""] == pytest.approx(0.4)
    assert found["PABAK", ""] == pytest.approx(0.4)  # 2 · 0.7 − 1
    assert found["prevalence", "0"] == pytest.approx(0.55)
    # AC1: by chance 2 · 0.55 · 0.45 = 0.495.
    assert found["Gwet AC", ""] == pytest.approx((0.7 - 0.495) / 0.505)


def test_a_rare_grade_pulls_kappa_down_and_the_others_not():
    # 95 of 100 agree on "none", none on "line": kappa below zero, the others above 0.8.
    table = long_table([["none", "none"]] * 95 + [["none", "line"]] * 3 + [["line", "none"]] * 2)
    found = measured(table)
    assert found.loc[("kappa", ""), "estimate"] < 0
    assert found.loc[("Gwet AC", ""), "estimate"] > 0.9
    assert found.loc[("PABAK", ""), "estimate"] == pytest.approx(0.9)
    assert "98% of readings are 'none'" in found["note"].iloc[0]


def test_a_near_miss_counts_in_part():
    # Three of four agree, one is a step of two apart: 3/4 + 1/2 · 1/4 = 0.875 linear, + 3/4 · 1/4 quadratic.
    table = long_table([[0, 0], [1, 1], [2, 2], [0, 1]])
    for weights, agreed in (("linear", 0.875), ("quadratic", 0.9375)):
        assert of(table, "observed agreement", categories=range(3), weights=weights) == agreed


def test_readers_who_agree_wholly_have_no_interval():
    found = measured(long_table([[0, 0], [1, 1], [0, 0], [1, 1]]))
    assert found.loc[("kappa", ""), "estimate"] == 1
    assert found["ci_low"].loc["kappa"].isna().all()
    assert "never differ" in found["note"].iloc[0]


def test_one_grade_only():
    found = measured(long_table([[0, 0]] * 5), categories=[0, 1])
    assert np.isnan(found.loc[("kappa", ""), "estimate"])
    assert found.loc[("Gwet AC", ""), "estimate"] == 1
    assert "no kappa: every reading is 0" in found["note"].iloc[0]
    undeclared = measured(long_table([[0, 0]] * 5))
    assert undeclared["estimate"].isna().all()
    assert "declare the categories" in undeclared["note"].iloc[0]


def test_a_subject_that_one_reader_left_out_is_counted():
    table = long_table([[0, 0], [1, 1], [0, 1], [1, None]])
    found = measured(table)
    assert found["n_subjects"].unique().tolist() == [3]
    assert found["n_left_out"].unique().tolist() == [1]
    assert "1 subject left out" in found["note"].iloc[0]


@pytest.mark.parametrize("grades", [[[0, 0], [1, 1]], [[0], [1], [0]], np.empty((0, 2))])
def test_too_few_give_no_number(grades):
    found = measured(long_table(grades), categories=[0, 1])
    assert found["estimate"].isna().all()
    assert "no estimate" in found["note"].iloc[0]


def test_every_row_says_what_it_means_and_how_it_was_made():
    found = measured(long_table(square("abstractors")[0]), categories=range(3), weights="linear")
    assert found["meaning"].str.len().min() > 20
    assert found.loc[("kappa", ""), "method"].startswith("Cohen's kappa, linear weights")
    many = measured(long_table(fleiss_1971()))
    assert many.loc[("kappa", ""), "method"].startswith("Fleiss' kappa;")


# by reference ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("example", ["cohen_1968", "two_by_two", "sexual_fun", "abstractors"])
def test_published_tables_of_two_raters(example):
    pairs, n_categories = square(example)
    named = {"unweighted": None, "linear": "linear", "quadratic": "quadratic"}
    for weights, quantity, value, tolerance in expected(example):
        chosen = named.get(weights, OWN_DISAGREEMENTS)
        found = measured(long_table(pairs), categories=range(n_categories), weights=chosen)
        measure, column = "kappa", "estimate"
        for ending in ("standard_error", "ci_low", "ci_high"):
            if quantity.endswith(ending):
                measure, column = quantity.removesuffix(ending).strip() or "kappa", ending
                break
        else:
            measure = quantity
        assert found.loc[(measure, ""), column] == pytest.approx(value, abs=tolerance), (weights, quantity)


def test_fleiss_1971():
    found = measured(long_table(fleiss_1971()))
    for category, quantity, value, tolerance in expected("fleiss_1971"):
        if quantity in ("null_standard_error", "z"):
            assert found.loc[("kappa", ""), quantity] == pytest.approx(value, abs=tolerance)
        else:
            row = (quantity, "" if category == "all" else category)
            assert found.loc[row, "estimate"] == pytest.approx(value, abs=tolerance), row
    # The published error holds for no agreement at all: that of the agreement found is twice as large.
    errors = found.loc[("kappa", ""), ["standard_error", "null_standard_error"]]
    assert errors["standard_error"] > 2 * errors["null_standard_error"]


def test_standard_errors_of_many_raters():
    found = measured(long_table(fleiss_1971(15)))
    for _, quantity, value, tolerance in expected("fleiss_1971_first_15"):
        measure, column = quantity.removesuffix(" standard_error"), "estimate"
        if measure != quantity:
            column = "standard_error"
        assert found.loc[(measure, ""), column] == pytest.approx(value, abs=tolerance), quantity


@pytest.mark.parametrize("weights", [None, "linear", "quadratic"])
def test_statsmodels_agrees_on_two_raters(weights):
    pairs, k = square("sexual_fun")
    table = pd.crosstab(pairs[:, 0], pairs[:, 1]).to_numpy()
    library = cohens_kappa(table, wt=weights)
    found = measured(long_table(pairs), categories=range(k), weights=weights).loc[("kappa", "")]
    assert found["estimate"] == pytest.approx(library.kappa, rel=1e-12)
    assert found["standard_error"] == pytest.approx(library.std_kappa, rel=1e-9)
    assert found["null_standard_error"] == pytest.approx(library.std_kappa0, rel=1e-9)


def test_statsmodels_agrees_on_many_raters():
    counts = reference("fleiss_1971").drop(columns=["patient", "source"]).to_numpy(dtype=int)
    assert of(long_table(fleiss_1971()), "kappa") == pytest.approx(fleiss_kappa(counts), rel=1e-12)


def test_interval_of_two_raters_is_by_t():
    found = measured(long_table(square("abstractors")[0])).loc[("kappa", "")]
    reach = stats.t.ppf(0.975, 99) * found["standard_error"]
    assert found["ci_high"] == pytest.approx(found["estimate"] + reach)


# by law ---------------------------------------------------------------------------------------------------

grades = st.lists(st.tuples(*[st.integers(0, 2)] * 2), min_size=4, max_size=20).filter(
    lambda rows: len({grade for row in rows for grade in row}) > 1
)


@settings(max_examples=40, deadline=None)
@given(grades, st.randoms(use_true_random=False))
def test_names_and_order_of_rows_do_not_matter(rows, random):
    table = long_table(rows)
    words = {0: "none", 1: "incomplete", 2: "complete"}
    renamed = table.assign(value=table["value"].map(words)).sample(frac=1, random_state=random.randrange(99))
    one = measured(table, categories=range(3), weights="linear")["estimate"].to_numpy()
    other = measured(renamed, categories=list(words.values()), weights="linear")["estimate"].to_numpy()
    assert other == pytest.approx(one, nan_ok=True, abs=1e-9)


@settings(max_examples=40, deadline=None)
@given(grades)
def test_exchanging_readers_and_turning_the_scale_round_change_nothing(rows):
    kwargs = {"categories": range(3), "weights": "quadratic"}
    one = measured(long_table(rows), **kwargs)["estimate"].loc["kappa"].iloc[0]
    exchanged = measured(long_table([row[::-1] for row in rows]), **kwargs)["estimate"].loc["kappa"].iloc[0]
    turned = [[2 - grade for grade in row] for row in rows]
    assert exchanged == pytest.approx(one, nan_ok=True)
    assert measured(long_table(turned), **kwargs)["estimate"].loc["kappa"].iloc[0] == pytest.approx(
        one, nan_ok=True
    )


@settings(max_examples=40, deadline=None)
@given(grades)
def test_coefficients_stay_in_their_ranges_and_shares_add_up(rows):
    found = measured(long_table(rows), categories=range(3))
    assert not (found["estimate"] > 1 + 1e-12).any()
    assert not (found["estimate"] < -1 - 1e-12).any()
    assert found["estimate"].loc["prevalence"].sum() == pytest.approx(1)
    bounds = found[["ci_low", "estimate", "ci_high"]].dropna()
    assert (bounds["ci_low"] <= bounds["estimate"] + 1e-12).all()
    assert (bounds["estimate"] <= bounds["ci_high"] + 1e-12).all()


@settings(max_examples=20, deadline=None)
@given(grades)
def test_two_categories_make_every_weight_the_same(rows):
    table = long_table([[min(grade, 1) for grade in row] for row in rows])
    found = [
        measured(table, categories=[0, 1], weights=weights)["estimate"].to_numpy()
        for weights in (None, "linear", "quadratic", [[0, 7], [7, 0]])
    ]
    for other in found[1:]:
        assert other == pytest.approx(found[0], nan_ok=True)


def test_the_influence_is_the_slope_of_the_coefficients():
    # Against differences: one subject weighs a little more.
    rng = np.random.default_rng(3)
    weights, _ = agreement_weights("linear", 3)
    parts = parts_of_agreement(rng.integers(0, 3, (12, 2)), weights)
    whole = coefficients(parts.sum(axis=0, keepdims=True), weights)[0]
    step = 1e-6
    for subject in (0, 5):
        heavier = coefficients((parts.sum(axis=0) + step * parts[subject])[None], weights)[0]
        slope = (heavier - whole) / step * len(parts)
        assert influence(parts, weights)[subject] == pytest.approx(slope, abs=1e-4)


def test_hips_fully_alike_count_once():
    # Every patient graded twice over: the interval is that of the patients.
    pairs = square("sexual_fun")[0][:40]
    alone = measured(long_table(pairs), categories=range(4), cluster="patient_id")
    twice = measured(
        long_table(np.repeat(pairs, 2, axis=0), np.repeat(np.arange(40), 2)),
        categories=range(4),
        cluster="patient_id",
    )
    ratio = twice.loc[("kappa", ""), "standard_error"] / alone.loc[("kappa", ""), "standard_error"]
    assert ratio == pytest.approx(np.sqrt(40 / 39))
    assert "summed by patient" in twice["method"].iloc[0]
    assert "summed by patient" not in alone["method"].iloc[0]


# by recovery ----------------------------------------------------------------------------------------------


def _cohort(rng, patients, noise=0.6):
    """Two readers, three grades; four of ten patients with two hips that are alike."""
    owner = np.repeat(np.arange(patients), 1 + (rng.random(patients) < 0.4))
    truth = np.sqrt(0.6) * rng.normal(size=patients)[owner] + np.sqrt(0.4) * rng.normal(size=len(owner))
    habit = np.sqrt(0.5) * rng.normal(size=(patients, 2))[owner]
    seen = truth[:, None] + noise * (habit + np.sqrt(0.5) * rng.normal(size=(len(owner), 2)))
    return owner, np.searchsorted([0.2, 1.0], seen)


def test_the_true_value_is_held_in_95_of_100_cohorts():
    weights, _ = agreement_weights("linear", 3)
    _, many = _cohort(np.random.default_rng(1), 200_000)
    truth = coefficients(parts_of_agreement(many, weights).sum(axis=0, keepdims=True), weights)[0, :3]
    rng, held, cohorts = np.random.default_rng(2), np.zeros(3), 120
    for _ in range(cohorts):
        owner, found = _cohort(rng, 40)
        rows = kappa(
            long_table(found, owner), **NAMES, categories=range(3), weights="linear", cluster="patient_id"
        ).iloc[:3]
        held += ((rows["ci_low"] <= truth) & (truth <= rows["ci_high"])).to_numpy()
    assert (held / cohorts >= 0.9).all()
    assert (held / cohorts <= 0.99).all()


def test_drawing_patients_gives_much_the_same_interval():
    owner, found = _cohort(np.random.default_rng(5), 60)
    options = {"categories": range(3), "weights": "linear", "cluster": "patient_id"}
    by_sums = measured(long_table(found, owner), **options).loc[("kappa", "")]
    drawn = measured(long_table(found, owner), **options, interval="cluster bootstrap", seed=1)
    again = measured(long_table(found, owner), **options, interval="cluster bootstrap", seed=1)
    pd.testing.assert_frame_equal(drawn, again)
    row = drawn.loc[("kappa", "")]
    assert row["estimate"] == by_sums["estimate"]
    assert row["ci_low"] == pytest.approx(by_sums["ci_low"], abs=0.06)
    assert row["ci_high"] == pytest.approx(by_sums["ci_high"], abs=0.06)
    assert row["n_clusters"] == 60
    assert "bootstrap of patients" in row["method"]


def test_few_patients_are_said():
    table = long_table(square("sexual_fun")[0][::8])
    assert "fewer than 20 patients" in measured(table)["note"].iloc[0]


# by failure -----------------------------------------------------------------------------------------------

ASYMMETRIC, LARGE = [[0, 1], [2, 0]], [[0] * 3] * 3


@pytest.mark.parametrize(
    ("change", "options", "match"),
    [
        ({}, {"subject": "film"}, "film: found no such column"),
        ({}, {"value": "grade"}, "grade: found no such column"),
        ({"rater": 1}, {}, "subject, rater: found 0, 1"),
        ({"patient_id": range(6)}, {"cluster": "patient_id"}, "every subject to belong to one patient_id"),
        ({}, {"weights": "linear"}, "found no order of the categories"),
        ({}, {"categories": [1, 2]}, r"value: found 0.* Expected one of the declared categories: 1, 2"),
        ({}, {"categories": "01"}, "a list of at least two categories"),
        ({}, {"categories": [0, 0, 1]}, "at least two categories, each once"),
        ({}, {"categories": [0]}, "at least two categories, each once"),
        ({}, {"weights": "cubic", "categories": [0, 1]}, "one of None, 'linear', 'quadratic'"),
        ({}, {"weights": ASYMMETRIC, "categories": [0, 1]}, "depends on who is named first"),
        ({}, {"weights": LARGE, "categories": [0, 1]}, r"matrix of shape \(3, 3\)"),
        ({}, {"weights": [[0, -1], [-1, 0]], "categories": [0, 1]}, "below zero"),
        ({}, {"weights": [[0, 0], [0, 0]], "categories": [0, 1]}, "zero everywhere"),
        ({}, {"weights": [[1, 1], [1, 0]], "categories": [0, 1]}, "a category with itself"),
        ({}, {"weights": [["a", "b"], ["c", "d"]], "categories": [0, 1]}, "no matrix of numbers"),
        ({}, {"interval": "Wald"}, "one of 'analytic', 'cluster bootstrap'"),
        ({}, {"interval": "cluster bootstrap"}, "cluster, seed"),
    ],
)
def test_wrong_input(change, options, match):
    table = long_table([[0, 1], [1, 1], [0, 0]]).assign(**change)
    with pytest.raises(StudyError, match=match):
        kappa(table, **{**NAMES, **options})


def test_every_unknown_grade_is_named_at_once():
    table = long_table([["none", "slight"], ["none", "some"], ["none", "some"]])
    with pytest.raises(StudyError) as caught:
        kappa(table, **NAMES, categories=["none", "complete"])
    assert caught.value.problems["found"].tolist() == ["slight", "some"]
    assert caught.value.problems["count"].tolist() == [1, 2]

import numpy as np
import pandas as pd
import pytest
from bone_rows import scan_rows
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from cohortlib.errors import StudyError
from cohortlib.stats.change import change_from_baseline, flagged_hips, significant_changes
from cohortlib.stats.precision import precision_error, published_precision

HOW = {"value": "bmd", "by": ["zone"], "baseline": "week_1", "device": ["scanner"]}
BORROWED = published_precision(0.03, source="invented")


def changes(table, **options):
    return change_from_baseline(table, **(HOW | options))


def one_calibration(**change):
    row = {"from_scanner": "B", "to_scanner": "A", "slope": 1.1, "offset": -0.02, "source": "phantom, 2030"}
    return pd.DataFrame([row | change])


# by hand --------------------------------------------------------------------------------------------------


def test_change_and_percent_of_the_own_baseline():
    found = changes(scan_rows([(0.952, 0.905)]))
    assert found["status"].tolist() == ["baseline", "compared"]
    row = found.iloc[1]
    assert (row["change"], row["percent"]) == pytest.approx((-0.047, -4.94), abs=5e-3)
    assert (row["baseline_days"], row["days_from_baseline"]) == (5, 175)


def test_mean_of_percentages_is_not_the_percentage_of_means():
    found = changes(scan_rows([(1.0, 0.8), (1.1, 1.2)]))
    compared = found[found["status"] == "compared"]
    assert compared["percent"].mean() == pytest.approx(-5.45, abs=5e-3)
    assert 100 * compared["change"].sum() / compared["baseline_value"].sum() == pytest.approx(-4.76, abs=5e-3)


def test_repeats_are_averaged_and_counted():
    table = scan_rows([(1.0, 0.9)])
    twice = pd.concat([table, table[table["visit_id"] == "month_6"].assign(bmd=0.8)])
    row = changes(twice).iloc[1]
    assert (row["value"], row["n_scans"], row["baseline_scans"]) == (pytest.approx(0.85), 2, 1)


def test_a_late_first_scan_is_never_a_baseline():
    table = scan_rows([(1.0, 0.9, 0.8)])
    found = changes(table[table["visit_id"] != "week_1"], baseline="month_6").assign()
    assert found["status"].tolist() == ["baseline", "compared"]
    with_other = pd.concat([table[table["visit_id"] != "week_1"], scan_rows([(1, 1), (1, 1)]).iloc[2:]])
    late = changes(with_other)
    mine = late[late["hip_id"] == "H0"]
    assert mine["status"].tolist() == ["no baseline", "no baseline"]
    assert mine["reason"].tolist() == ["first examination at month_6"] * 2
    assert mine[["change", "percent", "baseline_value"]].isna().all(axis=None)


def test_a_baseline_outside_its_window_is_none():
    table = scan_rows([(1.0, 0.9)])
    table.loc[table["visit_id"] == "week_1", ["days", "in_window"]] = (60, False)
    found = changes(table)
    assert found["status"].tolist() == ["baseline outside window"] * 2
    assert found["reason"].iloc[1] == "first examination 60 days after the operation"


def test_scans_before_the_operation_and_empty_ones_stay_and_say_so():
    table = scan_rows([(1.0, 0.9, np.nan)])
    before = table.iloc[[0]].assign(visit_id="before", days=-20)
    found = changes(pd.concat([before, table]))
    assert found["status"].tolist() == ["before baseline", "baseline", "compared", "no value"]


def test_another_scanner_is_not_compared_until_it_is_calibrated():
    table = scan_rows([(1.0, 0.9, 0.95)])
    table.loc[table["visit_id"] == "month_12", "scanner"] = "B"
    found = changes(table)
    assert found["status"].tolist() == ["baseline", "compared", "device changed"]
    assert found["reason"].iloc[2] == "A → B"
    row = changes(table, calibrations=one_calibration()).iloc[2]
    assert row["change"] == pytest.approx(1.1 * 0.95 - 0.02 - 1.0)
    assert (row["status"], row["reason"]) == ("compared", "calibrated (phantom, 2030)")


def test_a_flag_needs_the_limit():
    found = changes(scan_rows([(1.0, 0.93), (1.0, 0.92), (1.0, 1.09)], zone="7"))
    flags = significant_changes(found, BORROWED)
    limit = stats.norm.ppf(0.975) * 0.03 * np.sqrt(2)
    compared = flags[flags["status"] == "compared"]
    assert compared["limit"].tolist() == pytest.approx([limit] * 3)
    assert compared["flag"].tolist() == ["", "", "gain"]
    assert compared["precision_note"].tolist() == ["borrowed precision: invented"] * 3


def test_more_zones_need_more_change():
    rows = pd.concat([scan_rows([(1.0, 0.9)], zone=str(zone)) for zone in range(1, 8)])
    flags = significant_changes(changes(rows), BORROWED)
    each = 0.95 ** (1 / 7)
    compared = flags[flags["status"] == "compared"]
    assert compared["limit"].to_numpy() == pytest.approx(stats.norm.ppf((1 + each) / 2) * 0.03 * np.sqrt(2))
    alone = significant_changes(changes(rows), BORROWED, corrected=False)
    assert alone["limit"].max() == pytest.approx(1.96 * 0.03 * np.sqrt(2), rel=1e-4)
    hips = flagged_hips(alone)
    assert hips.loc[0, ["n_zones", "n_loss"]].tolist() == [7, 7]


def test_what_was_examined_otherwise_is_examined_again():
    found = changes(scan_rows([(1.0, 0.6), (1.0, 0.6)]))
    found["technique"] = found["hip_id"].map({"H0": "foot turned 20°", "H1": ""})
    flags = significant_changes(found, BORROWED, technique="technique")
    assert flags.loc[flags["status"] == "compared", "flag"].tolist() == ["examine again", "loss"]
    hips = flagged_hips(flags)
    assert hips[["n_loss", "n_again"]].to_numpy().tolist() == [[0, 1], [1, 0]]


def test_the_greatest_loss_comes_first():
    found = changes(scan_rows([(1.0, 0.95), (1.0, 0.6), (1.0, 1.3), (1.0, 0.8)]))
    hips = flagged_hips(significant_changes(found, BORROWED))
    assert hips["hip_id"].tolist() == ["H1", "H3", "H0", "H2"]
    assert hips["zones"].tolist() == ["7 (loss)", "7 (loss)", "", "7 (gain)"]


def test_a_patient_can_be_judged_as_a_whole():
    """Two hips, three visits: five per cent a hip and visit is more than five per cent a patient."""
    table = scan_rows([(1.0, 0.9, 0.9, 0.9), (1.0, 0.9, 0.9, 0.9)]).assign(patient_id="P0")
    each = significant_changes(changes(table), BORROWED)
    whole = significant_changes(changes(table), BORROWED, together=["patient_id"])
    assert each["n_zones"].max() == 1
    assert whole["n_zones"].eq(6).all()
    quantile = stats.norm.ppf((1 + 0.95 ** (1 / 6)) / 2)
    assert whole["limit"].max() == pytest.approx(quantile * 0.03 * np.sqrt(2))
    assert (each["flag"].dropna() == "loss").all()
    assert (whole["flag"].dropna() == "").all()


def test_zones_of_several_systems_are_named_with_their_system():
    table = pd.concat(
        [scan_rows([(1.0, 0.7)], zone_system="stem_7"), scan_rows([(1.0, 0.8)], zone_system="neck_6")]
    )
    flags = significant_changes(changes(table, by=["zone_system", "zone"]), BORROWED)
    assert flagged_hips(flags)["zones"].tolist() == ["neck_6 7 (loss), stem_7 7 (loss)"]
    assert flagged_hips(flags)["worst_zone"].tolist() == ["stem_7 7"]


def test_a_loss_of_the_other_hip_is_no_loss_of_this_one():
    sides = [
        scan_rows([(1.0, value)], measured_side=side) for side, value in (("operated", 1), ("other", 0.5))
    ]
    flags = significant_changes(changes(pd.concat(sides), by=["measured_side", "zone"]), BORROWED)
    with pytest.raises(StudyError, match="no loss of this one"):
        flagged_hips(flags)
    found = flagged_hips(flags, by=["hip_id", "visit_id", "measured_side"]).set_index("measured_side")
    assert found["n_loss"].to_dict() == {"other": 1, "operated": 0}


def test_a_scan_without_a_day_says_so():
    table = scan_rows([(1.0, 0.9, 0.8)])
    found = changes(table.assign(days=table["days"].astype(float).where(table["visit_id"] != "month_6")))
    row = found[found["visit_id"] == "month_6"].iloc[0]
    assert (row["status"], row["reason"]) == ("no day", "the day of the examination is not known")
    assert np.isnan(row["change"])


def test_two_visits_of_one_day_have_one_baseline():
    table = scan_rows([(1.0, 0.9)])
    found = changes(table.assign(days=5))
    assert sorted(found["status"]) == ["baseline", "compared"]


# by reference ---------------------------------------------------------------------------------------------


def test_seven_zones_uncorrected():
    # 1 − 0.95⁷ = 30 % of unchanged patients, were the zones independent (probability theory).
    any_of_seven = 1 - 0.95**7
    assert any_of_seven == pytest.approx(0.302, abs=5e-4)


# by law ---------------------------------------------------------------------------------------------------

VALUES = st.lists(st.tuples(*[st.floats(0.2, 3)] * 3), min_size=1, max_size=5)


@settings(max_examples=40, deadline=None)
@given(VALUES, st.randoms(use_true_random=False))
def test_the_order_of_rows_does_not_matter(values, random):
    table = scan_rows(values)
    order = list(range(len(table)))
    random.shuffle(order)
    keys = ["hip_id", "visit_id"]
    once = changes(table).sort_values(keys, ignore_index=True)
    pd.testing.assert_frame_equal(once, changes(table.iloc[order]).sort_values(keys, ignore_index=True))


@settings(max_examples=40, deadline=None)
@given(VALUES)
def test_nothing_is_lost_and_changes_add_up(values):
    table = scan_rows(values)
    found = changes(table)
    assert len(found) == len(table)
    compared = found[found["status"] == "compared"]
    assert (compared["baseline_value"] + compared["change"]).to_numpy() == pytest.approx(
        compared["value"].to_numpy()
    )


# by recovery ----------------------------------------------------------------------------------------------


def test_a_true_loss_is_found_by_own_precision():
    rng = np.random.default_rng(3)
    bone = rng.normal(1.3, 0.2, 40)
    lost = np.where(np.arange(40) < 5, 0.25, 0.0)
    scans = [rng.normal(0, 0.03, 40) + bone for _ in range(2)]
    after = bone - lost + rng.normal(0, 0.03, 40)
    table = scan_rows(np.column_stack([scans[0], after]))
    again = scan_rows(scans[1][:, None])
    own = precision_error(pd.concat([table, again]), value="bmd", unit=["hip_id", "visit_id"], by=["zone"])
    hips = flagged_hips(significant_changes(changes(table), own))
    assert set(hips["hip_id"].head(5)) == {f"H{number}" for number in range(5)}
    assert (hips["n_loss"].tail(35) == 0).mean() > 0.9


def test_unchanged_patients_with_two_hips_and_three_visits():
    """The promise is kept for whom it is made: a hip and visit, or a patient."""
    rng, patients = np.random.default_rng(12), 500
    values = 1 + rng.normal(0, 0.03, (2 * patients, 4))
    table = scan_rows([tuple(row) for row in values])
    table["patient_id"] = "P" + (table["hip_id"].str[1:].astype(int) // 2).astype(str)

    def share(by, **options):
        flags = significant_changes(changes(table), BORROWED, **options).dropna(subset="flag")
        return flags.assign(any=flags["flag"] != "").groupby(by)["any"].any().mean()

    assert share(["hip_id", "visit_id"]) == pytest.approx(0.05, abs=0.012)
    assert share(["patient_id"]) > 0.15
    assert share(["patient_id"], together=["patient_id"]) < 0.05 + 0.02


# by failure -----------------------------------------------------------------------------------------------


def mixed_scanners():
    table = scan_rows([(1.0, 0.9)])
    return pd.concat([table, table.iloc[[1]].assign(scanner="B")])


TWO_PRECISIONS = pd.concat([BORROWED, BORROWED]).assign(zone="7")


@pytest.mark.parametrize(
    ("call", "match"),
    [
        (lambda: changes(scan_rows([(1, 1)]), value="bmc"), "bmc: found no such column"),
        (lambda: changes(scan_rows([(1, 1)]), baseline="week_6"), "baseline: found 'week_6'"),
        (lambda: changes(scan_rows([(1, 1)]), by="zone"), r'Write by=\["zone"\]'),
        (lambda: changes(mixed_scanners()), "scanner: found several in one visit: H0, month_6"),
        (lambda: changes(scan_rows([(1, 1)]), calibrations=one_calibration(source=" ")), "without a source"),
        (lambda: changes(scan_rows([(1, 1)]), calibrations=one_calibration(slope=np.nan)), "slope nan"),
        (
            lambda: changes(
                scan_rows([(1, 1)]),
                calibrations=pd.concat(
                    [one_calibration(), one_calibration(from_scanner="A", to_scanner="C")]
                ),
            ),
            "Calibrate every device to the same one",
        ),
        (
            lambda: changes(scan_rows([(1, 1)]), calibrations=pd.concat([one_calibration()] * 2)),
            "Keep one calibration",
        ),
        (
            lambda: significant_changes(changes(scan_rows([(1, 1)])), TWO_PRECISIONS),
            "one precision error a zone",
        ),
        (
            lambda: significant_changes(changes(scan_rows([(1, 1)])), pd.concat([BORROWED, BORROWED])),
            "2 rows that share no column",
        ),
        (lambda: significant_changes(changes(scan_rows([(1, 1)])), BORROWED, confidence=95), "Write 0.95"),
    ],
)
def test_refused_in_words(call, match):
    with pytest.raises(StudyError, match=match):
        call()

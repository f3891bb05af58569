import numpy as np
import pandas as pd
import pytest
from bone_rows import cohort_rows, scan_rows
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.robust.scale import mad

from cohortlib.errors import StudyError
from cohortlib.stats.change import change_against_peers, change_from_baseline, hips_against_peers
from cohortlib.stats.change.peer_looks import LEAST_PEERS, WORSE_HALF
from cohortlib.stats.change.peer_spread import between_hip_variance, zone_factors
from cohortlib.stats.precision import published_precision

PRECISION = published_precision(0.05, source="invented")
LATER = ["month_6", "month_12", "month_24"]
#: Eleven hips whose change at 6 months is −0.05 … 0.05: the median is 0, whoever is left out nearly so.
ELEVEN = [(1.0, 1.0 + step / 100) for step in range(-5, 6)]


def changes(table, **options):
    return change_from_baseline(table, **({"value": "bmd", "by": ["zone"], "baseline": "week_1"} | options))


def against(found, **options):
    how = {"value": "change", "by": ["arm"], "visits": ["month_6"]}
    return change_against_peers(found, PRECISION, **(how | options))


def one_arm(values, **columns):
    return changes(scan_rows(values)).assign(arm="A", **columns)


# by hand --------------------------------------------------------------------------------------------------


def test_expected_is_the_median_of_the_other_hips_and_excess_what_is_beyond():
    found = against(one_arm(ELEVEN)).set_index("hip_id")
    assert (found["n_peers"] == 10).all()
    # Without the lowest the others are −0.04 … 0.05.
    assert found.loc["H0", ["value", "expected", "excess"]].tolist() == pytest.approx([-0.05, 0.005, -0.055])
    assert (found["limit"] == found["expected_high"] - found["expected"]).all()
    assert found["times_limit"].abs().max() < 1
    assert (found["flag"] == "").all()


def test_a_loss_that_everybody_has_is_nobody_s_and_one_hip_s_own_is_flagged():
    common = [(1.0, 0.7 + step / 100) for step in range(-5, 6)]
    assert (against(one_arm(common))["flag"] == "").all()
    listed = hips_against_peers(against(one_arm([*common, (1.0, 0.3)])))
    assert listed.loc[0, ["hip_id", "flag", "n_loss"]].tolist() == ["H11", "loss", 1]
    assert listed.loc[0, "expected"] == pytest.approx(-0.3)
    assert (listed["n_loss"] > 0).sum() == 1


def test_hips_of_one_patient_are_not_each_other_s_peers():
    found = one_arm(ELEVEN)
    shared = found.assign(patient_id=found["patient_id"].replace({"P1": "P0"}))
    assert against(shared).set_index("hip_id")["n_peers"].loc[["H0", "H1", "H2"]].tolist() == [9, 9, 10]


def test_arms_are_not_each_other_s_peers():
    found = one_arm([*ELEVEN, *[(1.0, 0.5 + step / 100) for step in range(-5, 6)]])
    second = found["hip_id"].isin([f"H{number}" for number in range(11, 22)])
    apart = against(found.assign(arm=second.map({False: "A", True: "B"})))
    assert apart.groupby("hip_id")["n_peers"].first().eq(10).all()
    assert (apart["flag"] == "").all()


def test_two_visits_share_the_error_of_the_first_scan_and_zones_share_none():
    rng = np.random.default_rng(4)
    table = cohort_rows(rng, patients=40, visits=3)
    # Bone that does not differ between hips at all: what is left is the error of measuring.
    table["bmd"] = 1.4 + rng.normal(0, 0.05, len(table))
    found = against(changes(table).assign(arm="A"), visits=["month_6", "month_12"], value="change")
    typical = found.groupby(["zone", "n_visits"])["limit"].median()
    single = typical.drop(index=WORSE_HALF, level=0).groupby("n_visits").median()
    assert single[2] / single[1] == pytest.approx((1.5 / 2) ** 0.5, rel=0.1)
    # The mean of the lowest four of seven independent values of variance 1 has variance 0.179 (counted).
    assert typical[WORSE_HALF, 1] / single[1] == pytest.approx(0.179**0.5, rel=0.2)


def test_a_loss_that_goes_on_is_further_beyond_its_limit_than_one_at_a_single_visit():
    rng = np.random.default_rng(5)
    ordinary = [tuple(1 + rng.normal(0, 0.05, 4)) for _ in range(20)]
    lasting, single = (1.0, 0.80, 0.80, 0.80), (1.0, 0.80, 1.00, 1.00)
    found = against(one_arm([*ordinary, lasting, single]), visits=LATER)
    worst = found.groupby("hip_id")["times_limit"].min()
    assert worst["H20"] < worst["H21"]
    look = found[(found["hip_id"] == "H20") & (found["n_visits"] == 2)]
    assert look["visits"].tolist() == ["month_6 and month_12", "month_12 and month_24"]


def test_examinations_made_otherwise_are_nobody_s_peers_and_are_examined_again():
    found = one_arm([*ELEVEN, (1.0, 0.2)])
    last = found["hip_id"] == "H11"
    turned = found.assign(technique=np.where(last, "foot turned 20°", ""))
    told = against(turned, technique="technique", technique_factor=2.0).set_index("hip_id")
    assert told.loc["H11", ["flag", "technique"]].tolist() == ["examine again", "foot turned 20°"]
    assert told.loc["H0", "n_peers"] == 10
    once = against(turned, technique="technique").set_index("hip_id")
    assert told.loc["H11", "limit"] > 1.5 * once.loc["H11", "limit"]
    listed = hips_against_peers(told.reset_index())
    assert listed.loc[0, ["hip_id", "n_loss", "n_again"]].tolist() == ["H11", 0, 1]


def test_too_few_peers_give_no_value_and_the_reason():
    found = against(one_arm(ELEVEN[: LEAST_PEERS + 1]))
    assert found["flag"].notna().all()
    few = against(one_arm(ELEVEN[:LEAST_PEERS]))
    assert few[["expected", "limit", "excess", "flag"]].isna().all(axis=None)
    assert set(few["reason"]) == {"4 peers, fewer than 5"}
    listed = hips_against_peers(few)
    assert len(listed) == LEAST_PEERS
    assert set(listed["reason"]) == {"4 peers, fewer than 5"}
    assert (listed[["n_loss", "n_gain", "n_again"]] == 0).all(axis=None)


def test_nothing_that_can_be_compared_gives_no_rows_and_no_precision_no_value():
    late = one_arm(ELEVEN)
    nothing = against(late.assign(status="device changed"))
    assert nothing.empty
    assert hips_against_peers(nothing).empty
    unknown = change_against_peers(
        late, PRECISION.assign(rms_sd=np.nan), value="change", by=["arm"], visits=["month_6"]
    )
    assert unknown["flag"].isna().all()
    assert set(unknown["reason"]) == {"no precision error of this zone"}


def test_the_worse_half_is_the_mean_of_the_zones_that_lie_lowest_and_expected_to_be_low():
    rng = np.random.default_rng(11)
    table = cohort_rows(rng, patients=20, visits=2)
    found = against(changes(table).assign(arm="A"))
    halves = found[found["zone"] == WORSE_HALF].set_index("hip_id")
    of_hip = found[(found["hip_id"] == "H0") & (found["zone"] != WORSE_HALF)].nsmallest(4, "excess")
    assert halves.loc["H0", "zones"] == ", ".join(sorted(of_hip["zone"]))
    assert halves.loc["H0", "value"] == pytest.approx(of_hip["value"].mean())
    assert halves.loc["H0", "expected"] < of_hip["expected"].mean() - 0.02
    assert abs(halves["excess"].median()) < 0.02


# by reference ---------------------------------------------------------------------------------------------


def test_without_error_of_measuring_the_spread_is_the_median_deviation():
    """statsmodels 0.15, robust.scale.mad with centre 0."""
    excess = np.random.default_rng(6).normal(0, 0.1, 31)
    found = between_hip_variance(excess, np.full(31, 1e-15))
    assert found == pytest.approx(mad(excess, center=0) ** 2, rel=1e-3)


def test_zone_factors_follow_the_moderated_variance():
    """Smyth 2004, equations of the posterior variance; prior degrees of freedom from memory, no table."""
    rng = np.random.default_rng(7)
    alike, df = zone_factors([rng.normal(0, 1, 4000) for _ in range(8)], [4000] * 8)
    assert alike == pytest.approx(np.ones(8), abs=0.1)
    assert (df > 1000).all()
    spread = np.array([0.5, 0.7, 1.0, 1.4, 2.0])
    unlike, _ = zone_factors([rng.normal(0, sd, 2000) for sd in spread], [2000] * 5)
    assert unlike == pytest.approx(spread**2, rel=0.15)


# by law ---------------------------------------------------------------------------------------------------


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 10**6))
def test_order_does_not_matter_a_mirror_turns_excesses_round_and_a_common_loss_is_none(seed):
    rng = np.random.default_rng(seed)
    found = changes(cohort_rows(rng, patients=14, zones=3)).assign(arm="A")

    def judged(rows):
        of_zones = against(rows)
        return of_zones[of_zones["zone"] != WORSE_HALF].set_index(keys).sort_index()

    keys = ["hip_id", "zone", "n_visits"]
    first = judged(found)
    shuffled = judged(found.sample(frac=1, random_state=seed))
    assert shuffled["times_limit"].to_numpy() == pytest.approx(first["times_limit"].to_numpy())
    mirrored = judged(found.assign(change=-found["change"]))
    assert mirrored["excess"].to_numpy() == pytest.approx(-first["excess"].to_numpy())
    moved = judged(found.assign(change=found["change"] - 0.4))
    assert moved["excess"].to_numpy() == pytest.approx(first["excess"].to_numpy())


@settings(max_examples=15, deadline=None)
@given(loss=st.floats(0.5, 50))
def test_hips_that_lose_without_end_do_not_hide_themselves(loss):
    rng = np.random.default_rng(8)
    ordinary = [(1.0, 1.0 + change) for change in rng.normal(0, 0.07, 17)]
    found = against(one_arm([*ordinary, *[(1.0, 1.0 - loss)] * 3]))
    listed = hips_against_peers(found)
    assert set(listed["hip_id"].head(3)) == {"H17", "H18", "H19"}
    assert (listed["flag"].head(3) == "loss").all()
    assert (listed["n_loss"] > 0).sum() == 3


# by recovery ----------------------------------------------------------------------------------------------


def test_of_hips_like_the_others_at_most_five_in_a_hundred_are_flagged():
    """Two arms, seven zones, three visits; zones alike, and zone 7 four times as far apart."""
    rng = np.random.default_rng(9)
    for own_sd in (0.0, 0.3):
        shares = []
        for _ in range(12):
            table = cohort_rows(rng, patients=44, visits=4)
            own = table["hip_id"].map({hip: rng.normal(0, 1) for hip in table["hip_id"].unique()})
            in_seven = table["zone"].eq("7") & table["visit_id"].ne("week_1")
            table["bmd"] += (own_sd * own).where(in_seven, 0.0)
            arms = table.drop_duplicates("hip_id").set_index("hip_id")["arm"]
            found = changes(table)
            found = found.assign(arm=found["hip_id"].map(arms))
            listed = hips_against_peers(against(found, visits=LATER))
            shares.append((listed["n_loss"] + listed["n_gain"] > 0).mean())
        assert np.mean(shares) < 0.05


def test_a_hip_that_loses_on_in_a_few_zones_is_found():
    rng = np.random.default_rng(10)
    for _ in range(5):
        table = cohort_rows(rng, patients=30, visits=4)
        table["bmd"] -= 0.5 * (
            table["hip_id"].eq("H3") & table["zone"].isin(["6", "7"]) & table["visit_id"].ne("week_1")
        )
        found = changes(table).assign(arm="A")
        listed = hips_against_peers(against(found, visits=LATER))
        assert listed.loc[0, ["hip_id", "flag"]].tolist() == ["H3", "loss"]
        assert listed.loc[0, "zone"] in ("6", "7", WORSE_HALF)


# by failure -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("options", "told"),
    [
        ({"value": "excess"}, "one of 'percent', 'change'"),
        ({"by": "arm"}, r'Write by=\["arm"\]'),
        ({"by": []}, "columns that make peers"),
        ({"by": ["design"]}, "design: found no such column"),
        ({"visits": "month_6"}, r'Write visits=\["month_6"\]'),
        ({"visits": ["month_7"]}, "month_7.*in order of time"),
        ({"visits": []}, "no visit"),
        ({"confidence": 95}, "Write 0.95 for 95 %"),
        ({"technique_factor": 0.5}, "how many times larger the error is"),
        ({"technique": "foot"}, "foot: found no such column"),
    ],
)
def test_options_that_cannot_be_meant_are_refused(options, told):
    with pytest.raises(StudyError, match=told):
        against(one_arm(ELEVEN), **options)


def test_a_zone_may_not_be_called_what_several_are_called():
    with pytest.raises(StudyError, match="this name is taken"):
        against(one_arm(ELEVEN, zone=WORSE_HALF))


def test_both_sides_or_a_hip_twice_are_refused():
    found = one_arm(ELEVEN)
    both = pd.concat([found.assign(measured_side="operated"), found.assign(measured_side="other")])
    with pytest.raises(StudyError, match="no peer of an operated one"):
        against(both)
    with pytest.raises(StudyError, match="Name in by what tells its rows apart"):
        against(pd.concat([found, found]))
    compared = against(found)
    with pytest.raises(StudyError, match="as they are"):
        hips_against_peers(pd.concat([compared, compared]))

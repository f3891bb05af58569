import numpy as np
import pandas as pd
import pytest

from cohortlib.synthetic import answers, bone_density, cohort, densitometry
from cohortlib.synthetic.hips import hip_table
from cohortlib.tables import KEYS, ZONE_SYSTEMS

SEED = 2030
CUT = pd.Timestamp(cohort.DATA_CUT)


@pytest.fixture(scope="module")
def made():
    patients = cohort.patient_table(seed=SEED)
    hips = hip_table(patients, seed=SEED)
    visits = cohort.visit_table(patients, seed=SEED)
    latent = answers.latent_scores(patients, hips, visits, seed=SEED)
    visits = pd.concat([visits, densitometry.first_visits(patients, seed=SEED)], ignore_index=True)
    scanned = densitometry.scan_visits(visits, latent, seed=SEED)
    density = bone_density.true_density(hips, scanned, seed=SEED)
    table = densitometry.densitometry_table(density, hips, visits, seed=SEED)
    return {"patients": patients, "hips": hips, "visits": visits, "density": density, "table": table}


# by hand --------------------------------------------------------------------------------------------------


def test_early_loss_then_some_recovery_about_a_stem_and_little_in_a_neck():
    def curve(system, zone, arm):
        return [bone_density.mean_change_percent(system, zone, arm, day) for day in (0, 90, 365, 730)]

    start, early, late, last = curve("stem_7", "7", "short_stem")
    assert start == 0
    assert -15 < early < -10
    assert late < -15
    assert last > late
    assert max(map(abs, curve("neck_6", "5", "resurfacing"))) < 3


def test_a_neck_of_one_region_holds_the_mineral_of_six(made):
    table = made["table"].assign(mineral=lambda rows: rows["bmd_g_cm2"] * rows["area_cm2"])
    of_neck = table[table["zone_system"].str.startswith("neck")]
    sums = of_neck.groupby(["hip_id", "visit_id", "repeat", "zone_system"])["mineral"].sum().unstack()
    assert sums["neck_1"].to_numpy() == pytest.approx(sums["neck_6"].to_numpy(), rel=0.12)


# by reference: Penny JO et al., Acta Orthop 2010;81:318-23: smaller regions of a neck are less precise ------


def test_fewer_regions_are_more_precise(made):
    table = made["table"]
    twice = table[(table["visit_id"] == "discharge") & table["zone_system"].isin(["neck_1", "neck_6"])]
    pairs = twice.pivot_table(
        index=["zone_system", "hip_id", "zone"], columns="repeat", values="bmd_g_cm2"
    ).dropna()
    spread = (pairs[1] - pairs[2]).abs().groupby("zone_system").mean()
    assert spread["neck_1"] < 0.6 * spread["neck_6"]


# by law ---------------------------------------------------------------------------------------------------


def test_keys_once_zones_whole_and_days_before_the_data_cut(made):
    table = made["table"]
    assert not table.duplicated(list(KEYS["densitometry"])).any()
    for system, rows in table.groupby("zone_system"):
        zones = rows.groupby(["hip_id", "visit_id", "measured_side", "repeat"])["zone"].agg(frozenset)
        assert set(zones) == {frozenset(ZONE_SYSTEMS[system].names)}
    days = table.merge(made["hips"][["hip_id", "patient_id"]], on="hip_id").merge(
        made["visits"], on=["patient_id", "visit_id"], validate="many_to_one"
    )
    assert len(days) == len(table)
    assert (days["date"] <= CUT).all()


def test_the_same_seed_gives_the_same_scans_and_another_seed_others(made):
    again = densitometry.densitometry_table(made["density"], made["hips"], made["visits"], seed=SEED)
    pd.testing.assert_frame_equal(again, made["table"])
    other = densitometry.densitometry_table(made["density"], made["hips"], made["visits"], seed=SEED + 1)
    assert not other["bmd_g_cm2"].equals(made["table"]["bmd_g_cm2"])


# by recovery ----------------------------------------------------------------------------------------------


def test_scans_scatter_about_the_truth_as_much_as_they_should(made):
    density, table = made["density"], made["table"]
    read = table[(table["measured_side"] == "operated") & (table["scanner"] != densitometry.SUCCESSOR)]
    both = read.merge(density, on=["hip_id", "visit_id", "zone_system", "zone"])
    usual = both[both["foot_rotation_deg"] < 12]
    error = (usual["bmd_g_cm2"] - usual["density"]).groupby([usual["zone_system"], usual["zone"]]).std()
    for (system, zone), found in error.items():
        assert found == pytest.approx(densitometry.PRECISION[system][zone], rel=0.2)
    turned = both[both["foot_rotation_deg"] > 12]
    assert (turned["bmd_g_cm2"] - turned["density"]).std() > 1.5 * (
        usual["bmd_g_cm2"] - usual["density"]
    ).std()


def test_the_successor_reads_higher(made):
    both = made["table"].merge(made["density"], on=["hip_id", "visit_id", "zone_system", "zone"])
    of_successor = both[(both["scanner"] == densitometry.SUCCESSOR) & (both["measured_side"] == "operated")]
    slope, offset = np.polyfit(of_successor["density"], of_successor["bmd_g_cm2"], 1)
    assert slope * 1.3 + offset == pytest.approx(1.04 * 1.3 + 0.02, abs=0.02)


def test_four_hips_truly_lose_bone_and_their_patients_are_seen(made):
    lost = made["density"][made["density"]["true_loss"]]
    assert lost.groupby("arm")["hip_id"].nunique().to_dict() == {"resurfacing": 1, "short_stem": 3}
    assert lost.groupby("hip_id")["percent"].min().max() < -20


def test_late_first_scans_are_there_and_missing_ones_follow_the_score(made):
    first = made["table"][made["table"]["visit_id"] == "week_6"]
    assert first["hip_id"].nunique() >= densitometry.N_LATE
    outside = made["visits"].query("visit_id == 'discharge' and day == @densitometry.OUTSIDE_DAY")
    assert len(outside) == densitometry.N_OUTSIDE

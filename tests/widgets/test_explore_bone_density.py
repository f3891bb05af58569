"""The panel of bone density, its table and its figures without controls."""

from __future__ import annotations

import gc
from pathlib import Path

import ipywidgets
import pandas as pd
import pytest
from matplotlib.figure import Figure

from cohortlib.errors import StudyError
from cohortlib.stats.change import change_from_baseline
from cohortlib.stats.precision import published_precision
from cohortlib.tables import Study
from cohortlib.widgets.bone_density import explore_bone_density
from cohortlib.widgets.bone_density_choice import bone_density_choice, is_prespecified, zone_names
from cohortlib.widgets.bone_density_view import bone_density_figure, bone_density_map, bone_density_summary

DAYS = {"discharge": 5, "month_6": 180, "month_12": 365}
VIEW = {"zone": "stem_7:7", "arm": "all", "scale": "absolute"}
DESIGNS = {"short_stem": "stem", "resurfacing": "resurfacing"}


def small_study(**changed) -> Study:
    """Eight hips of eight patients, four of each arm, and one more that was never scanned."""
    hips = pd.DataFrame({"hip_id": [f"H{number}" for number in range(9)]})
    hips["patient_id"] = hips["hip_id"].str.replace("H", "P")
    hips["arm"] = ["resurfacing"] * 4 + ["short_stem"] * 5
    parts = {
        "folder": Path("nowhere"),
        "title": "Small made-up study",
        "comparator": "short_stem",
        "arms": pd.DataFrame({"arm": ["resurfacing", "short_stem"], "label": ["Resurfacing", "Short stem"]}),
        "schedule": pd.DataFrame(
            {
                "visit_id": ["before", *DAYS],
                "label": ["Before", "Discharge", "6 months", "12 months"],
            }
        ),
        "instruments": pd.DataFrame({"instrument": ["oxford_hip_score"]}),
        "thresholds": pd.DataFrame(),
        "endpoint": {"instrument": "oxford_hip_score", "visit_id": "month_12"},
        "data_cut": None,
        "synthetic": True,
        "bone_density": {"baseline": "discharge", "zone_system": "stem_7", "zones": ("7", "1")},
        "tables": {"hips": hips},
    }
    return Study(**(parts | changed))


def small_changes() -> pd.DataFrame:
    """Two zones of the stem, one of the neck; hip 7 without a first scan, hip 6 with another scanner."""
    study, rows = small_study(), []
    for number, (hip, patient, arm) in enumerate(
        study.hips[["hip_id", "patient_id", "arm"]].iloc[:8].itertuples(index=False)
    ):
        zones = [("stem_7", "1"), ("stem_7", "7")] + ([("neck_1", "1")] if arm == "resurfacing" else [])
        for system, zone in zones:
            for visit, days in DAYS.items():
                if number == 7 and visit == "discharge":
                    continue
                lost = 0.3 if (zone, arm) == ("7", "short_stem") and visit == "month_12" else 0.0
                rows.append(
                    {
                        "hip_id": hip,
                        "patient_id": patient,
                        "visit_id": visit,
                        "measured_side": "operated",
                        "zone_system": system,
                        "zone": zone,
                        "scanner": "B" if number == 6 and visit == "month_12" else "A",
                        "days": days,
                        "in_window": True,
                        "bmd": 1.0 + 0.02 * number - lost,
                    }
                )
    found = change_from_baseline(
        pd.DataFrame(rows),
        value="bmd",
        by=["measured_side", "zone_system", "zone"],
        baseline="discharge",
        device=["scanner"],
    )
    turned = found["hip_id"].eq("H5") & found["visit_id"].eq("month_12")
    return found.merge(study.hips[["hip_id", "arm"]], on="hip_id").assign(
        technique=turned.map({True: "foot turned 20°", False: ""}).to_numpy()
    )


CHANGES = small_changes()
PRECISION = (
    CHANGES[["zone_system", "zone"]]
    .drop_duplicates()
    .merge(published_precision(0.03, source="invented"), how="cross")
)
SMALL = (small_study(), CHANGES, PRECISION)


def controls_of(panel: ipywidgets.VBox) -> dict[str, ipywidgets.ValueWidget]:
    found = [piece.children[1] for line in panel.children[0].children for piece in line.children]
    return dict(zip(("zone", "arm", "scale", "visit"), found, strict=True))


# by hand --------------------------------------------------------------------------------------------------


def test_zones_by_name_the_stem_first():
    assert zone_names(CHANGES) == {
        "Stem zone 1": "stem_7:1",
        "Stem zone 7": "stem_7:7",
        "Neck 1": "neck_1:1",
    }


def test_only_what_the_study_named_is_named_beforehand():
    named = [
        zone
        for zone in ("stem_7:7", "stem_7:1", "stem_7:2", "neck_1:1")
        if is_prespecified(small_study(), zone)
    ]
    assert named == ["stem_7:7", "stem_7:1"]


def test_summary_counts_every_hip_of_the_arm():
    table = bone_density_summary(*SMALL, **VIEW, visit_id="month_12").set_index("arm")
    stem = table.loc["short_stem"]
    # Five hips: one never scanned, one without a first scan, one by another scanner, two compared.
    assert stem[["n_not_scanned", "n_no_baseline", "n_device_changed", "n_hips"]].tolist() == [1, 1, 1, 2]
    assert stem[["n_loss", "n_again"]].tolist() == [1, 1]
    assert stem["note"] == "2 hips without a value; no estimate from 2 patients"
    assert table.loc["resurfacing", ["estimate", "n_hips", "n_loss", "n_again"]].tolist() == [0, 4, 0, 0]
    assert table["scale"].unique().tolist() == ["absolute"]


def test_percent_says_of_what_it_is_a_mean():
    table = bone_density_summary(*SMALL, **VIEW | {"scale": "percent"}, visit_id="month_12")
    assert table["scale"].unique().tolist() == ["mean of percentages"]
    assert table["unit"].unique().tolist() == ["%"]


def test_panel_begins_with_the_zone_named_first_and_the_visit_of_the_endpoint():
    panel = explore_bone_density(*SMALL)
    values = [control.value for control in controls_of(panel).values()]
    assert values == ["stem_7:7", "all", "absolute", "month_12"]
    _, words, picture = panel.children
    assert bytes(picture.value).startswith(b"\x89PNG")
    for text in ("named beforehand", "1 loss, 1 to examine again", "1 no baseline, 1 device changed"):
        assert text in words.value


def test_other_zones_are_exploratory():
    panel = explore_bone_density(*SMALL)
    controls_of(panel)["zone"].value = "neck_1:1"
    assert "exploratory" in panel.children[1].value
    assert "Short stem" not in panel.children[1].value


def test_a_choice_without_data_is_a_sentence():
    panel = explore_bone_density(*SMALL)
    controls = controls_of(panel)
    controls["arm"].value = "short_stem"
    controls["zone"].value = "neck_1:1"
    _, words, picture = panel.children
    assert "Nothing to draw" in words.value
    assert "no scan of neck 1 in the arm" in words.value
    assert picture.layout.display == "none"
    controls["arm"].value = "all"
    assert picture.layout.display == "block"


def test_the_band_is_one_of_the_absolute_scale():
    absolute, percent = (
        bone_density_figure(*SMALL, **VIEW | {"scale": scale}) for scale in ("absolute", "percent")
    )
    texts = [
        " ".join(text.get_text() for text in figure.findobj(match=lambda a: hasattr(a, "get_text")))
        for figure in (absolute, percent)
    ]
    assert "may be error" in texts[0]
    assert "may be error" not in texts[1]


def test_the_map_shows_each_design():
    figure = bone_density_map(
        small_study(),
        CHANGES[CHANGES["zone_system"] != "neck_1"].assign(
            zone_system=lambda table: table["zone_system"].mask(table["arm"].eq("resurfacing"), "cup_3"),
            zone=lambda table: table["zone"].mask(
                table["arm"].eq("resurfacing") & table["zone"].eq("7"), "2"
            ),
        ),
        visit_id="month_6",
        designs=DESIGNS,
        scale="percent",
    )
    assert isinstance(figure, Figure)


# by law ---------------------------------------------------------------------------------------------------


def test_order_of_the_rows_does_not_matter():
    mixed = (table.sample(frac=1, random_state=3) for table in (CHANGES, PRECISION))
    pd.testing.assert_frame_equal(
        bone_density_summary(*SMALL, **VIEW, visit_id="month_6"),
        bone_density_summary(small_study(), *mixed, **VIEW, visit_id="month_6"),
    )


def test_turning_controls_keeps_no_figure():
    controls = controls_of(explore_bone_density(*SMALL))

    def figures() -> int:
        gc.collect()
        return sum(isinstance(each, Figure) for each in gc.get_objects())

    before = figures()
    for zone in ("stem_7:1", "neck_1:1", "stem_7:7"):
        controls["zone"].value = zone
    controls["scale"].value = "percent"
    controls["visit"].value = "month_6"
    assert figures() <= before


# by failure -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("call", "match"),
    [
        (lambda: bone_density_choice(small_study(), CHANGES, **VIEW | {"zone": "stem_7:9"}), "stem_7:9"),
        (lambda: bone_density_choice(small_study(), CHANGES, **VIEW | {"arm": "new"}), "arm: found 'new'"),
        (lambda: bone_density_choice(small_study(), CHANGES, **VIEW | {"scale": "ratio"}), "scale"),
        (
            lambda: bone_density_summary(*SMALL, **VIEW, visit_id="discharge"),
            "no hip scanned again at the visit 'Discharge'",
        ),
        (
            lambda: bone_density_map(
                small_study(), CHANGES, visit_id="before", designs=DESIGNS, scale="percent"
            ),
            "no hip that can be compared at the visit 'Before'",
        ),
    ],
)
def test_refused_in_words(call, match):
    with pytest.raises(StudyError, match=match):
        call()

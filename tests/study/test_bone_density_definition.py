"""What study.toml says of bone density, and scans in a wide form: checked with place, value and remedy."""

import re

import pytest

from cohortlib.study import check_study, read_study

JUDGED = """
[bone_density]
baseline = "week_6"
zone_system = "stem_7"
zones = ["7", "1"]
published_precision = 0.05
published_source = "somebody, somewhere 1999;1:1-2"
"""
CALIBRATION = """
[[calibrations]]
from_scanner = "B"
from_mode = "metal"
to_scanner = "A"
to_mode = "metal"
slope = 0.97
offset = 0.01
source = "phantom"
"""
WIDE = """
[[wide]]
table = "densitometry"
source = "scans"
values = { bmd_g_cm2 = "BMD_{zone}", area_cm2 = "AREA_{zone}" }
fixed = { zone_system = "stem_7", measured_side = "operated", repeat = "1" }
"""
SCANS = """hip_id,visit_id,scanner,mode,BMD_1,BMD_7,AREA_1,AREA_7
H01,week_6,A,metal,0.812,1.104,6.9,4.1
"""


def with_more(folder, addition, **tables):
    """The small study with more in its study.toml, and further tables."""
    definition = folder / "study.toml"
    definition.write_text(definition.read_text("utf-8") + addition, "utf-8")
    for name, text in tables.items():
        (folder / "tables" / f"{name}.csv").write_text(text, "utf-8")
    return folder


# by hand --------------------------------------------------------------------------------------------------


def test_the_definition_is_kept(small_study):
    study = read_study(with_more(small_study, JUDGED + CALIBRATION))
    assert study.bone_density["zones"] == ("7", "1")
    assert study.calibrations.loc[0, ["slope", "offset", "source"]].tolist() == [0.97, 0.01, "phantom"]


def test_a_wide_form_of_scans_becomes_rows(small_study):
    scans = read_study(with_more(small_study, WIDE, scans=SCANS)).densitometry
    kept = ["hip_id", "zone_system", "zone", "bmd_g_cm2", "area_cm2"]
    assert scans[kept].astype(object).to_numpy().tolist() == [
        ["H01", "stem_7", "1", 0.812, 6.9],
        ["H01", "stem_7", "7", 1.104, 4.1],
    ]


# by failure -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("old", "new", "match"),
    [
        ('baseline = "week_6"', 'baseline = "week_7"', "week_7.*month_12"),
        ('baseline = "week_6"', 'baseline = "before"', "a visit after the operation"),
        ('zones = ["7", "1"]', 'zones = ["8"]', "zones 8 "),
        ('zone_system = "stem_7"\n', "", "also the zone_system they belong to"),
        ('published_source = "somebody, somewhere 1999;1:1-2"\n', "", "published_precision alone"),
        ('source = "phantom"\n', "", "source = …: who measured it"),
        ("slope = 0.97", "slope = 0", "slope.*from 0.2 to 5"),
    ],
)
def test_wrong_definitions(small_study, old, new, match):
    addition = JUDGED + CALIBRATION
    assert old in addition
    problems = check_study(with_more(small_study, addition.replace(old, new)))
    assert len(problems) == 1
    told = " ".join(map(str, problems.iloc[0]))
    assert re.search(match, told), told


def test_impossible_densities_name_the_likely_unit(small_study):
    folder = with_more(small_study, WIDE, scans=SCANS.replace("0.812", "812"))
    problems = check_study(folder)
    assert len(problems) == 1
    assert "g/cm2" in problems.loc[0, "expected"]

"""What clicks say by themselves: distance of the teardrops, steepness of the marked rim."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from marked_study import marked_study

from cohortlib.errors import StudyError
from cohortlib.image import Radiograph
from cohortlib.measure.clicks_alone import clicks_alone, measurements_by_clicks, opening_ends
from cohortlib.synthetic.anatomy import read_anatomy
from cohortlib.synthetic.film import true_landmarks
from cohortlib.synthetic.study_files import film_recipes
from cohortlib.tables import MEASUREMENT_COLUMNS

STUDY = Path(__file__).parents[2] / "synthetic_cohort"
REFERENCE = Path(__file__).parents[1] / "reference"
MURRAY, CONE = (
    pd.read_csv(REFERENCE / f"cup_{name}.csv").to_dict("records") for name in ("orientation", "cone_beam")
)
FILM = Radiograph(np.zeros((1000, 1200), dtype=np.float32), (0.25, 0.25), "detector")


def rows(*marks):
    return pd.DataFrame(marks, columns=["landmark", "side", "x_px", "y_px"])


def reading(inclination_deg, *, turned_deg=0.0):
    """Teardrops 400 px apart and a rim of 200 px on each side, the whole film turned."""
    slope = np.radians(inclination_deg)
    across, up = 100 * np.cos(slope), 100 * np.sin(slope)
    level = [
        ("teardrop", "right", -200, 0),
        ("teardrop", "left", 200, 0),
        # The lateral end of the opening stands higher; the patient's left is at the right.
        *[("cup_rim", "left", 300 + end * across, end * up) for end in (-1, 1, 0)],
        *[("cup_rim", "right", -300 - end * across, end * up) for end in (-1, 1, 0)],
    ]
    c, s = np.cos(np.radians(turned_deg)), np.sin(np.radians(turned_deg))
    return rows(*[(name, side, 600 + c * x - s * up, 500 - (s * x + c * up)) for name, side, x, up in level])


# By hand -------------------------------------------------------------------------------------------


def test_a_film_whose_answer_is_seen():
    found = clicks_alone(reading(45), FILM)
    assert found[["side", "quantity", "unit"]].to_numpy().tolist() == [
        ["both", "teardrop distance", "mm"],
        ["right", "inclination by clicks", "deg"],
        ["left", "inclination by clicks", "deg"],
    ]
    assert found["value"].tolist() == pytest.approx([100, 45, 45])


def test_a_side_without_a_rim_and_a_film_without_a_teardrop():
    marks = reading(45)
    one_sided = marks[(marks["landmark"] == "teardrop") | (marks["side"] == "left")]
    assert clicks_alone(one_sided, FILM)["side"].tolist() == ["both", "left"]
    lacking = clicks_alone(marks[1:], FILM)
    assert lacking["value"].isna().all()
    assert set(lacking["note"]) == {"right teardrop marked 0 times, not once"}


def test_every_reading_of_a_study_stands_with_its_hip():
    study = marked_study(readings=2)
    table = measurements_by_clicks(study, {"I1": Radiograph(FILM.pixels, (0.26, 0.26), "detector")})
    assert table.columns.tolist() == list(MEASUREMENT_COLUMNS)
    assert table[["repeat", "quantity", "hip_id"]].to_numpy().tolist() == [
        [repeat, quantity, "H1"]
        for repeat in (1, 2)
        for quantity in ("teardrop distance", "inclination by clicks")
    ]
    assert table["value"].tolist() == pytest.approx([110, 45] * 2)


def test_a_study_without_marks_has_no_rows():
    study = marked_study(places={})
    assert measurements_by_clicks(study, {}).empty


# By reference: Murray, J Bone Joint Surg Br 1993;75:228-32; Derbyshire, Med Eng Phys 2008;30:1119-26 ---


def rim_in_space(axis, count):
    """A rim 50 mm across about an axis (lateral, anterior, cranial), from its end by parallel rays on."""
    flat = np.cross(axis, [0, 1, 0])
    flat /= np.linalg.norm(flat)
    angle = 2 * np.pi * np.arange(count) / count
    return 25 * (np.outer(np.cos(angle), flat) + np.outer(np.sin(angle), np.cross(axis, flat)))


def clicked_inclination(lateral_mm, up_mm):
    marks = rows(
        ("teardrop", "right", 400, 500),
        ("teardrop", "left", 800, 500),
        *[("cup_rim", "left", 600 + 4 * x, 500 - 4 * up) for x, up in zip(lateral_mm, up_mm, strict=True)],
    )
    return clicks_alone(marks, FILM)["value"][1]


@pytest.mark.parametrize("row", MURRAY)
def test_the_rim_of_a_cup_stands_at_its_radiographic_inclination(row):
    """A rim in space, by its operative or anatomical angles, falls by parallel rays at the angle printed."""
    given = (row["definition_given"], row["inclination_given"], row["anteversion_given"])
    printed = (row["definition"], row["inclination"], row["anteversion"])
    if printed[0] == "radiographic":
        given, printed = printed, given
    name, *degrees = printed
    tilt, open_by = np.radians(degrees)
    lateral, anterior, caudal = {
        "operative": (np.sin(tilt), np.cos(tilt) * np.sin(open_by), np.cos(tilt) * np.cos(open_by)),
        "anatomical": (np.sin(tilt) * np.cos(open_by), np.sin(tilt) * np.sin(open_by), np.cos(tilt)),
    }[name]
    rim = rim_in_space([lateral, anterior, -caudal], 72)
    # Half of the last printed digit, of two printed angles.
    assert clicked_inclination(rim[:, 0], rim[:, 2]) == pytest.approx(given[1], abs=0.011)


@pytest.mark.parametrize("row", CONE)
def test_clicks_know_nothing_of_the_cone_of_the_beam(row):
    tilt, open_by = np.radians([row["inclination"], row["anteversion"]])
    axis = [np.sin(tilt) * np.cos(open_by), np.sin(open_by), -np.cos(tilt) * np.cos(open_by)]
    rim = rim_in_space(axis, 1800) + np.array([row["lateral"], 0, row["cranial"]])
    larger = 1150 / (1000 - rim[:, 1])
    found = clicked_inclination(larger * rim[:, 0], larger * rim[:, 2])
    # Half of the last printed digit, and half a step of 0.2 degrees between points, seen as a sixth of it.
    assert found == pytest.approx(row["apparent_inclination"], abs=0.005 + 0.1 / 6)


# By law --------------------------------------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(st.floats(5, 85), st.floats(-20, 20))
def test_how_the_film_lies_does_not_count(inclination_deg, turned_deg):
    found = clicks_alone(reading(inclination_deg, turned_deg=turned_deg), FILM)
    assert found["value"].tolist() == pytest.approx([100, inclination_deg, inclination_deg])


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.floats(-1e3, 1e3), st.floats(-1e3, 1e3)), min_size=2, max_size=8))
def test_no_two_marks_lie_further_apart_than_the_ends(places):
    one, other = opening_ends(np.array(places))
    apart = np.linalg.norm(np.array(places)[:, None] - np.array(places)[None], axis=2)
    assert np.hypot(*(other - one)) == pytest.approx(apart.max())


# By recovery: what was put in comes out ---------------------------------------------------------------


@pytest.mark.parametrize("image_id", ["I0019", "I0056", "I0070", "I0098", "I0111"])
def test_perfect_clicks_on_a_film_miss_only_what_the_cone_of_the_beam_does(image_id):
    recipe = film_recipes().set_index("image_id")["recipe"][image_id]
    points = true_landmarks(recipe, read_anatomy(STUDY / "anatomy")).query("visible")
    film = Radiograph(FILM.pixels, (recipe.spacing_mm, recipe.spacing_mm), "detector")
    found = clicks_alone(points, film).set_index("quantity")["value"]
    truth = pd.read_csv(STUDY / "truth.csv", dtype={"zone": str}).query("image_id == @image_id")
    true = truth.loc[truth["quantity"] == "inclination", "value"].item()
    # The cone turns the shadows of the reference above by up to 1.05 degrees; pelves here are tilted, too.
    assert true < found["inclination by clicks"] < true + 2 * 1.05


def test_the_spread_of_the_clicks_comes_out():
    sd_mm, rng, count = 2.0, np.random.default_rng(4), 1500
    level = reading(45)
    level = level[(level["landmark"] == "teardrop") | level.index.isin([2, 3])]
    found = []
    for _ in range(count):
        shaken = level[["x_px", "y_px"]] + rng.normal(0, sd_mm / 0.25, (len(level), 2))
        found.append(clicks_alone(level.assign(x_px=shaken["x_px"], y_px=shaken["y_px"]), FILM)["value"])
    distance_mm, angle_deg = np.array(found).T
    # Two clicks at the ends of a rim of 50 mm, and two on teardrops 100 mm apart; four standard errors.
    expected = np.degrees(np.sqrt(2) * sd_mm * np.hypot(1 / 50, 1 / 100))
    assert angle_deg.std() == pytest.approx(expected, rel=4 / np.sqrt(2 * count))
    assert distance_mm.std() == pytest.approx(np.sqrt(2) * sd_mm, rel=4 / np.sqrt(2 * count))


# By failure ----------------------------------------------------------------------------------------


def test_a_teardrop_marked_twice_gives_no_value_and_says_so():
    marks = reading(45)
    found = clicks_alone(pd.concat([marks, marks[1:2]]), FILM)
    assert found["value"].isna().all()
    assert found["note"].str.contains("left teardrop marked 2 times").all()


def test_a_rim_with_one_end_gives_no_value_and_says_so():
    marks = reading(45)
    found = clicks_alone(marks[(marks["landmark"] == "teardrop") | (marks.index == 2)], FILM)
    assert found["value"].isna().tolist() == [False, True]
    assert found["note"].tolist()[1].startswith("one mark of the rim")


def test_a_film_without_spacing():
    with pytest.raises(StudyError, match="spacing"):
        clicks_alone(reading(45), Radiograph(FILM.pixels, None, "unknown"))


def test_marks_without_a_place():
    with pytest.raises(StudyError, match=r"(?s)x_px.*no such column"):
        clicks_alone(reading(45).drop(columns="x_px"), FILM)


def test_a_marked_film_that_is_not_there():
    with pytest.raises(StudyError, match="a film for every marked image"):
        measurements_by_clicks(marked_study(), {})

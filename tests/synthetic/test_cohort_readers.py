"""Simulated readers: who reads what when, and where they click."""

from datetime import timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cohortlib.errors import StudyError
from cohortlib.synthetic import readers
from cohortlib.synthetic.further_marks import FURTHER, OF_THE_MIDDLE
from cohortlib.synthetic.study_files import SEED, film_recipes

STUDY = Path(__file__).parents[2] / "synthetic_cohort"
FILMS = pd.Series([f"I{number:04d}" for number in range(1, 91)])


def ellipse(landmark, side, semi_px, *, seen=lambda angle: angle >= 0):
    """Forty-eight points of an ellipse about (500, 400), from one end of its long axis."""
    angle = 2 * np.pi * np.arange(48) / 48
    return pd.DataFrame(
        {
            "landmark": landmark,
            "side": side,
            "x_px": 500 + semi_px[0] * np.cos(angle),
            "y_px": 400 + semi_px[1] * np.sin(angle),
            "visible": seen(angle),
        }
    )


def film_points():
    teardrops = pd.DataFrame(
        {
            "landmark": "teardrop",
            "side": ["left", "right"],
            "x_px": [700.0, 300.0],
            "y_px": 450.0,
            "visible": True,
        }
    )
    head = ellipse("head_edge", "left", (80, 80))
    rim = ellipse("cup_rim", "left", (95, 25), seen=lambda angle: angle <= np.pi + 1e-9)
    centre = head.head(1).assign(landmark="head_centre")
    return pd.concat([teardrops, head, rim, centre], ignore_index=True)


@pytest.fixture(scope="module")
def study():
    """The committed files; test_cohort_files checks that the code still makes them."""
    marks = pd.read_csv(STUDY / "tables" / "landmarks.csv")
    films = film_recipes().set_index("image_id")
    return {
        "landmarks": marks.assign(marked_at=pd.to_datetime(marks["marked_at"]).dt.tz_localize(None)),
        "points": pd.read_csv(STUDY / "truth_landmarks.csv"),
        "spacing_mm": films["recipe"].map(lambda recipe: recipe.spacing_mm),
        "operated": films.index[films["visit_id"] != "before"].to_series(),
    }


# ---------------------------------------------------------------- by hand


def test_ninety_films_give_ninety_thirty_thirty_and_eighteen_readings():
    readings = readers.reading_table(FILMS, seed=4)
    counts = readings.groupby(["reader_id", "repeat"])["image_id"].nunique()
    assert counts.to_dict() == {("R1", 1): 90, ("R1", 2): 18, ("R2", 1): 30, ("R3", 1): 30}
    assert not readings.duplicated(["image_id", "reader_id", "repeat"]).any()
    shared = readings.groupby("reader_id")["image_id"].agg(set)
    assert shared["R2"] == shared["R3"]


def test_one_mark_on_each_teardrop_six_on_head_and_rim():
    chosen = readers.chosen_points(film_points(), np.random.default_rng(1))
    counts = chosen.groupby(["landmark", "side"]).size().to_dict()
    assert counts == {
        ("teardrop", "left"): 1,
        ("teardrop", "right"): 1,
        ("head_edge", "left"): 6,
        ("cup_rim", "left"): 6,
    }


def test_both_ends_of_the_opening_are_marked_and_nothing_hidden():
    chosen = readers.chosen_points(film_points(), np.random.default_rng(2))
    rim = chosen[chosen["landmark"] == "cup_rim"]
    assert {405.0, 595.0} <= set(rim["x_px"].round(6))  # 500 - 95, 500 + 95
    assert (rim["y_px"] >= 400 - 1e-9).all()  # the other half is hidden


def test_where_little_can_be_seen_the_marks_lie_close():
    """Visible: one end with its neighbour, and the other end alone."""
    rim = ellipse("cup_rim", "left", (95, 25), seen=lambda angle: np.isin(np.arange(48), [0, 1, 24]))
    chosen = readers.chosen_points(rim, np.random.default_rng(5))
    assert len(chosen) == 6
    on_ellipse = ((chosen["x_px"] - 500) / 95) ** 2 + ((chosen["y_px"] - 400) / 25) ** 2
    assert on_ellipse.to_numpy() == pytest.approx(1)
    assert (chosen["x_px"] < 406).sum() == 1
    assert (chosen["x_px"] > 500 + 95 * np.cos(2 * np.pi / 48) - 1e-9).sum() == 5


def test_what_is_hidden_altogether_is_not_marked():
    hidden = ellipse("cup_rim", "left", (95, 25), seen=lambda angle: np.zeros(48, dtype=bool))
    points = pd.concat([film_points().query("landmark == 'teardrop'"), hidden], ignore_index=True)
    chosen = readers.chosen_points(points, np.random.default_rng(6))
    assert chosen["landmark"].tolist() == ["teardrop", "teardrop"]


def test_habit_without_hand(monkeypatch):
    """0.8 mm outwards at 0.2 mm a pixel is 4 pixels; a teardrop 0.5 mm higher is 2.5 pixels up."""
    monkeypatch.setitem(readers.CLICK_SD_MM, "R2", 0.0)
    chosen = readers.chosen_points(film_points(), np.random.default_rng(3))
    marks = readers.clicks(chosen, "R2", 0.2, np.random.default_rng(3))
    teardrop = marks[marks["landmark"] == "teardrop"]
    assert teardrop["x_px"].tolist() == [700.0, 300.0]
    assert teardrop["y_px"].tolist() == [447.5, 447.5]
    edge = marks[marks["landmark"] == "head_edge"]
    assert np.hypot(edge["x_px"] - 500, edge["y_px"] - 400).to_numpy() == pytest.approx(84, abs=0.08)


# ---------------------------------------------------------------- by reference


def test_two_weeks_lie_between_the_readings_of_one_film(study):
    """Common practice, no source: at least two weeks before a reader sees a film again."""
    first = (
        study["landmarks"].groupby(["image_id", "reader_id", "repeat"])["marked_at"].min().unstack("repeat")
    )
    assert (first[2] - first[1]).dropna().min() > timedelta(days=14)


def test_readings_start_after_the_data_cut_and_follow_each_other(study):
    """Source: the data cut in study.toml, 2031-06-30."""
    marks = study["landmarks"]
    assert marks["marked_at"].min() > pd.Timestamp("2031-06-30")
    reading = marks.groupby(["reader_id", "image_id", "repeat"])["marked_at"].agg(["min", "max"])
    for _, rows in reading.groupby("reader_id"):
        rows = rows.sort_values("min")
        assert (rows["min"].iloc[1:].to_numpy() > rows["max"].iloc[:-1].to_numpy()).all()


# ---------------------------------------------------------------- by law


@settings(max_examples=25, deadline=None)
@given(spacing_mm=st.floats(0.1, 0.8), seed=st.integers(0, 2**32))
def test_an_error_in_millimetres_does_not_depend_on_the_pixel(spacing_mm, seed):
    chosen = readers.chosen_points(film_points(), np.random.default_rng(seed))
    places = chosen[["x_px", "y_px"]].to_numpy()

    def error_mm(spacing):
        marks = readers.clicks(chosen, "R3", spacing, np.random.default_rng(seed))
        return (marks[["x_px", "y_px"]].to_numpy() - places) * spacing

    rounding_mm = 0.05 * (spacing_mm + 0.2) + 1e-9
    assert np.abs(error_mm(spacing_mm) - error_mm(0.2)).max() <= rounding_mm


def test_a_reading_does_not_depend_on_the_other_readings(study):
    some = readers.reading_table(study["operated"], seed=SEED).iloc[::17].reset_index(drop=True)
    alone = readers.mark_table(some, study["points"], study["spacing_mm"], seed=SEED)
    keys = ["image_id", "reader_id", "repeat", "marked_at"]
    expected = study["landmarks"].merge(some[keys[:3]]).sort_values(keys, ignore_index=True)
    found = alone.sort_values(keys, ignore_index=True)
    pd.testing.assert_frame_equal(found[keys], expected[keys], check_dtype=False)
    # The points on disk are rounded to a thousandth, which may move a tenth.
    assert np.abs(found[["x_px", "y_px"]] - expected[["x_px", "y_px"]]).to_numpy().max() < 0.101


def test_marks_are_rounded_to_a_tenth_of_a_pixel(study):
    places = study["landmarks"][["x_px", "y_px"]].to_numpy()
    assert np.array_equal(places, np.round(places, 1))


# ---------------------------------------------------------------- by recovery


@pytest.fixture(scope="module")
def errors_mm(study):
    """Marks of the committed study less the truth: teardrops along x and y, head edges along the radius."""
    marks = study["landmarks"]
    points = study["points"]
    spacing = marks["image_id"].map(study["spacing_mm"])
    key = ["image_id", "side"]
    teardrop = points[points["landmark"] == "teardrop"].set_index(key)[["x_px", "y_px"]]
    edge = points[points["landmark"] == "head_edge"].groupby(key)[["x_px", "y_px"]]
    middle = edge.mean()
    radius = ((edge.max() - edge.min()) / 2).mean(axis=1)
    rows = marks.assign(spacing=spacing).set_index(key)
    drops = rows[rows["landmark"] == "teardrop"]
    off = (drops[["x_px", "y_px"]] - teardrop.reindex(drops.index)).mul(drops["spacing"], axis=0)
    edges = rows[rows["landmark"] == "head_edge"]
    away = edges[["x_px", "y_px"]] - middle.reindex(edges.index)
    outward = (np.hypot(away["x_px"], away["y_px"]) - radius.reindex(edges.index)) * edges["spacing"]
    return {
        "x": off["x_px"].groupby(drops["reader_id"].to_numpy()),
        "up": (-off["y_px"]).groupby(drops["reader_id"].to_numpy()),
        "outward": outward.groupby(edges["reader_id"].to_numpy()),
    }


@pytest.mark.parametrize("reader", ["R1", "R2", "R3"])
def test_each_reader_is_found_again(errors_mm, reader):
    """Within three standard errors of a mean, sd / sqrt(n), and of a standard deviation, sd / sqrt(2 n)."""
    sd = readers.CLICK_SD_MM[reader]
    expected = {"x": 0.0, "up": readers.TEARDROP_PROXIMAL_MM[reader], "outward": readers.OUTWARD_MM[reader]}
    for direction, bias in expected.items():
        found = errors_mm[direction].get_group(reader)
        error = sd / np.sqrt(len(found))
        # The radius of a scattered click is larger than the circle's by sd^2 / (2 radius), about 0.04 mm.
        curved = sd**2 / (2 * 28) if direction == "outward" else 0.0
        assert found.mean() == pytest.approx(bias + curved, abs=3 * error)
        assert found.std() == pytest.approx(sd, abs=3 * error / np.sqrt(2))


@pytest.mark.parametrize("reader", ["R1", "R2", "R3"])
def test_further_marks_scatter_by_the_hand_alone(study, reader):
    """Single points, without habit: within three standard errors of nothing and of the spread."""
    single = ["stem_tip", "greater_trochanter_tip", "lesser_trochanter"]
    marks = study["landmarks"][study["landmarks"]["landmark"].isin(single)]
    key = ["image_id", "landmark", "side"]
    true = study["points"].drop_duplicates(key).set_index(key)[["x_px", "y_px"]]
    rows = marks[marks["reader_id"] == reader].set_index(key)
    spacing = rows.index.get_level_values("image_id").map(study["spacing_mm"]).to_numpy()
    off = (rows[["x_px", "y_px"]] - true.reindex(rows.index)).to_numpy() * spacing[:, None]
    sd, count = readers.CLICK_SD_MM[reader], len(off)
    assert count > 100
    assert np.abs(off.mean(axis=0)).max() < 3 * sd / np.sqrt(count)
    assert off.std() == pytest.approx(sd, abs=3 * sd / np.sqrt(4 * count))


def test_the_other_side_has_its_lesser_trochanter_and_nothing_else_of_the_femur(study):
    marks = study["landmarks"]
    with_stem = marks[marks["landmark"] == "stem_axis"].groupby("image_id")["side"].agg(set)
    femoral = marks[marks["landmark"].isin(FURTHER) & ~marks["landmark"].isin(OF_THE_MIDDLE)]
    implanted = [
        side in with_stem[image] for image, side in zip(femoral["image_id"], femoral["side"], strict=True)
    ]
    assert set(femoral.loc[~np.array(implanted), "landmark"]) == {"lesser_trochanter"}
    of_film = marks[marks["landmark"].isin(OF_THE_MIDDLE)].groupby(["image_id", "reader_id", "repeat"])
    assert of_film.size().eq(2).all()


# ---------------------------------------------------------------- by failure


def test_a_film_without_points_cannot_be_read():
    readings = readers.reading_table(FILMS, seed=4)
    points = film_points().assign(image_id="I9999")
    spacing = pd.Series(0.3, index=FILMS)
    with pytest.raises(StudyError, match=r"found 'I00\d\d'.*Expected a film with points"):
        readers.mark_table(readings, points, spacing, seed=4)


@pytest.mark.parametrize("reader", ["R4", "", "r1"])
def test_an_unknown_reader_is_refused(reader):
    chosen = readers.chosen_points(film_points(), np.random.default_rng(1))
    with pytest.raises(StudyError, match="R1, R2, R3"):
        readers.clicks(chosen, reader, 0.3, np.random.default_rng(1))

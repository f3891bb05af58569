"""Radiolucent lines measured from pixels, on patches of film with known lines."""

import numpy as np
import pytest

from cohortlib.errors import StudyError
from cohortlib.image import Radiograph
from cohortlib.measure.lucency import radiolucent_lines
from cohortlib.measure.lucency.lines import LUCENCY_COLUMNS
from cohortlib.synthetic.patch import make_interface_patch
from cohortlib.tables import ZONE_STATES

#: Usual noise at 0.15 mm pixels, as the generator says.
USUAL = {"noise_sd": 0.04, "spacing_mm": 0.15}


def film_of(patch):
    pixels = patch.pixels.astype(np.float32)
    return Radiograph(pixels=pixels, spacing_mm=(patch.spacing_mm,) * 2, spacing_source="calibrated object")


def measured(patch, **change):
    outline = patch.edge_px * patch.spacing_mm * [1, -1]
    return radiolucent_lines(film_of(patch), outline, {"1": patch.zone}, **change).iloc[0]


def patch_of(seed, width_mm, **change):
    return make_interface_patch(seed=seed, width_mm=width_mm, **(USUAL | change))


# by hand --------------------------------------------------------------------------------------------------


def test_a_line_over_half_of_a_zone():
    row = measured(patch_of(21, 1.0, extent=0.5, start=0.25, metal_radius_mm=27.0))
    assert row["state"] == "incomplete"
    assert row["width_mm"] == pytest.approx(1.0, abs=0.1)
    assert row["extent_percent"] == pytest.approx(50, abs=6)
    assert row["contrast"] == pytest.approx(0.2, abs=0.08)


def test_a_whole_line_and_none():
    assert measured(patch_of(2, 2.0, metal_radius_mm=27.0))["state"] == "complete"
    row = measured(patch_of(3, 0.0, metal_radius_mm=27.0))
    assert (row["state"], row["extent_percent"]) == ("none", 0.0)
    assert np.isnan(row["width_mm"])


# by recovery ----------------------------------------------------------------------------------------------


def test_width_and_presence_at_usual_noise():
    """The wide study is tests/simulations/lucency_over_noise.py; this is a small draw of it."""
    rng = np.random.default_rng(20)
    errors, seen, quiet = [], [], []
    for number in range(26):
        width = 0.0 if number % 3 == 0 else float(rng.uniform(0.5, 3))
        patch = patch_of(
            100 + number,
            width,
            shape=str(rng.choice(["slit", "shell"])),
            metal_radius_mm=[None, 27.0][rng.integers(2)],
            angle_deg=float(rng.uniform(0, 360)),
            size_mm=48.0,
            zone_mm=34.0,
        )
        row = measured(patch)
        if row["state"] == "not assessable":
            continue
        if width == 0:
            quiet.append(row["state"] == "none")
        else:
            errors.append(abs(row["width_mm"] - width))
            seen.append(row["state"] != "none" or width < 1)
    assert len(errors) >= 12
    assert np.median(errors) <= 0.2
    assert np.mean(seen) >= 0.95
    assert np.mean(quiet) >= 0.8


@pytest.mark.parametrize("shape", ["slit", "shell"])
def test_a_bright_margin_behind_is_no_part_of_the_line(shape):
    row = measured(patch_of(5, 1.5, shape=shape, sclerosis_mm=0.6, metal_radius_mm=27.0))
    assert row["width_mm"] == pytest.approx(1.5, abs=0.2)


# by law ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "change",
    [
        {"angle_deg": 5.0},
        {"angle_deg": 180.0},
        {"spacing_mm": 0.1, "noise_sd": 0.06},
        {"spacing_mm": 0.3, "noise_sd": 0.02},
    ],
)
def test_the_same_line_however_it_lies_and_at_other_pixels(change):
    row = measured(patch_of(6, 1.5, contrast=0.3, metal_radius_mm=27.0, **change))
    assert row["width_mm"] == pytest.approx(1.5, abs=0.2)
    assert row["state"] == "complete"


def test_the_mirror_image_and_the_order_of_points():
    patch = patch_of(7, 1.0, extent=0.6, start=0.1, metal_radius_mm=27.0)
    whole = measured(patch)
    film = film_of(patch)
    flipped = Radiograph(
        pixels=film.pixels[:, ::-1].copy(), spacing_mm=film.spacing_mm, spacing_source=film.spacing_source
    )
    outline = patch.edge_px * patch.spacing_mm * [1, -1]
    width_mm = (patch.pixels.shape[1] - 1) * patch.spacing_mm
    mirrored = (outline * [-1, 1] + [width_mm, 0])[::-1]
    other = radiolucent_lines(flipped, mirrored, {"1": patch.zone[::-1]}).iloc[0]
    assert other["state"] == whole["state"]
    assert other["width_mm"] == pytest.approx(whole["width_mm"], abs=0.05)
    assert other["extent_percent"] == pytest.approx(whole["extent_percent"], abs=5)


def test_a_polygon_is_as_good_as_a_choice_of_points():
    patch = patch_of(8, 1.0, angle_deg=90.0)
    outline = patch.edge_px * patch.spacing_mm * [1, -1]
    inside = outline[patch.zone]
    margin = np.array([0.01, 9.0])
    low, high = inside.min(axis=0) - margin, inside.max(axis=0) + margin
    polygon = np.array([low, (high[0], low[1]), high, (low[0], high[1])])
    film = film_of(patch)
    by_points = radiolucent_lines(film, outline, {"1": patch.zone}).iloc[0]
    by_polygon = radiolucent_lines(film, outline, {"1": polygon}).iloc[0]
    assert by_polygon["width_mm"] == pytest.approx(by_points["width_mm"], abs=0.02)


# by failure -----------------------------------------------------------------------------------------------


def test_extreme_noise_is_not_assessable_and_says_why():
    row = measured(patch_of(9, 2.0, noise_sd=0.5))
    assert row["state"] == "not assessable"
    assert row["note"].startswith("noise: ")
    assert np.isnan(row["width_mm"])
    assert np.isnan(row["extent_percent"])


def test_a_film_without_scale_or_with_coarse_pixels_is_not_assessable():
    patch = patch_of(10, 1.0)
    outline = patch.edge_px * patch.spacing_mm * [1, -1]
    for spacing, note in ((None, "no scale"), ((0.6, 0.6), "0.60 mm are too coarse")):
        source = "none" if spacing is None else "calibrated object"
        film = Radiograph(pixels=patch.pixels.astype(np.float32), spacing_mm=spacing, spacing_source=source)
        found = radiolucent_lines(film, outline, {"1": patch.zone, "2": patch.zone})
        assert found["state"].tolist() == ["not assessable"] * 2
        assert found["note"].str.contains(note).all()


def test_a_zone_off_the_film_is_not_assessable_beside_one_that_is():
    patch = patch_of(11, 1.0, metal_radius_mm=27.0)
    outline = patch.edge_px * patch.spacing_mm * [1, -1]
    nowhere = np.zeros(len(outline), dtype=bool)
    found = radiolucent_lines(film_of(patch), outline, {"1": patch.zone, "2": nowhere})
    assert tuple(found.columns) == LUCENCY_COLUMNS
    assert set(found["state"]) <= set(ZONE_STATES)
    assert found["note"].tolist() == ["", "the zone holds no part of the outline"]


@pytest.mark.parametrize(
    ("outline", "zones", "match"),
    [
        (np.zeros((3, 2)), {"1": [True] * 3}, "at least eight finite points"),
        (np.full((9, 2), np.nan), {"1": [True] * 9}, "at least eight finite points"),
        (np.zeros((9, 2)), {}, "no zone"),
    ],
)
def test_refused_in_words(outline, zones, match):
    with pytest.raises(StudyError, match=match):
        radiolucent_lines(film_of(patch_of(12, 1.0, size_mm=20.0, zone_mm=10.0)), outline, zones)

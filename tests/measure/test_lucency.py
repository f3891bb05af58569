"""Radiolucent lines measured from pixels, on patches of film with known lines."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from time import process_time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import gaussian_filter, rotate

from cohortlib.errors import StudyError
from cohortlib.geometry.polygon import Zone
from cohortlib.image import Radiograph
from cohortlib.measure.lucency import LUCENCY_COLUMNS, radiolucent_lines
from cohortlib.measure.lucency.interface import film_strip
from cohortlib.synthetic.lucency import layer_mm
from cohortlib.synthetic.patch import LARGEST, make_interface_patch
from cohortlib.tables import ZONE_STATES

#: Usual noise at 0.15 mm pixels, as the generator says.
USUAL = {"noise_sd": 0.04, "spacing_mm": 0.15, "size_mm": 48.0, "zone_mm": 34.0}
ROUND = {"metal_radius_mm": 27.0}


@cache
def patch_of(seed, width_mm, **change):
    return make_interface_patch(seed=seed, width_mm=width_mm, **(USUAL | change))


def film_of(patch, *, inverted=False):
    pixels = patch.pixels.astype(np.float32)
    if inverted:
        pixels = LARGEST - pixels
    return Radiograph(pixels=pixels, spacing_mm=(patch.spacing_mm,) * 2, spacing_source="detector")


def outline_of(patch):
    return patch.edge_px * patch.spacing_mm * [1, -1]


def measured(patch, **change):
    return radiolucent_lines(film_of(patch), outline_of(patch), {"1": patch.zone}, **change).iloc[0]


def same_within_sd(one, other, percent=6):
    assert one["state"] == other["state"]
    assert abs(one["width_mm"] - other["width_mm"]) <= 2 * np.hypot(one["sd"], other["sd"])
    assert one["extent_percent"] == pytest.approx(other["extent_percent"], abs=percent)


# ---- by hand -------------------------------------------------------------------------------------


def test_a_line_over_half_of_a_zone():
    row = measured(patch_of(21, 1.0, extent=0.5, start=0.25, **ROUND))
    assert row["state"] == "incomplete"
    assert row["width_mm"] == pytest.approx(1.0, abs=0.1)
    assert row["extent_percent"] == pytest.approx(50, abs=5)
    assert row["contrast"] == pytest.approx(0.2, abs=0.05)
    assert row["method"] == "profiles across the interface, slit"
    assert row["n_profiles"] == 57


def test_a_whole_line_and_none():
    assert measured(patch_of(2, 2.0, **ROUND))["state"] == "complete"
    row = measured(patch_of(3, 0.0, **ROUND))
    assert (row["state"], row["extent_percent"]) == ("none", 0.0)
    assert np.isnan(row["width_mm"])


def test_a_film_without_noise_or_texture():
    row = measured(patch_of(1, 1.5, noise_sd=0.0, texture=0.0, extent=0.6))
    assert row["width_mm"] == pytest.approx(1.5, abs=0.06)
    assert row["extent_percent"] == pytest.approx(60, abs=3)
    assert measured(patch_of(1, 0.0, noise_sd=0.0, texture=0.0))["state"] == "none"


# ---- by reference --------------------------------------------------------------------------------


@pytest.mark.parametrize("radius_mm", [8.0, 27.0])
def test_a_shell_fades_as_a_chord_does(radius_mm):
    """Chord of a ring, common geometry; the root that stands for it is near enough for lines of 3 mm."""
    from cohortlib.measure.lucency.shapes import SHAPES, blur_matrix, blurred, line_cells

    away = np.arange(0.1, 3.0, 0.1)
    lines = blurred(line_cells(np.array([3.0]), np.zeros(1)), blur_matrix(away, 1e-3))
    depth = layer_mm(away, radius_mm, 0.0, 3.0) / layer_mm(0.0, radius_mm, 0.0, 3.0)
    assert lines.line[SHAPES.index("shell")] == pytest.approx(depth, abs=0.05)


# ---- by law --------------------------------------------------------------------------------------


@pytest.mark.parametrize("spacing_mm", [0.1, 0.15, 0.2, 0.3])
def test_an_outline_drawn_the_other_way_round_shows_the_same(spacing_mm):
    facts = {"extent": 0.6, "start": 0.1, "spacing_mm": spacing_mm, "noise_sd": 0.006 / spacing_mm, **ROUND}
    patch = patch_of(11, 1.5, **facts)
    other = radiolucent_lines(film_of(patch), outline_of(patch)[::-1], {"1": patch.zone[::-1]}).iloc[0]
    own = measured(patch)
    assert own["state"] == other["state"] == "incomplete"
    assert abs(own["width_mm"] - other["width_mm"]) <= min(own["sd"], other["sd"])


@pytest.mark.parametrize("spacing_mm", [0.1, 0.15, 0.2, 0.3])
def test_the_metals_edge_lies_in_one_place_whichever_way_round(spacing_mm):
    """Within a tenth of a step across: a third beside it, and the blurred edge of metal passed for a line."""
    patch = patch_of(12, 0.0, spacing_mm=spacing_mm, noise_sd=0.004, **ROUND)
    places = []
    for turn in (1, -1):
        edge, zone = outline_of(patch)[::turn], patch.zone[::turn]
        strip = film_strip(film_of(patch), edge, {"1": zone}, 2.0)
        mean = np.nanmean(strip.grey, axis=0)  # falls from metal to bone
        half = 0.5 * (mean[0] + np.median(mean[strip.x_mm > 3]))
        near = np.abs(strip.x_mm) < 0.6
        places.append(np.interp(-half, -mean[near], strip.x_mm[near]))
    assert abs(places[0] - places[1]) <= 0.1 * min(spacing_mm, 0.15)


@settings(max_examples=6, deadline=None)
@given(seed=st.integers(0, 10**6), width=st.floats(1.0, 2.5), angle=st.floats(0, 360))
def test_the_mirror_image_and_the_order_of_points(seed, width, angle):
    patch = make_interface_patch(
        seed=seed, width_mm=width, extent=0.6, start=0.1, angle_deg=angle, **USUAL, **ROUND
    )
    film = film_of(patch)
    flipped = replace(film, pixels=film.pixels[:, ::-1].copy())
    width_mm = (patch.pixels.shape[1] - 1) * patch.spacing_mm
    mirrored = (outline_of(patch) * [-1, 1] + [width_mm, 0])[::-1]
    other = radiolucent_lines(flipped, mirrored, {"1": patch.zone[::-1]}).iloc[0]
    same_within_sd(measured(patch), other)


@pytest.mark.parametrize("shape", ["slit", "shell"])
def test_a_turned_film(shape):
    """The pixels are turned by 5 degrees about the middle, and the outline with them.

    Turning smooths noise, so both are asked with room to the limit of what can be assessed.
    """
    room = {"least_contrast": 0.3}
    patch = patch_of(6, 1.5, shape=shape, extent=0.6, start=0.2, **ROUND)
    film = film_of(patch)
    turned = rotate(film.pixels, 5.0, reshape=False, order=1, mode="nearest")
    turn = np.radians(5.0)
    middle = (np.array(film.pixels.shape[::-1]) - 1) / 2 * patch.spacing_mm * [1, -1]
    matrix = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    outline = (outline_of(patch) - middle) @ matrix.T + middle
    other = radiolucent_lines(replace(film, pixels=turned), outline, {"1": patch.zone}, **room).iloc[0]
    same_within_sd(measured(patch, **room), other)


@pytest.mark.parametrize("shape", ["slit", "shell"])
@pytest.mark.parametrize("spacing_mm", [0.1, 0.2, 0.3, 0.4])
def test_other_pixels(shape, spacing_mm):
    """The same dose: noise falls with the size of the pixel; texture and noise are drawn anew."""
    facts = {"shape": shape, "extent": 0.6, "start": 0.2, "angle_deg": 20.0, **ROUND}
    other = patch_of(7, 1.5, **facts, spacing_mm=spacing_mm, noise_sd=0.006 / spacing_mm)
    same_within_sd(measured(patch_of(7, 1.5, **facts)), measured(other), percent=12)


def test_an_inverted_file_read_as_white_is_dense():
    facts = {"extent": 0.6, "start": 0.2, **ROUND}
    own, inverted = patch_of(8, 1.5, **facts), patch_of(8, 1.5, **facts, inverted=True)
    film = film_of(inverted, inverted=True)
    other = radiolucent_lines(film, outline_of(inverted), {"1": inverted.zone}).iloc[0]
    same_within_sd(measured(own), other)


@pytest.mark.parametrize(("factor", "offset"), [(0.25, 0.0), (3.0, 500.0)])
def test_another_scale_of_grey(factor, offset):
    patch = patch_of(9, 1.5, extent=0.6, start=0.2, **ROUND)
    film = film_of(patch)
    film = replace(film, pixels=film.pixels * np.float32(factor) + np.float32(offset))
    other = radiolucent_lines(film, outline_of(patch), {"1": patch.zone}).iloc[0]
    same_within_sd(measured(patch), other)


def test_polygons_and_named_zones_are_as_good_as_a_choice_of_points():
    patch = patch_of(10, 1.0, angle_deg=90.0)
    inside = outline_of(patch)[patch.zone]
    low, high = inside.min(axis=0) - [0.01, 9.0], inside.max(axis=0) + np.array([0.01, 9.0])
    polygon = np.array([low, (high[0], low[1]), high, (low[0], high[1])])
    film, outline = film_of(patch), outline_of(patch)
    by_points = measured(patch)
    by_polygon = radiolucent_lines(film, outline, {"1": polygon}).iloc[0]
    by_zone = radiolucent_lines(film, outline, [Zone("cup_3", "1", polygon)]).iloc[0]
    same_within_sd(by_points, by_polygon)
    assert by_zone.equals(by_polygon)


# ---- by recovery ---------------------------------------------------------------------------------


def test_width_and_presence_at_usual_noise():
    """The wide study is tests/simulations/lucency_over_noise.py; this is a small draw of it."""
    rng = np.random.default_rng(20)
    errors, seen, quiet = [], [], []
    for number in range(40):
        width = 0.0 if number % 2 == 0 else float(rng.uniform(0.5, 3))
        patch = patch_of(
            100 + number,
            width,
            shape=str(rng.choice(["slit", "shell"])),
            metal_radius_mm=[None, 27.0][rng.integers(2)],
            angle_deg=float(rng.uniform(0, 360)),
            sclerosis_mm=float(rng.choice([0.0, 0.5])),
        )
        row = measured(patch)
        assert row["state"] != "not assessable"
        if width == 0:
            quiet.append(row["state"] == "none")
        else:
            errors.append(abs(row["width_mm"] - width))
            seen.append(row["state"] != "none" or width < 1)
    assert np.nanmedian(errors) <= 0.2
    assert np.mean(seen) >= 0.95
    assert np.mean(quiet) >= 0.9


@pytest.mark.parametrize("shape", ["slit", "shell"])
def test_the_shape_and_a_bright_margin_are_told(shape):
    row = measured(patch_of(5, 1.5, shape=shape, sclerosis_mm=0.6, **ROUND))
    assert row["width_mm"] == pytest.approx(1.5, abs=0.15)
    assert row["method"].endswith(shape)


def test_an_outline_that_misses_the_edge_is_moved_to_it():
    patch = patch_of(11, 1.5, extent=0.6, start=0.2, **ROUND)
    outward = patch.outward * [1, -1]
    for away_mm in (-1.0, 1.0):
        outline = outline_of(patch) + away_mm * outward + [0.0, 0.3]
        other = radiolucent_lines(film_of(patch), outline, {"1": patch.zone}).iloc[0]
        same_within_sd(measured(patch), other)


@pytest.mark.parametrize("facts", [{"gradient_per_mm": 0.03}, {"blur_mm": 0.4}, {"blur_mm": 0.08}])
@pytest.mark.parametrize("edge", [{}, ROUND])
def test_a_slope_of_bone_and_a_soft_or_sharp_edge_are_no_line(facts, edge):
    assert measured(patch_of(12, 0.0, **facts, **edge))["state"] == "none"


@pytest.mark.parametrize("sigma_mm", [0.6, 1.0, 2.0])
@pytest.mark.parametrize("share", [0.3, 1.0])
def test_the_dark_rim_of_a_sharpened_film_is_no_line(sigma_mm, share):
    patch = patch_of(13, 0.0, **ROUND)
    film = film_of(patch)
    taken = film.pixels - gaussian_filter(film.pixels, sigma_mm / patch.spacing_mm)
    film = replace(film, pixels=film.pixels + np.float32(share) * taken)
    row = radiolucent_lines(film, outline_of(patch), {"1": patch.zone}).iloc[0]
    assert row["state"] in ("none", "not assessable")
    assert row["note"].startswith("edges sharpened") or share < 1


def test_broad_equalisation_makes_no_line():
    patch = patch_of(14, 0.0, **ROUND)
    film = film_of(patch)
    broad = gaussian_filter(film.pixels, 15 / patch.spacing_mm, mode="nearest")
    film = replace(film, pixels=film.pixels - np.float32(0.4) * broad)
    row = radiolucent_lines(film, outline_of(patch), {"1": patch.zone}).iloc[0]
    assert row["state"] == "none"


def test_a_zone_takes_a_tenth_of_a_second_at_most():
    patch = patch_of(15, 1.0)
    measured(patch)
    begin = process_time()
    for _ in range(3):
        measured(patch)
    assert (process_time() - begin) / 3 < 0.3  # a busy machine; alone it is 0.05 s


# ---- by failure ----------------------------------------------------------------------------------


def test_extreme_noise_is_not_assessable_and_says_why():
    row = measured(patch_of(16, 0.0, noise_sd=0.6, **ROUND))
    assert row["state"] == "not assessable"
    assert row["note"].startswith("noise too high: ")
    assert np.isnan(row["width_mm"])
    assert np.isnan(row["extent_percent"])


def test_what_counts_as_none_depends_on_the_contrast_that_is_asked_for():
    patch = patch_of(3, 0.0, **ROUND)
    assert measured(patch, least_contrast=0.02)["state"] == "not assessable"
    assert measured(patch, least_contrast=0.5)["state"] == "none"


@pytest.mark.parametrize(
    ("spacing_mm", "note"), [(None, "no scale"), ((0.6, 0.6), "pixels too coarse: 0.60 mm")]
)
def test_a_film_without_scale_or_with_coarse_pixels(spacing_mm, note):
    patch = patch_of(10, 1.0, angle_deg=90.0)
    film = replace(
        film_of(patch), spacing_mm=spacing_mm, spacing_source="none" if spacing_mm is None else "detector"
    )
    found = radiolucent_lines(film, outline_of(patch), {"1": patch.zone, "2": patch.zone})
    assert found["state"].tolist() == ["not assessable"] * 2
    assert found["note"].tolist() == [note] * 2


def changed(patch, what):
    """A film in which a part of the interface cannot be seen."""
    film = film_of(patch)
    pixels = film.pixels.copy()
    if what == "metal beside":
        along, away = np.meshgrid(np.arange(0, 34, 0.05) - 17, np.arange(1.5, 4.0, 0.05))
        middle = patch.edge_px[patch.zone].mean(axis=0)
        out = patch.outward[patch.zone].mean(axis=0)
        places = middle + (away[..., None] * out + along[..., None] * out[::-1] * [-1, 1]) / patch.spacing_mm
        column, row = np.rint(places).astype(int).reshape(-1, 2).T
        pixels[row, column] = pixels.max()
    if what == "no metal":
        pixels[:] = np.random.default_rng(1).normal(1000, 30, pixels.shape)
    if what == "one grey":
        pixels[:] = 7.0
    return replace(film, pixels=pixels)


@pytest.mark.parametrize(
    ("what", "note"),
    [
        ("metal beside", "hidden by another implant"),
        ("no metal", "of the step from bone to metal"),
        ("one grey", "metal edge not found"),
    ],
)
def test_what_cannot_be_seen_is_not_assessable(what, note):
    patch = patch_of(17, 0.0)
    row = radiolucent_lines(changed(patch, what), outline_of(patch), {"1": patch.zone}).iloc[0]
    assert row["state"] == "not assessable"
    assert note in row["note"]


def test_a_zone_off_the_film_beside_one_that_is_on_it():
    patch = patch_of(18, 2.0)
    beyond = outline_of(patch)[-1] + np.outer(np.arange(1, 60) * 0.5, [0.0, 1.0])
    outline = np.vstack([outline_of(patch), beyond])
    zones = {"1": np.append(patch.zone, np.zeros(59, bool)), "2": np.arange(len(outline)) >= len(patch.zone)}
    found = radiolucent_lines(film_of(patch), outline, {**zones, "3": np.zeros(len(outline), bool)})
    assert tuple(found.columns) == LUCENCY_COLUMNS
    assert set(found["state"]) <= set(ZONE_STATES)
    assert found["state"].tolist() == ["complete", "not assessable", "not assessable"]
    assert "off the film over 100 % of the zone" in found["note"][1]
    assert found["note"][2] == "the zone holds no part of the outline"


LINE = np.column_stack([np.arange(9.0), np.zeros(9)])


@pytest.mark.parametrize(
    ("outline", "zones", "match"),
    [
        (np.zeros((3, 2)), {"1": [True] * 3}, "at least eight finite points"),
        (np.full((9, 2), np.nan), {"1": [True] * 9}, "at least eight finite points"),
        (np.zeros((9, 2)), {"1": [True] * 9}, "points in one place"),
        (LINE, {}, "no zone"),
        (LINE, {"1": [True] * 8}, "zone 1 of shape"),
        (LINE, {"1": np.full((4, 2), np.inf)}, "zone 1 of shape"),
        (LINE, {"1": ["a", "b"]}, "a polygon"),
    ],
)
def test_refused_in_words(outline, zones, match):
    film = film_of(patch_of(19, 1.0, size_mm=20.0, zone_mm=10.0))
    with pytest.raises(StudyError, match=match):
        radiolucent_lines(film, outline, zones)

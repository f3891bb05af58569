"""Patches of film about one interface: what is on them, and what they say is on them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage

from cohortlib.errors import StudyError
from cohortlib.synthetic.lucency import layer_mm
from cohortlib.synthetic.patch import LARGEST, make_interface_patch

QUIET = {"seed": 1, "noise_sd": 0.0, "texture": 0.0}
STEP_MM = 0.02


def profile(patch, lined=True):
    """Distance from the edge [mm] and the mean stored value there, over the points with (without) a line.

    Points within 2 mm of an end of the line are left out: it fades there.
    """
    far = ndimage.binary_erosion((patch.width_mm > 0) == lined, iterations=4, border_value=1) & patch.zone
    away = np.arange(-4, 7, STEP_MM)
    places = patch.edge_px[far, None] + away[None, :, None] * patch.outward[far, None] / patch.spacing_mm
    values = ndimage.map_coordinates(patch.pixels.astype(float), [places[..., 1], places[..., 0]], order=1)
    return away, values.mean(axis=0)


def crossing_mm(away, values, level, *, after):
    """Where a profile first crosses a level beyond a place."""
    beyond = away >= after
    above = values[beyond] > level
    first = int(np.flatnonzero(above != above[0])[0])
    x, y = away[beyond][first - 1 : first + 1], values[beyond][first - 1 : first + 1]
    return float(np.interp(level, np.sort(y), x[np.argsort(y)]))


def half_width_mm(patch):
    """Width between the half levels on both sides of a dark band: metal to line, line to bone."""
    away, values = profile(patch)
    dark, bone = values[(away > 0.2) & (away < 0.95 * patch.width_mm.max())].min(), values[away > 6].mean()
    outer = crossing_mm(away, values, (dark + bone) / 2, after=away[values.argmin()])
    exposure = np.exp(-values * 3.2 / LARGEST)  # the edge of the metal, in what arrives
    inner = crossing_mm(away, exposure, (exposure.max() + exposure[away < -3].mean()) / 2, after=-3.0)
    return outer - inner


# ---- by hand -------------------------------------------------------------------------------------


@pytest.mark.parametrize("width_mm", [0.5, 1.0, 2.0, 3.0])
@pytest.mark.parametrize("edge", [{}, {"metal_radius_mm": 27.0, "angle_deg": 70.0}, {"angle_deg": 205.0}])
def test_the_width_in_a_profile_is_the_true_one(width_mm, edge):
    patch = make_interface_patch(**QUIET, width_mm=width_mm, blur_mm=0.05, **edge)
    assert half_width_mm(patch) == pytest.approx(width_mm, abs=0.05)


@pytest.mark.parametrize("blur_mm", [0.1, 0.2, 0.3])
def test_blur_does_not_move_the_edges_of_a_line_wider_than_it(blur_mm):
    patch = make_interface_patch(**QUIET, width_mm=2.0, blur_mm=blur_mm, angle_deg=30.0)
    assert half_width_mm(patch) == pytest.approx(2.0, abs=0.05)


@pytest.mark.parametrize("contrast", [0.05, 0.2, 0.6])
def test_the_line_is_as_dark_as_asked_for(contrast):
    away, values = profile(make_interface_patch(**QUIET, width_mm=3.0, contrast=contrast))
    dark = (values[away > 5].mean() - values[(away > 1) & (away < 2)].mean()) * 3.2 / LARGEST
    assert dark == pytest.approx(contrast, abs=0.005)


def test_extent_and_start_say_which_part_of_the_zone_has_the_line():
    patch = make_interface_patch(**QUIET, width_mm=1.0, extent=0.25, start=0.5, zone_mm=40.0)
    lined = patch.width_mm > 0
    assert patch.zone.sum() == 81
    assert lined[patch.zone].mean() == pytest.approx(0.25, abs=0.02)
    assert patch.extent_percent == 25.0
    assert not lined[~patch.zone].any()
    assert lined[patch.zone][40:60].all()


def test_without_a_line_nothing_is_dark():
    away, values = profile(make_interface_patch(**QUIET, width_mm=0.0), lined=False)
    assert values[away > 1].max() - values[away > 1].min() < 1


# ---- by reference --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    # Chord of a ring, common geometry: 2 sqrt(R² - d²); a right triangle of 5, 12 and 13.
    ("outside", "radius", "inner", "outer", "length"),
    [
        (0.0, 5.0, 0.0, 8.0, 24.0),
        (0.0, 12.0, 0.0, 1.0, 10.0),
        (1.0, 12.0, 0.0, 1.0, 0.0),
        (-12.0, 12, 0, 3, 6),
    ],
)
def test_length_of_a_ray_in_a_round_layer(outside, radius, inner, outer, length):
    assert layer_mm(outside, radius, inner, outer) == pytest.approx(length)


# ---- by law --------------------------------------------------------------------------------------


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 10**6), width=st.floats(0, 3), angle=st.floats(0, 360), noise=st.floats(0, 0.5))
def test_the_same_arguments_give_the_same_bytes(seed, width, angle, noise):
    facts = {"seed": seed, "width_mm": width, "angle_deg": angle, "noise_sd": noise, "size_mm": 20.0}
    one, other = (make_interface_patch(**facts, zone_mm=10.0) for _ in range(2))
    assert one.pixels.tobytes() == other.pixels.tobytes()


@settings(max_examples=15, deadline=None)
@given(width=st.floats(0.3, 3), angle=st.floats(0, 360), radius=st.floats(10, 40))
def test_the_mirrored_patch_is_the_patch_of_the_mirrored_angle(width, angle, radius):
    facts = {**QUIET, "width_mm": width, "size_mm": 24.0, "zone_mm": 10.0, "metal_radius_mm": radius}
    own = make_interface_patch(**facts, angle_deg=angle).pixels.astype(int)
    other = make_interface_patch(**facts, angle_deg=180 - angle).pixels.astype(int)
    assert np.abs(own - other[:, ::-1]).max() <= 1


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 10**6), width=st.floats(0, 3))
def test_an_inverted_patch_is_the_negative(seed, width):
    facts = {"seed": seed, "width_mm": width, "size_mm": 20.0, "zone_mm": 10.0}
    own = make_interface_patch(**facts).pixels.astype(int)
    other = make_interface_patch(**facts, inverted=True).pixels.astype(int)
    assert np.abs(own + other - LARGEST).max() <= 1


# ---- by recovery ---------------------------------------------------------------------------------


def test_a_line_that_surrounds_round_metal_ends_where_it_is_wide():
    """It fades like a root: where the slope towards the bone is steepest, at its outer face."""
    facts = {**QUIET, "shape": "shell", "metal_radius_mm": 27.0, "blur_mm": 0.05}
    for width in (1.0, 2.0):
        away, values = profile(make_interface_patch(**facts, width_mm=width, sclerosis_mm=0.5))
        slope = np.where((away > 0.4) & (away < 4), np.gradient(values), 0)
        assert away[slope.argmax()] == pytest.approx(width, abs=0.1)


@pytest.mark.parametrize("noise_sd", [0.02, 0.1, 0.3])
def test_noise_is_what_was_asked_for(noise_sd):
    patch = make_interface_patch(seed=3, width_mm=0.0, noise_sd=noise_sd, texture=0.0)
    bone = -patch.pixels[:, 280:].astype(float) * 3.2 / LARGEST
    assert np.exp(bone).std() / np.exp(bone).mean() == pytest.approx(noise_sd, rel=0.05)


def test_the_mean_of_many_noisy_profiles_has_the_width():
    found = []
    for seed in range(12):
        patch = make_interface_patch(seed=seed, width_mm=1.5, noise_sd=0.04, angle_deg=29.0 * seed)
        found.append(half_width_mm(patch))
    assert np.mean(found) == pytest.approx(1.5, abs=0.08)


# ---- by failure ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "match"),
    [
        ({"width_mm": -1.0}, "width_mm: found -1.0"),
        ({"width_mm": float("nan")}, "width_mm: found nan"),
        ({"extent": 1.2}, "extent: found 1.2"),
        ({"extent": 0.8, "start": 0.5}, "start and extent: found 1.3"),
        ({"contrast": 9.0}, "contrast: found 9.0"),
        ({"noise_sd": -0.1}, "noise_sd: found -0.1"),
        ({"shape": "round"}, "shape: found 'round'"),
        ({"zone_mm": 100.0}, "zone_mm: found 100.0"),
        ({"spacing_mm": 0.0}, "spacing_mm: found 0.0"),
        ({"metal_radius_mm": 0.5}, "metal_radius_mm: found 0.5"),
        ({"size_mm": 1e6}, "size_mm: found 1000000.0"),
    ],
)
def test_a_patch_that_cannot_be_is_refused(changes, match):
    with pytest.raises(StudyError, match=match):
        make_interface_patch(**{"seed": 1, "width_mm": 1.0, **changes})

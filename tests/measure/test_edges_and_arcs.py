"""Edges to a fraction of a pixel, circles along part of their outline, and the descent that fits them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import gaussian_filter
from scipy.optimize import least_squares

from cohortlib.measure.arc import Expected, fit_arc
from cohortlib.measure.descent import descent
from cohortlib.measure.edges import falling_edges


def disc(centre, radius, *, shape=(200, 200), blur=1.0, grey=1000.0, step=4) -> np.ndarray:
    """A blurred disc, drawn finely and averaged, so that its edge lies where it is said to lie."""
    fine = (np.arange(shape[0] * step) + 0.5) / step - 0.5
    inside = np.hypot(fine[None, :] - centre[0], fine[:, None] - centre[1]) <= radius
    pixels = inside.reshape(shape[0], step, shape[1], step).mean(axis=(1, 3)) * grey
    return gaussian_filter(pixels, blur).astype(np.float32)


# by hand


def test_the_edge_of_a_half_plane():
    pixels = np.zeros((50, 50), dtype=np.float32)
    pixels[:, :20] = 100
    pixels = gaussian_filter(pixels, 1.0)
    edges = falling_edges(pixels, np.array([[18.0, 25.0]]), np.array([[1.0, 0.0]]), reach_px=5, least_drop=5)
    assert edges.found.all()
    assert 18.0 + edges.offset_px[0] == pytest.approx(19.5, abs=0.02)


def test_nothing_is_found_where_there_is_no_edge_or_no_image():
    flat = np.full((50, 50), 7, dtype=np.float32)
    points, outward = np.array([[25.0, 25.0], [-80.0, 25.0]]), np.array([[1.0, 0.0], [1.0, 0.0]])
    edges = falling_edges(flat, points, outward, reach_px=5, least_drop=1)
    assert not edges.found.any()
    assert np.isnan(edges.offset_px).all()


# by reference: SciPy 1.17, least_squares with the same loss


def test_descent_equals_scipy_with_the_same_loss():
    rng = np.random.default_rng(1)
    x = np.linspace(0, 3, 60)
    y = 2.0 * np.exp(-0.7 * x) + rng.normal(0, 0.02, 60)
    y[7] += 1.0

    def residuals(p):
        return p[0] * np.exp(-p[1] * x) - y

    ours, _ = descent(
        residuals,
        np.array([1.0, 1.0]),
        low=np.zeros(2),
        high=np.full(2, 10.0),
        forgiveness=0.05,
        steps=np.full(2, 1e-5),
        most_steps=50,
    )
    reference = least_squares(residuals, [1.0, 1.0], loss="cauchy", f_scale=0.05).x
    np.testing.assert_allclose(ours, reference, atol=1e-4)


# by law


@given(st.floats(95, 105), st.floats(95, 105), st.floats(40, 60))
@settings(max_examples=15, deadline=None)
def test_a_disc_is_found_from_a_seed_some_pixels_off(x, y, radius):
    """The blur of a curved edge moves its steepest place inwards by about blur² / 2 radius."""
    pixels = disc((x, y), radius)
    expected = Expected(np.array([x + 2, -y + 1, radius - 2]), np.full(3, 2.0))
    circle, seen = fit_arc(
        pixels,
        expected,
        mm_per_px=(1.0, 1.0),
        least_drop=20.0,
        seen_towards=np.array([0.0, 1.0]),
        half_angle_deg=85.0,
    )
    assert seen > 0.95
    np.testing.assert_allclose(circle.centre, [x, -y], atol=0.06)
    assert circle.radius == pytest.approx(radius, abs=0.06)


@given(st.floats(0.1, 10), st.floats(-500, 500))
@settings(max_examples=20, deadline=None)
def test_gain_and_offset_do_not_move_an_edge(gain, offset):
    pixels = disc((100.0, 100.0), 50.0)
    points, outward = np.array([[148.0, 100.0]]), np.array([[1.0, 0.0]])
    plain = falling_edges(pixels, points, outward, reach_px=5, least_drop=20)
    changed = falling_edges(pixels * gain + offset, points, outward, reach_px=5, least_drop=20 * gain)
    assert changed.offset_px[0] == pytest.approx(plain.offset_px[0], abs=0.01)


# by recovery


def test_the_covariance_of_an_arc_is_the_scatter_under_noise():
    """Noise of one pixel, a third of the outline seen."""
    rng = np.random.default_rng(3)
    clean = disc((100.0, 100.0), 50.0)
    options = {
        "mm_per_px": (1.0, 1.0),
        "least_drop": 20.0,
        "seen_towards": np.array([1.0, 0.0]),
        "half_angle_deg": 60.0,
    }
    expected = Expected(np.array([101.0, -99.0, 49.0]), np.full(3, 2.0))
    fits = [
        fit_arc((clean + rng.normal(0, 60, clean.shape)).astype(np.float32), expected, **options)[0]
        for _ in range(40)
    ]
    seen = np.std([[*fit.centre, fit.radius] for fit in fits], axis=0)
    said = np.sqrt(np.median([np.diag(fit.covariance) for fit in fits], axis=0))
    # Edge points are counted as fewer than they are, so the stated spread may be larger, not smaller.
    assert (said > 0.7 * seen).all()
    assert (said < 4.0 * seen).all()


# by failure


def test_an_arc_that_is_not_there_gives_back_what_was_expected():
    expected = Expected(np.array([100.0, -100.0, 50.0]), np.full(3, 2.0))
    circle, seen = fit_arc(
        np.full((200, 200), 5, dtype=np.float32),
        expected,
        mm_per_px=(1.0, 1.0),
        least_drop=20.0,
        seen_towards=np.array([1.0, 0.0]),
        half_angle_deg=60.0,
    )
    assert seen == 0
    assert circle.radius == 50
    np.testing.assert_allclose(np.diag(circle.covariance), 4.0)

"""Lines, circles and ellipses through points."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from skimage.measure import CircleModel, EllipseModel

from cohortlib.errors import StudyError
from cohortlib.geometry import fit_circle, fit_ellipse, fit_line
from cohortlib.geometry.ellipse import Ellipse, ellipse_distances, ellipse_from_conic


def arc(ellipse: Ellipse, start_deg: float, end_deg: float, n: int) -> np.ndarray:
    turn = np.radians(np.linspace(start_deg, end_deg, n))
    angle = np.radians(ellipse.angle_deg)
    major, minor = ellipse.semi_axes
    along, across = major * np.cos(turn), minor * np.sin(turn)
    x = along * np.cos(angle) - across * np.sin(angle)
    y = along * np.sin(angle) + across * np.cos(angle)
    return ellipse.centre + np.column_stack([x, y])


# by hand


def test_line_through_three_points():
    line = fit_line([(0, 1), (1, 2), (2, 3)])
    assert line.angle_deg == pytest.approx(45)
    assert line.distance([(0, 0)]) == pytest.approx(-np.sqrt(0.5))


def test_upright_line_has_90_degrees():
    assert fit_line([(3, 0), (3, 5), (3, 9)]).angle_deg == pytest.approx(90)


def test_circle_through_the_corners_of_a_square():
    circle = fit_circle([(1, 1), (-1, 1), (-1, -1), (1, -1)])
    np.testing.assert_allclose(circle.centre, 0, atol=1e-9)
    assert circle.radius == pytest.approx(np.sqrt(2))


def test_ellipse_with_axes_5_and_3():
    ellipse = fit_ellipse(arc(Ellipse(np.array([1.0, 2.0]), (5.0, 3.0), 0.0), 0, 350, 20))
    np.testing.assert_allclose(ellipse.parameters, [1, 2, 5, 3, 0], atol=1e-8)


def test_distance_to_an_ellipse_on_its_axes():
    np.testing.assert_allclose(
        ellipse_distances([0, 0, 5, 3, 0], [(7, 0), (0, 5), (0, 0), (4, 0)]), [2, 2, -3, -1], atol=1e-6
    )


# by reference: scikit-image 0.26, CircleModel and EllipseModel (least squares on the same points)


def test_circle_equals_scikit_image():
    rng = np.random.default_rng(1)
    turn = rng.uniform(0, 2 * np.pi, 60)
    points = np.array([12.0, -7.0]) + 24.0 * np.column_stack([np.cos(turn), np.sin(turn)])
    points += rng.normal(0, 0.05, points.shape)
    reference = CircleModel.from_estimate(points)
    circle = fit_circle(points)
    # scikit-image minimises an algebraic, this library the true distance: far closer than the noise.
    np.testing.assert_allclose(circle.centre, reference.center, atol=2e-3)
    assert circle.radius == pytest.approx(reference.radius, abs=2e-3)


def test_ellipse_equals_scikit_image():
    rng = np.random.default_rng(2)
    points = arc(Ellipse(np.array([3.0, 4.0]), (27.0, 9.0), 40.0), 0, 359, 90)
    points += rng.normal(0, 0.02, points.shape)
    reference = EllipseModel.from_estimate(points)
    ellipse = fit_ellipse(points)
    np.testing.assert_allclose(ellipse.centre, reference.center, atol=0.02)
    np.testing.assert_allclose(sorted(ellipse.semi_axes), sorted(reference.axis_lengths), atol=0.02)


def test_distances_equal_scikit_image():
    points = np.random.default_rng(3).uniform(-40, 40, (50, 2))
    model = EllipseModel((3.0, 4.0), (27.0, 9.0), 0.7)
    np.testing.assert_allclose(
        np.abs(ellipse_distances([3, 4, 27, 9, 0.7], points)), model.residuals(points), atol=1e-3
    )


# by law

places = st.floats(-200, 200)
ellipses = st.builds(
    lambda x, y, major, flat, angle: Ellipse(np.array([x, y]), (major, major * flat), angle),
    places,
    places,
    st.floats(10, 40),
    st.floats(0.08, 0.95),
    st.floats(-89, 89),
)


@given(ellipses, st.floats(0, 360))
@settings(max_examples=60, deadline=None)
def test_an_exact_arc_gives_the_ellipse_back(ellipse, start):
    found = fit_ellipse(arc(ellipse, start, start + 200, 25))
    np.testing.assert_allclose(found.centre, ellipse.centre, atol=1e-4)
    np.testing.assert_allclose(found.semi_axes, ellipse.semi_axes, rtol=1e-4, atol=1e-4)


@given(ellipses)
@settings(max_examples=60, deadline=None)
def test_conic_and_back(ellipse):
    back = ellipse_from_conic(ellipse.conic())
    np.testing.assert_allclose(back.centre, ellipse.centre, atol=1e-6)
    np.testing.assert_allclose(back.semi_axes, ellipse.semi_axes, rtol=1e-7)
    turn = (back.angle_deg - ellipse.angle_deg + 90) % 180 - 90
    assert abs(turn) < 1e-4


@given(st.floats(-180, 180), places, places, st.floats(0.1, 10))
@settings(max_examples=40, deadline=None)
def test_moving_turning_and_scaling_the_points_moves_the_shape(turn_deg, x, y, scale):
    points = arc(Ellipse(np.array([1.0, 2.0]), (20.0, 8.0), 30.0), 10, 250, 15)
    turn = np.radians(turn_deg)
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    plain = fit_ellipse(points)
    moved = fit_ellipse(scale * points @ rotation.T + [x, y])
    np.testing.assert_allclose(moved.centre, scale * rotation @ plain.centre + [x, y], atol=1e-4)
    np.testing.assert_allclose(moved.semi_axes, scale * np.array(plain.semi_axes), rtol=1e-6)


@given(st.permutations(range(12)))
@settings(max_examples=20, deadline=None)
def test_the_order_of_points_does_not_matter(order):
    points = arc(Ellipse(np.array([1.0, 2.0]), (20.0, 8.0), 30.0), 10, 250, 12)
    points[4] += 0.05
    one, two = fit_ellipse(points), fit_ellipse(points[list(order)])
    np.testing.assert_allclose(one.parameters, two.parameters, atol=1e-5)


# by recovery


@pytest.mark.parametrize("bad", [1, 3, 6])
def test_a_few_bad_points_do_no_harm(bad):
    rng = np.random.default_rng(bad)
    ellipse = Ellipse(np.array([10.0, -5.0]), (27.0, 8.0), 35.0)
    points = arc(ellipse, 0, 300, 40) + rng.normal(0, 0.05, (40, 2))
    points[rng.choice(40, bad, replace=False)] += rng.uniform(3, 15, (bad, 2))
    found = fit_ellipse(points)
    np.testing.assert_allclose(found.centre, ellipse.centre, atol=0.15)
    np.testing.assert_allclose(found.semi_axes, ellipse.semi_axes, atol=0.15)
    circle = fit_circle(np.r_[Ellipse(np.zeros(2), (24.0, 24.0), 0.0).points(30)[:-1], [(40, 3), (2, -9)]])
    assert circle.radius == pytest.approx(24, abs=1e-3)
    line = fit_line(np.r_[np.column_stack([np.arange(9), np.arange(9)]), [(0, 30.0)]])
    assert line.angle_deg == pytest.approx(45, abs=1e-3)


def test_the_covariance_is_the_scatter_of_repeated_fits():
    rng = np.random.default_rng(5)
    ellipse = Ellipse(np.array([0.0, 0.0]), (27.0, 9.0), 20.0)
    fits = [fit_ellipse(arc(ellipse, 0, 270, 40) + rng.normal(0, 0.1, (40, 2))) for _ in range(150)]
    seen = np.std([fit.parameters for fit in fits], axis=0)
    said = np.sqrt(np.median([np.diag(fit.covariance) for fit in fits], axis=0))
    np.testing.assert_allclose(said / seen, 1.0, atol=0.25)


# by failure


@pytest.mark.parametrize(
    ("fit", "points", "words"),
    [
        (fit_line, [(1, 1), (1, 1)], "found 1 distinct points.*at least 2 for a line"),
        (fit_circle, [(0, 0), (1, 1)], "found 2 distinct points.*at least 3"),
        (fit_circle, [(0, 0), (1, 1), (2, 2)], "lie on no circle"),
        (fit_ellipse, [(0, 0), (1, 1), (2, 2), (3, 3), (4, 4), (5, 5)], "lie on no"),
        (fit_ellipse, [(0, 0), (1, 0), (2, 1), (np.nan, 3), (4, 4)], "1 points without finite"),
        (fit_circle, [1, 2, 3], r"shape \(3,\).*Expected shape \(n, 2\)"),
    ],
)
def test_bad_points_are_refused_in_words(fit, points, words):
    with pytest.raises(StudyError, match=words):
        fit(points)


def test_a_conic_that_does_not_close_is_refused():
    with pytest.raises(StudyError, match="does not close"):
        ellipse_from_conic(np.diag([1.0, -1.0, -1.0]))

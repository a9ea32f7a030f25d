"""Lines against singular values, closed forms, simulation, invariance and refusals."""

import numpy as np
import pytest

from headstock.errors import TooFewError
from headstock.geometry import distance_to_line, fit_line, fit_line_robust, intersection, rotation_2d

approx = pytest.approx


@pytest.mark.parametrize("d", [2, 3])
def test_line_is_the_first_singular_direction_of_the_points(d):
    rng = np.random.default_rng(1)
    points = np.linspace(0, 80, 30)[:, None] * np.ones(d) + rng.normal(0, 1, (30, d)) + 300
    fit = fit_line(points)
    _, singular, vh = np.linalg.svd(points - points.mean(0))
    assert abs(float(fit.direction @ vh[0])) == approx(1, abs=1e-12)
    assert fit.direction @ (points[-1] - points[0]) > 0
    assert float(fit.rms) == approx(np.sqrt(np.sum(singular[1:] ** 2) / 30), rel=1e-9)


def test_reversing_the_points_reverses_the_direction():
    points = np.array([[0.0, 0], [1, 0.1], [2, -0.1], [3, 0]])
    assert fit_line(points[::-1]).direction == approx(-fit_line(points).direction)


def test_weight_zero_removes_a_point():
    points = np.array([[0.0, 0], [1, 0], [2, 0], [3, 9]])
    assert fit_line(points, [1, 1, 1, 0]).direction == approx([1, 0])


def test_covariance_of_a_line_is_the_spread_of_repeated_fits():
    rng = np.random.default_rng(2)
    t = np.linspace(-40, 40, 25)
    points = np.stack([t, 0 * t], -1) + rng.normal(0, 0.5, (4000, 25, 2))
    fit = fit_line(points)
    angle = np.arctan2(fit.direction[:, 1], fit.direction[:, 0])
    # 4,000 repeats know a variance to 2.2 %; four of those.
    assert angle.var() == approx(fit.covariance[:, 1, 1].mean(), rel=0.09)
    assert fit.point[:, 1].var() == approx(fit.covariance[:, 0, 0].mean(), rel=0.09)


def test_two_points_fix_a_line_without_an_error_estimate():
    fit = fit_line([[0, 0], [3, 4]])
    assert fit.direction == approx([0.6, 0.8])
    assert np.isinf(fit.covariance[0, 0])
    assert float(fit_line([[0, 0], [3, 4]], noise_sd=1.0).covariance[0, 0]) == approx(0.5)


def test_robust_line_ignores_the_lesser_trochanter_bulge():
    rng = np.random.default_rng(3)
    t = np.linspace(0, 100, 60)
    points = np.stack([t, 0.2 * t], -1) + rng.normal(0, 0.2, (60, 2))
    points[10:28, 1] += 8
    fit, used = fit_line_robust(points)
    assert fit.direction[1] / fit.direction[0] == approx(0.2, abs=0.005)
    assert not used[10:28].any()
    assert used.sum() > 36


def test_signed_distance_is_left_of_the_line_and_changes_sign_with_its_sense():
    assert distance_to_line([2, 3], [0, 0], [5, 0]) == approx(3)
    assert distance_to_line([2, 3], [5, 0], [0, 0]) == approx(-3)
    # 3-4-5: the point (5, 0) is 4 below the line through (0,0) and (3,4).
    assert distance_to_line([5, 0], [0, 0], [3, 4]) == approx(-4)


def test_distance_and_intersection_are_the_same_in_a_turned_frame():
    rng = np.random.default_rng(4)
    a, b, c, d, p = rng.normal(size=(5, 200, 2))
    turn = rotation_2d(37.0).T
    assert distance_to_line(p @ turn, a @ turn, b @ turn) == approx(distance_to_line(p, a, b), abs=1e-9)
    assert intersection(a @ turn, b @ turn, c @ turn, d @ turn) == approx(intersection(a, b, c, d) @ turn, rel=1e-6)


def test_lines_meet_where_both_signed_distances_vanish():
    rng = np.random.default_rng(5)
    a, b, c, d = rng.normal(size=(4, 100, 2))
    x = intersection(a, b, c, d)
    assert distance_to_line(x, a, b) == approx(np.zeros(100), abs=1e-9)
    assert distance_to_line(x, c, d) == approx(np.zeros(100), abs=1e-9)


def test_parallel_lines_are_refused_but_a_parallel_draw_is_only_nan():
    with pytest.raises(TooFewError, match="parallel"):
        intersection([0, 0], [1, 1], [0, 1], [1, 2])
    x = intersection([[0, 0], [0, 0]], [[1, 1], [1, 1]], [[0, 1], [0, 1]], [[1, 0], [1, 2]])
    assert x[0] == approx([0.5, 0.5])
    assert np.isnan(x[1]).all()


def test_one_place_clicked_twice_is_no_line():
    with pytest.raises(TooFewError, match="one and the same"):
        fit_line([[4, 4], [4, 4]])
    with pytest.raises(TooFewError, match="at least two"):
        fit_line([[4, 4]])

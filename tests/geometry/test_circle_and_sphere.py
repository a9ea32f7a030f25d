"""Circles and spheres against scipy.optimize, closed forms, simulation and refusals."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import least_squares

from headstock.errors import TooFewError
from headstock.geometry import fit_circle, fit_circle_robust, fit_sphere, fit_sphere_robust, rotation_2d

approx = pytest.approx


def arc(rng, n=40, centre=(120.0, -45.0), radius=24.0, span_deg=120.0, noise=0.3):
    a = np.radians(np.linspace(10, 10 + span_deg, n))
    return np.array(centre) + radius * np.stack([np.cos(a), np.sin(a)], -1) + rng.normal(0, noise, (n, 2))


def reference(points, weights=None):
    w = np.ones(len(points)) if weights is None else np.asarray(weights)
    d = points.shape[1]
    start = np.append(points.mean(0), np.ptp(points, axis=0).max())
    return least_squares(
        lambda q: np.sqrt(w) * (np.linalg.norm(points - q[:d], axis=1) - q[d]),
        start,
        xtol=1e-15,
        ftol=1e-15,
        gtol=1e-15,
    )


def test_circle_equals_scipy_least_squares_on_a_noisy_arc():
    points = arc(np.random.default_rng(1))
    fit = fit_circle(points)
    ref = reference(points)
    assert np.append(fit.centre, fit.radius) == approx(ref.x, abs=1e-6)
    expected = np.linalg.inv(ref.jac.T @ ref.jac) * (2 * ref.cost / (len(points) - 3))
    assert fit.covariance == approx(expected, rel=1e-4)
    assert float(fit.rms) == approx(np.sqrt(2 * ref.cost / len(points)), rel=1e-9)


def test_weighted_circle_equals_scipy_with_the_same_weights():
    rng = np.random.default_rng(2)
    points, weights = arc(rng), rng.uniform(0.1, 4, 40)
    fit = fit_circle(points, weights)
    ref = reference(points, weights)
    assert np.append(fit.centre, fit.radius) == approx(ref.x, abs=1e-6)
    assert np.linalg.norm(fit.centre - fit_circle(points).centre) > 1e-3


def test_sphere_equals_scipy_least_squares():
    rng = np.random.default_rng(3)
    u = rng.normal(size=(60, 3))
    u[:, 2] = np.abs(u[:, 2])
    points = (
        np.array([-80.0, 52.0, -78.0]) + 23.4 * u / np.linalg.norm(u, axis=1)[:, None] + rng.normal(0, 0.4, (60, 3))
    )
    fit = fit_sphere(points)
    ref = reference(points)
    assert np.append(fit.centre, fit.radius) == approx(ref.x, abs=1e-6)


def test_three_exact_points_give_the_circle_but_say_nothing_of_its_error():
    # Closed form: right triangle 3-4-5, circumcentre at the middle of the hypotenuse.
    fit = fit_circle([[0, 0], [3, 0], [0, 4]])
    assert fit.centre == approx([1.5, 2.0], abs=1e-9)
    assert float(fit.radius) == approx(2.5, abs=1e-9)
    assert np.isinf(fit.covariance).all()
    known = fit_circle([[0, 0], [3, 0], [0, 4]], noise_sd=0.2)
    assert np.isfinite(known.covariance).all()


def test_four_points_of_a_regular_tetrahedron_give_its_circumsphere():
    # Closed form: vertices (1,1,1), (1,-1,-1), (-1,1,-1), (-1,-1,1): centre 0, radius sqrt 3.
    fit = fit_sphere([[1, 1, 1], [1, -1, -1], [-1, 1, -1], [-1, -1, 1]])
    assert fit.centre == approx([0, 0, 0], abs=1e-9)
    assert float(fit.radius) == approx(np.sqrt(3), abs=1e-9)


def test_full_circle_covariance_follows_the_closed_form():
    # N points evenly round: var(centre) = 2 s^2/N in each direction, var(radius) = s^2/N.
    a = np.linspace(0, 2 * np.pi, 90, endpoint=False)
    fit = fit_circle(np.stack([np.cos(a), np.sin(a)], -1) * 20, noise_sd=0.6)
    assert fit.covariance == approx(np.diag([2, 2, 1]) * 0.36 / 90, abs=1e-9)


def test_covariance_of_an_arc_is_the_spread_of_repeated_fits():
    rng = np.random.default_rng(4)
    points = np.stack([arc(rng) for _ in range(4000)])
    fit = fit_circle(points)
    spread = np.cov(np.column_stack([fit.centre, fit.radius]).T)
    # 4,000 repeats: a standard deviation is known to 1.1 %, a variance to 2.2 %; four of those.
    assert np.diag(spread) == approx(np.diag(fit.covariance.mean(0)), rel=0.09)


def test_a_batch_gives_each_row_its_own_fit():
    rng = np.random.default_rng(5)
    batch = np.stack([arc(rng, radius=r) for r in (18.0, 24.0, 31.0)])
    together = fit_circle(batch)
    for i in range(3):
        alone = fit_circle(batch[i])
        assert together.centre[i] == approx(alone.centre, abs=1e-8)
        assert together.covariance[i] == approx(alone.covariance, rel=1e-5)


@settings(max_examples=40, deadline=None)
@given(
    turn=st.floats(-180, 180),
    shift=st.tuples(st.floats(-500, 500), st.floats(-500, 500)),
    unit=st.floats(0.1, 10),
    mirror=st.booleans(),
    seed=st.integers(0, 1000),
)
def test_moving_mirroring_or_rescaling_the_points_does_the_same_to_the_circle(turn, shift, unit, mirror, seed):
    points = arc(np.random.default_rng(seed))
    matrix = rotation_2d(turn) @ np.diag([-1.0 if mirror else 1.0, 1.0])
    before = fit_circle(points)
    after = fit_circle(unit * points @ matrix.T + np.array(shift))
    assert after.centre == approx(unit * before.centre @ matrix.T + np.array(shift), abs=1e-5)
    assert float(after.radius) == approx(unit * float(before.radius), rel=1e-6)


def test_robust_circle_leaves_out_a_flattened_sector_and_says_which():
    rng = np.random.default_rng(6)
    points = arc(rng, n=60, span_deg=300, noise=0.1)
    points[20:34] = points[20:34] + 0.15 * (np.array([120.0, -45.0]) - points[20:34])
    plain = fit_circle(points)
    fit, used = fit_circle_robust(points)
    assert not used[20:34].any()
    assert used.sum() >= 40
    assert np.linalg.norm(fit.centre - [120, -45]) < 0.15 < np.linalg.norm(plain.centre - [120, -45])


def test_robust_circle_survives_two_fifths_of_wild_points_in_every_row_of_a_batch():
    rng = np.random.default_rng(7)
    batch = np.stack([arc(rng, n=50, span_deg=360, noise=0.1) for _ in range(3)])
    batch[:, ::5] += rng.uniform(-12, 12, (3, 10, 2))
    batch[:, 1::5] += 9.0
    fit, used = fit_circle_robust(batch)
    assert used.shape == (3, 50)
    assert np.abs(fit.centre - [120, -45]).max() < 0.15
    assert fit.radius == approx([24, 24, 24], abs=0.15)


def test_robust_sphere_leaves_out_a_collapsed_dome():
    rng = np.random.default_rng(8)
    u = rng.normal(size=(300, 3))
    u /= np.linalg.norm(u, axis=1)[:, None]
    points = 23.0 * u + rng.normal(0, 0.1, u.shape)
    dome = u[:, 2] > 0.6
    points[dome, 2] -= 4
    fit, used = fit_sphere_robust(points)
    assert fit.centre == approx([0, 0, 0], abs=0.1)
    assert used[dome].mean() < 0.1 < 0.95 < used[~dome].mean()


def test_two_points_are_refused_and_the_refusal_says_how_many_are_needed():
    with pytest.raises(TooFewError, match="at least 3 points"):
        fit_circle([[0, 0], [1, 1]])


@pytest.mark.parametrize("fit", [fit_circle, fit_circle_robust])
def test_points_on_a_straight_line_are_refused(fit):
    with pytest.raises(TooFewError, match="straight line"):
        fit([[0, 0], [1, 1], [2, 2], [5, 5]])


def test_points_in_a_plane_fix_no_sphere():
    with pytest.raises(TooFewError, match="plane"):
        fit_sphere([[0, 0, 1], [3, 0, 1], [0, 4, 1], [2, 9, 1], [-3, 2, 1]])


def test_negative_weights_are_refused():
    with pytest.raises(TooFewError, match="negative weight"):
        fit_circle([[0, 0], [3, 0], [0, 4]], [1, 1, -1])


def test_a_degenerate_draw_is_nan_but_spoils_no_other_row():
    good, bad = [[0, 0], [3, 0], [0, 4]], [[0, 0], [1, 1], [2, 2]]
    fit = fit_circle([good, bad, good])
    assert np.isnan(fit.radius[1])
    assert fit.radius[[0, 2]] == approx([2.5, 2.5])


def test_a_point_that_could_not_be_placed_is_left_out():
    points = arc(np.random.default_rng(9))
    holed = np.vstack([points, [[np.nan, np.nan]]])
    assert fit_circle(holed).centre == approx(fit_circle(points).centre, abs=1e-9)


def test_a_row_of_points_that_is_all_but_straight_gives_a_huge_circle_and_does_not_stop():
    # The normal equations of such a row are singular to the last digit.
    x = np.array([13.0, 2.0, 1.0, 41.0, 46.0, 30.0, 36.0, 27.0, 47.0, 41.0])
    fit = fit_circle(np.stack([x, np.where(x == 36.0, 1e-7, 0.0)], axis=-1))
    assert fit.radius > 1e4
    assert np.isfinite(fit.centre).all()

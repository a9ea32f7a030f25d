"""The path of least cost: head against socket on a drawn ring, and what blur does to an outline."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from headstock.anatomy.snap._profile import PROFILE_MM, outline_offset_mm
from headstock.anatomy.snap._trace import settle, steady_circles
from headstock.geometry import fit_circle

from .drawn_films import path_mm

MM = 0.2


def rings(head=6.0, socket=22.0):
    """A faint head of 22 mm inside a bright socket line from 25 to 27 mm, all the way round."""
    rows, cols = np.indices((340, 340))
    d = np.hypot(cols - 170.0, rows - 170.0) * MM
    grey = head * (d < 22) + socket * ((d > 25) & (d < 27)) + 3.0 * (d > 27)
    return gaussian_filter(np.asarray(grey, dtype=np.float32), 2.0)


@pytest.mark.parametrize(("inner_cost", "radius_mm"), [(0.6, 22.0), (0.0, 27.0)])
def test_an_edge_inside_a_like_edge_wins_only_when_it_is_asked_for(inner_cost, radius_mm):
    found = settle(
        rings(), np.array([[170.0, 170.0]]), np.array([24.5]), MM, typical=0.5, inner_cost=np.array([inner_cost])
    )
    assert found.radius_mm[0] == pytest.approx(radius_mm, abs=0.3)
    assert found.centre[0] == pytest.approx([170.0, 170.0], abs=0.5)


@pytest.mark.parametrize("blur_mm", [0.3, 0.5, 0.7])
@pytest.mark.parametrize("shell", [0.0, 1.5])
def test_the_outline_of_a_blurred_ball_is_recovered_from_its_profile(blur_mm, shell):
    fine = np.arange(-12.0, 6.0, 0.01)
    grey = path_mm(fine + 24.0, 24.0) + shell * (path_mm(fine + 24.0, 24.0) - path_mm(fine + 24.0, 23.2))
    grey = gaussian_filter(grey, blur_mm / 0.01)
    steepest = fine[np.argmin(np.gradient(grey)[300:-200]) + 300]
    profile = np.interp(steepest + PROFILE_MM, fine, grey)
    offset, blur = outline_offset_mm(profile / profile.std(), np.ones_like(profile), 24.0)
    # The true outline is at 0; the shell here (0.8 mm) lies between the two thicknesses tried.
    assert steepest < -0.05
    assert steepest + offset == pytest.approx(0.0, abs=0.15)
    assert blur == pytest.approx(blur_mm, abs=0.2)


def test_steady_circles_end_where_a_full_fit_with_the_same_weights_ends():
    rng = np.random.default_rng(1)
    turn = np.radians(np.arange(0, 300, 3.0))
    points = np.array([50.0, 60.0]) + 100 * np.stack([np.cos(turn), np.sin(turn)], -1) + rng.normal(0, 1.0, (100, 2))
    points[20:30] *= 0.95
    start = np.array([[53.0, 57.0]])
    centre, radius, weights = steady_circles(points[None], np.ones((1, 100)), start, np.array([96.0]), 4.0)
    full = fit_circle(points, weights[0])
    assert centre[0] == pytest.approx(full.centre, abs=1e-3)
    assert float(radius[0]) == pytest.approx(float(full.radius), abs=1e-3)

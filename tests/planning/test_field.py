"""Signed distance to outlines, against exact distances."""

import numpy as np
import pytest
from invented_hip import blob, outline_ap

from headstock.errors import TooFewError
from headstock.geometry.polygon import contains, distance_to_polyline
from headstock.planning.field import distance_field, extended_outline, lesion_field

approx = pytest.approx


def test_distance_to_a_circle_is_radius_minus_reach():
    field = distance_field(blob([3.0, -2.0], 20.0, 720))
    points = np.random.default_rng(1).uniform(-25, 25, (500, 2))
    reach = np.linalg.norm(points - [3.0, -2.0], axis=1)
    # The centre is a ridge of the distance, where no grid can be exact; beyond the grid the distance is a bound.
    clear = (reach > 2.0) & (reach < 24.0)
    assert field.at(points)[clear] == approx(20.0 - reach[clear], abs=0.05)


def test_distance_along_a_straight_edge_is_exact():
    field = distance_field([[0, 0], [30, 0], [30, 60], [0, 60]])
    assert field.at([[2.3, 30.0], [28.4, 30.0], [15.0, 3.1]]) == approx([2.3, 1.6, 3.1], abs=1e-4)


def test_a_femur_outline_agrees_with_exact_distance_and_containment():
    polygon = extended_outline(outline_ap()[0])
    field = distance_field(polygon)
    points = np.random.default_rng(2).uniform([-70, -120], [25, 25], (800, 2))
    exact = distance_to_polyline(points, polygon, closed=True) * np.where(contains(points, polygon), 1, -1)
    near = np.abs(exact) < 10.0
    error = np.abs(field.at(points) - exact)[near]
    # Within a grid step of a ridge or corner the bilinear value may be off by a fifth of the step.
    assert np.percentile(error, 95) < 0.02
    assert error.max() < 0.15


def test_beyond_the_grid_distance_goes_on_growing():
    field = distance_field(blob([0, 0], 10.0, 360), margin_mm=3.0)
    assert field.at([[40.0, 0.0], [0.0, -60.0]]) == approx([-30.0, -50.0], abs=0.1)


def test_two_lesions_make_one_field():
    field = lesion_field((blob([0, 0], 5.0), blob([15.0, 0], 4.0)))
    assert field is not None
    assert field.at([[0.0, 1.0], [15.0, 1.0], [8.0, 0.0]]) == approx([4.0, 3.0, -3.0], abs=0.1)
    assert lesion_field(()) is None


def test_an_open_outline_is_carried_straight_on():
    outer = outline_ap()[0]
    longer = extended_outline(outer, 50.0)
    assert longer[1:-1] == approx(outer)
    for end, inner in ((longer[0], outer[0]), (longer[-1], outer[-1])):
        assert end - inner == approx(np.array([0.0, -50.0]), abs=1.0)


def test_two_points_are_no_outline():
    with pytest.raises(TooFewError, match="Trace it"):
        extended_outline([[0, 0], [1, 1]])

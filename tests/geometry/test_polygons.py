"""Outlines against closed forms, a pixel count, each other, and refusals."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from skimage.measure import points_in_poly

from headstock.errors import TooFewError
from headstock.geometry import (
    apply,
    area_in_halfplane_mm2,
    area_mm2,
    centroid,
    chord_lengths,
    clip_halfplane,
    contains,
    crossings,
    distance_to_polyline,
    path_length,
    resample,
    rotation_2d,
)

approx = pytest.approx

SQUARE = np.array([[0.0, 0], [4, 0], [4, 4], [0, 4]])
# A letter U: concave, area 4*4 - 2*3 = 10.
LETTER_U = np.array([[0.0, 0], [4, 0], [4, 4], [3, 4], [3, 1], [1, 1], [1, 4], [0, 4]])


def star(seed, n=24):
    rng = np.random.default_rng(seed)
    a = np.linspace(0, 2 * np.pi, n, endpoint=False)
    return np.stack([np.cos(a), np.sin(a)], -1) * rng.uniform(4, 12, (n, 1)) + [30, -8]


def test_areas_of_known_shapes():
    assert area_mm2([SQUARE, SQUARE[::-1] * 2]) == approx([16, 64])
    assert float(area_mm2(LETTER_U)) == approx(10)
    a = np.linspace(0, 2 * np.pi, 12, endpoint=False)
    # Regular dodecagon of circumradius r has the area 3 r^2.
    assert float(area_mm2(5 * np.stack([np.cos(a), np.sin(a)], -1))) == approx(75)


def test_centroid_of_a_concave_outline():
    # By hand for the letter U: base 4x1 at height 0.5, two legs 1x3 at height 2.5.
    assert centroid(LETTER_U) == approx([2, (4 * 0.5 + 6 * 2.5) / 10])


@given(st.integers(0, 200))
@settings(max_examples=25, deadline=None)
def test_inside_agrees_with_scikit_image(seed):
    polygon = star(seed)
    points = np.random.default_rng(seed).uniform([15, -25], [45, 10], (500, 2))
    assert (contains(points, polygon) == points_in_poly(points, polygon)).all()


def test_inside_broadcasts_a_batch_of_outlines():
    inside = contains([[2, 3], [0.5, 3]], [LETTER_U, resample(SQUARE, 8, closed=True)])
    assert inside.tolist() == [[False, True], [True, True]]


def test_distance_to_open_and_closed_polylines():
    assert distance_to_polyline([[2, 2], [-3, 5], [2, -1]], SQUARE, closed=True) == approx([2, np.hypot(3, 1), 1])
    # Open: the edge from (0,4) back to (0,0) is missing.
    assert distance_to_polyline([[-1, 2]], SQUARE) == approx([np.hypot(1, 2)])
    assert distance_to_polyline([[-1, 2]], SQUARE, closed=True) == approx([1])


def test_halfplane_cut_of_a_square_keeps_the_named_side():
    kept = clip_halfplane(SQUARE, [1, 0], [1, 0])
    assert float(area_mm2(kept)) == approx(12)
    assert kept[:, 0].min() == approx(1)
    assert clip_halfplane(SQUARE, [9, 0], [1, 0]).shape == (0, 2)


@given(st.integers(0, 500), st.floats(0, 360), st.floats(-14, 14))
@settings(max_examples=60, deadline=None)
def test_both_sides_of_a_cut_add_up_and_the_batched_area_equals_the_clipped_one(seed, deg, offset):
    polygon = star(seed)
    normal = rotation_2d(deg) @ [1.0, 0.0]
    point = np.array([30, -8]) + offset * normal
    one = float(area_in_halfplane_mm2(polygon, point, normal))
    other = float(area_in_halfplane_mm2(polygon, point, -normal))
    assert one + other == approx(float(area_mm2(polygon)), rel=1e-9)
    kept = clip_halfplane(polygon, point, normal)
    assert one == approx(float(area_mm2(kept)) if len(kept) > 2 else 0.0, abs=1e-7)


def test_area_in_a_halfplane_takes_a_batch_of_cuts_through_a_concave_outline():
    areas = area_in_halfplane_mm2(LETTER_U, [[0, 2], [0, 0.5], [2, 0]], [[0, 1], [0, 1], [1, 0]])
    assert areas == approx([4, 8, 5])


def test_chords_of_a_circle_and_of_a_concave_outline():
    a = np.linspace(0, 2 * np.pi, 4000, endpoint=False)
    circle = 24 * np.stack([np.cos(a), np.sin(a)], -1)
    offsets = np.array([0.0, 10.0, 23.0, 30.0])
    points = np.stack([0 * offsets, offsets], -1)
    expected = 2 * np.sqrt(np.maximum(24**2 - offsets**2, 0))
    # 4,000 edges: a chord errs by less than 1e-3 mm even near the tangent.
    assert chord_lengths(circle, points, [1, 0]) == approx(expected, abs=2e-3)
    assert chord_lengths(LETTER_U, [[0, 3], [0, 0.5]], [1, 0]) == approx([2, 4])


def test_crossings_are_signed_distances_in_order():
    t = crossings(LETTER_U, [2, 3], [5, 0])
    assert t[:4] == approx([-2, -1, 1, 2])
    assert np.isnan(t[4:]).all()
    # Open: the left leg's outer edge, which closes the outline, is missing.
    t = crossings(LETTER_U, [2, 3], [5, 0], closed=False)
    assert t[~np.isnan(t)] == approx([-1, 1, 2])


@given(st.integers(0, 200), st.floats(-180, 180))
@settings(max_examples=25, deadline=None)
def test_area_and_chord_do_not_change_when_the_frame_turns_or_is_mirrored(seed, deg):
    polygon = star(seed)
    matrix = rotation_2d(deg) @ np.diag([-1, 1])
    moved = apply(polygon, matrix)
    assert float(area_mm2(moved)) == approx(float(area_mm2(polygon)), rel=1e-9)
    before = chord_lengths(polygon, [30.1, -8.2], [0.3, 0.7])
    after = chord_lengths(moved, matrix @ [30.1, -8.2], matrix @ [0.3, 0.7])
    assert float(after) == approx(float(before), rel=1e-9)


def test_resampling_spaces_points_evenly_and_keeps_the_ends():
    line = resample([[0, 0], [3, 0], [3, 4]], 8)
    assert line[[0, -1]] == approx(np.array([[0, 0], [3, 4]]))
    assert line[3] == approx([3, 0])
    ring = resample(SQUARE, 8, closed=True)
    assert ring[:3] == approx(np.array([[0, 0], [2, 0], [4, 0]]))
    assert float(path_length(SQUARE)) == approx(12)
    assert float(path_length(SQUARE, closed=True)) == approx(16)


def test_outlines_with_too_few_points_are_refused():
    with pytest.raises(TooFewError, match="at least 3"):
        area_mm2([[0, 0], [1, 1]])
    with pytest.raises(TooFewError, match="no area"):
        centroid([[0, 0], [1, 1], [2, 2]])
    with pytest.raises(TooFewError, match="at least two"):
        resample(SQUARE, 1)
    with pytest.raises(TooFewError, match="one and the same"):
        resample([[1, 1], [1, 1]], 4)

"""Outlines from parameters: closed forms, symmetry, refusals."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from headstock.errors import CatalogueError
from headstock.implants.shape import (
    cap_outline,
    resampled,
    seated_outline,
    seated_outline_from_the_side,
    self_crossing,
    tail_section_mm,
)

approx = pytest.approx

CONE = {
    "seat_top_width_mm": 28.0, "seat_bottom_width_mm": 18.0, "seat_depth_mm": 15.0, "seat_curve": 1.0,
    "tail_length_mm": 30.0, "tail_top_width_mm": 10.0, "tail_tip_width_mm": 7.0,
}  # fmt: skip
CAP = {
    "head_diameter_mm": 46.0, "seat_top_height_mm": 15.5, "seat_top_width_mm": 26.0, "mouth_height_mm": -8.0,
    "mouth_width_mm": 37.0, "pin_length_mm": 45.0, "pin_width_mm": 6.5, "pin_tip_width_mm": 4.5,
}  # fmt: skip


def test_a_cone_seat_has_its_slant_length_on_each_side():
    part = seated_outline(**CONE)
    for seat in part.seat_mm:
        assert np.linalg.norm(np.diff(seat, axis=0), axis=1).sum() == approx(np.hypot(15.0, 5.0), abs=1e-9)


def test_a_seat_lies_on_the_body_and_starts_at_the_cut():
    part = seated_outline(**CONE)
    assert np.vstack(part.seat_mm)[:, 1].max() == approx(0.0)
    for seat in part.seat_mm:
        gap = np.linalg.norm(seat[:, None] - resampled(part.body_mm, 0.1)[None], axis=-1).min(axis=1)
        assert gap.max() < 0.06


def test_the_curve_makes_a_bowl_hold_more_than_a_cone():
    half = lambda curve: seated_outline(**{**CONE, "seat_curve": curve}).seat_mm[1][7, 0]  # noqa: E731
    assert half(2.0) > half(1.0) > half(0.5)


@settings(deadline=None)
@given(st.floats(10, 60), st.floats(60, 120))
def test_a_bend_turns_the_tail_by_its_angle(bend, length):
    part = seated_outline(**{**CONE, "tail_length_mm": 120.0}, bend_deg=bend, bend_length_mm=length)
    n = len(part.in_bone_mm) // 2
    middle = 0.5 * (part.in_bone_mm[:n] + part.in_bone_mm[n:])
    way = middle[-2] - middle[-4]
    assert np.degrees(np.arctan2(way[0], -way[1])) == approx(bend, abs=0.5)


def test_edges_on_one_line_do_not_count_as_crossing():
    # Found by a random search: two far edges of a straight tail, collinear up to rounding.
    part = seated_outline(**{**CONE, "tail_length_mm": 120.0}, bend_deg=40.25428697031141, bend_length_mm=60.0)
    assert not self_crossing(part.body_mm)


def test_a_straight_part_is_mirror_symmetric():
    part = seated_outline(**CONE)
    n = len(part.in_bone_mm) // 2
    assert part.in_bone_mm[:n] * [-1, 1] == approx(part.in_bone_mm[n:])


def test_from_the_side_a_bent_tail_is_straight_and_as_deep():
    bent = {**CONE, "tail_length_mm": 60.0, "bend_deg": 40.0, "bend_length_mm": 40.0}
    front, side = seated_outline(**bent), seated_outline_from_the_side(**bent)
    n = len(side.in_bone_mm) // 2
    assert side.in_bone_mm[:n, 0] + side.in_bone_mm[n:, 0] == approx(0.0, abs=1e-9)
    middle = 0.5 * (front.in_bone_mm[:n, 1] + front.in_bone_mm[n:, 1])
    assert side.in_bone_mm[:n, 1] == approx(middle, abs=1e-9)


def test_a_bend_too_tight_for_its_width_is_refused():
    with pytest.raises(CatalogueError, match="too tight"):
        seated_outline(**CONE, bend_deg=80.0, bend_start_mm=3.0, bend_length_mm=2.0)


def test_a_cap_keeps_its_dome_about_the_head_centre():
    part = cap_outline(**CAP)
    dome = part.body_mm[:49] - [0.0, -15.5]
    assert np.hypot(*dome.T) == approx(23.0)


def test_the_reamed_surface_of_a_cap_ends_at_its_mouth_and_runs_down_the_axis():
    part = cap_outline(**CAP)
    assert part.reamed_mm == approx(np.array([[-18.5, -23.5], [18.5, -23.5]]))
    assert part.reamed_direction == approx(np.array([[0.0, -1.0], [0.0, -1.0]]))


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"seat_top_width_mm": 40.0}, "dome"),
        ({"mouth_width_mm": 20.0}, "wider"),
        ({"mouth_height_mm": 16.0, "mouth_width_mm": 27.0}, "below"),
    ],
)
def test_a_cap_that_cannot_be_made_is_refused(change, words):
    with pytest.raises(CatalogueError, match=words):
        cap_outline(**{**CAP, **change})


def test_a_bow_tie_crosses_itself_and_a_square_does_not():
    assert self_crossing([[0, 0], [1, 1], [1, 0], [0, 1]])
    assert not self_crossing([[0, 0], [1, 0], [1, 1], [0, 1]])


@settings(max_examples=30, deadline=None)
@given(st.integers(2, 8), st.floats(6, 14), st.floats(0.1, 1.0))
def test_the_tail_section_stays_within_the_circle_around_its_lobes(lobes, width, depth):
    radius = np.hypot(*tail_section_mm(width, lobes, depth, 720).T)
    assert radius.max() == approx(width / 2)
    assert radius.min() == approx(width / 2 - depth, abs=0.01)

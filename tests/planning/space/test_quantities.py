"""Numbers of a place in space against closed forms on a ball with a cylinder for a neck."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from invented_space import (
    ACROSS,
    AXIS,
    BASE_DEPTH,
    FRONT,
    HEAD_HEIGHT,
    NECK,
    NSA,
    OFFSET,
    RADIUS,
    SHAFT,
    VERSION,
    angles,
    catalogue,
    make_space,
    placed,
)

from headstock.errors import FrameError
from headstock.implants.solid import solid
from headstock.planning.space.bone import bone_of
from headstock.planning.space.places import Places, Rows, side_words
from headstock.planning.space.quantities import (
    alignment,
    bone,
    leg,
    neck_diameter,
    neck_shaft_deg,
    notch,
    seat,
    seat_bottom_depth,
    version_deg,
    wall,
)

approx = pytest.approx
CATALOGUE = catalogue()
EXACT = {"edge": 0, "centre": 0, "radius": 0, "axis": 0, "shaft": 0, "rim": 0, "height": 0}
SPACE = make_space(draws=50, sds=EXACT)
ROWS = Rows.of(SPACE, reading=True)
NONE, OWN = np.zeros(1), np.full(1, 0.5)
PEG, BIG_PEG = CATALOGUE.families["peg"].components
CAP = CATALOGUE.families["surface-cap"].component("5")


def at(component, depth, **moved):
    return Places.of(placed(component.family_id, component.size_id, depth, **moved))


@settings(max_examples=20, deadline=None)
@given(st.floats(2.0, 60.0), st.floats(-4.0, 4.0), st.floats(-4.0, 4.0))
def test_cut_depth_runs_from_the_pole_along_the_neck_whatever_lies_across(depth, medial, front):
    found = bone(ROWS, at(PEG, depth, medial=medial, front=front))
    assert found["cut_depth_mm"][0] == approx(depth, abs=1e-9)
    assert found["head_kept_percent"][0] == approx(100 * max(0.0, HEAD_HEIGHT - depth) / HEAD_HEIGHT, abs=1e-9)


def test_least_wall_of_a_peg_in_a_round_neck_is_the_difference_of_the_radii_less_its_shift():
    # The peg's seat ends 54 mm below the pole: in the neck alone, 15 mm in radius.
    for medial, front in ((0.0, 0.0), (3.0, 0.0), (0.0, -2.0), (1.5, 2.0)):
        found = wall(SPACE, PEG, solid(PEG), at(PEG, 42.0, medial=medial, front=front), NONE)
        # A field sampled every mm is off by step² / (8 r) beside a cylinder of 15 mm: 0.01 mm.
        assert found[0][0] == approx(NECK - 8.0 - np.hypot(medial, front), abs=0.03)


def test_a_surface_read_too_far_out_makes_every_wall_thicker_by_as_much():
    place = at(PEG, 42.0)
    thin = wall(SPACE, PEG, solid(PEG), place, np.array([-0.4]))[0][0]
    thick = wall(SPACE, PEG, solid(PEG), place, np.array([0.5]))[0][0]
    assert thick - thin == approx(0.9, abs=1e-9)


def test_a_peg_that_leaves_the_neck_has_a_negative_wall():
    assert wall(SPACE, PEG, solid(PEG), at(PEG, 42.0, front=9.0), NONE)[0][0] == approx(-2.0, abs=0.05)


@pytest.mark.parametrize("medial", [0.0, 2.0])
def test_notch_distance_of_a_seated_part_is_that_of_the_lower_half_of_its_seat(medial):
    found, spot = notch(SPACE, ROWS, bone_of(SPACE), PEG, solid(PEG), at(PEG, 40.0, medial=medial), NONE)
    assert found[0] == approx(NECK - 8.0 - medial, abs=0.05)
    assert spot[2] <= -6.0


@pytest.mark.parametrize("front", [0.0, 2.0, 4.0])
def test_a_caps_reamed_tube_passes_ball_and_neck_by_the_smaller_of_two_distances(front):
    tube = float(np.abs(CAP.ap.reamed_mm[:, 0]).max()) - front
    to_ball = np.hypot(tube, HEAD_HEIGHT - RADIUS) - RADIUS  # at the junction, where the tube begins to count
    found, spot = notch(SPACE, ROWS, bone_of(SPACE), CAP, solid(CAP), at(CAP, 7.0, front=front), NONE)
    # A field every mm is 0.1 mm off at the crease between ball and neck.
    assert found[0] == approx(min(tube - NECK, to_ball), abs=0.15)
    assert front == 0.0 or spot[1] < 0.0  # moved forward, it comes near behind


@pytest.mark.parametrize(("high", "radius"), [(-6.0, 9.0), (-3.0, 9.5), (0.0, 12.0)])
def test_dead_bone_in_the_shape_of_a_ball_takes_a_band_of_a_round_seat(high, radius):
    """A ball of radius b about a point of the axis at height h meets the seat's wall (radius 8) between
    h ± √(b² − 8²); the share is what of that lies between 0 and −12. Soft over 1 mm of distance: 2 %."""
    centre = (RADIUS - 34.0 + high) * AXIS
    space = make_space(draws=50, sds=EXACT, lesion=(centre, radius))
    half = np.sqrt(radius**2 - 8.0**2)
    band = min(0.0, high + half) - max(-12.0, high - half)
    found = seat(space, solid(PEG), at(PEG, 34.0), NONE, OWN)["seat_on_sound_bone_percent"][0]
    assert found == approx(100.0 * (1.0 - band / 12.0), abs=2.0)


def test_a_seat_beyond_the_bone_does_not_stand_on_it():
    # The peg's cut 5 mm above the pole: a ball leaves its wall (radius 8) 1.37 mm below the pole.
    found = seat(SPACE, solid(PEG), at(PEG, -5.0), NONE, OWN)["seat_on_sound_bone_percent"][0]
    free = 5.0 + RADIUS - np.sqrt(RADIUS**2 - 8.0**2)
    assert found == approx(100.0 * (1.0 - free / 12.0), abs=2.0)


def test_the_seats_wall_is_the_mean_distance_to_the_surface():
    found = seat(SPACE, solid(PEG), at(PEG, 44.0), NONE, OWN)["seat_wall_mm"][0]
    assert found == approx(NECK - 8.0, abs=0.05)


@settings(max_examples=20, deadline=None)
@given(st.floats(-15.0, 15.0), st.floats(-15.0, 15.0))
def test_a_part_turned_in_one_plane_of_the_neck_turns_in_that_plane_alone(valgus, forward):
    lean, front = np.radians(valgus), np.radians(forward)
    found = alignment(ROWS, PEG, at(PEG, 30.0, axis=np.cos(lean) * AXIS - np.sin(lean) * ACROSS))
    assert found["valgus_to_neck_deg"][0] == approx(valgus, abs=1e-6)
    assert found["anterior_to_neck_deg"][0] == approx(0.0, abs=1e-6)
    # In the plane of neck and shaft, valgus opens the angle to the shaft one by one.
    assert found["axis_to_shaft_deg"][0] == approx(NSA + valgus, abs=1e-6)
    found = alignment(ROWS, PEG, at(PEG, 30.0, axis=np.cos(front) * AXIS + np.sin(front) * FRONT))
    assert found["anterior_to_neck_deg"][0] == approx(forward, abs=1e-6)
    assert found["valgus_to_neck_deg"][0] == approx(0.0, abs=1e-6)


def test_a_stem_whose_bend_lies_in_the_plane_of_neck_and_shaft_has_its_tail_on_the_shaft():
    stem = CATALOGUE.families["standard-stem"].component("4")
    turn = np.radians(stem.tail_turn_deg)
    medial = np.array([np.cos(np.radians(VERSION)), np.sin(np.radians(VERSION)), 0.0])
    axis = np.cos(turn) * SHAFT + np.sin(turn) * medial
    across = np.cos(turn) * medial - np.sin(turn) * SHAFT
    zero = Places.of(placed(stem.family_id, stem.size_id, 60.0, head=34.0, axis=axis)).axes[0]
    roll = float(np.degrees(np.arctan2(across @ zero[:, 1], across @ zero[:, 0])))
    found = alignment(ROWS, stem, at(stem, 60.0, head=34.0, axis=axis, roll=roll))
    assert found["tail_to_shaft_deg"][0] == approx(0.0, abs=1e-6)
    assert found["tail_to_shaft_front_deg"][0] == approx(0.0, abs=1e-6)
    # Rolled outward, the tail's end turns forward or back, and less far medially than it was bent.
    rolled = alignment(ROWS, stem, at(stem, 60.0, head=34.0, axis=axis, roll=roll + 10.0))
    assert abs(rolled["tail_to_shaft_front_deg"][0]) > 5.0


def test_neck_shaft_angle_and_version_are_those_the_hip_was_made_with():
    assert neck_shaft_deg(ROWS)[0] == approx(NSA, abs=1e-9)
    assert version_deg(ROWS.neck_axis)[0] == approx(VERSION, abs=1e-9)


def test_a_new_head_on_the_old_centre_changes_nothing():
    found = leg(SPACE, ROWS, PEG, at(PEG, RADIUS + 5.0), 0.0, None)
    assert found["leg_length_change_mm"][0] == approx(0.0, abs=1e-9)
    assert found["offset_change_mm"][0] == approx(0.0, abs=1e-9)


@settings(max_examples=20, deadline=None)
@given(st.floats(-6.0, 6.0))
def test_a_head_moved_along_the_neck_lengthens_by_its_sine_and_widens_by_its_cosine(move):
    found = leg(SPACE, ROWS, PEG, at(PEG, RADIUS + 5.0 - move), 0.0, None)
    tilt = np.radians(NSA - 90.0)
    assert found["leg_length_femur_mm"][0] == approx(move * np.sin(tilt), abs=1e-9)
    assert found["offset_femur_mm"][0] == approx(move * np.cos(tilt), abs=1e-9)


def test_a_cup_moved_up_shortens_the_leg_and_moved_medially_narrows_the_offset():
    found = leg(SPACE, ROWS, PEG, at(PEG, RADIUS + 5.0), 0.0, np.array([4.0, 3.0]))
    assert found["leg_length_change_mm"][0] == approx(-3.0, abs=1e-9)
    assert found["offset_change_mm"][0] == approx(-4.0, abs=1e-9)


def test_the_lowest_edge_of_a_seat_square_to_the_neck_lies_a_seats_depth_below_the_cut():
    assert seat_bottom_depth(ROWS, solid(PEG), at(PEG, 33.0))[0] == approx(45.0, abs=0.8)  # half a ring of points


def test_the_neck_of_a_part_that_impinges_on_bone_is_the_widest_of_the_narrowest_section():
    facts = bone_of(SPACE)
    family = CATALOGUE.families["peg"]
    assert neck_diameter(ROWS, facts, PEG, family)[0] == approx(2 * NECK, abs=0.1)
    assert HEAD_HEIGHT - 4.0 <= facts.neck_depth_mm <= BASE_DEPTH
    assert OFFSET > 0


def test_a_placement_from_films_is_refused_in_space_and_the_way_out_is_said():
    from dataclasses import replace

    with pytest.raises(FrameError, match="Place the part on the scan"):
        Places.of(replace(placed("peg", "1", 30.0), space=None))


@pytest.mark.parametrize(
    ("way", "words"),
    [(ACROSS, "medial side"), (-ACROSS, "lateral side"), (FRONT, "anterior side"), (-FRONT, "posterior side")],
)
def test_a_direction_is_named_as_the_hip_lies_not_as_the_part_is_rolled(way, words):
    for roll in (0.0, 70.0, -160.0):
        axes = Places.of(placed("peg", "1", 30.0, roll=roll)).axes[0]
        # Words follow the frontal plane, the neck's own planes lie 12° of version away: within their 45°.
        assert side_words(axes, axes.T @ (8.0 * way - 7.0 * AXIS)).startswith(f"{words}, 7 mm below")


def test_angles_of_a_direction_and_back():
    frontal, forward = angles(AXIS)
    place = Places.turned(np.zeros((1, 3)), np.array([frontal]), np.array([forward]), np.array([25.0]))
    assert place.axis[0] == approx(AXIS, abs=1e-12)
    assert np.linalg.det(place.axes[0]) == approx(1.0)
    own = Places.of(placed("peg", "1", 30.0, roll=25.0))
    assert place.axes[0] == approx(own.axes[0], abs=1e-12)

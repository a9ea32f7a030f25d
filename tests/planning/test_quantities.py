"""Numbers of a placement against closed forms on an invented hip, and how they must move."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from invented_hip import NECK_HALF, RADIUS, make_hip

from headstock.implants import Catalogue, CutLevel, level_range_mm
from headstock.planning.lesion import lesion_left, lesion_share_of_head_percent
from headstock.planning.prepared import prepare
from headstock.planning.quantities import (
    Places,
    alignment,
    ap_depth,
    bone,
    leg,
    level_end,
    neck_diameter,
    notch,
    seat,
    seat_bottom_depth,
    wall,
)

approx = pytest.approx
EXACT = {"centre": 0, "radius": 0, "angle": 0, "scale": 0, "outline": 0, "rim": 0}
HIP = prepare(make_hip(sds=EXACT, draws=50)).nominal()
PLAIN = prepare(make_hip(sds=EXACT, draws=50, lateral=False, lesion=False)).nominal()
CATALOGUE = Catalogue.load()
BOWL = CATALOGUE.family("mid-head-bowl").component("4")
CAP = CATALOGUE.family("surface-cap").component("4")
NECK_DEG = 36.0


def place(depth, across=0.0, valgus=0.0, hip=HIP, y=0.0, side=0.0):
    origin = hip.ap.source.from_neck([[depth, across]])
    lateral = hip.lateral is not None
    return Places(
        origin,
        np.array([NECK_DEG + valgus]),
        np.array([y]) if lateral else None,
        np.array([side]) if lateral else None,
    )


@given(st.floats(2, 60))
@settings(deadline=None)
def test_depth_is_measured_from_the_pole_along_the_neck(depth):
    assert ap_depth(HIP.ap, place(depth, across=5.0))[0] == approx(depth, abs=1e-9)


@given(st.floats(2, 58), st.floats(0.1, 10))
@settings(deadline=None)
def test_a_deeper_cut_never_keeps_more_bone(depth, more):
    shallow, deep = bone(HIP, place(depth)), bone(HIP, place(depth + more))
    assert deep["head_kept_mm"][0] <= shallow["head_kept_mm"][0]
    assert deep["head_kept_percent"][0] <= shallow["head_kept_percent"][0]
    assert deep["bone_removed_mm"][0] > shallow["bone_removed_mm"][0]


def test_kept_and_removed_make_the_whole_head():
    found = bone(HIP, place(20.0))
    assert found["head_kept_percent"] + found["bone_removed_percent"] == approx(100.0)


def test_the_wall_in_a_straight_neck_is_half_the_neck_minus_half_the_part():
    # A cap's pin below the mouth, centred in the neck: wall = neck half width - pin half width, to the neck's flare.
    least, where = wall(PLAIN, CAP, place(5.0, hip=PLAIN))
    pin = CAP.ap.in_bone_mm
    assert least[0] == approx(NECK_HALF - np.abs(pin[:, 0]).max(), abs=1.0)
    assert where is not None
    assert where[0] == "ap"


@given(st.floats(0.5, 4.0))
@settings(deadline=None, max_examples=25)
def test_moving_off_centre_costs_as_much_wall_as_it_moves(shift):
    centred, moved = (wall(PLAIN, CAP, place(5.0, across, hip=PLAIN))[0][0] for across in (0.0, shift))
    assert centred - moved == approx(shift, abs=0.7)


@settings(deadline=None, max_examples=25)
@given(st.floats(20, 36), st.floats(-3, 3), st.floats(-5, 8))
def test_a_larger_size_never_has_a_thicker_wall(depth, across, valgus):
    family = CATALOGUE.family("mid-head-bowl")
    walls = [wall(HIP, component, place(depth, across, valgus))[0][0] for component in family.components]
    assert np.all(np.diff(walls) <= 0.05)


def test_a_part_outside_the_bone_has_a_negative_wall():
    assert wall(HIP, BOWL, place(30.0, across=18.0))[0][0] < 0


def test_a_seat_below_the_dead_bone_stands_on_sound_bone_and_one_inside_does_not():
    assert seat(HIP, BOWL, place(26.0))["seat_on_sound_bone_percent"][0] == approx(100.0)
    large = prepare(make_hip(sds=EXACT, draws=50, lesion_radius=15.0)).nominal()
    assert seat(large, BOWL, place(6.0, hip=large))["seat_on_sound_bone_percent"][0] < 60.0


@settings(deadline=None, max_examples=4)
@given(st.floats(2.0, 8.0))
def test_a_larger_lesion_never_leaves_more_sound_seat(radius):
    shares = [
        seat(prepare(make_hip(sds=EXACT, draws=50, lesion_radius=r)).nominal(), BOWL, place(16.0))[
            "seat_on_sound_bone_percent"
        ][0]
        for r in (radius, radius + 1.0)
    ]
    assert shares[1] <= shares[0] + 1e-9


def test_a_straight_cone_on_both_films_shares_one_percentage():
    both, ap_only = seat(HIP, BOWL, place(24.0)), seat(PLAIN, BOWL, place(24.0, hip=PLAIN))
    assert both["seat_on_sound_bone_percent"][0] == approx(100.0)
    assert ap_only["seat_on_sound_bone_percent"][0] == approx(100.0)


def test_valgus_is_positive_when_the_axis_stands_more_upright():
    found = alignment(HIP, BOWL, place(28.0, valgus=4.0, side=-3.0))
    assert found["valgus_to_neck_deg"][0] == approx(4.0)
    assert found["axis_to_shaft_deg"][0] == approx(130.0)
    assert found["neck_shaft_angle_deg"][0] == approx(126.0)
    assert found["anterior_to_neck_deg"][0] == approx(-3.0)


def test_a_part_at_the_old_head_centre_changes_nothing():
    depth = RADIUS + BOWL.head_centre_z_mm  # the head centre lies `head_centre_z` above the cut
    found = leg(HIP, BOWL, place(depth), 0.0, np.zeros((1, 2)))
    for name in ("leg_length_femur_mm", "leg_length_cup_mm", "offset_femur_mm", "offset_cup_mm"):
        assert found[name][0] == approx(0.0, abs=1e-9)
    assert found["leg_length_remaining_mm"][0] == approx(-6.0)


def test_a_longer_neck_lengthens_by_the_sine_and_widens_by_the_cosine_of_its_angle():
    a, b = (leg(HIP, BOWL, place(28.0, valgus=6.0), neck, None) for neck in (0.0, 4.0))
    assert (b["leg_length_femur_mm"] - a["leg_length_femur_mm"])[0] == approx(4.0 * np.sin(np.radians(42.0)))
    assert (b["offset_femur_mm"] - a["offset_femur_mm"])[0] == approx(4.0 * np.cos(np.radians(42.0)))


def test_a_cup_placed_higher_and_more_medial_shortens_and_narrows():
    found = leg(HIP, BOWL, place(28.0), 0.0, np.array([[3.0, 5.0]]))
    assert found["leg_length_cup_mm"][0] == approx(-5.0)
    assert found["offset_cup_mm"][0] == approx(-3.0)
    total = found["leg_length_femur_mm"] + found["leg_length_cup_mm"] + found["leg_length_now_mm"]
    assert found["leg_length_remaining_mm"] == approx(total)


def test_offset_now_adds_the_centres_of_rotation_to_the_femoral_offsets():
    # Teardrops at x = 30 and 140, head centres at 0 and 172: 30 and 32 mm; femoral offsets 43.0 and 44.5.
    assert leg(HIP, BOWL, place(28.0), 0.0, None)["offset_now_mm"][0] == approx(30.0 - 32.0 + 43.0 - 44.5)


def test_a_cap_that_clears_the_neck_has_room_and_a_small_one_notches():
    family = CATALOGUE.family("surface-cap")
    rooms = [notch(PLAIN, component, place(4.0, hip=PLAIN))[0][0] for component in family.components]
    assert np.all(np.diff(rooms) > 0)
    assert rooms[0] < 0 < rooms[-1]
    mouth = CAP.parameters["mouth_width_mm"] / 2
    assert notch(PLAIN, CAP, place(4.0, hip=PLAIN))[0][0] == approx(mouth - NECK_HALF, abs=1.2)


def test_tilting_a_cap_out_of_line_brings_it_nearer_to_a_notch():
    straight, valgus, varus = (notch(PLAIN, CAP, place(4.0, valgus=v, hip=PLAIN))[0][0] for v in (0.0, 12.0, -12.0))
    assert valgus < straight
    assert varus < straight


def test_the_lowest_seat_edge_lies_a_seats_depth_below_the_cut():
    assert seat_bottom_depth(HIP, BOWL, place(28.0))[0] == approx(28.0 + BOWL.lowest_seat_mm, abs=1e-6)


def test_the_wider_film_gives_the_neck_that_meets_the_cup():
    assert neck_diameter(HIP, BOWL, CATALOGUE.family("mid-head-bowl"))[0] == approx(HIP.ap.neck_width[0])
    stem = CATALOGUE.family("standard-stem")
    assert neck_diameter(HIP, stem.components[0], stem)[0] == stem.components[0].neck_diameter_mm


def test_a_cut_below_the_lesion_leaves_none_and_one_above_leaves_all():
    assert lesion_left(HIP, BOWL, place(24.0))["lesion_left_percent"][0] == approx(0.0, abs=0.2)
    above = lesion_left(HIP, BOWL, place(1.0, across=0.0))["lesion_left_percent"][0]
    assert 0.0 < above < 100.0  # what the part itself takes is gone


def test_a_lesions_volume_is_that_of_its_ellipsoid():
    # Both films show a circle of radius 9 mm: a sphere, 4/3 π 9³ = 3.05 cm³.
    assert lesion_left(HIP, BOWL, place(24.0))["lesion_cm3"][0] == approx(4 / 3 * np.pi * 9**3 / 1000, rel=0.02)


def test_half_a_lesion_is_left_by_a_cut_through_its_middle():
    # A cut square to the neck through the centre of the circle, far from the part's own width.
    bowl = CATALOGUE.family("mid-head-bowl").component("1")
    left = lesion_left(HIP, bowl, place(13.0, across=60.0))["lesion_left_percent"][0]
    assert left == approx(50.0, abs=2.0)


def test_the_lesions_share_of_the_head_is_a_ratio_of_areas():
    assert lesion_share_of_head_percent(HIP)[0] == approx(100.0 * 81.0 / RADIUS**2, rel=0.005)


def test_levels_end_where_they_are_defined_to():
    base = HIP.ap.base_depth
    for level in CutLevel:
        assert np.ravel(level_end(HIP, level)) == approx(np.ravel(level_range_mm(level, HIP.ap.head_height, base)))
    no_shaft = prepare(make_hip(shaft=False)).nominal()
    assert level_end(no_shaft, CutLevel.LOW_NECK) is None
    assert level_end(no_shaft, CutLevel.MID_HEAD) is not None


def test_many_places_at_once_give_what_each_gives_alone():
    depths = np.array([24.0, 28.0, 33.0])
    many = Places(
        HIP.ap.source.from_neck(np.column_stack([depths, [0.0, 1.0, -2.0]])),
        np.array([36.0, 40.0, 38.0]),
        np.array([0.0, 1.0, 0.5]),
        np.array([0.0, 2.0, -1.0]),
    )
    together = wall(HIP, BOWL, many)[0], seat(HIP, BOWL, many)["seat_on_sound_bone_percent"]
    for k in range(3):
        one = Places(many.origin[k : k + 1], many.angle[k : k + 1], many.y[k : k + 1], many.lateral_angle[k : k + 1])
        assert wall(HIP, BOWL, one)[0][0] == approx(together[0][k])
        assert seat(HIP, BOWL, one)["seat_on_sound_bone_percent"][0] == approx(together[1][k])

"""Cup, guide wire, pictures and view of a placement in space against closed forms."""

import tomllib
from pathlib import Path

import numpy as np
import pytest
from invented_space import (
    ACROSS,
    AXIS,
    BASE_DEPTH,
    FRONT,
    NECK,
    NSA,
    RADIUS,
    ball_mm,
    catalogue,
    make_space,
    placed,
)

import headstock
from headstock.frames import Side
from headstock.implants import CupPlacement
from headstock.planning import parse_limits
from headstock.planning.space import drawing_in_space, guide_in_space, neck_drawing_in_space, space_view
from headstock.planning.space.socket import cup_axis, cup_cover_percent, socket_centre
from headstock.planning.space.wire import greater_trochanter_mm

approx = pytest.approx
CATALOGUE = catalogue()
LIMITS = parse_limits(tomllib.loads((Path(headstock.__file__).parent / "desk" / "limits.toml").read_text("utf-8")))
EXACT = {"edge": 0, "centre": 0, "radius": 0, "axis": 0, "shaft": 0, "rim": 0, "height": 0}
SPACE = make_space(lesion=((RADIUS - 14.0) * AXIS, 8.0))
CUP = CATALOGUE.cup("large-head-cup", "5")


def area(polygon):
    """Area of a closed polygon (k, 2)."""
    x, y = np.asarray(polygon).T
    return 0.5 * abs(float(x @ np.roll(y, -1) - y @ np.roll(x, -1)))


def socket_of(centre, radius):
    """A block of pelvis above and medial of the head, hollowed by a ball."""
    return lambda points: np.maximum(-(points @ np.array([0.4, 0.0, 0.9])) - 2.0, -ball_mm(points, centre, radius))


def test_a_first_cup_goes_to_the_sphere_through_the_sockets_own_surface():
    centre = np.array([1.5, -1.0, 2.0])
    space = make_space(sds=EXACT, pelvis=socket_of(centre, RADIUS + 4.0))
    found, words = socket_centre(space)
    assert found == approx(centre, abs=0.15)
    assert words.startswith("centre of the socket's own sphere, 2.7 mm")


def test_without_a_pelvis_the_cup_goes_to_the_heads_centre_and_that_is_said():
    found, words = socket_centre(SPACE)
    assert found == approx(np.zeros(3))
    assert "no pelvis was found" in words
    assert cup_cover_percent(SPACE, CUP, CupPlacement("a", "b", 0.0, 0.0, 40.0, 15.0), np.zeros(1)) is None


def test_a_socket_far_from_the_head_is_not_believed():
    space = make_space(sds=EXACT, pelvis=lambda points: 30.0 - points[..., 2])
    found, words = socket_centre(space)
    assert found == approx(np.zeros(3))
    assert "could not be told" in words


@pytest.mark.parametrize("side", list(Side))
@pytest.mark.parametrize(("inclination", "version"), [(40.0, 15.0), (30.0, 5.0), (50.0, -5.0)])
def test_radiographic_angles_of_a_cup_are_read_back_from_its_axis_in_lps(side, inclination, version):
    """Murray, J Bone Joint Surg Br 1993;75:228: version out of the frontal plane, inclination within it."""
    space = make_space(side=side, draws=50)
    lps = space.hip.to_lps @ cup_axis(space, inclination, version)
    lateral = lps[0] if side is Side.LEFT else -lps[0]  # LPS: x to the patient's left
    assert np.degrees(np.arcsin(-lps[1])) == approx(version, abs=1e-9)  # y posterior
    assert np.degrees(np.arctan2(lateral, -lps[2])) == approx(inclination, abs=1e-9)  # z to the head


def test_cover_is_whole_under_a_roof_all_round_and_half_under_half_a_roof():
    place = CupPlacement("large-head-cup", "5", 0.0, 0.0, 40.0, 0.0)
    radius = 0.5 * CUP.outer_mm

    def roof(points):
        return -ball_mm(points, np.zeros(3), radius + 0.5)

    whole = make_space(draws=50, sds=EXACT, pelvis=roof)
    assert cup_cover_percent(whole, CUP, place, np.zeros(1))[0] == approx(100.0)
    # A cup without version lies alike before and behind the frontal plane: a roof behind it alone covers half.
    half = make_space(draws=50, sds=EXACT, pelvis=lambda points: np.maximum(roof(points), points[..., 1] + 3.0))
    assert cup_cover_percent(half, CUP, place, np.zeros(1))[0] == approx(50.0, abs=1.5)
    bare = make_space(draws=50, sds=EXACT, pelvis=lambda points: 60.0 - points[..., 2])
    assert cup_cover_percent(bare, CUP, place, np.zeros(1))[0] == approx(0.0)


@pytest.mark.parametrize(("medial", "front"), [(0.0, 0.0), (3.0, 0.0), (-2.0, 4.0)])
def test_a_wire_along_the_neck_enters_as_far_from_the_summit_as_it_lies_beside_the_neck(medial, front):
    found = guide_in_space(SPACE, placed("peg", "1", 30.0, medial=medial, front=front), CATALOGUE)
    assert found.entry_from_summit_mm.number == approx(medial, abs=1e-9)
    assert found.entry_from_summit_front_mm.number == approx(front, abs=1e-9)
    assert found.wire_to_shaft_deg.number == approx(NSA, abs=1e-9)
    assert found.wire_to_neck_front_deg.number == approx(0.0, abs=1e-9)
    assert found.cut_to_neck_deg.number == approx(90.0, abs=1e-9)
    assert found.entry_from_summit_mm.high > found.entry_from_summit_mm.low


def test_the_cut_is_measured_from_its_ends_to_points_that_are_marked():
    mark = (RADIUS - 50.0) * AXIS - (NECK + 12.0) * ACROSS
    found = guide_in_space(SPACE, placed("peg", "1", 50.0), CATALOGUE, greater_trochanter_hip_mm=mark)
    assert found.cut_to_greater_trochanter_mm.number == approx(12.0, abs=0.3)
    assert "lesser trochanter is not seen" in found.cut_to_lesser_trochanter_mm.reason
    none = guide_in_space(SPACE, placed("peg", "1", 50.0), CATALOGUE)
    assert "tip of the greater trochanter is not seen" in none.cut_to_greater_trochanter_mm.reason


def test_the_tip_of_the_trochanter_is_the_top_of_what_the_saddle_sets_off():
    space = make_space(draws=50, sds=EXACT, trochanter=True)
    tip = greater_trochanter_mm(space)
    assert tip[2] == approx(-AXIS[2] * (BASE_DEPTH - RADIUS) + 45.0, abs=1.0)
    assert guide_in_space(space, placed("peg", "1", 50.0), CATALOGUE).cut_to_greater_trochanter_mm.known


def test_the_picture_along_the_neck_shows_section_cut_and_seat_in_the_necks_frame():
    picture = drawing_in_space(SPACE, placed("peg", "1", 30.0), CATALOGUE)
    for view in (picture.ap, picture.lateral):
        # Head's dome at depth 0; the section of the peg, 16 mm wide and 12 deep with a tail of 8 by 10 mm.
        assert view.bone[:, 1].min() == approx(0.0, abs=0.1)
        assert area(view.component) == approx(16.0 * 12.0 + 8.0 * 10.0 - 0.5 * (4 - np.pi) * 16.0 / 1.0, rel=0.04)
        # The cut runs across the ball 6 mm below its centre.
        half = np.sqrt(RADIUS**2 - 6.0**2)
        assert np.sort(view.cut[:, 0]) == approx([-half, half], abs=0.3)
        assert view.cut[:, 1] == approx([30.0, 30.0], abs=1e-6)
        assert len(view.seat) == 2
        assert all(run.sound for run in view.seat)
        for run in view.seat:
            assert np.abs(run.points[:, 0]).mean() == approx(8.0, abs=0.4)
        # Removed: the segment of the circle above the cut, and the peg's hole.
        segment = RADIUS**2 * np.arccos(-6.0 / RADIUS) + 6.0 * half
        assert sum(area(piece) for piece in view.removed) == approx(segment + area(view.component), rel=0.02)
        assert area(view.lesions[0]) == approx(np.pi * 8.0**2, rel=0.01)
        assert area(view.uncertain[0]) == approx(np.pi * 8.8**2, rel=0.01)
    assert picture.ap.sides == ("lateral", "medial")
    assert picture.lateral.sides == ("posterior", "anterior")
    assert picture.cut_depth_mm == approx(30.0)
    assert picture.sound_bone_start_mm == approx(22.0, abs=0.1)


def test_a_part_moved_forward_is_seen_moved_in_the_plane_square_to_the_shaft_alone():
    plain = drawing_in_space(SPACE, placed("peg", "1", 34.0), CATALOGUE)
    moved = drawing_in_space(SPACE, placed("peg", "1", 34.0, front=3.0), CATALOGUE)
    assert moved.lateral.component[:, 0].mean() - plain.lateral.component[:, 0].mean() == approx(3.0, abs=0.1)
    assert moved.ap.component[:, 0].mean() == approx(plain.ap.component[:, 0].mean(), abs=0.1)


def test_the_bone_alone_can_be_drawn_before_any_placement():
    view = neck_drawing_in_space(SPACE)
    assert len(view.component) == 0
    assert len(view.bone) > 100
    assert view.head_circle_radius_mm == approx(RADIUS)


@pytest.mark.parametrize("side", list(Side))
def test_the_view_carries_the_part_to_the_patients_frame(side):
    turn = np.array([[0.96, -0.28, 0.0], [0.28, 0.96, 0.0], [0.0, 0.0, 1.0]])
    space = make_space(lesion=((RADIUS - 30.0) * AXIS, 9.5), side=side, draws=50, turn=turn)
    placement = placed("peg", "1", 30.0, medial=2.0)
    view = space_view(space, placement, CATALOGUE)
    assert view.component_to_lps[:3, 3] == approx(space.hip.lps(placement.space.origin_mm))
    # A right hip is a mirror image in the hip frame.
    assert np.linalg.det(view.component_to_lps[:3, :3]) == approx(1.0 if side is Side.LEFT else -1.0)
    tip = view.component_to_lps @ np.array([1.0, 2.0, -9.0, 1.0])
    local = placement.space.matrix @ np.array([1.0, 2.0, -9.0]) + placement.space.origin_mm
    assert space.hip.hip(tip[:3]) == approx(local)
    assert space.hip.hip(view.cut_point + view.cut_normal) == approx(placement.space.origin_mm + AXIS)
    assert space.hip.hip(view.head_centre) == approx(placement.space.origin_mm + 5.0 * AXIS)
    assert np.linalg.norm(view.wire[0] - view.wire[1]) > 40.0
    assert view.hip_axes[2] @ np.array([0.0, 0.0, 1.0]) == approx(1.0)
    # Wall and state of the seat: some dead about the lesion, the wall that of the round shape.
    assert set(np.unique(view.seat_state)) == {0, 1}
    assert view.seat_wall_mm.min() > 0.0
    low = space.hip.hip(view.least_wall_at)
    assert abs(low @ ACROSS) > 0.0
    assert view.cup_axis is not None
    assert space_view(space, placed("peg", "1", 30.0, cup=False), CATALOGUE).cup_centre is None
    assert approx(0.0, abs=1e-12) == FRONT @ AXIS

"""What stands in space after an operation, and its pictures: closed forms of planes and balls on an invented hip."""

import numpy as np
import pytest
from invented_space import AXIS, RADIUS, catalogue, make_space, placed

from headstock.frames import Side
from headstock.planning.space.picture import MM_ACROSS, space_picture
from headstock.planning.space.scene3d import operated

approx = pytest.approx
CATALOGUE = catalogue()
EXACT = {"edge": 0, "centre": 0, "radius": 0, "axis": 0, "shaft": 0, "rim": 0, "height": 0}
SPACES = {side: make_space(draws=20, sds=EXACT, side=side) for side in Side}
SIZE, MIDDLE = 160, np.array([-22.0, 0.0, -28.0])


def _places(side, camera):
    """Hip-frame across and up of every pixel, from the medial or front camera."""
    at = (np.arange(SIZE) + 0.5) / SIZE * MM_ACROSS - 0.5 * MM_ACROSS
    a, b = np.meshgrid(at, -at)
    if camera == "side":
        return MIDDLE[1] - a, MIDDLE[2] + b
    return MIDDLE[0] + (-a if side is Side.LEFT else a), MIDDLE[2] + b


def _is_bone(picture):
    return np.any(picture != 255, axis=-1)


@pytest.mark.parametrize("side", list(Side))
def test_the_heads_silhouette_is_a_disc_of_its_radius_medial_of_the_neck_on_either_side(side):
    bone = _is_bone(space_picture(SPACES[side], None, CATALOGUE, size_px=SIZE))
    x, z = _places(side, "front")
    away = np.hypot(x, z)
    beyond = x * AXIS[0] + z * AXIS[2] > 0.0  # on the side of the head away from its neck
    pixel = MM_ACROSS / SIZE
    assert bone[beyond & (away < RADIUS - pixel)].all()
    assert not bone[beyond & (away > RADIUS + pixel)].any()


def test_from_the_side_the_head_is_as_wide_and_stands_in_front_of_its_neck():
    bone = _is_bone(space_picture(SPACES[Side.LEFT], None, CATALOGUE, camera="side", size_px=SIZE))
    y, z = _places(Side.LEFT, "side")
    # Above the head's centre, in front of it, nothing but the head is seen.
    there = (z > 4.0) & (y > 0.0)
    away = np.hypot(y, z)
    assert bone[there & (away < RADIUS - 1.0)].all()
    assert not bone[there & (away > RADIUS + 1.0)].any()


def test_a_left_and_a_right_hip_are_mirror_pictures_but_for_the_light():
    left, right = (_is_bone(space_picture(SPACES[side], None, CATALOGUE, size_px=SIZE)) for side in Side)
    np.testing.assert_array_equal(left, right[:, ::-1])


def test_every_level_is_seen_from_one_camera_so_that_what_was_not_touched_does_not_move():
    # Lateral of and below the neck no part at a mid-head cut changes anything.
    x, z = _places(Side.LEFT, "front")
    kept = (x < -60.0) | (z < -60.0)
    bare = space_picture(SPACES[Side.LEFT], None, CATALOGUE, size_px=SIZE)
    assert _is_bone(bare)[kept].any()
    for depth in (20.0, 26.0, 32.0):
        seen = space_picture(SPACES[Side.LEFT], placed("peg", "1", depth, cup=False), CATALOGUE, size_px=SIZE)
        np.testing.assert_array_equal(seen[kept], bare[kept])
        assert (seen != bare).any()


def test_bone_goes_above_the_cut_and_the_new_head_is_a_ball_of_its_diameter():
    depth, head = 26.0, 48.5
    after = operated(SPACES[Side.LEFT], placed("peg", "1", depth, head=head, cup=False), CATALOGUE)
    cut = (RADIUS - depth) * AXIS
    up = cut + np.outer([1.0, 4.0, 9.0, 15.0], AXIS) + 12.0 * np.cross(AXIS, [0.0, 0.0, 1.0])
    np.testing.assert_allclose(after.gone(up), [-1.0, -4.0, -9.0, -15.0], atol=1e-6)
    assert after.gone((cut - 40.0 * AXIS)[None])[0] > 5.0
    # Along the axis metal ends where the ball does, and past it the distance grows by what one goes.
    along = np.linspace(0.0, 60.0, 6001)
    inside = after.metal(cut + along[:, None] * AXIS) < 0.0
    end = along[inside].max()
    assert after.metal((cut + (end + 5.0) * AXIS)[None])[0] == approx(5.0, abs=0.02)


def test_the_cup_is_a_shell_between_head_and_its_outer_radius_open_to_its_mouth():
    placement = placed("peg", "1", 26.0)
    after = operated(SPACES[Side.LEFT], placement, CATALOGUE)
    outer = 0.5 * CATALOGUE.cup(placement.cup.family, placement.cup.size).outer_mm
    inner = 0.5 * placement.head_diameter_mm
    ways = np.random.default_rng(2).normal(size=(400, 3))
    ways /= np.linalg.norm(ways, axis=1, keepdims=True)
    wall = after.cup(0.5 * (inner + outer) * ways) < 0.0
    assert 0.3 < wall.mean() < 0.55  # half of a ball, less half its wall at the rim
    np.testing.assert_array_equal(after.cup((inner - 0.2) * ways) < 0.0, np.zeros(400, bool))
    np.testing.assert_array_equal(after.cup((outer + 0.2) * ways) < 0.0, np.zeros(400, bool))
    assert (after.cup(0.5 * (inner + outer) * -ways[wall]) > 0.0).all()  # never on both sides

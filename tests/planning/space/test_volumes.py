"""Bone removed and dead bone left, cut faces and reamed bone, against closed forms; and all draws against a few."""

from dataclasses import replace

import numpy as np
import pytest
from invented_space import (
    AXIS,
    CORTEX,
    HEAD_HEIGHT,
    NECK,
    RADIUS,
    STEP,
    catalogue,
    make_space,
    placed,
)

from headstock.implants.solid import solid
from headstock.planning.space.bone import bone_of
from headstock.planning.space.face import (
    cut_face,
    density_ratio,
    face_at_depth,
    face_values,
    uncovered_reamed_mm2,
)
from headstock.planning.space.nodes import nodes_of
from headstock.planning.space.places import Places, Rows
from headstock.planning.space.quantities import seat
from headstock.planning.space.volumes import (
    head_cm3,
    lesion_share_of_head,
    lesion_values,
    removed_shares,
    sound_bone_start,
    volumes,
)

approx = pytest.approx
CATALOGUE = catalogue()
EXACT = {"edge": 0, "centre": 0, "radius": 0, "axis": 0, "shaft": 0, "rim": 0, "height": 0}
LESION = (RADIUS - 14.0) * AXIS
SPACE = make_space(draws=50, sds=EXACT, lesion=(LESION, 8.0))
ROWS = Rows.of(SPACE, reading=True)
FACTS = bone_of(SPACE)
NONE, OWN = np.zeros(1), np.full(1, 0.5)
PEG = CATALOGUE.families["peg"].component("1")
CAP = CATALOGUE.families["surface-cap"].component("5")


def at(component, depth, **moved):
    return Places.of(placed(component.family_id, component.size_id, depth, **moved))


def cap_mm3(height, radius=RADIUS):
    """Volume of a ball's cap."""
    return np.pi * height**2 * (3.0 * radius - height) / 3.0


def removed(space, component, place):
    facts = bone_of(space)
    return volumes(
        facts, removed_shares(space, facts, solid(component), place), Rows.of(space, reading=True), facts.nodes
    )


@pytest.mark.parametrize("depth", [12.0, 20.0, 30.0])
def test_bone_removed_is_the_balls_cap_and_the_hole_for_the_part(depth):
    found = removed(SPACE, PEG, at(PEG, depth))
    # Hole: a cylinder of 16 mm, 12 mm deep, and the tail of 8 mm, whose rounded tip lacks a little.
    hole = np.pi * 8.0**2 * 12.0 + np.pi * 4.0**2 * 10.0 - (4.0 * np.pi * 4.0**2 - 2.0 / 3.0 * np.pi * 4.0**3)
    # Voxels of 1 mm, each counted in part: edges of the hole are blunted by 1 mm.
    assert 1000 * found["bone_removed_cm3"][0] == approx(cap_mm3(depth) + hole, rel=0.008)


def test_a_tilted_cut_through_the_balls_centre_takes_half_of_it_whatever_its_tilt():
    whole = 4.0 / 3.0 * np.pi * RADIUS**3
    for degrees in (0.0, 12.0):
        turn = np.radians(degrees)
        across = np.array([AXIS[1], -AXIS[0], 0.0]) / np.hypot(AXIS[0], AXIS[1])
        place = at(PEG, RADIUS, axis=np.cos(turn) * AXIS + np.sin(turn) * across)
        hole = 1000 * removed(SPACE, PEG, place)["bone_removed_cm3"][0] - whole / 2
        assert hole == approx(np.pi * 8.0**2 * 12.0 + np.pi * 4.0**2 * 8.0, abs=130.0)


def test_head_removed_and_kept_make_the_whole_head():
    found = removed(SPACE, PEG, at(PEG, 20.0))
    # The head above the junction: the ball, and the ring of neck outside it down to the junction.
    meets = np.sqrt(RADIUS**2 - NECK**2)
    height = HEAD_HEIGHT - RADIUS
    head = cap_mm3(RADIUS + meets) + np.pi * NECK**2 * (height - meets)
    assert 1000 * found["head_volume_cm3"][0] == approx(head, rel=0.005)
    gone = found["head_removed_percent"][0] / 100.0 * found["head_volume_cm3"][0]
    assert gone + found["head_volume_kept_cm3"][0] == approx(found["head_volume_cm3"][0], rel=1e-6)


def test_volumes_converge_with_the_square_of_the_voxel():
    """A ball's cap without a part's hole in it: the error of partial volumes is of second order."""
    errors = []
    for step in (2.0, 1.0):
        space = make_space(draws=50, sds=EXACT, step=step)
        deep = space.voxels.depth_mm
        share = np.clip(0.5 + (14.0 - deep) / step, 0.0, 1.0)
        errors.append(abs(float(space.voxels.volume() @ share) - cap_mm3(14.0)))
    assert errors[1] < 0.5 * errors[0] + 2.0
    assert errors[1] < 0.01 * cap_mm3(14.0)


def test_the_trochanter_stays_when_the_neck_is_cut():
    stem = CATALOGUE.families["standard-stem"].component("2")
    bare = make_space(draws=50, sds=EXACT)
    full = make_space(draws=50, sds=EXACT, trochanter=True)
    facts = bone_of(full)
    assert facts.side_point is not None
    assert facts.side_normal @ AXIS > 0.0
    place = at(stem, 66.0, head=34.0)
    with_block, without = (removed(s, stem, place)["bone_removed_cm3"][0] for s in (full, bare))
    # Some of the block rises above the plane of the cut, lateral of the saddle.
    above = (full.voxels.points - place.origin[0]) @ place.axis[0] > 0.0
    block = (
        full.voxels.volume()[above].sum() / 1000.0
        - bare.voxels.volume()[(bare.voxels.points - place.origin[0]) @ place.axis[0] > 0.0].sum() / 1000.0
    )
    assert block > 4.0
    assert abs(with_block - without) < 0.15 * block


def test_dead_bone_left_is_the_part_of_its_ball_below_the_cut():
    # The ball of dead bone, radius 8, has its centre 14 mm below the pole; a peg cut there leaves its lower half,
    # less the peg's hole of 8 mm radius, in which that half lies whole.
    left = lesion_values(FACTS, removed_shares(SPACE, FACTS, solid(PEG), at(PEG, 10.0, medial=20.0)), OWN)
    whole = 4.0 / 3.0 * np.pi * 8.0**3 / 1000.0
    assert left["lesion_cm3"][0] == approx(whole, rel=0.02)
    kept = whole - cap_mm3(10.0 - 6.0, 8.0) / 1000.0
    assert left["lesion_left_cm3"][0] == approx(kept, rel=0.03)
    assert left["lesion_left_percent"][0] == approx(100.0 * kept / whole, abs=1.5)
    deep = lesion_values(FACTS, removed_shares(SPACE, FACTS, solid(PEG), at(PEG, 24.0)), OWN)
    assert deep["lesion_left_percent"][0] == approx(0.0, abs=0.1)


def test_sound_bone_starts_below_the_deepest_dead_bone_and_moves_with_its_rim():
    for t, shift in ((0.0, -0.8), (0.5, 0.0), (1.0, 0.8)):
        # Off the grid and on voxels of 2 mm, whose centres alone would miss the deepest point by up to 1 mm.
        space = make_space(draws=50, sds=EXACT, lesion=(LESION + np.array([0.4, 0.7, 0.3]), 8.0), step=2.0)
        space.t[:] = t
        start = sound_bone_start(bone_of(space), Rows.of(space, reading=True))
        deeper = -AXIS @ np.array([0.4, 0.7, 0.3])
        assert start[0] == approx(14.0 + 8.0 + shift + deeper, abs=0.15)  # a voxel's square over the ball's diameter


def test_the_share_of_the_head_is_the_balls_volume_over_the_heads():
    found = lesion_share_of_head(FACTS, ROWS, FACTS.nodes)[0]
    head = removed(SPACE, PEG, at(PEG, 20.0))["head_volume_cm3"][0]
    assert found == approx(100.0 * 4.0 / 3.0 * np.pi * 8.0**3 / 1000.0 / head, rel=0.02)


@pytest.mark.parametrize("depth", [14.0, 24.0, 50.0])
def test_a_cut_face_square_to_the_neck_is_a_circle_with_a_ring_of_cortex_and_a_circle_of_dead_bone(depth):
    radius = np.sqrt(max(RADIUS**2 - (depth - RADIUS) ** 2, NECK**2)) if depth < 35.0 else NECK
    within = RADIUS - CORTEX
    inner = np.sqrt(within**2 - (depth - RADIUS) ** 2) if depth < 35.0 else NECK - CORTEX
    dead = np.sqrt(max(8.0**2 - (depth - 14.0) ** 2, 0.0))
    for face in (face_at_depth(SPACE, ROWS, FACTS, depth), cut_face(SPACE, ROWS, FACTS, at(PEG, depth))):
        found = face_values(SPACE, face, NONE, OWN)
        assert found["face_mm2"][0] == approx(np.pi * radius**2, rel=0.01)
        assert found["face_sound_percent"][0] == approx(100.0 * (1.0 - (dead / radius) ** 2), abs=1.0)
        assert found["face_cortex_percent"][0] == approx(100.0 * (1.0 - (inner / radius) ** 2), abs=1.5)


def test_rays_of_a_face_end_where_they_leave_the_bone_even_when_they_meet_bone_again():
    block = make_space(draws=50, sds=EXACT, trochanter=True)
    rows, facts = Rows.of(block, reading=True), replace(bone_of(block), side_point=None, side_normal=None)
    # 56 mm deep the neck stands free, and 15 mm farther out rays run into the trochanter.
    face = face_at_depth(block, rows, facts, 56.0)
    assert face_values(block, face, NONE, OWN)["face_mm2"][0] == approx(np.pi * NECK**2, rel=0.02)


def test_the_heads_volume_follows_each_draws_own_junction():
    """A junction 1 mm deeper adds a slice of neck of 1 mm: π 15² mm3."""
    space = make_space(draws=400, sds=EXACT | {"height": 0.8})
    rows, facts = Rows.of(space), bone_of(space)
    whole = head_cm3(facts, rows, facts.nodes)
    slice_mm3 = (
        1000.0 * (whole - whole[0]) / np.where(rows.head_height == HEAD_HEIGHT, 1.0, rows.head_height - HEAD_HEIGHT)
    )
    assert np.median(slice_mm3[1:]) == approx(np.pi * NECK**2, rel=0.02)


def test_a_cut_beside_the_bone_has_no_face():
    face = face_at_depth(SPACE, ROWS, FACTS, -20.0)
    assert face_values(SPACE, face, NONE, OWN) == {}


def test_a_face_within_even_bone_has_the_density_of_that_bone_and_a_wider_interval_uncalibrated():
    rows = Rows.of(SPACE)
    ratio = density_ratio(SPACE, FACTS, rows, face_at_depth(SPACE, ROWS, FACTS, 50.0), 1)
    assert ratio[0] == approx(1.0, abs=0.02)
    # Through the middle of the dead bone, whose grey level is 20 against 250.
    through = face_at_depth(SPACE, ROWS, FACTS, 14.0)
    known = density_ratio(SPACE, FACTS, rows, through, 1)
    unknown_space = make_space(draws=400, sds=EXACT, lesion=(LESION, 8.0), calibrated=False)
    facts = bone_of(unknown_space)
    unknown = density_ratio(unknown_space, facts, Rows.of(unknown_space), through, 1)
    assert known[0] < 0.95
    assert known[1:].std() == approx(0.01 * known[0], rel=0.3)
    assert unknown.std() > 1.3 * known.std()


@pytest.mark.parametrize(("neck", "bare"), [(22.0, True), (15.0, False)])
def test_reamed_bone_beyond_a_caps_mouth_is_bare_where_the_neck_is_thicker_than_the_tube(neck, bare):
    space = make_space(draws=50, sds=EXACT, neck=neck)
    radius = float(np.abs(CAP.ap.reamed_mm[:, 0]).max())
    # Deep enough that what is run over lies in the neck alone.
    found = uncovered_reamed_mm2(space, CAP, at(CAP, 24.0), NONE)
    ring = 2.0 * np.pi * radius * CAP.reamer_overrun_mm
    assert found[0] == approx(ring if bare else 0.0, abs=0.5)
    assert uncovered_reamed_mm2(space, PEG, at(PEG, 24.0), NONE) is None


def test_numbers_between_the_nodes_are_those_of_every_draw():
    """Against computing each of 600 draws: the widths of the intervals agree within 10 %, row 0 exactly."""
    space = make_space(draws=600, lesion=((RADIUS - 36.0) * AXIS, 10.0))
    rows, facts = Rows.of(space), bone_of(space)
    place, part = at(PEG, 34.0), solid(PEG)
    shares = removed_shares(space, facts, part, place)
    face = face_at_depth(space, Rows.of(space, reading=True), facts, 34.0)

    def of(edge, t):
        return seat(space, part, place, edge, t) | face_values(space, face, edge, t)

    between, direct = facts.nodes.over(rows, of), of(rows.edge, rows.t)
    voxels = space.voxels
    # Voxels at the reading's own surface for the dead bone, at the reading's own rim for the rest.
    between["bone_removed_cm3"] = volumes(facts, shares, rows, facts.nodes)["bone_removed_cm3"]
    direct["bone_removed_cm3"] = np.array([voxels.volume(e) @ shares for e in rows.edge]) / 1000.0
    between |= facts.nodes.over(rows, lambda edge, t: lesion_values(facts, shares, t))
    direct["lesion_left_cm3"] = (
        np.array([(voxels.dead_share(t) * voxels.volume()) @ (1 - shares) for t in rows.t]) / 1e3
    )
    for name, every in direct.items():
        assert between[name][0] == approx(every[0], rel=1e-5, abs=1e-9), name
        low, high = np.percentile(every[1:], [2.5, 97.5])
        got_low, got_high = np.percentile(between[name][1:], [2.5, 97.5])
        assert high > low, name
        assert (got_high - got_low) == approx(high - low, rel=0.1, abs=1e-6), name
        assert got_low == approx(low, abs=0.1 * (high - low)), name


def test_nodes_hold_the_reading_and_reach_over_the_draws():
    rows = Rows.of(make_space(draws=300, lesion=(LESION, 8.0)))
    nodes = nodes_of(rows)
    assert 0.0 in nodes.edge
    assert 0.5 in nodes.t
    assert nodes.t[0] == rows.t.min()
    assert nodes.t[-1] == rows.t.max()
    assert nodes.edge[-1] == approx(3.0 * rows.edge[1:].std())
    still = nodes_of(Rows.of(SPACE))
    assert (len(still.edge), len(still.t)) == (1, 1)
    assert STEP == 1.0

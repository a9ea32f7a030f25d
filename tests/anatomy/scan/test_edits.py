"""Corrections by hand: strokes against closed forms, ownership, exact replay, refusals."""

from functools import lru_cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from headstock.anatomy.scan.edits import Edit, apply_edits
from headstock.anatomy.scan.segmentation import CORTEX, FEMUR, PELVIS, TRABECULAR, Segmentation
from headstock.errors import FrameError, TooFewError
from headstock.frames import Side
from headstock.geometry.grid import Grid
from headstock.images.scan import Scan, ScanHeader

from .scan_cases import grid_points

RADIUS = 12.0


@lru_cache(maxsize=1)
def ball() -> tuple[Segmentation, Scan]:
    """A ball of femur of 12 mm with a slab of pelvis 4 mm above it, on voxels of 1 x 1 x 1.25 mm."""
    grid = Grid(np.array([-24.0, -24.0, -25.0]), np.eye(3), np.array([1.0, 1.0, 1.25]), (41, 49, 49))
    points = grid_points(grid)
    distance = np.linalg.norm(points, axis=-1) - RADIUS
    bones = np.where(distance < 0.0, FEMUR, 0).astype(np.uint8)
    bones[points[..., 2] > RADIUS + 4.0] = PELVIS
    tissue = np.where(distance < 0.0, np.where(distance > -1.5, CORTEX, TRABECULAR), 0).astype(np.uint8)
    values = np.choose(tissue, [40, 1100, 300, 30]).astype(np.int16)
    seg = Segmentation(grid, Side.RIGHT, bones, tissue, distance.astype(np.float32), 0.1, np.zeros(3))
    return seg, Scan(values, grid, "CT", ScanHeader())


def test_a_brush_of_one_ball_adds_the_volume_of_the_ball_outside_the_bone() -> None:
    seg, scan = ball()
    centre = (3.37, -5.23, -9.71)  # off the lattice of voxels, so that rounding does not repeat in each octant
    new, drawn, box = apply_edits(seg, scan, [Edit("brush", "femur", (centre,), 6.0)])
    assert drawn is None
    assert box is not None
    inside = np.linalg.norm(grid_points(seg.grid) - np.array(centre), axis=-1) < 6.0
    assert np.array_equal(new.femur, seg.femur | inside)
    # Two balls with centres d apart: the larger holds this lens of the smaller (closed form).
    d, big, small = float(np.linalg.norm(centre)), RADIUS, 6.0
    lens = np.pi * (big + small - d) ** 2 * (d**2 + 2 * d * small - 3 * small**2 + 2 * d * big + 6 * big * small)
    lens = (lens - np.pi * (big + small - d) ** 2 * 3 * big**2) / (12 * d)
    added = (new.femur & ~seg.femur).sum() * seg.grid.voxel_mm3
    # Voxel centres: about the root of the number of voxels cut by the surface.
    assert added == pytest.approx(4.0 / 3.0 * np.pi * small**3 - lens, abs=20.0)


def test_the_surface_lies_where_the_hand_drew_it_and_elsewhere_is_unchanged_to_the_last_bit() -> None:
    seg, scan = ball()
    new, _, _ = apply_edits(seg, scan, [Edit("brush", "femur", ((0.0, 0.0, -RADIUS),), 5.0)])
    points = grid_points(seg.grid)
    stroke = np.linalg.norm(points - np.array([0.0, 0.0, -RADIUS]), axis=-1) - 5.0
    near = np.abs(stroke) < 3.0
    assert np.allclose(new.femur_mm[near], np.minimum(seg.femur_mm, stroke)[near], atol=1e-4)
    untouched = (np.abs(seg.femur_mm) < 2.0) & (stroke > 4.0)
    assert np.array_equal(new.femur_mm[untouched], seg.femur_mm[untouched])
    assert np.array_equal(new.femur, new.femur_mm < 0.0)
    assert np.array_equal(new.tissue > 0, new.femur)


def test_a_disc_paints_the_slice_it_was_drawn_in_and_no_other() -> None:
    seg, scan = ball()
    height = float(seg.grid.points([0.0, 0.0, 4.0])[2])
    new, _, box = apply_edits(seg, scan, [Edit("brush", "femur", ((0.0, 3.0, height),), 6.0, (0.0, 0.0, 2.0))])
    assert box is not None
    assert box[0][0] == box[1][0] == 4
    # Area of the disc, pi 6^2, by voxel centres of 1 mm2.
    assert new.femur[4].sum() == pytest.approx(np.pi * 36.0, abs=6.0)


def test_painting_femur_over_pelvis_changes_the_owner_and_back_again() -> None:
    seg, scan = ball()
    point = (0.0, 0.0, RADIUS + 8.0)
    taken, _, _ = apply_edits(seg, scan, [Edit("brush", "femur", (point,), 3.0)])
    at = tuple(np.rint(seg.grid.index(point)).astype(int)[::-1])
    assert seg.bones[at] == PELVIS
    assert taken.bones[at] == FEMUR
    assert taken.pelvis.sum() < seg.pelvis.sum()
    back, _, _ = apply_edits(seg, scan, [Edit("brush", "femur", (point,), 3.0), Edit("brush", "pelvis", (point,), 3.0)])
    assert np.array_equal(back.bones, seg.bones)
    assert np.array_equal(back.femur, back.femur_mm < 0.0)


def test_the_eraser_takes_only_its_own_label() -> None:
    seg, scan = ball()
    edit = Edit("eraser", "pelvis", ((0.0, 0.0, RADIUS),), 9.0)
    new, _, _ = apply_edits(seg, scan, [edit])
    assert np.array_equal(new.femur_mm, seg.femur_mm)
    assert new.pelvis.sum() < seg.pelvis.sum()
    assert new.femur.sum() == seg.femur.sum()


def test_a_cut_through_the_middle_leaves_half_the_ball() -> None:
    seg, scan = ball()
    new, _, _ = apply_edits(seg, scan, [Edit("cut", "femur", ((0.0, 0.1, 0.0),), None, (0.0, 1.0, 0.0))])
    points = grid_points(seg.grid)
    assert np.array_equal(new.femur, seg.femur & (points[..., 1] <= 0.1))
    assert new.pelvis.sum() == seg.pelvis.sum()
    assert np.allclose(new.femur_mm[seg.femur], np.maximum(seg.femur_mm, points[..., 1] - 0.1)[seg.femur], atol=1e-4)


@pytest.mark.parametrize("radius_mm", [None, 8.0])
def test_a_hole_that_was_erased_is_filled_again(radius_mm: float | None) -> None:
    seg, scan = ball()
    hole = Edit("eraser", "femur", ((1.0, 0.0, 0.0),), 4.0)
    points = ((1.0, 0.0, 0.0),) if radius_mm else ()
    holed, _, _ = apply_edits(seg, scan, [hole])
    assert holed.femur.sum() < seg.femur.sum()
    new, _, _ = apply_edits(seg, scan, [hole, Edit("fill", "femur", points, radius_mm)])
    assert np.array_equal(new.femur, seg.femur)
    assert np.array_equal(new.femur, new.femur_mm < 0.0)
    # Deep inside, the distance is that of the whole ball again, to half a voxel.
    middle = np.linalg.norm(grid_points(seg.grid), axis=-1) < 4.0
    assert np.allclose(new.femur_mm[middle], seg.femur_mm[middle], atol=1.0)


def test_a_fill_far_from_the_hole_changes_nothing() -> None:
    seg, scan = ball()
    hole = Edit("eraser", "femur", ((6.0, 0.0, 0.0),), 2.5)
    far = Edit("fill", "femur", ((-8.0, 0.0, 0.0),), 3.0)
    once, _, _ = apply_edits(seg, scan, [hole])
    twice, _, _ = apply_edits(seg, scan, [hole, far])
    assert np.array_equal(once.bones, twice.bones)


def test_what_is_drawn_of_a_lesion_is_added_and_removed_but_never_both() -> None:
    seg, scan = ball()
    edits = [Edit("brush", "lesion", ((0.0, 0.0, 2.0),), 5.0), Edit("eraser", "lesion", ((0.0, 0.0, 5.0),), 4.0)]
    new, drawn, _ = apply_edits(seg, scan, edits)
    assert drawn is not None
    assert not (drawn.added & drawn.removed).any()
    points = grid_points(seg.grid)
    erased = np.linalg.norm(points - np.array([0.0, 0.0, 5.0]), axis=-1) < 4.0
    painted = np.linalg.norm(points - np.array([0.0, 0.0, 2.0]), axis=-1) < 5.0
    assert np.array_equal(drawn.added, painted & ~erased)
    assert np.array_equal(drawn.removed, erased)
    assert np.array_equal(new.bones, seg.bones)


@settings(max_examples=15, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.sampled_from(["brush", "eraser"]),
            st.sampled_from(["femur", "pelvis"]),
            st.tuples(*[st.floats(-18.0, 18.0) for _ in range(3)]),
            st.floats(1.0, 7.0),
        ),
        max_size=4,
    )
)
def test_replayed_edits_give_the_same_answer_and_sign_and_mask_agree(rows: list) -> None:
    seg, scan = ball()
    edits = [Edit(tool, label, (point, (0.0, 0.0, 0.0)), radius) for tool, label, point, radius in rows]
    once, _, box = apply_edits(seg, scan, edits)
    again, _, _ = apply_edits(seg, scan, edits)
    assert np.array_equal(once.bones, again.bones)
    assert np.array_equal(once.femur_mm, again.femur_mm)
    assert np.array_equal(once.femur, once.femur_mm < 0.0)
    assert np.array_equal(once.tissue > 0, once.femur)
    # One after the other is the same as all at once.
    step = seg
    for edit in edits:
        step, _, _ = apply_edits(step, scan, [edit])
    assert np.array_equal(step.bones, once.bones)
    changed = np.argwhere(once.bones != seg.bones)
    if changed.size:
        assert box is not None
        assert np.all(changed.min(axis=0) >= box[0])
        assert np.all(changed.max(axis=0) <= box[1])


def test_edits_that_lack_what_they_need_are_refused() -> None:
    with pytest.raises(TooFewError, match="no radius"):
        Edit("brush", "femur", ((0.0, 0.0, 0.0),))
    with pytest.raises(TooFewError, match="without points"):
        Edit("eraser", "femur", (), 3.0)
    with pytest.raises(TooFewError, match="direction of the side"):
        Edit("cut", "femur", ((0.0, 0.0, 0.0),))
    with pytest.raises(TooFewError, match="no length"):
        Edit("cut", "femur", ((0.0, 0.0, 0.0),), None, (0.0, 0.0, 0.0))
    with pytest.raises(TooFewError, match="not a number"):
        Edit("brush", "femur", ((float("nan"), 0.0, 0.0),), 3.0)


def test_outlines_of_another_scan_are_refused() -> None:
    seg, scan = ball()
    moved = Scan(
        scan.values,
        Grid(scan.grid.origin_mm + 0.4, scan.grid.axes, scan.grid.spacing_mm, scan.grid.shape),
        "CT",
        scan.header,
    )
    with pytest.raises(FrameError, match="do not lie on the voxels"):
        apply_edits(seg, moved, [])


def test_a_stroke_off_the_grid_changes_nothing() -> None:
    seg, scan = ball()
    new, _, box = apply_edits(seg, scan, [Edit("brush", "femur", ((500.0, 0.0, 0.0),), 4.0)])
    assert box is None
    assert np.array_equal(new.bones, seg.bones)

"""Corrections of the outlines by hand: brush, eraser, cut plane, fill; replayed from the record in order.

In: the segmentation as found, the scan, the edits (LPS, mm). Out: a new
segmentation, what was drawn of a lesion, and the box of voxels that changed.
What the hand drew is kept exactly: a stroke is a solid with its own signed
distance, joined to or taken from the femur's, so the surface elsewhere stays what
it was to the last bit and the mask is its sign.
Decision: docs/decisions/0213-edits-are-solids.md
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from headstock.anatomy.scan.segmentation import CORTEX, FEMUR, MARROW, PELVIS, TRABECULAR, Segmentation
from headstock.errors import FrameError, TooFewError
from headstock.geometry.distance import mask_distance
from headstock.geometry.grid import Grid
from headstock.images.scan import Scan

__all__ = ["DrawnLesion", "Edit", "EditLabel", "EditTool", "apply_edits"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]
Slices = tuple[slice, slice, slice]
Point = tuple[float, float, float]
Box = tuple[tuple[int, int, int], tuple[int, int, int]]
EditTool = Literal["brush", "eraser", "cut", "fill"]
EditLabel = Literal["femur", "pelvis", "lesion"]

_AROUND_MM: Final = 6.0  # the distance is kept true this far around a stroke
_STEP_MM: Final = 0.25  # points of a stroke closer together than this say nothing new
_BONE: Final[dict[str, int]] = {"femur": FEMUR, "pelvis": PELVIS}


@dataclass(frozen=True, slots=True)
class Edit:
    """One correction; points and normal LPS, mm.

    "brush", "eraser": a stroke of balls of `radius_mm` along `points`; with `normal`, of discs one voxel thick in the
    plane with that normal. "cut": `label` on the side `normal` points to, of the plane through `points[0]`, goes away.
    "fill": holes of `label` are closed, inside `radius_mm` of `points[0]` when that is given.

    Raises
    ------
    TooFewError
        What the tool needs is not there: points, a radius, a normal.
    """

    tool: EditTool
    label: EditLabel
    points_lps_mm: tuple[Point, ...]
    radius_mm: float | None = None
    normal: Point | None = None

    def __post_init__(self) -> None:
        if self.tool != "fill" and not self.points_lps_mm:
            raise TooFewError(f"A {self.tool} without points changes nothing. Draw it again.")
        if self.tool in ("brush", "eraser") and not (self.radius_mm and self.radius_mm > 0.0):
            raise TooFewError(f"The {self.tool} has no radius. Give one in mm, greater than zero.")
        if self.tool == "fill" and self.radius_mm is not None and not self.points_lps_mm:
            raise TooFewError("A fill with a radius needs the point it is meant around.")
        if self.tool == "cut" and self.normal is None:
            raise TooFewError("A cut needs the direction of the side that goes away.")
        if self.normal is not None and not np.linalg.norm(self.normal) > 1e-6:
            raise TooFewError("A direction of no length points nowhere. Draw the plane again.")
        numbers = [*np.ravel(self.points_lps_mm), *(self.normal or ()), self.radius_mm or 0.0]
        if not np.all(np.isfinite(numbers)):
            raise TooFewError("A correction has a coordinate that is not a number. Draw it again.")


@dataclass(frozen=True, slots=True, eq=False)
class DrawnLesion:
    """What a hand added to and removed from the lesion, bool on the segmentation's grid; never both in one voxel."""

    added: Mask
    removed: Mask


@dataclass(slots=True)
class _State:
    """The arrays while edits are applied."""

    grid: Grid
    bones: NDArray[np.uint8]
    tissue: NDArray[np.uint8]
    femur_mm: NDArray[np.float32]
    added: Mask | None
    removed: Mask | None
    first: NDArray[np.intp]
    last: NDArray[np.intp]

    def changed(self, box: Slices, where: Mask) -> None:
        """Widen the changed box by the True voxels of `where`, which lies at `box`."""
        if not where.any():
            return
        for axis in range(3):
            has = np.flatnonzero(where.any(axis=tuple(a for a in range(3) if a != axis)))
            self.first[axis] = min(self.first[axis], box[axis].start + has[0])
            self.last[axis] = max(self.last[axis], box[axis].start + has[-1])

    def lesion(self) -> tuple[Mask, Mask]:
        """Masks of the drawn lesion, made when first needed."""
        if self.added is None or self.removed is None:
            self.added = np.zeros(self.grid.shape, dtype=bool)
            self.removed = np.zeros(self.grid.shape, dtype=bool)
        return self.added, self.removed


def _box(grid: Grid, points: Floats, margin_mm: float) -> Slices | None:
    """Voxels within `margin_mm` of the points' own box; None when that lies off the grid."""
    index = grid.index(points)
    reach = margin_mm / grid.spacing_mm
    first = np.maximum(np.ceil(index.min(axis=0) - reach), 0).astype(int)
    last = np.minimum(np.floor(index.max(axis=0) + reach), np.array(grid.shape[::-1]) - 1).astype(int)
    if np.any(last < first):
        return None
    return (slice(first[2], last[2] + 1), slice(first[1], last[1] + 1), slice(first[0], last[0] + 1))


def _places(grid: Grid, box: Slices) -> Floats:
    """(..., 3) LPS of the voxels of a box."""
    k, j, i = (np.arange(part.start, part.stop) for part in box)
    step = grid.axes * grid.spacing_mm
    return np.asarray(
        grid.origin_mm
        + i[None, None, :, None] * step[:, 0]
        + j[None, :, None, None] * step[:, 1]
        + k[:, None, None, None] * step[:, 2]
    )


def _stroke_points(points: Floats) -> Floats:
    """The stroke without points that lie on top of the one before; first and last are kept."""
    kept = [points[0]]
    for point in points[1:-1]:
        if np.linalg.norm(point - kept[-1]) >= _STEP_MM:
            kept.append(point)
    if len(points) > 1:
        kept.append(points[-1])
    return np.array(kept)


def _to_segment_mm(places: Floats, a: Floats, b: Floats) -> Floats:
    """Distance of (..., 3) from the straight line between two points."""
    way = b - a
    square = float(way @ way)
    off = places - a
    share = np.clip(off @ way / square, 0.0, 1.0) if square > 0.0 else np.zeros(off.shape[:-1])
    off = off - share[..., None] * way
    return np.asarray(np.sqrt(np.einsum("...i,...i->...", off, off)))


def _stroke_mm(grid: Grid, edit: Edit) -> tuple[Slices, NDArray[np.float32]] | None:
    """Signed distance of a stroke, negative inside, in a box around it; `_AROUND_MM` + radius where it is further."""
    points = _stroke_points(np.array(edit.points_lps_mm, dtype=np.float64))
    radius = float(edit.radius_mm or 0.0)
    reach = radius + _AROUND_MM
    box = _box(grid, points, reach)
    if box is None:
        return None
    normal = None if edit.normal is None else np.array(edit.normal) / np.linalg.norm(edit.normal)
    out = np.full(tuple(part.stop - part.start for part in box), reach, dtype=np.float32)
    ends = points[1:] if len(points) > 1 else points
    for a, b in zip(points[: len(ends)], ends, strict=True):
        part = _box(grid, np.array([a, b]), reach)
        if part is None:
            continue
        places = _places(grid, part)
        if normal is None:
            near = _to_segment_mm(places, a, b) - radius
        else:
            # Half a voxel to each side of the plane: the slice it was drawn in, and no other.
            half = 0.5 * float(np.abs(normal @ (grid.axes * grid.spacing_mm)).max()) * (1.0 - 1e-6)
            height = (places - a) @ normal
            flat = places - height[..., None] * normal
            end = b - float((b - a) @ normal) * normal
            near = np.maximum(_to_segment_mm(flat, a, end) - radius, np.abs(height) - half)
        inside = tuple(slice(p.start - q.start, p.stop - q.start) for p, q in zip(part, box, strict=True))
        np.minimum(out[inside], near, out=out[inside])
    return box, out


def _tissue_cuts(seg: Segmentation, scan: Scan) -> tuple[float, float]:
    """HU that part marrow from trabecular bone and that from cortex: half way between what was found of each."""
    tissue = seg.tissue[::5, ::3, ::3]
    values = _values(seg, scan)[::5, ::3, ::3]
    middle: dict[int, float] = {}
    for name in (CORTEX, TRABECULAR, MARROW):
        of_it = values[tissue == name]
        if of_it.size:
            middle[name] = float(np.median(of_it))
    cortex = middle.get(CORTEX, 1000.0)
    trabecular = middle.get(TRABECULAR, 0.35 * cortex)
    marrow = middle.get(MARROW, 0.1 * trabecular)
    return 0.5 * (marrow + trabecular), 0.5 * (trabecular + cortex)


def _values(seg: Segmentation, scan: Scan) -> NDArray[np.int16] | NDArray[np.float32]:
    """The scan's values on the segmentation's grid, a view."""
    at = np.rint(scan.grid.index(seg.grid.origin_mm)).astype(int)[::-1]
    box = tuple(slice(int(a), int(a) + n) for a, n in zip(at, seg.grid.shape, strict=True))
    part = scan.values[box]
    here = scan.grid.cropped((int(at[0]), int(at[1]), int(at[2])), seg.grid.shape)
    if at.min() < 0 or part.shape != seg.grid.shape or not here.same_as(seg.grid):
        raise FrameError(
            "These outlines do not lie on the voxels of this scan, so corrections would land elsewhere. Use the scan "
            "they were found in."
        )
    return part


def _own(state: _State, box: Slices, gained: Mask, lost: Mask, seg: Segmentation, scan: Scan) -> None:
    """Tissue where the femur gained or lost voxels."""
    tissue = state.tissue[box]
    tissue[lost] = 0
    if gained.any():
        marrow, cortex = _tissue_cuts(seg, scan)
        values = _values(seg, scan)[box][gained]
        tissue[gained] = np.where(values >= cortex, CORTEX, np.where(values >= marrow, TRABECULAR, MARROW))


def _set_bone(state: _State, box: Slices, where: Mask, bone: int, seg: Segmentation, scan: Scan) -> None:
    """Give voxels to a bone (0: to none); `femur_mm` is the caller's."""
    bones = state.bones[box]
    before = bones.copy()
    bones[where] = bone
    state.changed(box, before != bones)
    _own(state, box, (bones == FEMUR) & (before != FEMUR), (bones != FEMUR) & (before == FEMUR), seg, scan)


def _whole(grid: Grid) -> Slices:
    return (slice(0, grid.shape[0]), slice(0, grid.shape[1]), slice(0, grid.shape[2]))


def _stroke(state: _State, edit: Edit, seg: Segmentation, scan: Scan) -> None:
    """Brush or eraser."""
    drawn = _stroke_mm(state.grid, edit)
    if drawn is None:
        return
    box, distance = drawn
    _carve(state, edit, box, distance, seg, scan)


def _cut(state: _State, edit: Edit, seg: Segmentation, scan: Scan) -> None:
    """What lies beyond the plane goes away: an eraser as large as half of space."""
    normal = np.array(edit.normal) / np.linalg.norm(np.array(edit.normal))
    grid = state.grid
    step = (grid.axes * grid.spacing_mm).T @ normal  # growth of the height by column, row, slice
    start = float((grid.origin_mm - np.array(edit.points_lps_mm[0])) @ normal)
    k, j, i = (np.arange(n) for n in grid.shape)
    height = start + i[None, None, :] * step[0] + j[None, :, None] * step[1] + k[:, None, None] * step[2]
    _carve(state, edit, _whole(grid), (-height).astype(np.float32), seg, scan)


def _carve(
    state: _State, edit: Edit, box: Slices, distance: NDArray[np.float32], seg: Segmentation, scan: Scan
) -> None:
    """Join a solid (negative inside) to the label, or take it away."""
    solid = distance < 0.0
    if edit.label == "lesion":
        added, removed = state.lesion()
        gains, loses = (added, removed) if edit.tool == "brush" else (removed, added)
        state.changed(box, solid & (~gains[box] | loses[box]))
        gains[box] |= solid
        loses[box] &= ~solid
        return
    femur = state.femur_mm[box]
    if edit.tool == "brush":
        _set_bone(state, box, solid, _BONE[edit.label], seg, scan)
        if edit.label == "femur":
            np.minimum(femur, distance, out=femur)
        else:
            _take_away(femur, distance)
        return
    _set_bone(state, box, solid & (state.bones[box] == _BONE[edit.label]), 0, seg, scan)
    if edit.label == "femur":
        _take_away(femur, distance)


def _take_away(femur: NDArray[np.float32], distance: NDArray[np.float32]) -> None:
    """The femur's distance without a solid. On the solid's very surface a voxel stays what it was."""
    np.maximum(femur, np.where(distance == 0.0, np.float32(-1e-6), -distance), out=femur)


def _fill(state: _State, edit: Edit, seg: Segmentation, scan: Scan) -> None:
    """Holes closed: in space everywhere, or within a ball also in any of the three planes."""
    from scipy.ndimage import binary_fill_holes

    grid = state.grid
    box = _whole(grid)
    ball: Mask | None = None
    if edit.radius_mm is not None:
        point = np.array(edit.points_lps_mm[:1])
        # Walls around the ball are needed to know what is a hole.
        near = _box(grid, point, 2.0 * edit.radius_mm + 10.0)
        if near is None:
            return
        box = near
        ball = np.linalg.norm(_places(grid, box) - point[0], axis=-1) <= edit.radius_mm
    if edit.label == "lesion":
        added, removed = state.lesion()
        mask = added[box]
    else:
        mask = state.bones[box] == _BONE[edit.label]
    filled = np.asarray(binary_fill_holes(mask))
    if ball is not None:
        for axis in range(3):
            flat = np.moveaxis(mask, axis, 0)
            closed = np.moveaxis(filled, axis, 0)
            for plane, out in zip(flat, closed, strict=True):
                if plane.any():
                    out |= binary_fill_holes(plane)
        filled &= ball
    new = filled & ~mask
    if not new.any():
        return
    if edit.label == "lesion":
        added[box] |= new
        removed[box] &= ~new
        state.changed(box, new)
        return
    before = state.bones[box] == FEMUR
    _set_bone(state, box, new, _BONE[edit.label], seg, scan)
    after = state.bones[box] == FEMUR
    if (before != after).any():
        _measure_again(state, box, before, after)


def _distance(mask: Mask, grid: Grid) -> NDArray[np.float32]:
    """Signed distance from voxels; where no surface is near, as far as is kept true."""
    if mask.all() or not mask.any():
        return np.full(mask.shape, -_AROUND_MM if mask.all() else _AROUND_MM, dtype=np.float32)
    return mask_distance(mask, grid.spacing_mm[::-1])


def _measure_again(state: _State, box: Slices, before: Mask, after: Mask) -> None:
    """`femur_mm` from the voxels, only where the change of voxels changed their own distance."""
    femur = state.femur_mm[box]
    old, new = (_distance(mask, state.grid) for mask in (before, after))
    moved = (np.abs(old - new) > 1e-3) | (before != after)
    least = 0.25 * float(state.grid.spacing_mm.min())
    new = np.where(after, np.minimum(new, -least), np.maximum(new, least))
    femur[moved] = new[moved]


def apply_edits(
    seg: Segmentation, scan: Scan, edits: Sequence[Edit]
) -> tuple[Segmentation, DrawnLesion | None, Box | None]:
    """The segmentation with edits applied in order, what was drawn of a lesion, and the box that changed.

    Parameters
    ----------
    seg
        As found; not changed. The same edits on it give the same answer.

    Returns
    -------
    The drawn lesion is None when no edit was of the lesion. The box holds the first and the last (slice, row, column)
    that changed, both included; None when none did.

    Raises
    ------
    FrameError
        The outlines are not of this scan.
    """
    _values(seg, scan)
    state = _State(
        seg.grid,
        seg.bones.copy(),
        seg.tissue.copy(),
        seg.femur_mm.copy(),
        None,
        None,
        np.array(seg.grid.shape, dtype=np.intp),
        np.full(3, -1, dtype=np.intp),
    )
    for edit in edits:
        if edit.tool == "fill":
            _fill(state, edit, seg, scan)
        elif edit.tool == "cut":
            _cut(state, edit, seg, scan)
        else:
            _stroke(state, edit, seg, scan)
    for array in (state.bones, state.tissue, state.femur_mm):
        array.setflags(write=False)
    drawn = None
    if state.added is not None and state.removed is not None:
        drawn = DrawnLesion(state.added, state.removed)
    box: Box | None = None
    if state.last[0] >= 0:
        a, b = state.first, state.last
        box = ((int(a[0]), int(a[1]), int(a[2])), (int(b[0]), int(b[1]), int(b[2])))
    return replace(seg, bones=state.bones, tissue=state.tissue, femur_mm=state.femur_mm), drawn, box

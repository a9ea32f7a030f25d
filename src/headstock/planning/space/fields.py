"""A hip read from a scan, made ready for planning: every field on one grid of the hip frame, looked up in nanoseconds.

In: scan, segmentation, hip, lesion, density (LPS grids). Out: `SpaceHip`: built once a reading,
then shared by every placement on it. Hip frame of the reading (docs/frames.md), mm: x medial, y anterior,
z proximal; a right hip is mirrored into it. Signed distances are negative inside.

Where the scan ends inside the bone, the section there is carried straight on a little, so that a
part beside the end is not judged against a wall that the scan, not the bone, has made; no volume is counted there.
Decision: docs/decisions/0242-fields-in-the-hip-frame.md
"""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from headstock.anatomy.scan.segmentation import Segmentation
from headstock.anatomy.scan.values import Density, Lesion, ScanHip
from headstock.errors import FrameError, TooFewError
from headstock.geometry.distance import Sampled, mask_distance, mesh_distance
from headstock.geometry.grid import Grid
from headstock.geometry.mesh import Mesh, surface_of
from headstock.images.scan import Scan
from headstock.planning.prepared import PreparedHip
from headstock.planning.space._scan_masks import box_of, canal_of, pelvis_surface, shell_of, skin_of

__all__ = ["FAR_MM", "BoneVoxels", "SpaceHip", "bone_meshes", "prepare_space"]

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]
Mask = NDArray[np.bool_]
_STEP_MM: Final = 1.0
_FINE_STEP_MM: Final = 0.8
_FINE_BELOW_MM: Final = 0.8  # a scan whose every step is below this one is worth the finer grid
_MARGIN_MM: Final = 6.0
_CARRY_ON_MM: Final = 20.0  # definition: how far the bone is carried on past the end of the scan
_MOST_SAMPLES: Final = 9_000_000  # of one field: five of them and their work stay under 300 MB
_LESION_MARGIN_MM: Final = 4.0
_SHELL_STEPS: Final = 1.0  # samples up to here outside the bone share a voxel with it
FAR_MM: Final = 1e3  # stands for “there is none”: farther than any femur is long
_DRAWN_STEPS: Final = 2  # the femur is drawn from every second sample


@dataclass(frozen=True, slots=True, eq=False)
class BoneVoxels:
    """The femur as m cubes of side `step_mm` in the hip frame, those at its surface counted in part.

    `points` (m, 3) centres; `femur_mm` signed distance to the outer surface; `hu`; `tissue` uint8 (CORTEX,
    TRABECULAR, MARROW of `anatomy.scan`, 0 at the rim); `lesion_inner_mm`, `lesion_outer_mm` (m,), large and positive
    without a lesion; `depth_mm` below the pole along the reading's neck axis. Only bone that the scan shows.
    """

    step_mm: float
    points: Floats32
    femur_mm: Floats32
    hu: Floats32
    tissue: NDArray[np.uint8]
    lesion_inner_mm: Floats32
    lesion_outer_mm: Floats32
    depth_mm: Floats32

    def volume(self, edge_mm: float = 0.0) -> Floats32:
        """(m,) mm3 of bone in each cube when the surface lies `edge_mm` further out.

        The share of a cube inside a flat surface at distance d is taken as 1/2 - d / step: exact along the
        axes, and over a whole surface right on average (error of order step^2, tested on a ball).
        """
        step = np.float32(self.step_mm)
        share = np.clip(np.float32(0.5) - (self.femur_mm - np.float32(edge_mm)) / step, 0.0, 1.0)
        return np.asarray(share * step**3, np.float32)

    @property
    def volume_mm3(self) -> Floats32:
        """(m,) mm3 of bone in each cube, as read."""
        return self.volume()

    def dead_share(self, t: float = 0.5) -> Floats32:
        """(m,) share of each cube that is dead with the rim at `t` between its inner (0) and outer (1) estimate."""
        rim = self.lesion_inner_mm + np.float32(t) * (self.lesion_outer_mm - self.lesion_inner_mm)
        return np.clip(np.float32(0.5) - rim / np.float32(self.step_mm), 0.0, 1.0)


@dataclass(frozen=True, slots=True, eq=False)
class SpaceHip:
    """A hip ready for placements in space. n rows: 1 (the reading alone) or 1 + draws.

    On one grid of the hip frame: `femur` signed distance to its outer surface, exact also far from it; `inner` to the
    inner face of the cortex (negative in spongiosa and marrow, positive in cortex and outside; known to half a voxel
    of the scan); `canal` to the marrow cavity of the shaft, None where none is seen; `pelvis`, None without one; `hu`
    (not a distance). `lesion_inner`, `lesion_outer` on a smaller grid, None without a
    lesion: the rim of row i is at `inner + t[i] * (outer - inner)`. `edge` (n,): common error of the
    femur's surface, mm, outward positive. `pelvis_mesh` for display. `scan_grid`: what the scan shows. `film`: the
    same hip prepared from its films, for what only films know.
    """

    hip: ScanHip
    rows: int
    step_mm: float
    femur: Sampled
    inner: Sampled
    canal: Sampled | None
    pelvis: Sampled | None
    hu: Sampled
    lesion_inner: Sampled | None
    lesion_outer: Sampled | None
    voxels: BoneVoxels
    edge: Floats
    t: Floats
    density: Density
    scan_grid: Grid
    pelvis_mesh: Mesh | None
    film: PreparedHip | None

    def nominal(self) -> "SpaceHip":
        """Row 0 alone: point values, for dragging and for the optimiser."""
        first = _first_row(self.hip)
        d = self.density
        density = d if d.slope is None or d.offset is None else replace(d, slope=d.slope[:1], offset=d.offset[:1])
        film = None if self.film is None else self.film.nominal()
        return replace(self, hip=first, rows=1, edge=self.edge[:1], t=self.t[:1], density=density, film=film)

    def lesion_at(self, points: Floats, t: float = 0.5) -> Floats32:
        """Signed distance (...) to dead bone's rim at `t`, negative inside; large where there is none."""
        if self.lesion_inner is None or self.lesion_outer is None:
            return np.full(np.shape(points)[:-1], FAR_MM, np.float32)
        inner, outer = self.lesion_inner.at(points), self.lesion_outer.at(points)
        return np.asarray(inner + np.float32(t) * (outer - inner))

    def density_of(self, hu: Floats32, row: int = 0) -> Floats32 | None:
        """g/cm3 (phantom-equivalent) of HU values in one row, never below 0; None on a scan without calibration."""
        if self.density.slope is None or self.density.offset is None:
            return None
        slope, offset = np.float32(self.density.slope[row]), np.float32(self.density.offset[row])
        return np.asarray(np.maximum(slope * hu + offset, np.float32(0.0)))

    def in_scan(self, points: Floats) -> Mask:
        """(...) True where the scan shows what is there; beyond it the bone is carried on, not seen."""
        return inside_grid(self.scan_grid, self.hip.lps(points))


def prepare_space(
    scan: Scan,
    seg: Segmentation,
    hip: ScanHip,
    lesion: Lesion | None,
    density: Density,
    film: PreparedHip | None = None,
    *,
    step_mm: float | None = None,
) -> SpaceHip:
    """The hip ready for placements: everything resampled once.

    `step_mm` of the grid: 1.0, or 0.8 on a finer scan, unless given; made larger where the fields would not fit.

    Raises
    ------
    FrameError
        The hip was read on the other side.
    TooFewError
        The segmentation holds no femur.
    """
    if seg.side is not hip.side:
        raise FrameError(
            f"The outlines are of the {seg.side.value} hip and the axes of the {hip.side.value} one. "
            "Read the hip again."
        )
    if not seg.femur.any():
        raise TooFewError("No voxel is marked as femur, so there is nothing to plan on. Outline the femur first.")
    step = step_mm or (_FINE_STEP_MM if float(seg.grid.spacing_mm.max()) < _FINE_BELOW_MM else _STEP_MM)
    origin, shape, step = _region(seg, hip, step)
    look = _Looker(hip, origin, step, shape)
    rough = look.linear(seg.femur_mm, seg.grid)
    femur = mesh_distance(surface_of(rough, origin, step), step, 0.0, like=Sampled(rough, origin, step))
    hollow = seg.femur & ~shell_of(seg)
    inner = look.of_mask(hollow, seg.grid)
    marrow = canal_of(seg, hip)
    canal = None if marrow is None else look.of_mask(marrow, seg.grid)
    pelvis = look.of_mask(seg.pelvis, seg.grid) if seg.pelvis.any() else None
    hu = Sampled(look.linear(scan.values, scan.grid), origin, step, distance=False)
    rims = _rims(lesion, hip, step)
    rows = len(hip.edge)
    t = lesion.t if lesion is not None and len(lesion.t) == rows else np.full(rows, 0.5)
    tissue = look.labels(seg.tissue, seg.grid)
    voxels = _voxels(femur, hu, tissue, rims, hip, seg.grid)
    return SpaceHip(
        hip=hip,
        rows=rows,
        step_mm=step,
        femur=femur,
        inner=inner if inner is not None else Sampled(np.full(shape, FAR_MM, np.float32), origin, step),
        canal=canal,
        pelvis=pelvis,
        hu=hu,
        lesion_inner=None if rims is None else rims[0],
        lesion_outer=None if rims is None else rims[1],
        voxels=voxels,
        edge=np.asarray(hip.edge, np.float64),
        t=np.asarray(t, np.float64),
        density=density,
        scan_grid=seg.grid,
        pelvis_mesh=pelvis_surface(seg, hip),
        film=film,
    )


def bone_meshes(space: SpaceHip) -> dict[str, Mesh]:
    """Closed surfaces for display, hip frame: `femur` as far as the scan shows it, `lesion` (best estimate), its
    outer one as `lesion_outer`, `pelvis`.

    What there is none of is left out. Under 60,000 faces for a hip of usual size.
    """
    n = _DRAWN_STEPS
    thin = Sampled(np.ascontiguousarray(space.femur.values[::n, ::n, ::n]), space.femur.origin_mm, n * space.step_mm)
    shown = np.maximum(thin.values, beyond_scan_mm(space, thin.points()))
    found = {"femur": surface_of(shown, thin.origin_mm, thin.step_mm)}
    if space.lesion_inner is not None and space.lesion_outer is not None:
        best = space.lesion_inner.values + np.float32(space.t[0]) * (
            space.lesion_outer.values - space.lesion_inner.values
        )
        if (best < 0.0).any():
            found["lesion"] = surface_of(best, space.lesion_inner.origin_mm, space.lesion_inner.step_mm)
        if (space.lesion_outer.values < 0.0).any():
            outer = space.lesion_outer
            found["lesion_outer"] = surface_of(outer.values, outer.origin_mm, outer.step_mm)
    if space.pelvis_mesh is not None:
        found["pelvis"] = space.pelvis_mesh
    return found


def beyond_scan_mm(space: SpaceHip, points: Floats) -> Floats32:
    """(...) signed distance to the box that the scan shows, negative within, mm (along the scan's axes)."""
    grid = space.scan_grid
    index = grid.index(space.hip.lps(points))
    last = np.array(grid.shape[::-1]) - 0.5
    return np.asarray((np.maximum(-0.5 - index, index - last) * grid.spacing_mm).max(axis=-1), np.float32)


class _Looker:
    """Values on LPS grids looked up on the grid of the hip frame."""

    def __init__(self, hip: ScanHip, origin: Floats, step: float, shape: tuple[int, int, int]) -> None:
        self._hip, self._origin, self._step, self._shape = hip, origin, step, shape

    def _map(self, grid: Grid) -> tuple[Floats, Floats]:
        """Steps (i, j, k) of the hip grid to (slice, row, column) of `grid`."""
        columns = (self._hip.to_lps * self._step).T @ grid.axes / grid.spacing_mm  # rows: i, j, k
        start = grid.index(self._hip.lps(self._origin))
        return np.ascontiguousarray(columns[:, ::-1].T), np.ascontiguousarray(start[::-1])

    def linear(self, values: NDArray[np.generic], grid: Grid) -> Floats32:
        from headstock.geometry import _distance_kernels as kernels

        turn, start = self._map(grid)
        out = np.empty(self._shape, np.float32)
        kernels.resample(np.ascontiguousarray(values), turn, start, out)
        return out

    def labels(self, values: NDArray[np.uint8], grid: Grid) -> NDArray[np.uint8]:
        from headstock.geometry import _distance_kernels as kernels

        turn, start = self._map(grid)
        out = np.empty(self._shape, np.uint8)
        kernels.nearest(np.ascontiguousarray(values), turn, start, out)
        return out

    def of_mask(self, mask: Mask, grid: Grid) -> Sampled | None:
        """Signed distance of a mask of `grid`; None where it is empty."""
        if not mask.any():
            return None
        box = box_of(mask, 2)
        # What reaches the end of the scan is carried on like the femur; all else ends within its box.
        on = [
            [
                int(np.ceil(_CARRY_ON_MM / step)) if b.start == 0 else 0,
                int(np.ceil(_CARRY_ON_MM / step)) if b.stop == n else 0,
            ]
            for b, n, step in zip(box, mask.shape, grid.spacing_mm[::-1], strict=True)
        ]
        part = np.pad(np.pad(mask[box], on, mode="edge"), 1)
        first = tuple(int(b.start) - before - 1 for b, (before, _) in zip(box, on, strict=True))
        cropped = grid.cropped((first[0], first[1], first[2]), (part.shape[0], part.shape[1], part.shape[2]))
        distance = mask_distance(part, grid.spacing_mm[::-1])
        turn, start = self._map(cropped)
        return Sampled(_far_and_near(distance, turn, start, self._shape, grid), self._origin, self._step)


def _far_and_near(distance: Floats32, turn: Floats, start: Floats, shape: tuple[int, int, int], grid: Grid) -> Floats32:
    """The cropped distance on the whole hip grid: beyond the crop the way to it is added."""
    from headstock.geometry import _distance_kernels as kernels

    out = np.empty(shape, np.float32)
    kernels.resample_distance(distance, turn, start, grid.spacing_mm[::-1].copy(), out)
    return out


def _region(seg: Segmentation, hip: ScanHip, step: float) -> tuple[Floats, tuple[int, int, int], float]:
    """Origin, shape and step of a grid of the hip frame that holds all of the femur, with its margin."""
    index = np.argwhere(skin_of(seg.femur))[:, ::-1]
    points = hip.hip(seg.grid.points(index))
    low, high = points.min(axis=0) - _MARGIN_MM, points.max(axis=0) + _MARGIN_MM
    last = np.array(seg.grid.shape[::-1]) - 1
    for axis in range(3):
        for end, sign in ((0, -1.0), (last[axis], 1.0)):
            at_end = index[:, axis] == end
            if not at_end.any():
                continue
            on = hip.hip(seg.grid.points(index[at_end])) + sign * _CARRY_ON_MM * (seg.grid.axes[:, axis] @ hip.to_lps)
            low, high = np.minimum(low, on.min(axis=0)), np.maximum(high, on.max(axis=0))
    while np.prod((high - low) / step + 2.0) > _MOST_SAMPLES:
        step *= 1.1
    n = np.maximum(np.ceil((high - low) / step).astype(int) + 1, 2)
    return np.asarray(low), (int(n[0]), int(n[1]), int(n[2])), float(step)


def _rims(lesion: Lesion | None, hip: ScanHip, step: float) -> tuple[Sampled, Sampled] | None:
    if lesion is None or not lesion.parts:
        return None
    near = lesion.outer_mm < _LESION_MARGIN_MM
    if not near.any():
        return None
    corners = np.array([[b.start, b.stop - 1] for b in box_of(near, 0)], np.float64)
    index = np.array(np.meshgrid(*corners, indexing="ij")).reshape(3, -1).T
    points = hip.hip(lesion.grid.points(index[:, ::-1]))
    low, high = points.min(axis=0), points.max(axis=0)
    n = np.maximum(np.ceil((high - low) / step).astype(int) + 1, 2)
    look = _Looker(hip, low, step, (int(n[0]), int(n[1]), int(n[2])))
    return (
        Sampled(look.linear(lesion.inner_mm, lesion.grid), low, step),
        Sampled(look.linear(lesion.outer_mm, lesion.grid), low, step),
    )


def _voxels(
    femur: Sampled,
    hu: Sampled,
    tissue: NDArray[np.uint8],
    rims: tuple[Sampled, Sampled] | None,
    hip: ScanHip,
    grid: Grid,
) -> BoneVoxels:
    at = np.argwhere(femur.values < _SHELL_STEPS * femur.step_mm)
    points = femur.origin_mm + femur.step_mm * at
    seen = inside_grid(grid, hip.lps(points))
    at, points = at[seen], points[seen]
    where = tuple(at.T)
    if rims is None:
        inner = outer = np.full(len(at), FAR_MM, np.float32)
    else:
        inner, outer = rims[0].at(points), rims[1].at(points)
    depth = hip.head_radius[0] - (points - hip.head_centre[0]) @ hip.neck_axis[0]
    return BoneVoxels(
        femur.step_mm,
        points.astype(np.float32),
        femur.values[where],
        hu.values[where],
        tissue[where],
        inner,
        outer,
        depth.astype(np.float32),
    )


def inside_grid(grid: Grid, points_lps_mm: Floats) -> Mask:
    """(...) True within the voxels of a grid."""
    index = grid.index(points_lps_mm)
    return np.asarray(((index >= -0.5) & (index <= np.array(grid.shape[::-1]) - 0.5)).all(axis=-1))


def _first_row(hip: ScanHip) -> ScanHip:
    return replace(
        hip,
        head_centre=hip.head_centre[:1],
        head_radius=hip.head_radius[:1],
        neck_axis=hip.neck_axis[:1],
        neck_point=hip.neck_point[:1],
        shaft_axis=None if hip.shaft_axis is None else hip.shaft_axis[:1],
        shaft_point=None if hip.shaft_point is None else hip.shaft_point[:1],
        head_height=hip.head_height[:1],
        base_depth=None if hip.base_depth is None else hip.base_depth[:1],
        edge=hip.edge[:1],
    )

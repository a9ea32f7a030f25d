"""The grid on which a lesion is looked for: a cube around the head, equal steps along all axes, with what is femur on
it.

In: scan and segmentation on any grid, LPS, mm. Out: `Work`, and fields carried back to the segmentation's grid.
"""

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from headstock.anatomy.scan._stock_wall import cortex_level
from headstock.anatomy.scan.segmentation import Segmentation
from headstock.errors import FrameError, TooFewError
from headstock.geometry.grid import Grid
from headstock.images.scan import Scan

__all__ = ["FAR_MM", "Work", "on_grid", "on_planes", "work_grid"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

FAR_MM: Final = 99.0  # distance written where no lesion is near
_LEAST_STEP_MM: Final = 0.7
_MOST_STEP_MM: Final = 1.0
_REACH: Final = 1.9  # of the head radius, around the head centre
_NECK_REACH: Final = 1.5  # of the head radius, down the neck


@dataclass(frozen=True, slots=True, eq=False)
class Work:
    """Grey values and femur on a grid of equal steps. `offsets_mm` (..., 3) from the head centre, in the grid's LPS.

    `depth_mm`: distance inward from the femur's surface; negative outside. `zone`: femur of head and upper neck.
    `core`: the part of it inside the head sphere. `open_end`: where the zone is cut off down the neck. `hounsfield`:
    the values are HU.
    """

    values: Floats
    grid: Grid
    step_mm: float
    depth_mm: Floats
    zone: Mask
    core: Mask
    open_end: Mask
    offsets_mm: Floats
    radius_mm: float
    hounsfield: bool
    cortex: float

    @classmethod
    def of(
        cls,
        values: Floats,
        depth_mm: Floats,
        grid: Grid,
        centre_mm: Floats,
        radius_mm: float,
        hounsfield: bool = True,
        cortex: float | None = None,
    ) -> "Work":
        """From grey values and depth on one grid of equal steps."""
        step = float(grid.spacing_mm[0])
        index = np.stack(np.meshgrid(*[np.arange(n) for n in grid.shape], indexing="ij")[::-1], axis=-1)
        offsets = np.asarray(grid.points(index) - centre_mm)
        away = np.linalg.norm(offsets, axis=-1)
        femur = depth_mm > 0.0
        neck = femur & (away > radius_mm) & (away < 1.6 * radius_mm)
        if neck.any():
            down = offsets[neck].mean(axis=0)
            down /= np.linalg.norm(down)
        else:
            down = np.array([0.0, 0.0, -1.0])
        along = offsets @ down
        zone = femur & (away <= _REACH * radius_mm) & (along <= _NECK_REACH * radius_mm)
        edge = (away > _REACH * radius_mm - 1.5 * step) | (along > _NECK_REACH * radius_mm - 1.5 * step)
        # The edge of the grid is an open end too: what runs out of it may run on.
        edge[0], edge[-1], edge[:, 0], edge[:, -1], edge[:, :, 0], edge[:, :, -1] = (True,) * 6
        core = zone & (away < radius_mm)
        level = cortex_level(values, np.asarray(-depth_mm, np.float32)) if cortex is None else cortex
        return cls(values, grid, step, depth_mm, zone, core, zone & edge, offsets, radius_mm, hounsfield, level)


def work_grid(scan: Scan, seg: Segmentation, centre_lps_mm: Floats, radius_mm: float) -> Work:
    """The cube around the head, values and depth by trilinear look-up.

    Raises
    ------
    FrameError
        Scan and segmentation do not overlap at the head, or the head sphere holds no femur.
    """
    step = float(np.clip(seg.grid.spacing_mm.min(), _LEAST_STEP_MM, _MOST_STEP_MM))
    half = int(np.ceil(_REACH * radius_mm / step)) + 2
    middle = seg.grid.points(np.round(seg.grid.index(centre_lps_mm)))  # voxel on voxel where steps are equal
    grid = Grid(middle - step * half * seg.grid.axes.sum(axis=1), seg.grid.axes, np.full(3, step), (2 * half + 1,) * 3)
    depth = -_femur_mm(seg, grid)
    values = on_grid(scan.values, scan.grid, grid, outside=float(np.min(scan.values)))
    # Thick cortex lies in the shaft, outside the cube of work.
    cortex = cortex_level(on_grid(scan.values, scan.grid, seg.grid, outside=0.0), seg.femur_mm)
    at = np.asarray(centre_lps_mm, np.float64)
    work = Work.of(values, depth, grid, at, radius_mm, scan.modality == "CT", cortex)
    if work.core.sum() * step**3 < 0.3 * 4.0 / 3.0 * np.pi * radius_mm**3:
        raise FrameError(
            "Less than a third of the head sphere is femur in these outlines, so dead bone cannot be looked for in "
            "the head. Check the side, the head sphere and the outline of the femur."
        )
    return work


def _femur_mm(seg: Segmentation, grid: Grid) -> Floats:
    """Signed distance to the femur on the work grid: the segmentation's near the surface, from its voxels farther
    in."""
    near = on_grid(seg.femur_mm, seg.grid, grid, outside=FAR_MM)
    femur = on_grid(seg.femur.astype(np.float32), seg.grid, grid, outside=0.0) >= 0.5
    if not femur.any():
        raise TooFewError(
            "There is no femur near the head sphere, so dead bone cannot be looked for. Read the outlines first."
        )
    step = float(grid.spacing_mm[0])
    far = ndimage.distance_transform_edt(femur, sampling=step) - 0.5 * step
    return np.asarray(np.where(near < -3.0, np.minimum(-far, -3.0), near))


def on_grid(values: NDArray[np.generic], of: Grid, onto: Grid, outside: float, order: Literal[0, 1] = 1) -> Floats:
    """`values` of one grid looked up at the voxels of another."""
    if of.same_as(onto):
        return np.asarray(values, np.float64)
    if values.shape != of.shape:
        raise FrameError(f"Values of {values.shape} do not belong to a grid of {of.shape}.")
    steps = onto.axes * onto.spacing_mm
    # Array order is (slice, row, column), index points are (column, row, slice).
    found = on_planes(values, of, onto.origin_mm, steps[:, ::-1], onto.shape, outside, order)
    return np.asarray(found, np.float64)


def on_planes(
    values: NDArray[np.generic],
    of: Grid,
    origin_mm: Floats,
    steps_mm: Floats,
    shape: tuple[int, int, int],
    outside: float,
    order: Literal[0, 1] = 1,
) -> NDArray[np.float32]:
    """`values` looked up at `origin_mm + steps_mm @ (i, j, k)` for all [i, j, k] of `shape`; `steps_mm` (3, 3) may be
    slanted."""
    a = (of.axes.T @ steps_mm) / of.spacing_mm[:, None]
    b = of.index(origin_mm)
    looked_up: NDArray[np.float32] = ndimage.affine_transform(
        np.asarray(values, np.float32),
        a[::-1],
        b[::-1],
        output_shape=shape,
        output=np.float32,
        order=order,
        mode="constant",
        cval=outside,
        prefilter=False,
    )
    return looked_up

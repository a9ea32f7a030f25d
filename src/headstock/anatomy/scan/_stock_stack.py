"""Sections across the neck axis: fields of a scan looked up on planes square to the axis.

In: scan, outlines, hip, lesion. Out: `Stack`: for each depth a plane of samples. Neck frame of the hip: u across the
axis in the frontal plane (medial and distal, so that +u is medial on both sides), v anterior, s depth below the pole of
the head sphere.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from headstock.anatomy.scan._lesion_grid import FAR_MM, on_planes
from headstock.anatomy.scan.segmentation import Segmentation
from headstock.anatomy.scan.values import Lesion, ScanHip
from headstock.errors import TooFewError
from headstock.geometry.grid import Grid

__all__ = ["DEPTH_STEP_MM", "NeckFrame", "Stack", "neck_frame", "own_section", "stack_of"]

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]
Mask = NDArray[np.bool_]

DEPTH_STEP_MM: Final = 0.5
PLANE_STEP_MM: Final = 0.75
# definition: the neck's side plane runs along the neck axis this far outside the outermost point of the narrowest
# section toward the trochanter; bone beyond it belongs to the trochanter.
SIDE_PLANE_MM: Final = 3.0


@dataclass(frozen=True, slots=True, eq=False)
class NeckFrame:
    """`pole_lps_mm` (3,): depth 0; unit vectors, LPS: `down` the axis into the neck, `across` (+ medial), `front`
    (anterior)."""

    pole_lps_mm: Floats
    down: Floats
    across: Floats
    front: Floats

    def lps(self, across_mm: Floats, front_mm: Floats, depth_mm: Floats) -> Floats:
        """(..., 3) LPS of points given in the neck frame."""
        return np.asarray(
            self.pole_lps_mm
            + np.asarray(across_mm)[..., None] * self.across
            + np.asarray(front_mm)[..., None] * self.front
            + np.asarray(depth_mm)[..., None] * self.down
        )


def neck_frame(hip: ScanHip) -> NeckFrame:
    """The neck frame of the reading (row 0)."""
    axis = hip.neck_axis[0]
    medial = np.array([1.0, 0.0, 0.0]) - axis[0] * axis
    length = float(np.linalg.norm(medial))
    if length < 0.1:
        raise TooFewError(
            "The neck axis runs straight across the body, so it has no frontal plane. Check the neck axis."
        )
    medial /= length
    front = np.cross(axis, medial)
    front *= 1.0 if front[1] >= 0.0 else -1.0
    to = hip.to_lps.T  # rows: a vector of the hip frame times this is LPS
    return NeckFrame(hip.lps(hip.pole[0]), -(axis @ to), medial @ to, front @ to)


@dataclass(frozen=True, slots=True, eq=False)
class Stack:
    """Samples [depth, across, front]: `depth_mm` (D,), `across_mm` (U,), `front_mm` (V,).

    `femur_mm`, `inner_mm`, `outer_mm` signed distances; `grey`; `whole` (D,): the plane's bone lies inside the scan.
    """

    frame: NeckFrame
    depth_mm: Floats
    across_mm: Floats
    front_mm: Floats
    femur_mm: Floats32
    inner_mm: Floats32 | None
    outer_mm: Floats32 | None
    grey: Floats32 | None
    whole: Mask

    @property
    def pixel_mm2(self) -> float:
        """Area of one sample."""
        return PLANE_STEP_MM**2


def stack_of(
    frame: NeckFrame,
    depth_mm: Floats,
    half_width_mm: float,
    seg: Segmentation,
    lesion: Lesion | None,
    grey: tuple[NDArray[np.generic], Grid] | None,
    *,
    tilt: tuple[float, float] = (0.0, 0.0),
) -> Stack:
    """Look up all fields. `tilt` (radians, about v and about u): each plane turned about its own point on the axis."""
    count = int(np.ceil(half_width_mm / PLANE_STEP_MM))
    ticks: Floats = np.arange(-count, count + 1, dtype=np.float64) * PLANE_STEP_MM
    # Columns of the map from (depth, across, front) steps to LPS; a tilted plane leans along the axis.
    columns = np.stack(
        [
            frame.down,
            np.cos(tilt[0]) * frame.across + np.sin(tilt[0]) * frame.down,
            np.cos(tilt[1]) * frame.front + np.sin(tilt[1]) * frame.down,
        ],
        axis=1,
    )
    steps = np.array([float(depth_mm[1] - depth_mm[0]), PLANE_STEP_MM, PLANE_STEP_MM])
    origin = frame.pole_lps_mm + columns @ np.array([depth_mm[0], ticks[0], ticks[0]])
    shape = (len(depth_mm), len(ticks), len(ticks))

    def look(values: NDArray[np.generic], grid: Grid, outside: float) -> Floats32:
        return on_planes(values, grid, origin, columns * steps, shape, outside)

    femur = look(seg.femur_mm, seg.grid, np.nan)
    absent = np.isnan(femur)
    femur = np.where(absent, np.float32(FAR_MM), femur)
    near_edge = ndimage.binary_dilation(absent, structure=np.ones((1, 3, 3), bool)) & (femur < 0.0)
    inner = outer = None
    if lesion is not None and lesion.parts:
        inner = look(lesion.inner_mm, lesion.grid, FAR_MM)
        outer = look(lesion.outer_mm, lesion.grid, FAR_MM)
    seen = None if grey is None else look(grey[0], grey[1], float(np.min(grey[0])))
    return Stack(frame, depth_mm, ticks, ticks, femur, inner, outer, seen, np.asarray(~near_edge.any(axis=(1, 2))))


def own_section(stack: Stack, narrowest: int | None = None) -> tuple[Mask, Mask, float]:
    """Which samples belong to head and neck at each depth.

    In each plane the piece of bone around the axis (else the largest); below the narrowest section only what lies
    medial to the neck's side plane.

    Returns
    -------
    samples (D, U, V) with one sample of margin; `joined` (D,); the side plane's place across, mm.
    """
    bone = stack.femur_mm < 0.0
    labels, _ = ndimage.label(bone, structure=np.stack([np.zeros((3, 3)), np.ones((3, 3)), np.zeros((3, 3))]))
    middle = len(stack.across_mm) // 2
    mine = np.zeros_like(bone)
    for k in range(len(stack.depth_mm)):
        plane = labels[k]
        number = plane[middle, middle]
        if number == 0 and plane.any():
            near = plane[middle - 6 : middle + 7, middle - 6 : middle + 7]
            pool = near[near > 0] if (near > 0).any() else plane[plane > 0]
            number = np.bincount(pool).argmax()
        if number:
            mine[k] = plane == number
    area = mine.sum(axis=(1, 2))
    k0 = int(narrowest) if narrowest is not None else int(np.argmin(np.where(area > 0, area, area.max() + 1)))
    across = np.flatnonzero(mine[k0].any(axis=1))
    if not across.size:
        raise TooFewError("There is no bone at the narrowest section of the neck. Check neck axis and outlines.")
    side = float(stack.across_mm[across[0]]) - SIDE_PLANE_MM
    beyond = stack.across_mm < side
    joined = np.zeros(len(stack.depth_mm), bool)
    joined[k0:] = mine[k0:, beyond].any(axis=(1, 2))
    # Once joined, a section deeper down stays joined: a gap would come from a hole, not from the neck.
    if joined.any():
        joined[int(np.argmax(joined)) :] = True
    wide = ndimage.binary_dilation(mine, structure=np.stack([np.zeros((3, 3)), np.ones((3, 3)), np.zeros((3, 3))]))
    wide[np.ix_(np.arange(len(joined)) >= k0, beyond, np.ones(len(stack.front_mm), bool))] = False
    return wide, joined, side

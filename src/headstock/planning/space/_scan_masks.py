"""Masks of one hip on the scan's own grid: the femur's outer wall, the canal of its shaft, its pelvis as a surface.

In: `Segmentation`, `ScanHip`. Out: masks of the segmentation's shape, a mesh in the hip frame.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from headstock.anatomy.scan.segmentation import CORTEX, FEMUR, MARROW, Segmentation
from headstock.anatomy.scan.values import ScanHip
from headstock.geometry.mesh import Mesh, surface_of

__all__ = ["box_of", "canal_of", "pelvis_surface", "shell_of", "skin_of"]

Mask = NDArray[np.bool_]
_DISPLAY_MM: Final = 2.5  # step of the pelvis as it is drawn
_CANAL_CM3: Final = 0.3  # a pocket of marrow smaller than this is no canal


def skin_of(mask: Mask) -> Mask:
    """Voxels of the mask with a neighbour outside it or at the edge of the array."""
    inside = np.zeros_like(mask)
    core = mask[1:-1, 1:-1, 1:-1].copy()
    for axis in range(3):
        for shift in (slice(None, -2), slice(2, None)):
            at: list[slice] = [slice(1, -1)] * 3
            at[axis] = shift
            core &= mask[tuple(at)]
    inside[1:-1, 1:-1, 1:-1] = core
    return mask & ~inside


def shell_of(seg: Segmentation) -> Mask:
    """Cortex that belongs to the outer wall: dense islands within the spongiosa are none."""
    from skimage.measure import label

    box = box_of(seg.femur, 1)
    femur, dense = seg.femur[box], (seg.tissue[box] == CORTEX)
    parts = np.asarray(label(dense & femur, connectivity=1))  # type: ignore[no-untyped-call]
    outer = np.unique(parts[skin_of(femur)])
    kept = np.zeros(int(parts.max()) + 1, np.bool_)
    kept[outer] = True
    kept[0] = False
    whole = np.zeros_like(seg.femur)
    whole[box] = kept[parts]
    return whole


def canal_of(seg: Segmentation, hip: ScanHip) -> Mask | None:
    """Marrow about the shaft axis below the base of the neck; None without a shaft or without marrow there."""
    from skimage.measure import label

    if hip.shaft_axis is None or hip.shaft_point is None or hip.base_depth is None:
        return None
    marrow = (seg.tissue == MARROW) & (seg.bones == FEMUR)
    box = box_of(marrow, 0) if marrow.any() else None
    if box is None:
        return None
    base = hip.pole[0] - hip.base_depth[0] * hip.neck_axis[0]
    at = np.argwhere(marrow[box]) + [b.start for b in box]
    below = (hip.hip(seg.grid.points(at[:, ::-1])) - base) @ hip.shaft_axis[0] < 0.0
    part = np.zeros_like(marrow)
    part[tuple(at[below].T)] = True
    parts = np.asarray(label(part[box], connectivity=1))  # type: ignore[no-untyped-call]
    sizes = np.bincount(parts.ravel()) * seg.grid.voxel_mm3 / 1000.0
    large = sizes >= _CANAL_CM3
    large[0] = False
    if not large.any():
        return None
    part[box] = large[parts]
    return np.asarray(part)


def pelvis_surface(seg: Segmentation, hip: ScanHip) -> Mesh | None:
    """The hemipelvis, smoothed and thinned, in the hip frame."""
    from scipy.ndimage import gaussian_filter

    if not seg.pelvis.any():
        return None
    box = box_of(seg.pelvis, 3)
    every = [max(1, round(_DISPLAY_MM / s)) for s in seg.grid.spacing_mm[::-1]]
    soft = gaussian_filter(seg.pelvis[box].astype(np.float32), [0.35 * n for n in every])
    thin = soft[tuple(slice(None, None, n) for n in every)]
    if not (thin > 0.5).any():
        return None
    first = np.array([b.start for b in box], np.float64)
    spacing = seg.grid.spacing_mm * np.array(every[::-1])
    # Index points (slice, row, column) as plain numbers first: the mirror of the mesh into the hip frame is one step.
    mesh = surface_of(-thin, np.zeros(3), 1.0, level=-0.5)
    turned = seg.grid.axes[:, ::-1] * spacing[::-1]  # (slice, row, column) steps to LPS
    start = seg.grid.points(first[::-1])
    return mesh.moved(hip.to_lps.T @ turned, hip.hip(start))


def box_of(mask: Mask, margin: int) -> tuple[slice, slice, slice]:
    """The box of a mask that is not empty, with a margin in voxels."""
    found = []
    for axis in range(3):
        others = tuple(a for a in range(3) if a != axis)
        at = np.flatnonzero(mask.any(axis=others))
        found.append(slice(max(int(at[0]) - margin, 0), min(int(at[-1]) + margin + 1, mask.shape[axis])))
    return found[0], found[1], found[2]

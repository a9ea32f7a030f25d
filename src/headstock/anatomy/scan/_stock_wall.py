"""Cortical wall around a section: thickness square to the bone's surface, between voxels.

In: rays from the femur's surface inward, on the scan's grey values. Out: thickness, mm, for each ray.
The wall lies between the half levels: outside halfway from soft tissue to the wall's peak, inside halfway from the peak
to the bone behind it. A wall thinner than about twice the blur of the scan comes out too thick (the half width of a
blurred line is that of the blur); thinner than 2.5 mm its mass is used: the area of its peak over the level of thick
cortex in the same scan (Treece et al., Med Image Anal 2010;14:276: a thin wall's mass survives the blur, its width does
not).
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from headstock.geometry.grid import Grid

__all__ = ["RAY_MM", "cortex_level", "wall_mm"]

Floats = NDArray[np.float64]

RAY_STEP_MM: Final = 0.2
RAY_MM: Final = (-3.0, 9.0)  # from outside to inside, along the inward normal
_PEAK_MM: Final = (-1.0, 3.5)  # where a wall's peak is looked for
_BEHIND_MM: Final = 1.5  # bone nearer the peak than this belongs to it


def _along(values: NDArray[np.generic], grid: Grid, points: Floats, inward: Floats) -> tuple[Floats, Floats]:
    ticks = np.arange(RAY_MM[0], RAY_MM[1] + 1e-9, RAY_STEP_MM)
    at = points[:, None, :] + ticks[None, :, None] * inward[:, None, :]
    index = grid.index(at)[..., ::-1]
    flat = index.reshape(-1, 3).T
    grey = ndimage.map_coordinates(np.asarray(values), flat, output=np.float64, order=1, mode="nearest")
    return ticks, grey.reshape(len(points), -1)


def cortex_level(values: NDArray[np.generic], femur_mm: NDArray[np.float32]) -> float:
    """Grey level of thick cortex in this scan: 90th percentile of what lies 0.5 to 2 mm under the femur's surface."""
    skin = (femur_mm < -0.5) & (femur_mm > -2.0)
    if not skin.any():
        return float(np.max(values))
    return float(np.quantile(np.asarray(values)[skin], 0.90))


def wall_mm(values: NDArray[np.generic], grid: Grid, points_lps_mm: Floats, inward: Floats, cortex: float) -> Floats:
    """(N,) wall thickness under surface points (N, 3), unit `inward` (N, 3). NaN where there is no wall to be told
    apart.

    A ray whose inside never falls below half between peak and soft tissue is solid cortex as far as it goes.
    """
    ticks, grey = _along(values, grid, points_lps_mm, inward)
    window = (ticks >= _PEAK_MM[0]) & (ticks <= _PEAK_MM[1])
    first = int(np.flatnonzero(window)[0])
    peak_at = first + np.argmax(grey[:, window], axis=1)
    rows = np.arange(len(grey))
    peak = grey[rows, peak_at]
    outside = np.where(ticks <= -1.6, grey, np.inf)
    soft = np.min(outside, axis=1)
    place = np.arange(len(ticks))
    # Bone behind the wall: the lower quarter of what lies beyond the peak, so that a thick wall does not pass for it.
    behind = place > peak_at[:, None] + round(_BEHIND_MM / RAY_STEP_MM)
    inside = np.nanquantile(np.where(behind, grey, np.nan), 0.25, axis=1)
    out = _crossing(grey, ticks, peak_at, 0.5 * (soft + peak), -1)
    inn = _crossing(grey, ticks, peak_at, 0.5 * (inside + peak), +1)
    half_width = inn - out
    # Mass of the wall above what lies on either side of it, over what thick cortex would have.
    base = np.where(place <= peak_at[:, None], soft[:, None], inside[:, None])
    reach = np.abs(place - peak_at[:, None]) * RAY_STEP_MM <= 4.0
    mass = np.sum(np.clip(grey - base, 0.0, None) * reach, axis=1) * RAY_STEP_MM
    full = cortex - 0.5 * (soft + inside)
    by_mass = mass / np.maximum(full, 1.0)
    thin = half_width < 2.5
    thickness = np.where(thin & (peak < 1.05 * cortex), np.minimum(half_width, by_mass), half_width)
    no_wall = (peak - soft < 0.25 * (cortex - soft)) | ~np.isfinite(thickness)
    return np.asarray(np.where(no_wall, np.nan, thickness))


def _crossing(grey: Floats, ticks: Floats, start: NDArray[np.int64], level: Floats, way: int) -> Floats:
    """Where each ray first falls below `level`, walking from `start` inward (+1) or outward (-1); the ray's end if
    never."""
    place = np.arange(len(ticks))
    ahead = place >= start[:, None] if way > 0 else place <= start[:, None]
    below = ahead & (grey < level[:, None])
    any_below = below.any(axis=1)
    k = np.argmax(below, axis=1) if way > 0 else len(ticks) - 1 - np.argmax(below[:, ::-1], axis=1)
    k = np.clip(k, 1, len(ticks) - 2)
    rows = np.arange(len(grey))
    a, b = grey[rows, k - way], grey[rows, k]
    share = np.where(a != b, (a - level) / np.where(a != b, a - b, 1.0), 0.0)
    found = ticks[k - way] + np.clip(share, 0.0, 1.0) * way * RAY_STEP_MM
    return np.asarray(np.where(any_below, found, ticks[-1] if way > 0 else ticks[0]))

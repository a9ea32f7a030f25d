"""Places on the femur's surface: tips of the trochanters, backs of the condyles, where the head ends.

In: a segmented hip with head sphere and axes, LPS. Out: points, LPS, mm.
Directions `medial`, `anterior`, `proximal` (3,) are unit vectors in LPS.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from headstock.anatomy.scan._sphere import surface_along
from headstock.anatomy.scan.segmentation import Segmentation
from headstock.geometry.sections3d import plane_axes, sample

__all__ = ["Junction", "condylar_line", "greater_trochanter", "junction", "lesser_trochanter", "surface_points"]

Floats = NDArray[np.float64]

LEAVES_SPHERE_MM: Final = 1.0  # definition: the head ends where its outline is this far from the sphere
_MERIDIANS: Final = 72
_FIRST_DEG: Final = 75.0  # from the pole; nearer to it a departure is damage, not the neck
_LAST_DEG: Final = 160.0
_HOLDS_DEG: Final = 6.0  # a departure that ends sooner is a bump
_CONDYLES_BELOW_MM: Final = 250.0  # a femur followed this far below its head ends in condyles
_CONDYLES_HEIGHT_MM: Final = 40.0
# Definition: the lesser trochanter stands out backward and a little inward.
_LESSER_MEDIAL_DEG: Final = 35.0
_LESSER_RANGE_MM: Final = (32.0, 95.0)  # below the head centre along the shaft
_LESSER_PROMINENCE_MM: Final = 1.0


@dataclass(frozen=True, slots=True, eq=False)
class Junction:
    """Head-neck junction by meridian around the neck axis.

    `turn_deg` (M,) of each meridian from medial-superior u, `depth_mm` (M,) from the pole (NaN: never leaves).
    """

    turn_deg: Floats
    depth_mm: Floats

    @property
    def height_mm(self) -> float:
        """Pole to junction along the neck axis: median of the meridians."""
        return float(np.nanmedian(self.depth_mm))


def surface_points(seg: Segmentation, low_lps_mm: Floats, high_lps_mm: Floats) -> Floats:
    """(N, 3) points of the femur's surface in a box of LPS, one for each voxel at the surface."""
    near = np.argwhere(np.abs(seg.femur_mm) <= 0.75 * float(seg.grid.spacing_mm.max()))[:, ::-1]
    points = seg.grid.points(near)
    points = points[((points >= low_lps_mm) & (points <= high_lps_mm)).all(axis=1)]
    step = 0.5 * float(seg.grid.spacing_mm.min())
    slope = np.stack(
        [
            sample(seg.femur_mm, seg.grid, points + step * e) - sample(seg.femur_mm, seg.grid, points - step * e)
            for e in np.eye(3)
        ],
        axis=1,
    )
    size = np.linalg.norm(slope, axis=1)
    good = np.isfinite(size) & (size > step)
    unit = slope[good] / size[good, None]
    return np.asarray(points[good] - sample(seg.femur_mm, seg.grid, points[good])[:, None] * unit)


def junction(seg: Segmentation, centre: Floats, radius: float, neck: Floats) -> Junction:
    """Where, going down each meridian from the equator, the surface leaves the sphere by 1 mm and stays off it."""
    u, v = plane_axes(neck)
    turn = np.arange(_MERIDIANS) * 2.0 * np.pi / _MERIDIANS
    polar = np.radians(np.arange(_FIRST_DEG, _LAST_DEG, 1.0))
    across = np.cos(turn)[:, None] * u + np.sin(turn)[:, None] * v
    way = np.cos(polar)[None, :, None] * neck + np.sin(polar)[None, :, None] * across[:, None, :]
    reach = surface_along(seg, centre, way.reshape(-1, 3), 0.45 * radius, 2.5 * radius).reshape(way.shape[:2])
    above = np.where(np.isnan(reach), 9.0 * radius, reach) - radius
    off = np.abs(above) - LEAVES_SPHERE_MM
    hold = int(_HOLDS_DEG)
    depth = np.full(_MERIDIANS, np.nan)
    for m in range(_MERIDIANS):
        beyond = off[m] > 0.0
        for k in range(1, len(polar) - hold):
            if beyond[k : k + hold].all():
                share = off[m, k - 1] / (off[m, k - 1] - off[m, k]) if not beyond[k - 1] else 1.0
                angle = polar[k - 1] + share * (polar[k] - polar[k - 1])
                depth[m] = radius - (radius + np.sign(above[m, k]) * LEAVES_SPHERE_MM) * np.cos(angle)
                break
    return Junction(np.degrees(turn), depth)


def greater_trochanter(points: Floats, centre: Floats, radius: float, medial: Floats, proximal: Floats) -> Floats:
    """(3,) the most proximal place of the femur lateral of the head, along the shaft: mean of its top 2 mm."""
    away = points - centre
    apart = (np.linalg.norm(away, axis=1) > 1.3 * radius) & (away @ medial < -0.8 * radius)
    height = away[apart] @ proximal
    top = points[apart][height > height.max() - 2.0]
    tip = top.mean(axis=0)
    return np.asarray(tip + (height.max() - (tip - centre) @ proximal) * proximal)


def lesser_trochanter(
    points: Floats, centre: Floats, at: Floats, medial: Floats, anterior: Floats, proximal: Floats
) -> Floats | None:
    """(3,) the place that stands out most backward and inward from the shaft below the neck; None without a bump."""
    from scipy.signal import find_peaks

    turn = np.radians(_LESSER_MEDIAL_DEG)
    way = -np.cos(turn) * anterior + np.sin(turn) * medial
    below = (centre - points) @ proximal
    out = (points - at) @ way
    first, last = _LESSER_RANGE_MM
    last = min(last, float(below.max()) - 1.0)
    if last - first < 15.0:
        return None
    edges = np.arange(first, last, 1.0)
    extent = np.array([out[(below >= e) & (below < e + 1.0)].max(initial=-99.0) for e in edges])
    extent = np.convolve(np.pad(extent, 2, mode="edge"), np.ones(5) / 5.0, mode="valid")
    peaks, about = find_peaks(extent, prominence=_LESSER_PROMINENCE_MM)
    if len(peaks) == 0:
        return None
    k = int(peaks[np.argmax(about["prominences"])])
    ring = points[np.abs(below - edges[k] - 0.5) < 1.5]
    far = (ring - at) @ way
    return np.asarray(ring[far > far.max() - 0.7].mean(axis=0))


def condylar_line(
    seg: Segmentation, centre: Floats, proximal: Floats, posterior: Floats
) -> tuple[Floats, Floats] | None:
    """Two points (3,), (3,) on the backs of the condyles where a plane along the shaft lies on both; None when absent.

    The posterior tangent ("table top") of the lowest 40 mm of the femur seen along the shaft: the long edge of their
    convex outline that faces backward.
    """
    from scipy.spatial import ConvexHull

    index = np.argwhere(np.abs(seg.femur_mm) <= 0.75 * float(seg.grid.spacing_mm.max()))[:, ::-1]
    points = seg.grid.points(index)
    below = (centre - points) @ proximal
    if below.max() < _CONDYLES_BELOW_MM:
        return None
    points = points[below > below.max() - _CONDYLES_HEIGHT_MM]
    low, high = points.min(axis=0) - 2.0, points.max(axis=0) + 2.0
    points = surface_points(seg, low, high)
    u, v = plane_axes(proximal, posterior)
    flat = np.stack([points @ u, points @ v], axis=1)
    hull = ConvexHull(flat)
    ring = hull.vertices
    best, longest = None, 0.0
    for a, b in zip(ring, np.roll(ring, -1), strict=True):
        edge = flat[b] - flat[a]
        length = float(np.linalg.norm(edge))
        outward = np.array([edge[1], -edge[0]]) / max(length, 1e-9)  # a hull's ring runs counter-clockwise
        if outward[0] > np.cos(np.radians(45.0)) and length > longest:
            best, longest = (points[a], points[b]), length
    return best if longest > 20.0 else None

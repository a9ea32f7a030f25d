"""Plane sections of a body given by its signed distance on a grid.

In: signed distance (negative inside) on a `Grid`, planes; mm, the grid's frame.
Out: the closed outlines that each plane cuts, found between voxels by linear
interpolation on the plane (marching squares), so areas and centres converge with
the square of the step (tests state it on a ball and a tube).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from headstock.geometry.grid import Grid
from headstock.geometry.polygon import area_mm2, centroid, contains, path_length

__all__ = ["Section", "plane_axes", "sample", "sections_along", "widths_mm"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Section:
    """One closed outline in a plane.

    `outline` (K, 2) in the plane's axes `u`, `v` (3,) about `origin` (3,); `area_mm2`; `centroid` (3,) in the
    grid's frame; `perimeter_mm`. `cut`: the outline reaches the edge of the grid, so it is not the whole section.
    """

    origin: Floats
    u: Floats
    v: Floats
    outline: Floats
    area_mm2: float
    centroid: Floats
    perimeter_mm: float
    cut: bool

    @property
    def points(self) -> Floats:
        """(K, 3) outline in the grid's frame."""
        return np.asarray(self.origin + self.outline[:, :1] * self.u + self.outline[:, 1:] * self.v)


def plane_axes(normal: ArrayLike, toward: ArrayLike | None = None) -> tuple[Floats, Floats]:
    """Unit vectors u, v with u x v = normal; u as near `toward` (3,) as the plane allows, or any."""
    n = np.asarray(normal, np.float64)
    n = n / np.linalg.norm(n)
    wish = np.eye(3)[int(np.argmin(np.abs(n)))] if toward is None else np.asarray(toward, np.float64)
    u = wish - (wish @ n) * n
    u = u / np.linalg.norm(u)
    return u, np.cross(n, u)


def sample(
    values: NDArray[np.floating] | NDArray[np.integer], grid: Grid, points_mm: ArrayLike, *, outside: float = np.nan
) -> Floats:
    """Trilinear values (...,) at points (..., 3); `outside` beyond the outermost voxel centres."""
    from scipy.ndimage import map_coordinates

    index = grid.index(points_mm)
    flat = index.reshape(-1, 3)[:, ::-1].T
    found = map_coordinates(values, flat, output=np.float64, order=1, mode="nearest")
    last = np.array(grid.shape, np.float64)[:, None] - 1.0
    beyond = ((flat < 0.0) | (flat > last)).any(axis=0)
    found[beyond] = outside
    return np.asarray(found.reshape(index.shape[:-1]))


def sections_along(
    distance_mm: NDArray[np.floating],
    grid: Grid,
    origins: ArrayLike,
    normal: ArrayLike,
    *,
    half_width_mm: float,
    step_mm: float = 0.5,
    toward: ArrayLike | None = None,
) -> list[Section | None]:
    """In each of several parallel planes the outline around its origin, or else the nearest one; None where none.

    Parameters
    ----------
    origins
        (N, 3), one in each plane.
    half_width_mm
        How far from each origin the plane is looked at; an outline reaching further is `cut`.
    """
    from skimage.measure import find_contours

    at = np.asarray(origins, np.float64)
    u, v = plane_axes(normal, toward)
    count = int(np.ceil(half_width_mm / step_mm))
    ticks = np.arange(-count, count + 1) * step_mm
    plane = ticks[:, None, None] * u + ticks[None, :, None] * v
    values = sample(distance_mm, grid, at[:, None, None, :] + plane)
    found: list[Section | None] = []
    for origin, image in zip(at, values, strict=True):
        absent = np.isnan(image)
        image = np.where(absent, 10.0 * step_mm, image)
        image[0, :] = image[-1, :] = image[:, 0] = image[:, -1] = 10.0 * step_mm
        best: Section | None = None
        best_reach = np.inf
        for line in find_contours(image, 0.0):  # type: ignore[no-untyped-call]
            if len(line) < 5 or not np.array_equal(line[0], line[-1]):
                continue
            outline = (line[:-1] - count) * step_mm
            area = float(area_mm2(outline))
            if area < 4.0 * step_mm**2:
                continue
            centre = centroid(outline)
            reach = 0.0 if bool(contains(np.zeros((1, 2)), outline)[0]) else float(np.linalg.norm(centre))
            if reach > best_reach or (reach == best_reach and best is not None and best.area_mm2 > area):
                continue
            best_reach = reach
            best = Section(
                origin,
                u,
                v,
                outline,
                area,
                origin + centre[0] * u + centre[1] * v,
                float(path_length(outline, closed=True)),
                _cut(line, absent),
            )
        found.append(best)
    return found


def _cut(line: Floats, absent: NDArray[np.bool_]) -> bool:
    size = len(absent)
    if (line.min() < 1.0) or (line.max() > size - 2.0):
        return True
    if not absent.any():
        return False
    near = np.rint(line).astype(np.int64)
    return bool(any(absent[near[:, 0] + i, near[:, 1] + j].any() for i in (-1, 0, 1) for j in (-1, 0, 1)))


def widths_mm(section: Section, directions: int = 90) -> tuple[Floats, Floats]:
    """Distance between parallel tangents by direction: (angles_deg (D,) from u, widths (D,)), over half a turn."""
    angle = np.arange(directions) * np.pi / directions
    along = section.outline @ np.stack([np.cos(angle), np.sin(angle)])
    return np.degrees(angle), np.asarray(np.ptp(along, axis=0))

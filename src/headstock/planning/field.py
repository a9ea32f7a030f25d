"""Signed distance to an outline on a regular grid, so that thousands of placements read it in milliseconds.

In: an outline in one film frame, mm. Out: `Field`, whose `at` gives the distance
to the outline, positive inside. Between grid points it is bilinear: exact beside
a straight edge, within 0.05 mm at the curvature of a femur (tested).
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import cKDTree

from headstock.errors import TooFewError

__all__ = ["Field", "distance_field", "extended_outline", "lesion_field", "nearest_value_field"]

Floats = NDArray[np.float64]
STEP_MM: Final = 0.5
_DENSE_MM: Final = 0.25


@dataclass(frozen=True, slots=True, eq=False)
class Field:
    """Signed distances on a grid: `values` (nx, ny) at `origin` + step (i, j), mm."""

    origin: Floats
    step_mm: float
    values: NDArray[np.float32]

    def at(self, points: ArrayLike) -> Floats:
        """Signed distance at points (..., 2), mm. Beyond the grid the distance to the grid is taken off."""
        # Single precision: 1e-5 mm of error here, and half the time for the millions of look-ups of one appraisal.
        p = np.asarray(points)
        nx, ny = self.values.shape
        per = 1.0 / self.step_mm
        gx = ((p[..., 0] - self.origin[0]) * per).astype(np.float32)
        gy = ((p[..., 1] - self.origin[1]) * per).astype(np.float32)
        cx, cy = np.clip(gx, 0.0, nx - 1.001), np.clip(gy, 0.0, ny - 1.001)
        ix, iy = cx.astype(np.int32), cy.astype(np.int32)
        flat = self.values.ravel()
        at = ix * np.int32(ny) + iy
        beyond = np.hypot(gx - cx, gy - cy) if ((gx != cx).any() or (gy != cy).any()) else None
        cx -= ix
        cy -= iy
        low = flat.take(at)
        low += (flat.take(at + 1) - low) * cy
        at += np.int32(ny)
        high = flat.take(at)
        high += (flat.take(at + 1) - high) * cy
        low += (high - low) * cx
        if beyond is not None:
            low -= np.float32(self.step_mm) * beyond
        return np.asarray(low, dtype=np.float64)


def extended_outline(outer_mm: ArrayLike, by_mm: float = 70.0, over_mm: float = 15.0) -> Floats:
    """The open outline with both ends carried straight on, along their common direction.

    A film ends before the femur does. A stem that reaches past the outline is
    judged against this straight continuation, and the line that uses it says so.
    """
    outer = np.asarray(outer_mm, dtype=np.float64)
    if len(outer) < 3:
        raise TooFewError(
            "The femur's outline has fewer than three points. Trace it from shaft to shaft, over the head."
        )
    ways = []
    for line in (outer, outer[::-1]):
        along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
        inner = np.array([np.interp(over_mm, along, line[:, k]) for k in (0, 1)])
        way = line[0] - inner
        ways.append(way / max(float(np.linalg.norm(way)), 1e-9))
    way = ways[0] + ways[1]
    size = float(np.linalg.norm(way))
    if size < 0.5:  # the ends run apart: this outline closes no bone to carry on
        return outer
    way = way / size * by_mm
    return np.vstack([outer[0] + way, outer, outer[-1] + way])


def distance_field(closed: ArrayLike, margin_mm: float = 6.0, step_mm: float = STEP_MM) -> Field:
    """Signed distance to one closed outline (K, 2), first point not repeated; positive inside."""
    polygon = np.asarray(closed, dtype=np.float64)
    low, high = polygon.min(axis=0) - margin_mm, polygon.max(axis=0) + margin_mm
    n = np.maximum(np.ceil((high - low) / step_mm).astype(int) + 1, 2)
    xs, ys = low[0] + step_mm * np.arange(n[0]), low[1] + step_mm * np.arange(n[1])
    grid = np.stack(np.meshgrid(xs, ys, indexing="ij"), axis=-1)
    distance = _distance(grid.reshape(-1, 2), polygon).reshape(grid.shape[:2])
    return Field(low, step_mm, np.where(_inside(xs, ys, polygon), distance, -distance).astype(np.float32))


def nearest_value_field(closed: ArrayLike, values: ArrayLike, like: Field) -> Field:
    """What holds at the nearest place of a closed outline, on the grid of `like`; `values` (K,), one a vertex."""
    polygon, known = np.asarray(closed, dtype=np.float64), np.asarray(values, dtype=np.float64)
    dense, owner = _densely(polygon)
    n = like.values.shape
    xs, ys = (like.origin[k] + like.step_mm * np.arange(n[k]) for k in (0, 1))
    grid = np.stack(np.meshgrid(xs, ys, indexing="ij"), axis=-1)
    _, nearest = cKDTree(dense).query(grid.reshape(-1, 2))
    # An edge is as uncertain as the worse of its ends.
    edge = np.maximum(known, np.roll(known, -1))
    return Field(like.origin, like.step_mm, edge[owner[nearest]].reshape(n).astype(np.float32))


def _densely(polygon: Floats) -> tuple[Floats, NDArray[np.intp]]:
    """The closed outline with vertices at most `_DENSE_MM` apart, and which edge each belongs to."""
    ends = np.roll(polygon, -1, axis=0)
    counts = np.maximum(np.ceil(np.linalg.norm(ends - polygon, axis=1) / _DENSE_MM).astype(int), 1)
    share = np.concatenate([np.arange(c) / c for c in counts])
    owner = np.repeat(np.arange(len(polygon)), counts)
    return polygon[owner] + share[:, None] * (ends - polygon)[owner], owner


def lesion_field(polygons: tuple[Floats, ...], margin_mm: float = 12.0) -> Field | None:
    """Signed distance to dead bone, positive **inside** any of the polygons; None without dead bone."""
    if not polygons:
        return None
    fields = [distance_field(p, margin_mm) for p in polygons]
    if len(fields) == 1:
        return fields[0]
    low = np.min([f.origin for f in fields], axis=0)
    high = np.max([f.origin + STEP_MM * np.array(f.values.shape) for f in fields], axis=0)
    n = np.ceil((high - low) / STEP_MM).astype(int) + 1
    xs, ys = low[0] + STEP_MM * np.arange(n[0]), low[1] + STEP_MM * np.arange(n[1])
    grid = np.stack(np.meshgrid(xs, ys, indexing="ij"), axis=-1)
    return Field(low, STEP_MM, np.max([f.at(grid) for f in fields], axis=0).astype(np.float32))


def _distance(points: Floats, polygon: Floats) -> Floats:
    """Least distance to a closed outline: nearest dense vertex, then its two edges exactly."""
    dense, _ = _densely(polygon)
    _, nearest = cKDTree(dense).query(points)
    best = np.full(len(points), np.inf)
    for first in (nearest - 1, nearest):
        a, b = dense[first], dense[(first + 1) % len(dense)]
        along = b - a
        t = np.clip(np.sum((points - a) * along, axis=1) / np.maximum(np.sum(along**2, axis=1), 1e-18), 0.0, 1.0)
        best = np.minimum(best, np.linalg.norm(points - a - t[:, None] * along, axis=1))
    return best


def _inside(xs: Floats, ys: Floats, polygon: Floats) -> NDArray[np.bool_]:
    """Even-odd rule on a grid, one scan line a column of the grid."""
    a, b = polygon, np.roll(polygon, -1, axis=0)
    rise = np.where(a[:, 0] == b[:, 0], 1.0, b[:, 0] - a[:, 0])
    inside = np.zeros((len(xs), len(ys)), dtype=bool)
    for i, x in enumerate(xs):
        spans = (a[:, 0] > x) != (b[:, 0] > x)
        crossings = np.sort((a[:, 1] + (x - a[:, 0]) / rise * (b[:, 1] - a[:, 1]))[spans])
        inside[i] = np.searchsorted(crossings, ys) % 2 == 1
    return inside

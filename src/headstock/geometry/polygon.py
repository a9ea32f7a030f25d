"""Closed outlines and open polylines in the plane: area, inside, distance, cut, chords.

In: vertices (..., K, 2) in order (closed outlines are not repeated at the end), one
frame; mm give mm and mm2, other units follow. Leading axes broadcast where said.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from headstock.errors import TooFewError

__all__ = [
    "area_in_halfplane_mm2",
    "area_mm2",
    "centroid",
    "chord_lengths",
    "clip_halfplane",
    "contains",
    "crossings",
    "distance_to_polyline",
    "path_length",
    "resample",
]

Floats = NDArray[np.float64]


def _vertices(polygon: ArrayLike, least: int) -> Floats:
    p = np.asarray(polygon, dtype=np.float64)
    if p.ndim < 2 or p.shape[-1] != 2 or p.shape[-2] < least:
        raise TooFewError(f"An outline needs at least {least} points (..., K, 2); this one has shape {p.shape}.")
    return p


def area_mm2(polygon: ArrayLike) -> Floats:
    """Area of a closed outline (..., K, 2), without sign (shoelace formula)."""
    p = _vertices(polygon, 3)
    return np.asarray(np.abs(_twice_signed_area(p - p[..., :1, :])) / 2)


def _twice_signed_area(p: Floats) -> Floats:
    q = np.roll(p, -1, axis=-2)
    return np.asarray(np.sum(p[..., 0] * q[..., 1] - p[..., 1] * q[..., 0], axis=-1))


def centroid(polygon: ArrayLike) -> Floats:
    """Centre of area of a closed outline (..., K, 2)."""
    p = _vertices(polygon, 3)
    origin = p[..., :1, :]
    p = p - origin
    q = np.roll(p, -1, axis=-2)
    cross = p[..., 0] * q[..., 1] - p[..., 1] * q[..., 0]
    total = cross.sum(axis=-1)
    if np.any(total == 0):
        raise TooFewError("This outline encloses no area, so it has no centre. Draw it around the region.")
    return np.asarray(np.sum((p + q) * cross[..., None], axis=-2) / (3 * total[..., None]) + origin[..., 0, :])


def contains(points: ArrayLike, polygon: ArrayLike) -> NDArray[np.bool_]:
    """Which points (..., M, 2) lie inside the closed outline (..., K, 2); even-odd rule; leading axes broadcast.

    A point exactly on the outline may fall either way.
    """
    p = np.asarray(points, dtype=np.float64)[..., :, None, :]
    a = _vertices(polygon, 3)[..., None, :, :]
    b = np.roll(a, -1, axis=-2)
    spans = (a[..., 1] > p[..., 1]) != (b[..., 1] > p[..., 1])
    rise = np.where(spans, b[..., 1] - a[..., 1], 1.0)
    x = a[..., 0] + (p[..., 1] - a[..., 1]) * (b[..., 0] - a[..., 0]) / rise
    return np.asarray((np.sum(spans & (p[..., 0] < x), axis=-1) % 2) == 1)


def distance_to_polyline(points: ArrayLike, polyline: ArrayLike, *, closed: bool = False) -> Floats:
    """Least distance of each point (..., M, 2) from the polyline (..., K, 2); leading axes broadcast."""
    p = np.asarray(points, dtype=np.float64)[..., :, None, :]
    line = _vertices(polyline, 2)
    a = line if closed else line[..., :-1, :]
    b = np.roll(line, -1, axis=-2) if closed else line[..., 1:, :]
    a, b = a[..., None, :, :], b[..., None, :, :]
    along = b - a
    square = np.sum(along**2, axis=-1)
    t = np.clip(np.sum((p - a) * along, axis=-1) / np.where(square > 0, square, 1.0), 0.0, 1.0)
    return np.asarray(np.linalg.norm(p - a - t[..., None] * along, axis=-1).min(axis=-1))


def clip_halfplane(polygon: ArrayLike, point: ArrayLike, normal: ArrayLike) -> Floats:
    """The part of one closed outline (K, 2) on the side to which `normal` points, (K', 2), K' may be 0.

    Sutherland and Hodgman, Commun ACM 1974;17:32-42. Where the cut splits a concave outline in two, the parts stay
    joined by a double line along the cut: the area is right.
    """
    p = _vertices(polygon, 3)
    side = (p - np.asarray(point, np.float64)) @ np.asarray(normal, np.float64)
    kept: list[Floats] = []
    for i in range(len(p)):
        j = (i + 1) % len(p)
        if side[i] >= 0:
            kept.append(p[i])
        if (side[i] >= 0) != (side[j] >= 0):
            kept.append(p[i] + (p[j] - p[i]) * (side[i] / (side[i] - side[j])))
    return np.array(kept).reshape(-1, 2)


def area_in_halfplane_mm2(polygon: ArrayLike, point: ArrayLike, normal: ArrayLike) -> Floats:
    """Area of closed outlines (..., K, 2) on the side to which `normal` (..., 2) points; batched `clip_halfplane`.

    Edges are clipped one by one and summed about `point`: the closing edges along the cut pass through it and add 0.
    """
    p = _vertices(polygon, 3) - np.asarray(point, np.float64)[..., None, :]
    q = np.roll(p, -1, axis=-2)
    n = np.asarray(normal, np.float64)[..., None, :]
    s, t = np.sum(p * n, axis=-1), np.sum(q * n, axis=-1)
    gap = np.where(s == t, 1.0, s - t)
    cut = np.clip(s / gap, 0.0, 1.0)
    crosses = (s >= 0) != (t >= 0)
    begin = np.where((s >= 0) | ~crosses, 0.0, cut)
    end = np.where((t >= 0) | ~crosses, 1.0, cut)
    a = p + begin[..., None] * (q - p)
    b = p + end[..., None] * (q - p)
    outside = (s < 0) & (t < 0)
    cross = np.where(outside, 0.0, a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0])
    return np.asarray(np.abs(cross.sum(axis=-1)) / 2)


def crossings(polyline: ArrayLike, point: ArrayLike, direction: ArrayLike, *, closed: bool = True) -> Floats:
    """Where a straight line meets an outline: sorted signed distances from `point` along the unit of `direction`.

    `polyline` (..., K, 2), `point` and `direction` (..., 2), broadcast. Out (..., K or K-1): as many as there are
    edges, NaN where an edge is not met (NaN last).
    """
    line = _vertices(polyline, 2)
    u = np.asarray(direction, np.float64)
    u = u / np.linalg.norm(u, axis=-1, keepdims=True)
    p = line - np.asarray(point, np.float64)[..., None, :]
    across = p[..., 1] * u[..., None, 0] - p[..., 0] * u[..., None, 1]
    along = p[..., 0] * u[..., None, 0] + p[..., 1] * u[..., None, 1]
    next_across, next_along = np.roll(across, -1, axis=-1), np.roll(along, -1, axis=-1)
    if not closed:
        across, along = across[..., :-1], along[..., :-1]
        next_across, next_along = next_across[..., :-1], next_along[..., :-1]
    met = (across >= 0) != (next_across >= 0)
    share = across / np.where(met, across - next_across, 1.0)
    return np.sort(np.where(met, along + share * (next_along - along), np.nan), axis=-1)


def chord_lengths(polygon: ArrayLike, point: ArrayLike, direction: ArrayLike) -> Floats:
    """Length of a straight line inside a closed outline (..., K, 2); `point`, `direction` (..., 2) broadcast.

    A concave outline met more than twice gives the sum of the inside pieces; 0 when the line misses it.
    """
    t = crossings(polygon, point, direction)
    n = t.shape[-1] // 2 * 2
    pieces = t[..., 1:n:2] - t[..., 0:n:2]
    return np.asarray(np.nansum(pieces, axis=-1))


def path_length(polyline: ArrayLike, *, closed: bool = False) -> Floats:
    """Length along a polyline (..., K, 2)."""
    p = _vertices(polyline, 2)
    if closed:
        p = np.concatenate([p, p[..., :1, :]], axis=-2)
    return np.asarray(np.linalg.norm(np.diff(p, axis=-2), axis=-1).sum(axis=-1))


def resample(polyline: ArrayLike, count: int, *, closed: bool = False) -> Floats:
    """`count` points evenly spaced along one polyline (K, 2); an open one keeps both its ends."""
    p = _vertices(polyline, 2)
    if count < 2:
        raise TooFewError(f"A polyline needs at least two points; {count} were asked for.")
    if closed:
        p = np.concatenate([p, p[:1]])
    s = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(p, axis=0), axis=-1))])
    if s[-1] == 0:
        raise TooFewError("All points of this polyline are one and the same, so it has no length to divide.")
    at = np.linspace(0.0, s[-1], count, endpoint=not closed)
    return np.stack([np.interp(at, s, p[:, 0]), np.interp(at, s, p[:, 1])], axis=-1)

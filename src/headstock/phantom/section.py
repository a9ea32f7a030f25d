"""Plane sections of a triangle surface.

In: a closed surface, mm. Out: area and centroid of the loops that a plane cuts.
Frame: that of the surface.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from headstock.errors import TooFewError
from headstock.phantom.shape import Surface

__all__ = ["Loop", "loop_nearest", "sections"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Loop:
    """One closed curve of a section: area (mm2), centroid (3,), mm."""

    area_mm2: float
    centroid: Floats


def sections(surface: Surface, point: Floats, normal: Floats) -> tuple[Loop, ...]:
    """The loops in which a plane through `point` (3,) with unit `normal` (3,) cuts the surface.

    Exact for the triangles. Holes count as negative area. Empty when the plane
    misses the surface.
    """
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    height = (surface.vertices - point) @ normal
    height = np.where(height == 0.0, 1e-9, height)  # a vertex exactly on the plane would break a loop
    above = height > 0.0
    a0, a1, a2 = (above[surface.faces[:, i]] for i in range(3))
    cut = surface.faces[(a0 != a1) | (a1 != a2)]
    if len(cut) == 0:
        return ()
    ends = np.empty((len(cut), 2, 3))
    keys = np.empty((len(cut), 2), dtype=np.int64)
    # On a face seen from outside the crossing that goes up ends the segment, the one that goes down starts it.
    for i in range(3):
        a, b = cut[:, i], cut[:, (i + 1) % 3]
        up, down = (height[a] < 0) & (height[b] > 0), (height[a] > 0) & (height[b] < 0)
        low, high = np.minimum(a, b), np.maximum(a, b)
        share = height[low] / np.where(up | down, height[low] - height[high], 1.0)
        crossing = surface.vertices[low] + share[:, None] * (surface.vertices[high] - surface.vertices[low])
        key = low * len(surface.vertices) + high
        for mask, slot in ((down, 0), (up, 1)):
            ends[mask, slot] = crossing[mask]
            keys[mask, slot] = key[mask]
    _, number = np.unique(keys, return_inverse=True)
    number = number.reshape(keys.shape)
    size = int(number.max()) + 1
    graph = coo_matrix((np.ones(len(cut)), (number[:, 0], number[:, 1])), shape=(size, size))
    count, label = connected_components(graph, directed=False)
    of_segment = label[number[:, 0]]
    across = np.cross(normal, [1.0, 0.0, 0.0] if abs(normal[0]) < 0.9 else [0.0, 1.0, 0.0])
    across /= np.linalg.norm(across)
    up_axis = np.cross(normal, across)
    flat = np.stack([(ends - point) @ across, (ends - point) @ up_axis], axis=-1)
    p, q = flat[:, 0], flat[:, 1]
    cross = p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0]
    loops = []
    for k in range(count):
        mine = of_segment == k
        area = 0.5 * cross[mine].sum()
        if abs(area) < 1e-9:
            continue
        centre = ((p[mine] + q[mine]) * cross[mine, None]).sum(axis=0) / (6.0 * area)
        loops.append(Loop(float(area), point + centre[0] * across + centre[1] * up_axis))
    return tuple(loops)


def loop_nearest(loops: tuple[Loop, ...], point: Floats) -> Loop:
    """The loop whose centroid lies nearest to `point`.

    Raises
    ------
    TooFewError
        The plane cut nothing.
    """
    if not loops:
        raise TooFewError("A section plane missed the bone, so its axis is not defined. Use a smaller deformity.")
    return min(loops, key=lambda loop: float(np.linalg.norm(loop.centroid - point)))

"""Points spread evenly over part of any surface, for parts that come as a solid and not as parameters.

In: `Mesh`, mm. Out: points, outward normals, areas. Deterministic.
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from headstock.geometry.mesh import Mesh

__all__ = ["scattered"]

Floats = NDArray[np.float64]
_DENSE = 16_000
_R2 = (0.7548776662466927, 0.5698402909980532)  # additive recurrence of the plastic number: fills a square evenly


def scattered(mesh: Mesh, keep: Callable[[Floats], NDArray[np.bool_]], count: int) -> tuple[Floats, Floats, Floats]:
    """About `count` points on the part of the surface where `keep` (points (n, 3) to (n,)) holds.

    Out: points (k, 3), unit normals (k, 3) outward, areas (k,) mm2 that sum to the area kept (to about
    1 part in 16,000 of the whole surface). Points lie about equally far apart: each next one is farthest from all
    before.
    """
    areas = mesh.face_areas_mm2
    grown = np.cumsum(areas)
    number = np.arange(_DENSE)
    face = np.minimum(np.searchsorted(grown, (number + 0.5) / _DENSE * grown[-1]), len(areas) - 1)
    u, v = np.modf(0.5 + number * _R2[0])[0], np.modf(0.5 + number * _R2[1])[0]
    fold = u + v > 1.0
    u, v = np.where(fold, 1.0 - u, u), np.where(fold, 1.0 - v, v)
    a, b, c = np.moveaxis(mesh.corners[face], 1, 0)
    dense = a + u[:, None] * (b - a) + v[:, None] * (c - a)
    kept = np.flatnonzero(keep(dense))
    if not len(kept):
        return np.empty((0, 3)), np.empty((0, 3)), np.empty(0)
    dense, face = dense[kept], face[kept]
    chosen = np.empty(min(count, len(dense)), np.intp)
    gap = np.full(len(dense), np.inf)
    here = 0
    for i in range(len(chosen)):
        chosen[i] = here
        np.minimum(gap, np.sum((dense - dense[here]) ** 2, axis=1), out=gap)
        here = int(np.argmax(gap))
    _, owner = cKDTree(dense[chosen]).query(dense)
    normals = mesh.face_normals[face[chosen]]
    normals = normals / np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-300)
    return dense[chosen], normals, np.bincount(owner, minlength=len(chosen)) * (grown[-1] / _DENSE)

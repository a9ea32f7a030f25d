"""Surfaces woven from rings: closing them into a mesh, and points spread evenly over their area.

In: `rings` (n, m, 3), n rings of m points each, mm, every ring closed on itself.
Out: `Mesh`, or points with outward normals and areas. Rings run the same way
round; which side is outside follows from `outward_of`.
"""

from typing import Literal

import numpy as np
from numpy.typing import NDArray

from headstock.geometry.mesh import Mesh

__all__ = ["Facing", "even_points", "outward", "revolved", "woven"]

Floats = NDArray[np.float64]
Facing = Literal["out", "in", "down"]


def woven(rings: Floats, first: Floats | None = None, last: Floats | None = None) -> Mesh:
    """A closed mesh through the rings, outward whichever way they run.

    Both ends are closed by a fan to the points `first` and `last` (3,), or to the middle of the ring.
    """
    n, m = rings.shape[:2]
    here = np.arange(m)
    there = (here + 1) % m
    faces = []
    for i in range(n - 1):
        a, b = i * m + here, i * m + there
        c, d = a + m, b + m
        faces += [np.column_stack([a, c, b]), np.column_stack([b, c, d])]
    top, bottom = n * m, n * m + 1
    faces += [
        np.column_stack([np.full(m, top), here, there]),
        np.column_stack([np.full(m, bottom), (n - 1) * m + there, (n - 1) * m + here]),
    ]
    ends = [rings[0].mean(axis=0) if first is None else first, rings[-1].mean(axis=0) if last is None else last]
    vertices = np.vstack([rings.reshape(-1, 3), *ends])
    return outward(Mesh(vertices, np.vstack(faces)))


def outward(mesh: Mesh) -> Mesh:
    """The closed mesh with its faces turned outward."""
    return mesh if mesh.volume_mm3 > 0.0 else Mesh(mesh.vertices, np.ascontiguousarray(mesh.faces[:, ::-1]))


def revolved(profile: Floats, around: int) -> Floats:
    """Rings (n, around, 3) of a profile (n, 2) of (radius, height) turned about z, from +x toward +y."""
    turn = np.linspace(0.0, 2.0 * np.pi, around, endpoint=False)
    r, z = profile[:, :1], profile[:, 1:]
    return np.stack([r * np.cos(turn), r * np.sin(turn), np.broadcast_to(z, (len(profile), around))], axis=-1)


def even_points(rings: Floats, count: int, facing: Facing = "out") -> tuple[Floats, Floats, Floats]:
    """About `count` points of equal area over the sheet between the first and the last ring.

    Out: points (k, 3), unit normals (k, 3), areas (k,) mm2, which sum to the area of the sheet. `facing`: normals away
    from the middle of their ring, toward it, or down z. Each band of the sheet is as wide as its points are
    apart; within a band every point has the same area.
    """
    a, b = rings[:-1], rings[1:]
    p00, p10 = a, b
    p01, p11 = np.roll(a, -1, axis=1), np.roll(b, -1, axis=1)
    normal = np.cross(p11 - p00, p10 - p01)  # of each four-cornered cell, twice its area long
    area = 0.5 * np.linalg.norm(normal, axis=-1)
    middle = 0.25 * (p00 + p10 + p01 + p11)
    if facing == "down":
        wrong = normal[..., 2].sum() > 0.0
    else:
        away = middle - 0.5 * (a.mean(axis=1) + b.mean(axis=1))[:, None, :]
        wrong = (np.einsum("ijk,ijk->", normal, away) < 0.0) == (facing == "out")
    if wrong:
        normal = -normal
    total = float(area.sum())
    apart = np.sqrt(total / count)
    width = np.concatenate([[0.0], np.cumsum(np.linalg.norm(b - a, axis=-1).mean(axis=1))])
    bands = max(1, round(float(width[-1]) / apart))
    cut = np.interp(np.linspace(0.0, width[-1], bands + 1), width, np.arange(len(width), dtype=np.float64))
    points, normals, areas = [], [], []
    for number in range(bands):
        low, high = cut[number], cut[number + 1]
        share = np.clip(np.minimum(np.arange(len(area)) + 1.0, high) - np.maximum(np.arange(len(area)), low), 0.0, 1.0)
        around = (area * share[:, None]).sum(axis=0)
        size = float(around.sum())
        if size <= 0.0:
            continue
        n = max(3, round(size / apart**2))
        row = min(int(0.5 * (low + high)), len(area) - 1)
        down = 0.5 * (low + high) - row
        grown = np.concatenate([[0.0], np.cumsum(around)])
        at = np.interp((np.arange(n) + (0.25 if number % 2 else 0.75)) / n * size, grown, np.arange(grown.size))
        column = np.minimum(at.astype(int), around.size - 1)
        along = (at - column)[:, None]
        upper = p00[row, column] + along * (p01[row, column] - p00[row, column])
        lower = p10[row, column] + along * (p11[row, column] - p10[row, column])
        points.append(upper + down * (lower - upper))
        across = normal[row, column]
        normals.append(across / np.maximum(np.linalg.norm(across, axis=1, keepdims=True), 1e-12))
        areas.append(np.full(n, size / n))
    return np.vstack(points), np.vstack(normals), np.concatenate(areas)

"""A triangle mesh and its measures.

Vertices in mm in the caller's frame; faces turn counter-clockwise seen from
outside. Volume and centroid by the divergence theorem, exact for the polyhedron;
a surface of curvature approached by faces of edge h is met with an error of order
h^2. Booleans and distances between meshes are trimesh's and manifold3d's.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from headstock.errors import TooFewError

__all__ = ["Mesh", "surface_of"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Mesh:
    """`vertices` (n, 3) mm, `faces` (m, 3) vertex numbers."""

    vertices: Floats
    faces: Ints

    @property
    def corners(self) -> Floats:
        """(m, 3, 3) corners of each face."""
        return np.asarray(self.vertices[self.faces])

    @property
    def face_normals(self) -> Floats:
        """(m, 3) outward, as long as twice the face's area."""
        a, b, c = np.moveaxis(self.corners, 1, 0)
        return np.asarray(np.cross(b - a, c - a))

    @property
    def face_areas_mm2(self) -> Floats:
        """(m,)."""
        return np.asarray(0.5 * np.linalg.norm(self.face_normals, axis=1))

    @property
    def area_mm2(self) -> float:
        """Area of the surface."""
        return float(self.face_areas_mm2.sum())

    @property
    def volume_mm3(self) -> float:
        """Volume enclosed; negative when the faces turn the wrong way. Means nothing on an open mesh."""
        middle = self.vertices.mean(axis=0)  # about its own middle: far from the origin large parts would cancel
        a, b, c = np.moveaxis(self.corners - middle, 1, 0)
        return float(np.einsum("ij,ij->", a, np.cross(b, c)) / 6.0)

    @property
    def centroid_mm(self) -> Floats:
        """(3,) centre of the volume enclosed."""
        middle = self.vertices.mean(axis=0)
        a, b, c = np.moveaxis(self.corners - middle, 1, 0)
        six = np.einsum("ij,ij->i", a, np.cross(b, c))
        total = float(six.sum())
        if total == 0.0:
            raise TooFewError("This surface encloses no volume, so it has no centre. Close it first.")
        return np.asarray(middle + (six[:, None] * (a + b + c)).sum(axis=0) / (4.0 * total))

    @property
    def is_closed(self) -> bool:
        """True when every edge is walked once each way: no holes, one orientation."""
        if not len(self.faces):
            return False
        edges = np.concatenate([self.faces[:, [0, 1]], self.faces[:, [1, 2]], self.faces[:, [2, 0]]])
        n = len(self.vertices)
        there, back = edges[:, 0] * n + edges[:, 1], edges[:, 1] * n + edges[:, 0]
        there.sort()
        back.sort()
        return bool(np.all(np.diff(there) > 0) and np.array_equal(there, back))

    @property
    def vertex_normals(self) -> Floats:
        """(n, 3) unit, outward: faces around a vertex weighted by their area."""
        found = np.zeros_like(self.vertices)
        normals = self.face_normals
        for corner in range(3):
            np.add.at(found, self.faces[:, corner], normals)
        size = np.linalg.norm(found, axis=1, keepdims=True)
        return np.asarray(found / np.where(size > 0.0, size, 1.0))

    def moved(self, axes: ArrayLike, origin: ArrayLike) -> "Mesh":
        """The mesh at `origin + axes @ vertex`; a mirror turns its faces round so that they stay outward."""
        turn = np.asarray(axes, np.float64)
        faces = self.faces if np.linalg.det(turn) > 0.0 else self.faces[:, ::-1]
        return Mesh(np.asarray(origin, np.float64) + self.vertices @ turn.T, np.ascontiguousarray(faces))

    def section(self, point: ArrayLike, normal: ArrayLike) -> tuple[Floats, ...]:
        """Where a plane cuts the surface: polylines (k, 3), longest first; a closed one repeats its first point.

        `normal` of any length. Vertices on the plane count as above it.
        """
        n = np.asarray(normal, np.float64)
        side = (self.vertices - np.asarray(point, np.float64)) @ (n / np.linalg.norm(n))
        above = side >= 0.0
        up = above[self.faces]
        cut = np.flatnonzero(up.any(axis=1) & ~up.all(axis=1))
        count = len(self.vertices)
        after: dict[int, int] = {}
        places: dict[int, Floats] = {}
        for face, flags in zip(self.faces[cut], up[cut], strict=True):
            ends = [0, 0]
            for corner in range(3):
                a, b = int(face[corner]), int(face[(corner + 1) % 3])
                if flags[corner] == flags[(corner + 1) % 3]:
                    continue
                key = min(a, b) * count + max(a, b)
                if key not in places:
                    share = side[a] / (side[a] - side[b])
                    places[key] = self.vertices[a] + share * (self.vertices[b] - self.vertices[a])
                ends[int(flags[corner])] = (
                    key  # leaving the upper side ends the piece in one slot, entering in the other
                )
            after[ends[0]] = ends[1]
        return tuple(sorted(_chains(after, places), key=lambda line: -_length(line)))

    def simplified(self, step_mm: float) -> "Mesh":
        """A lighter mesh for display: vertices within a cube of `step_mm` become one, at their mean.

        Off the surface by up to about half a step at sharp places; never used for a number. J. Rossignac, P. Borrel,
        Multi-resolution 3D approximations for rendering complex scenes, 1993.
        """
        cell = np.floor((self.vertices - self.vertices.min(axis=0)) / step_mm).astype(np.int64)
        _, own = np.unique(cell, axis=0, return_inverse=True)
        own = own.reshape(-1)
        share = np.bincount(own)
        vertices = np.column_stack([np.bincount(own, self.vertices[:, k]) / share for k in range(3)])
        faces = own[self.faces]
        apart = (faces[:, 0] != faces[:, 1]) & (faces[:, 1] != faces[:, 2]) & (faces[:, 2] != faces[:, 0])
        return Mesh(vertices, np.ascontiguousarray(faces[apart]))


def surface_of(values: ArrayLike, origin_mm: ArrayLike, step_mm: ArrayLike, level: float = 0.0) -> Mesh:
    """Where a sampled field crosses `level`: a closed mesh, outward toward larger values.

    `values` (nx, ny, nz), sample [i, j, k] at `origin_mm + step_mm * (i, j, k)`; `step_mm` a number or (3,). What
    runs out of the grid is closed along its edge. Vertices lie where the trilinear form crosses along the grid's
    edges (T. Lewiner and others, J Graph Tools 2003;8:1-15, as in scikit-image).

    Raises
    ------
    TooFewError
        Nothing lies below the level.
    """
    from skimage.measure import marching_cubes

    field = np.asarray(values, np.float32)
    if not (field < level).any():
        raise TooFewError("This field lies nowhere below its level, so there is no surface to draw.")
    step = np.broadcast_to(np.asarray(step_mm, np.float64), 3)
    spread = np.float32(max(float(step.max()), 1e-6))
    padded = np.pad(field, 1, constant_values=np.float32(level) + spread)
    padded[padded == np.float32(level)] += np.float32(1e-5) * spread  # a sample on the level gives faces without area
    vertices, faces, _, _ = marching_cubes(  # type: ignore[no-untyped-call]
        padded, level, gradient_direction="descent"
    )
    return Mesh(
        np.asarray(origin_mm, np.float64) + (vertices.astype(np.float64) - 1.0) * step,
        np.ascontiguousarray(faces.astype(np.int64)),
    )


def _chains(after: dict[int, int], places: dict[int, Floats]) -> list[Floats]:
    lines = []
    starts = [key for key in after if key not in set(after.values())]  # open ends first, then rings
    for first in [*starts, *list(after)]:
        if first not in after:
            continue
        here, line = first, [places[first]]
        while here in after:
            here = after.pop(here)
            line.append(places[here])
        lines.append(np.array(line))
    return lines


def _length(line: Floats) -> float:
    return float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum())

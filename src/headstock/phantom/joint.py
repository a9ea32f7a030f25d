"""A joint narrower than the socket's own facets can follow: the socket divided and laid on the head; the least gap.

In: the surface of a pelvis and of one head, mm, one frame, origin the head's centre. Out: the pelvis with
smaller facets about the socket, moved outward along rays from the centre until no point of them lies nearer to the
head's facets than the space asked for, also between vertices; and the least distance of two closed surfaces.
Facets of the socket are up to 10 mm wide and sag by up to half a millimetre toward the head: a floor
kept at vertices alone would let bone stand in bone where less than that is asked for.
"""

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from headstock.phantom.shape import Ints, Surface

__all__ = ["divided", "laid_on", "least_gap_mm", "overlap_mm3"]

Floats = NDArray[np.float64]

_LATTICE: Final = 5  # steps along a facet's edge at which its distance from the head is asked
_NEAREST: Final = 16  # facets about a direction among which is the one that the ray meets
_PASSES: Final = 4  # a vertex pushed out for one facet lifts its neighbours, so a few are enough
_SETTLED_MM: Final = 1e-4
_RAYS_AT_ONCE: Final = 20_000
_FAR_MM: Final = 20.0  # no two bones of a joint are farther apart


def divided(surface: Surface, marked: NDArray[np.bool_]) -> tuple[Surface, Ints]:
    """Every edge between two marked vertices halved; a closed surface stays closed.

    `marked` (n,). Returns the surface (old vertices keep their numbers) and `parents` (k, 2): the ends of the
    edge that each new vertex halves.
    """
    faces = surface.faces
    ends = np.sort(np.stack([faces, np.roll(faces, -1, axis=1)], axis=2).reshape(-1, 2), axis=1)
    cut = marked[ends].all(axis=1)
    parents, which = np.unique(ends[cut], axis=0, return_inverse=True)
    middle: Ints = np.full(len(ends), -1, dtype=np.int64)
    middle[cut] = len(surface.vertices) + which.reshape(-1)
    middle = middle.reshape(-1, 3)  # of the edges a-b, b-c, c-a
    halved = (middle >= 0).sum(axis=1)
    new = [faces[halved == 0]]
    # Marked are vertices, so that a facet has all, one or none of its edges halved.
    (a, b, c), (ab, bc, ca) = faces[halved == 3].T, middle[halved == 3].T
    new += [np.stack(corners, axis=1) for corners in ((a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca))]
    rows = np.flatnonzero(halved == 1)
    first = np.argmax(middle[rows] >= 0, axis=1)
    a, b, c = (faces[rows, (first + k) % 3] for k in range(3))
    half = middle[rows, first]
    new += [np.stack([a, half, c], axis=1), np.stack([half, b, c], axis=1)]
    vertices = np.concatenate([surface.vertices, surface.vertices[parents].mean(axis=1)])
    return Surface(vertices, np.concatenate(new)), parents


def _reach(vertices: Floats, faces: Ints, directions: Floats) -> tuple[Floats, Ints]:
    """Where rays from the origin along unit `directions` (n, 3) meet facets that face them: mm (n,), facet (n,).

    NaN and -1 for a ray that meets none.
    """
    from scipy.spatial import cKDTree

    corners = vertices[faces]
    middle = corners.mean(axis=1)
    tree = cKDTree(middle / np.linalg.norm(middle, axis=1, keepdims=True))
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    # Inward of the three planes through the origin and an edge, the ray passes the facet.
    walls = np.stack([np.cross(corners[:, i], corners[:, (i + 1) % 3]) for i in range(3)], axis=1)
    walls *= np.sign(np.einsum("ij,ij->i", normal, middle))[:, None, None]
    height = np.einsum("ij,ij->i", normal, corners[:, 0])
    found, which = np.full(len(directions), np.nan), np.full(len(directions), -1, dtype=np.int64)
    count = min(_NEAREST, len(faces))
    for start in range(0, len(directions), _RAYS_AT_ONCE):
        part = directions[start : start + _RAYS_AT_ONCE]
        _, near = tree.query(part, k=count)
        near = np.asarray(near).reshape(len(part), count)
        inside = (np.einsum("nkij,nj->nki", walls[near], part) > -1e-9 * np.abs(height[near, None])).all(axis=2)
        along = height[near] / np.einsum("nkj,nj->nk", normal[near], part)
        along = np.where(inside & (along > 0.0), along, np.inf)
        pick = along.argmin(axis=1)
        rows = np.arange(len(part))
        hit = np.isfinite(along[rows, pick])
        found[start : start + len(part)][hit] = along[rows, pick][hit]
        which[start : start + len(part)][hit] = near[rows, pick][hit]
    return found, which


def _lattice(order: int) -> Floats:
    """(k, 3) barycentric places of a facet, corners included."""
    return np.array(
        [(i, j, order - i - j) for i in range(order + 1) for j in range(order + 1 - i)], dtype=np.float64
    ) / float(order)


def laid_on(surface: Surface, near: NDArray[np.bool_], head: Surface, space_mm: float) -> Floats:
    """Vertices (n, 3) of `surface`, those `near` (n,) moved outward until its facets stand `space_mm` off the head.

    Both about the head's centre; `head`: the facets of the head, star-shaped about it. Asked at places a fifth of a
    facet apart and at every vertex of the head: between them facets of 3 mm come nearer by less than 0.01 mm.
    """
    vertices = surface.vertices
    length = np.linalg.norm(vertices, axis=1)
    ways = vertices / np.where(length > 0.0, length, 1.0)[:, None]
    reach, _ = _reach(head.vertices, head.faces, ways[near])
    # Vertices first and each by its own need, so that what is lifted for its facet afterwards is hundredths of a mm.
    length[near] = np.fmax(length[near], reach + space_mm)
    faces = surface.faces[near[surface.faces].any(axis=1)]
    places = _lattice(_LATTICE)
    used = np.unique(head.faces)
    high = np.linalg.norm(head.vertices[used], axis=1)
    for _ in range(_PASSES):
        vertices = ways * length[:, None]
        points = np.einsum("kc,fcj->fkj", places, vertices[faces])
        distance = np.linalg.norm(points, axis=2)
        reach, _ = _reach(head.vertices, head.faces, (points / distance[..., None]).reshape(-1, 3))
        missing = reach.reshape(distance.shape) + space_mm - distance
        short = np.fmax(missing, 0.0).max(axis=1)
        reach, which = _reach(vertices, faces, head.vertices[used] / high[:, None])
        met = which >= 0
        np.maximum.at(short, which[met], (high + space_mm - reach)[met])
        push = np.zeros(len(vertices))
        np.maximum.at(push, faces.reshape(-1), np.repeat(short, 3))
        length[near] += push[near]
        if push[near].max(initial=0.0) < _SETTLED_MM:
            break
    return np.asarray(ways * length[:, None])


def _solid(surface: Surface) -> Any:
    import manifold3d

    return manifold3d.Manifold(
        manifold3d.Mesh64(np.ascontiguousarray(surface.vertices), np.ascontiguousarray(surface.faces, np.uint64))
    )


def least_gap_mm(one: Surface, other: Surface) -> float:
    """Least distance of two closed surfaces, exact for their facets, 20 mm at the most; 0 once they meet."""
    return float(_solid(one).min_gap(_solid(other), _FAR_MM))


def overlap_mm3(one: Surface, other: Surface) -> float:
    """Volume that lies in both of two closed surfaces, exact for their facets."""
    return float((_solid(one) ^ _solid(other)).volume())

"""Pelvis and left femur of one subject of an open statistical shape model.

In: shape weights, in standard deviations of the model's modes. Out: closed
triangle surfaces, mm, x left, y posterior, z up (the axes of LPS, the
origin of the model).
Source of the model: the file data/llp26_hip.npz (MPL-2.0, licence beside it),
26 subjects, piecewise Lagrange patches. The surfaces of one subject are
`mean + modes @ weights`; patches are evaluated on a regular lattice and welded
once, so that every subject shares one list of faces.
Decision: docs/decisions/0110-surfaces-not-voxels.md
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import as_file, files
from typing import Final

import numpy as np
from numpy.typing import NDArray

from headstock.errors import FrameError, TooFewError

__all__ = ["LANDMARK_NODES", "MODES", "Bone", "Subject", "Surface", "subject"]

MODES: Final = 25  # all of them: the later ones move single patches and roughen heads and joints, as real ones are

# Node numbers of the shape model; femur numbers are counted from the femur's first node.
_FEMUR_START: Final = 1946
LANDMARK_NODES: Final[dict[str, int]] = {
    "left.asis": 1004,
    "right.asis": 466,
    "left.psis": 924,
    "right.psis": 384,
    "left.pubic_tubercle": 642,
    "right.pubic_tubercle": 103,
    "left.ischium": 566,
    "right.ischium": 25,
    "left.lowest_medial_acetabulum": 684,
    "right.lowest_medial_acetabulum": 146,
    "greater_trochanter": _FEMUR_START + 172,
    "lesser_trochanter": _FEMUR_START + 276,
    "epicondyle_medial": _FEMUR_START + 630,
    "epicondyle_lateral": _FEMUR_START + 550,
}
# Where the film's teardrop ends below: picked on a film of the mean shape, as places on the mean surface; no node lies
# there. The landmark is the vertex found there, so that it follows every subject.
_TEARDROP_ON_MEAN_MM: Final[dict[str, tuple[float, float, float]]] = {
    "right.teardrop": (-28.267, 4.430, 1194.527),
    "left.teardrop": (82.853, 0.668, 1186.688),
}
HEAD_ELEMENTS: Final = tuple(range(8))
NECK_ELEMENTS: Final = (13, 14, 15, 16)
SOCKET_ELEMENTS: Final[dict[str, tuple[int, ...]]] = {
    "left": (109, 111, 112, 113, 114, 115),
    "right": (36, 38, 39, 40, 41, 42),
}
_INNOMINATE_ELEMENTS: Final = {"right": range(73), "left": range(73, 146)}
_SACRUM_ELEMENTS: Final = range(146, 260)
_SUBDIVISIONS: Final = {"pelvis": 6, "femur": 12}  # triangle edges of about 2.5 mm
_WELD_MM: Final = 0.02

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Surface:
    """A closed triangle surface.

    `vertices` (n, 3) mm; `faces` (m, 3), counter-clockwise seen from outside.
    """

    vertices: Floats
    faces: Ints

    def moved(self, vertices: Floats) -> "Surface":
        """The same faces with other vertices."""
        return Surface(vertices, self.faces)

    def mirrored_x(self) -> "Surface":
        """Mirrored about x = 0, still counter-clockwise seen from outside."""
        return Surface(self.vertices * np.array([-1.0, 1.0, 1.0]), self.faces[:, ::-1].copy())

    def volume_mm3(self) -> float:
        """Enclosed volume, mm3 (divergence theorem); positive when faces point outward."""
        a, b, c = (self.vertices[self.faces[:, i]] for i in range(3))
        return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6.0)

    def vertex_normals(self) -> Floats:
        """Outward unit normals (n, 3), weighted by area."""
        a, b, c = (self.vertices[self.faces[:, i]] for i in range(3))
        face_normals = np.cross(b - a, c - a)
        normals = np.zeros_like(self.vertices)
        for i in range(3):
            np.add.at(normals, self.faces[:, i], face_normals)
        length = np.linalg.norm(normals, axis=1, keepdims=True)
        return normals / np.where(length > 0.0, length, 1.0)


@dataclass(frozen=True, slots=True, eq=False)
class Bone:
    """A surface of the shape model, with the vertices of each patch and of each landmark."""

    surface: Surface
    element_vertices: tuple[Ints, ...]
    landmark_vertices: dict[str, int]

    def members(self, elements: Sequence[int]) -> Ints:
        """Sorted numbers of the vertices that lie on these patches."""
        return np.unique(np.concatenate([self.element_vertices[e] for e in elements]))


@dataclass(frozen=True, slots=True, eq=False)
class Subject:
    """One subject: pelvis (both innominate bones and sacrum) and left femur, model axes, mm."""

    pelvis: Bone
    femur: Bone


@dataclass(frozen=True, slots=True, eq=False)
class _Lattice:
    """How the vertices of one bone follow from the nodes of the model."""

    weights: tuple[tuple[Floats, Ints], ...]
    first: Ints  # number of one lattice vertex for each welded vertex
    faces: Ints
    element_vertices: tuple[Ints, ...]
    landmark_vertices: dict[str, int]

    def bone(self, nodes: Floats) -> Bone:
        lattice = np.concatenate([w @ nodes[n] for w, n in self.weights])
        return Bone(Surface(lattice[self.first], self.faces), self.element_vertices, self.landmark_vertices)


@lru_cache(maxsize=1)
def _model() -> dict[str, NDArray[np.generic]]:
    with (
        as_file(files("headstock.phantom") / "data" / "llp26_hip.npz") as path,
        np.load(path, allow_pickle=False) as stored,
    ):
        return {name: stored[name] for name in stored.files}


def _lagrange(count: int, at: Floats) -> Floats:
    """Lagrange polynomials on `count` equal nodes of 0..1, at `at`: (len(at), count)."""
    nodes = np.linspace(0.0, 1.0, count)
    values = np.ones((len(at), count))
    for i in range(count):
        for j in range(count):
            if i != j:
                values[:, i] *= (at - nodes[j]) / (nodes[i] - nodes[j])
    return values


def _quad(rows: int, columns: int, cuts: int) -> tuple[Floats, Ints]:
    at = np.linspace(0.0, 1.0, cuts + 1)
    weights = np.einsum("ai,bj->abij", _lagrange(rows, at), _lagrange(columns, at))
    index = np.arange((cuts + 1) ** 2).reshape(cuts + 1, cuts + 1)
    a, b, c, d = index[:-1, :-1], index[:-1, 1:], index[1:, 1:], index[1:, :-1]
    faces = np.concatenate([np.stack(t, -1).reshape(-1, 3) for t in ((a, b, c), (a, c, d))])
    return weights.reshape((cuts + 1) ** 2, rows * columns), faces


def _triangle(order: int, cuts: int) -> tuple[Floats, Ints]:
    powers = [(i, j) for j in range(order + 1) for i in range(order + 1 - j)]
    lattice = [(i, j) for j in range(cuts + 1) for i in range(cuts + 1 - j)]

    def monomials(points: Floats) -> Floats:
        return np.stack([points[:, 0] ** i * points[:, 1] ** j for i, j in powers], axis=-1)

    weights = monomials(np.array(lattice) / cuts) @ np.linalg.inv(monomials(np.array(powers) / order))
    number = {point: k for k, point in enumerate(lattice)}
    faces = []
    for i, j in lattice:
        if i + j < cuts:
            faces.append((number[i, j], number[i + 1, j], number[i, j + 1]))
        if i + j < cuts - 1:
            faces.append((number[i + 1, j], number[i + 1, j + 1], number[i, j + 1]))
    return weights, np.array(faces, dtype=np.int64)


@lru_cache(maxsize=2)
def _lattice(bone: str) -> _Lattice:
    """Evaluate, weld and close the patches once, on the mean shape."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components
    from scipy.spatial import cKDTree

    model = _model()
    mean = np.asarray(model["mean"], dtype=np.float64)
    cuts = _SUBDIVISIONS[bone]
    weights: list[tuple[Floats, Ints]] = []
    faces: list[Ints] = []
    spans: list[tuple[int, int]] = []
    start = 0
    for kind, raw_nodes in zip(model[f"{bone}_kind"], model[f"{bone}_nodes"], strict=True):
        nodes = np.asarray(raw_nodes[raw_nodes >= 0], dtype=np.int64)
        name = str(kind)
        if name.startswith("quad"):
            w, f = _quad(int(name[5]), int(name[4]), cuts)
        else:
            w, f = _triangle({10: 3, 15: 4}[int(name[3:])], cuts)
        weights.append((w, nodes))
        faces.append(f + start)
        spans.append((start, start + len(w)))
        start += len(w)
    vertices = np.concatenate([w @ mean[n] for w, n in weights])
    pairs = cKDTree(vertices).query_pairs(_WELD_MM, output_type="ndarray")
    graph = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(start, start))
    _, label = connected_components(graph, directed=False)
    _, first = np.unique(label, return_index=True)
    welded = np.asarray(label[np.concatenate(faces)], dtype=np.int64)
    whole = (welded[:, 0] != welded[:, 1]) & (welded[:, 1] != welded[:, 2]) & (welded[:, 0] != welded[:, 2])
    of_element = tuple(np.unique(label[a:b]).astype(np.int64) for a, b in spans)
    # The cuts are multiples of the patch order, so that every node of a patch is a vertex.
    tree = cKDTree(vertices[first])
    femoral = bone == "femur"
    places = {n: mean[k] for n, k in LANDMARK_NODES.items() if (k >= _FEMUR_START) == femoral}
    if not femoral:
        places.update({name: np.array(place) for name, place in _TEARDROP_ON_MEAN_MM.items()})
    landmarks = {name: int(tree.query(place)[1]) for name, place in places.items()}
    return _Lattice(tuple(weights), np.asarray(first, dtype=np.int64), welded[whole], of_element, landmarks)


def subject(weights_sd: Sequence[float]) -> Subject:
    """The subject with these shape weights.

    Parameters
    ----------
    weights_sd
        Up to `MODES` numbers, each in standard deviations of its mode; the rest is zero.

    Raises
    ------
    TooFewError
        More weights than modes used.
    FrameError
        A weight beyond 3 standard deviations: outside the 26 subjects the model was made from.
    """
    if len(weights_sd) > MODES:
        raise TooFewError(f"{len(weights_sd)} shape weights were given; {MODES} modes are used. Give {MODES} or fewer.")
    if any(not abs(w) <= 3.0 for w in weights_sd):
        raise FrameError(
            "A shape weight lies beyond 3 standard deviations, where the model has no subjects. "
            "Give weights between -3 and 3."
        )
    model = _model()
    modes = np.asarray(model["modes"][:, : len(weights_sd)], dtype=np.float64)
    sd = np.sqrt(np.asarray(model["var"], dtype=np.float64)[: len(weights_sd)])
    nodes = (
        np.asarray(model["mean"], dtype=np.float64)
        + (modes @ (sd * np.asarray(weights_sd, dtype=np.float64))).reshape(3, -1).T
    )
    return Subject(
        pelvis=_lattice("pelvis").bone(nodes),
        femur=_lattice("femur").bone(nodes),
    )


@lru_cache(maxsize=1)
def sacrum_tip_vertex() -> int:
    """The vertex of the pelvis at the lowest point of the sacrum, on the mean shape."""
    bone = subject(()).pelvis
    sacrum = bone.members(tuple(_SACRUM_ELEMENTS))
    return int(sacrum[bone.surface.vertices[sacrum, 2].argmin()])


@lru_cache(maxsize=2)
def innominate_vertices(side: str) -> Ints:
    """The vertices of the pelvis that belong to one innominate bone."""
    return subject(()).pelvis.members(tuple(_INNOMINATE_ELEMENTS[side]))

"""The pelvis in its own frame, with sockets fitted to the heads they will hold.

In: a subject, the radius and shape of each head. Out: surfaces and landmarks in
the **pelvic frame** (axes of LPS: x left, y posterior, z up; origin midway
between the anterior superior iliac spines; x joins the spines, and the plane of
spines and pubic tubercles is vertical), mm.
The bones of the model were aligned one by one, so the socket is found again and
its surface is brought to one distance from the head: the joint space.
Below 1.2 mm its facets are divided and laid on the head (`joint.py`).
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from headstock.frames import Side
from headstock.phantom.femur import smoothstep
from headstock.phantom.joint import divided, laid_on
from headstock.phantom.shape import SOCKET_ELEMENTS, Ints, Subject, Surface

__all__ = ["LEAST_GAP_MM", "Pelvis", "Socket", "pelvis_in_its_frame", "with_socket"]

Floats = NDArray[np.float64]

LEAST_GAP_MM: Final = 1.2  # of the socket's vertices from the real head, where no narrower joint is asked for
_DIVIDED: Final = 2  # times: facets of 5 mm become such of 1.2 mm
_ABOUT_MM: Final = 5.0  # deeper parts of the socket keep their facets


@dataclass(frozen=True, slots=True, eq=False)
class Socket:
    """Where a head sits: centre (3,) in the pelvic frame, radius of the joint surface, its vertices."""

    centre: Floats
    radius: float
    vertices: Ints


@dataclass(frozen=True, slots=True, eq=False)
class Pelvis:
    """Outer surface with the vertices of its landmarks and sockets, pelvic frame."""

    outer: Surface
    landmark_vertices: dict[str, int]
    socket_vertices: dict[Side, Ints]


def pelvis_in_its_frame(subject: Subject, *, mirrored: bool = False) -> Pelvis:
    """The pelvis of a subject in the pelvic frame; `mirrored` exchanges its sides."""
    bone = subject.pelvis
    marks = {name: bone.surface.vertices[k] for name, k in bone.landmark_vertices.items()}
    left, right = marks["left.asis"], marks["right.asis"]
    origin = 0.5 * (left + right)
    tubercles = 0.5 * (marks["left.pubic_tubercle"] + marks["right.pubic_tubercle"])
    x = (left - right) / np.linalg.norm(left - right)
    up = origin - tubercles
    z = up - (up @ x) * x
    z /= np.linalg.norm(z)
    y = np.cross(z, x)
    turn = np.stack([x, y, z])
    surface = bone.surface.moved((bone.surface.vertices - origin) @ turn.T)
    landmarks = bone.landmark_vertices
    sockets = {side: bone.members(SOCKET_ELEMENTS[side.value]) for side in Side}
    if mirrored:
        other = {"left": "right", "right": "left"}
        surface = surface.mirrored_x()
        landmarks = {f"{other[n.split('.')[0]]}.{n.split('.')[1]}": k for n, k in landmarks.items()}
        sockets = {side: sockets[side.other] for side in Side}
    return Pelvis(surface, landmarks, sockets)


def _socket_centre(points: Floats, normals: Floats, radius: float) -> Floats:
    """Centre of a sphere of known radius that fits the joint surface, not the rim or the fossa.

    A plain fit includes the rim and comes out too large and too far out; here
    points count by how near they lie to the sphere (Tukey weights, scale drawn in).
    """
    centre = points.mean(axis=0) + normals.mean(axis=0) / np.linalg.norm(normals.mean(axis=0)) * 0.55 * radius
    for scale in (12.0, 10.0, 8.0, 6.0, 5.0, 4.0, 4.0, 4.0, 4.0, 4.0, 4.0, 4.0):
        for _ in range(4):
            away = points - centre
            distance = np.linalg.norm(away, axis=1)
            residual = distance - radius
            facing = np.clip(-np.einsum("ij,ij->i", away, normals) / distance, 0.0, 1.0)
            weight = np.where(np.abs(residual) < scale, (1.0 - (residual / scale) ** 2) ** 2, 0.0) * facing
            direction = away / distance[:, None]
            normal_matrix = (direction * weight[:, None]).T @ direction + 1e-6 * np.eye(3)
            centre = centre + np.linalg.solve(normal_matrix, (direction * (weight * residual)[:, None]).sum(axis=0))
    return np.asarray(centre)


def with_socket(
    pelvis: Pelvis, side: Side, radius: float, joint_space_mm: float, head: Surface, head_vertices: Ints
) -> tuple[Pelvis, Socket]:
    """The pelvis with one socket brought to `joint_space_mm` from a head of this radius.

    Parameters
    ----------
    joint_space_mm
        From the sphere of the head. Where the real head stands above its sphere, bone stays this far from it too, or
        `LEAST_GAP_MM` where more was asked for. 0: they touch there.
    head, head_vertices
        The head's facets as they will stand, in the pelvic frame about their centre, and the numbers of its vertices.
    """
    from scipy.spatial import cKDTree

    vertices = pelvis.outer.vertices
    normals = pelvis.outer.vertex_normals()
    members = pelvis.socket_vertices[side]
    target = radius + joint_space_mm
    centre = _socket_centre(vertices[members], normals[members], target)
    away = vertices - centre
    distance = np.linalg.norm(away, axis=1)
    to_joint, _ = cKDTree(vertices[members]).query(vertices, distance_upper_bound=12.0)
    near_joint = 1.0 - smoothstep(np.minimum(to_joint, 12.0), 0.0, 6.0)
    facing = smoothstep(-np.einsum("ij,ij->i", away, normals) / np.maximum(distance, 1e-9), 0.0, 0.4)
    gap = distance - target
    # The joint surface follows the head; the fossa, deeper than 4 mm, stays where it is.
    drawn = np.where(gap > 0.0, gap * smoothstep(gap, 0.8, 4.5), 0.0)
    share = np.where(gap > 0.0, near_joint * facing, 1.0)
    new = distance + share * (drawn - gap)
    close = distance < target + 12.0
    reach = np.linalg.norm(head.vertices[head_vertices], axis=1)
    ways = cKDTree(head.vertices[head_vertices] / reach[:, None])
    found, index = ways.query(away[close] / np.maximum(distance[close], 1e-9)[:, None], k=3)
    apart = np.asarray(found)
    weight = 1.0 / (apart + 1e-6)
    local = (reach[index] * weight).sum(axis=1) / weight.sum(axis=1)
    local = np.where(apart[:, 0] < 0.12, local, 0.0)
    new[close] = np.maximum(new[close], local + min(joint_space_mm, LEAST_GAP_MM))
    moved = pelvis.outer.moved(centre + away * (new / np.maximum(distance, 1e-9))[:, None])
    sockets = pelvis.socket_vertices
    if joint_space_mm < LEAST_GAP_MM:
        moved, members = _laid(moved, members, centre, target, head, joint_space_mm)
        sockets = sockets | {side: members}
    return Pelvis(moved, pelvis.landmark_vertices, sockets), Socket(centre, target, members)


def _laid(
    outer: Surface, members: Ints, centre: Floats, target: float, head: Surface, space_mm: float
) -> tuple[Surface, Ints]:
    """The socket with small facets that keep `space_mm` from every point of the head, and its vertices."""
    of_socket = np.zeros(len(outer.vertices), dtype=bool)
    of_socket[members] = True
    for _ in range(_DIVIDED):
        distance = np.linalg.norm(outer.vertices - centre, axis=1)
        outer, parents = divided(outer, distance < target + _ABOUT_MM)
        # A new vertex lies on the arc between its parents, not on the chord, which sags toward the head.
        middle = outer.vertices[len(distance) :] - centre
        middle *= (distance[parents].mean(axis=1) / np.linalg.norm(middle, axis=1))[:, None]
        outer = outer.moved(np.concatenate([outer.vertices[: len(distance)], centre + middle]))
        of_socket = np.concatenate([of_socket, of_socket[parents].all(axis=1)])
    away = outer.vertices - centre
    near = np.linalg.norm(away, axis=1) < target + _ABOUT_MM
    laid = laid_on(outer.moved(away), near, head, space_mm)
    return outer.moved(centre + laid), np.flatnonzero(of_socket)

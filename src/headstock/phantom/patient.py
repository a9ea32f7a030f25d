"""A phantom patient: pelvis and both femurs in one pose, with everything in them, LPS, mm.

In: a `PhantomSpec`. Out: closed surfaces and landmarks in the lab frame: axes of
LPS, origin midway between the anterior superior iliac spines before the pelvis is
tilted, turned and lifted about the middle of the two hip centres. Femurs are posed against the table,
not against the pelvis, as on a real film.
"""

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from headstock.errors import FrameError
from headstock.frames import LPS_TO_HIP, Side
from headstock.geometry import rotation_about
from headstock.phantom.femur import Femur, make_femur, smoothstep
from headstock.phantom.joint import overlap_mm3
from headstock.phantom.lesion import Body, bodies_of
from headstock.phantom.metal import metal_of, resected
from headstock.phantom.pelvis import LEAST_GAP_MM, Pelvis, Socket, pelvis_in_its_frame, with_socket
from headstock.phantom.shape import Surface, subject
from headstock.phantom.spec import HipSpec, MetalHip, PhantomSpec

__all__ = ["PhantomHip", "PhantomPatient", "make_hip_patient"]

Floats = NDArray[np.float64]

_X, _Y, _Z = np.eye(3)
_PELVIS_CORTEX_MM: Final = 1.5
_SOCKET_PLATE_MM: Final = 1.7
_NEIGHBOURS: Final = 6
_SOURCIL_MM: Final = 2.6
_OVERLAP_MM3: Final = 0.02  # of facets that touch: what lies between the places asked shares 0.001


@dataclass(frozen=True, slots=True, eq=False)
class PhantomHip:
    """One hip in the lab frame.

    `femur`, `bodies`, `metal_hip_frame` are in the hip frame, neutral pose; `to_lps` takes
    them to the lab. `socket_lps_mm` (k, 3): the joint surface of the socket.
    """

    side: Side
    spec: HipSpec
    femur: Femur
    bodies: tuple[Body, ...]
    metal_hip_frame: tuple[Surface, ...]
    centre_lps_mm: Floats
    matrix: Floats
    socket_radius_mm: float
    socket_lps_mm: Floats

    def to_lps(self, points_hip_mm: Floats) -> Floats:
        """Points (..., 3) of the hip frame, neutral pose, to LPS."""
        return np.asarray(self.centre_lps_mm + points_hip_mm @ self.matrix.T)

    def direction_lps(self, direction_hip: Floats) -> Floats:
        """A direction of the hip frame, neutral pose, in LPS."""
        return np.asarray(self.matrix @ direction_hip)

    def surface_lps(self, surface: Surface) -> Surface:
        """A surface of the hip frame in LPS; a mirrored one keeps its faces outward."""
        vertices = self.to_lps(surface.vertices)
        mirrored = np.linalg.det(self.matrix) < 0.0
        return Surface(vertices, surface.faces[:, ::-1].copy() if mirrored else surface.faces)

    @property
    def replaced(self) -> bool:
        """True when the hip is an invented metal hip."""
        return isinstance(self.spec.metal, MetalHip)


@dataclass(frozen=True, slots=True, eq=False)
class PhantomPatient:
    """All surfaces of a phantom patient, LPS, mm.

    `landmarks`: points of the pelvis by name (`left.asis` ...). `pelvic_axes` (3, 3): rows are
    the axes of the pelvic frame (left, posterior, up) in LPS.
    """

    spec: PhantomSpec
    pelvis: Surface
    pelvis_inside: Surface
    landmarks: dict[str, Floats]
    pelvic_axes: Floats
    hips: dict[Side, PhantomHip]

    @property
    def hip(self) -> PhantomHip:
        """The hip under study."""
        return self.hips[self.spec.side]


def _femur_pose(spec: HipSpec) -> Floats:
    """Hip frame: internal rotation about the femur, then flexion, then abduction."""
    return (
        rotation_about(_Y, spec.abduction_deg)
        @ rotation_about(_X, spec.flexion_deg)
        @ rotation_about(_Z, -spec.internal_rotation_deg)
    )


def _pelvis_inside(outer: Surface, sockets: list[tuple[Side, Socket]]) -> Surface:
    """The inside of the pelvic cortex, never more than a third through a thin plate; thick at the sourcil."""
    from scipy.spatial import cKDTree

    vertices, normals = outer.vertices, outer.vertex_normals()
    thickness = np.full(len(vertices), _PELVIS_CORTEX_MM)
    for _, socket in sockets:
        away = vertices[socket.vertices] - socket.centre
        distance = np.linalg.norm(away, axis=1)
        on_joint = 1.0 - smoothstep(distance - socket.radius, 1.0, 3.0)
        roof = smoothstep(away[:, 2] / distance, 0.72, 0.86)
        thickness[socket.vertices] = _SOCKET_PLATE_MM + (_SOURCIL_MM - _SOCKET_PLATE_MM) * roof * on_joint
    pairs = cKDTree(vertices).query_pairs(9.0, output_type="ndarray")
    a, b = pairs[:, 0], pairs[:, 1]
    between = vertices[b] - vertices[a]
    length = np.linalg.norm(between, axis=1)
    safe = np.maximum(length, 1e-9)
    opposite = np.einsum("ij,ij->i", normals[a], normals[b]) < -0.2
    through = opposite & (np.einsum("ij,ij->i", between, normals[a]) < -0.5 * safe)
    room = np.full(len(vertices), np.inf)
    np.minimum.at(room, a[through], length[through])
    np.minimum.at(room, b[through], length[through])
    return outer.moved(vertices - normals * np.minimum(thickness, 0.33 * room)[:, None])


def _check_apart(pelvis: Surface, femur: Surface, side: Side, joint_space_mm: float) -> None:
    """Refuse a femur that stands in the pelvis: no film of it could be true."""
    from scipy.spatial import cKDTree

    if joint_space_mm < LEAST_GAP_MM:
        # Tangent planes cannot tell touching from standing in each other; the facets themselves can.
        common = overlap_mm3(pelvis, femur)
        if common > _OVERLAP_MM3:
            raise FrameError(
                f"The {side.value} femur and the pelvis would share {common:.1f} mm³ of bone. Use less of the "
                "rotation, flexion, abduction or deformity that brings them together, or a wider joint."
            )
        return
    tree = cKDTree(pelvis.vertices)
    points = femur.vertices[np.isfinite(tree.query(femur.vertices, distance_upper_bound=8.0)[0])]
    if len(points) == 0:
        return
    normals = pelvis.vertex_normals()
    _, nearest = tree.query(points, k=_NEIGHBOURS)
    outward = np.einsum("ijk,ijk->ij", points[:, None] - pelvis.vertices[nearest], normals[nearest])
    # A point in front of one neighbour's tangent plane is outside; behind all of them it is in the bone.
    depth = -float(outward.max(axis=1).min())
    if depth > 0.0:
        raise FrameError(
            f"The {side.value} femur would stand {depth:.1f} mm or more in the pelvis. Use less of the rotation, "
            "flexion, abduction or deformity that brings them together."
        )


@lru_cache(maxsize=16)
def make_hip_patient(spec: PhantomSpec) -> PhantomPatient:
    """Build the phantom that a spec describes. Deterministic: equal specs give equal surfaces.

    Raises
    ------
    FrameError
        A value outside what the model can stand for, or a pose in which femur and pelvis would
        overlap; the message says which.
    """
    person = subject(spec.shape_sd)
    pelvis: Pelvis = pelvis_in_its_frame(person, mirrored=spec.mirrored)
    turn = (
        rotation_about(_Y, -spec.pelvis_obliquity_deg)
        @ rotation_about(_Z, spec.pelvis_rotation_deg)
        @ rotation_about(_X, spec.pelvis_tilt_deg)
    )
    femurs: dict[Side, Femur] = {}
    sockets: list[tuple[Side, Socket]] = []
    for side in Side:
        hip = spec.hip(side)
        femur = make_femur(spec.shape_sd, hip, spherical_head=spec.spherical_heads)
        matrix = LPS_TO_HIP[side].T @ _femur_pose(hip)
        of_head = np.isin(femur.outer.faces, femur.head_vertices).any(axis=1)
        faces = femur.outer.faces[of_head]
        posed = turn.T @ matrix
        mirrored = np.linalg.det(posed) < 0.0
        head = Surface(femur.outer.vertices @ posed.T, faces[:, ::-1].copy() if mirrored else faces)
        pelvis, socket = with_socket(
            pelvis, side, femur.axes.head.radius, hip.joint_space_mm, head, femur.head_vertices
        )
        femurs[side] = femur
        sockets.append((side, socket))
    inside = _pelvis_inside(pelvis.outer, sockets)
    middle = 0.5 * (sockets[0][1].centre + sockets[1][1].centre)

    def to_lab(points: Floats) -> Floats:
        return np.asarray(middle + (points - middle) @ turn.T)

    hips = {}
    for side, socket in sockets:
        hip, femur = spec.hip(side), femurs[side]
        metal = () if hip.metal is None else metal_of(femur, hip.metal)
        if isinstance(hip.metal, MetalHip):
            cut = 1.45 * femur.axes.head.radius
            femur = Femur(
                resected(femur, femur.outer, cut),
                resected(femur, femur.whole, cut),
                resected(femur, femur.canal, cut),
                resected(femur, femur.spongy, cut),
                resected(femur, femur.core, cut),
                femur.axes,
                femur.landmarks,
                femur.head_vertices,
                femur.collapse_mm,
            )
        hips[side] = PhantomHip(
            side,
            hip,
            femur,
            bodies_of(femur, hip.sector, hip.cysts),
            metal,
            to_lab(socket.centre),
            LPS_TO_HIP[side].T @ _femur_pose(hip),
            socket.radius,
            to_lab(pelvis.outer.vertices[socket.vertices]),
        )
    outer = pelvis.outer.moved(to_lab(pelvis.outer.vertices))
    for side, placed in hips.items():
        if not placed.replaced:
            _check_apart(outer, placed.surface_lps(placed.femur.outer), side, placed.spec.joint_space_mm)
    return PhantomPatient(
        spec,
        outer,
        inside.moved(to_lab(inside.vertices)),
        {name: to_lab(pelvis.outer.vertices[k]) for name, k in pelvis.landmark_vertices.items()},
        turn.T,
        hips,
    )

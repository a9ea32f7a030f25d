"""One femur: deformed, measured, hollowed and given its lesion.

In: the left femur of a subject and a `HipSpec`. Out: closed surfaces in the
**hip frame** (x medial, y anterior, z proximal; origin the centre of the head's
sphere), neutral pose: mechanical axis along z, epicondyles in the frontal plane.
The model has no cortex and no density; both are invented here.
Axes are defined as the truth of the film says (`AXIS_DEFINITIONS`).
"""

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from headstock.errors import FrameError
from headstock.geometry import fit_sphere, rotation_about
from headstock.phantom.section import loop_nearest, sections
from headstock.phantom.shape import HEAD_ELEMENTS, NECK_ELEMENTS, Bone, Surface, subject
from headstock.phantom.spec import HipSpec

__all__ = ["AXIS_DEFINITIONS", "Axes", "Femur", "Sphere", "axes_of", "direction_in_head", "make_femur", "smoothstep"]

AXIS_DEFINITIONS: Final = (
    "neck: head centre to the centroid of the smallest section normal to the axis between 0.9 and 1.6 head radii; "
    "shaft: line through centroids of outer sections 85 to 130 mm below the head centre"
)
_NECK_RANGE: Final = (0.9, 1.6)  # head radii from the centre
_SHAFT_RANGE_MM: Final = (85.0, 130.0)

_UP: Final = np.array([0.0, 0.0, 1.0])

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Sphere:
    """Least-squares sphere: centre (3,), radius and rms distance of the points, mm."""

    centre: Floats
    radius: float
    rms: float


@dataclass(frozen=True, slots=True, eq=False)
class Axes:
    """Sphere of the head, neck and shaft axes of one femur; frame of the surface given, mm."""

    head: Sphere
    neck_axis: Floats
    neck_centroid: Floats
    neck_section_mm2: float
    shaft_axis: Floats
    shaft_points: Floats

    @property
    def neck_shaft_angle_deg(self) -> float:
        """Angle between neck and shaft, in space."""
        return float(180.0 - np.degrees(np.arccos(np.clip(self.neck_axis @ self.shaft_axis, -1.0, 1.0))))

    @property
    def femoral_offset_mm(self) -> float:
        """Distance of the head centre from the shaft axis, in space."""
        return float(np.linalg.norm(np.cross(self.head.centre - self.shaft_points[0], self.shaft_axis)))


@dataclass(frozen=True, slots=True, eq=False)
class Femur:
    """Surfaces and landmarks of one femur, hip frame, mm.

    `outer`: periosteal surface; `whole`: the same before collapse. `canal`: inside of the cortex. `spongy`: the part of
    that inside which holds trabecular bone. `core`: the denser trabecular bone of the head.
    `head_vertices`: numbers of the vertices of the head.
    """

    outer: Surface
    whole: Surface
    canal: Surface
    spongy: Surface
    core: Surface
    axes: Axes
    landmarks: dict[str, Floats]
    head_vertices: Ints
    collapse_mm: float


def smoothstep(x: Floats, start: float, end: float) -> Floats:
    """0 before `start`, 1 after `end`, with a continuous slope between (start > end falls)."""
    t = np.clip((x - start) / (end - start), 0.0, 1.0)
    return np.asarray(t * t * (3.0 - 2.0 * t))


def _unit(v: Floats) -> Floats:
    return np.asarray(v / np.linalg.norm(v))


def _sphere(points: Floats) -> Sphere:
    fit = fit_sphere(points)
    return Sphere(np.asarray(fit.centre), float(fit.radius), float(fit.rms))


def axes_of(surface: Surface, head_vertices: Ints, neck_vertices: Ints, up: Floats) -> Axes:
    """Head sphere, neck axis and shaft axis of a femur by `AXIS_DEFINITIONS`.

    `up` (3,): roughly proximal along the shaft.
    """
    head = _sphere(surface.vertices[head_vertices])
    near = np.linalg.norm(surface.vertices - head.centre, axis=1) < 3.2 * head.radius + 20.0
    upper = Surface(surface.vertices, surface.faces[near[surface.faces].any(axis=1)])
    neck_axis = _unit(head.centre - surface.vertices[neck_vertices].mean(axis=0))
    first, last = _NECK_RANGE[0] * head.radius, _NECK_RANGE[1] * head.radius
    coarse = (last - first) / 14.0
    grid, step = np.linspace(first, last, 15), coarse
    for _ in range(3):  # the axis turns with the section it leads to
        best, smallest = np.inf, None
        at_depth = first
        for _ in range(3):  # coarse to fine: the area is smooth in depth
            for depth in grid:
                at = head.centre - depth * neck_axis
                loop = loop_nearest(sections(upper, at, neck_axis), at)
                if loop.area_mm2 < best:
                    best, at_depth, smallest = loop.area_mm2, float(depth), loop
            step /= 3.0
            grid = np.clip(at_depth + step * np.array([-2.0, -1.0, 1.0, 2.0]), first, last)
        assert smallest is not None
        neck_axis = _unit(head.centre - smallest.centroid)
        step = coarse / 3.0
        grid = np.clip(at_depth + step * np.array([-2.0, -1.0, 0.0, 1.0, 2.0]), first, last)
    assert smallest is not None
    shaft_axis = _unit(up)
    below = (head.centre - surface.vertices) @ shaft_axis
    in_range = (below > 0.6 * _SHAFT_RANGE_MM[0]) & (below < 1.3 * _SHAFT_RANGE_MM[1])
    lower = Surface(surface.vertices, surface.faces[in_range[surface.faces].any(axis=1)])
    depths = np.linspace(*_SHAFT_RANGE_MM, 10)
    for _ in range(3):
        centres = np.array(
            [
                loop_nearest(sections(lower, at, shaft_axis), at).centroid
                for at in head.centre - depths[:, None] * shaft_axis
            ]
        )
        middle = centres.mean(axis=0)
        direction = np.linalg.svd(centres - middle)[2][0]
        shaft_axis = direction * np.sign(direction @ up)
    along = (centres[[0, -1]] - middle) @ shaft_axis
    return Axes(head, neck_axis, smallest.centroid, smallest.area_mm2, shaft_axis, middle + along[:, None] * shaft_axis)


def _to_neutral(bone: Bone) -> Floats:
    """Vertices of the left femur in the hip frame, neutral pose."""
    vertices = bone.surface.vertices
    head = _sphere(vertices[bone.members(HEAD_ELEMENTS)])
    medial, lateral = (vertices[bone.landmark_vertices[f"epicondyle_{which}"]] for which in ("medial", "lateral"))
    z = _unit(head.centre - 0.5 * (medial + lateral))
    y = _unit(np.cross(z, medial - lateral))  # x medial, y anterior, z proximal: right-handed on a left hip
    turn = np.stack([np.cross(y, z), y, z])
    return np.asarray((vertices - head.centre) @ turn.T)


def _deformed(points: Floats, axes: Axes, spec: HipSpec) -> Floats:
    """Points (n, 3) of an undeformed femur moved by neck, head and trochanter deformities."""
    radius = axes.head.radius
    centre, neck = axes.head.centre, axes.neck_axis
    depth = (centre - points) @ neck
    # Where the neck axis passes the shaft axis: the base of the neck.
    between = np.cross(neck, axes.shaft_axis)
    gap = axes.shaft_points[0] - centre
    base_depth = -float(np.cross(gap, axes.shaft_axis) @ between / (between @ between))
    base = centre - base_depth * neck
    off_axis = np.linalg.norm(points - centre + depth[:, None] * neck, axis=1)
    # Only the head and neck: the tip of the trochanter can reach as far up the neck's direction.
    on_neck = 1.0 - smoothstep(off_axis - radius, 1.5, 8.0)
    moved = points.copy()
    if spec.head_scale != 1.0:
        weight = 1.0 - smoothstep(depth, 0.45 * radius, 1.25 * radius)
        moved = centre + (moved - centre) * (1.0 + (spec.head_scale - 1.0) * weight)[:, None]
    head_and_neck = (1.0 - smoothstep(depth, 0.75 * radius, base_depth)) * on_neck
    if spec.neck_shortening_mm:
        moved = moved - spec.neck_shortening_mm * head_and_neck[:, None] * neck
    if spec.varus_deg:
        axis = _unit(np.cross(neck, -axes.shaft_axis))  # turns the neck's direction toward the shaft's distal end
        turns = rotation_about(axis, spec.varus_deg * head_and_neck)
        moved = base + np.einsum("nij,nj->ni", turns, moved - base)
    if spec.trochanter_rise_mm:
        height = (points - base) @ axes.shaft_axis
        lateral = -(points - base) @ _unit(neck - (neck @ axes.shaft_axis) * axes.shaft_axis)
        weight = smoothstep(height, -18.0, 8.0) * smoothstep(lateral, -6.0, 6.0) * (1.0 - head_and_neck)
        moved = moved + spec.trochanter_rise_mm * weight[:, None] * axes.shaft_axis
    return np.asarray(moved)


def _sphere_head(points: Floats, head: Sphere, neck: Floats) -> Floats:
    """Vertices put on the exact sphere down to 0.55 radii past the equator, blended into the neck beyond."""
    away = points - head.centre
    distance = np.linalg.norm(away, axis=1)
    depth = -(away @ neck)
    near = 1.0 - smoothstep(distance, 1.12 * head.radius, 1.3 * head.radius)
    weight = (1.0 - smoothstep(depth, 0.55 * head.radius, 0.85 * head.radius)) * near
    target = head.radius / np.where(distance > 0.0, distance, 1.0)
    return np.asarray(head.centre + away * (1.0 + weight * (target - 1.0))[:, None])


def direction_in_head(anterior_deg: float, medial_deg: float) -> Floats:
    """Unit direction from the head centre: straight up, tilted forward and inward (hip frame)."""
    return _unit(np.array([np.tan(np.radians(medial_deg)), np.tan(np.radians(anterior_deg)), 1.0]))


def _collapsed(points: Floats, radius: float, spec: HipSpec) -> Floats:
    """The sector's surface pressed flat so that its pole lies `collapse_mm` below the sphere.

    Flat where the sphere stands above the plane; a step of bone remains at the
    edge of the sector when the plane lies deeper than that edge.
    """
    sector = spec.sector
    if sector is None or sector.collapse_mm <= 0.0:
        return points
    if sector.collapse_mm >= 0.6 * radius:
        raise FrameError(
            f"A collapse of {sector.collapse_mm} mm in a head of {radius:.1f} mm radius leaves no head. "
            "Give less than 0.6 of the radius."
        )
    axis = direction_in_head(sector.anterior_deg, sector.medial_deg)
    distance = np.linalg.norm(points, axis=1)
    cosine = np.clip(points @ axis / np.where(distance > 0.0, distance, 1.0), -1.0, 1.0)
    angle = np.degrees(np.arccos(cosine))
    plane = (radius - sector.collapse_mm) / np.maximum(cosine, 0.2)
    inside = 1.0 - smoothstep(angle, sector.half_angle_deg - 3.0, sector.half_angle_deg + 3.0)
    # Only the head's own surface; the wall of the socket side of the neck never lies in the sector.
    new = np.where(distance > 0.5 * radius, distance - inside * np.maximum(distance - plane, 0.0), distance)
    return np.asarray(points * (new / np.where(distance > 0.0, distance, 1.0))[:, None])


def _cortex_mm(points: Floats, axes: Axes) -> Floats:
    """Invented thickness of the cortex at each vertex: thin on head and trochanters, thick in shaft and calcar."""
    below = (axes.head.centre - points) @ axes.shaft_axis
    table_mm = np.array([0.0, 30.0, 48.0, 62.0, 80.0, 105.0, 135.0, 180.0, 240.0, 300.0, 350.0, 420.0])
    cortex = np.array([1.2, 1.3, 1.7, 2.8, 4.8, 6.2, 7.0, 6.8, 5.6, 3.2, 1.5, 1.0])
    thickness = np.interp(below, table_mm, cortex)
    depth = (axes.head.centre - points) @ axes.neck_axis
    radius = axes.head.radius
    off_shaft = points - axes.shaft_points[0]
    off_shaft = off_shaft - (off_shaft @ axes.shaft_axis)[:, None] * axes.shaft_axis
    medial_direction = axes.neck_axis - (axes.neck_axis @ axes.shaft_axis) * axes.shaft_axis
    medial = off_shaft @ _unit(medial_direction)
    from_neck_axis = points - axes.head.centre + depth[:, None] * axes.neck_axis
    inferior = -(from_neck_axis @ axes.shaft_axis)
    calcar = smoothstep(depth, 0.75 * radius, 1.3 * radius) * smoothstep(inferior, 4.0, 13.0)
    calcar *= smoothstep(medial, 0.0, 12.0) * (1.0 - smoothstep(below, 60.0, 90.0))
    head = 1.0 - smoothstep(depth, 0.5 * radius, 0.95 * radius)
    thickness = thickness + 2.6 * calcar
    return np.asarray(thickness * (1.0 - head) + 1.0 * head)


def _hollow(outer: Surface, axes: Axes) -> Surface:
    """The inside of the cortex: vertices moved inward along their normals, then evened out.

    Moving along normals folds the surface where it is strongly curved; two
    rounds of neighbour averaging of the displacement remove the folds that would show.
    """
    normals = outer.vertex_normals()
    step = normals * _cortex_mm(outer.vertices, axes)[:, None]
    edges = np.concatenate([outer.faces[:, [0, 1]], outer.faces[:, [1, 2]], outer.faces[:, [2, 0]]])
    degree = np.bincount(edges[:, 0], minlength=len(step)).astype(np.float64)
    for _ in range(3):
        total = np.zeros_like(step)
        np.add.at(total, edges[:, 0], step[edges[:, 1]])
        step = 0.5 * step + 0.5 * total / np.maximum(degree, 1.0)[:, None]
    return outer.moved(outer.vertices - step)


def _spongy(canal: Surface, axes: Axes) -> Surface:
    """The canal with its shaft part drawn in to the axis: trabecular bone ends below the trochanters."""
    below = (axes.head.centre - canal.vertices) @ axes.shaft_axis
    share = 1.0 - 0.97 * smoothstep(below, 48.0, 105.0)
    foot = axes.shaft_points[0] + ((canal.vertices - axes.shaft_points[0]) @ axes.shaft_axis)[:, None] * axes.shaft_axis
    return canal.moved(foot + (canal.vertices - foot) * share[:, None])


def _core(canal: Surface, axes: Axes) -> Surface:
    """The denser bone of the head, tapering along the neck toward the calcar."""
    depth = (axes.head.centre - canal.vertices) @ axes.neck_axis
    radius = axes.head.radius
    toward = axes.neck_axis * 0.55 + axes.shaft_axis * 0.835  # the compressive trabeculae run steeper than the neck
    toward = _unit(toward)
    spine = axes.head.centre - np.clip(depth, -radius, 2.0 * radius)[:, None] * toward
    share = (
        0.92
        * (1.0 - 0.6 * smoothstep(depth, -0.2 * radius, 0.8 * radius))
        * (1.0 - smoothstep(depth, 0.9 * radius, 1.7 * radius))
    )
    off = canal.vertices - (axes.head.centre - depth[:, None] * axes.neck_axis)
    lateral = off - (off @ axes.neck_axis)[:, None] * axes.neck_axis
    inside = canal.vertices * 0.92 + axes.head.centre * 0.08
    tapered = spine + lateral * share[:, None]
    mix = smoothstep(depth, -0.3 * radius, 0.5 * radius)[:, None]
    return canal.moved(inside * (1.0 - mix) + tapered * mix)


@lru_cache(maxsize=4)
def _neutral(weights_sd: tuple[float, ...]) -> tuple[Floats, Axes]:
    """Vertices and axes of a subject's femur before any change; both hips start from it."""
    bone = subject(weights_sd).femur
    vertices = _to_neutral(bone)
    axes = axes_of(bone.surface.moved(vertices), bone.members(HEAD_ELEMENTS), bone.members(NECK_ELEMENTS), _UP)
    return vertices, axes


def make_femur(weights_sd: tuple[float, ...], spec: HipSpec, *, spherical_head: bool = False) -> Femur:
    """One femur in the hip frame, neutral pose, origin the centre of its head.

    `weights_sd` as in `subject`.

    Raises
    ------
    FrameError
        A deformity or collapse so large that the bone would turn inside out.
    """
    if not (0.5 <= spec.femur_scale <= 1.5 and 0.6 <= spec.head_scale <= 1.4):
        raise FrameError(
            f"A femur scaled by {spec.femur_scale} with a head scaled by {spec.head_scale} is no bone the model can "
            "stand for. Scale the femur within 0.5 to 1.5 and the head within 0.6 to 1.4."
        )
    if not (
        -15.0 <= spec.neck_shortening_mm <= 20.0
        and abs(spec.varus_deg) <= 35.0
        and abs(spec.trochanter_rise_mm) <= 35.0
    ):
        raise FrameError(
            "The neck or trochanter is moved farther than the bone reaches. Shorten the neck by at most 20 mm, turn "
            "it by at most 35 degrees, move the trochanter by at most 35 mm."
        )
    bone: Bone = subject(weights_sd).femur
    head_vertices, neck_vertices = bone.members(HEAD_ELEMENTS), bone.members(NECK_ELEMENTS)
    vertices, axes = _neutral(weights_sd)
    surface, up = bone.surface, _UP
    if spec.femur_scale != 1.0:
        vertices = vertices * spec.femur_scale
        axes = axes_of(surface.moved(vertices), head_vertices, neck_vertices, up)
    deforming = (spec.head_scale, spec.neck_shortening_mm, spec.varus_deg, spec.trochanter_rise_mm) != (
        1.0,
        0.0,
        0.0,
        0.0,
    )
    if deforming:
        vertices = _deformed(vertices, axes, spec)
    if spherical_head:
        sphere = _sphere(vertices[head_vertices])
        neck = axes.neck_axis
        vertices = _sphere_head(vertices, sphere, neck)
        on_sphere = np.abs(np.linalg.norm(vertices - sphere.centre, axis=1) - sphere.radius) < 1e-9
        head_vertices = np.asarray(np.flatnonzero(on_sphere), dtype=np.int64)
    if deforming or spherical_head:
        axes = axes_of(surface.moved(vertices), head_vertices, neck_vertices, up)
    centre = axes.head.centre
    vertices = vertices - centre
    axes = Axes(
        Sphere(np.zeros(3), axes.head.radius, axes.head.rms),
        axes.neck_axis,
        axes.neck_centroid - centre,
        axes.neck_section_mm2,
        axes.shaft_axis,
        axes.shaft_points - centre,
    )
    whole = surface.moved(vertices)
    outer = surface.moved(_collapsed(vertices, axes.head.radius, spec))
    if outer.volume_mm3() <= 0.0:
        raise FrameError("The deformities turn the femur inside out. Use smaller ones.")
    canal_of_whole = _hollow(whole, axes)
    canal = canal_of_whole.moved(_pressed(canal_of_whole.vertices, whole.vertices, outer.vertices))
    landmarks = {name: outer.vertices[k] for name, k in bone.landmark_vertices.items()}
    depth_of_collapse = float(spec.sector.collapse_mm) if spec.sector is not None else 0.0
    return Femur(
        outer, whole, canal, _spongy(canal, axes), _core(canal, axes), axes, landmarks, head_vertices, depth_of_collapse
    )


def _pressed(inner: Floats, before: Floats, after: Floats) -> Floats:
    """The subchondral plate goes down with the surface above it."""
    return np.asarray(inner + (after - before))

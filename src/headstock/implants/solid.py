"""A component as a solid: signed distance, mesh, seat, and what is taken away for it.

Component frame in space, mm: origin where the component's axis crosses the cut
plane, **z** along that axis toward the head, **x** medial (the x of the family's AP
outline), **y** anterior. A right hip is mirrored into the hip frame and a part is
not: one that has a left and a right form says so in its family.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from headstock.errors import CatalogueError
from headstock.geometry.distance import Sampled, mesh_distance
from headstock.geometry.mesh import Mesh
from headstock.implants._solid_scatter import scattered
from headstock.implants._solid_shape import cap_profile, sections_of
from headstock.implants._solid_sheet import even_points, revolved, woven
from headstock.implants.family import Component, Cup
from headstock.implants.import_solid import AT_CUT_MM, carved_of
from headstock.implants.shape import resampled

__all__ = ["STEP_MM", "Sampled", "Solid", "cup_mesh", "head_mesh", "solid"]

Floats = NDArray[np.float64]
STEP_MM: Final = 0.5
_MARGIN_MM: Final = 4.0  # of the sampled distances past the part: farther away the way to the grid is added
_AROUND: Final = 96
_SEAT_POINTS: Final = 800
_BALL_OPENING: Final = 0.75  # of the radius below the centre: where a drawn ball is open for its neck (display)
_TAIL_POINTS: Final = 800


@dataclass(frozen=True, slots=True, eq=False)
class Solid:
    """One component (one size of one family) in space, component frame.

    `mesh`: watertight surface of the body, which is what stays in the patient of the femoral part, without head ball;
    `carved_mesh` of what is taken out of the bone for it (the reamed shape, with its overrun, round about the lobes of
    a tail), which runs on above the cut. `seat_points` (k, 3),
    `seat_normals` (k, 3) outward from the part into bone, `seat_areas_mm2` (k,): the surface that must stand on bone
    (the family's seat), the points even in area. `tail_points` (t, 3): the rest of the carved surface that needs a
    wall around it. `rim_points` (r, 3): where the reamed seat ends distally, `rim_ways` (r, 3) unit, the way it would
    run on. `buried_mesh`: what stands inside the bone and needs a wall around it: the carved shape of a seated part,
    the pin of a cap below its mouth (None without one). `volume_mm3` of the body. Distances are sampled when they are
    first asked for: a search over all sizes needs points alone.
    """

    mesh: Mesh
    carved_mesh: Mesh
    buried_mesh: Mesh | None
    seat_points: Floats
    seat_normals: Floats
    seat_areas_mm2: Floats
    tail_points: Floats
    rim_points: Floats
    rim_ways: Floats
    volume_mm3: float
    notes: Mapping[str, str]

    def __post_init__(self) -> None:
        if not (self.mesh.is_closed and self.carved_mesh.is_closed) or self.volume_mm3 <= 0.0:
            raise CatalogueError(
                "The surface of this part is not closed or encloses nothing, so it has no inside. "
                "Check its outline or its solid file."
            )
        for array in (self.seat_points, self.seat_normals, self.seat_areas_mm2, self.tail_points, self.rim_points):
            array.flags.writeable = False

    @property
    def body(self) -> Sampled:
        """Signed distance to the body."""
        return _distance(self.mesh)

    @property
    def carved(self) -> Sampled:
        """Signed distance to what is carved."""
        return _distance(self.carved_mesh)

    @property
    def buried(self) -> Sampled | None:
        """Signed distance to what needs a wall around it."""
        return None if self.buried_mesh is None else _distance(self.buried_mesh)


@lru_cache(maxsize=32)
def _distance(mesh: Mesh) -> Sampled:
    return mesh_distance(mesh, STEP_MM, _MARGIN_MM)


class _Key:
    """A component by what it is: the same part read from two catalogues is built once."""

    def __init__(self, component: Component) -> None:
        self.component = component
        views = (component.ap, component.lateral)
        self._says = (
            component.family_id,
            component.size_id,
            component.kind,
            component.reamer_overrun_mm,
            b"" if component.solid_mesh is None else component.solid_mesh.vertices.tobytes(),
            tuple(sorted(component.parameters.items())),
            tuple(view.body_mm.tobytes() for view in views),
            tuple(seat.tobytes() for view in views for seat in view.seat_mm),
        )

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Key) and self._says == other._says

    def __hash__(self) -> int:
        return hash(self._says)


def solid(component: Component) -> Solid:
    """The component in space; built once, then kept in memory.

    Raises
    ------
    CatalogueError
        The family's file draws outlines that do not fix a shape in space.
    """
    return _built(_Key(component))


@lru_cache(maxsize=64)
def _built(key: _Key) -> Solid:
    component = key.component
    try:
        if component.solid_mesh is not None:
            return _imported(component, component.solid_mesh)
        return _cap(component) if component.kind == "cap" else _seated(component)
    except CatalogueError as error:
        raise CatalogueError(f"Size “{component.size_id}” of “{component.family_id}”: {error}") from error


def _seated(component: Component) -> Solid:
    part = sections_of(component)
    hole = part.carved(component.reamer_overrun_mm)
    rings, carved_rings = part.rings(_AROUND), hole.rings(_AROUND)
    mesh, carved_mesh = woven(rings), woven(carved_rings)
    seat = rings[part.in_seat]
    points, normals, areas = even_points(seat, _SEAT_POINTS)
    last = int(np.flatnonzero(hole.in_seat)[-1])
    tail = _with_tip(carved_rings[last:])
    tail_points = even_points(tail, _TAIL_POINTS)[0]
    way = seat[-1] - seat[-2]
    return Solid(
        mesh=mesh,
        carved_mesh=carved_mesh,
        buried_mesh=carved_mesh,
        seat_points=points,
        seat_normals=normals,
        seat_areas_mm2=areas,
        tail_points=tail_points,
        rim_points=seat[-1].copy(),
        rim_ways=way / np.linalg.norm(way, axis=1, keepdims=True),
        volume_mm3=mesh.volume_mm3,
        notes={},
    )


def _cap(component: Component) -> Solid:
    profile = cap_profile(component)
    mesh, carved_mesh = turned(profile.body), turned(profile.carved)
    sheets = [(revolved(resampled(line, STEP_MM), _AROUND), flat) for line, flat in profile.seat]
    sizes = np.array([_area(rings) for rings, _ in sheets])
    seats = [
        even_points(rings, max(round(_SEAT_POINTS * size / sizes.sum()), 12), "down" if flat else "in")
        for (rings, flat), size in zip(sheets, sizes, strict=True)
    ]
    points, normals, areas = (np.concatenate(parts) for parts in zip(*seats, strict=True))
    pin, buried = np.empty((0, 3)), None
    if len(profile.pin) > 2:
        pin = even_points(revolved(resampled(profile.pin, STEP_MM), _AROUND), _TAIL_POINTS // 2)[0]
        lid = np.array([[0.0, profile.pin[0, 1]]])
        buried = turned(np.vstack([lid, profile.pin]))
    rim = revolved(profile.mouth[None], _AROUND)[0]
    return Solid(
        mesh=mesh,
        carved_mesh=carved_mesh,
        buried_mesh=buried,
        seat_points=points,
        seat_normals=normals,
        seat_areas_mm2=areas,
        tail_points=pin,
        rim_points=rim,
        rim_ways=np.tile([0.0, 0.0, -1.0], (len(rim), 1)),
        volume_mm3=mesh.volume_mm3,
        notes={},
    )


def _imported(component: Component, mesh: Mesh) -> Solid:
    depth, overrun = component.parameters["seat_depth_mm"], max(component.reamer_overrun_mm, 0.0)
    carved_mesh = carved_of(mesh, depth, overrun)
    points, normals, areas = scattered(mesh, lambda p: (p[:, 2] < -AT_CUT_MM) & (p[:, 2] >= -depth), _SEAT_POINTS)
    if not len(points):
        raise CatalogueError("its solid has no surface within seat_depth_mm below the cut. Check seat_depth_mm.")
    tail, _, _ = scattered(carved_mesh, lambda p: p[:, 2] < -depth, _TAIL_POINTS)
    rings = mesh.section([0.0, 0.0, max(-depth, float(mesh.vertices[:, 2].min()) + 0.2)], [0.0, 0.0, 1.0])
    rim = rings[0][:-1] if rings else points[np.argmin(points[:, 2])][None]
    return Solid(
        mesh=mesh,
        carved_mesh=carved_mesh,
        buried_mesh=carved_mesh,
        seat_points=points,
        seat_normals=normals,
        seat_areas_mm2=areas,
        tail_points=tail,
        rim_points=rim,
        rim_ways=np.tile([0.0, 0.0, -1.0], (len(rim), 1)),
        volume_mm3=mesh.volume_mm3,
        notes={"form": "read from a solid file, as drawn for a left hip; a right hip takes its mirror image"},
    )


def turned(profile: Floats, around: int = _AROUND) -> Mesh:
    """A profile (k, 2) of (radius, height) from the axis to the axis, turned about z: a closed mesh."""
    line = resampled(profile, 2.0)
    ends = np.array([[0.0, 0.0, line[0, 1]], [0.0, 0.0, line[-1, 1]]])
    return woven(revolved(line[1:-1], around), ends[0], ends[1])


def _area(rings: Floats) -> float:
    return float(even_points(rings, 12)[2].sum())


def _with_tip(rings: Floats) -> Floats:
    """The sheet with its last ring drawn in to a point, so that the tip counts as well."""
    middle = rings[-1].mean(axis=0)
    shares = np.array([0.5, 0.02])[:, None, None]
    return np.concatenate([rings, middle + shares * (rings[-1] - middle)])


def head_mesh(component: Component, head_diameter_mm: float, neck_length_mm: float) -> Mesh | None:
    """Head ball and the part's own neck for display, component frame; None for a cap, whose dome is its head.

    The ball is open below for the neck (drawn flat there); it ends above the cut.
    """
    if component.kind == "cap":
        return None
    radius, (_, centre) = 0.5 * head_diameter_mm, component.head_centre_mm(neck_length_mm)
    neck = 0.5 * (component.neck_diameter_mm or 0.5 * radius)
    floor = min(max(centre - _BALL_OPENING * radius, 1.0), centre)
    start = np.arcsin(np.clip((centre - floor) / radius, 0.0, 1.0))
    turn = np.linspace(0.5 * np.pi, -start, 33)
    ball = np.column_stack([radius * np.cos(turn), centre + radius * np.sin(turn)])
    ball[0, 0] = 0.0
    ball = np.vstack([ball, [[0.0, ball[-1, 1]]]])
    top = max(centre, 1.0)
    stalk = np.array([[0.0, top], [neck, top], [neck, 0.0], [0.0, 0.0]])
    return joined(turned(ball, 48), turned(stalk, 48))


def cup_mesh(cup: Cup) -> Mesh:
    """A cup as a shell for display: centre of the bearing at the origin, +z along the opening axis.

    The bearing is that of the largest head the cup takes and covers `arc_deg` seen from the centre.
    """
    outer, inner = 0.5 * cup.outer_mm, 0.5 * max(cup.head_diameters_mm)
    half = np.radians(0.5 * cup.arc_deg)
    rim = -inner * np.cos(half)
    end = np.arccos(np.clip(-rim / outer, -1.0, 1.0))
    away, back = np.linspace(0.0, end, 33), np.linspace(half, 0.0, 33)
    profile = np.vstack(
        [
            np.column_stack([outer * np.sin(away), -outer * np.cos(away)]),
            np.column_stack([inner * np.sin(back), -inner * np.cos(back)]),
        ]
    )
    profile[[0, -1], 0] = 0.0
    return turned(profile, 64)


def joined(*meshes: Mesh) -> Mesh:
    """Meshes side by side in one; where they overlap they stay apart."""
    starts = np.cumsum([0, *(len(m.vertices) for m in meshes[:-1])])
    return Mesh(
        np.vstack([m.vertices for m in meshes]),
        np.vstack([m.faces + start for m, start in zip(meshes, starts, strict=True)]),
    )

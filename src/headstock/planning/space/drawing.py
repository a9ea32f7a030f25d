"""What a placement on a scan looks like in the planes along the neck axis: the same value as on films.

In: `SpaceHip` and a placement. Out: `Drawing`: `ap` the plane of neck and shaft, `lateral` the one square to it, both
sections (not shadows) in the neck frame. `film_mm` is empty: a scan has no film frame.
"""

from dataclasses import replace
from itertools import pairwise
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from headstock.implants import Catalogue, Placement
from headstock.implants.solid import Solid
from headstock.implants.solid import solid as solid_of
from headstock.planning.drawing import Drawing, SeatRun, ViewDrawing, parts_above
from headstock.planning.space.bone import Bone, bone_of
from headstock.planning.space.fields import SpaceHip
from headstock.planning.space.places import Places, Rows
from headstock.planning.space.quantities import in_bone_points, sound_share
from headstock.planning.space.scene3d import operated
from headstock.planning.space.section import NeckPlane, neck_plane
from headstock.planning.space.volumes import sound_bone_start

__all__ = ["drawing_in_space", "neck_drawing_in_space"]

Floats = NDArray[np.float64]
_NONE: Final = np.empty((0, 2))
_BELOW_BASE_MM: Final = 25.0
_ON_SEAT_MM: Final = 1.6  # a point of the outline this near to a point of the seat belongs to it


def drawing_in_space(space: SpaceHip, placement: Placement, catalogue: Catalogue) -> Drawing:
    """The picture of a placement on the reading itself (no draws)."""
    places, rows = Places.of(placement), Rows.of(space, reading=True)
    facts = bone_of(space)
    depth = float(rows.depth_of(places.origin)[0])
    start = sound_bone_start(facts, rows)
    ap, lateral = (_view(space, rows, facts, placement, catalogue, places, which) for which in ("ap", "lateral"))
    return Drawing(ap, lateral, depth, None if start is None else float(start[0]))


def neck_drawing_in_space(space: SpaceHip, which: Literal["ap", "lateral"] = "ap") -> ViewDrawing:
    """The bone alone in a plane along the neck axis, before any placement."""
    rows = Rows.of(space, reading=True)
    return _bare(space, rows, _plane(rows, which, 0.0), which)


def _plane(rows: Rows, which: Literal["ap", "lateral"], reach: float) -> NeckPlane:
    base = 3.4 * float(rows.head_radius[0]) if rows.base_depth is None else float(rows.base_depth[0])
    return neck_plane(rows, which, max(base + _BELOW_BASE_MM, reach + 8.0))


def _bare(space: SpaceHip, rows: Rows, plane: NeckPlane, which: Literal["ap", "lateral"]) -> ViewDrawing:
    bone = plane.lines(space.femur.at)
    lesions: list[Floats] = []
    outer: list[Floats] = []
    if space.lesion_inner is not None:
        lesions = plane.lines(lambda points: space.lesion_at(points, float(rows.t[0])))
        outer = plane.lines(lambda points: space.lesion_at(points, 1.0))
    return ViewDrawing(
        view=which,
        bone=bone[0] if bone else _NONE,
        lesions=tuple(lesions),
        lesion_rim_sd_mm=0.0,
        removed=(),
        component=_NONE,
        head=_NONE,
        neck=_NONE,
        cup=_NONE,
        seat=(),
        cut=_NONE,
        axis=_NONE,
        head_circle_radius_mm=float(rows.head_radius[0]),
        sides=("lateral", "medial") if which == "ap" else ("posterior", "anterior"),
        film_mm={},
        uncertain=tuple(outer),
    )


def _view(
    space: SpaceHip,
    rows: Rows,
    facts: Bone,
    placement: Placement,
    catalogue: Catalogue,
    places: Places,
    which: Literal["ap", "lateral"],
) -> ViewDrawing:
    component = catalogue.component(placement)
    solid = solid_of(component)
    origin, axes, axis = places.origin[0], places.axes[0], places.axis[0]
    inside = places.points(in_bone_points(component, solid))[0]
    plane = _plane(rows, which, float(rows.depth_of(inside).max()) if len(inside) else 0.0)
    body = plane.lines(lambda points: solid.body.at(points, origin=origin, axes=axes))
    after = operated(space, placement, catalogue)
    cup = [] if after.cup is None else plane.lines(after.cup)
    head, trunk = parts_above(component, placement)
    lowest = float(component.ap.body_mm[:, 1].min()) - 5.0
    highest = component.head_centre_mm(placement.neck_length_mm)[1] + 0.5 * placement.head_diameter_mm
    return replace(
        _bare(space, rows, plane, which),
        removed=tuple(plane.lines(lambda points: np.maximum(space.femur.at(points), after.gone(points)))),
        component=body[0] if body else _NONE,
        head=_shadow(plane, origin, axis, head),
        neck=_shadow(plane, origin, axis, trunk),
        cup=cup[0] if cup else _NONE,
        seat=tuple(run for line in body for run in _seat_runs(space, rows, plane, solid, places, line)),
        cut=_cut(space, facts, plane, origin, axis),
        axis=plane.of_hip(origin + np.array([[lowest], [highest]]) * axis),
    )


def _shadow(plane: NeckPlane, origin: Floats, axis: Floats, outline: Floats) -> Floats:
    """An outline of the component frame (across, up its axis) turned into the plane."""
    if not len(outline):
        return _NONE
    across = plane.across - (plane.across @ axis) * axis
    across = across / np.linalg.norm(across)
    return plane.of_hip(origin + outline[:, :1] * across + outline[:, 1:] * axis)


def _cut(space: SpaceHip, facts: Bone, plane: NeckPlane, origin: Floats, axis: Floats) -> Floats:
    """Both ends of the cut where it leaves the bone, (2, 2)."""
    along = np.cross(np.cross(plane.down, plane.across), axis)
    size = float(np.linalg.norm(along))
    if size < 1e-6:
        return _NONE
    along = along / size * (1.0 if along @ plane.across > 0.0 else -1.0)
    # The crossing of the cut with the plane, nearest to the component's own origin.
    normal = np.cross(plane.down, plane.across)
    square = normal - (normal @ axis) * axis
    start = origin + (normal @ (plane.pole - origin)) / float(square @ normal) * square
    reach = np.arange(0.0, 60.0, 0.25)
    ends = []
    for sign in (-1.0, 1.0):
        points = start + sign * reach[:, None] * along
        outside = (np.asarray(space.femur.at(points)) > 0.0) | (facts.aside(points) < 0.0)
        first = int(np.argmax(outside)) if outside.any() else len(reach) - 1
        ends.append(points[first])
    return plane.of_hip(np.array(ends))


def _seat_runs(
    space: SpaceHip, rows: Rows, plane: NeckPlane, solid: Solid, places: Places, line: Floats
) -> list[SeatRun]:
    """Stretches of an outline that belong to the seat, each sound or not."""
    closed = np.vstack([line, line[:1]])
    middle = plane.to_hip(0.5 * (closed[1:] + closed[:-1]))
    gap, _ = cKDTree(places.points(solid.seat_points)[0]).query(middle)
    sound = sound_share(space, middle[None], np.zeros(1), rows.t[:1])[0] > 0.5
    kind = np.where(gap > _ON_SEAT_MM, -1, sound.astype(int))
    edges = [0, *(np.flatnonzero(np.diff(kind)) + 1).tolist(), len(kind)]
    return [SeatRun(closed[a : b + 1], bool(kind[a])) for a, b in pairwise(edges) if kind[a] >= 0]

"""Every number of a place in space that needs no counting of voxels, as arrays by name.

In: a hip (`SpaceHip`, `Rows`, `Bone`) and places of one component, one of them a batch of
1. Out: arrays (n,) or (m,). What lies in fields (seat, wall, notch) takes the surface's error
`edge` and the rim `t` as arrays of their own (`nodes.py`). Formulas: docs/planning-space.md.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from headstock.implants import Component, Family
from headstock.implants.solid import Solid
from headstock.planning.prepared import PreparedHip
from headstock.planning.quantities import offset_difference_now
from headstock.planning.space.bone import Bone
from headstock.planning.space.fields import SpaceHip
from headstock.planning.space.places import Places, Rows

__all__ = [
    "NOTCH_ROUND",
    "alignment",
    "as_rows",
    "bone",
    "dead_mm",
    "in_bone_points",
    "leg",
    "neck_diameter",
    "neck_shaft_deg",
    "new_head_centre",
    "notch",
    "seat",
    "seat_bottom_depth",
    "seat_from",
    "sound_share",
    "version_deg",
    "wall",
]

Floats = NDArray[np.float64]
SOFT_MM: Final = 1.0  # definition: a point of a seat counts as sound with a soft edge of this width, as on films
_NEARLY_LOWEST_MM: Final = 2.5
NOTCH_ROUND: Final = 48  # directions in which a reamed surface is looked at


def bone(rows: Rows, places: Places) -> dict[str, Floats]:
    """Depth of the cut and head kept, along the neck axis."""
    depth, height = rows.depth_of(places.origin), rows.head_height
    return {
        "cut_depth_mm": depth,
        "head_height_mm": height + 0.0 * depth,
        "head_kept_mm": np.clip(height - depth, 0.0, None),
        "head_kept_percent": 100.0 * np.clip((height - depth) / height, 0.0, 1.0),
        "bone_removed_mm": np.clip(depth, 0.0, None),
        "bone_removed_percent": 100.0 * np.clip(depth / height, 0.0, None),
    }


def dead_mm(space: SpaceHip, points: Floats, t: Floats) -> Floats | None:
    """Signed distance to dead bone, negative in it, at points (m, P, 3) for rims t (r,): (m or r, P); None without."""
    if space.lesion_inner is None or space.lesion_outer is None:
        return None
    inner, outer = (np.asarray(f.at(points), np.float64) for f in (space.lesion_inner, space.lesion_outer))
    return np.asarray(inner + t[:, None] * (outer - inner))


def sound_share(space: SpaceHip, points: Floats, edge: Floats, t: Floats) -> Floats:
    """How sound the bone is at points (m, P, 3): 1 inside the cortex and outside dead bone, soft over 1 mm."""
    inside = edge[:, None] - space.femur.at(points)
    dead = dead_mm(space, points, t)
    if dead is not None:
        inside = np.minimum(inside, dead)
    return np.asarray(np.clip(inside / SOFT_MM + 0.5, 0.0, 1.0))


def seat(space: SpaceHip, solid: Solid, places: Places, edge: Floats, t: Floats, thin: int = 1) -> dict[str, Floats]:
    """Share of the seat's area on sound bone (%) and the mean wall around it (mm); `thin` skips points."""
    points = places.points(solid.seat_points[::thin])
    return seat_from(
        space, points, np.asarray(space.femur.at(points), np.float64), solid.seat_areas_mm2[::thin], edge, t
    )


def seat_from(
    space: SpaceHip, points: Floats, outer: Floats, areas: Floats, edge: Floats, t: Floats
) -> dict[str, Floats]:
    """`seat` for points (m, k, 3) whose distances to the surface `outer` (m, k) are known already."""
    share = areas / areas.sum()
    inside = edge[:, None] - outer
    dead = dead_mm(space, points, t)
    if dead is not None:
        inside = np.minimum(inside, dead)
    return {
        "seat_on_sound_bone_percent": 100.0 * np.clip(inside / SOFT_MM + 0.5, 0.0, 1.0) @ share,
        "seat_wall_mm": edge - outer @ share,
    }


def in_bone_points(component: Component, solid: Solid, thin: int = 1) -> Floats:
    """(P, 3) the surface inside bone that needs a wall: seat and tail; of a cap the pin below its mouth alone."""
    tail = solid.tail_points[::thin]
    return tail if component.kind == "cap" else np.vstack([solid.seat_points[::thin], tail])


def wall(
    space: SpaceHip, component: Component, solid: Solid, places: Places, edge: Floats, thin: int = 1
) -> tuple[Floats, Floats] | None:
    """Least wall between the part inside bone and the femur's surface (mm), and its point (3,), component frame.

    Negative where the part leaves the bone; None for a part with nothing inside. The surface's common error moves
    every wall alike, so that the place of the least one stays.
    """
    local = in_bone_points(component, solid, thin)
    if not len(local):
        return None
    distances = -np.asarray(space.femur.at(places.points(local)), np.float64)
    return distances.min(axis=1) + edge, local[int(np.argmin(distances[0]))]


def notch(
    space: SpaceHip,
    rows: Rows,
    facts: Bone,
    component: Component,
    solid: Solid,
    places: Places,
    edge: Floats,
    around: int = NOTCH_ROUND,
) -> tuple[Floats, Floats]:
    """Distance of the reamed surface from a notch (mm), and its point (3,), component frame.

    A cap: how far the reamed cylinder, run on past the mouth, passes outside the neck between head-neck junction and
    narrowest section. A seated part: how far the lower half of its seat and the reamer's overrun stay inside.
    """
    if component.kind == "cap":
        depth = rows.depth_of(places.origin) if rows.n == 1 else rows.depth_of(places.origin)[:1]
        junction = max(float(rows.head_height[0]), float(rows.head_radius[0]))
        last = max(facts.neck_depth_mm, junction + component.reamer_overrun_mm)
        below = depth[:, None] - np.linspace(junction, last, 9)
        turn = np.linspace(0.0, 2.0 * np.pi, around, endpoint=False)
        radius = float(np.abs(component.ap.reamed_mm[:, 0]).max())
        ring = radius * np.column_stack([np.cos(turn), np.sin(turn)])
        tube = np.empty((len(depth), 9, around, 3))
        tube[..., :2] = ring
        tube[..., 2] = below[:, :, None]
        local: Floats = tube.reshape(-1, 9 * around, 3)
        sign = -1.0
    else:
        rim = slice(None, None, max(1, len(solid.rim_points) // around))
        run = np.arange(0.0, component.reamer_overrun_mm + 0.5, 0.5)[:, None, None]
        ends = (solid.rim_points[rim] + run * solid.rim_ways[rim]).reshape(-1, 3)
        low = solid.seat_points[solid.seat_points[:, 2] <= 0.5 * solid.seat_points[:, 2].min()]
        local = np.vstack([ends, low[:: max(1, len(low) // (8 * around))]])
        sign = 1.0
    distances = -sign * np.asarray(space.femur.at(places.points(local)), np.float64)
    points = local[0] if local.ndim == 3 else local
    return distances.min(axis=1) + sign * edge, points[int(np.argmin(distances[0]))]


def alignment(rows: Rows, component: Component, places: Places) -> dict[str, Floats]:
    """Component axis to the neck in both planes, to the shaft, and the end of its tail to the shaft in both; deg."""
    axis = places.axis
    along = np.sum(axis * rows.neck_axis, axis=1)
    found = {
        "valgus_to_neck_deg": _deg(-np.sum(axis * rows.across, axis=1), along),
        "anterior_to_neck_deg": _deg(np.sum(axis * rows.front, axis=1), along),
    }
    if rows.shaft_axis is not None:
        shaft = rows.shaft_axis
        found["axis_to_shaft_deg"] = 180.0 - _between(axis, shaft)
        turn = np.radians(component.tail_turn_deg)
        tail = np.cos(turn) * axis - np.sin(turn) * places.axes[:, :, 0]
        medial = np.cross(rows.front, shaft)
        upright = np.sum(tail * shaft, axis=1)
        found["tail_to_shaft_deg"] = _deg(-np.sum(tail * medial, axis=1), upright)
        found["tail_to_shaft_front_deg"] = _deg(np.sum(tail * rows.front, axis=1), upright)
    return found


def neck_shaft_deg(rows: Rows) -> Floats | None:
    """Neck-shaft angle in space, (n,); None without a shaft."""
    return None if rows.shaft_axis is None else 180.0 - _between(rows.neck_axis, rows.shaft_axis)


def version_deg(axis: Floats) -> Floats:
    """Angle of an axis toward the head (k, 3) to x of the hip frame, seen along z; anteversion positive."""
    return _deg(axis[:, 1], axis[:, 0])


def _between(a: Floats, b: Floats) -> Floats:
    cross = np.linalg.norm(np.cross(a, b), axis=-1)
    return np.asarray(np.degrees(np.arctan2(cross, np.sum(a * b, axis=-1))))


def _deg(side: Floats, along: Floats) -> Floats:
    return np.asarray(np.degrees(np.arctan2(side, along)))


def new_head_centre(component: Component, places: Places, neck_length_mm: float) -> Floats:
    """(m, 3) centre of the new head."""
    return np.asarray(places.origin + component.head_centre_mm(neck_length_mm)[1] * places.axis)


def leg(
    space: SpaceHip,
    rows: Rows,
    component: Component,
    places: Places,
    neck_length_mm: float,
    cup_centre: Floats | None,
) -> dict[str, Floats]:
    """Leg length and offset: what femur and cup change, and with a film what remains between the sides (mm).

    `cup_centre` (2,) x and z of the hip frame; None leaves the centre of rotation where it is. The femur's offset is
    the distance of the head's centre to the shaft axis in space, without a shaft along x.
    """
    centre = rows.head_centre
    head = new_head_centre(component, places, neck_length_mm)
    cup = np.zeros((1, 3))
    if cup_centre is not None:
        cup = np.array([[cup_centre[0], 0.0, cup_centre[1]]]) - centre * np.array([1.0, 0.0, 1.0])
    if rows.shaft_axis is None or rows.shaft_point is None:
        offset = np.sum((head - centre) * rows.medial, axis=1)
    else:
        offset = _to_line(head, rows.shaft_point, rows.shaft_axis) - _to_line(centre, rows.shaft_point, rows.shaft_axis)
    found = {
        "leg_length_femur_mm": np.sum((head - centre) * rows.up, axis=1),
        "leg_length_cup_mm": -np.sum(cup * rows.up, axis=1),
        "offset_femur_mm": offset,
        "offset_cup_mm": -np.sum(cup * rows.medial, axis=1),
    }
    found["leg_length_change_mm"] = found["leg_length_femur_mm"] + found["leg_length_cup_mm"]
    found["offset_change_mm"] = found["offset_femur_mm"] + found["offset_cup_mm"]
    film = space.film
    if film is None:
        return found
    for stem, now in (("leg_length", _length_now(film)), ("offset", offset_difference_now(film))):
        if now is not None:
            change = found[f"{stem}_change_mm"]
            found[f"{stem}_now_mm"] = as_rows(now, rows.n) + 0.0 * change
            found[f"{stem}_remaining_mm"] = found[f"{stem}_now_mm"] + change
    return found


def as_rows(batch: Floats, n: int) -> Floats:
    """The batch of another reading with n rows: row 0 first, its draws turned by half their number.

    Two readings whose draws come from the same seed would otherwise be taken for correlated.
    """
    if n == 1:
        return batch[:1]
    draws = np.resize(batch[1:], n - 1) if len(batch) > 1 else np.full(n - 1, batch[0])
    return np.concatenate([batch[:1], np.roll(draws, (n - 1) // 2)])


def _length_now(film: PreparedHip) -> Floats | None:
    return None if film.pelvis is None else film.pelvis.leg_length_difference_mm


def _to_line(points: Floats, line: Floats, axis: Floats) -> Floats:
    shift = points - line
    away = shift - np.sum(shift * axis, axis=1, keepdims=True) * axis
    return np.asarray(np.linalg.norm(away, axis=1))


def neck_diameter(rows: Rows, facts: Bone, component: Component, family: Family) -> Floats:
    """What meets the cup: the patient's narrowest neck at its widest, or the component's own; mm (n,)."""
    if family.impinges_on == "component" and component.neck_diameter_mm is not None:
        return np.full(rows.n, component.neck_diameter_mm)
    return np.asarray(np.maximum(facts.neck_width_mm + 2.0 * rows.edge, 1.0))


def seat_bottom_depth(rows: Rows, solid: Solid, places: Places) -> Floats:
    """Depth of the lowest edge of the seat below the pole, along the neck axis; mm (n,), one place."""
    points = places.points(solid.seat_points)[0]
    along = points @ rows.neck_axis[0]
    # A draw tilts the neck axis by a few degrees: only what already lies low can become the lowest.
    low = points[along < along.min() + _NEARLY_LOWEST_MM]
    shift = (low @ rows.neck_axis.T).min(axis=0)
    return np.asarray(rows.head_radius - shift + np.sum(rows.head_centre * rows.neck_axis, axis=1))

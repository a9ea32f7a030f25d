"""Every number that a placement leads to, as arrays: one function for one hip, its draws, or many placements.

In: a prepared hip (n rows) and places of one component (m rows); n or m is 1, or
they are equal. Out: arrays (max(n, m),), by name. Row 0 is the reading when n > 1.

A place is drawn on the film, so it keeps its position **on the picture** when the
scale is drawn anew; the component keeps its true size. Frames: shape.py for the
component, docs/frames.md for the films. Formulas: docs/planning.md.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from headstock.implants import Component, CutLevel, Family, Outline, level_range_mm
from headstock.implants.placement import Placement
from headstock.planning.prepared import PreparedHip, PreparedView

__all__ = [
    "Places",
    "SeatSamples",
    "alignment",
    "ap_depth",
    "axes_of",
    "bone",
    "frames_of",
    "lateral_origin",
    "leg",
    "level_end",
    "level_ends",
    "neck_diameter",
    "new_head_centre",
    "notch",
    "offset_difference_now",
    "outline_on",
    "seat",
    "seat_bottom_depth",
    "to_film",
    "wall",
    "wall_points",
]

Floats = NDArray[np.float64]
_SEAT_STEP_MM: Final = 1.0  # a stretch of seat counts as sound with a soft edge of one sample


@dataclass(frozen=True, slots=True, eq=False)
class Places:
    """Places of one component: origin (m, 2) nominal film mm, angles (m,) deg; lateral parts None without that film."""

    origin: Floats
    angle: Floats
    y: Floats | None
    lateral_angle: Floats | None

    @classmethod
    def of(cls, placement: Placement, lateral: bool) -> "Places":
        """The one place of a placement; a missing lateral pose lies on the film's own axes."""
        pose = placement.pose
        has = lateral and pose.y_mm is not None and pose.lateral_angle_deg is not None
        return cls(
            np.array([[pose.x_mm, pose.z_mm]]),
            np.array([pose.ap_angle_deg]),
            np.array([pose.y_mm], dtype=np.float64) if has else None,
            np.array([pose.lateral_angle_deg], dtype=np.float64) if has else None,
        )

    def shifted(self, hip: PreparedHip, along_mm: Floats) -> "Places":
        """The same places moved along their own axis, mm (k,), proximal positive; m or k is 1."""
        axis, _ = axes_of("ap", self.angle)
        y = self.y
        if y is not None and self.lateral_angle is not None and hip.lateral is not None:
            # The lateral origin follows the depth; keep it on the component's own axis there too.
            side, _ = axes_of("lateral", self.lateral_angle)
            y = y + along_mm * side[:, 1]
        return Places(self.origin + along_mm[:, None] * axis, self.angle, y, self.lateral_angle)


def axes_of(view: str, angle_deg: Floats) -> tuple[Floats, Floats]:
    """(m, 2) the component's axis and its x direction on a film, for axis directions (m,) in degrees."""
    turn = np.radians(angle_deg)
    axis = np.stack([np.cos(turn), np.sin(turn)], axis=-1)
    x, y = axis[..., 0], axis[..., 1]
    across = np.stack([y, -x], axis=-1) if view == "ap" else np.stack([-y, x], axis=-1)
    return axis, across


def to_film(local: Floats, origin: Floats, axis: Floats, across: Floats, ratio: Floats) -> Floats:
    """Component points (P, 2) or (m, P, 2) to the film's nominal frame, (rows, P, 2)."""
    turned = local[..., :1] * across[:, None, :] + local[..., 1:] * axis[:, None, :]
    return np.asarray(origin[:, None, :] + turned / ratio[:, None, None])


def ap_depth(view: PreparedView, places: Places) -> Floats:
    """Depth of the cut below the pole along the neck axis, mm."""
    return view.depth_of(places.origin * view.ratio[:, None])


def lateral_origin(hip: PreparedHip, places: Places) -> Floats:
    """(rows, 2) nominal (u, y) of the origin on the lateral film: as deep below the pole as on the AP film."""
    view, y = hip.lateral, places.y
    assert view is not None
    assert y is not None
    depth = ap_depth(hip.ap, places)
    across = y * view.ratio
    u = (np.sum(view.pole() * view.axis, axis=1) - depth - across * view.axis[:, 1]) / view.axis[:, 0]
    return np.stack(np.broadcast_arrays(u / view.ratio, y), axis=-1)


def frames_of(hip: PreparedHip, places: Places) -> list[tuple[PreparedView, Floats, Floats, Floats]]:
    """For each usable film: view, origin (rows, 2), axis, across."""
    found = [(hip.ap, places.origin, *axes_of("ap", places.angle))]
    if hip.lateral is not None and places.y is not None and places.lateral_angle is not None:
        found.append((hip.lateral, lateral_origin(hip, places), *axes_of("lateral", places.lateral_angle)))
    return found


def outline_on(component: Component, view: PreparedView) -> Outline:
    """The component's outline as this film shows it."""
    return component.ap if view.view == "ap" else component.lateral


def bone(hip: PreparedHip, places: Places) -> dict[str, Floats]:
    """Depth of the cut, head kept and removed; all along the neck axis on the AP film."""
    depth, height = ap_depth(hip.ap, places), hip.ap.head_height
    return {
        "cut_depth_mm": depth,
        "head_height_mm": height + 0.0 * depth,
        "head_kept_mm": np.clip(height - depth, 0.0, None),
        "head_kept_percent": 100.0 * np.clip((height - depth) / height, 0.0, 1.0),
        "bone_removed_mm": np.clip(depth, 0.0, None),
        "bone_removed_percent": 100.0 * np.clip(depth / height, 0.0, None),
    }


@dataclass(frozen=True, slots=True, eq=False)
class SeatSamples:
    """Middle points of the seat's stretches, (P, 2), component frame, and their lengths (P,)."""

    points: Floats
    lengths: Floats

    @classmethod
    def of(cls, outline: Outline, thin: int = 1) -> "SeatSamples":
        """Samples of an outline's seats; `thin` joins that many stretches (for searching)."""
        points, lengths = [], []
        for line in outline.seat_mm:
            coarse = line if thin == 1 else np.vstack([line[:-1:thin], line[-1:]])
            points.append(0.5 * (coarse[1:] + coarse[:-1]))
            lengths.append(np.linalg.norm(np.diff(coarse, axis=0), axis=1))
        return cls(np.vstack(points), np.concatenate(lengths))


def _sound(view: PreparedView, points: Floats) -> Floats:
    """How sound the bone is at points (rows, P): 1 inside bone and outside dead bone, soft over one sample."""
    ratio = view.ratio[:, None]
    inside = view.bone.at(points) * ratio + view.error_at(points)
    if view.dead is not None:
        inside = np.minimum(inside, -view.dead.at(points) * ratio - view.lesion_error[:, None])
    return np.clip(inside / _SEAT_STEP_MM + 0.5, 0.0, 1.0)


def seat(hip: PreparedHip, component: Component, places: Places, thin: int = 1) -> dict[str, Floats]:
    """Share of the seat's length on sound bone (%), both films together, and the mean wall around the seat (mm)."""
    good, total, wall_sum = np.zeros(1), 0.0, np.zeros(1)
    for view, origin, axis, across in frames_of(hip, places):
        samples = SeatSamples.of(outline_on(component, view), thin)
        points = to_film(samples.points, origin, axis, across, view.ratio)
        good = good + _sound(view, points) @ samples.lengths
        wall_sum = wall_sum + (view.bone.at(points) * view.ratio[:, None]) @ samples.lengths
        total += float(samples.lengths.sum())
    return {"seat_on_sound_bone_percent": 100.0 * good / total, "seat_wall_mm": wall_sum / total}


def wall_points(hip: PreparedHip, component: Component, places: Places, keep: int = 80) -> list[Floats]:
    """For each film the `keep` points (component frame) that can become the least wall in a draw."""
    chosen = []
    for view, origin, axis, across in frames_of(hip.nominal() if hip.rows > 1 else hip, places):
        local = outline_on(component, view).in_bone_mm
        if len(local) > keep:
            film = to_film(local, origin, axis, across, view.ratio)
            # A draw can bring a point nearer by its own error: 2.5 sd of it beyond the best known stretch.
            nominal = view.bone.at(film)[0] - 2.5 * view.sd_beyond(film)[0]
            local = local[np.sort(np.argsort(nominal, kind="stable")[:keep])]
        chosen.append(local)
    return chosen


def wall(
    hip: PreparedHip, component: Component, places: Places, points: list[Floats] | None = None
) -> tuple[Floats, tuple[str, Floats] | None]:
    """Least wall between the component and the outer cortex (mm), and where: view and the point, component frame.

    Negative where the component leaves the bone.
    """
    least: Floats | None = None
    where: tuple[str, Floats] | None = None
    for k, (view, origin, axis, across) in enumerate(frames_of(hip, places)):
        local = outline_on(component, view).in_bone_mm if points is None else points[k]
        if not len(local):
            continue
        film = to_film(local, origin, axis, across, view.ratio)
        distances = view.bone.at(film)
        here = (distances * view.ratio[:, None] + view.error_at(film)).min(axis=1)
        if least is None or here[0] < least[0]:
            where = (view.view, local[int(np.argmin(distances[0]))])
        least = here if least is None else np.minimum(least, here)
    if least is None:
        least = np.full(max(hip.rows, len(places.angle)), np.inf)
    return least, where


def notch(hip: PreparedHip, component: Component, places: Places) -> tuple[Floats, tuple[str, Floats] | None]:
    """Distance of the reamed surface from a notch (mm), and where.

    A cap: how far the reamed cylinder, run on past the mouth, passes outside the
    neck, between the head-neck junction and the narrowest neck. A seated part: how
    far the lower seat and the reamer's overrun stay inside the outer cortex.
    """
    least: Floats | None = None
    where: tuple[str, Floats] | None = None
    depth = ap_depth(hip.ap, places)
    for view, origin, axis, across in frames_of(hip, places):
        outline = outline_on(component, view)
        if component.kind == "cap":
            junction = max(float(view.head_height[0]), float(view.radius[0]))
            last = max(view.narrowest_depth, junction + component.reamer_overrun_mm)
            below = -(np.linspace(junction, last, 9)[None, :] - depth[:, None])
            local = np.concatenate(
                [np.stack([np.broadcast_to(end[0], below.shape), below], axis=-1) for end in outline.reamed_mm], axis=1
            )
            sign = -1.0
        else:
            run = np.arange(0.0, component.reamer_overrun_mm + 0.5, 0.5)[:, None]
            ends = [end + run * way for end, way in zip(outline.reamed_mm, outline.reamed_direction, strict=True)]
            halves = [line[line[:, 1] <= 0.5 * line[:, 1].min()] for line in outline.seat_mm]
            local = np.vstack([*ends, *halves])
            sign = 1.0
        film = to_film(local, origin, axis, across, view.ratio)
        distances = sign * view.bone.at(film)
        here = (distances * view.ratio[:, None] + sign * view.error_at(film)).min(axis=1)
        if least is None or here[0] < least[0]:
            points = local[0] if local.ndim == 3 else local
            where = (view.view, points[int(np.argmin(distances[0]))])
        least = here if least is None else np.minimum(least, here)
    assert least is not None
    return least, where


def alignment(hip: PreparedHip, component: Component, places: Places) -> dict[str, Floats]:
    """Component axis to neck (valgus and anterior positive), neck-shaft angle of the axis, tail to shaft; deg."""
    found = {"valgus_to_neck_deg": _turn(places.angle, hip.ap.axis)}
    if hip.lateral is not None and places.lateral_angle is not None:
        found["anterior_to_neck_deg"] = _turn(places.lateral_angle, hip.lateral.axis)
    if hip.ap.shaft_axis is not None:
        shaft = np.degrees(np.arctan2(hip.ap.shaft_axis[:, 1], hip.ap.shaft_axis[:, 0]))
        found["axis_to_shaft_deg"] = 180.0 - (shaft - places.angle)
        found["tail_to_shaft_deg"] = places.angle + component.tail_turn_deg - shaft
        neck = np.degrees(np.arctan2(hip.ap.axis[:, 1], hip.ap.axis[:, 0]))
        found["neck_shaft_angle_deg"] = 180.0 - (shaft - neck) + 0.0 * places.angle
    return found


def _turn(angle_deg: Floats, axis: Floats) -> Floats:
    difference = angle_deg - np.degrees(np.arctan2(axis[:, 1], axis[:, 0]))
    return np.asarray((difference + 180.0) % 360.0 - 180.0)


def new_head_centre(hip: PreparedHip, component: Component, places: Places, neck_length_mm: float) -> Floats:
    """(rows, 2) centre of the new head on the AP film, mm at each row's scale."""
    axis, _ = axes_of("ap", places.angle)
    height = component.head_centre_mm(neck_length_mm)[1]
    return np.asarray(places.origin * hip.ap.ratio[:, None] + height * axis)


def leg(
    hip: PreparedHip, component: Component, places: Places, neck_length_mm: float, cup_centre: Floats | None
) -> dict[str, Floats]:
    """Leg length and offset: what the femur and the cup change, and what remains between the sides (mm).

    Longer and larger are positive; `cup_centre` (1, 2) or (m, 2) nominal film mm,
    None leaves the centre of rotation where it is. What remains is this side minus
    the other: what is now, plus the femur's part, plus the cup's part.
    """
    centre = hip.ap.head_centre
    moved = new_head_centre(hip, component, places, neck_length_mm) - centre
    cup = np.zeros((1, 2)) if cup_centre is None else cup_centre * hip.ap.ratio[:, None] - centre
    offset_way = hip.medial
    if hip.ap.shaft_axis is not None:
        offset_way = np.column_stack([hip.ap.shaft_axis[:, 1], -hip.ap.shaft_axis[:, 0]])
    found = {
        "leg_length_femur_mm": np.sum(moved * hip.up, axis=1),
        "leg_length_cup_mm": -np.sum(cup * hip.up, axis=1),
        "offset_femur_mm": np.sum(moved * offset_way, axis=1),
        "offset_cup_mm": -np.sum(cup * hip.medial, axis=1),
    }
    found["leg_length_change_mm"] = found["leg_length_femur_mm"] + found["leg_length_cup_mm"]
    found["offset_change_mm"] = found["offset_femur_mm"] + found["offset_cup_mm"]
    pelvis = hip.pelvis
    if pelvis is not None and pelvis.leg_length_difference_mm is not None:
        found["leg_length_now_mm"] = pelvis.leg_length_difference_mm + 0.0 * found["leg_length_change_mm"]
        found["leg_length_remaining_mm"] = pelvis.leg_length_difference_mm + found["leg_length_change_mm"]
    now = offset_difference_now(hip)
    if now is not None:
        found["offset_now_mm"] = now + 0.0 * found["offset_change_mm"]
        found["offset_remaining_mm"] = now + found["offset_change_mm"]
    return found


def offset_difference_now(hip: PreparedHip) -> Floats | None:
    """Total offset, this side minus the other: teardrop to head centre plus head centre to shaft; (rows,) or None.

    Without both teardrops and head centres only the femoral offsets are compared.
    """
    p = hip.pelvis
    if p is None or p.femoral_offset_mm is None or p.other_femoral_offset_mm is None:
        return None
    now = p.femoral_offset_mm - p.other_femoral_offset_mm
    if p.teardrop_mm is not None and p.other_teardrop_mm is not None and p.other_head_centre_mm is not None:
        here = np.sum((p.teardrop_mm - hip.ap.head_centre) * hip.medial, axis=1)
        there = np.sum((p.other_head_centre_mm - p.other_teardrop_mm) * hip.medial, axis=1)
        now = now + here - there
    return now


def neck_diameter(hip: PreparedHip, component: Component, family: Family) -> Floats:
    """What meets the cup: the patient's neck at its narrowest (the wider of both films) or the component's own; mm."""
    if family.impinges_on == "component" and component.neck_diameter_mm is not None:
        return np.full(hip.rows, component.neck_diameter_mm)
    width = hip.ap.neck_width
    return width if hip.lateral is None else np.maximum(width, hip.lateral.neck_width)


def seat_bottom_depth(hip: PreparedHip, component: Component, places: Places) -> Floats:
    """Depth of the lowest edge of the seat below the pole, along the neck axis; mm."""
    axis, across = axes_of("ap", places.angle)
    points = np.vstack(component.ap.seat_mm)
    film = to_film(points, places.origin, axis, across, hip.ap.ratio) * hip.ap.ratio[:, None, None]
    shift = film - hip.ap.head_centre[:, None, :]
    return np.asarray((hip.ap.radius[:, None] - np.einsum("bpk,bk->bp", *_rows(shift, hip.ap.axis))).max(axis=1))


def _rows(a: Floats, b: Floats) -> tuple[Floats, Floats]:
    n = max(len(a), len(b))
    return np.broadcast_to(a, (n, *a.shape[1:])), np.broadcast_to(b, (n, *b.shape[1:]))


def level_end(hip: PreparedHip, level: CutLevel) -> tuple[Floats, Floats] | None:
    """Shallowest and deepest cut of a level (rows,), None when the neck's base is not known and matters."""
    return level_ends(level, hip.ap.head_height, hip.ap.base_depth)


def level_ends(level: CutLevel, head_height: Floats, base_depth: Floats | None) -> tuple[Floats, Floats] | None:
    """`level_end` from the head's height and the depth of the neck's base, (rows,) each."""
    if base_depth is None:
        if level in (CutLevel.HIGH_NECK, CutLevel.LOW_NECK):
            return None
        base_depth = 2.0 * head_height
    return level_range_mm(level, head_height, base_depth)

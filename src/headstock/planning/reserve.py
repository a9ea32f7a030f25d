"""Reserve of length: how far the component could still be seated up or down at this level, and what stops it.

The component is slid along its own axis, everything else unchanged; mm of slide
become mm of leg by the angle to the pelvis. It stops where
  - the least wall reaches its limit (or 0, the outer cortex, while that limit is unset),
  - the seat on sound bone falls to its limit, or, while that is unset, by more than a stated
    share below that of the planned place: length is no reserve where it is bought with dead bone,
  - the reamed surface reaches its limit of notching (where that limit applies),
  - the cut reaches the next level, the top of the head or the base of the neck (levels.py).
The end on the reading is found on a grid of 0.25 mm. A draw's room is that of the reading at every slide, plus
what the draw adds at the planned place and at the end, in between in proportion; its end is where the first room is
used up. Seating more proximally leaves head bone below the seat that must be reshaped; how much is stated with the
proximal end.
"""

import numpy as np
from numpy.typing import NDArray

from headstock.implants import Component, CutLevel
from headstock.measured import measured
from headstock.planning.limits import Limits
from headstock.planning.prepared import PreparedHip
from headstock.planning.quantities import (
    Places,
    ap_depth,
    axes_of,
    level_end,
    notch,
    seat,
    to_film,
    wall,
    wall_points,
)
from headstock.planning.slide import (
    SEARCH_MM,
    STEP_MM,
    Needed,
    Reserve,
    ReserveEnd,
    Stop,
    drawn_slides,
    level_room,
    near_stops,
    needed_of,
    reserve_end,
    seat_room,
    stop_of,
)

__all__ = ["Reserve", "ReserveEnd", "reserve", "reserve_values"]

Floats = NDArray[np.float64]


def reserve_values(
    nominal: PreparedHip, component: Component, level: CutLevel, places: Places, limits: Limits
) -> tuple[float, float]:
    """(longer, shorter) ends in mm of leg on the reading alone, for dragging."""
    needed = needed_of(limits, level)
    per_mm = _leg_per_slide(nominal, places)
    up, down = (_stop(nominal, component, level, places, needed, way) for way in (1.0, -1.0))
    # Adding zero turns −0 into 0.
    return float(up.slide * per_mm[0]) + 0.0, float(-down.slide * per_mm[0]) + 0.0


def reserve(
    hip: PreparedHip,
    nominal: PreparedHip,
    component: Component,
    level: CutLevel,
    places: Places,
    limits: Limits,
    neck_length_mm: float,
) -> Reserve:
    """Both ends of the reserve with intervals; `nominal` is row 0 of `hip`, `neck_length_mm` the plan's."""
    needed = needed_of(limits, level)
    per_mm = _leg_per_slide(hip, places)
    start = seat(hip, component, places, thin=4)["seat_on_sound_bone_percent"]
    stops = {way: _stop(nominal, component, level, places, needed, way) for way in (1.0, -1.0)}
    near = {name for stop in stops.values() for name in near_stops(stop)}
    planned = _margins(hip, component, level, places, needed, wall_points(hip, component, places, keep=30), start, near)
    ends = []
    for way, stop in stops.items():
        slide = way * _drawn(hip, component, level, places, needed, stop, way, start, planned) + 0.0
        reshape = None
        if way > 0:
            there = places.shifted(hip, slide[:1])
            reshape = measured(
                _reshape(hip, component, there), "mm", "head bone standing proud of the seat's edge there"
            )
        ends.append(reserve_end(stop, slide, per_mm, component.neck_lengths_mm, neck_length_mm, way, reshape))
    return Reserve(longer=ends[0], shorter=ends[1])


def _leg_per_slide(hip: PreparedHip, places: Places) -> Floats:
    axis, _ = axes_of("ap", places.angle)
    return np.asarray(np.sum(axis * hip.up, axis=1))


def _stop(
    nominal: PreparedHip, component: Component, level: CutLevel, places: Places, needed: Needed, way: float
) -> Stop:
    slides = np.arange(0.0, SEARCH_MM + STEP_MM / 2, STEP_MM)
    there = places.shifted(nominal, way * slides)
    values = _margins(nominal, component, level, there, needed, None, None) | _level_margin(nominal, level, there, way)
    return stop_of(values, level, needed, way)


def _margins(
    hip: PreparedHip,
    component: Component,
    level: CutLevel,
    places: Places,
    needed: Needed,
    points: list[Floats] | None,
    start: Floats | None,
    only: set[str] | None = None,
) -> dict[str, Floats]:
    """How far each stop still is, in its own unit: positive is room. `start`: seat on sound bone at the planned place,
    the first place when not given; `only` these stops."""
    found: dict[str, Floats] = {}
    if component.ap.in_bone_mm.size and (only is None or "wall" in only):
        found["wall"] = wall(hip, component, places, points)[0] - needed.wall
    if only is None or "seat" in only:
        share = seat(hip, component, places, thin=4)["seat_on_sound_bone_percent"]
        base = share[:1] if start is None else start
        found["seat"] = seat_room(share, base, needed)
    if needed.notch is not None and (only is None or "notch" in only):
        found["notch"] = notch(hip, component, places)[0] - needed.notch
    return found


def _level_margin(hip: PreparedHip, level: CutLevel, places: Places, way: float) -> dict[str, Floats]:
    """Room to the end of the level that lies ahead: a cut on the border may always move back into its level."""
    ends = level_end(hip, level)
    if ends is None:
        return {}
    return {"level": level_room(ends, ap_depth(hip.ap, places), way)}


def _drawn(
    hip: PreparedHip,
    component: Component,
    level: CutLevel,
    places: Places,
    needed: Needed,
    stop: Stop,
    way: float,
    start: Floats,
    planned: dict[str, Floats],
) -> Floats:
    """The slide of every draw (rows,): where the first room is used up."""
    far = max(stop.slide, 1.0)
    there = places.shifted(hip, np.array([way * far]))
    near = near_stops(stop)
    ends = (
        planned | _level_margin(hip, level, places, way),
        _margins(hip, component, level, there, needed, wall_points(hip, component, there, keep=30), start, near)
        | _level_margin(hip, level, there, way),
    )
    return drawn_slides(stop, ends, near, hip.rows)


def _reshape(hip: PreparedHip, component: Component, places: Places) -> Floats:
    """How far bone at the cut stands out beyond the seat's upper edge, the wider side, AP film; mm (rows,)."""
    axis, across = axes_of("ap", places.angle)
    edge = np.vstack(component.ap.seat_mm)
    half = 0.5 * np.ptp(edge[edge[:, 1] > edge[:, 1].max() - 1.0, 0])
    reach = np.arange(half, half + 15.0, 1.0)
    local = np.vstack([np.column_stack([reach, np.zeros_like(reach)]), np.column_stack([-reach, np.zeros_like(reach)])])
    inside = (
        hip.ap.bone.at(to_film(local, places.origin, axis, across, hip.ap.ratio)) + hip.ap.outline_error[:, None] > 0
    )
    n = len(reach)
    run = np.stack([np.cumprod(inside[:, :n], axis=1).sum(axis=1), np.cumprod(inside[:, n:], axis=1).sum(axis=1)])
    return np.asarray(run.max(axis=0) * 1.0)

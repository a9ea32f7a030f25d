"""Reserve of length in space: the same slide and the same stops as on films (planning/reserve.py), all the way round.

In: a hip and one place. Out: `Reserve`. The end on the reading is found every 0.25 mm; what a draw
adds at the planned place and at the end is taken in proportion between (planning/slide.py).
"""

import numpy as np
from numpy.typing import NDArray

from headstock.implants import Component, CutLevel
from headstock.implants.solid import Solid
from headstock.measured import measured
from headstock.planning.limits import Limits
from headstock.planning.quantities import level_ends
from headstock.planning.slide import (
    SEARCH_MM,
    STEP_MM,
    Needed,
    Reserve,
    Stop,
    drawn_slides,
    level_room,
    near_stops,
    needed_of,
    reserve_end,
    seat_room,
    stop_of,
)
from headstock.planning.space.bone import Bone
from headstock.planning.space.fields import SpaceHip
from headstock.planning.space.places import Places, Rows
from headstock.planning.space.quantities import notch, seat, wall

__all__ = ["reserve_in_space", "reserve_values"]

Floats = NDArray[np.float64]
_THIN = 4  # every so many points of seat and tail while a part slides
_ROUND = 24


class _Slide:
    """One part on one hip, slid along its axis."""

    def __init__(
        self, space: SpaceHip, facts: Bone, component: Component, solid: Solid, places: Places, limits: Limits
    ) -> None:
        self.space, self.facts, self.component, self.solid = space, facts, component, solid
        self.places = places
        self.reading = Rows.of(space, reading=True)
        self.needed: Needed = needed_of(limits, component.level)
        none, own = np.zeros(1), self.reading.t
        self.planned = seat(space, solid, places, none, own, _THIN)["seat_on_sound_bone_percent"]

    @property
    def level(self) -> CutLevel:
        return self.component.level

    def stop(self, way: float) -> Stop:
        """The end on the reading."""
        there = self.places.shifted(way * np.arange(0.0, SEARCH_MM + STEP_MM / 2, STEP_MM))
        room = self.room(self.reading, there, self.planned) | self.level_room(self.reading, there, way)
        return stop_of(room, self.level, self.needed, way)

    def room(self, rows: Rows, places: Places, planned: Floats) -> dict[str, Floats]:
        """How far each stop still is at many places, or for all rows at one."""
        space, component, solid = self.space, self.component, self.solid
        found: dict[str, Floats] = {}
        walls = wall(space, component, solid, places, rows.edge, _THIN)
        if walls is not None:
            found["wall"] = walls[0] - self.needed.wall
        share = seat(space, solid, places, rows.edge, rows.t, _THIN)["seat_on_sound_bone_percent"]
        found["seat"] = seat_room(share, planned, self.needed)
        if self.needed.notch is not None:
            near = notch(space, self.reading, self.facts, component, solid, places, rows.edge, _ROUND)[0]
            found["notch"] = near - self.needed.notch
        return found

    def level_room(self, rows: Rows, places: Places, way: float) -> dict[str, Floats]:
        ends = level_ends(self.level, rows.head_height, rows.base_depth)
        return {} if ends is None else {"level": level_room(ends, rows.depth_of(places.origin), way)}

    def drawn(self, rows: Rows, stop: Stop, way: float) -> Floats:
        """The slide of every row (n,)."""
        near = near_stops(stop)
        far = self.places.shifted(np.array([way * max(stop.slide, 1.0)]))
        share = seat(self.space, self.solid, self.places, rows.edge, rows.t, _THIN)["seat_on_sound_bone_percent"]
        ends = tuple(self.room(rows, there, share) | self.level_room(rows, there, way) for there in (self.places, far))
        return drawn_slides(stop, (ends[0], ends[1]), near, rows.n)


def reserve_values(
    space: SpaceHip, facts: Bone, component: Component, solid: Solid, places: Places, limits: Limits
) -> tuple[float, float]:
    """(longer, shorter) ends in mm of leg on the reading alone, for dragging."""
    slide = _Slide(space, facts, component, solid, places, limits)
    per_mm = float(places.axis[0] @ slide.reading.up[0])
    # Adding zero turns −0 into 0.
    return slide.stop(1.0).slide * per_mm + 0.0, -slide.stop(-1.0).slide * per_mm + 0.0


def reserve_in_space(
    space: SpaceHip,
    rows: Rows,
    facts: Bone,
    component: Component,
    solid: Solid,
    places: Places,
    limits: Limits,
    neck_length_mm: float,
) -> Reserve:
    """Both ends of the reserve with intervals."""
    slide = _Slide(space, facts, component, solid, places, limits)
    per_mm = rows.up @ places.axis[0]
    ends = []
    for way in (1.0, -1.0):
        stop = slide.stop(way)
        run = way * slide.drawn(rows, stop, way) + 0.0
        reshape = None
        if way > 0:
            proud = _reshape(space, solid, rows, places.shifted(run[:1]))
            reshape = measured(proud, "mm", "head bone standing proud of the seat's edge there")
        ends.append(reserve_end(stop, run, per_mm, component.neck_lengths_mm, neck_length_mm, way, reshape))
    return Reserve(longer=ends[0], shorter=ends[1])


def _reshape(space: SpaceHip, solid: Solid, rows: Rows, places: Places) -> Floats:
    """How far bone at the cut stands out beyond the seat's upper edge, the widest side; mm (n,)."""
    top = solid.seat_points[solid.seat_points[:, 2] > solid.seat_points[:, 2].max() - 1.5]
    turn = np.linspace(0.0, 2.0 * np.pi, _ROUND, endpoint=False)
    way = np.column_stack([np.cos(turn), np.sin(turn)])
    edge = (top[:, :2] @ way.T).max(axis=0)
    reach = np.arange(0.0, 15.0, 0.5)
    local = np.zeros((_ROUND, len(reach), 3))
    local[..., :2] = (edge[:, None] + reach)[..., None] * way[:, None, :]
    outer = np.asarray(space.femur.at(places.points(local.reshape(-1, 3))), np.float64).reshape(_ROUND, len(reach))
    # The run of bone from the seat's edge outward; the surface's error lengthens or shortens it alike.
    inside = np.logical_and.accumulate(outer < 0.0, axis=1).sum(axis=1).max() * 0.5
    return np.asarray(np.maximum(inside + (rows.edge if inside > 0.0 else 0.0 * rows.edge), 0.0))

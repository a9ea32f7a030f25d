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

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from headstock.implants import Component, CutLevel
from headstock.measured import Measured, measured
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

__all__ = ["Reserve", "ReserveEnd", "reserve", "reserve_values"]

Floats = NDArray[np.float64]
_SEARCH_MM: Final = 16.0
_STEP_MM: Final = 0.25
_CLOSE_MM: Final = 5.0  # room below which a draw's errors can use a stop up


@dataclass(frozen=True, slots=True, eq=False)
class ReserveEnd:
    """One end: mm of leg from the planned place (shorter negative), what stops there, and the slide along the axis.

    `neck_mm`: what the family's longest (shortest) neck adds without moving the seat; not part of `leg_mm`.
    `reshape_mm`: head bone that would stand proud of the seat's edge at the proximal end.
    """

    leg_mm: Measured
    slide_mm: Measured
    stopped_by: str
    stop: str
    neck_mm: Measured
    reshape_mm: Measured | None = None

    def to_json(self) -> dict[str, Any]:
        """Plain fields."""
        return {
            "leg_mm": self.leg_mm.to_json(),
            "slide_mm": self.slide_mm.to_json(),
            "stopped_by": self.stopped_by,
            "stop": self.stop,
            "neck_mm": self.neck_mm.to_json(),
            "reshape_mm": None if self.reshape_mm is None else self.reshape_mm.to_json(),
        }


@dataclass(frozen=True, slots=True, eq=False)
class Reserve:
    """Both ends of the reserve at this level, from the planned place."""

    longer: ReserveEnd
    shorter: ReserveEnd

    def to_json(self) -> dict[str, Any]:
        """Plain fields."""
        return {"longer": self.longer.to_json(), "shorter": self.shorter.to_json()}


_WORDS: Final = {
    "wall": ("the component meets the outer cortex", "the least wall reaches its limit"),
    "seat": ("the seat loses sound bone", "the seat on sound bone reaches its limit"),
    "notch": ("the reamed surface notches the neck", "the reamed surface notches the neck"),
    "search": ("nothing stops it within 16 mm", "nothing stops it within 16 mm"),
}
_TOUCHING: Final = {"wall": 0.05, "notch": 0.05, "seat": 0.0, "level": 0.01}  # as fine as the grids; no room is lost


@dataclass(frozen=True, slots=True)
class _Stop:
    """Where sliding one way ends on the reading: mm of slide, the stop's name and words, every stop's room by slide."""

    slide: float
    name: str
    words: str
    room: dict[str, Floats]


@dataclass(frozen=True, slots=True)
class _Needed:
    """What each stop must keep; None where it does not stop. `set_by` names the stops that a set limit makes."""

    wall: float
    seat: float | None
    seat_loss: float
    notch: float | None
    set_by: frozenset[str]


def reserve_values(
    nominal: PreparedHip, component: Component, level: CutLevel, places: Places, limits: Limits
) -> tuple[float, float]:
    """(longer, shorter) ends in mm of leg on the reading alone, for dragging."""
    needed = _needed(limits, level)
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
    needed = _needed(limits, level)
    per_mm = _leg_per_slide(hip, places)
    start = seat(hip, component, places, thin=4)["seat_on_sound_bone_percent"]
    stops = {way: _stop(nominal, component, level, places, needed, way) for way in (1.0, -1.0)}
    near = {name for stop in stops.values() for name in _near(stop)}
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
        ends.append(
            ReserveEnd(
                measured(slide * per_mm + 0.0, "mm", "slide along the component's axis, times its angle to the pelvis"),
                measured(slide, "mm", "slide along the component's axis until the first stop"),
                stop.words,
                stop.name,
                measured(
                    ((max if way > 0 else min)(component.neck_lengths_mm) - neck_length_mm) * per_mm + 0.0,
                    "mm",
                    "longest or shortest neck of the family against the planned one",
                ),
                reshape,
            )
        )
    return Reserve(longer=ends[0], shorter=ends[1])


def _needed(limits: Limits, level: CutLevel) -> _Needed:
    lows: dict[str, float | None] = {}
    for name, measure in _MEASURES.items():
        bound = limits.bound(measure, level)
        lows[name] = None if bound is None else bound.low
    return _Needed(
        wall=lows["wall"] or 0.0,
        seat=lows["seat"],
        seat_loss=limits.setting("reserve_seat_loss_percent"),
        notch=lows["notch"],
        set_by=frozenset(name for name, low in lows.items() if low is not None),
    )


def _leg_per_slide(hip: PreparedHip, places: Places) -> Floats:
    axis, _ = axes_of("ap", places.angle)
    return np.asarray(np.sum(axis * hip.up, axis=1))


def _stop(
    nominal: PreparedHip, component: Component, level: CutLevel, places: Places, needed: _Needed, way: float
) -> _Stop:
    slides = np.arange(0.0, _SEARCH_MM + _STEP_MM / 2, _STEP_MM)
    there = places.shifted(nominal, way * slides)
    values = _margins(nominal, component, level, there, needed, None, None) | _level_margin(nominal, level, there, way)
    values = {name: np.broadcast_to(value, slides.shape) for name, value in values.items()}
    roots = {name: _first_root(slides, value + _TOUCHING[name]) for name, value in values.items()}
    name = min(roots, key=lambda key: roots[key], default="search")
    if not roots or roots[name] >= _SEARCH_MM:
        return _Stop(_SEARCH_MM, "search", _WORDS["search"][0], values)
    words = _level_words(level, way) if name == "level" else _WORDS[name][name in needed.set_by]
    return _Stop(roots[name], name, f"already here: {words}" if roots[name] == 0.0 else words, values)


def _level_words(level: CutLevel, way: float) -> str:
    """Where a cut goes when it leaves its level."""
    order = list(CutLevel)
    here = order.index(level)
    if way > 0:
        return "the cut reaches the top of the head" if here == 0 else _reaches(order[here - 1])
    return "the cut reaches the base of the neck" if here + 1 == len(order) else _reaches(order[here + 1])


def _reaches(level: CutLevel) -> str:
    return f"the cut reaches the {level.word.lower().replace(' ', '-')} level"


_MEASURES: Final = {
    "wall": "least_wall_mm",
    "seat": "seat_on_sound_bone_percent",
    "notch": "notch_distance_mm",
}


def _margins(
    hip: PreparedHip,
    component: Component,
    level: CutLevel,
    places: Places,
    needed: _Needed,
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
        found["seat"] = share - (base - needed.seat_loss if needed.seat is None else needed.seat)
    if needed.notch is not None and (only is None or "notch" in only):
        found["notch"] = notch(hip, component, places)[0] - needed.notch
    return found


def _level_margin(hip: PreparedHip, level: CutLevel, places: Places, way: float) -> dict[str, Floats]:
    """Room to the end of the level that lies ahead: a cut on the border may always move back into its level."""
    ends = level_end(hip, level)
    if ends is None:
        return {}
    depth = ap_depth(hip.ap, places)
    return {"level": depth - ends[0] if way > 0 else ends[1] - depth}


def _near(stop: _Stop) -> set[str]:
    """Stops that may come first in some draw: their room gets small on the way to the end, or a little beyond."""
    upto = round((stop.slide + 3.0) / _STEP_MM) + 1
    found = set()
    for name, room in stop.room.items():
        # A seat that loses nothing on the reading is no stop in its draws either.
        small = room[0] - 0.1 if name == "seat" else _CLOSE_MM
        if float(room[:upto].min()) < small:
            found.add(name)
    return found


def _first_root(at: Floats, value: Floats) -> float:
    """The first place where `value` falls below 0, linear between samples; infinity when it never does."""
    below = np.flatnonzero(value < 0.0)
    if not len(below):
        return float("inf")
    i = int(below[0])
    if i == 0:
        return 0.0
    return float(at[i - 1] + (at[i] - at[i - 1]) * value[i - 1] / (value[i - 1] - value[i]))


def _drawn(
    hip: PreparedHip,
    component: Component,
    level: CutLevel,
    places: Places,
    needed: _Needed,
    stop: _Stop,
    way: float,
    start: Floats,
    planned: dict[str, Floats],
) -> Floats:
    """The slide of every draw (rows,): where the first room is used up."""
    at = np.arange(0.0, _SEARCH_MM + _STEP_MM / 2, _STEP_MM)
    far = max(stop.slide, 1.0)
    there = places.shifted(hip, np.array([way * far]))
    near = _near(stop)
    ends = (
        planned | _level_margin(hip, level, places, way),
        _margins(hip, component, level, there, needed, wall_points(hip, component, there, keep=30), start, near)
        | _level_margin(hip, level, there, way),
    )
    share = np.clip(at / far, 0.0, 1.0)
    best = np.full(hip.rows, _SEARCH_MM)
    for name in near & set(stop.room):
        first, last = (
            np.broadcast_to(end[name] - np.interp(slide, at, stop.room[name]), (hip.rows,))[:, None]
            for end, slide in zip(ends, (0.0, far), strict=True)
        )
        room = stop.room[name] + first * (1.0 - share) + last * share + _TOUCHING[name]
        best = np.minimum(best, _first_roots(at, room))
    best[0] = stop.slide
    return best


def _first_roots(at: Floats, values: Floats) -> Floats:
    """`_first_root` of every row of `values` (rows, k); the search's end where there is none."""
    below = values < 0.0
    i = np.argmax(below, axis=1)
    rows = np.arange(len(values))
    before = np.maximum(i - 1, 0)
    a, b = values[rows, before], values[rows, i]
    root = at[before] + (at[i] - at[before]) * a / np.where(a > b, a - b, 1.0)
    return np.where(~below.any(axis=1), at[-1], np.where(i == 0, 0.0, root))


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

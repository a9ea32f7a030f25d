"""Sliding a part along its own axis until something stops it: what films and space share of the reserve of length.

In: how far each stop still is along the slide, on the reading and in the draws.
Out: `Stop` (the end on the reading) and the slide of every draw. Stops are named
`wall`, `seat`, `notch` (planning/reserve.py says what they mean) and `level`.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from headstock.implants import CutLevel
from headstock.measured import Measured, measured
from headstock.planning.limits import Limits

__all__ = [
    "SEARCH_MM",
    "STEP_MM",
    "Needed",
    "Reserve",
    "ReserveEnd",
    "Stop",
    "drawn_slides",
    "level_room",
    "near_stops",
    "needed_of",
    "reserve_end",
    "seat_room",
    "stop_of",
]

Floats = NDArray[np.float64]
SEARCH_MM: Final = 16.0
STEP_MM: Final = 0.25
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
class Stop:
    """Where sliding one way ends on the reading: mm of slide, the stop's name and words, every stop's room by slide."""

    slide: float
    name: str
    words: str
    room: dict[str, Floats]


@dataclass(frozen=True, slots=True)
class Needed:
    """What each stop must keep; None where it does not stop. `set_by` names the stops that a set limit makes."""

    wall: float
    seat: float | None
    seat_loss: float
    notch: float | None
    set_by: frozenset[str]


def needed_of(limits: Limits, level: CutLevel) -> Needed:
    """What each stop must keep at a level."""
    lows: dict[str, float | None] = {}
    for name, measure in _MEASURES.items():
        bound = limits.bound(measure, level)
        lows[name] = None if bound is None else bound.low
    return Needed(
        wall=lows["wall"] or 0.0,
        seat=lows["seat"],
        seat_loss=limits.setting("reserve_seat_loss_percent"),
        notch=lows["notch"],
        set_by=frozenset(name for name, low in lows.items() if low is not None),
    )


def seat_room(share: Floats, planned: Floats, needed: Needed) -> Floats:
    """Room of the seat on sound bone: above its limit, or above what may be lost from the planned place, %."""
    return np.asarray(share - (planned - needed.seat_loss if needed.seat is None else needed.seat))


def level_room(ends: tuple[Floats, Floats], depth: Floats, way: float) -> Floats:
    """Room of a cut to the end of its level that lies ahead: a cut on the border may always move back."""
    return np.asarray(depth - ends[0] if way > 0 else ends[1] - depth)


def reserve_end(
    stop: Stop,
    slide: Floats,
    leg_per_mm: Floats,
    neck_lengths_mm: tuple[float, ...],
    neck_length_mm: float,
    way: float,
    reshape: Measured | None,
) -> ReserveEnd:
    """One end from the slides of all draws, (rows,), signed by `way`."""
    longest = (max if way > 0 else min)(neck_lengths_mm)
    return ReserveEnd(
        measured(slide * leg_per_mm + 0.0, "mm", "slide along the component's axis, times its angle to the pelvis"),
        measured(slide, "mm", "slide along the component's axis until the first stop"),
        stop.words,
        stop.name,
        measured(
            (longest - neck_length_mm) * leg_per_mm + 0.0,
            "mm",
            "longest or shortest neck of the family against the planned one",
        ),
        reshape,
    )


def stop_of(room: Mapping[str, Floats], level: CutLevel, needed: Needed, way: float) -> Stop:
    """The end of the slide on the reading; `room` by stop at every `STEP_MM`, (k,) or (1,)."""
    slides = np.arange(0.0, SEARCH_MM + STEP_MM / 2, STEP_MM)
    values = {name: np.broadcast_to(value, slides.shape) for name, value in room.items()}
    roots = {name: _first_root(slides, value + _TOUCHING[name]) for name, value in values.items()}
    name = min(roots, key=lambda key: roots[key], default="search")
    if not roots or roots[name] >= SEARCH_MM:
        return Stop(SEARCH_MM, "search", _WORDS["search"][0], values)
    words = _level_words(level, way) if name == "level" else _WORDS[name][name in needed.set_by]
    return Stop(roots[name], name, f"already here: {words}" if roots[name] == 0.0 else words, values)


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


def near_stops(stop: Stop) -> set[str]:
    """Stops that may come first in some draw: their room gets small on the way to the end, or a little beyond."""
    upto = round((stop.slide + 3.0) / STEP_MM) + 1
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


def drawn_slides(
    stop: Stop, ends: tuple[Mapping[str, Floats], Mapping[str, Floats]], near: set[str], rows: int
) -> Floats:
    """The slide of every draw (rows,): where the first room is used up.

    `ends`: each draw's room by stop at the planned place and at the end (at least 1 mm away); what a draw adds to
    the reading there is taken in proportion between.
    """
    at = np.arange(0.0, SEARCH_MM + STEP_MM / 2, STEP_MM)
    far = max(stop.slide, 1.0)
    share = np.clip(at / far, 0.0, 1.0)
    best = np.full(rows, SEARCH_MM)
    for name in near & set(stop.room):
        first, last = (
            np.broadcast_to(end[name] - np.interp(slide, at, stop.room[name]), (rows,))[:, None]
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

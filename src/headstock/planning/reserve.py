"""Reserve of length: how far the component could still be seated up or down at this level, and what stops it.

The component is slid along its own axis, everything else unchanged; mm of slide
become mm of leg by the angle to the pelvis. It stops where
  - the least wall reaches its limit (or 0, the outer cortex, while that limit is unset),
  - the seat on sound bone falls to its limit (only when that limit is set),
  - the reamed surface reaches its limit of notching (where that limit applies),
  - the cut leaves this level (levels.py).
The end on the reading is found on a grid of 0.25 mm; each draw then takes one
Newton step from there for every stop that lies near, and its end is the first
stop met. Seating more proximally leaves head bone below the seat that must be
reshaped; how much is stated with the proximal end.
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
_NEAR_MM: Final = 4.0  # stops this close to the first one may come first in a draw


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
    "seat": ("the seat leaves sound bone", "the seat leaves sound bone"),
    "notch": ("the reamed surface notches the neck", "the reamed surface notches the neck"),
    "level": ("the cut leaves this level", "the cut leaves this level"),
    "search": ("nothing stops it within 16 mm", "nothing stops it within 16 mm"),
}


@dataclass(frozen=True, slots=True)
class _Stop:
    """Where sliding one way ends on the reading: mm of slide, the stop's name and words, every stop's own place."""

    slide: float
    name: str
    words: str
    roots: dict[str, float]


def reserve_values(
    nominal: PreparedHip, component: Component, level: CutLevel, places: Places, limits: Limits
) -> tuple[float, float]:
    """(longer, shorter) ends in mm of leg on the reading alone, for dragging."""
    needed, is_limit = _needed(limits, level)
    per_mm = _leg_per_slide(nominal, places)
    up, down = (_stop(nominal, component, level, places, needed, way, is_limit) for way in (1.0, -1.0))
    return float(up.slide * per_mm[0]), float(-down.slide * per_mm[0])


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
    needed, is_limit = _needed(limits, level)
    per_mm = _leg_per_slide(hip, places)
    ends = []
    for way in (1.0, -1.0):
        stop = _stop(nominal, component, level, places, needed, way, is_limit)
        slide = way * _drawn(hip, nominal, component, level, places, needed, stop, way)
        reshape = None
        if way > 0:
            there = places.shifted(hip, slide[:1])
            reshape = measured(
                _reshape(hip, component, there), "mm", "head bone standing proud of the seat's edge there"
            )
        ends.append(
            ReserveEnd(
                measured(slide * per_mm, "mm", "slide along the component's axis, times its angle to the pelvis"),
                measured(slide, "mm", "slide along the component's axis until the first stop"),
                stop.words,
                stop.name,
                measured(
                    ((max if way > 0 else min)(component.neck_lengths_mm) - neck_length_mm) * per_mm,
                    "mm",
                    "longest or shortest neck of the family against the planned one",
                ),
                reshape,
            )
        )
    return Reserve(longer=ends[0], shorter=ends[1])


def _needed(limits: Limits, level: CutLevel) -> tuple[dict[str, float | None], bool]:
    """The value each stop must keep, and whether the wall's is a limit somebody set (else 0, the cortex itself)."""
    lows = {}
    for name, measure in _MEASURES.items():
        bound = limits.bound(measure, level)
        lows[name] = None if bound is None else bound.low
    is_limit = lows["wall"] is not None
    return {**lows, "wall": lows["wall"] or 0.0}, is_limit


def _leg_per_slide(hip: PreparedHip, places: Places) -> Floats:
    axis, _ = axes_of("ap", places.angle)
    return np.asarray(np.sum(axis * hip.up, axis=1))


def _stop(
    nominal: PreparedHip,
    component: Component,
    level: CutLevel,
    places: Places,
    needed: dict[str, float | None],
    way: float,
    wall_is_limit: bool,
) -> _Stop:
    slides = way * np.arange(0.0, _SEARCH_MM + _STEP_MM / 2, _STEP_MM)
    values = _margins(nominal, component, level, places.shifted(nominal, slides), needed, None)
    roots = {name: _first_root(np.abs(slides), value) for name, value in values.items()}
    name = min(roots, key=lambda key: roots[key], default="search")
    if not roots or roots[name] >= _SEARCH_MM:
        return _Stop(_SEARCH_MM, "search", _WORDS["search"][0], roots)
    words = _WORDS[name][1 if name == "wall" and wall_is_limit else 0]
    return _Stop(roots[name], name, f"already here: {words}" if roots[name] == 0.0 else words, roots)


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
    needed: dict[str, float | None],
    points: list[Floats] | None,
) -> dict[str, Floats]:
    """How far each stop still is, in its own unit: positive is room."""
    found: dict[str, Floats] = {}
    if component.ap.in_bone_mm.size:
        found["wall"] = wall(hip, component, places, points)[0] - (needed["wall"] or 0.0)
    if needed["seat"] is not None:
        found["seat"] = seat(hip, component, places)["seat_on_sound_bone_percent"] - needed["seat"]
    if needed["notch"] is not None:
        found["notch"] = notch(hip, component, places)[0] - needed["notch"]
    ends = level_end(hip, level)
    if ends is not None:
        depth = ap_depth(hip.ap, places)
        found["level"] = np.minimum(depth - ends[0], ends[1] - depth)
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
    nominal: PreparedHip,
    component: Component,
    level: CutLevel,
    places: Places,
    needed: dict[str, float | None],
    stop: _Stop,
    way: float,
) -> Floats:
    """The slide of every draw: one Newton step a stop from where the reading stops, then the first stop met."""
    there = places.shifted(hip, np.array([way * stop.slide]))
    back = stop.slide - 1.0 if stop.slide >= 1.0 else stop.slide + 1.0
    here = _margins(hip, component, level, there, needed, wall_points(hip, component, there, keep=50))
    before = _margins(nominal, component, level, places.shifted(nominal, np.array([way * back])), needed, None)
    at_stop = _margins(nominal, component, level, there, needed, None)
    best = np.full(hip.rows, np.inf)
    for name, root in stop.roots.items():
        if root > stop.slide + _NEAR_MM:
            continue
        slope = (at_stop[name][0] - before[name][0]) / (stop.slide - back)
        if slope >= -1e-3:  # room does not shrink this way: moving on cannot make this stop bind
            continue
        best = np.minimum(best, root + (here[name] - at_stop[name][0]) / -slope)
    best = np.where(np.isfinite(best), best, stop.slide)
    best[0] = stop.slide
    return np.asarray(np.clip(best, 0.0, _SEARCH_MM))


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

"""What every search for a first placement shares: its result, what binds, how breaches weigh, which head and cup.

The weights belong to the search; they are no limits and are shown nowhere.
Decision: docs/decisions/0143-how-the-first-placement-is-found.md
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from headstock.errors import CatalogueError
from headstock.implants import Catalogue, Component, Cup, CupPlacement, CutLevel, Family, Placement
from headstock.planning.appraisal import Targets
from headstock.planning.limits import Limit, Limits, margin
from headstock.units import written

__all__ = [
    "SEARCHED",
    "Best",
    "Binding",
    "binding_words",
    "bindings",
    "bound_of",
    "broken",
    "far",
    "fit_cost",
    "found_placement",
    "head_and_cup",
    "leg_cost",
    "no_placement",
    "spread",
    "value_words",
]

Floats = NDArray[np.float64]
# How much of a unit weighs 1 when a limit is broken: a weight of the search, no limit.
_SCALE: Final[dict[str, float]] = {"mm": 1.0, "deg": 3.0, "%": 6.0, "1": 0.1, "cm3": 0.3, "mm2": 20.0}
# Limits that a place alone can meet or break: the search looks at these.
SEARCHED: Final = (
    "head_kept_percent",
    "least_wall_mm",
    "seat_on_sound_bone_percent",
    "notch_distance_mm",
    "valgus_to_neck_deg",
    "anterior_to_neck_deg",
    "tail_to_shaft_deg",
    "tail_to_shaft_front_deg",
)


@dataclass(frozen=True, slots=True)
class Binding:
    """One limit and how far the value lies from it on the reading (negative: beyond), in words too."""

    measure: str
    margin: float
    unit: str
    words: str


@dataclass(frozen=True, slots=True)
class Best:
    """A level's first placement. `placement` None: `reason` says why none can be made.

    `meets_limits`: every limit that is set holds on the reading. `binding`: broken
    limits first, then the nearest ones.
    """

    level: CutLevel
    placement: Placement | None
    meets_limits: bool
    binding: tuple[Binding, ...]
    reason: str


def found_placement(
    level: CutLevel, placement: Placement, values: Mapping[str, float], limits: Limits, targets: Targets
) -> Best:
    """The result for a placement with its point values: what binds, in words."""
    binding = bindings(values, level, limits, targets)
    beyond = [b for b in binding if b.margin < 0.0]
    if beyond:
        more = f", and {len(beyond) - 1} more" if len(beyond) > 1 else ""
        reason = f"The placement found breaks a limit that is set: {beyond[0].words}{more}."
    elif binding:
        reason = f"Every limit that is set holds on the reading; the nearest is {binding[0].words}."
    else:
        reason = "No limit that could be compared is set."
    return Best(level, placement, not beyond, binding, reason)


def bindings(
    values: Mapping[str, float], level: CutLevel, limits: Limits, targets: Targets | None = None
) -> tuple[Binding, ...]:
    """Limits in the order in which they bind on the reading: broken ones first, then the nearest."""
    aim = targets or Targets()
    listed = []
    for name, value in values.items():
        limit = bound_of(limits, name, level, aim)
        if limit is None:
            continue
        room = margin(value, limit)
        words = f"{limit.says}, {value_words(value, limit)} against {limit.in_words()}"
        listed.append(Binding(name, room, limit.unit, words))
    return tuple(sorted(listed, key=lambda b: (b.margin / _SCALE.get(b.unit, 1.0), b.measure)))


def binding_words(values: Mapping[str, float], level: CutLevel, limits: Limits, targets: Targets | None = None) -> str:
    """Which limit binds a placement that a hand made: the one most broken, else the nearest."""
    found = bindings(values, level, limits, targets)
    if not found:
        return "No limit that could be compared is set."
    first = found[0].words
    return f"Beyond a limit: {first}." if found[0].margin < 0.0 else f"The nearest limit is {first}."


def value_words(value: float, limit: Limit) -> str:
    """“1.2 mm”: a value in the unit of its limit."""
    unit = f" {written(limit.unit)}".rstrip()
    # Rounded first, and zero added: nobody should read “−0.0”.
    return f"{round(value, 1) + 0.0:.1f}{unit}".replace("-", "−")


def bound_of(limits: Limits, name: str, level: CutLevel, aim: Targets) -> Limit | None:
    """The set limit on a measure at a level, about the surgeon's target; None while it is unset."""
    limit = limits.bound(name, level)
    if limit is None or not limit.is_set:
        return None
    if name == "leg_length_remaining_mm":
        return limit.moved(aim.leg_length_difference_mm)
    if name == "offset_remaining_mm":
        return limit.moved(aim.offset_difference_mm)
    return limit


def no_placement(level: CutLevel, reason: str) -> Best:
    """A level without a placement, and why."""
    return Best(level, None, False, (), reason)


def spread(n: int, dimensions: int) -> Floats:
    """(n, d) points in -1..1 that fill a box evenly (additive recurrence on the roots of x^(d+1) = x + 1)."""
    root = 1.5
    for _ in range(40):
        root = (1.0 + root) ** (1.0 / (dimensions + 1))
    alpha = root ** -np.arange(1.0, dimensions + 1)
    return np.asarray(2.0 * np.mod(0.5 + np.arange(n)[:, None] * alpha, 1.0) - 1.0)


def far(value: Floats, scale: float) -> Floats:
    """Squared distance from 0 in units of `scale`."""
    return np.asarray((value / scale) ** 2)


def broken(value: Floats, limit: Limit) -> Floats:
    """What a breach of a limit weighs: linear and squared, 0 within it."""
    below = np.maximum((limit.low - value) if limit.low is not None else -np.inf, 0.0)
    above = np.maximum((value - limit.high) if limit.high is not None else -np.inf, 0.0)
    beyond = (below + above) / _SCALE.get(limit.unit, 1.0)
    # The linear part keeps a small breach from being traded for comfort elsewhere.
    return np.asarray(4.0 * beyond + 6.0 * beyond**2)


def head_and_cup(
    native: float, centre: Floats, component: Component, catalogue: Catalogue, limits: Limits
) -> tuple[float, CupPlacement]:
    """The head nearest the patient's own (or the largest that the cup takes) and the cup nearest the socket's size.

    `native`: diameter of the patient's own head, mm; `centre` (2,): where the cup's centre goes, (x, z).
    """
    wanted = native + limits.setting("cup_over_head_mm")
    # Heads that replace the head's own surface are chosen by its size; small heads by the cup, then the largest.
    own_size = max(component.head_diameters_mm) > 0.9 * native
    pairs: list[tuple[tuple[float, float, str], float, Cup]] = []
    for head in component.head_diameters_mm:
        for cup in catalogue.cups_for_head(head):
            misfit = abs(cup.outer_mm - wanted)
            rank = (abs(head - native), misfit) if own_size else (misfit, -head)
            pairs.append(((*rank, cup.size_id), head, cup))
    if not pairs:
        raise CatalogueError(
            f"No cup takes a head of size “{component.size_id}” of “{component.family_id}”. Add a cup family that does."
        )
    _, head, cup = min(pairs, key=lambda pair: pair[0])
    return head, CupPlacement(
        cup.family_id,
        cup.size_id,
        round(float(centre[0]), 3),
        round(float(centre[1]), 3),
        limits.setting("cup_start_inclination_deg"),
        limits.setting("cup_start_version_deg"),
    )


def fit_cost(
    values: Mapping[str, Floats],
    family: Family,
    component: Component,
    limits: Limits,
    aim: Targets,
    head_over_own_mm: float,
) -> Floats:
    """What a search makes small, leg and offset left out, (m,).

    Breaches of limits, then a wall thinner than the family was drawn for, dead bone under the seat, bone left
    unused around it, angles away from its aim, and bone removed. `head_over_own_mm`: its head over the patient's.
    """
    cost = 0.05 * values["cut_depth_mm"]
    cost = cost + far(100.0 - values["seat_on_sound_bone_percent"], 12.0)
    aimed = family.seat_wall_aim_mm
    if component.kind == "cap":
        cost = cost + far(values["notch_distance_mm"] - aimed, 1.5)
    else:
        # A wall thinner than the family was drawn for costs much; bone left unused around the seat costs a little.
        cost = cost + far(np.minimum(values["least_wall_mm"] - aimed, 0.0), 1.2)
        cost = cost + far(np.maximum(values["seat_wall_mm"] - aimed, 0.0), 4.0)
    if family.level is not CutLevel.LOW_NECK:
        cost = cost + far(values["valgus_to_neck_deg"] - family.valgus_aim_deg, 5.0)
    if component.tail_turn_deg and "tail_to_shaft_deg" in values:
        cost = cost + far(values["tail_to_shaft_deg"], 3.0 if family.level is CutLevel.LOW_NECK else 12.0)
    if "tail_to_shaft_front_deg" in values and component.tail_turn_deg and family.level is CutLevel.LOW_NECK:
        # Seen from both sides, a tail that follows the shaft settles the tilt: the neck above it is gone.
        cost = cost + far(values["tail_to_shaft_front_deg"], 3.0)
    elif "anterior_to_neck_deg" in values:
        cost = cost + far(values["anterior_to_neck_deg"], 6.0)
    if component.kind == "cap":
        cost = cost + far(np.array([head_over_own_mm]), 2.0)
    for name in SEARCHED:
        limit = bound_of(limits, name, component.level, aim)
        if limit is not None and name in values:
            cost = cost + broken(values[name], limit)
    return np.asarray(cost)


def leg_cost(
    legs_at: Callable[[float], Mapping[str, Floats]], component: Component, limits: Limits, aim: Targets, places: int
) -> tuple[Floats, Floats]:
    """What leg and offset away from the target weigh with the best neck length, and that length; (places,) each."""
    options = []
    for neck in component.neck_lengths_mm:
        legs = legs_at(neck)
        part = np.zeros(places)
        for stem, scale, target in (
            ("leg_length", 2.5, aim.leg_length_difference_mm),
            ("offset", 3.5, aim.offset_difference_mm),
        ):
            # Without the other side the hip is rebuilt as it is now.
            left = legs.get(f"{stem}_remaining_mm")
            part = part + far(legs[f"{stem}_change_mm"] if left is None else left - target, scale)
            limit = bound_of(limits, f"{stem}_remaining_mm", component.level, aim)
            if limit is not None and left is not None:
                part = part + broken(left, limit)
        options.append(part)
    table = np.stack(options)
    pick = np.argmin(table, axis=0)
    return table[pick, np.arange(table.shape[1])], np.asarray(component.neck_lengths_mm)[pick]

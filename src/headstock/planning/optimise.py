"""The best placement at one cut level: size, pose, head, neck length and cup, found by a bounded search.

In: a prepared hip, a level, the catalogue, the limits, the targets. Out: `Best`:
a placement to start from, or the reason why there is none, and what binds.

The search is deterministic: a low-discrepancy set of poses within fixed bounds
about the neck, then rounds about the best one in shrinking boxes, for every size.
It weighs broken limits first, then what the family was drawn for, then what
remains of leg and offset, then bone kept. Those weights are not limits and are never shown as
a score: the surgeon sees the appraisal, and moves the part.
Decision: docs/decisions/0143-how-the-first-placement-is-found.md
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from headstock.anatomy.filmhip import FilmHip
from headstock.implants import Catalogue, Component, CutLevel, Family, Placement, Pose
from headstock.planning.appraise import Targets, point_values
from headstock.planning.limits import Limits
from headstock.planning.prepared import PreparedHip, prepare
from headstock.planning.quantities import Places, alignment, bone, leg, level_end, notch, seat, wall
from headstock.planning.search import (
    Best,
    Binding,
    bindings,
    fit_cost,
    found_placement,
    head_and_cup,
    leg_cost,
    no_placement,
    spread,
)

__all__ = ["Best", "Binding", "best_placement", "bindings"]

Floats = NDArray[np.float64]
_FIRST: Final = 192
_FINALISTS: Final = 4
_ROUNDS: Final = 7
_ROUNDS_ALL: Final = 3  # after fewer, a size can still lie behind one that it overtakes
_EACH: Final = 96
_SHRINK: Final = 0.45
# Half widths of the first box: across the neck (mm), axis (deg), and the same on the lateral film.
_BOX: Final = np.array([7.0, 9.0, 5.0, 9.0])


def best_placement(
    hip: FilmHip | PreparedHip,
    level: CutLevel,
    catalogue: Catalogue,
    limits: Limits,
    targets: Targets | None = None,
    *,
    family_id: str | None = None,
    size_id: str | None = None,
) -> Best:
    """The placement to start from at a level; `family_id`, `size_id` hold a choice already made."""
    prepared = prepare(hip) if isinstance(hip, FilmHip) else hip
    nominal = prepared.nominal()
    aim = targets or Targets()
    ends = level_end(nominal, level)
    if ends is None or not np.all(np.isfinite(ends[1])):
        return no_placement(
            level, "The shaft axis was not read, so where the neck ends is not known. Place both shaft points."
        )
    families = [family for family in catalogue.at_level(level) if family_id in (None, family.id)]
    if not families:
        return no_placement(
            level, f"The catalogue has no family for the {level.word.lower()} level. Add a file of one."
        )
    span = (float(ends[0][0]), float(ends[1][0]))
    searches = [
        _Search(nominal, family, component, catalogue, limits, aim, span)
        for family in families
        for component in family.components
        if size_id in (None, component.size_id) and not (component.tail_turn_deg and nominal.ap.shaft_axis is None)
    ]
    # Every size is narrowed down a little; only those that came out best are worked out.
    for search in searches:
        search.refine(_ROUNDS_ALL)
    finalists = sorted(searches, key=lambda search: search.cost)[:_FINALISTS]
    for search in finalists:
        search.refine(_ROUNDS - _ROUNDS_ALL)
    best = min(finalists, key=lambda search: search.cost, default=None)
    if best is None:
        return no_placement(
            level, "These families follow the shaft, whose axis was not read. Place both shaft points on the AP film."
        )
    placement = best.placement()
    return found_placement(level, placement, point_values(nominal, placement, catalogue, limits, aim), limits, aim)


class _Search:
    """The search for one size: a wide look on construction, then `refine`."""

    def __init__(
        self,
        hip: PreparedHip,
        family: Family,
        component: Component,
        catalogue: Catalogue,
        limits: Limits,
        aim: Targets,
        span: tuple[float, float],
    ) -> None:
        self.hip, self.family, self.component = hip, family, component
        self.limits, self.aim, self.span = limits, aim, span
        native = 2.0 * float(hip.ap.radius[0])
        self.head, self.cup = head_and_cup(native, hip.ap.head_centre[0], component, catalogue, limits)
        start = _degrees(hip.ap.axis) + family.valgus_aim_deg
        if family.level is CutLevel.LOW_NECK and hip.ap.shaft_axis is not None:
            # A standard stem is aimed at the shaft: the neck is gone.
            start = _degrees(hip.ap.shaft_axis) - component.tail_turn_deg
        side = 0.0 if hip.lateral is None else _degrees(hip.lateral.axis)
        self.best = np.array([0.5 * sum(span), 0.0, start, 0.0, side])
        self.box = np.array([0.5 * (span[1] - span[0]), *_BOX])
        self.cost, self.neck = np.inf, component.neck_lengths_mm[0]
        self.spread = spread(_FIRST, 5)
        self._look(self.spread)
        self.box = self.box * 0.6

    def refine(self, rounds: int) -> None:
        """Rounds in shrinking boxes about the best place so far."""
        for _ in range(rounds):
            self._look(self.spread[:_EACH])
            self.box = self.box * _SHRINK

    def _look(self, unit: Floats) -> None:
        rows = self.best + self.box * unit
        rows[0] = self.best
        rows[:, 0] = np.clip(rows[:, 0], *self.span)
        places = _places(self.hip, rows)
        cost, neck = _cost(self.hip, self.family, self.component, places, self.limits, self.aim, self.head)
        pick = int(np.argmin(cost))
        if cost[pick] < self.cost:
            self.cost, self.best, self.neck = float(cost[pick]), rows[pick], float(neck[pick])

    def placement(self) -> Placement:
        """The best place so far, to a thousandth."""
        place = _places(self.hip, self.best[None])
        y, lateral = place.y, place.lateral_angle
        pose = Pose(
            round(float(place.origin[0, 0]), 3),
            round(float(place.origin[0, 1]), 3),
            round(float(place.angle[0]), 3),
            None if y is None else round(float(y[0]), 3),
            None if lateral is None else round(float(lateral[0]), 3),
        )
        return Placement(self.family.id, self.component.size_id, self.head, self.neck, pose, self.cup)


def _degrees(axis: Floats) -> float:
    return float(np.degrees(np.arctan2(axis[0, 1], axis[0, 0])))


def _places(hip: PreparedHip, rows: Floats) -> Places:
    """Places from (depth, across, angle, lateral across, lateral angle) in the neck frames."""
    view = hip.ap
    origin = view.head_centre + (view.radius[0] - rows[:, :1]) * view.axis + rows[:, 1:2] * view.across
    if hip.lateral is None:
        return Places(origin, rows[:, 2], None, None)
    side = hip.lateral
    depth = view.depth_of(origin)
    on_side = side.head_centre + (side.radius[0] - depth[:, None]) * side.axis + rows[:, 3:4] * side.across
    return Places(origin, rows[:, 2], on_side[:, 1], rows[:, 4])


def _cost(
    hip: PreparedHip, family: Family, component: Component, places: Places, limits: Limits, aim: Targets, head_mm: float
) -> tuple[Floats, Floats]:
    """What the search makes small, and the neck length that goes with it; (m,) each."""
    values: dict[str, Floats] = dict(bone(hip, places)) | seat(hip, component, places, thin=2)
    values["least_wall_mm"] = wall(hip, component, places)[0] if component.ap.in_bone_mm.size else np.full(1, np.inf)
    if component.level is not CutLevel.LOW_NECK:
        values["notch_distance_mm"] = notch(hip, component, places)[0]
    values |= alignment(hip, component, places)
    head_over_own = head_mm - 2.0 * float(hip.ap.radius[0])
    cost = fit_cost(values, family, component, limits, aim, head_over_own)
    legs, neck = leg_cost(
        lambda length: leg(hip, component, places, length, None), component, limits, aim, len(places.angle)
    )
    return cost + legs, neck

"""The first placement of a cut level in space: every size, six degrees of freedom, the same every time.

In: `SpaceHip`, a level, the catalogue, the limits, the targets. Out: `Best`. The search is that
of films (planning/optimise.py) with the same weights: a low-discrepancy set of poses about
the neck, then rounds in shrinking boxes, for every size; three lengths, two angles and the roll about
the part's own axis. Where limits are broken it says whether any place found keeps each of them.
Decision: docs/decisions/0251-the-same-search-in-six-degrees.md
"""

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from headstock.errors import CatalogueError
from headstock.implants import (
    Catalogue,
    Component,
    CupPlacement,
    CutLevel,
    Family,
    Placement,
    Pose,
    SpacePose,
)
from headstock.implants.solid import Solid
from headstock.implants.solid import solid as solid_of
from headstock.planning.appraisal import Targets
from headstock.planning.limits import Limit, Limits
from headstock.planning.quantities import level_ends
from headstock.planning.search import (
    SEARCHED,
    Best,
    bound_of,
    far,
    fit_cost,
    found_placement,
    head_and_cup,
    leg_cost,
    no_placement,
    spread,
    value_words,
)
from headstock.planning.space.appraise import space_point_values
from headstock.planning.space.bone import bone_of
from headstock.planning.space.fields import SpaceHip
from headstock.planning.space.places import Places, Rows
from headstock.planning.space.quantities import alignment, bone, leg, new_head_centre, notch, seat_from
from headstock.planning.space.socket import socket_centre

__all__ = ["at_cut", "best_in_space"]

Floats = NDArray[np.float64]
_STARTS: Final = 3  # parts of the level's depth that are searched each on its own: deep and shallow seats compete
_FIRST: Final = 256
_FINALISTS: Final = 4
_ROUNDS: Final = 12
_ROUNDS_ALL: Final = 5  # after fewer, a size can still lie behind one that it overtakes
_EACH: Final = 128
_SHRINK: Final = 0.65
# Half widths of the first box: medial and front (mm), valgus, forward and roll (deg); the depth's is the level's.
_BOX: Final = np.array([7.0, 5.0, 9.0, 9.0, 15.0])
_FORWARD_MM: Final = 3.0
_THIN: Final = 3  # every so many points of seat and tail while searching
_ROUND: Final = 16
_AT_CUT_BOX: Final = np.array([0.0, 3.0, 2.0, 4.0, 4.0, 6.0])
_AT_CUT_ROUNDS: Final = 3


def best_in_space(
    space: SpaceHip,
    level: CutLevel,
    catalogue: Catalogue,
    limits: Limits,
    targets: Targets | None = None,
    *,
    family_id: str | None = None,
    size_id: str | None = None,
) -> Best:
    """The placement to start from at a level; `family_id`, `size_id` hold a choice already made."""
    aim = targets or Targets()
    rows = Rows.of(space, reading=True)
    ends = level_ends(level, rows.head_height, rows.base_depth)
    if ends is None or not np.all(np.isfinite(ends[1])):
        return no_placement(
            level,
            "The scan does not show the shaft, so where the neck ends is not known. Use one that reaches farther down.",
        )
    families = [family for family in catalogue.at_level(level) if family_id in (None, family.id)]
    if not families:
        return no_placement(
            level, f"The catalogue has no family for the {level.word.lower()} level. Add a file of one."
        )
    span = (float(ends[0][0]), float(ends[1][0]))
    searches, flat = _searches(space, rows, families, size_id, catalogue, limits, aim, span)
    if not searches:
        return no_placement(level, flat or "These families follow the shaft, whose axis the scan does not show.")
    # Every size is narrowed down a little; only those that came out best are worked out.
    for search in searches:
        search.refine(_ROUNDS_ALL)
    finalists = sorted(searches, key=lambda search: search.cost)[:_FINALISTS]
    for search in finalists:
        search.refine(_ROUNDS - _ROUNDS_ALL)
    best = min(finalists, key=lambda search: search.cost)
    placement = best.placement()
    found = found_placement(level, placement, space_point_values(space, placement, catalogue, limits), limits, aim)
    if found.meets_limits:
        return found
    return replace(found, reason=f"{found.reason} {_why_broken(found, searches, limits, aim)}".strip())


def at_cut(
    space: SpaceHip,
    level: CutLevel,
    depth_mm: float,
    catalogue: Catalogue,
    limits: Limits,
    targets: Targets | None = None,
    *,
    start: Placement | None = None,
) -> Placement:
    """The level's part with its cut held at a depth below the pole, fitted again around where it stood.

    `start`: the placement that is being dragged (its family, size and head are kept); without it the level is searched
    first, which takes longer. The depth is not held within the level: the surgeon sees what it leads to.

    Raises
    ------
    CatalogueError
        There is no placement to start from at this level; the message is the search's reason.
    """
    aim = targets or Targets()
    if start is None or start.space is None:
        best = best_in_space(space, level, catalogue, limits, aim)
        if best.placement is None:
            raise CatalogueError(best.reason)
        start = best.placement
    assert start.space is not None
    rows = Rows.of(space, reading=True)
    component, family = catalogue.component(start), catalogue.family(start.family)
    here = _coordinates(rows, start.space)
    axis = start.space.matrix[:, 2]
    slope = float(axis @ rows.neck_axis[0])
    if abs(slope) > 0.2:  # slid along its own axis, the part stays where its walls were
        slide = (here[0] - depth_mm) / slope
        here = _coordinates(rows, replace(start.space, **_moved(start.space, slide * axis)))
    here[0] = depth_mm
    held = (depth_mm, depth_mm)
    head = start.head_diameter_mm
    search = _Search(space, rows, family, component, solid_of(component), limits, aim, held, head, start.cup)
    search.begin(here, _AT_CUT_BOX * search.free)
    search.refine(_AT_CUT_ROUNDS)
    return search.placement()


def _moved(pose: SpacePose, by: Floats) -> dict[str, float]:
    return {"x_mm": pose.x_mm + float(by[0]), "y_mm": pose.y_mm + float(by[1]), "z_mm": pose.z_mm + float(by[2])}


def _searches(
    space: SpaceHip,
    rows: Rows,
    families: Sequence[Family],
    size_id: str | None,
    catalogue: Catalogue,
    limits: Limits,
    aim: Targets,
    span: tuple[float, float],
) -> tuple[list["_Search"], str]:
    """One search for every size, and why families without a shape in space are left out."""
    native = 2.0 * float(rows.head_radius[0])
    centre = socket_centre(space)[0][[0, 2]]
    searches: list[_Search] = []
    flat = ""
    for family in families:
        for component in family.components:
            if size_id not in (None, component.size_id) or (component.tail_turn_deg and rows.shaft_axis is None):
                continue
            try:
                solid = solid_of(component)
            except CatalogueError as error:
                flat = str(error)
                continue
            head, cup = head_and_cup(native, centre, component, catalogue, limits)
            part = (span[1] - span[0]) / _STARTS
            for start in range(_STARTS):
                search = _Search(space, rows, family, component, solid, limits, aim, span, head, cup)
                first = search.first(span[0] + (start + 0.5) * part)
                search.begin(first, np.concatenate([[0.5 * part], _BOX]) * search.free, _FIRST)
                search.box = search.box * 0.6
                searches.append(search)
    return searches, flat


class _Search:
    """The search for one size: (depth, medial, front, frontal, forward, roll) in the neck's frame."""

    def __init__(
        self,
        space: SpaceHip,
        rows: Rows,
        family: Family,
        component: Component,
        solid: Solid,
        limits: Limits,
        aim: Targets,
        span: tuple[float, float],
        head_mm: float,
        cup: CupPlacement | None,
    ) -> None:
        self.space, self.rows, self.facts = space, rows, bone_of(space)
        self.family, self.component, self.solid = family, component, solid
        self.limits, self.aim, self.span, self.head = limits, aim, span, head_mm
        self.cup = cup
        self.cost, self.neck = np.inf, component.neck_lengths_mm[0]
        self.best, self.box = np.zeros(6), np.zeros(6)
        self.least: dict[str, tuple[float, float]] = {}  # measure: smallest breach of its limit, and the value then
        # A part that is round about its axis has nothing to roll.
        self.free = np.array([1.0, 1.0, 1.0, 1.0, 1.0, 0.0 if _is_round(component) else 1.0])
        self.spread = spread(_FIRST, 6)

    def first(self, depth: float) -> Floats:
        """Where to begin: on the neck axis with the family's aim; a standard stem with its tail along the shaft."""
        rows, family, turn = self.rows, self.family, np.radians(self.component.tail_turn_deg)
        axis, across = rows.neck_axis[0], rows.across[0]
        lean = np.radians(family.valgus_aim_deg)
        if family.level is CutLevel.LOW_NECK and rows.shaft_axis is not None:
            # Leaning from the shaft toward the neck by the tail's turn puts the tail itself on the shaft.
            shaft = rows.shaft_axis[0]
            medial = np.cross(rows.front[0], shaft)
            axis, lean = np.cos(turn) * shaft + np.sin(turn) * medial, 0.0
            across = np.cos(turn) * medial - np.sin(turn) * shaft
        way = np.cos(lean) * axis - np.sin(lean) * across
        frontal, forward = _angles(way)
        roll = 0.0
        if self.component.tail_turn_deg and rows.shaft_axis is not None:
            # The bend lies in the plane of the part's axis and the shaft.
            x = way * (rows.shaft_axis[0] @ way) - rows.shaft_axis[0]
            zero = SpacePose(0.0, 0.0, 0.0, frontal, forward).matrix
            roll = float(np.degrees(np.arctan2(x @ zero[:, 1], x @ zero[:, 0])))
        return np.array([depth, 0.0, 0.0, frontal, forward, roll])

    def begin(self, first: Floats, box: Floats, places: int = _EACH) -> None:
        """A wide look about a first place."""
        self.best, self.box = first, box
        self._look(self.spread[:places])

    def refine(self, rounds: int) -> None:
        """Rounds in shrinking boxes about the best place so far."""
        for _ in range(rounds):
            self._look(self.spread[:_EACH])
            self.box = self.box * _SHRINK

    def _look(self, unit: Floats) -> None:
        looked = self.best + self.box * unit
        looked[0] = self.best
        looked[:, 0] = np.clip(looked[:, 0], *self.span)
        cost, neck = self._cost(_places(self.rows, looked))
        pick = int(np.argmin(cost))
        if cost[pick] < self.cost:
            self.cost, self.best, self.neck = float(cost[pick]), looked[pick], float(neck[pick])

    def _cost(self, places: Places) -> tuple[Floats, Floats]:
        """What the search makes small, and the neck length that goes with it; (m,) each."""
        space, rows, component, solid = self.space, self.rows, self.component, self.solid
        none, many = np.zeros(1), len(places.origin)
        values: dict[str, Floats] = bone(rows, places) | self._seat_and_wall(places)
        if component.level is not CutLevel.LOW_NECK:
            values["notch_distance_mm"] = notch(space, rows, self.facts, component, solid, places, none, _ROUND)[0]
        values |= alignment(rows, component, places)
        self._note(values)
        cost = fit_cost(
            values, self.family, component, self.limits, self.aim, self.head - 2.0 * float(rows.head_radius[0])
        )
        # What films cannot see: a new head in front of or behind the old one, as far off as leg and offset may be.
        forward = (new_head_centre(component, places, 0.0) - rows.head_centre) @ rows.front[0]
        cost = cost + far(forward, _FORWARD_MM)
        legs, neck = leg_cost(
            lambda length: leg(space, rows, component, places, length, None), component, self.limits, self.aim, many
        )
        return cost + legs, neck

    def _seat_and_wall(self, places: Places) -> dict[str, Floats]:
        """Seat and least wall from one look at the surface: most of what a search costs is looking."""
        space, solid, none = self.space, self.solid, np.zeros(1)
        points = places.points(np.vstack([solid.seat_points[::_THIN], solid.tail_points[::_THIN]]))
        outer = np.asarray(space.femur.at(points), np.float64)
        areas = solid.seat_areas_mm2[::_THIN]
        k = len(areas)
        walls = outer[:, k:] if self.component.kind == "cap" else outer
        least = -walls.max(axis=1) if walls.shape[1] else np.full(1, np.inf)
        found = seat_from(space, points[:, :k], outer[:, :k], areas, none, self.rows.t)
        return found | {"least_wall_mm": least}

    def _note(self, values: dict[str, Floats]) -> None:
        """Keeps, for every limit that a place can meet or break, the place found that came nearest to it."""
        for name in SEARCHED:
            limit = bound_of(self.limits, name, self.component.level, self.aim)
            if limit is None or name not in values:
                continue
            room = _room(values[name], limit)
            best = int(np.argmax(room))
            if name not in self.least or room[best] > self.least[name][0]:
                self.least[name] = (float(room[best]), float(values[name][best]))

    def placement(self) -> Placement:
        """The best place so far, to a thousandth."""
        pose = _pose(self.rows, self.best)
        return Placement(
            self.family.id,
            self.component.size_id,
            self.head,
            self.neck,
            Pose(pose.x_mm, pose.z_mm, pose.frontal_deg),
            self.cup,
            pose,
        )


def _is_round(component: Component) -> bool:
    p = component.parameters
    ratios = (p.get("seat_lateral_ratio", 1.0), p.get("tail_lateral_ratio", 1.0))
    return component.kind == "cap" or (component.tail_turn_deg == 0.0 and all(abs(r - 1.0) < 1e-9 for r in ratios))


def _places(rows: Rows, looked: Floats) -> Places:
    """Places from (depth, medial, front, frontal, forward, roll), (m, 6)."""
    origin = (
        rows.pole[0]
        - looked[:, :1] * rows.neck_axis[0]
        + looked[:, 1:2] * rows.across[0]
        + looked[:, 2:3] * rows.front[0]
    )
    return Places.turned(origin, looked[:, 3], looked[:, 4], looked[:, 5])


def _coordinates(rows: Rows, pose: SpacePose) -> Floats:
    """The inverse of `_places` for one pose."""
    shift = pose.origin_mm - rows.pole[0]
    return np.array(
        [
            -shift @ rows.neck_axis[0],
            shift @ rows.across[0],
            shift @ rows.front[0],
            pose.frontal_deg,
            pose.forward_deg,
            pose.roll_deg,
        ]
    )


def _pose(rows: Rows, looked: Floats) -> SpacePose:
    x, y, z = (round(float(v), 3) for v in _places(rows, looked[None]).origin[0])
    frontal, forward, roll = (round(float(v), 3) for v in looked[3:])
    return SpacePose(x, y, z, frontal, forward, roll)


def _angles(way: Floats) -> tuple[float, float]:
    """Frontal and forward angle of a unit vector, as `SpacePose` names them."""
    return (
        float(np.degrees(np.arctan2(way[2], way[0]))),
        float(np.degrees(np.arcsin(np.clip(way[1], -1.0, 1.0)))),
    )


def _room(value: Floats, limit: Limit) -> Floats:
    low = -np.inf if limit.low is None else limit.low
    high = np.inf if limit.high is None else limit.high
    return np.minimum(value - low, high - value)


def _why_broken(found: Best, searches: Sequence[_Search], limits: Limits, aim: Targets) -> str:
    """Whether any place found keeps a broken limit: which cannot be met, with the nearest, or that they clash."""
    beyond = [b.measure for b in found.binding if b.margin < 0.0]
    impossible = []
    placeable = [name for name in beyond if name in SEARCHED]
    for name in placeable:
        limit = bound_of(limits, name, found.level, aim)
        tried = [search.least[name] for search in searches if name in search.least]
        if limit is None or not tried:
            continue
        room, value = max(tried)
        if room < 0.0:
            impossible.append(f"{limit.says}: {value_words(value, limit)} is the nearest to {limit.in_words()}")
    tried_sizes = {(search.component.family_id, search.component.size_id) for search in searches}
    sizes = f"{len(tried_sizes)} size{'s' if len(tried_sizes) != 1 else ''}"
    if impossible:
        return f"No place of {sizes} that was tried meets it ({'; '.join(impossible)})."
    if placeable:
        return f"Of {sizes}, places that keep it break another limit or stand worse."
    return "Where the part is placed does not decide it."

"""Every number that one placement leads to, each with its interval, its limit and how it lies to it.

In: a hip (or a prepared one), a placement, the catalogue, the limits, the
surgeon's targets. Out: `Appraisal`. Nothing is summed into a score. A number that
cannot be known says why; one that has no meaning at this level says so too.
Formulas: docs/planning.md.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from headstock.anatomy.filmhip import FilmHip
from headstock.implants import Catalogue, Component, Cup, CutLevel, Family, Placement
from headstock.measured import Measured, count, exact, measured, missing
from headstock.planning.cup import LEWINNEK_SOURCE, lewinnek_zone
from headstock.planning.lesion import lesion_left, lesion_share_of_head_percent
from headstock.planning.limits import Limit, Limits, State, limit_state
from headstock.planning.lines import LINES, Group
from headstock.planning.motion import MOVES, motion_limit_deg, oscillation_deg
from headstock.planning.prepared import PreparedHip, PreparedView, prepare
from headstock.planning.quantities import (
    Places,
    alignment,
    bone,
    leg,
    level_end,
    neck_diameter,
    notch,
    seat,
    seat_bottom_depth,
    wall,
    wall_points,
)
from headstock.planning.reserve import Reserve, reserve, reserve_values
from headstock.planning.socket import socket
from headstock.units import Unit

__all__ = ["Appraisal", "AppraisalLine", "Targets", "appraise", "point_values"]

Floats = NDArray[np.float64]
_NO_LATERAL: Final = "There is no lateral film of this hip with a lateral place. Read one, and place the part on it."
_NO_PELVIS: Final = (
    "Not read on this film. Place the teardrops and lesser trochanters of both sides on an AP pelvis film."
)
_NO_SHAFT: Final = "The shaft axis was not read. Place both shaft points on the AP film."
_NO_CUP: Final = "No cup is placed. Choose one."
_NO_LESION: Final = "No dead bone is outlined on the AP film. Outline it, or take it that there is none."


@dataclass(frozen=True, slots=True)
class Targets:
    """What the surgeon wants to remain between the sides, this side minus the other; 0 is equal."""

    leg_length_difference_mm: float = 0.0
    offset_difference_mm: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class AppraisalLine:
    """One number of an appraisal. `parts` splits it (cup and femur); `where` points at it on the bone."""

    name: str
    says: str
    group: Group
    measured: Measured
    limit: Limit | None
    state: State
    why: str
    where: str | None = None
    parts: Mapping[str, Measured] = field(default_factory=dict)

    def to_json(self) -> dict[str, Any]:
        """Plain fields."""
        return {
            "name": self.name,
            "says": self.says,
            "group": self.group,
            "measured": self.measured.to_json(),
            "limit": None if self.limit is None else self.limit.to_json(),
            "state": self.state.value,
            "why": self.why,
            "where": self.where,
            "parts": {name: part.to_json() for name, part in self.parts.items()},
        }


@dataclass(frozen=True, slots=True, eq=False)
class Appraisal:
    """A placement and everything it leads to."""

    placement: Placement
    level: CutLevel
    family_name: str
    canal: Literal["closed", "opened"]
    lines: tuple[AppraisalLine, ...]
    reserve: Reserve
    levels_left: tuple[CutLevel, ...] | None
    neighbours: Mapping[str, tuple[str | None, str | None]]
    cup_reference: str | None

    def line(self, name: str) -> AppraisalLine:
        """A line by its name."""
        return next(line for line in self.lines if line.name == name)

    def counts(self) -> dict[str, int]:
        """How many lines lie within, near, outside, are not known, or have no limit. Counts, not a score."""
        return {state.value: sum(line.state is state for line in self.lines) for state in State}

    def to_json(self) -> dict[str, Any]:
        """Plain fields."""
        return {
            "placement": self.placement.to_json(),
            "level": self.level.value,
            "level_word": self.level.word,
            "family_name": self.family_name,
            "canal": self.canal,
            "lines": [line.to_json() for line in self.lines],
            "counts": self.counts(),
            "reserve": self.reserve.to_json(),
            "levels_left": None if self.levels_left is None else [level.value for level in self.levels_left],
            "neighbours": {part: list(pair) for part, pair in self.neighbours.items()},
            "cup_reference": self.cup_reference,
        }


@dataclass(frozen=True, slots=True, eq=False)
class _Values:
    """Arrays by name with places of the least wall and notch; the one computation behind points and intervals."""

    arrays: dict[str, Floats]
    where: dict[str, str]


def appraise(
    hip: FilmHip | PreparedHip,
    placement: Placement,
    catalogue: Catalogue,
    limits: Limits,
    targets: Targets | None = None,
    *,
    seed: int = 1,
) -> Appraisal:
    """Appraise one placement with 95 % intervals.

    `hip` best comes prepared (`prepare`), which is done once a reading. `seed`
    draws the femoral version that films do not show.

    Raises
    ------
    CatalogueError
        The placement names parts that do not exist together.
    """
    prepared = prepare(hip) if isinstance(hip, FilmHip) else hip
    family, component, cup = _parts(placement, catalogue)
    places = Places.of(placement, prepared.lateral is not None)
    values = _values(prepared, family, component, cup, placement, places, limits, seed)
    builder = _Lines(limits, family.level, values, prepared, placement, family, component, targets or Targets())
    neighbours = {"femoral": family.neighbours(placement.size)}
    own = component.head_diameters_mm
    here = min(range(len(own)), key=lambda i: abs(own[i] - placement.head_diameter_mm))
    if component.kind != "cap":
        below, above = own[here - 1] if here > 0 else None, own[here + 1] if here + 1 < len(own) else None
        neighbours["head"] = (None if below is None else f"{below:g}", None if above is None else f"{above:g}")
    if placement.cup is not None:
        neighbours["cup"] = catalogue.cup_families[placement.cup.family].neighbours(placement.cup.size)
    nominal = prepared.nominal()
    ends = reserve(prepared, nominal, component, family.level, places, limits, placement.neck_length_mm)
    left = levels_left(prepared, component, places)
    reference = None
    if placement.cup is not None:
        zone = lewinnek_zone(placement.cup.inclination_deg, placement.cup.version_deg)
        reference = f"{zone} Lewinnek's zone, 40 ± 10 and 15 ± 10. {LEWINNEK_SOURCE}."
    lines = (*builder.all(), builder.reserve_line(ends), builder.levels_line(left))
    return Appraisal(placement, family.level, family.name, family.canal, lines, ends, left, neighbours, reference)


def point_values(
    hip: FilmHip | PreparedHip,
    placement: Placement,
    catalogue: Catalogue,
    limits: Limits,
    targets: Targets | None = None,
) -> dict[str, float]:
    """The values alone, by name, while a part is dragged (a few ms); intervals follow from `appraise`.

    `leg_length_remaining_mm` and `offset_remaining_mm` are what remains, not its distance to the target.
    """
    prepared = prepare(hip) if isinstance(hip, FilmHip) else hip
    nominal = prepared.nominal()
    family, component, cup = _parts(placement, catalogue)
    places = Places.of(placement, nominal.lateral is not None)
    values = _values(nominal, family, component, cup, placement, places, limits, 1)
    found = {name: float(array[0]) for name, array in values.arrays.items()}
    found["reserve_longer_mm"], found["reserve_shorter_mm"] = reserve_values(
        nominal, component, family.level, places, limits
    )
    return found


def levels_left(hip: PreparedHip, component: Component, places: Places) -> tuple[CutLevel, ...] | None:
    """Deeper cut levels that a later revision could still use: those that reach below the seat; None when unknown."""
    bottom = float(seat_bottom_depth(hip.nominal(), component, places)[0])
    order = list(CutLevel)
    found = []
    for level in order[order.index(component.level) + 1 :]:
        ends = level_end(hip, level)
        if ends is None:
            return None
        if bottom < float(ends[1][0]):
            found.append(level)
    return tuple(found)


def _parts(placement: Placement, catalogue: Catalogue) -> tuple[Family, Component, Cup | None]:
    component = catalogue.component(placement)
    cup = None if placement.cup is None else catalogue.cup(placement.cup.family, placement.cup.size)
    return catalogue.family(placement.family), component, cup


def _values(
    hip: PreparedHip,
    family: Family,
    component: Component,
    cup: Cup | None,
    placement: Placement,
    places: Places,
    limits: Limits,
    seed: int,
) -> _Values:
    arrays: dict[str, Floats] = {}
    where: dict[str, str] = {}
    arrays |= bone(hip, places)
    arrays |= seat(hip, component, places)
    if component.ap.in_bone_mm.size:
        points = wall_points(hip, component, places) if hip.rows > 1 else None
        arrays["least_wall_mm"], spot = wall(hip, component, places, points)
        if spot is not None:
            where["least_wall_mm"] = _where(hip, placement, component, *spot)
    if component.level is not CutLevel.LOW_NECK:
        arrays["notch_distance_mm"], spot = notch(hip, component, places)
        if spot is not None:
            where["notch_distance_mm"] = _where(hip, placement, component, *spot)
    arrays |= alignment(hip, component, places)
    centre = None if placement.cup is None else np.array([[placement.cup.x_mm, placement.cup.z_mm]])
    arrays |= leg(hip, component, places, placement.neck_length_mm, centre)
    arrays |= lesion_left(hip, component, places)
    for name, value in (
        ("lesion_share_of_head_percent", lesion_share_of_head_percent(hip)),
        ("sound_bone_start_mm", hip.sound_bone_start),
    ):
        if value is not None:
            arrays[name] = value
    if cup is not None and placement.cup is not None:
        arrays |= socket(hip, cup, placement.cup)
    arrays |= _motion(hip, family, component, cup, placement, arrays, limits, seed)
    if hip.ap.base_depth is not None:
        left = hip.ap.base_depth - seat_bottom_depth(hip, component, places)
        arrays["neck_left_for_revision_mm"] = np.maximum(left, 0.0)
    return _Values(arrays, where)


def _motion(
    hip: PreparedHip,
    family: Family,
    component: Component,
    cup: Cup | None,
    placement: Placement,
    known: Mapping[str, Floats],
    limits: Limits,
    seed: int,
) -> dict[str, Floats]:
    width = neck_diameter(hip, component, family)
    ratio = placement.head_diameter_mm / width
    found = {"head_neck_ratio": ratio, "neck_diameter_mm": width}
    if cup is None or placement.cup is None or "axis_to_shaft_deg" not in known:
        return found
    # A neck as wide as its head leaves no swing: 0, not a refusal, so that draws at the edge stay usable.
    swing = oscillation_deg(np.maximum(ratio, 1.0), cup.arc_deg)
    version = np.full(hip.rows, limits.setting("assumed_femoral_version_deg"))
    version[1:] += np.random.default_rng(seed).normal(0.0, limits.sd("assumed_femoral_version_deg"), hip.rows - 1)
    neck_shaft = known["neck_shaft_angle_deg"]
    if family.impinges_on == "component":
        neck_shaft = known["axis_to_shaft_deg"]
        version = version + known.get("anterior_to_neck_deg", np.zeros(1))
    found["oscillation_deg"] = swing
    inclination, cup_version = placement.cup.inclination_deg, placement.cup.version_deg
    for move in (*MOVES, "internal_at_90_flexion"):
        limit = motion_limit_deg(inclination, cup_version, neck_shaft, version, swing, move)
        found[f"{move}_deg"] = np.minimum(limit, 180.0)
    found["flexion_extension_arc_deg"] = found["flexion_deg"] + found["extension_deg"]
    found["abduction_adduction_arc_deg"] = found["abduction_deg"] + found["adduction_deg"]
    found["rotation_arc_deg"] = found["internal_deg"] + found["external_deg"]
    return found


def _where(hip: PreparedHip, placement: Placement, component: Component, view: str, point: Floats) -> str:
    """“medial side, AP film, 17 mm below the cut”, and a warning where the outline had already ended."""
    sides = ("lateral", "medial") if view == "ap" else ("posterior", "anterior")
    side = sides[int(point[0] >= 0.0)]
    film = "AP film" if view == "ap" else "lateral film"
    words = f"{side} side, {film}, {max(0.0, float(-point[1])):.0f} mm below the cut"
    on: PreparedView | None = hip.ap if view == "ap" else hip.lateral
    if on is not None:
        depth = float(on.radius[0]) - float(on.head_centre[0] @ on.axis[0]) - _along(hip, placement, view, point, on)
        if depth > on.outline_end_depth:
            words += "; the outline ends above this, it was carried straight on"
    return words


def _along(hip: PreparedHip, placement: Placement, view: str, point: Floats, on: PreparedView) -> float:
    """Component of a local point along the film's neck axis, nominal, measured from the frame's origin."""
    pose = placement.pose
    if view == "ap":
        turn = np.radians(pose.ap_angle_deg)
        axis, across = np.array([np.cos(turn), np.sin(turn)]), np.array([np.sin(turn), -np.cos(turn)])
        film = np.array([pose.x_mm, pose.z_mm]) + point[0] * across + point[1] * axis
        return float(film @ on.axis[0])
    depth = float(hip.ap.radius[0]) - float((np.array([pose.x_mm, pose.z_mm]) - hip.ap.head_centre[0]) @ hip.ap.axis[0])
    return float(on.radius[0]) - depth + float(point[1]) + float(on.head_centre[0] @ on.axis[0])


_TARGETED: Final = {
    "leg_length_remaining_mm": "leg_length_difference_mm",
    "offset_remaining_mm": "offset_difference_mm",
}


@dataclass(frozen=True, slots=True, eq=False)
class _Lines:
    """Turns arrays into lines: unit, words, limit, state, reasons for what is missing."""

    limits: Limits
    level: CutLevel
    values: _Values
    hip: PreparedHip
    placement: Placement
    family: Family
    component: Component
    targets: Targets

    def all(self) -> list[AppraisalLine]:
        return [self._line(name) for name in LINES]

    def _line(self, name: str) -> AppraisalLine:
        spec = LINES[name]
        unit, says, why = spec.unit, spec.says, spec.why
        limit = self._limit(name)
        value = self._measured(name, unit, why)
        state = limit_state(value, limit)
        if self._pointless(name):
            state = State.DOES_NOT_APPLY
        parts: dict[str, Measured] = {}
        for stem in ("leg_length", "offset"):
            if name in (f"{stem}_remaining_mm", f"{stem}_change_mm"):
                keys = ["femur", "cup", *(["now"] if name.endswith("remaining_mm") else [])]
                arrays = {
                    key: self.values.arrays[f"{stem}_{key}_mm"]
                    for key in keys
                    if f"{stem}_{key}_mm" in self.values.arrays
                }
                parts = {
                    key: measured(self._full(array), "mm", f"{key} part of {says}") for key, array in arrays.items()
                }
        return AppraisalLine(name, says, spec.group, value, limit, state, why, self.values.where.get(name), parts)

    def _limit(self, name: str) -> Limit | None:
        limit = self.limits.bound(name, self.level)
        if limit is not None and name in _TARGETED and limit.is_set:
            return limit.moved(getattr(self.targets, _TARGETED[name]))
        return limit

    def _full(self, array: Floats) -> Floats:
        return np.ascontiguousarray(np.broadcast_to(array, (self.hip.rows,)))

    def _measured(self, name: str, unit: Unit, why: str) -> Measured:
        pointless = self._pointless(name)
        if pointless:
            return missing(unit, why, pointless)
        cup = self.placement.cup
        if name == "head_diameter_mm":
            return exact(self.placement.head_diameter_mm, unit, f"family “{self.family.id}”", "by_family")
        if name in ("cup_inclination_deg", "cup_version_deg"):
            if cup is None:
                return missing(unit, why, _NO_CUP)
            return exact(cup.inclination_deg if name == "cup_inclination_deg" else cup.version_deg, unit, why)
        if name in self.values.arrays:
            array = self._full(self.values.arrays[name])
            if name == "seat_on_sound_bone_percent" and not self._on_lateral():
                why += "; AP film alone"
            if name in ("head_neck_ratio", "oscillation_deg") and np.ptp(array) == 0.0:
                return exact(float(array[0]), unit, f"{why}; both diameters by family", "by_family")
            return measured(array, unit, why)
        return missing(unit, why, self._reason(name))

    def _on_lateral(self) -> bool:
        return self.hip.lateral is not None and self.placement.pose.y_mm is not None

    def _pointless(self, name: str) -> str | None:
        if name == "notch_distance_mm" and self.level is CutLevel.LOW_NECK:
            return "Does not apply: at this level the neck is cut away."
        if name == "tail_to_shaft_deg" and self.component.tail_turn_deg == 0.0:
            return "Does not apply: this tail follows the neck, not the shaft."
        return None

    def _reason(self, name: str) -> str:
        group = LINES[name].group
        if name.startswith("lesion") or name == "sound_bone_start_mm":
            if self.hip.ap.dead is None:
                return _NO_LESION
            return "Needs the dead bone's outline on both films. " + ("" if self._on_lateral() else _NO_LATERAL)
        if name == "anterior_to_neck_deg":
            return _NO_LATERAL
        if name in ("axis_to_shaft_deg", "tail_to_shaft_deg", "neck_left_for_revision_mm"):
            return _NO_SHAFT
        if name == "least_wall_mm":
            return "This part has nothing inside the bone to measure a wall from."
        if group == "motion":
            return _NO_CUP if self.placement.cup is None else _NO_SHAFT
        if group == "cup":
            if self.placement.cup is None:
                return _NO_CUP
            return "The roof of the socket or the teardrop was not read. Place sourcil and teardrop on the AP film."
        return _NO_PELVIS

    def reserve_line(self, ends: Reserve) -> AppraisalLine:
        limit = self.limits.bound("reserve_mm", self.level)
        value = ends.longer.leg_mm
        parts = {
            "longer": ends.longer.leg_mm,
            "shorter": ends.shorter.leg_mm,
            "longer_neck": ends.longer.neck_mm,
            "shorter_neck": ends.shorter.neck_mm,
        }
        if ends.longer.reshape_mm is not None:
            parts["reshape"] = ends.longer.reshape_mm
        words = f"longer until {ends.longer.stopped_by}; shorter until {ends.shorter.stopped_by}"
        why = "slide along the component's axis until the first limit, in mm of leg"
        return AppraisalLine(
            "reserve_mm", "reserve of length", "leg", value, limit, limit_state(value, limit), why, words, parts
        )

    def levels_line(self, left: tuple[CutLevel, ...] | None) -> AppraisalLine:
        why = "deeper cut levels that still reach below the seat"
        value = missing("count", why, _NO_SHAFT) if left is None else count(len(left), why)
        words = None if left is None else ", ".join(level.word for level in left) or "none"
        state = State.NOT_KNOWN if left is None else State.NO_LIMIT
        return AppraisalLine(
            "levels_left_for_revision", "cut levels left later", "later", value, None, state, why, words
        )

"""An appraisal as a plain value, and how its lines are built: the same on films and in space.

In: arrays by name (row 0 the reading), what each line says (lines.py), the limits,
the surgeon's targets. Out: `Appraisal`. A subclass of `LineBuilder` says what has no
meaning at a level, and why a number is missing; nothing is summed into a score.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from headstock.implants import Catalogue, Component, CutLevel, Family, Placement
from headstock.measured import Measured, count, exact, measured, missing
from headstock.planning.cup import LEWINNEK_SOURCE, lewinnek_zone
from headstock.planning.limits import Limit, Limits, State, limit_state
from headstock.planning.lines import Group, LineSpec
from headstock.planning.slide import Reserve
from headstock.units import Unit

__all__ = ["Appraisal", "AppraisalLine", "LineBuilder", "Targets", "Values", "cup_reference", "neighbours_of"]

Floats = NDArray[np.float64]
NO_CUP: Final = "No cup is placed. Choose one."
_TARGETED: Final = {
    "leg_length_remaining_mm": "leg_length_difference_mm",
    "offset_remaining_mm": "offset_difference_mm",
}


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
class Values:
    """Arrays by name, and words for the place of some of them; the one computation behind points and intervals."""

    arrays: dict[str, Floats]
    where: dict[str, str]


@dataclass(frozen=True, slots=True, eq=False)
class LineBuilder:
    """Turns arrays into lines: unit, words, limit, state, reasons for what is missing."""

    specs: Mapping[str, LineSpec]
    limits: Limits
    values: Values
    rows: int
    placement: Placement
    family: Family
    component: Component
    targets: Targets

    @property
    def level(self) -> CutLevel:
        """The cut level of the family."""
        return self.family.level

    def all(self) -> list[AppraisalLine]:
        """Every line in its order."""
        return [self.line(name) for name in self.specs]

    def pointless(self, name: str) -> str | None:
        """Why a line has no meaning for this part; None when it has one."""
        if name == "notch_distance_mm" and self.level is CutLevel.LOW_NECK:
            return "Does not apply: at this level the neck is cut away."
        if name.startswith("tail_to_shaft") and self.component.tail_turn_deg == 0.0:
            return "Does not apply: this tail follows the neck, not the shaft."
        return None

    def reason(self, name: str) -> str:
        """Why a line is not known, and what to do about it."""
        raise NotImplementedError

    def source(self, name: str) -> str:
        """How the line's number was made, in words."""
        return self.specs[name].why

    def given(self, name: str) -> Measured | None:
        """A number that was measured elsewhere; None when it comes from the arrays."""
        spec, cup = self.specs[name], self.placement.cup
        if name == "head_diameter_mm":
            return exact(self.placement.head_diameter_mm, spec.unit, f"family “{self.family.id}”", "by_family")
        if name in ("cup_inclination_deg", "cup_version_deg"):
            if cup is None:
                return missing(spec.unit, spec.why, NO_CUP)
            return exact(cup.inclination_deg if name == "cup_inclination_deg" else cup.version_deg, spec.unit, spec.why)
        return None

    def line(self, name: str) -> AppraisalLine:
        """One line by its name."""
        spec = self.specs[name]
        limit = self._limit(name)
        value = self._measured(name, spec.unit)
        state = limit_state(value, limit)
        if self.pointless(name):
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
                    key: measured(self._full(array), "mm", f"{key} part of {spec.says}")
                    for key, array in arrays.items()
                }
        where = self.values.where.get(name)
        return AppraisalLine(name, spec.says, spec.group, value, limit, state, spec.why, where, parts)

    def _limit(self, name: str) -> Limit | None:
        limit = self.limits.bound(name, self.level)
        if limit is not None and name in _TARGETED and limit.is_set:
            return limit.moved(getattr(self.targets, _TARGETED[name]))
        return limit

    def _full(self, array: Floats) -> Floats:
        return np.ascontiguousarray(np.broadcast_to(array, (self.rows,)))

    def _measured(self, name: str, unit: Unit) -> Measured:
        pointless = self.pointless(name)
        if pointless:
            return missing(unit, self.specs[name].why, pointless)
        known = self.given(name)
        if known is not None:
            return known
        if name in self.values.arrays:
            array = self._full(self.values.arrays[name])
            why = self.source(name)
            if name in ("head_neck_ratio", "oscillation_deg") and np.ptp(array) == 0.0:
                return exact(float(array[0]), unit, f"{why}; both diameters by family", "by_family")
            return measured(array, unit, why)
        return missing(unit, self.specs[name].why, self.reason(name))

    def reserve_line(self, ends: Reserve) -> AppraisalLine:
        """The reserve of length as a line; its value is the longer end."""
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
        """Deeper cut levels that a later revision could still use, as a line."""
        why = "deeper cut levels that still reach below the seat"
        name = "levels_left_for_revision"
        value = missing("count", why, self.reason(name)) if left is None else count(len(left), why)
        words = None if left is None else ", ".join(level.word for level in left) or "none"
        state = State.NOT_KNOWN if left is None else State.NO_LIMIT
        return AppraisalLine(name, "cut levels left later", "later", value, None, state, why, words)


def neighbours_of(
    placement: Placement, family: Family, component: Component, catalogue: Catalogue
) -> dict[str, tuple[str | None, str | None]]:
    """The next smaller and larger size of every part of a placement."""
    found = {"femoral": family.neighbours(placement.size)}
    if component.kind != "cap":
        own = component.head_diameters_mm
        here = min(range(len(own)), key=lambda i: abs(own[i] - placement.head_diameter_mm))
        below, above = own[here - 1] if here > 0 else None, own[here + 1] if here + 1 < len(own) else None
        found["head"] = (None if below is None else f"{below:g}", None if above is None else f"{above:g}")
    if placement.cup is not None:
        found["cup"] = catalogue.cup_families[placement.cup.family].neighbours(placement.cup.size)
    return found


def cup_reference(placement: Placement) -> str | None:
    """How the cup's angles lie to Lewinnek's zone, in words; None without a cup. Never pass or fail."""
    if placement.cup is None:
        return None
    zone = lewinnek_zone(placement.cup.inclination_deg, placement.cup.version_deg)
    return f"{zone} Lewinnek's zone, 40 ± 10 and 15 ± 10. {LEWINNEK_SOURCE}."

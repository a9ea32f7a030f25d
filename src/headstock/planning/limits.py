"""Limits as values: bounds on measures, and settings, each with source and status.

In: the parsed table of `limits.toml` (reading the file is the desk's). Out:
`Limits`. A **bound** has low, high or both; a **setting** has a value and
perhaps an sd. A limit without a source ships `unset`: the hospital decides.
docs/planning.md lists what each one is used for.
"""

from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, replace
from enum import StrEnum
from math import isfinite
from typing import Any, Final, Literal

from headstock.errors import LimitError
from headstock.implants import CutLevel
from headstock.measured import Measured
from headstock.units import written

__all__ = ["Limit", "Limits", "State", "Status", "limit_state", "margin", "parse_limits"]

Status = Literal["published", "common practice", "from memory", "local", "unset"]
_STATUSES: Final = ("published", "common practice", "from memory", "local", "unset")
_KEYS: Final = {
    "measure",
    "says",
    "unit",
    "low",
    "high",
    "value",
    "sd",
    "levels",
    "source",
    "year",
    "status",
    "edited_by",
    "note",
}


class State(StrEnum):
    """How a value with its interval lies to its limit."""

    WITHIN = "within"
    NEAR = "near"
    OUTSIDE = "outside"
    NOT_KNOWN = "not_known"
    NO_LIMIT = "no_limit"
    DOES_NOT_APPLY = "does_not_apply"

    @property
    def word(self) -> str:
        """As screens and sheets print it."""
        return {"no_limit": "no limit set"}.get(self.value, self.value.replace("_", " "))


@dataclass(frozen=True, slots=True)
class Limit:
    """A threshold or setting. `measure`: the name of the measure it bounds; `levels` empty: every cut level."""

    name: str
    measure: str
    says: str
    unit: str
    low: float | None = None
    high: float | None = None
    value: float | None = None
    sd: float | None = None
    levels: tuple[CutLevel, ...] = ()
    source: str = ""
    year: int | None = None
    status: Status = "unset"
    edited_by: str | None = None
    note: str = ""

    def __post_init__(self) -> None:
        numbers = [n for n in (self.low, self.high, self.value, self.sd) if n is not None]
        if any(not isfinite(n) for n in numbers):
            raise LimitError(
                f"Limit “{self.name}” holds a number that is not finite. Give a plain number, or leave it unset."
            )
        if self.status == "unset":
            if numbers:
                raise LimitError(
                    f"Limit “{self.name}” is unset but holds a number. Give its source and a status, or remove it."
                )
        elif not numbers:
            raise LimitError(
                f"Limit “{self.name}” is {self.status} but holds no number. Give low, high or value, or unset it."
            )
        elif not self.source.strip():
            raise LimitError(f"Limit “{self.name}” names no source. Say where it comes from, or leave it unset.")
        if self.value is not None and (self.low is not None or self.high is not None):
            raise LimitError(f"Limit “{self.name}” is both a bound and a setting. Give low/high or value, not both.")
        if self.low is not None and self.high is not None and self.low > self.high:
            raise LimitError(f"Limit “{self.name}” contradicts itself: low {self.low:g} is above high {self.high:g}.")
        if self.sd is not None and (self.value is None or self.sd < 0):
            raise LimitError(f"Limit “{self.name}”: an sd belongs to a value and is not negative.")

    @property
    def is_set(self) -> bool:
        """True when there is something to compare with."""
        return self.status != "unset"

    def in_words(self) -> str:
        """“at least 2 mm”, “−5 to +5 mm”, “hospital decides”."""
        if not self.is_set:
            return "hospital decides"
        unit = f" {written(self.unit)}".rstrip()
        if self.value is not None:
            return f"{_plain(self.value)}{unit}"
        if self.low is not None and self.high is not None:
            return f"{_plain(self.low)} to {_plain(self.high)}{unit}"
        if self.low is not None:
            return f"at least {_plain(self.low)}{unit}"
        assert self.high is not None
        return f"at most {_plain(self.high)}{unit}"

    def moved(self, by: float) -> "Limit":
        """The same bound about a target that is not zero."""
        return replace(
            self,
            low=None if self.low is None else self.low + by,
            high=None if self.high is None else self.high + by,
        )

    def to_json(self) -> dict[str, Any]:
        """Plain fields and the words."""
        return {**asdict(self), "levels": [level.value for level in self.levels], "in_words": self.in_words()}


@dataclass(frozen=True, slots=True)
class Limits:
    """The whole table, by name."""

    by_name: Mapping[str, Limit]

    def __iter__(self) -> Iterator[Limit]:
        return iter(self.by_name.values())

    def named(self, name: str) -> Limit:
        """A limit by its name.

        Raises
        ------
        LimitError
            The table has none of that name.
        """
        if name not in self.by_name:
            raise LimitError(
                f"The table of limits has no “{name}”. Add it to limits.toml, unset if nobody has decided."
            )
        return self.by_name[name]

    def bound(self, measure: str, level: CutLevel | None = None) -> Limit | None:
        """The bound on a measure at a cut level: one made for the level before one for all; None when there is none."""
        general: Limit | None = None
        for limit in self.by_name.values():
            if limit.measure == measure and limit.value is None:
                if level is not None and level in limit.levels:
                    return limit
                if not limit.levels:
                    general = limit
        return general

    def setting(self, name: str) -> float:
        """The value of a setting.

        Raises
        ------
        LimitError
            It is unset or missing.
        """
        limit = self.named(name)
        if limit.value is None:
            raise LimitError(
                f"“{limit.says}” ({name}) is not set, and this step needs it. "
                "The hospital must decide it in limits.toml."
            )
        return limit.value

    def sd(self, name: str) -> float:
        """The sd of a setting, 0 when it has none."""
        return self.named(name).sd or 0.0

    def edited(
        self,
        name: str,
        by: str,
        source: str,
        *,
        low: float | None = None,
        high: float | None = None,
        value: float | None = None,
        sd: float | None = None,
    ) -> "Limits":
        """The table with one limit replaced by a named person for a stated source."""
        if not by.strip() or not source.strip():
            raise LimitError("A changed limit names who changed it and why (its source).")
        old = self.named(name)
        new = replace(old, status="local", edited_by=by, source=source, low=low, high=high, value=value, sd=sd)
        return Limits({**self.by_name, name: new})

    def to_json(self) -> list[dict[str, Any]]:
        """Every limit with its words."""
        return [limit.to_json() for limit in self]


def parse_limits(table: Mapping[str, Any]) -> Limits:
    """The table of limits from parsed TOML: one `[limit.NAME]` each.

    Raises
    ------
    LimitError
        With the limit's name, what was found and what is wanted.
    """
    entries = table.get("limit")
    if not isinstance(entries, Mapping) or not entries:
        raise LimitError("limits.toml holds no [limit.NAME] tables. Restore it from the installation.")
    found: dict[str, Limit] = {}
    for name, entry in entries.items():
        if not isinstance(entry, Mapping):
            raise LimitError(f"[limit.{name}] must be a table.")
        strangers = set(entry) - _KEYS
        if strangers:
            raise LimitError(
                f"[limit.{name}] has unknown keys: {', '.join(sorted(strangers))}. Known: {', '.join(sorted(_KEYS))}."
            )
        status = entry.get("status")
        if status not in _STATUSES:
            raise LimitError(f"[limit.{name}]: status is {status!r}; it must be one of {', '.join(_STATUSES)}.")
        for key in ("low", "high", "value", "sd"):
            number = entry.get(key)
            if number is not None and (isinstance(number, bool) or not isinstance(number, int | float)):
                raise LimitError(f"[limit.{name}]: {key} must be a number; found {number!r}.")
        try:
            levels = tuple(CutLevel(level) for level in entry.get("levels", ()))
        except ValueError as error:
            raise LimitError(
                f"[limit.{name}]: {error}. Levels are {', '.join(level.value for level in CutLevel)}."
            ) from error
        fields = {key: float(entry[key]) for key in ("low", "high", "value", "sd") if key in entry}
        found[name] = Limit(
            name=name,
            measure=str(entry.get("measure", name)),
            says=str(entry.get("says", name)),
            unit=str(entry.get("unit", "1")),
            levels=levels,
            source=str(entry.get("source", "")),
            year=entry.get("year"),
            status=status,
            edited_by=entry.get("edited_by"),
            note=str(entry.get("note", "")),
            **fields,
        )
    return Limits(found)


def limit_state(measured: Measured, limit: Limit | None) -> State:
    """Within: the whole interval on the good side; outside: the whole interval beyond; near: it crosses.

    A value on the bound itself is within (bounds are closed).
    """
    if not measured.known:
        return State.NOT_KNOWN
    if limit is None or not limit.is_set or (limit.low is None and limit.high is None):
        return State.NO_LIMIT
    value = measured.number
    lowest = value if measured.low is None else measured.low
    highest = value if measured.high is None else measured.high
    low = limit.low if limit.low is not None else -float("inf")
    high = limit.high if limit.high is not None else float("inf")
    if lowest >= low and highest <= high:
        return State.WITHIN
    if highest < low or lowest > high:
        return State.OUTSIDE
    return State.NEAR


def margin(value: float, limit: Limit) -> float:
    """Distance from a value to the nearer bound, in the limit's unit; negative when beyond it."""
    below = value - limit.low if limit.low is not None else float("inf")
    above = limit.high - value if limit.high is not None else float("inf")
    return min(below, above)


def _plain(number: float) -> str:
    return f"{number:g}".replace("-", "−")

"""A number with its 95 % interval, unit and source.

In: values, or a batch of draws. Out: `Measured`.
Convention used by every room: a batch has its leading axis first; **row 0 is
the value itself** (nothing perturbed) and rows 1.. are its draws. One function
thus serves one hip and 2,000 draws of it.
Decision: docs/decisions/0002-row-zero-is-the-reading.md
"""

from dataclasses import dataclass, replace
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from headstock.errors import FrameError, TooFewError
from headstock.units import Unit, written

__all__ = ["DRAWS", "Kind", "Measured", "count", "difference", "exact", "measured", "missing", "normal"]

DRAWS: Final = 2000
_TAIL: Final = (2.5, 97.5)
_FEWEST_DRAWS: Final = 40  # below it a 2.5 % tail holds less than one draw
Z95: Final = 1.959963984540054  # standard normal, 97.5 % quantile

Kind = Literal["measured", "counted", "by_definition", "by_family", "missing"]


@dataclass(frozen=True, slots=True, eq=False)
class Measured:
    """A value with its 95 % interval, unit and source.

    `low` and `high` need not be symmetric. `draws` (n,), read-only, where the
    value came from draws: differences of correlated numbers are then right.
    `kind` says why there is no interval when there is none. When `kind` is
    "missing", `value` is None and `reason` says why and what to do. `note` is
    what must be said beside the number because its interval does not hold it.
    """

    value: float | None
    unit: Unit
    source: str
    low: float | None = None
    high: float | None = None
    kind: Kind = "measured"
    reason: str | None = None
    draws: NDArray[np.float64] | None = None
    note: str | None = None

    def __post_init__(self) -> None:
        if self.kind == "missing":
            if self.value is not None or not self.reason:
                raise TooFewError("A missing number has no value and gives its reason.")
            return
        if self.value is None or not np.isfinite(self.value):
            raise TooFewError(
                f"A number from “{self.source}” came out as {self.value}. A failed computation is not "
                "a number: report it as missing, with the reason."
            )
        if self.kind == "measured":
            if self.low is None or self.high is None or not (np.isfinite(self.low) and np.isfinite(self.high)):
                raise TooFewError(f"A measured number needs a finite interval; “{self.source}” has none.")
            if self.low > self.high:
                raise TooFewError(f"The interval of “{self.source}” is upside down: {self.low} to {self.high}.")
        if self.draws is not None:
            self.draws.flags.writeable = False

    @property
    def known(self) -> bool:
        """True when there is a value."""
        return self.kind != "missing"

    @property
    def number(self) -> float:
        """The value; refuses when it is missing.

        Raises
        ------
        TooFewError
            The number is missing; the message is its reason.
        """
        if self.value is None:
            raise TooFewError(self.reason or "This number is missing.")
        return self.value

    def to_json(self) -> dict[str, Any]:
        """Plain fields, without the draws; the form of every `--json` answer."""
        return {
            "value": self.value,
            "low": self.low,
            "high": self.high,
            "unit": self.unit,
            "kind": self.kind,
            "source": self.source,
            "reason": self.reason,
            "note": self.note,
        }


def measured(batch: NDArray[np.float64], unit: Unit, source: str) -> Measured:
    """A number from a batch: row 0 is the value, rows 1.. are its draws.

    Parameters
    ----------
    batch
        (1 + n,), n at least 40. Draws that are not finite are refused when they
        are more than 1 % (the value is then not stable enough to report).

    Raises
    ------
    TooFewError
        Fewer than 40 draws, or a value that could not be computed.
    """
    batch = np.asarray(batch, dtype=np.float64)
    draws = batch[1:]
    finite = np.isfinite(draws)
    if draws.size < _FEWEST_DRAWS or finite.mean() < 0.99 or not np.isfinite(batch[0]):
        raise TooFewError(
            f"“{source}” has {int(finite.sum())} usable draws of {draws.size} and the value {batch[0]}; "
            f"an interval needs at least {_FEWEST_DRAWS}, with 99 % of them usable. Check the points it uses."
        )
    kept = draws[finite].copy() if not finite.all() else draws.copy()
    low, high = np.percentile(kept, _TAIL)
    value = float(batch[0])
    # A reading can lie at the edge of a bounded measure (a depth of zero); the interval must contain it.
    return Measured(value, unit, source, float(min(low, value)), float(max(high, value)), draws=kept)


def normal(value: float, sd: float, unit: Unit, source: str) -> Measured:
    """A number with a normal error of standard deviation `sd` (same unit)."""
    return Measured(value, unit, source, value - Z95 * sd, value + Z95 * sd)


def exact(
    value: float, unit: Unit, source: str, kind: Literal["by_definition", "by_family"] = "by_definition"
) -> Measured:
    """A number that has no error by definition, or that the family's file states."""
    return Measured(value, unit, source, kind=kind)


def count(value: int, source: str) -> Measured:
    """A counted number."""
    return Measured(float(value), "count", source, kind="counted")


def missing(unit: Unit, source: str, reason: str) -> Measured:
    """No number, with the reason and what to do about it."""
    return Measured(None, unit, source, kind="missing", reason=reason)


def difference(a: Measured, b: Measured, source: str) -> Measured:
    """a - b, draw by draw when both carry the same draws, else independent; with the notes of both.

    Raises
    ------
    FrameError
        The units differ.
    """
    notes = dict.fromkeys(note for note in (a.note, b.note) if note is not None)
    return replace(_difference(a, b, source), note=" ".join(notes) or None)


def _difference(a: Measured, b: Measured, source: str) -> Measured:
    if a.unit != b.unit:
        raise FrameError(f"{written(a.unit)} minus {written(b.unit)} means nothing. Give both in one unit.")
    if a.value is None or b.value is None:
        return missing(a.unit, source, (a.reason if a.value is None else b.reason) or "One of the two is missing.")
    value = a.value - b.value
    if a.draws is not None and b.draws is not None and a.draws.shape == b.draws.shape:
        return measured(np.concatenate([[value], a.draws - b.draws]), a.unit, source)
    if a.kind != "measured" and b.kind != "measured":
        return Measured(value, a.unit, source, kind="by_definition")
    a_low, a_high = _ends(a)
    b_low, b_high = _ends(b)
    below = np.hypot(a.value - a_low, b_high - b.value)
    above = np.hypot(a_high - a.value, b.value - b_low)
    return Measured(value, a.unit, source, value - float(below), value + float(above))


def _ends(m: Measured) -> tuple[float, float]:
    """Ends of the interval; a number without error has both at its value."""
    value = m.number
    return (value if m.low is None else m.low, value if m.high is None else m.high)

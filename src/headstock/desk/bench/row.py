"""One figure of the bench: what was asked, what was measured, of how many."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

from headstock.units import written

__all__ = ["Row", "Tell"]

Tell = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Row:
    """`asked` None: no number is asked for, the figure is shown for information (a ratio to a peer)."""

    part: str
    what: str
    measured: float
    unit: str
    asked: float | None = None
    sense: Literal["at most", "at least"] = "at most"
    of: str = ""

    @property
    def reached(self) -> bool | None:
        """Whether the number asked for was reached."""
        if self.asked is None:
            return None
        return self.measured <= self.asked if self.sense == "at most" else self.measured >= self.asked

    def to_json(self) -> dict[str, Any]:
        """Plain fields."""
        return {
            "part": self.part,
            "what": self.what,
            "measured": self.measured,
            "unit": self.unit,
            "asked": self.asked,
            "sense": self.sense,
            "of": self.of,
            "reached": self.reached,
        }

    def in_words(self) -> str:
        """One line of the table."""
        asked = "" if self.asked is None else f"{self.sense} {self.asked:g}"
        mark = {True: "reached", False: "NOT reached", None: ""}[self.reached]
        return (
            f"{self.what:<66} {self.measured:>10.4g} {written(self.unit):<6} {asked:<14} {mark:<12} {self.of}".rstrip()
        )

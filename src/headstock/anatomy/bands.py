"""Published classes of a number, with every edge written down.

In: data/bands.toml. Out: `BANDS` and the class a value falls into. What the source leaves
open about an edge is said in `edges`.
"""

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import resources
from types import MappingProxyType
from typing import Any, Final

from headstock.errors import TooFewError
from headstock.measured import Measured
from headstock.units import Unit

__all__ = ["BANDS", "Band", "BandTable", "Placed", "band", "place", "table_file"]


@dataclass(frozen=True, slots=True)
class Band:
    """One class: values up to `up_to`; `edge_in` when `up_to` itself belongs to it. The last one has no end."""

    name: str
    up_to: float | None
    edge_in: bool


@dataclass(frozen=True, slots=True)
class BandTable:
    """A published classification of one number."""

    name: str
    quantity: str
    unit: Unit
    bands: tuple[Band, ...]
    source: str
    status: str
    edges: str
    decimals: int | None
    signed: bool

    def of(self, value: float) -> str:
        """The class of a value.

        Raises
        ------
        TooFewError
            Not a finite number, or below zero where that has no meaning.
        """
        if not math.isfinite(value) or (value < 0 and not self.signed):
            raise TooFewError(
                f"{value} is no {self.quantity}, so it has no class. Check the number and its unit ({self.unit})."
            )
        v = value if self.decimals is None else round(value, self.decimals)
        for entry in self.bands:
            if entry.up_to is None or v < entry.up_to or (entry.edge_in and v == entry.up_to):
                return entry.name
        raise TooFewError(
            f"The classes of {self.name} do not reach {value}."
        )  # unreachable while the last class is open


@dataclass(frozen=True, slots=True)
class Placed:
    """A measured number in a classification; `also` are the other classes its interval reaches."""

    table: BandTable
    name: str
    also: tuple[str, ...]

    @property
    def words(self) -> str:
        """As a screen prints it."""
        return self.name if not self.also else f"{self.name} (the interval reaches {' and '.join(self.also)})"


def table_file(name: str) -> dict[str, Any]:
    """A table of published values that ships with this room."""
    text = resources.files("headstock.anatomy").joinpath(f"data/{name}.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


def _table(name: str, row: Mapping[str, Any]) -> BandTable:
    bands = tuple(Band(b["name"], b.get("up_to"), b.get("edge") == "in") for b in row["bands"])
    return BandTable(
        name,
        row["quantity"],
        row["unit"],
        bands,
        row["source"],
        row["status"],
        row["edges"],
        row.get("decimals"),
        row.get("signed", False),
    )


BANDS: Final[Mapping[str, BandTable]] = MappingProxyType(
    {name: _table(name, row) for name, row in table_file("bands").items()}
)


def band(system: str, value: float) -> str:
    """The class of `value` in a published classification."""
    return BANDS[system].of(value)


def place(system: str, value: Measured) -> Placed | None:
    """A measured number in a classification, with the classes its interval reaches; None when it is missing."""
    if value.value is None:
        return None
    table = BANDS[system]
    lowest = -math.inf if table.signed else 0.0
    name = table.of(max(value.value, lowest))
    low = value.value if value.low is None else value.low
    high = value.value if value.high is None else value.high
    order = [b.name for b in table.bands]
    ends = (order.index(table.of(max(low, lowest))), order.index(table.of(max(high, lowest))))
    also = tuple(b for b in order[min(ends) : max(ends) + 1] if b != name)
    return Placed(table, name, also)

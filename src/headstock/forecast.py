"""A prediction as a plain value, frozen at signing and later held against what happened."""

from dataclasses import dataclass
from datetime import date

from headstock.measured import Measured

__all__ = ["Forecast"]


@dataclass(frozen=True, slots=True)
class Forecast:
    """What is expected, for when, with its interval, and who said so.

    `what` is the name of a measure (`leg_length_difference_mm`), `due` the date
    at which it can first be held against a review, `made_by` the version of
    headstock and of the method that predicted it.
    """

    what: str
    due: date
    expected: Measured
    made_by: str

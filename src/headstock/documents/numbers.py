"""How a number is written: value, true minus, plus on a change, "0.5 to 4.1"."""

from headstock.measured import Measured
from headstock.units import written

__all__ = ["interval_words", "unit_words", "value_words"]

_MINUS = "\u2212"


def _written(value: float, decimals: int, signed: bool) -> str:
    text = f"{abs(value):.{decimals}f}"
    is_zero = float(text) == 0.0
    if value < 0 and not is_zero:
        return _MINUS + text
    return ("+" + text) if signed and not is_zero else text


def value_words(number: Measured, decimals: int, *, signed: bool = False) -> str:
    """The value as written; "no value" when it is missing."""
    return "no value" if number.value is None else _written(number.value, decimals, signed)


def interval_words(number: Measured, decimals: int) -> str:
    """The interval with the same decimals, or the words that say why there is none."""
    match number.kind:
        case "missing":
            return number.reason or "not known"
        case "counted":
            return "counted"
        case "by_definition":
            return "by definition"
        case "by_family":
            return "by family"
        case _:
            low, high = number.low, number.high
            return (
                ""
                if low is None or high is None
                else f"{_written(low, decimals, False)} to {_written(high, decimals, False)}"
            )


def unit_words(number: Measured) -> str:
    """The unit as printed; a ratio has none."""
    return written(number.unit)

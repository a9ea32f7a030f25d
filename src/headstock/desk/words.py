"""How the desk says things: dates, counts, numbers with their slip."""

from collections.abc import Sequence
from datetime import date
from typing import Final

from headstock.desk.pages import Number, Why, WhyRow
from headstock.documents.numbers import interval_words, unit_words, value_words
from headstock.measured import Measured

__all__ = ["age_years", "count_words", "day_words", "label_of", "list_words", "number", "says_number", "side_words"]

_SMALL: Final = (
    "no",
    "one",
    "two",
    "three",
    "four",
    "five",
    "six",
    "seven",
    "eight",
    "nine",
    "ten",
    "eleven",
    "twelve",
)

# How many decimals a number of a unit is shown with; the same for its interval.
_DECIMALS: Final = {"mm": 1, "deg": 1, "%": 0, "1": 2, "mm/px": 4, "cm3": 1, "kg": 0, "years": 0, "count": 0, "px": 1}

# Names as a surgeon says them; a name not listed is its own words with the unit cut off.
_LABELS: Final = {
    "lesser_trochanter_below_line_mm": "lesser trochanter below teardrops",
    "leg_length_difference_mm": "leg length difference",
    "mpfa_deg": "medial proximal femoral angle",
    "centre_of_rotation_height_mm": "head centre above teardrops",
    "centre_of_rotation_lateral_mm": "head centre lateral to teardrop",
    "centre_edge_angle_deg": "centre-edge angle",
    "toennis_angle_deg": "Tönnis angle",
    "head_neck_ratio": "head-neck ratio",
    "head_neck_offset_mm": "head-neck offset",
    "head_neck_offset_ratio": "head-neck offset ratio",
    "neck_shaft_angle_deg": "neck-shaft angle",
    "canal_calcar_ratio": "canal to calcar ratio",
    "sphericity_mm": "out of round",
    "pelvic_obliquity_deg": "obliquity",
    "alpha_angle_deg": "alpha angle",
}
_UNITS: Final = ("_mm", "_mm2", "_deg", "_percent", "_cm3", "_kg", "_years", "_ratio_1", "_count")


def day_words(day: date | None) -> str:
    """9 Nov 2026."""
    return "undated" if day is None else f"{day.day} {day:%b %Y}"


def age_years(born: date | None, today: date) -> int | None:
    """Whole years lived."""
    if born is None or born > today:
        return None
    return today.year - born.year - ((today.month, today.day) < (born.month, born.day))


def count_words(count: int, one: str, many: str | None = None, *, capital: bool = False) -> str:
    """ "Four hips", "1 hip": small counts in words."""
    word = _SMALL[count] if 0 <= count < len(_SMALL) else f"{count:,}"
    text = f"{word} {one if count == 1 else many or one + 's'}"
    return text[0].upper() + text[1:] if capital else text


def list_words(items: Sequence[str]) -> str:
    """a, b and c."""
    return items[0] if len(items) == 1 else f"{', '.join(items[:-1])} and {items[-1]}" if items else ""


def side_words(side: str) -> str:
    """Right hip."""
    return f"{side.capitalize()} hip"


def label_of(name: str) -> str:
    """A measure's name as a surgeon says it, without side and unit."""
    bare = name.removeprefix("right_minus_left.").removeprefix("right.").removeprefix("left.")
    if bare in _LABELS:
        return _LABELS[bare]
    for unit in _UNITS:
        bare = bare.removesuffix(unit)
    return bare.replace("_", " ")


def says_number(measured: Measured, decimals: int | None = None, *, signed: bool = False) -> str:
    """A value within a sentence: "27.0 mm (25.1 to 28.9)", or why there is none."""
    places = _DECIMALS.get(measured.unit, 1) if decimals is None else decimals
    if not measured.known:
        return "not known"
    unit = unit_words(measured)
    value = value_words(measured, places, signed=signed) + (f" {unit}" if unit else "")
    return f"{value} ({interval_words(measured, places)})"


def number(
    key: str,
    label: str,
    measured: Measured,
    *,
    decimals: int | None = None,
    signed: bool = False,
    sentence: str = "",
    rows: Sequence[tuple[str, str]] = (),
) -> Number:
    """A number ready to show, with the slip that says where it comes from."""
    slip = [WhyRow(name="from", text=measured.source), *(WhyRow(name=name, text=text) for name, text in rows if text)]
    return Number(
        key=key,
        label=label,
        value=measured.value,
        low=measured.low,
        high=measured.high,
        unit={"1": "", "count": ""}.get(measured.unit, measured.unit),
        decimals=_DECIMALS.get(measured.unit, 1) if decimals is None else decimals,
        signed=signed,
        kind=measured.kind,
        reason=measured.reason,
        note=measured.note,
        why=Why(title=label[:1].upper() + label[1:], sentence=sentence or measured.reason or "", rows=slip),
    )

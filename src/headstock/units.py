"""Units as they are written beside a number, and the few conversions between them.

Names of variables carry the unit in SI case (`_mm`, `_deg`, `_N`), and so do
the strings here, which are also keys of JSON; `written` is what a person reads.
Angles are degrees at every boundary.
"""

import re
from typing import Final, Literal

__all__ = ["DEG", "MM", "MM_PER_PX", "PERCENT", "RATIO", "Unit", "written"]

Unit = Literal["mm", "deg", "%", "1", "mm/px", "px", "mm2", "cm3", "kg", "years", "ug/L", "nmol/L", "count"]

MM: Final = "mm"
DEG: Final = "deg"
PERCENT: Final = "%"
RATIO: Final = "1"
MM_PER_PX: Final = "mm/px"

_POWERS: Final = {"2": "²", "3": "³"}


def written(unit: str) -> str:
    """A unit as a person reads it: "cm³" for "cm3"; a ratio and a count have none."""
    if unit in ("1", "count"):
        return ""
    return re.sub(r"\b(mm|cm|m)([23])\b", lambda found: found[1] + _POWERS[found[2]], unit)

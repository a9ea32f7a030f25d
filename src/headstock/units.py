"""Units as they are written beside a number, and the few conversions between them.

Names of variables carry the unit in SI case (`_mm`, `_deg`, `_N`); the strings
here are what a person reads. Angles are degrees at every boundary.
"""

from typing import Final, Literal

__all__ = ["DEG", "MM", "MM_PER_PX", "PERCENT", "RATIO", "Unit"]

Unit = Literal["mm", "deg", "%", "1", "mm/px", "px", "mm2", "cm3", "kg", "years", "ug/L", "nmol/L", "count"]

MM: Final = "mm"
DEG: Final = "deg"
PERCENT: Final = "%"
RATIO: Final = "1"
MM_PER_PX: Final = "mm/px"

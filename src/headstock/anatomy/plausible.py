"""Whether lengths on a film can be true: a wrong scale shows in the head's size before anywhere else.

In: measures of one reading, the smallest and the largest head an adult has (a limit, handed in).
Out: warnings in words. Nothing is corrected.
"""

from collections.abc import Mapping

from headstock.frames import Side
from headstock.measured import Measured

__all__ = ["head_size_warnings"]


def head_size_warnings(
    measures: Mapping[str, Measured], low_mm: float | None, high_mm: float | None
) -> tuple[str, ...]:
    """One warning for each head whose whole 95 % interval lies outside the plausible sizes.

    `measures` by their names (`left.head_diameter_mm`); missing ones are passed over. A
    bound of None does not bind.
    """
    found = []
    for side in Side:
        size = measures.get(f"{side.value}.head_diameter_mm")
        if size is None or size.value is None:
            continue
        low = size.value if size.low is None else size.low
        high = size.value if size.high is None else size.high
        too = (
            "small"
            if low_mm is not None and high < low_mm
            else "large"
            if high_mm is not None and low > high_mm
            else ""
        )
        if too:
            found.append(
                f"The {side.value} head measures {size.value:.0f} mm across, too {too} to be true of an adult: every "
                "length on this film is in doubt. Check the marker's diameter, which object was taken for it, and the "
                "head's circle."
            )
    return tuple(found)

"""From what spacing on a scan is too coarse, and how much memory one scan may ask for.

The spacings are clinical limits: the table of limits holds them, and `COMMON`
repeats them for callers without a table (a test holds the two against each other).
"""

from dataclasses import dataclass
from typing import Final

from headstock.errors import ImageError

__all__ = ["COMMON", "ScanLimits"]


@dataclass(frozen=True, slots=True)
class ScanLimits:
    """Bounds on one scan.

    `step_warned_mm`, `step_refused_mm`: distance between slices above which measures carry a warning, and above
    which nothing is planned. `pixel_warned_mm`, `pixel_refused_mm`: the same within a slice.
    `megavoxels`: the largest volume that is opened; a technical bound, 600 hold 2,288 slices of 512 by 512.
    """

    step_warned_mm: float = 1.5
    step_refused_mm: float = 3.0
    pixel_warned_mm: float = 1.5
    pixel_refused_mm: float = 3.0
    megavoxels: float = 600.0

    def check_size(self, slices: int, rows: int, columns: int) -> None:
        """Refuse a volume larger than the bound.

        Raises
        ------
        ImageError
            Too many voxels.
        """
        if slices * rows * columns > self.megavoxels * 1e6:
            raise ImageError(
                f"The scan would fill {slices} by {rows} by {columns} voxels ({slices * rows * columns / 1e6:.0f} "
                f"million); up to {self.megavoxels:g} million are opened. Export the hip alone, or a coarser series."
            )


COMMON: Final = ScanLimits()

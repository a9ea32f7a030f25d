"""From what spacing on a scan is too coarse: the table's limits, as reading a scan wants them."""

from headstock.images.scan_limits import ScanLimits
from headstock.planning.limits import Limits

__all__ = ["scan_limits"]


def scan_limits(limits: Limits) -> ScanLimits:
    """The table's bounds on spacing.

    Raises
    ------
    LimitError
        One of them is unset or missing.
    """
    return ScanLimits(
        step_warned_mm=limits.setting("scan_step_warned_mm"),
        step_refused_mm=limits.setting("scan_step_refused_mm"),
        pixel_warned_mm=limits.setting("scan_pixel_warned_mm"),
        pixel_refused_mm=limits.setting("scan_pixel_refused_mm"),
    )

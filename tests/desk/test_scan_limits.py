"""What is too coarse to plan on comes from the table of limits; the images room repeats it for callers without one."""

from headstock.desk.limits import limits_shipped
from headstock.desk.scans.coarse import scan_limits
from headstock.images.scan_limits import COMMON


def test_the_tables_spacings_and_those_of_the_images_are_the_same():
    assert scan_limits(limits_shipped()) == COMMON


def test_a_changed_limit_reaches_the_reading_of_scans():
    limits = limits_shipped().edited("scan_step_refused_mm", "A. Reader", "our own scanner", value=2.0)
    assert scan_limits(limits).step_refused_mm == 2.0

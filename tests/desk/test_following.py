"""What follows from outlines: each thing found is said once, by whoever knows it best."""

from dataclasses import replace

import numpy as np
import pytest

from headstock.anatomy.scan.complete import completeness
from headstock.anatomy.scan.hip import scan_hip
from headstock.desk.scans.following import joined
from headstock.images.scan import Scan, ScanHeader

from ..anatomy.scan.scan_cases import plain_femur, segmentation_of  # noqa: TID252  # tests are no package of their own


def found_on(seg, truth):
    """Codes of what the outlines and the hip read from them say, before and after they are joined."""
    seg = replace(seg, seed_lps_mm=truth["centre"])
    scan = Scan(np.zeros(seg.grid.shape, np.int16), seg.grid, "CT", ScanHeader())
    hip = scan_hip(scan, seg, version=(14.5, 8.1), n_draws=60)
    field = completeness(seg).findings
    together = joined(field, hip.findings)
    return [one.code for one in (*field, *hip.findings)], [one.code for one in together]


@pytest.mark.parametrize(
    ("down", "twice", "once"),
    [(75.0, "shaft_missing", "no_shaft"), (112.0, "shaft_short", "short_shaft")],
)
def test_what_is_not_in_the_field_is_said_once(down, twice, once):
    before, after = found_on(*plain_femur(2.0, down=down))
    assert {twice, once, "condyles_missing", "no_condyles"} <= set(before)
    about = [code for code in after if "shaft" in code or "condyles" in code]
    assert sorted(about) == sorted([once, "no_condyles"])


def test_a_head_that_the_field_cuts_is_said_once_with_what_forbids_planning():
    seg, truth = plain_femur(1.6)
    top = round(float(seg.grid.index(truth["centre"])[2])) + 8
    grid = seg.grid.cropped((0, 0, 0), (top, *seg.grid.shape[1:]))
    before, after = found_on(segmentation_of(np.asarray(seg.femur_mm[:top], float), grid, seg.side), truth)
    assert {"head_cut", "head_cut_off"} <= set(before)
    assert [code for code in after if code.startswith("head_cut")] == ["head_cut"]


def test_a_head_partly_out_of_the_scan_is_said_by_the_hip_where_the_field_says_nothing():
    seg, truth = plain_femur(1.6)
    top = round(float(seg.grid.index(truth["centre"])[2])) + 8
    grid = seg.grid.cropped((0, 0, 0), (top, *seg.grid.shape[1:]))
    cut = segmentation_of(np.asarray(seg.femur_mm[:top], float), grid, seg.side)
    scan = Scan(np.zeros(grid.shape, np.int16), grid, "CT", ScanHeader())
    hip = scan_hip(scan, cut, version=(14.5, 8.1), n_draws=60)
    assert "head_cut_off" in [one.code for one in joined((), hip.findings)]
    assert len(joined(hip.findings, hip.findings)) == len(hip.findings)

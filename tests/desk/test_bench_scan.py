"""The bench of scans: its phantoms, and the figures it holds against them, by closed forms."""

import numpy as np
import pytest

from headstock.desk.bench.run import PARTS, run
from headstock.desk.bench.scans import _angle_deg, _dice, _own_femur, _surface_95_mm, phantom_cases
from headstock.errors import TooFewError
from headstock.frames import Side
from headstock.geometry.grid import Grid
from headstock.phantom import PhantomSpec, ScanSpec, phantom_ct


def test_phantoms_are_the_same_every_time_half_of_them_exact_and_of_both_sides() -> None:
    cases = phantom_cases(6, 2026)
    assert cases == phantom_cases(6, 2026)
    assert [case.exact for case in cases] == [False, True] * 3
    assert [case.spec.spherical_heads for case in cases] == [False, True] * 3
    assert {case.spec.side for case in cases} == {Side.LEFT, Side.RIGHT}
    assert cases != phantom_cases(6, 2027)


def test_overlap_is_twice_the_common_part_over_both() -> None:
    a, b = np.zeros((4, 4, 4), np.bool_), np.zeros((4, 4, 4), np.bool_)
    a[:, :, :2] = True
    b[:, :, 1:3] = True
    assert _dice(a, a) == 1.0
    assert _dice(a, b) == pytest.approx(0.5)
    assert _dice(a, ~a) == 0.0


def test_distance_of_shifted_blocks_is_the_shift_in_mm_not_in_voxels() -> None:
    grid = Grid(np.zeros(3), np.eye(3), np.array([0.5, 1.0, 2.0]), (20, 20, 40))
    first, moved = np.zeros(grid.shape, np.bool_), np.zeros(grid.shape, np.bool_)
    first[5:15, 5:15, 10:30] = True
    moved[7:17, 5:15, 10:30] = True  # two slices of 2 mm
    assert _surface_95_mm(first, first, grid) == 0.0
    assert _surface_95_mm(first, moved, grid) == pytest.approx(4.0)


def test_an_axis_and_its_opposite_are_the_same_axis() -> None:
    assert _angle_deg([0.0, 0.0, 1.0], [0.0, 0.0, -2.0]) == pytest.approx(0.0, abs=1e-6)
    assert _angle_deg([1.0, 0.0, 0.0], [1.0, 1.0, 0.0]) == pytest.approx(45.0)


def test_the_femur_counted_is_the_one_under_study() -> None:
    found = phantom_ct(
        PhantomSpec(side=Side.LEFT),
        ScanSpec(region="pelvis", spacing_mm=(3.0, 3.0, 3.0), cells=1, noise_HU=0.0, above_mm=30.0, below_mm=40.0),
    )
    mine = _own_femur(found)
    assert 0 < np.count_nonzero(mine) < 0.7 * np.count_nonzero(found.femur)
    middle = found.grid.points(np.argwhere(mine).mean(axis=0)[::-1])
    assert middle[0] > 0.0  # LPS: a left hip lies at larger x
    assert np.count_nonzero(found.femur & ~mine) > 0


def test_every_part_of_scans_is_offered_and_a_mistyped_one_is_refused() -> None:
    assert {"scans", "scan-coverage", "scan-speed"} <= set(PARTS)
    with pytest.raises(TooFewError, match="No part of the bench"):
        run(parts=("scanss",))

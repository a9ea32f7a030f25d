"""HU to density: rods found in a slab, typed lines, ratios without a calibration, published chains, refusals."""

from collections.abc import Sequence

import numpy as np
import pytest
from numpy.typing import NDArray

from headstock.anatomy.scan.density import (
    RATIO_PRIOR_HU,
    apparent_density,
    ash_density,
    density_from_rods,
    find_rods,
    phantom_equivalent,
    ratio_of_HU,
    typed_density,
    uncalibrated,
)
from headstock.errors import AmbiguousError, CalibrationError, TooFewError
from headstock.images.scan import Scan, ScanHeader

from .scan_cases import straight_grid, supplied

KNOWN = (0.0, 0.1, 0.2, 0.4, 0.8)


def slab(
    HU: Sequence[float], *, spacing: float = 1.0, noise: float = 15.0, diameter: float = 14.0, seed: int = 1
) -> Scan:
    """Air, a body of soft tissue with a round artery-like strand, and under it a slab with rods along the table."""
    grid = straight_grid(np.array([-80.0, 0.0, 0.0]), np.array([80.0, 200.0, 90.0]), spacing)
    rows, columns = np.meshgrid(*(np.arange(n) * spacing for n in grid.shape[1:]), indexing="ij")
    x, y = columns - 80.0, rows
    image = np.full(x.shape, -1000.0)
    image[(x / 70.0) ** 2 + ((y - 70.0) / 60.0) ** 2 < 1.0] = 40.0
    image[np.hypot(x - 30.0, y - 60.0) < 6.0] = 180.0
    image[(np.abs(x) < 65.0) & (np.abs(y - 160.0) < 13.0)] = 20.0
    middle = 0.5 * (len(HU) - 1)
    for k, value in enumerate(HU):
        image[np.hypot(x - 22.0 * (k - middle), y - 160.0) < diameter / 2.0] = value
    values = np.broadcast_to(image, grid.shape) + noise * np.random.default_rng(seed).standard_normal(grid.shape)
    return Scan(np.rint(values).astype(np.int16), grid, "CT", ScanHeader())


def HU_of(densities: Sequence[float], slope: float, offset: float) -> NDArray[np.float64]:
    return (np.array(densities) - offset) / slope


@pytest.mark.parametrize(("slope", "offset", "spacing"), [(0.0008, 0.0, 1.0), (0.00093, 0.01, 0.8)])
def test_rods_in_the_scan_give_back_the_scanner_s_line(slope: float, offset: float, spacing: float) -> None:
    scan = slab(HU_of(KNOWN, slope, offset), spacing=spacing)
    density = density_from_rods(scan, KNOWN)
    assert density.slope is not None
    assert density.offset is not None
    assert density.slope[0] == pytest.approx(slope, rel=0.005)
    assert density.offset[0] == pytest.approx(offset, abs=0.003)
    assert abs(density.slope[0] - slope) < 4.0 * density.slope[1:].std()
    assert "5 rods" in density.source


def test_the_order_in_which_densities_are_given_does_not_matter() -> None:
    scan = slab(HU_of(KNOWN, 0.0008, 0.0))
    one, other = density_from_rods(scan, KNOWN), density_from_rods(scan, KNOWN[::-1])
    assert one.slope is not None
    assert other.slope is not None
    assert one.slope[0] == other.slope[0]


def test_rods_are_where_they_lie_and_a_strand_in_the_body_is_not_one_of_the_row() -> None:
    scan = slab(HU_of(KNOWN, 0.0008, 0.0))
    rods = [rod for rod in find_rods(scan) if abs(rod.centre_lps_mm[1] - 160.0) < 3.0]
    assert [rod.centre_lps_mm[0] for rod in rods] == pytest.approx([-44.0, -22.0, 0.0, 22.0, 44.0], abs=0.7)
    assert [rod.HU for rod in rods] == pytest.approx(HU_of(KNOWN, 0.0008, 0.0), abs=2.0)
    assert len(find_rods(scan)) > len(rods)  # the strand looks like one; the row tells it apart


def test_rods_that_lie_on_no_line_are_refused() -> None:
    HU = HU_of(KNOWN, 0.0008, 0.0)
    HU[2] += 80.0
    with pytest.raises(CalibrationError, match="one line"):
        density_from_rods(slab(HU), KNOWN)


def test_another_number_of_rods_is_refused() -> None:
    scan = slab(HU_of(KNOWN[:4], 0.0008, 0.0))
    with pytest.raises(AmbiguousError, match="4 rods"):
        density_from_rods(scan, KNOWN)


def test_a_scan_without_rods_is_refused() -> None:
    _, _, grid, hu = supplied("cedar")
    with pytest.raises(AmbiguousError):
        density_from_rods(Scan(hu, grid, "CT", ScanHeader()), KNOWN)


def test_two_rods_cannot_show_that_they_lie_on_a_line() -> None:
    with pytest.raises(TooFewError):
        density_from_rods(slab([0.0, 500.0]), (0.0, 0.4))


def test_a_typed_line_is_that_line_with_its_error() -> None:
    # The supplied patients: 0.0008 g/cm3 per HU, zero below 0 HU, sd of the slope 2 %.
    density = typed_density(0.0008, 0.0, 2.0, "density law of the scans")
    assert phantom_equivalent(density, [250.0, -40.0]) == pytest.approx([0.2, 0.0])
    assert density.slope is not None
    assert density.slope[1:].std() / density.slope[0] == pytest.approx(0.02, rel=0.1)


@pytest.mark.parametrize(
    ("slope", "offset", "sd", "source"),
    [
        (0.8, 0.0, 2.0, "mg/cm3 by mistake"),
        (0.0008, 5.0, 2.0, "x"),
        (0.0008, 0.0, -1.0, "x"),
        (float("nan"), 0.0, 2.0, "x"),
        (0.0008, 0.0, 2.0, " "),
    ],
)
def test_a_typed_line_that_no_scanner_has_is_refused(slope: float, offset: float, sd: float, source: str) -> None:
    with pytest.raises(CalibrationError):
        typed_density(slope, offset, sd, source)


def test_an_uncalibrated_scan_gives_no_density() -> None:
    density = uncalibrated()
    assert not density.calibrated
    assert "uncalibrated" in density.source
    with pytest.raises(CalibrationError, match="uncalibrated"):
        phantom_equivalent(density, 300.0)


def test_a_ratio_depends_only_on_where_density_is_zero() -> None:
    # (300 - z) / (300 - z) is 1 whatever z; (150 - z) / (300 - z) moves by -z * 150 / 300^2 to first order.
    same = ratio_of_HU(300.0, 300.0)
    assert same == pytest.approx(np.ones_like(same))
    half = ratio_of_HU(150.0, 300.0)
    assert half[0] == pytest.approx(0.5)
    assert half[1:].std() == pytest.approx(RATIO_PRIOR_HU[1] * 150.0 / 300.0**2, rel=0.1)
    with pytest.raises(TooFewError):
        ratio_of_HU(20.0, 60.0)


def test_ash_and_apparent_density_follow_the_published_chain() -> None:
    # Schileo et al., J Biomech 2008;41:2483: ash = (rho + 0.09) / 1.14 = 0.0789 + 0.877 rho; ash / apparent = 0.60.
    rho = np.array([0.0, 0.3, 1.0])
    assert ash_density(rho) == pytest.approx((rho + 0.09) / 1.14, abs=3e-4)
    assert apparent_density(0.60) == pytest.approx(1.0)
    assert apparent_density(ash_density(0.6)) == pytest.approx((0.0789 + 0.877 * 0.6) / 0.6)

"""From HU to bone density: a line found on rods in the scan, a line somebody typed, or none.

In: a CT and the densities of the rods under the patient; or slope, offset and error. Out: `Density`
(phantom-equivalent, g/cm3). Ash and apparent density are other quantities: `ash_density`,
`apparent_density` are the only ways from one to the next, and each takes the one before it.
Without a calibration there is no usable default: three sources give three lines.
Decision: docs/decisions/0222-density-is-calibrated-or-not-there.md
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from headstock.anatomy.scan.values import Density
from headstock.errors import AmbiguousError, CalibrationError, TooFewError
from headstock.images.scan import Scan
from headstock.measured import DRAWS

__all__ = [
    "RATIO_PRIOR_HU",
    "Rod",
    "apparent_density",
    "ash_density",
    "density_from_rods",
    "find_rods",
    "phantom_equivalent",
    "ratio_of_HU",
    "typed_density",
    "uncalibrated",
]

Floats = NDArray[np.float64]

# Schileo et al., J Biomech 2008;41:2483: ash = 0.0789 + 0.877 * phantom-equivalent, which is (rho + 0.09) / 1.14;
# ash / apparent = 0.60. g/cm3.
_ASH_OFFSET: Final = 0.0789
_ASH_SLOPE: Final = 0.877
_ASH_OF_APPARENT: Final = 0.60

# Prior of an uncalibrated scan: HU at which bone density is zero (mean, sd). Water and marrow lie between -100 and
# +50 HU and published lines cross zero within that; a ratio of two densities depends on nothing else of the line.
RATIO_PRIOR_HU: Final = (0.0, 30.0)

_ROD_MM: Final = (4.0, 45.0)  # diameters a rod of a phantom may have
_ROD_ROUND: Final = 0.80  # definition: share of its enclosing circle that a round section fills
_ROD_EVEN_HU: Final = 40.0  # definition: greatest robust spread of HU in a rod of one material
_ROD_SEEN: Final = 0.5  # of the slices; rods run along the table through all of them
_ROD_DRIFT_MM: Final = 3.0  # straight: a rod's centres from slice to slice lie this near a line
_LINE_HU: Final = 15.0  # definition: rods further than this from one line do not fit it
_SLOPES: Final = (0.0003, 0.002)  # g/cm3 per HU that a CT can have, 70 to 140 kV, with room


@dataclass(frozen=True, slots=True, eq=False)
class Rod:
    """One rod seen: `centre_lps_mm` (3,), `diameter_mm`, mean `HU` of its inside, `HU_sd` of one voxel there."""

    centre_lps_mm: Floats
    diameter_mm: float
    HU: float
    HU_sd: float
    slices: int


def typed_density(
    slope: float, offset: float, slope_sd_percent: float, source: str, *, n_draws: int = DRAWS, seed: int = 7
) -> Density:
    """A calibration that somebody typed: g/cm3 = slope * HU + offset.

    Raises
    ------
    CalibrationError
        A slope no CT has, or no source.
    """
    if not (np.isfinite(slope) and _SLOPES[0] <= slope <= _SLOPES[1]) or not np.isfinite(offset) or abs(offset) > 0.2:
        raise CalibrationError(
            f"A calibration of {slope:g} g/cm3 per HU with an offset of {offset:g} g/cm3 cannot be that of a CT: "
            f"slopes lie between {_SLOPES[0]:g} and {_SLOPES[1]:g}, offsets within 0.2. Check the units: g/cm3, not "
            "mg/cm3."
        )
    if not (np.isfinite(slope_sd_percent) and 0.0 <= slope_sd_percent < 50.0):
        raise CalibrationError(
            f"A standard deviation of {slope_sd_percent:g} % of the slope is none. Give it in percent, 0 to 50."
        )
    if not source.strip():
        raise CalibrationError("A typed calibration names its source (which phantom, which scanner, when). Give it.")
    drawn = np.random.default_rng(seed).standard_normal(n_draws + 1)
    drawn[0] = 0.0
    words = f"typed: {slope:g} g/cm3 per HU, offset {offset:g} g/cm3, sd {slope_sd_percent:g} % ({source.strip()})"
    return Density(slope * (1.0 + drawn * slope_sd_percent / 100.0), np.full(n_draws + 1, float(offset)), words)


def uncalibrated() -> Density:
    """No line from HU to density: only ratios within the scan are shown."""
    zero, sd = RATIO_PRIOR_HU
    return Density(
        None,
        None,
        "uncalibrated: HU of this scan were never tied to density, and no default line is usable. Ratios within the "
        f"scan hold, with an interval for where density would be zero (prior {zero:g} HU, sd {sd:g} HU).",
    )


def phantom_equivalent(density: Density, HU: ArrayLike, row: int = 0) -> Floats:
    """Phantom-equivalent density (...), g/cm3, never below 0, of HU (...), by one row of the calibration.

    Raises
    ------
    CalibrationError
        The scan is uncalibrated.
    """
    if density.slope is None or density.offset is None:
        raise CalibrationError(
            "This scan is uncalibrated, so its HU are no density. Give a calibration (rods in the scan, or slope and "
            "offset of this scanner), or look at ratios."
        )
    return np.asarray(np.maximum(density.slope[row] * np.asarray(HU, np.float64) + density.offset[row], 0.0))


def ash_density(phantom_equivalent_g_cm3: ArrayLike) -> Floats:
    """Ash density (...), g/cm3, from phantom-equivalent density (Schileo et al. 2008)."""
    return np.asarray(_ASH_OFFSET + _ASH_SLOPE * np.asarray(phantom_equivalent_g_cm3, np.float64))


def apparent_density(ash_g_cm3: ArrayLike) -> Floats:
    """Apparent density (...), g/cm3, from **ash** density (Schileo et al. 2008: ash is 0.60 of apparent)."""
    return np.asarray(np.asarray(ash_g_cm3, np.float64) / _ASH_OF_APPARENT)


def ratio_of_HU(HU: float, reference_HU: float, *, n_draws: int = DRAWS, seed: int = 7) -> Floats:
    """(1 + n,) ratio of two densities of an uncalibrated scan, drawn over where density is zero.

    The slope cancels; what remains unknown is the HU of zero density: (HU - zero) / (reference - zero), with the
    prior `RATIO_PRIOR_HU`. A ratio near 1 hardly feels it, one near 0 is little more than the prior.

    Raises
    ------
    TooFewError
        The reference lies so near zero density that a ratio to it means nothing.
    """
    zero, sd = RATIO_PRIOR_HU
    if reference_HU < zero + 4.0 * sd:
        raise TooFewError(
            f"The reference of this ratio is {reference_HU:.0f} HU, too near to no bone at all for a ratio to mean "
            "anything. Choose denser bone as the reference, or calibrate the scan."
        )
    at = zero + sd * np.random.default_rng(seed).standard_normal(n_draws + 1)
    at[0] = zero
    return np.maximum((HU - at) / (reference_HU - at), 0.0)


def find_rods(scan: Scan) -> tuple[Rod, ...]:
    """Straight, round, even cylinders along the slices below (behind) the patient, from the patient's right to left.

    Each slice is thresholded against air; round blobs of 4 to 45 mm whose inside is even, that stand in the same
    place in at least half of the slices, are rods. Blobs that touch the body or the table are found only if a
    material edge separates them: a phantom with its rods in a pad is searched inside the pad too.
    """
    from scipy import ndimage

    values = np.asarray(scan.values, dtype=np.float32)
    axes, spacing = scan.grid.axes, scan.grid.spacing_mm
    if abs(axes[2, 2]) < 0.9:
        return ()
    pixel = float(np.sqrt(spacing[0] * spacing[1]))
    seen: list[tuple[float, float, float, float, float, int]] = []
    picked = np.unique(np.linspace(0, len(values) - 1, min(len(values), 40)).astype(int))
    for k in picked:
        image = ndimage.gaussian_filter(values[k], 0.6)
        # The edge of a rod is where HU change quickly; its inside is what such edges enclose.
        steep = ndimage.gaussian_gradient_magnitude(values[k], 0.8) / pixel
        calm = steep < max(25.0 / pixel, 25.0)
        label, count = ndimage.label(calm)
        if count == 0:
            continue
        for number, box in enumerate(ndimage.find_objects(label), start=1):
            height, width = (s.stop - s.start for s in box)
            inner = (max(height * spacing[1], width * spacing[0]) + 2.0 * pixel, min(height, width))
            if not (_ROD_MM[0] <= inner[0] <= _ROD_MM[1]) or inner[1] < 3:
                continue
            mask = label[box] == number
            mask = ndimage.binary_fill_holes(mask)
            area = mask.sum() * pixel**2
            reach = max(height * spacing[1], width * spacing[0])
            if area < _ROD_ROUND * np.pi * reach**2 / 4.0 or abs(height * spacing[1] - width * spacing[0]) > 3 * pixel:
                continue
            core = ndimage.binary_erosion(mask)
            inside = values[k][box][core if core.sum() >= 9 else mask]
            mean = float(inside.mean())
            if float(1.4826 * np.median(np.abs(inside - np.median(inside)))) > _ROD_EVEN_HU or mean < -400.0:
                continue
            row, column = ndimage.center_of_mass(mask)
            at = scan.grid.points([box[1].start + column, box[0].start + row, float(k)])
            seen.append((*at, float(2.0 * np.sqrt(area / np.pi)) + 2.0 * pixel, mean, int(k)))
        del image
    return _tracks(np.array(seen).reshape(-1, 6), len(picked), values, scan)


def _tracks(seen: Floats, slices: int, values: NDArray[np.float32], scan: Scan) -> tuple[Rod, ...]:
    """Round blobs joined through the slices; those seen in most of them, at one HU and straight, are rods."""
    rods: list[Rod] = []
    left = np.ones(len(seen), dtype=bool)
    for i in range(len(seen)):
        if not left[i]:
            continue
        near = left & (np.linalg.norm(seen[:, :2] - seen[i, :2], axis=1) < 2.0 * _ROD_DRIFT_MM)
        near &= np.abs(seen[:, 4] - seen[i, 4]) < 1.5 * _ROD_EVEN_HU
        left &= ~near
        track = seen[near]
        if len(np.unique(track[:, 5])) < _ROD_SEEN * slices:
            continue
        design = np.vander(track[:, 2], 2)
        bent = track[:, :2] - design @ np.linalg.lstsq(design, track[:, :2], rcond=None)[0]
        if np.abs(bent).max() > _ROD_DRIFT_MM:
            continue
        rods.append(
            Rod(
                track[:, :3].mean(axis=0),
                float(np.median(track[:, 3])),
                float(track[:, 4].mean()),
                float(track[:, 4].std(ddof=1)) if len(track) > 1 else _ROD_EVEN_HU,
                len(track),
            )
        )
    return tuple(sorted(rods, key=lambda rod: float(rod.centre_lps_mm[0])))


def density_from_rods(scan: Scan, rods_g_cm3: Sequence[float], *, n_draws: int = DRAWS, seed: int = 7) -> Density:
    """Calibration on the rods in the scan, whose densities are known.

    Parameters
    ----------
    rods_g_cm3
        Phantom-equivalent density of each rod, in any order: denser rods are brighter.

    Returns
    -------
    The regression of density on HU with its covariance; a rod's HU errs by its scatter between slices and, with the
    others, by what one line leaves unexplained.

    Raises
    ------
    TooFewError
        Fewer than three rods, or another number of rods seen than was given.
    CalibrationError
        The rods do not lie on one line.
    """
    known = np.sort(np.asarray(rods_g_cm3, np.float64))
    if len(known) < 3 or not np.isfinite(known).all() or np.ptp(known) < 0.05:
        raise TooFewError(
            f"{len(known)} rods are too few, or too alike, to fix a line and show that it is one. Give three or more."
        )
    rods = find_rods(scan)
    if len(rods) != len(known):
        raise AmbiguousError(
            f"{len(rods)} rods were found in this scan (HU "
            f"{', '.join(f'{rod.HU:.0f}' for rod in rods) or 'none'}), but {len(known)} densities were given. Check "
            "that the whole phantom is in the field, or type the line that the phantom's own program gave."
        )
    HU = np.sort([rod.HU for rod in rods])
    design = np.stack([HU, np.ones_like(HU)], axis=1)
    line, *_ = np.linalg.lstsq(design, known, rcond=None)
    slope, offset = (float(x) for x in line)
    off_HU = (known - design @ line) / slope
    if not (_SLOPES[0] <= slope <= _SLOPES[1]) or np.abs(off_HU).max() > _LINE_HU:
        raise CalibrationError(
            f"The rods do not lie on one line: {slope:g} g/cm3 per HU, worst rod {np.abs(off_HU).max():.0f} HU from it "
            f"(at most {_LINE_HU:g} is possible). Check the densities, or whether other things were taken for rods."
        )
    noise = max(float(np.mean([rod.HU_sd for rod in rods])) / np.sqrt(np.mean([rod.slices for rod in rods])), 1.0)
    unexplained = float(np.sum((known - design @ line) ** 2) / max(len(known) - 2, 1))
    variance = max(unexplained, (slope * noise) ** 2)
    covariance = variance * np.linalg.inv(design.T @ design)
    drawn = np.random.default_rng(seed).multivariate_normal([slope, offset], covariance, n_draws + 1)
    drawn[0] = slope, offset
    words = (
        f"{len(rods)} rods in the scan ({', '.join(f'{d:g}' for d in known)} g/cm3 at "
        f"{', '.join(f'{h:.0f}' for h in HU)} HU): {slope:.6f} g/cm3 per HU, offset {offset:.4f} g/cm3, worst rod "
        f"{np.abs(off_HU).max():.1f} HU off the line"
    )
    return Density(drawn[:, 0].copy(), drawn[:, 1].copy(), words)

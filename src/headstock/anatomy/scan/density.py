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

from headstock.anatomy.scan.beside_metal import note_of
from headstock.anatomy.scan.values import Density
from headstock.errors import AmbiguousError, CalibrationError, TooFewError
from headstock.images.scan import Scan
from headstock.images.scan_metal import Metal, marked_share
from headstock.measured import DRAWS

__all__ = [
    "ASH_OF_APPARENT",
    "RATIO_PRIOR_HU",
    "Rod",
    "apparent_density",
    "ash_density",
    "ash_density_unrounded",
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
ASH_OF_APPARENT: Final = 0.60

# Prior of an uncalibrated scan: HU at which bone density is zero (mean, sd). Water and marrow lie between -100 and
# +50 HU and published lines cross zero within that; a ratio of two densities depends on nothing else of the line.
RATIO_PRIOR_HU: Final = (0.0, 30.0)

_ROD_MM: Final = (4.0, 45.0)  # diameters a rod of a phantom may have
_ROD_ROUND: Final = 0.80  # definition: share of its enclosing circle that a round section fills
_ROD_EVEN_HU: Final = 25.0  # definition: greatest spread of HU in a rod of one material, 15 mm of it averaged
_ROD_SEEN: Final = 0.5  # of the blocks; rods run along the table through all of them
_BLOCK_MM: Final = 15.0
# HU per pixel from which a place is an edge, tried one after the other: a faint rod is parted from its slab by the
# first, noise and the streaks of a coarse kernel need the last.
_EDGE_HU: Final = (4.0, 6.0, 9.0, 14.0)
_ROD_DRIFT_MM: Final = 3.0  # straight: a rod's centres from slice to slice lie this near a line
_LINE_HU: Final = 15.0  # definition: rods further than this from one line do not fit it
_SLOPES: Final = (0.0003, 0.002)  # g/cm3 per HU that a CT can have, 70 to 140 kV, with room


@dataclass(frozen=True, slots=True, eq=False)
class Rod:
    """One rod: `centre_lps_mm` (3,), `diameter_mm`, mean `HU` of its inside, its `HU_sd` between `blocks` of slices."""

    centre_lps_mm: Floats
    diameter_mm: float
    HU: float
    HU_sd: float
    blocks: int


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
            f"A calibration of {slope:g} g/cm³ per HU with an offset of {offset:g} g/cm³ cannot be that of a CT: "
            f"slopes lie between {_SLOPES[0]:g} and {_SLOPES[1]:g}, offsets within 0.2. Check the units: g/cm³, not "
            "mg/cm³."
        )
    if not (np.isfinite(slope_sd_percent) and 0.0 <= slope_sd_percent < 50.0):
        raise CalibrationError(
            f"A standard deviation of {slope_sd_percent:g} % of the slope is none. Give it in percent, 0 to 50."
        )
    if not source.strip():
        raise CalibrationError("A typed calibration names its source (which phantom, which scanner, when). Give it.")
    drawn = np.random.default_rng(seed).standard_normal(n_draws + 1)
    drawn[0] = 0.0
    words = f"typed: {slope:g} g/cm³ per HU, offset {offset:g} g/cm³, sd {slope_sd_percent:g} % ({source.strip()})"
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


def ash_density_unrounded(phantom_equivalent_g_cm3: ArrayLike) -> Floats:
    """The same before rounding, (rho + 0.09) / 1.14: differs by less than 1e-4 g/cm3."""
    return np.asarray((np.asarray(phantom_equivalent_g_cm3, np.float64) + 0.09) / 1.14)


def apparent_density(ash_g_cm3: ArrayLike) -> Floats:
    """Apparent density (...), g/cm3, from **ash** density (Schileo et al. 2008: ash is 0.60 of apparent)."""
    return np.asarray(np.asarray(ash_g_cm3, np.float64) / ASH_OF_APPARENT)


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
    """Round, even, straight bodies that run along the slices, from the patient's right to left.

    Slices are averaged in blocks of about 15 mm, so that a rod only 20 HU from its slab shows its edge. A block is
    parted at its edges; a round part of 4 to 45 mm with an even inside that stands in the same place in half of the
    blocks counts. Vessels and marrow can look like that too: which of them form a phantom is for `density_from_rods`.
    """
    values = np.asarray(scan.values)
    if abs(scan.grid.axes[2, 2]) < 0.9:
        return ()
    count = max(len(values) // max(round(_BLOCK_MM / float(scan.grid.spacing_mm[2])), 1), 1)
    blocks = np.array_split(np.arange(len(values)), count)
    seen: list[Floats] = []
    for k, block in enumerate(blocks):
        image = values[block].mean(axis=0, dtype=np.float64)
        seen += [np.append(part, float(k)) for part in _round_parts(image, scan, float(block.mean()))]
    return _tracks(np.array(seen).reshape(-1, 7), count)


def _round_parts(image: Floats, scan: Scan, number: float) -> list[Floats]:
    """Round even parts of one image: centre LPS (3), diameter, mean HU, standard error of that HU."""
    from scipy import ndimage

    spacing = scan.grid.spacing_mm
    pixel = float(np.sqrt(spacing[0] * spacing[1]))
    steep = ndimage.gaussian_gradient_magnitude(image, 0.8)  # HU per pixel
    inside = image > -300.0
    if inside.sum() < 100:
        return []
    found: list[Floats] = []
    for limit in _EDGE_HU:
        label, _ = ndimage.label(steep < limit)
        for part, box in enumerate(ndimage.find_objects(label), start=1):
            height, width = (box[i].stop - box[i].start for i in (0, 1))
            tall, wide = height * float(spacing[1]), width * float(spacing[0])
            if min(height, width) < 3 or not _ROD_MM[0] <= max(tall, wide) + 2.0 * pixel <= _ROD_MM[1]:
                continue
            mask = np.asarray(label[box] == part)
            area = float(mask.sum()) * pixel**2
            if area < _ROD_ROUND * np.pi * max(tall, wide) ** 2 / 4.0 or abs(tall - wide) > max(
                2.0 * pixel, 0.15 * wide
            ):
                continue
            core = ndimage.binary_erosion(mask)
            grey = image[box][core if core.sum() >= 9 else mask]
            if float(grey.std()) > _ROD_EVEN_HU or float(grey.mean()) < -300.0:
                continue
            row, column = ndimage.center_of_mass(mask)
            at = scan.grid.points([box[1].start + column, box[0].start + row, number])
            diameter = (
                float(2.0 * np.sqrt(area / np.pi)) + 2.0 * pixel
            )  # the edge itself, a pixel either side, is not in it
            found.append(np.array([*at, diameter, grey.mean(), grey.std() / np.sqrt(len(grey))]))
    return found


def _tracks(seen: Floats, blocks: int) -> tuple[Rod, ...]:
    """Round parts joined through the blocks; those that stand in one place, straight, at one HU are rods."""
    rods: list[Rod] = []
    left = np.ones(len(seen), dtype=bool)
    for i in range(len(seen)):
        if not left[i]:
            continue
        near = left & (np.linalg.norm(seen[:, :2] - seen[i, :2], axis=1) < 2.0 * _ROD_DRIFT_MM)
        near &= np.abs(seen[:, 4] - seen[i, 4]) < _ROD_EVEN_HU
        left &= ~near
        track = seen[near]
        if len(np.unique(track[:, 6])) < max(_ROD_SEEN * blocks, 2.0):
            continue
        design = np.vander(track[:, 2], 2)
        bent = track[:, :2] - design @ np.linalg.lstsq(design, track[:, :2], rcond=None)[0]
        if np.abs(bent).max() > _ROD_DRIFT_MM:
            continue
        rods.append(
            Rod(
                np.asarray(track[:, :3].mean(axis=0)),
                float(np.median(track[:, 3])),
                float(track[:, 4].mean()),
                float(track[:, 4].std(ddof=1)),
                len(np.unique(track[:, 6])),
            )
        )
    return tuple(sorted(rods, key=lambda rod: float(rod.centre_lps_mm[0])))


def _row(rods: tuple[Rod, ...], wanted: int) -> tuple[Rod, ...]:
    """The rods of the phantom: of one thickness, in one row behind the patient, with even gaps.

    Raises
    ------
    AmbiguousError
        No row has as many rods as densities were given.
    """
    best: tuple[Rod, ...] = ()
    for first in rods:
        row = tuple(
            rod
            for rod in rods
            if abs(float(rod.centre_lps_mm[1] - first.centre_lps_mm[1])) < 0.5 * first.diameter_mm
            and abs(rod.diameter_mm - first.diameter_mm) < 0.45 * first.diameter_mm
        )
        deep = float(np.mean([rod.centre_lps_mm[1] for rod in row]))
        if len(row) > len(best) or (
            len(row) == len(best) and deep > float(np.mean([rod.centre_lps_mm[1] for rod in best]))
        ):
            best = row
    if len(best) != wanted:
        raise AmbiguousError(
            f"{len(best)} rods in a row were found in this scan ({', '.join(f'{rod.HU:.0f}' for rod in best) or 'no'} "
            f"HU), but {wanted} densities were given. Check that the whole phantom is in the field and that every rod "
            "was listed, or type the line that the phantom's own program gave."
        )
    return best


def density_from_rods(
    scan: Scan, rods_g_cm3: Sequence[float], *, metal: Metal | None = None, n_draws: int = DRAWS, seed: int = 7
) -> Density:
    """Calibration on the rods in the scan, whose densities are known.

    Parameters
    ----------
    rods_g_cm3
        Phantom-equivalent density of each rod, in any order: denser rods are brighter.
    metal
        Metal of the scan: a note says how much of the rods lies within reach of its streaks.

    Returns
    -------
    The regression of density on HU with its covariance; a rod's HU errs by its scatter between blocks of slices and,
    with the others, by what one line leaves unexplained.

    Raises
    ------
    TooFewError
        Fewer than three densities, or all alike.
    AmbiguousError
        Another number of rods seen than was given.
    CalibrationError
        The rods do not lie on one line.
    """
    known = np.sort(np.asarray(rods_g_cm3, np.float64))
    if len(known) < 3 or not np.isfinite(known).all() or np.ptp(known) < 0.05:
        raise TooFewError(
            f"{len(known)} rods are too few, or too alike, to fix a line and show that it is one. Give three or more."
        )
    rods = _row(find_rods(scan), len(known))
    HU = np.sort([rod.HU for rod in rods])
    design = np.stack([HU, np.ones_like(HU)], axis=1)
    line, *_ = np.linalg.lstsq(design, known, rcond=None)
    slope, offset = (float(x) for x in line)
    off_HU = (known - design @ line) / slope
    if not (_SLOPES[0] <= slope <= _SLOPES[1]) or np.abs(off_HU).max() > _LINE_HU:
        raise CalibrationError(
            f"The rods do not lie on one line: {slope:g} g/cm³ per HU, worst rod {np.abs(off_HU).max():.0f} HU from it "
            f"(at most {_LINE_HU:g} is possible). Check the densities, or whether other things were taken for rods."
        )
    noise = max(float(np.mean([rod.HU_sd for rod in rods])) / np.sqrt(np.mean([rod.blocks for rod in rods])), 1.0)
    unexplained = float(np.sum((known - design @ line) ** 2) / max(len(known) - 2, 1))
    variance = max(unexplained, (slope * noise) ** 2)
    covariance = variance * np.linalg.inv(design.T @ design)
    drawn = np.random.default_rng(seed).multivariate_normal([slope, offset], covariance, n_draws + 1)
    drawn[0] = slope, offset
    words = (
        f"{len(rods)} rods in the scan ({', '.join(f'{d:g}' for d in known)} g/cm³ at "
        f"{', '.join(f'{h:.0f}' for h in HU)} HU): {slope:.6f} g/cm³ per HU, offset {offset:.4f} g/cm³, worst rod "
        f"{np.abs(off_HU).max():.1f} HU off the line"
    )
    note = None if metal is None else note_of([("the rods", marked_share(metal, scan.grid, _cores(rods, scan)))])
    return Density(drawn[:, 0].copy(), drawn[:, 1].copy(), words, note)


def _cores(rods: Sequence[Rod], scan: Scan) -> Floats:
    """(n, 3) LPS along the middle of each rod, one point a slice: rods run along the slices, straight within 3 mm."""
    along = scan.grid.axes[:, 2]
    lines = []
    for rod in rods:
        at = scan.grid.index(rod.centre_lps_mm)[2]
        steps = (np.arange(scan.grid.shape[0]) - at) * scan.grid.spacing_mm[2]
        # A rod lies along the table, LPS z; slices may lean.
        lines.append(rod.centre_lps_mm + steps[:, None] * np.array([0.0, 0.0, np.sign(along[2])]))
    return np.concatenate(lines)

"""Where dead or cystic bone may lie: low-density regions of the head with an edge all round.

In: grey values (HU, or voxels of unknown unit) on a cube-shaped grid of work, the femur on it, the head sphere. Out:
a mask for each region, on that grid.

Normal bone of a head grows thinner without an edge (toward the neck, Ward's triangle, under the plate); dead bone
ends at a rim. So no level of HU decides. Every level is tried: what lies below it falls apart into regions, and a
region counts when it is closed (does not run on down the neck), when the bone just outside it is denser than inside
by a share that must be stated, and when that holds on most of its border. Of nested regions the one whose border has
the steepest edge is kept.
Decision: docs/decisions/0230-dead-bone-has-an-edge.md
"""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from headstock.anatomy.scan._lesion_grid import Work

__all__ = ["Region", "dead_regions", "normalised"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# definition: what counts as a region of dead bone.
PLATE_MM: Final = 2.0  # skin of the femur where cortex and partial volume hide what is inside
SMOOTHING_MM: Final = 1.0
LEAST_CM3: Final = 0.10  # smaller ones are not told from a marrow space
LEAST_DEPTH_SHARE: Final = 0.22  # bone just outside is denser by this share of itself (counted from fat, -100 HU)
LEAST_CLOSED: Final = 0.72  # share of the border on which half of that holds
LEAST_SIGNS: Final = 5.0  # ... in standard deviations of the smoothed noise
FARTHEST_CENTRE: Final = 1.15  # of the head radius: a region's middle lies in the head or the upper neck
FAT_HU: Final = -100.0
_LEVELS: Final = 36
_RING_MM: Final = (1.0, 3.5)


@dataclass(frozen=True, slots=True, eq=False)
class Region:
    """A region of low density: `mask` on the work grid; `contrast` to the bone just outside, in the units of the grey
    values; `edge`: mean slope across its border, units per mm; `closed`: share of the border that is an edge."""

    mask: Mask
    contrast: float
    edge: float
    closed: float


def normalised(values: Floats, weight: NDArray[np.generic], sigma_vox: float) -> Floats:
    """Gaussian mean of `values` over the voxels of `weight` alone (Knutsson and Westin 1993, normalised
    convolution)."""
    w = np.asarray(weight, np.float32)
    top = ndimage.gaussian_filter(np.asarray(values, np.float32) * w, sigma_vox, mode="nearest", truncate=3.5)
    bottom = ndimage.gaussian_filter(w, sigma_vox, mode="nearest", truncate=3.5)
    return np.asarray(np.where(bottom > 1e-3, top / np.maximum(bottom, 1e-3), values), np.float64)


def noise_sd(values: Floats, zone: Mask) -> float:
    """Standard deviation of the noise of one voxel: from second differences along each axis inside `zone`, median of
    the three."""
    found = []
    for axis in range(3):
        v = np.moveaxis(values, axis, 0)
        m = np.moveaxis(zone, axis, 0)
        inside = m[:-2] & m[1:-1] & m[2:]
        if inside.sum() > 200:
            second = (v[:-2] - 2.0 * v[1:-1] + v[2:])[inside]
            found.append(1.4826 * np.median(np.abs(second - np.median(second))) / np.sqrt(6.0))
    return float(np.median(found)) if found else 0.0


def dead_regions(work: Work) -> tuple[Region, ...]:
    """Regions of dead bone, the one with the steepest edge first; none found: empty."""
    h = work.step_mm
    zone = work.zone & (work.depth_mm > PLATE_MM)
    if zone.sum() * h**3 < 1000.0 * LEAST_CM3:
        return ()
    smooth = normalised(work.values, zone, SMOOTHING_MM / h)
    # The mean of n voxels by a Gaussian has the noise of (4 pi sigma^2)^(3/2) voxels.
    sd = noise_sd(work.values, zone) / (4.0 * np.pi * (SMOOTHING_MM / h) ** 2) ** 0.75
    slope = np.sqrt(sum(g**2 for g in np.gradient(normalised(smooth, zone, 0.5 / h), h)))
    core = zone & work.core
    levels = np.unique(np.quantile(smooth[core], np.linspace(0.005, 0.97, _LEVELS)))
    found: list[tuple[Region, tuple[slice, ...]]] = []
    for level in levels:
        labels, _ = ndimage.label(zone & (smooth < level))
        for number, box in enumerate(ndimage.find_objects(labels), start=1):
            if box is None or np.prod([s.stop - s.start for s in box]) * h**3 < 1000.0 * LEAST_CM3:
                continue
            region = _region(work, zone, smooth, slope, labels, number, box, sd)
            if region is not None:
                found.append((region, box))
    found.sort(key=lambda pair: -pair[0].edge)
    taken = np.zeros(zone.shape, bool)
    kept: list[Region] = []
    for region, _box in found:
        if not (region.mask & taken).any():
            kept.append(region)
            # A region touching another is part of the same lesion's rim.
            taken |= ndimage.binary_dilation(region.mask, iterations=max(1, round(1.5 / h)))
    return tuple(kept)


def _region(
    work: Work,
    zone: Mask,
    smooth: Floats,
    slope: Floats,
    labels: NDArray[np.integer[Any]],
    number: int,
    box: tuple[slice, ...],
    sd: float,
) -> Region | None:
    h = work.step_mm
    pad = int(np.ceil(_RING_MM[1] / h)) + 1
    wide = tuple(slice(max(s.start - pad, 0), s.stop + pad) for s in box)
    mask = labels[wide] == number
    volume = mask.sum() * h**3
    if volume < 1000.0 * LEAST_CM3 or (mask & work.open_end[wide]).any():
        return None
    if volume > 0.7 * 4.0 / 3.0 * np.pi * work.radius_mm**3:
        return None
    if (
        np.linalg.norm((work.offsets_mm[wide] * mask[..., None]).sum((0, 1, 2)) / mask.sum())
        > FARTHEST_CENTRE * work.radius_mm
    ):
        return None
    out = ndimage.distance_transform_edt(~mask, sampling=h)
    within = ndimage.distance_transform_edt(mask, sampling=h)
    ring = zone[wide] & (out > _RING_MM[0]) & (out <= _RING_MM[1])
    border = zone[wide] & (out > 0.0) & (out <= 1.01 * h)
    if ring.sum() < 20 or border.sum() < 8:
        return None
    values = smooth[wide]
    deep = mask & (within >= min(1.5, 0.6 * within.max()))
    inside = float(np.median(values[deep]))
    outside = float(np.median(values[ring]))
    contrast = outside - inside
    scale = max(outside - FAT_HU, 1.0) if work.hounsfield else max(outside - float(values[zone[wide]].min()), 1.0)
    if contrast < LEAST_SIGNS * sd or contrast < LEAST_DEPTH_SHARE * scale:
        return None
    # The border toward the plate says nothing; all other border must be an edge.
    beside = normalised(values, ring, 1.0 / h)
    closed = float(np.mean(beside[border] - inside > 0.5 * contrast))
    if closed < LEAST_CLOSED:
        return None
    shell = border | (zone[wide] & mask & (within <= 1.01 * h) & (work.depth_mm[wide] > PLATE_MM + h))
    full = np.zeros(zone.shape, bool)
    full[wide] = mask
    return Region(full, contrast, float(np.mean(slope[wide][shell])), closed)

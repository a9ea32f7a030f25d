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
LEAST_CM3: Final = 0.04  # smaller ones are not told from a marrow space
LEAST_DEPTH_SHARE: Final = 0.22  # bone just outside is denser by this share of itself (counted from fat, -100 HU)
LEAST_SIGNS: Final = 5.0  # ... in standard deviations of the smoothed noise
LEAST_TEXTURE: Final = 10.0  # ... and times the fine texture of this head's own bone: marrow spaces are less dense too
TREND_MM: Final = 2.0  # what changes more slowly than this is not fine texture
LARGE_CM3: Final = 8.0  # a region larger than this need stand out from the texture half as much
SMOOTHER_PART: Final = 0.2  # of the head, by whose texture all of it is judged
LEAST_CLOSED: Final = 0.72  # share of the border on which half of that holds
LEAST_SLOPE: Final = 0.14  # of the contrast, 1/mm: what takes more than about 7 mm to rise has no edge
FARTHEST_CENTRE: Final = 1.15  # of the head radius: a region's middle lies in the head or the upper neck
MOST_OF_HEAD: Final = 0.85  # of the head sphere: more is a head whose density was misread
LEAST_REST_CM3: Final = 0.5  # what is left of a region that holds another lesion
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
    core = zone & work.core
    if not core.any():
        return ()
    rough = np.where(zone, smooth - normalised(smooth, zone, TREND_MM / h), 0.0)
    local = np.sqrt(np.maximum(normalised(rough**2, zone, TREND_MM / h), 0.0))
    # Rims of lesions are rough too, and a large one leaves little of the head without: the smoother part speaks.
    texture = float(np.quantile(local[core], SMOOTHER_PART))
    slope = np.sqrt(sum(g**2 for g in np.gradient(normalised(smooth, zone, 0.5 / h), h)))
    levels = np.unique(np.quantile(smooth[core], np.linspace(0.005, 0.97, _LEVELS)))
    search = _Search(work, zone, smooth, slope, LEAST_SIGNS * sd, LEAST_TEXTURE * texture)
    found: list[Region] = []
    for level in levels:
        labels, _ = ndimage.label(zone & (smooth < level))
        for number, box in enumerate(ndimage.find_objects(labels), start=1):
            if box is None or np.prod([s.stop - s.start for s in box]) * h**3 < 1000.0 * LEAST_CM3:
                continue
            region = search.judged(_within(labels, number, box), box)
            if region is not None:
                found.append(region)
    found.sort(key=lambda region: -region.edge)
    return search.apart(found)


def _within(labels: NDArray[np.integer[Any]], number: int, box: tuple[slice, ...]) -> Mask:
    full = np.zeros(labels.shape, bool)
    full[box] = labels[box] == number
    return full


@dataclass(frozen=True, slots=True, eq=False)
class _Search:
    """What regions are judged by: the smoothed grey values of the zone, their slope, the least contrast."""

    work: Work
    zone: Mask
    smooth: Floats
    slope: Floats
    least_by_noise: float
    least_by_texture: float

    def judged(self, mask: Mask, box: tuple[slice, ...], taken: Mask | None = None) -> Region | None:
        """The region when it is dead bone by the rules of this file, else None. `taken`: bone of other lesions, which
        says nothing about this one's border."""
        work, h = self.work, self.work.step_mm
        pad = int(np.ceil(_RING_MM[1] / h)) + 1
        wide = tuple(slice(max(s.start - pad, 0), s.stop + pad) for s in box)
        part = mask[wide]
        zone = self.zone[wide] if taken is None else self.zone[wide] & ~taken[wide]
        volume = part.sum() * h**3
        whole_head = 4.0 / 3.0 * np.pi * work.radius_mm**3
        if not 1000.0 * LEAST_CM3 <= volume <= MOST_OF_HEAD * whole_head or (part & work.open_end[wide]).any():
            return None
        middle = work.offsets_mm[wide][part].mean(axis=0)
        if np.linalg.norm(middle) > FARTHEST_CENTRE * work.radius_mm:
            return None
        out = ndimage.distance_transform_edt(~part, sampling=h)
        within = ndimage.distance_transform_edt(part, sampling=h)
        ring = zone & (out > _RING_MM[0]) & (out <= _RING_MM[1])
        border = zone & (out > 0.0) & (out <= 1.01 * h)
        if ring.sum() < 20 or border.sum() < 8:
            return None
        values = self.smooth[wide]
        inside = float(np.median(values[part & (within >= min(1.5, 0.6 * within.max()))]))
        outside = float(np.median(values[ring]))
        contrast = outside - inside
        empty = FAT_HU if work.hounsfield else float(values[zone].min())
        # No marrow space is that large; and so large a lesion leaves little bone by which to know the texture.
        texture = self.least_by_texture * (0.5 if volume > 1000.0 * LARGE_CM3 else 1.0)
        if contrast < max(self.least_by_noise, texture, LEAST_DEPTH_SHARE * max(outside - empty, 1.0)):
            return None
        # The border toward the plate says nothing; all other border must be an edge.
        beside = normalised(values, ring, 1.0 / h)
        closed = float(np.mean(beside[border] - inside > 0.5 * contrast))
        if closed < LEAST_CLOSED:
            return None
        shell = border | (zone & part & (within <= 1.01 * h) & (work.depth_mm[wide] > PLATE_MM + h))
        edge = float(np.mean(self.slope[wide][shell]))
        return Region(mask, contrast, edge, closed) if edge > LEAST_SLOPE * contrast else None

    def apart(self, found: list[Region]) -> tuple[Region, ...]:
        """Of regions that overlap the one with the steeper edge; what is left of a region that holds another one, when
        that is dead bone by itself (a cyst in a dead sector)."""
        h = self.work.step_mm
        taken = np.zeros(self.zone.shape, bool)
        kept: list[Region] = []
        for region in found:
            one: Region | None = region
            if (region.mask & taken).any():
                one = self._rest(region, taken)
            if one is not None:
                kept.append(one)
                # A region touching another is part of the same lesion's rim.
                taken |= ndimage.binary_dilation(one.mask, iterations=max(1, round(1.5 / h)))
        return tuple(kept)

    def _rest(self, region: Region, taken: Mask) -> Region | None:
        h = self.work.step_mm
        rest = region.mask & ~taken
        if rest.sum() * h**3 < 1000.0 * LEAST_REST_CM3:
            return None
        rest = ndimage.binary_opening(rest, iterations=max(1, round(1.5 / h)))
        labels, count = ndimage.label(rest)
        if not count:
            return None
        number = int(np.argmax(np.bincount(labels.ravel())[1:])) + 1
        box = ndimage.find_objects(labels)[number - 1]
        mask = _within(labels, number, box)
        if mask.sum() * h**3 < 1000.0 * LEAST_REST_CM3:
            return None
        return self.judged(mask, box, taken)

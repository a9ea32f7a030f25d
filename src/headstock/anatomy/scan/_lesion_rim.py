"""Where the rim of dead bone lies between voxels, and how far it may lie elsewhere.

In: a region of dead bone on the work grid. Out: signed distance to its best rim, mm, negative inside, and the half
width of the rim's uncertain band.

The rim is where the grey value is halfway between dead bone and the bone just outside, both taken near that place:
density of sound bone changes across the head, so one level does not fit all round. Under the plate of the joint
surface grey values say nothing: cortex and partial volume hide the rim there. It is carried on from the rim that is
seen, by the smoothest closed surface through it.
Decision: docs/decisions/0231-the-rim-lies-halfway.md
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from headstock.anatomy.scan._lesion_find import PLATE_MM, Region, noise_sd, normalised
from headstock.anatomy.scan._lesion_grid import FAR_MM, Work

__all__ = ["Rim", "level_distance", "rim_of"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

_SMOOTH_MM: Final = 0.6
_LOCAL_MM: Final = 3.0  # how far around a place its inside and outside levels are taken from
_CARRIED_FROM_MM: Final = 1.0  # below the plate the carried-on rim takes over within this depth
_RIM_POINTS: Final = 500
_CLIP: Final = 3.0
_LEAST_HALF_BAND_MM: Final = 0.25
_MOST_HALF_BAND_MM: Final = 2.5


@dataclass(frozen=True, slots=True, eq=False)
class Rim:
    """`best_mm`: signed distance to the best rim, not cut off at the bone's surface; `half_band_mm`: half the width
    between inner and outer estimate; `noise_mm`: what noise and curvature leave in the rim's common position."""

    best_mm: Floats
    half_band_mm: float
    noise_mm: float
    hidden_share: float


def level_distance(field: Floats, step_mm: float) -> Floats:
    """Signed distance to the zero level of `field`, negative where the field is; between voxels, by the nearest point
    of the level surface (marching cubes, Lorensen and Cline 1987) and its normal. `FAR_MM` with the field's sign when
    there is no level."""
    from scipy.spatial import cKDTree
    from skimage.measure import marching_cubes

    sign = np.where(field < 0.0, -1.0, 1.0)
    if not (field < 0.0).any() or not (field >= 0.0).any():
        return np.asarray(sign * FAR_MM)
    corners, _, normals, _ = marching_cubes(np.asarray(field, np.float32), 0.0)  # type: ignore[no-untyped-call]
    index = np.indices(field.shape).reshape(3, -1).T
    away, nearest = cKDTree(corners).query(index, workers=2)
    flat = np.abs(np.sum((index - corners[nearest]) * normals[nearest], axis=1))
    # Near the surface the plane of the nearest corner is meant, not the corner itself.
    distance = np.where(away < 1.5, np.minimum(flat, away), away)
    return np.asarray(sign * distance.reshape(field.shape) * step_mm)


def rim_of(work: Work, region: Region) -> Rim:
    """The rim of one region.

    Lin, Lout: inside and outside level near each place. u = (grey - Lin) / (Lout - Lin); the rim is u = 1/2.
    """
    h = work.step_mm
    box = _box(region.mask, int(np.ceil(7.0 / h)), work.values.shape)
    mask, depth = region.mask[box], work.depth_mm[box]
    values, femur = work.values[box], depth > 0.0
    zone = femur & (depth > PLATE_MM)
    out = ndimage.distance_transform_edt(~mask, sampling=h)
    within = ndimage.distance_transform_edt(mask, sampling=h)
    deep = mask & (within >= min(1.8, 0.7 * within.max())) & (depth > min(PLATE_MM + 1.0, 0.8 * depth[mask].max()))
    ring = zone & (out > 1.5) & (out <= 4.0)
    sigma = _LOCAL_MM / h
    inside = _levelled(values, deep, sigma)
    outside = _levelled(values, ring, sigma)
    grey = normalised(values, zone, _SMOOTH_MM / h)
    span = np.maximum(outside - inside, 0.35 * region.contrast)
    u = np.clip((grey - inside) / span, -1.0, 2.0)
    seen = zone & (out <= 3.0)
    slope = _slope(u, seen & (np.abs(u - 0.5) < 0.3), h)
    field = np.clip((u - 0.5) / slope, -_CLIP, _CLIP)
    field = np.where(out > 3.5, _CLIP, field)
    # Deep inside, marrow spaces and noise make no holes: dead bone is whole.
    field = np.where(within > 2.5, np.minimum(field, -0.5), field)
    field, hidden = _carried_under_plate(field, depth, zone, out, mask, h)
    field = np.where(depth < -1.5, np.maximum(field, 0.5), field) if hidden == 0.0 else field
    field = _one_piece(field, mask)
    best = level_distance(field, h)
    volume = np.clip(0.5 - best / h, 0.0, 1.0).sum() * h**3
    radius = max((3.0 * volume / (4.0 * np.pi)) ** (1.0 / 3.0), 2.0)
    # A blurred edge of a ball of radius r has its half level sigma^2 / r too far in (Gaussian blur, first order).
    best = best - (_SMOOTH_MM**2 + h * h / 12.0) / radius
    half_band = float(np.clip(0.35 / slope, _LEAST_HALF_BAND_MM, _MOST_HALF_BAND_MM))
    noise = noise_sd(values, zone) / max(region.contrast, 1e-6) / slope
    area_mm2 = 4.0 * np.pi * radius**2
    noise_mm = float(noise / np.sqrt(max(area_mm2 / h**2, 1.0)))
    full = np.full(work.values.shape, FAR_MM)
    full[box] = best
    return Rim(full, half_band, noise_mm, hidden)


def _box(mask: Mask, pad: int, shape: tuple[int, ...]) -> tuple[slice, ...]:
    (found,) = ndimage.find_objects(mask.astype(np.int8))
    return tuple(slice(max(s.start - pad, 0), min(s.stop + pad, n)) for s, n in zip(found, shape, strict=True))


def _levelled(values: Floats, where: Mask, sigma_vox: float) -> Floats:
    """Level of `where` near each voxel; far from any of it the level of its nearest part."""
    if not where.any():
        raise ValueError("no voxel to take a level from")
    local = normalised(values, where, sigma_vox)
    reached = ndimage.gaussian_filter(where.astype(np.float32), sigma_vox, mode="nearest", truncate=3.5) > 0.02
    if not reached.any():
        return np.full(values.shape, float(np.median(values[where])))
    nearest = ndimage.distance_transform_edt(~reached, return_distances=False, return_indices=True)
    return np.asarray(local[tuple(nearest)])


def _slope(u: Floats, at: Mask, h: float) -> float:
    """Mean slope of u across the rim, 1/mm."""
    gradient = np.sqrt(sum(g**2 for g in np.gradient(u, h)))
    found = gradient[at]
    return float(np.clip(np.median(found), 0.1, 1.0)) if found.size else 0.3


def _carried_under_plate(
    field: Floats, depth: Floats, zone: Mask, out: Floats, mask: Mask, h: float
) -> tuple[Floats, float]:
    """The field where the plate hides the rim: distance beyond the smoothest closed surface through the rim that is
    seen."""
    from scipy.interpolate import RBFInterpolator
    from skimage.measure import marching_cubes

    near = out <= 3.5
    band = near & (depth <= PLATE_MM + _CARRIED_FROM_MM)
    touches = mask & (depth < PLATE_MM + 1.5 * h)
    if not touches.any():
        return np.where(zone, field, np.where(near, np.maximum(field, 0.5), _CLIP)), 0.0
    inner = np.where(zone, field, 0.0)
    where_seen = ndimage.binary_erosion(zone) & (out <= 3.0)
    if not ((inner < 0.0) & where_seen).any():
        return np.where(zone, field, np.where(near, -0.5, _CLIP)), 1.0
    corners = marching_cubes(np.asarray(inner, np.float32), 0.0, mask=where_seen)[0]  # type: ignore[no-untyped-call]
    middle = np.argwhere(mask).mean(axis=0)
    arm = corners - middle
    length = np.linalg.norm(arm, axis=1)
    good = length > 1.0
    arm, length = arm[good] / length[good, None], length[good]
    if len(arm) < 30:
        return np.where(zone, field, np.where(near, -0.5, _CLIP)), 1.0
    chosen = np.linspace(0, len(arm) - 1, min(len(arm), _RIM_POINTS)).astype(int)
    surface = RBFInterpolator(arm[chosen], length[chosen], smoothing=0.02 * len(chosen), kernel="thin_plate_spline")
    where = np.argwhere(band)
    ray = where - middle
    far = np.linalg.norm(ray, axis=1)
    beyond = (far - surface(ray / np.maximum(far, 1e-6)[:, None])) * h
    carried = np.zeros(field.shape)
    carried[band] = np.clip(beyond, -_CLIP, _CLIP)
    share = np.clip((depth - PLATE_MM) / _CARRIED_FROM_MM, 0.0, 1.0)
    mixed = np.where(band, share * field + (1.0 - share) * carried, field)
    hidden = float(((mixed < 0.0) & band & (depth > 0.0)).sum() / max(((mixed < 0.0) & (depth > 0.0)).sum(), 1))
    return np.where(near, mixed, _CLIP), hidden


def _one_piece(field: Floats, mask: Mask) -> Floats:
    """Only the piece of the inside that holds the region."""
    labels, count = ndimage.label(field < 0.0)
    if count <= 1:
        return field
    sizes = np.bincount(labels[mask & (labels > 0)], minlength=count + 1)
    return np.where((field < 0.0) & (labels != int(sizes.argmax())), 0.5, field)

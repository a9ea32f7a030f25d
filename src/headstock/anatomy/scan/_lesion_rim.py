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
_ROUNDS: Final = 2
_BLUR_STEPS: Final = 0.35  # blur that is certain: half a voxel's width as a box, and little of the scanner's own
_EXACT_STEPS: Final = 4.0  # voxels from the surface within which a distance is taken to the surface itself
_LEAST_SEAM: Final = 0.04  # a peak this much of the rise above sound bone is a seam
_MOST_SEAM_MM: Final = 0.6
_LEAST_SEEN: Final = 0.25  # share of the rim that must be seen for a seam to be told from the plate
_SOUND_FROM_MM: Final = 2.6  # outside the rim: beyond it bone is sound again
_LEAST_OUT_MM: Final = 3.0
_PROFILE_MM: Final = (3.0, 5.0)  # inward, outward
_PROFILE_STEP_MM: Final = 0.2
_PEAK_MM: Final = 2.2  # how far outside the first peak or plateau is looked for
_ALONG_MM: Final = 1.4  # sd of the mean along the rim
_NODES: Final = 700
_MOST_SHIFT_MM: Final = 1.2
_BAND: Final = 0.4  # inner and outer estimate: this share of the rise on either side of halfway
_USUAL_PLATE_MM: Final = 1.2  # where too little plate lies over dead bone to be measured
_LEAST_PLATE_VOXELS: Final = 30
_LEAST_HALF_BAND_MM: Final = 0.25
_MOST_HALF_BAND_MM: Final = 2.5


@dataclass(frozen=True, slots=True, eq=False)
class Rim:
    """`best_mm`: signed distance to the best rim, not cut off at the bone's surface; `half_band_mm`: half the width
    between inner and outer estimate; `noise_mm`: what noise leaves in the rim's common position;
    `seam_mm`: how far the rim was moved for a dense seam round it; `hidden_share` of the rim under or beside the
    plate."""

    best_mm: Floats
    half_band_mm: float
    noise_mm: float
    hidden_share: float
    seam_mm: float


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
    inside = field < 0.0
    # Far from the surface the distance between voxels is near enough; half a step is the surface between two voxels.
    coarse = np.where(
        inside, ndimage.distance_transform_edt(inside) - 0.5, ndimage.distance_transform_edt(~inside) - 0.5
    )
    close = coarse < _EXACT_STEPS
    index = np.argwhere(close)
    away, nearest = cKDTree(corners).query(index, workers=2)
    flat = np.abs(np.sum((index - corners[nearest]) * normals[nearest], axis=1))
    # Near the surface the plane of the nearest corner is meant, not the corner itself.
    coarse[close] = np.where(away < 1.5, np.minimum(flat, away), away)
    return np.asarray(sign * coarse * step_mm)


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
    cortex = work.cortex
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
    if hidden > 0.0:
        plate = _plate_mm(values, depth, field, float(np.median(inside[deep])), cortex)
        field = np.maximum(field, np.clip(plate - depth, -_CLIP, _CLIP))
    field = _one_piece(field, mask)
    best = level_distance(field, h)
    slope_found = slope
    blur, seam, unseen = 0.5, 0.0, 1.0
    for _ in range(_ROUNDS):
        best, slope_found, blur, seam, unseen = _edge_placed(best, values, depth, inside, cortex, h)
    best = best + seam
    volume = np.clip(0.5 - best / h, 0.0, 1.0).sum() * h**3
    radius = max((3.0 * volume / (4.0 * np.pi)) ** (1.0 / 3.0), 2.0)
    # A blurred edge of a ball of radius r has its half level sigma^2 / r too far in (Gaussian blur, first order).
    best = best - blur**2 / radius
    if hidden > 0.0:
        best = np.maximum(best, plate - depth)
    half_band = float(np.clip(_BAND / slope_found, _LEAST_HALF_BAND_MM, _MOST_HALF_BAND_MM))
    noise = noise_sd(values, zone) / max(region.contrast, 1e-6) / slope_found
    noise_mm = float(noise / np.sqrt(max(4.0 * np.pi * radius**2 / h**2, 1.0)))
    full = np.full(work.values.shape, FAR_MM)
    full[box] = best
    return Rim(full, half_band + 0.5 * abs(seam), noise_mm, unseen, seam)


def _edge_placed(
    best: Floats, values: Floats, depth: Floats, inside: Floats, cortex: float, h: float
) -> tuple[Floats, float, float, float, float]:
    """The rim moved to where profiles square to it cross halfway from dead bone to the first peak or plateau outside.

    Profiles of neighbouring places are averaged along the rim, never across it: a thin dense seam round dead bone keeps
    its place. Under the plate and beside it the rim goes with its neighbours.

    Returns
    -------
    Distance; the median slope of the averaged profiles, as a share of their rise, 1/mm; blur (sd, mm) it stands for;
    how far the halfway place lies from the edge of dead bone because of a dense seam, mm (add to the distance); the
    share of the rim that is not seen.
    """
    from scipy.spatial import cKDTree
    from skimage.measure import marching_cubes

    corners, _, normals, _ = marching_cubes(np.asarray(best, np.float32), 0.0)  # type: ignore[no-untyped-call]
    way = np.asarray(normals, np.float64)
    up = ndimage.map_coordinates(best, (corners + 0.5 * way).T, order=1, mode="nearest")
    down = ndimage.map_coordinates(best, (corners - 0.5 * way).T, order=1, mode="nearest")
    way *= np.where(up >= down, 1.0, -1.0)[:, None]  # outward
    ticks = np.arange(-_PROFILE_MM[0], _PROFILE_MM[1] + 1e-9, _PROFILE_STEP_MM)
    at = corners[:, None, :] + ticks[None, :, None] * way[:, None, :] / h
    flat = at.reshape(-1, 3).T
    grey = ndimage.map_coordinates(values, flat, order=1, mode="nearest").reshape(len(corners), -1)
    deep = ndimage.map_coordinates(depth, flat, order=1, mode="nearest").reshape(len(corners), -1)
    seen = deep[:, ticks <= 2.0].min(axis=1) > PLATE_MM
    if np.count_nonzero(seen) < 20:
        return best, 0.4, 0.5, 0.0, 1.0
    shown, profiles = corners[seen] * h, grey[seen]
    nodes = shown[:: max(1, len(shown) // _NODES)]
    tree = cKDTree(shown)
    weights = tree.sparse_distance_matrix(cKDTree(nodes), 2.5 * _ALONG_MM).tocsr()
    weights.data = np.exp(-0.5 * (weights.data / _ALONG_MM) ** 2)
    share = weights.T.tocsr()
    total = np.asarray(share.sum(axis=1)).ravel()
    mean = (share @ profiles) / total[:, None]
    bottom = ndimage.map_coordinates(inside, (nodes / h).T, order=1, mode="nearest")
    moved, slope = _half_way(mean, bottom, ticks)
    kept = np.isfinite(moved)
    if np.count_nonzero(kept) < 10:
        return best, 0.4, 0.5, 0.0, 1.0
    # The shift of the whole rim: seen places by their own neighbours, hidden ones by the nearest that are seen.
    nearby = cKDTree(nodes[kept])
    found, who = nearby.query(corners * h, k=min(12, int(np.count_nonzero(kept))))
    away = np.asarray(found)
    closeness = np.exp(-0.5 * (np.maximum(away - away[:, :1], 0.0) / _ALONG_MM) ** 2)
    shift = (closeness * moved[kept][who]).sum(axis=1) / closeness.sum(axis=1)
    close = np.abs(best) < (_EXACT_STEPS + 1.0) * h
    _, nearest = cKDTree(corners).query(np.argwhere(close), workers=2)
    better = best.copy()
    better[close] -= shift[nearest]
    placed = level_distance(better, h)
    typical = float(np.clip(np.median(slope[kept]), 0.1, 2.0))
    blur = min(1.0 / (typical * np.sqrt(2.0 * np.pi)), _BLUR_STEPS * h)
    aligned = np.stack([np.interp(ticks + m, ticks, p) for m, p in zip(moved[kept], mean[kept], strict=True)])
    # Far out only profiles that have not run into the plate count, and only where there are many.
    clear = share @ (deep[seen] > PLATE_MM).astype(np.float64) / total[:, None]
    weight = (clear[kept] > 0.95).astype(np.float64)
    tall = weight.sum(axis=0) >= max(0.2 * len(weight), 5.0)
    whole = (aligned * weight).sum(axis=0) / np.maximum(weight.sum(axis=0), 1e-9)
    end = len(ticks) if tall.all() else int(np.argmin(tall))
    unseen = float(1.0 - np.mean(seen))
    if unseen > 1.0 - _LEAST_SEEN:
        return placed, typical, blur, 0.0, unseen
    return placed, typical, blur, _seam_mm(ticks[:end], whole[:end], float(bottom[kept].mean()), cortex), unseen


def _seam_mm(ticks: Floats, profile: Floats, bottom: float, cortex: float) -> float:
    """Where the halfway place of a blurred profile (at 0) lies against the edge of dead bone, mm: 0 or negative, when a
    dense seam thinner than the blur lies round dead bone.

    The profile is held against dead bone, a seam, sound bone, blurred by a Gaussian; width of the seam and blur are
    fitted. A seam's width and level cannot be told apart when it is thinner than the blur: its level is taken midway
    between the peak seen and the cortex of this scan.
    """
    from scipy.optimize import least_squares
    from scipy.special import ndtr

    if ticks[-1] < _LEAST_OUT_MM:
        return 0.0
    outer = ticks >= _SOUND_FROM_MM
    trend = np.polyfit(ticks[outer], profile[outer], 1) if ticks[-1] >= 4.0 else np.array([0.0, profile[outer].mean()])
    used = ticks >= -2.0
    x, y = ticks[used], profile[used]
    # Sound bone grows thinner or denser outward by itself: its line is carried back to the rim.
    sound = np.polyval(trend, np.maximum(x, 0.0))
    near = (x > 0.4) & (x < _SOUND_FROM_MM)
    excess = float((y - sound)[near].max())
    peak = float(y[near].max())
    if excess < _LEAST_SEAM * (float(sound[near].mean()) - bottom) or cortex <= peak:
        return 0.0
    dense = 0.5 * (peak + cortex)

    def model(p: Floats) -> Floats:
        edge, width, blur = p
        rise = (dense - bottom) * ndtr((x - edge) / blur)
        return np.asarray(bottom + rise + (sound - dense) * ndtr((x - edge - width) / blur))

    scale = max(peak - bottom, 1.0)

    def misfit(p: Floats) -> Floats:
        return np.asarray((model(p) - y) / scale)

    fit = least_squares(misfit, x0=(0.1, 0.6, 0.6), bounds=((-0.3, 0.0, 0.25), (1.0, 2.5, 1.2)))
    return float(-np.clip(fit.x[0], 0.0, _MOST_SEAM_MM))


def _half_way(profile: Floats, bottom: Floats, ticks: Floats) -> tuple[Floats, Floats]:
    """(n,) where each profile crosses halfway from `bottom` to its first peak or plateau outside, and its slope there
    as a share of the rise, 1/mm; NaN where it does not rise."""
    step = float(ticks[1] - ticks[0])
    rows = np.arange(len(profile))
    outer = ticks >= 0.0
    first = int(np.argmax(outer))
    reach = profile[:, first : first + round(_PEAK_MM / step) + 1]
    peak = reach.max(axis=1)
    level = 0.5 * (bottom + peak)
    top = first + np.argmax(reach, axis=1)
    place = np.arange(len(ticks))
    below = (profile < level[:, None]) & (place <= top[:, None])
    some = below.any(axis=1)
    k = np.clip(len(ticks) - 1 - np.argmax(below[:, ::-1], axis=1), 0, len(ticks) - 2)
    a, b = profile[rows, k], profile[rows, k + 1]
    rise = np.where(b > a, b - a, 1.0)
    where = ticks[k] + step * np.clip((level - a) / rise, 0.0, 1.0)
    good = some & (b > a) & (peak > bottom)
    slope = np.where(good, (b - a) / step / np.maximum(peak - bottom, 1e-6), np.nan)
    return np.where(good, np.clip(where, -_MOST_SHIFT_MM, _MOST_SHIFT_MM), np.nan), slope


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


def _plate_mm(values: Floats, depth: Floats, field: Floats, inside: float, cortex: float) -> float:
    """Thickness of the plate over dead bone, mm: dead bone ends there.

    From the mean grey value against depth under the surface: where it has fallen halfway from the plate's peak to dead
    bone, or, less, what the plate's mass amounts to at the level of thick cortex (blur widens a thin plate but keeps
    its mass; Treece et al., Med Image Anal 2010;14:276).
    """
    over = (field < -1.0) & (depth > -1.8) & (depth < 4.0)
    if np.count_nonzero(over & (depth > -0.5)) < _LEAST_PLATE_VOXELS:
        return _USUAL_PLATE_MM
    step = 0.25
    ticks = np.arange(-1.5, 4.0, step)
    near = np.exp(-0.5 * ((depth[over][None, :] - ticks[:, None]) / 0.25) ** 2)
    profile = (near * values[over]).sum(axis=1) / np.maximum(near.sum(axis=1), 1e-6)
    top = int(np.argmax(np.where(ticks <= 2.0, profile, -np.inf)))
    soft = float(profile[: top + 1].min())
    base = np.where(np.arange(len(ticks)) <= top, soft, inside)
    mass = float(np.clip(profile - base, 0.0, None).sum() * step)
    by_mass = mass / max(cortex - 0.5 * (soft + inside), 1.0)
    level = 0.5 * (profile[top] + inside)
    below = np.flatnonzero(profile[top:] < level)
    if not below.size:
        return float(ticks[-1])
    k = top + int(below[0])
    half = (
        float(ticks[k - 1] + step * (profile[k - 1] - level) / (profile[k - 1] - profile[k])) if below[0] else by_mass
    )
    return float(np.clip(min(half, by_mass), 0.0, 3.0))


def _one_piece(field: Floats, mask: Mask) -> Floats:
    """Only the piece of the inside that holds the region."""
    labels, count = ndimage.label(field < 0.0)
    if count <= 1:
        return field
    sizes = np.bincount(labels[mask & (labels > 0)], minlength=count + 1)
    return np.where((field < 0.0) & (labels != int(sizes.argmax())), 0.5, field)

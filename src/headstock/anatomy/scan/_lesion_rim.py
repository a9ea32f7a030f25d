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
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from headstock.anatomy.scan._lesion_find import PLATE_MM, Region, noise_sd, normalised
from headstock.anatomy.scan._lesion_grid import FAR_MM, Work
from headstock.anatomy.scan._lesion_plate import PlateLevels, near_plate, plate_over_mm

__all__ = ["Rim", "level_distance", "rim_of"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

_SMOOTH_MM: Final = 0.6
_LOCAL_MM: Final = 3.0  # how far around a place its inside and outside levels are taken from
_CARRIED_FROM_MM: Final = 1.0  # below the plate the carried-on rim takes over within this depth
_BEARS_DEG: Final = (45.0, 70.0)  # seen from its middle, a rim is carried on this far: wholly, not at all
_RIM_POINTS: Final = 500
_CLIP: Final = 3.0
_ROUNDS: Final = 2
_EXACT_STEPS: Final = 4.0  # voxels from the surface within which a distance is taken to the surface itself
_LEAST_SEAM: Final = 0.04  # a peak this much of the rise above sound bone is a seam
_MOST_SEAM_MM: Final = 0.6
# of the rim that is its own: a seam of the whole is told by this share clear of the plate
_LEAST_SEEN: Final = 1.0 / 3.0
_SOUND_FROM_MM: Final = 2.6  # outside the rim: beyond it bone is sound again
_LEAST_OUT_MM: Final = 3.0
_PROFILE_MM: Final = (3.0, 5.0)  # inward, outward
_PROFILE_STEP_MM: Final = 0.2
_PEAK_MM: Final = 2.2  # how far outside the first peak or plateau is looked for
_ALONG_MM: Final = 1.4  # sd of the mean along the rim
_NODES: Final = 700
_NEAREST_MM: Final = 0.8  # rims less deep than this run along the plate
_FACING_MM: Final = 1.4
_FACING: Final = 0.6  # cosine: a rim that meets the plate at a steeper angle runs into it
_USUAL_BLUR_MM: Final = 0.7
_BLURS_MM: Final = (0.35, 1.0)  # least and most blur of a scan that is taken from the rim's slope
_MOST_CLEAR_MM: Final = 4.0
_LEAST_PLACES: Final = 20
_MOST_SHIFT_MM: Final = 1.2
_BAND: Final = 0.4  # inner and outer estimate: this share of the rise on either side of halfway
_LEAST_PLATE_VOXELS: Final = 30
_LEAST_HALF_BAND_MM: Final = 0.25
_MOST_HALF_BAND_MM: Final = 2.5


@dataclass(frozen=True, slots=True, eq=False)
class Rim:
    """`best_mm`: signed distance to the best rim, not cut off at the bone's surface; `half_band_mm`: half the width
    between inner and outer estimate; `noise_mm`: what noise leaves in the rim's common position;
    `seam_mm`: how far the rim was moved for a dense seam round it; `near_share` of the rim lies so close to the plate
    that it was told apart from it."""

    best_mm: Floats
    half_band_mm: float
    noise_mm: float
    near_share: float
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
    field, hidden = _carried_under_plate(field, depth, zone, out, mask, _clear_mm(values, depth, out), h)
    field = _one_piece(field, mask)
    best = level_distance(field, h)
    slope_found = slope
    blur, seam, near, at_plate = 0.5, 0.0, 0.0, 0.0
    dead = float(np.median(inside[deep]))
    plate = PlateLevels.of(values, depth, out, dead, work.cortex, work.hounsfield)
    for _ in range(_ROUNDS):
        best, slope_found, blur, seam, near = _edge_placed(best, values, depth, inside, outside, plate, h)
    best = best + seam
    volume = np.clip(0.5 - best / h, 0.0, 1.0).sum() * h**3
    radius = max((3.0 * volume / (4.0 * np.pi)) ** (1.0 / 3.0), 2.0)
    # A blurred edge of a ball of radius r has its half level sigma^2 / r too far in (Gaussian blur, first order).
    best = best - blur**2 / radius
    if hidden > 0.0:
        # Dead bone ends at the inner face of the plate.
        to_plate = plate_over_mm(values, depth, best, dead, plate) - depth
        free, best = best, np.maximum(best, to_plate)
        shell = np.abs(best) < h
        at_plate = float(np.mean(to_plate[shell] > free[shell]))
    half_band = float(np.clip(_BAND / slope_found, _LEAST_HALF_BAND_MM, _MOST_HALF_BAND_MM))
    noise = noise_sd(values, zone) / max(region.contrast, 1e-6) / slope_found
    noise_mm = float(noise / np.sqrt(max(4.0 * np.pi * radius**2 / h**2, 1.0)))
    full = np.full(work.values.shape, FAR_MM)
    full[box] = best
    return Rim(full, half_band + 0.5 * abs(seam), noise_mm, (1.0 - at_plate) * near, seam)


def _edge_placed(
    best: Floats,
    values: Floats,
    depth: Floats,
    inside: Floats,
    outside: Floats,
    plate: PlateLevels,
    h: float,
) -> tuple[Floats, float, float, float, float]:
    """The rim moved to where profiles square to it cross halfway from dead bone to the first peak or plateau outside.

    Profiles of neighbouring places are averaged along the rim, never across it: a thin dense seam round dead bone keeps
    its place. Where the plate lies across the profile the two are told apart (`_lesion_plate`); where the rim runs into
    the plate it goes with its neighbours.

    Returns
    -------
    Distance; the median slope of the averaged profiles, as a share of their rise, 1/mm; blur (sd, mm) it stands for;
    how far the halfway place lies from the edge of dead bone because of a dense seam, mm (add to the distance); of
    the places where the rim is its own, the share told apart from the plate.
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
    least = deep[:, ticks <= 2.0].min(axis=1)
    clear_mm = _clear_mm(values, depth, best)
    seen = least > clear_mm
    # Nearer the plate the rim is told apart from it; where it has none of its own left it goes with its neighbours.
    here = int(np.argmin(np.abs(ticks)))
    ahead = int(np.argmin(np.abs(ticks - _FACING_MM)))
    facing = deep[:, here] - deep[:, ahead] > _FACING * _FACING_MM
    close_by = ~seen & facing & (deep[:, here] > _NEAREST_MM)
    if np.count_nonzero(seen | close_by) < _LEAST_PLACES:
        return best, 0.4, 0.5, 0.0, 0.0
    typical, blur, seam = 0.4, _USUAL_BLUR_MM, 0.0
    places: list[Floats] = []
    moves: list[Floats] = []
    tops: list[Floats] = []
    if np.count_nonzero(seen) >= _LEAST_PLACES:
        nodes, mean, share = _averaged(corners[seen] * h, grey[seen])
        bottom = ndimage.map_coordinates(inside, (nodes / h).T, order=1, mode="nearest")
        moved, slope, top = _half_way(mean, bottom, ticks)
        kept = np.isfinite(moved)
        if np.count_nonzero(kept) >= 10:
            typical = float(np.clip(np.median(slope[kept]), 0.1, 2.0))
            blur = float(np.clip(1.0 / (typical * np.sqrt(2.0 * np.pi)), *_BLURS_MM))
            places, moves, tops = [nodes[kept]], [moved[kept]], [top[kept]]
            if np.count_nonzero(seen) >= _LEAST_SEEN * np.count_nonzero(seen | close_by):
                clear = share @ (deep[seen] > clear_mm).astype(np.float64)
                seam = _seam_of(moved[kept], mean[kept], clear[kept], ticks, float(bottom[kept].mean()), plate.cortex)
    if np.count_nonzero(close_by) >= _LEAST_PLACES:
        nodes, both, _ = _averaged(corners[close_by] * h, np.concatenate([grey[close_by], deep[close_by]], axis=1))
        bottom, beside = (
            ndimage.map_coordinates(level, (nodes / h).T, order=1, mode="nearest") for level in (inside, outside)
        )
        if tops:
            # Sound bone, or a seam, as the nearest places show it that are clear of the plate.
            _, who = cKDTree(places[0]).query(nodes, k=min(30, len(places[0])))
            beside = tops[0][who].reshape(len(nodes), -1).mean(axis=1)
        k = len(ticks)
        moves.append(near_plate(both[:, :k], both[:, k:], ticks, bottom, beside, plate, blur))
        places.append(nodes)
    if not places:
        return best, 0.4, 0.5, 0.0, 0.0
    at_nodes, moved = np.concatenate(places), np.concatenate(moves)
    moved = np.clip(moved, -_MOST_SHIFT_MM, _MOST_SHIFT_MM)
    # The shift of the whole rim: seen places by their own neighbours, hidden ones by the nearest that are seen.
    found, who = cKDTree(at_nodes).query(corners * h, k=min(12, len(at_nodes)))
    away = np.asarray(found)
    closeness = np.exp(-0.5 * (np.maximum(away - away[:, :1], 0.0) / _ALONG_MM) ** 2)
    shift = (closeness * moved[who]).sum(axis=1) / closeness.sum(axis=1)
    close = np.abs(best) < (_EXACT_STEPS + 1.0) * h
    _, nearest = cKDTree(corners).query(np.argwhere(close), workers=2)
    better = best.copy()
    better[close] -= shift[nearest]
    placed = level_distance(better, h)
    near = float(np.count_nonzero(close_by) / np.count_nonzero(seen | close_by))
    return placed, typical, blur, seam, near


def _averaged(points_mm: Floats, profiles: Floats) -> tuple[Floats, Floats, Any]:
    """Nodes (m, 3) on the rim, profiles averaged along it around each, and the shares (m, n) they are averaged by."""
    from scipy.sparse import csr_matrix
    from scipy.spatial import cKDTree

    nodes = points_mm[:: max(1, len(points_mm) // _NODES)]
    pairs = cKDTree(nodes).sparse_distance_matrix(cKDTree(points_mm), 2.5 * _ALONG_MM, output_type="coo_matrix")
    near = np.exp(-0.5 * (pairs.data / _ALONG_MM) ** 2)
    total = np.bincount(pairs.row, weights=near, minlength=len(nodes))
    share = csr_matrix((near / total[pairs.row], (pairs.row, pairs.col)), shape=(len(nodes), len(points_mm)))
    return nodes, np.asarray(share @ profiles), share


def _clear_mm(values: Floats, depth: Floats, best: Floats) -> float:
    """Depth at which nothing of the plate is left near this lesion, mm: its thickness and its blur."""
    near = (best < 6.0) & (depth > -1.8) & (depth < 7.0)
    ticks = np.arange(-1.5, 6.5, 0.25)
    if np.count_nonzero(near) < _LEAST_PLATE_VOXELS:
        return PLATE_MM
    bins = np.digitize(depth[near], ticks + 0.125)
    grey = values[near]
    profile = np.array([np.median(grey[bins == k]) if np.any(bins == k) else np.nan for k in range(len(ticks))])
    profile = np.where(np.isnan(profile), np.nanmedian(profile), profile)
    peak = int(np.argmax(np.where(ticks < 3.0, profile, -np.inf)))
    base = float(np.median(profile[ticks > 4.5]))
    low = np.flatnonzero(profile[peak:] < base + 0.1 * max(float(profile[peak]) - base, 1.0))
    found = float(ticks[peak + low[0]]) if low.size else _MOST_CLEAR_MM
    return float(np.clip(found, PLATE_MM, _MOST_CLEAR_MM))


def _seam_of(moved: Floats, mean: Floats, clear: Floats, ticks: Floats, bottom: float, cortex: float) -> float:
    """The seam by the mean of all profiles, laid over each other at the rim."""
    aligned = np.stack([np.interp(ticks + m, ticks, p) for m, p in zip(moved, mean, strict=True)])
    # Far out only profiles that have not run into the plate count, and only where there are many.
    weight = (clear > 0.95).astype(np.float64)
    tall = weight.sum(axis=0) >= max(0.2 * len(weight), 5.0)
    whole = (aligned * weight).sum(axis=0) / np.maximum(weight.sum(axis=0), 1e-9)
    end = len(ticks) if tall.all() else int(np.argmin(tall))
    return _seam_mm(ticks[:end], whole[:end], bottom, cortex)


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


def _half_way(profile: Floats, bottom: Floats, ticks: Floats) -> tuple[Floats, Floats, Floats]:
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
    return np.where(good, np.clip(where, -_MOST_SHIFT_MM, _MOST_SHIFT_MM), np.nan), slope, peak


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
    field: Floats, depth: Floats, zone: Mask, out: Floats, mask: Mask, clear_mm: float, h: float
) -> tuple[Floats, float]:
    """The field where the plate hides the rim: distance beyond the smoothest closed surface through the rim that is
    seen; and the share of the inside that hangs on it.

    Rim that is clear of the plate's blur is carried on as far as it bears: a rim seen on one side alone says nothing of
    the other. Farther, what is seen nearer the plate is taken too.
    """
    near = out <= 3.5
    touches = mask & (depth < clear_mm + 1.5 * h)
    if not touches.any():
        return np.where(zone, field, np.where(near, np.maximum(field, 0.5), _CLIP)), 0.0
    inner = np.where(zone, field, 0.0)
    middle = np.argwhere(mask).mean(axis=0)

    def carried(from_mm: float) -> tuple[Floats, Floats] | None:
        """The field carried on from what lies deeper, and how far it bears, 0 to 1."""
        from scipy.interpolate import RBFInterpolator
        from scipy.spatial import cKDTree
        from skimage.measure import marching_cubes

        where_seen = ndimage.binary_erosion(depth > from_mm) & (out <= 3.0)
        if not ((inner < 0.0) & where_seen).any():
            return None
        corners = marching_cubes(np.asarray(inner, np.float32), 0.0, mask=where_seen)[0]  # type: ignore[no-untyped-call]
        arm = corners - middle
        length = np.linalg.norm(arm, axis=1)
        good = length > 1.0
        arm, length = arm[good] / length[good, None], length[good]
        if len(arm) < 30:
            return None
        chosen = np.linspace(0, len(arm) - 1, min(len(arm), _RIM_POINTS)).astype(int)
        surface = RBFInterpolator(arm[chosen], length[chosen], smoothing=0.02 * len(chosen), kernel="thin_plate_spline")
        band = near & (depth <= from_mm + _CARRIED_FROM_MM)
        ray = np.argwhere(band) - middle
        far = np.linalg.norm(ray, axis=1)
        way = ray / np.maximum(far, 1e-6)[:, None]
        apart, _ = cKDTree(arm[chosen]).query(way)
        angle = np.degrees(2.0 * np.arcsin(np.clip(0.5 * np.asarray(apart), 0.0, 1.0)))
        share = np.clip((depth[band] - from_mm) / _CARRIED_FROM_MM, 0.0, 1.0)
        mixed, bears = np.array(field), np.ones(field.shape)
        beyond = np.clip((far - surface(way)) * h, -_CLIP, _CLIP)
        mixed[band] = share * field[band] + (1.0 - share) * beyond
        bears[band] = np.clip((_BEARS_DEG[1] - angle) / (_BEARS_DEG[1] - _BEARS_DEG[0]), 0.0, 1.0)
        return mixed, bears

    shallow = carried(PLATE_MM)
    if shallow is None:
        return np.where(zone, field, np.where(near, -0.5, _CLIP)), 1.0
    deeper = carried(clear_mm) if clear_mm > PLATE_MM else None
    mixed = shallow[0] if deeper is None else deeper[1] * deeper[0] + (1.0 - deeper[1]) * shallow[0]
    band = near & (depth <= clear_mm + _CARRIED_FROM_MM)
    hidden = float(((mixed < 0.0) & band & (depth > 0.0)).sum() / max(((mixed < 0.0) & (depth > 0.0)).sum(), 1))
    return np.where(near, mixed, _CLIP), hidden


def _one_piece(field: Floats, mask: Mask) -> Floats:
    """Only the piece of the inside that holds the region."""
    labels, count = ndimage.label(field < 0.0)
    if count <= 1:
        return field
    sizes = np.bincount(labels[mask & (labels > 0)], minlength=count + 1)
    return np.where((field < 0.0) & (labels != int(sizes.argmax())), 0.5, field)

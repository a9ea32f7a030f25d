"""The femur's outer surface between voxels: where the grey falls from cortex to soft tissue.

In: HU, the voxels of the femur. Out: a signed distance, mm, and the thickness
of the cortex under each place. Along each normal the outer fall is put where a
cortex of the scan's own brightness, blurred as this scan blurs, would put it:
the level half way between soft tissue and a *thin* cortex's dimmed peak lies
outside the bone, and is brought back.
Source: profile of a layer blurred by the scanner, fixed cortex brightness: Treece, Gee, Mayhew, Poole, Med Image Anal
2010;14:276-290.
Decision: docs/decisions/0211-edge-of-a-thin-cortex.md
"""

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from headstock.anatomy.scan._bone import distance_mm
from headstock.anatomy.scan._grey import Levels, Volume, sample, smooth
from headstock.anatomy.scan._joint import HeadSurface
from headstock.geometry.grid import Grid

__all__ = ["Edge", "blur_shift", "find_edge"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

BAND_MM: Final = 6.0  # the signed distance is exact to the found surface this far from it
_STEP_MM: Final = 0.25
_IN_MM: Final = 4.5
_OUT_MM: Final = 4.0
_TRUST_MM: Final = (2.6, 1.6)  # a fall further from the surface than this is another one; by round
_HEAD_TRUST_MM: Final = 1.2
_NEAR_HEAD_MM: Final = 3.0
_PLAIN_SIGMA: Final = 0.55  # blur (sd) of a scan in voxels, where no thick cortex shows it
_THIN_MM: Final = 0.1


@dataclass(frozen=True, slots=True, eq=False)
class Edge:
    """`femur_mm`: signed distance. `points_lps_mm`, `normals` (v, 3), `faces`: the surface; `seen` (v,): the fall
    was there; `cortex_mm` (v,) thickness of the cortex under each point. `blur_mm` sd of the scan's blur in plane,
    `cortex_HU` brightness of solid cortex, `thick`: both were measured on thick cortex in this scan."""

    femur_mm: Volume
    points_lps_mm: Floats
    normals: Floats
    faces: NDArray[np.intp]
    seen: Mask
    cortex_mm: Floats
    blur_mm: float
    cortex_HU: float
    thick: bool


@lru_cache(maxsize=1)
def _layer_table() -> tuple[Floats, Floats, Floats, Floats]:
    """A layer at an edge, lengths in blur sd: grids of inner level q and of peak p; shift and thickness on them.

    Levels run from soft tissue 0 to solid cortex 1. p is the peak of the blurred layer as a share of the way from q to
    1; shift is how far outside the true edge the profile crosses half its own peak.
    """
    from scipy.special import ndtr

    x = np.linspace(-12.0, 6.0, 1801)
    q_grid = np.linspace(0.0, 0.9, 19)
    share_grid = np.linspace(0.0, 1.0, 101)
    t_grid = np.concatenate([np.linspace(0.02, 2.0, 100), np.linspace(2.05, 6.0, 80)])
    shift = np.zeros((q_grid.size, share_grid.size))
    thick = np.zeros_like(shift)
    for i, q in enumerate(q_grid):
        shares, shifts = np.zeros(t_grid.size), np.zeros(t_grid.size)
        for j, t in enumerate(t_grid):
            # Bone at x < 0: cortex over (-t, 0), level q deeper.
            y = ndtr(-x) - (1.0 - q) * ndtr(-(x + t))
            k = int(np.argmax(y))
            peak = float(y[k])
            below = k + int(np.argmax(y[k:] < 0.5 * peak))
            y0, y1 = y[below - 1], y[below]
            shifts[j] = x[below - 1] + (y0 - 0.5 * peak) / (y0 - y1) * (x[1] - x[0])
            shares[j] = (peak - q) / (1.0 - q)
        order = np.argsort(shares, kind="stable")
        shift[i] = np.interp(share_grid, shares[order], shifts[order])
        thick[i] = np.interp(share_grid, shares[order], t_grid[order])
    return q_grid, share_grid, shift, thick


def blur_shift(peak: Floats, inner: Floats, sigma_mm: Floats) -> tuple[Floats, Floats]:
    """How far outside the true edge a thin cortex's half level lies, mm, and how thick that cortex is, mm.

    `peak`, `inner`: the profile's highest level and the level deep to the cortex, 0 soft tissue, 1 solid cortex.
    """
    from scipy.ndimage import map_coordinates

    q_grid, share_grid, shift, thick = _layer_table()
    q = np.clip(inner, 0.0, 0.9)
    share = np.clip((peak - q) / (1.0 - q), 0.0, 1.0)
    at = np.stack([q / q_grid[-1] * (q_grid.size - 1), share * (share_grid.size - 1)])
    moved = map_coordinates(shift, at, order=1, mode="nearest")
    layer = map_coordinates(thick, at, order=1, mode="nearest")
    return np.asarray(moved * sigma_mm), np.asarray(layer * sigma_mm)


def _neighbours(faces: NDArray[np.intp], n: int) -> "object":
    """(n, n) sparse: 1 where two points share an edge of the surface."""
    from scipy.sparse import coo_matrix

    i = np.concatenate([faces[:, 0], faces[:, 1], faces[:, 2], faces[:, 1], faces[:, 2], faces[:, 0]])
    j = np.concatenate([faces[:, 1], faces[:, 2], faces[:, 0], faces[:, 0], faces[:, 1], faces[:, 2]])
    matrix = coo_matrix((np.ones(i.size), (i, j)), shape=(n, n)).tocsr()
    matrix.data[:] = 1.0
    return matrix


def _normals(points: Floats, faces: NDArray[np.intp]) -> Floats:
    """(v, 3) unit normals weighted by the area of the faces around each point."""
    a, b, c = points[faces[:, 0]], points[faces[:, 1]], points[faces[:, 2]]
    cross = np.cross(b - a, c - a)
    out = np.zeros_like(points)
    for k in range(3):
        for axis in range(3):
            out[:, axis] += np.bincount(faces[:, k], weights=cross[:, axis], minlength=points.shape[0])
    return np.asarray(out / np.maximum(np.linalg.norm(out, axis=1), 1e-12)[:, None])


def _surface(distance: Volume, grid: Grid) -> tuple[Floats, NDArray[np.intp], Floats]:
    """Points (LPS), faces and outward normals of the zero level."""
    from skimage.measure import marching_cubes

    points, faces, _, _ = marching_cubes(distance, 0.0, allow_degenerate=False)  # type: ignore[no-untyped-call]
    lps = grid.points(points[:, ::-1].astype(np.float64))
    faces = np.asarray(faces, dtype=np.intp)
    normals = _normals(lps, faces)
    # Outward is where the distance grows.
    ahead = sample(distance, grid, lps + 0.6 * normals)
    behind = sample(distance, grid, lps - 0.6 * normals)
    if np.nanmedian(ahead - behind) < 0.0:
        faces = faces[:, ::-1]
        normals = -normals
    return lps, faces, normals


@dataclass(frozen=True, slots=True, eq=False)
class _Fall:
    """The outer fall along each normal: where, its levels, and whether it is there."""

    at_mm: Floats
    peak: Floats
    soft: Floats
    inner: Floats
    seen: Mask
    width_mm: Floats


def _on_head(points: Floats, head: HeadSurface) -> tuple[Mask, Mask]:
    """Which points lie on the head as read along rays, and which of them where bone touches bone."""
    from scipy.spatial import cKDTree

    away = points - head.centre_lps_mm
    reach = np.linalg.norm(away, axis=1)
    _, ray = cKDTree(head.rays).query(away / reach[:, None], workers=2)
    near = np.abs(reach - head.radius_mm[ray]) < _NEAR_HEAD_MM
    return near & head.covered[ray], near & head.touching[ray]


def _to_head(points: Floats, normals: Floats, head: HeadSurface) -> Floats:
    """How far along their normals points lie from the surface read along rays, mm."""
    away = points - head.centre_lps_mm
    reach = np.linalg.norm(away, axis=1)
    unit = away / reach[:, None]
    tilt = np.maximum(np.einsum("ij,ij->i", unit, normals), 0.5)
    return np.asarray(np.clip(head.at(unit) - reach, -2.0, 2.0) / tilt)


def _find_fall(profile: Floats, x: Floats, levels: Levels, trust_mm: Floats) -> _Fall:
    """The fall nearest the surface on each (points, samples) profile, and its half level's crossing."""
    n, m = profile.shape
    rows = np.arange(n)
    k = 2
    change = np.zeros_like(profile)
    change[:, k:-k] = profile[:, : -2 * k] - profile[:, 2 * k :]
    least = max(3.0 * levels.noise, 70.0)
    falls = np.zeros(profile.shape, dtype=bool)
    mid = change[:, 1:-1]
    falls[:, 1:-1] = (mid > least) & (mid >= change[:, :-2]) & (mid > change[:, 2:])
    size = np.clip(change / (0.5 * (levels.cortex - levels.soft)), 0.0, 1.0)
    away = np.abs(x)[None, :]
    trust = np.broadcast_to(np.asarray(trust_mm, dtype=np.float64), (n,))[:, None]
    cost = np.where(falls & (away <= trust), away / trust - size, np.inf)
    best = np.argmin(cost, axis=1)
    seen = np.isfinite(cost[rows, best])
    steps = np.arange(m)[None, :]
    inward = (steps <= best[:, None]) & (steps >= best[:, None] - round(2.0 / _STEP_MM))
    top = np.where(inward, profile, -np.inf)
    top_at = np.argmax(top, axis=1)
    peak = top[rows, top_at]
    outward = (steps >= best[:, None]) & (steps <= best[:, None] + round(1.75 / _STEP_MM))
    low = np.where(outward, profile, np.inf)
    low_at = np.argmin(low, axis=1)
    soft = low[rows, low_at]
    deep = (steps <= top_at[:, None] - round(1.5 / _STEP_MM)) & (steps >= top_at[:, None] - round(2.5 / _STEP_MM))
    total = np.where(deep, profile, 0.0).sum(axis=1)
    count = deep.sum(axis=1)
    inner = np.where(count > 0, total / np.maximum(count, 1), profile[:, 0])

    def crossing(share: float) -> Floats:
        level = (soft + share * (peak - soft))[:, None]
        between = (steps >= top_at[:, None]) & (steps < low_at[:, None])
        down = between[:, :-1] & (profile[:, :-1] >= level) & (profile[:, 1:] < level)
        first = np.argmax(down, axis=1)
        y0, y1 = profile[rows, first], profile[rows, np.minimum(first + 1, m - 1)]
        part = (y0 - level[:, 0]) / np.where(np.abs(y0 - y1) > 1e-6, y0 - y1, 1.0)
        return np.where(down.any(axis=1), x[first] + np.clip(part, 0.0, 1.0) * _STEP_MM, np.nan)

    at = crossing(0.5)
    seen &= np.isfinite(at)
    return _Fall(at, peak, soft, inner, seen, crossing(0.25) - crossing(0.75))


def _spread(adjacent: "object", weight: Floats, wanted: Floats, stiff: float) -> Floats:
    """(v,) smooth field nearest `wanted` where it is known: minimises sum w (u - wanted)^2 + stiff |grad u|^2."""
    from scipy.sparse import diags
    from scipy.sparse.linalg import cg

    degree = np.asarray(adjacent.sum(axis=1)).ravel()  # type: ignore[attr-defined]
    matrix = diags(weight + stiff * degree + 1e-6) - stiff * adjacent  # type: ignore[operator]
    right = weight * np.where(weight > 0.0, wanted, 0.0)
    scale = diags(1.0 / np.maximum(weight + stiff * degree, 1e-6))
    out, _ = cg(matrix, right, rtol=1e-4, maxiter=200, M=scale)
    return np.asarray(out)


def _thick_cortex(profile: Floats, x: Floats, levels: Levels, normals: Floats, grid: Grid) -> tuple[float, float, bool]:
    """Brightness of solid cortex and blur in plane, from places where cortex is thick; else what is usual."""
    plateau = profile[:, (x > -2.6) & (x < -1.3)]
    fall = _find_fall(profile, x, levels, np.full(profile.shape[0], 1.5))
    flat = plateau.min(axis=1) > 0.85 * (levels.cortex - levels.soft) + levels.soft
    level_normal = np.abs(normals @ grid.axes[:, 2]) < 0.5
    good = flat & fall.seen & level_normal & np.isfinite(fall.width_mm)
    usual = _PLAIN_SIGMA * float(grid.spacing_mm[:2].max())
    if good.sum() < 60:
        return levels.cortex, usual, False
    cortex = float(np.median(plateau[good]))
    # 25 to 75 % of a step blurred by a Gaussian are 1.349 sd apart.
    sigma = float(np.median(fall.width_mm[good])) / 1.349
    return cortex, float(np.clip(sigma, 0.5 * usual, 3.0 * usual)), True


def find_edge(
    values: Volume, grid: Grid, levels: Levels, femur: Mask, head: HeadSurface, metal: Mask | None = None
) -> Edge:
    """The femur's surface between voxels; `values` HU as scanned, `femur` its voxels to begin with.

    On the head the surface read along rays is near already: a fall further off is the socket's. Where bone touches
    bone nothing falls, and the surface read along rays stays.
    """
    from scipy.spatial import cKDTree

    first = distance_mm(femur, grid.spacing_mm)
    points, faces, normals = _surface(smooth(first, 0.7 * float(grid.spacing_mm.max()), grid.spacing_mm), grid)
    n = points.shape[0]
    adjacent = _neighbours(faces, n)
    degree = np.maximum(np.asarray(adjacent.sum(axis=1)).ravel(), 1.0)  # type: ignore[attr-defined]
    x = np.arange(-_IN_MM, _OUT_MM + 1e-9, _STEP_MM)
    cortex, sigma, thick = levels.cortex, _PLAIN_SIGMA * float(grid.spacing_mm[:2].max()), False
    layer = np.zeros(n)
    seen = np.zeros(n, dtype=bool)
    spacing = grid.spacing_mm
    for turn, trust in enumerate(_TRUST_MM):
        profile = sample(values, grid, points[:, None, :] + x[None, :, None] * normals[:, None, :])
        inside_field = np.isfinite(profile).all(axis=1)
        profile = np.where(np.isfinite(profile), profile, levels.soft)
        # Neighbours on a smooth surface see the same edge: their mean quiets noise without moving it.
        for _ in range(2):
            profile = 0.4 * profile + 0.6 * (adjacent @ profile) / degree[:, None]  # type: ignore[operator]
        on_head, touching = _on_head(points, head)
        trusted = np.where(on_head, np.minimum(trust, _HEAD_TRUST_MM), trust)
        fall = _find_fall(profile, x, levels, trusted)
        if turn == len(_TRUST_MM) - 1:
            cortex, sigma, thick = _thick_cortex(profile, x, levels, normals, grid)
        slices = np.abs(normals @ grid.axes[:, 2])
        wider = max(float(spacing[2] ** 2 - spacing[:2].max() ** 2), 0.0) / 12.0
        blur = np.sqrt(sigma**2 + slices**2 * wider)
        bright = np.maximum(cortex, fall.peak) - fall.soft
        bright = np.maximum(bright, 1.0)
        moved, layer = blur_shift((fall.peak - fall.soft) / bright, (fall.inner - fall.soft) / bright, blur)
        wanted = fall.at_mm - moved
        seen = fall.seen & inside_field & ~touching
        if metal is not None:
            seen &= sample(metal.astype(np.float32), grid, points, outside=0.0) < 0.2
        strength = np.clip((fall.peak - fall.soft) / (0.3 * (levels.cortex - levels.soft)), 0.05, 1.0)
        weight = np.where(seen, strength, 0.0)
        wanted = np.where(seen, wanted, 0.0)
        if touching.any():
            wanted[touching] = _to_head(points[touching], normals[touching], head)
        local = _spread(adjacent, weight + 1e-4, wanted, 2.0)
        weight *= np.clip(1.0 - ((wanted - local) / 1.5) ** 2, 0.0, 1.0)
        weight = np.where(touching, 0.3, weight)
        u = _spread(adjacent, weight + 1e-4, wanted, 0.25)
        points = points + np.clip(u, -trust, trust)[:, None] * normals
        normals = _normals(points, faces)
        normals = normals + 0.5 * (adjacent @ normals) / degree[:, None]  # type: ignore[operator]
        normals /= np.maximum(np.linalg.norm(normals, axis=1), 1e-9)[:, None]

    out = first.copy()
    near = np.abs(first) < BAND_MM + 2.0
    index = np.argwhere(near)
    place = grid.points(index[:, ::-1])
    distance, nearest = cKDTree(points).query(place, workers=2)
    way = place - points[nearest]
    along = np.einsum("ij,ij->i", way, normals[nearest])
    # Near the surface the tangent plane is right; further off, the nearest point's distance with the plane's sign.
    lateral = np.minimum(np.sqrt(np.maximum(distance**2 - along**2, 0.0)), 0.5 * float(spacing.max()))
    off = np.sqrt(np.maximum(distance**2 - lateral**2, 0.0))
    signed = np.where(np.abs(along) < 1.0, along, np.sign(along) * np.maximum(off, 1.0))
    far = np.abs(first[near]) > 3.5
    signed = np.where(far & (np.sign(signed) != np.sign(first[near])), first[near], signed)
    out[near] = signed
    return Edge(out.astype(np.float32), points, normals, faces, seen, layer, sigma, cortex, thick)

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

from headstock.anatomy.scan._grey import Levels, Volume, sample, smooth
from headstock.anatomy.scan._joint import HeadSurface
from headstock.geometry.distance import mask_distance
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
_SOLID_HU: Final = 1150.0  # of solid cortex above soft tissue, and its spread; common practice, no source
_SOLID_SD_HU: Final = 200.0
_SHAPE_SD_MM: Final = 0.03
_NARROW_SHARE: Final = 0.2
_PLAIN_SIGMA: Final = 0.55  # blur (sd) of a scan in voxels, where no thick cortex shows it
_THIN_MM: Final = 0.1


@dataclass(frozen=True, slots=True, eq=False)
class Edge:
    """The surface found.

    `femur_mm`: signed distance. `points_lps_mm`, `normals` (v, 3), `faces`: the surface; `seen` (v,): the fall was
    there; `touching` (v,): bone touches bone; `cortex_mm` (v,) thickness of the cortex under each point. `blur_mm` sd
    of the scan's blur in plane, `cortex_HU` brightness of solid cortex; `thick`: both were measured on thick cortex.
    """

    femur_mm: Volume
    points_lps_mm: Floats
    normals: Floats
    faces: NDArray[np.intp]
    seen: Mask
    touching: Mask
    cortex_mm: Floats
    blur_mm: float
    cortex_HU: float
    thick: bool


@dataclass(frozen=True, slots=True, eq=False)
class _Layers:
    """A layer of cortex at an edge, blurred, lengths in sd of the blur; levels: soft tissue 0, solid cortex 1.

    On grids of the inner level `q` and of the peak as a `share` of the way from q to 1: `shift` how far outside the
    true edge the profile crosses half its peak, `thick` the layer, `flank` from three quarters of the peak to one
    quarter outside, `width` between the half levels outside and inside.
    """

    q: Floats
    share: Floats
    shift: Floats
    thick: Floats
    flank: Floats
    width: Floats

    def at(self, table: Floats, peak: Floats, inner: Floats) -> Floats:
        """A table at `peak` and `inner` level."""
        from scipy.ndimage import map_coordinates

        q = np.clip(inner, 0.0, self.q[-1])
        share = np.clip((peak - q) / (1.0 - q), 0.0, 1.0)
        place = np.stack([q / self.q[-1] * (self.q.size - 1), share * (self.share.size - 1)])
        return np.asarray(map_coordinates(table, place, order=1, mode="nearest"))


@lru_cache(maxsize=1)
def _layer_table() -> _Layers:
    """The look-up, made once."""
    from scipy.special import ndtr

    x = np.linspace(-12.0, 6.0, 1801)
    q_grid = np.linspace(0.0, 0.9, 19)
    share_grid = np.linspace(0.0, 1.0, 101)
    t_grid = np.concatenate([np.linspace(0.02, 2.0, 100), np.linspace(2.05, 6.0, 80)])
    shift, thick, flank, width = (np.zeros((q_grid.size, share_grid.size)) for _ in range(4))
    for i, q in enumerate(q_grid):
        shares, shifts, flanks, widths = (np.zeros(t_grid.size) for _ in range(4))
        for j, t in enumerate(t_grid):
            # Bone at x < 0: cortex over (-t, 0), level q deeper.
            y = ndtr(-x) - (1.0 - q) * ndtr(-(x + t))
            k = int(np.argmax(y))
            peak = float(y[k])
            falling = slice(k, None)
            half, high, low = (float(np.interp(-level * peak, -y[falling], x[falling])) for level in (0.5, 0.75, 0.25))
            inside = float(np.interp(0.5 * (peak + q), y[: k + 1], x[: k + 1]))
            shifts[j], flanks[j], widths[j] = half, low - high, half - inside
            shares[j] = (peak - q) / (1.0 - q)
        order = np.argsort(shares, kind="stable")
        shift[i] = np.interp(share_grid, shares[order], shifts[order])
        thick[i] = np.interp(share_grid, shares[order], t_grid[order])
        flank[i] = np.interp(share_grid, shares[order], flanks[order])
        width[i] = np.interp(share_grid, shares[order], widths[order])
    return _Layers(q_grid, share_grid, shift, thick, flank, width)


def blur_shift(peak: Floats, inner: Floats, sigma_mm: Floats) -> tuple[Floats, Floats]:
    """How far outside the true edge a thin cortex's half level lies, mm, and how thick that cortex is, mm.

    `peak`, `inner`: the profile's highest level and the level deep to the cortex, 0 soft tissue, 1 solid cortex.
    """
    layers = _layer_table()
    moved = layers.at(layers.shift, peak, inner) * sigma_mm
    return np.asarray(moved), np.asarray(layers.at(layers.thick, peak, inner) * sigma_mm)


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
    flank_mm: Floats
    width_mm: Floats
    low_at_mm: Floats
    dips: Mask


def _on_head(points: Floats, head: HeadSurface) -> tuple[Mask, Mask]:
    """Which points lie on the head as read along rays, and which of them where bone touches bone."""
    from scipy.spatial import cKDTree

    away = points - head.centre_lps_mm
    reach = np.linalg.norm(away, axis=1)
    _, ray = cKDTree(head.rays).query(away / reach[:, None], workers=2)
    near = np.abs(reach - head.radius_mm[ray]) < _NEAR_HEAD_MM
    return near & head.covered[ray], near & head.touching[ray]


def _rise(profile: Floats, x: Floats) -> Floats:
    """Where each profile rises into cortex on its way out, at the half level; NaN where it does not.

    Where head and socket are joined their band is thick, and this half level is the cortex's true inner face.
    """
    n, m = profile.shape
    rows = np.arange(n)
    steps = np.arange(m)[None, :]
    top_at = np.argmax(np.where((x > -2.0) & (x < 1.5), profile, -np.inf), axis=1)
    peak = profile[rows, top_at]
    inner = profile[:, (x >= -4.5) & (x <= -3.0)].mean(axis=1)
    level = (0.5 * (peak + inner))[:, None]
    up = (steps < top_at[:, None]) & (profile < level)
    last = m - 1 - np.argmax(up[:, ::-1], axis=1)
    y0, y1 = profile[rows, last], profile[rows, np.minimum(last + 1, m - 1)]
    part = (level[:, 0] - y0) / np.where(np.abs(y1 - y0) > 1e-6, y1 - y0, 1.0)
    return np.asarray(np.where(up.any(axis=1), x[last] + np.clip(part, 0.0, 1.0) * _STEP_MM, np.nan))


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
    # The darkest place is one between two bands when it rises again beyond it.
    further = np.minimum(low_at + round(1.0 / _STEP_MM), m - 1)
    dips = profile[rows, further] > soft + 0.5 * least
    level = (0.5 * (peak + inner))[:, None]
    within = (steps < top_at[:, None]) & (steps >= top_at[:, None] - round(3.0 / _STEP_MM))
    up = within & (profile < level)
    last = m - 1 - np.argmax(up[:, ::-1], axis=1)
    y0, y1 = profile[rows, last], profile[rows, np.minimum(last + 1, m - 1)]
    part = (level[:, 0] - y0) / np.where(np.abs(y1 - y0) > 1e-6, y1 - y0, 1.0)
    rose = np.where(up.any(axis=1), x[last] + np.clip(part, 0.0, 1.0) * _STEP_MM, np.nan)
    return _Fall(at, peak, soft, inner, seen, crossing(0.25) - crossing(0.75), at - rose, x[low_at], dips)


def _in_the_gap(fall: _Fall, blur: Floats, levels: Levels, cortex: float, own: tuple[float, float]) -> Floats:
    """Edges beside a joint space so narrow that the dark in it does not reach soft tissue; NaN elsewhere.

    Between two layers of cortex, each t thick with bone of level q behind, a gap g wide shows at its middle
    2 (Phi((g / 2 + t) / sd) - Phi(g / 2 sd)) + 2 q Phi(-(g / 2 + t) / sd) of solid cortex: the dark's depth gives g,
    and the edge lies half of it inside the darkest place. `own`: t (mm) and q of this head, where its joint is open.
    """
    from scipy.special import ndtr

    thickness, q = own
    peak_share = (fall.soft - levels.soft) / np.maximum(fall.peak - levels.soft, 1.0)
    narrow = fall.seen & fall.dips & (peak_share > _NARROW_SHARE)
    share = (fall.soft - levels.soft) / max(cortex - levels.soft, 1.0)
    sd = float(np.median(blur))
    half = np.linspace(0.0, 4.0 * sd, 200)
    beyond = (half + thickness) / sd
    shown = 2.0 * (ndtr(beyond) - ndtr(half / sd)) + 2.0 * q * ndtr(-beyond)
    shown = np.minimum.accumulate(shown)
    found = np.interp(-share, -shown, half)
    return np.asarray(np.where(narrow, fall.low_at_mm - found, np.nan))


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


def _thin_cortex(fall: _Fall, level_normal: Mask, levels: Levels, usual: float) -> tuple[float, float]:
    """Brightness of solid cortex and blur where no cortex is thick enough to show them.

    A blurred layer's outer flank and its width between half levels depend on its thickness in different ways: of all
    brightnesses the one is taken under which both agree and which is usual for cortex.
    """
    good = fall.seen & level_normal & np.isfinite(fall.flank_mm) & np.isfinite(fall.width_mm)
    good &= fall.soft < levels.soft + 0.1 * (levels.cortex - levels.soft)
    if good.sum() < 200:
        return levels.cortex, usual
    peak, inner = (fall.peak - fall.soft)[good], (fall.inner - fall.soft)[good]
    flank, width = fall.flank_mm[good], fall.width_mm[good]
    top = float(np.percentile(peak, 98.0))
    layers = _layer_table()
    best = (np.inf, levels.cortex, usual)
    for bright in top * np.linspace(0.98, 1.7, 37):
        p, q = np.clip(peak / bright, 0.0, 0.995), inner / bright
        sigma = float(np.median(flank / layers.at(layers.flank, p, q)))
        off = float(np.median(np.abs(width - sigma * layers.at(layers.width, p, q)))) / _SHAPE_SD_MM
        off = off**2 + ((bright - _SOLID_HU) / _SOLID_SD_HU) ** 2
        if off < best[0]:
            best = (off, bright + levels.soft, sigma)
    return best[1], float(np.clip(best[2], 0.5 * usual, 3.0 * usual))


def _thick_cortex(profile: Floats, x: Floats, levels: Levels, normals: Floats, grid: Grid) -> tuple[float, float, bool]:
    """Brightness of solid cortex and blur in plane, from places where cortex is thick, else from the shape of thin
    cortex; and whether it was thick."""
    plateau = profile[:, (x > -2.6) & (x < -1.3)]
    fall = _find_fall(profile, x, levels, np.full(profile.shape[0], 1.5))
    flat = plateau.min(axis=1) > 0.85 * (levels.cortex - levels.soft) + levels.soft
    level_normal = np.abs(normals @ grid.axes[:, 2]) < 0.5
    good = flat & fall.seen & level_normal & np.isfinite(fall.flank_mm)
    usual = _PLAIN_SIGMA * float(grid.spacing_mm[:2].max())
    if good.sum() < 60:
        cortex, sigma = _thin_cortex(fall, level_normal, levels, usual)
        return cortex, sigma, False
    cortex = float(np.median(plateau[good]))
    # 25 to 75 % of a step blurred by a Gaussian are 1.349 sd apart.
    sigma = float(np.median(fall.flank_mm[good])) / 1.349
    return cortex, float(np.clip(sigma, 0.5 * usual, 3.0 * usual)), True


def find_edge(
    values: Volume, grid: Grid, levels: Levels, femur: Mask, head: HeadSurface, metal: Mask | None = None
) -> Edge:
    """The femur's surface between voxels; `values` HU as scanned, `femur` its voxels to begin with.

    On the head the surface read along rays is near already: a fall further off is the socket's. Where bone touches
    bone nothing falls, and the surface read along rays stays.
    """
    from scipy.spatial import cKDTree

    first = mask_distance(femur, grid.spacing_mm[::-1])
    points, faces, normals = _surface(smooth(first, 1.0 * float(grid.spacing_mm.max()), grid.spacing_mm), grid)
    n = points.shape[0]
    adjacent = _neighbours(faces, n)
    degree = np.maximum(np.asarray(adjacent.sum(axis=1)).ravel(), 1.0)  # type: ignore[attr-defined]
    x = np.arange(-_IN_MM, _OUT_MM + 1e-9, _STEP_MM)
    cortex, sigma, thick = levels.cortex, _PLAIN_SIGMA * float(grid.spacing_mm[:2].max()), False
    layer = np.zeros(n)
    seen = touching = np.zeros(n, dtype=bool)
    spacing = grid.spacing_mm
    for turn, trust in enumerate(_TRUST_MM):
        profile = sample(values, grid, points[:, None, :] + x[None, :, None] * normals[:, None, :])
        inside_field = np.isfinite(profile).all(axis=1)
        profile = np.where(np.isfinite(profile), profile, levels.soft)
        # Neighbours on a smooth surface see the same edge: their mean quiets noise without moving it.
        for _ in range(2):
            profile = 0.4 * profile + 0.6 * (adjacent @ profile) / degree[:, None]  # type: ignore[operator]
        rose = _rise(profile, x)
        on_head, touching = _on_head(points, head)
        trusted = np.where(on_head, np.minimum(trust, _HEAD_TRUST_MM), trust)
        fall = _find_fall(profile, x, levels, trusted)
        if turn == len(_TRUST_MM) - 1:
            apart = ~touching  # a band joined with the socket's is no measure of the head's own
            cortex, sigma, thick = _thick_cortex(profile[apart], x, levels, normals[apart], grid)
        slices = np.abs(normals @ grid.axes[:, 2])
        wider = max(float(spacing[2] ** 2 - spacing[:2].max() ** 2), 0.0) / 12.0
        blur = np.sqrt(sigma**2 + slices**2 * wider)
        bright = np.maximum(cortex, fall.peak) - fall.soft
        bright = np.maximum(bright, 1.0)
        moved, layer = blur_shift((fall.peak - fall.soft) / bright, (fall.inner - fall.soft) / bright, blur)
        wanted = fall.at_mm - moved
        open_ = on_head & fall.seen & ~fall.dips
        if open_.sum() > 100:
            thickness = float(np.median(layer[open_]))
            behind = float(np.median((fall.inner[open_] - levels.soft) / max(cortex - levels.soft, 1.0)))
            beside = _in_the_gap(fall, blur, levels, cortex, (thickness, float(np.clip(behind, 0.0, 0.9))))
            wanted = np.where(np.isfinite(beside), beside, wanted)
        seen = fall.seen & inside_field & ~touching
        rose = np.where(inside_field & (np.abs(rose) < 4.0), rose, np.nan)
        if metal is not None:
            seen &= sample(metal.astype(np.float32), grid, points, outside=0.0) < 0.2
        strength = np.clip((fall.peak - fall.soft) / (0.3 * (levels.cortex - levels.soft)), 0.05, 1.0)
        weight = np.where(seen, strength, 0.0)
        wanted = np.where(seen, wanted, 0.0)
        if touching.any():
            # Both ways of reading the head's own thickness err upward: the brightness of a layer that is nearly solid
            # says little of it, and its width holds the blur.
            by_width = (fall.width_mm - 2.0 * moved)[open_]
            thickness = float("nan")
            if open_.sum() > 100 and np.isfinite(by_width).any():
                thickness = min(float(np.median(layer[open_])), float(np.nanmedian(by_width)))
            from_rise = rose[touching] + thickness
            wanted[touching] = np.where(np.isfinite(from_rise), from_rise, 0.0)
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
    return Edge(out.astype(np.float32), points, normals, faces, seen, touching, layer, sigma, cortex, thick)

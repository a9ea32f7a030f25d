"""The surface of the head in its socket: where the femur ends and the pelvis begins, also where they touch.

In: HU, levels and a rough head. Out: the distance from a centre to the head's
outer surface in every direction but the neck's. The surface is star-shaped about
the centre there, so it is one number a direction; it is a smooth function on the
sphere (real spherical harmonics) led by the first fall of grey beyond the head's
own cortex, and by the thickness of that cortex where bone touches bone and
nothing falls.
Decision: docs/decisions/0210-head-surface-along-rays.md
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from headstock.anatomy.scan._grey import Levels, Volume, sample
from headstock.anatomy.scan._head import Head, directions
from headstock.errors import TooFewError
from headstock.geometry.grid import Grid

__all__ = ["HeadSurface", "head_surface"]

Floats = NDArray[np.float64]

NECK_CONE_DEG: Final = 50.0  # a neck of 32 mm leaves a head of 46 mm at 44 degrees; the surface is not read inside
_RAYS: Final = 4000
_STEP_MM: Final = 0.25
_OUT_MM: Final = 11.0
_ROUNDS: Final = ((2, 4.0), (3, 3.0), (4, 2.4), (6, 2.0), (8, 1.6), (10, 1.3), (10, 1.1))  # degree, mm of trust
_STIFF: Final = 2e-4


@dataclass(frozen=True, slots=True, eq=False)
class HeadSurface:
    """`radius_mm` (rays,) along `rays` from `centre_lps_mm`; `neck` unit, from the head down the neck.

    `open_share`: share of covered directions (not the neck) in which the edge itself was seen; `touching_mm2`:
    area in which the head's own edge could not be told from the socket's.
    """

    centre_lps_mm: Floats
    rays: Floats
    radius_mm: Floats
    neck: Floats
    seen: NDArray[np.bool_]
    touching_mm2: float

    def at(self, unit: Floats) -> Floats:
        """(n,) radius in (n, 3) unit directions, between the four nearest rays."""
        from scipy.spatial import cKDTree

        distance, index = cKDTree(self.rays).query(unit, k=4)
        weight = 1.0 / (np.asarray(distance) ** 2 + 1e-6)
        return np.asarray((weight * self.radius_mm[index]).sum(axis=1) / weight.sum(axis=1))


def _harmonics(unit: Floats, degree: int) -> tuple[Floats, Floats]:
    """(n, terms) real spherical harmonics to `degree`, and each term's l (l + 1)."""
    from scipy.special import sph_harm_y

    polar = np.arccos(np.clip(unit[:, 2], -1.0, 1.0))
    turn = np.arctan2(unit[:, 1], unit[:, 0])
    columns: list[Floats] = []
    orders: list[float] = []
    for term in range(degree + 1):
        for m in range(term + 1):
            y = sph_harm_y(term, m, polar, turn)
            columns.append(np.sqrt(2.0) * y.real if m else y.real)
            orders.append(term * (term + 1.0))
            if m:
                columns.append(np.sqrt(2.0) * y.imag)
                orders.append(term * (term + 1.0))
    return np.stack(columns, axis=1), np.array(orders)


def _edges(profile: Floats, noise: float) -> tuple[NDArray[np.bool_], NDArray[np.bool_], Floats]:
    """Falling and rising edges of (rays, samples): places of steepest change, and the change across 1.5 mm."""
    k = 3  # samples either side: 1.5 mm across, about what a scanner blurs
    change = np.zeros_like(profile)
    change[:, k:-k] = profile[:, 2 * k :] - profile[:, : -2 * k]
    least = max(4.0 * noise, 90.0)
    falls = np.zeros(profile.shape, dtype=bool)
    rises = np.zeros(profile.shape, dtype=bool)
    inner = change[:, 1:-1]
    falls[:, 1:-1] = (inner < -least) & (inner <= change[:, :-2]) & (inner < change[:, 2:])
    rises[:, 1:-1] = (inner > least) & (inner >= change[:, :-2]) & (inner > change[:, 2:])
    return falls, rises, change


def _neck_way(rays: Floats, open_: NDArray[np.bool_], guess: Floats) -> Floats:
    """Mean of the directions without an edge near the guess: the neck leaves the head there."""
    way = guess
    for _ in range(4):
        near = open_ & (rays @ way > np.cos(np.radians(50.0)))
        if near.sum() < 20:
            return way
        mean = rays[near].mean(axis=0)
        way = mean / np.linalg.norm(mean)
    return np.asarray(way)


def _settled(values: Volume, grid: Grid, levels: Levels, head: Head, rays: Floats) -> tuple[Floats, float]:
    """Centre and radius of the ball the head's own edges lie on.

    The innermost strong fall on each ray is the head's own cortex unless bone touches bone; a sphere is fitted to
    them with weights that forget what is off by more than about a millimetre (Cauchy).
    """
    centre, radius = head.centre_lps_mm, head.radius_mm
    for turn in range(3):
        reach = np.arange(max(0.6 * radius, 8.0), radius + 7.0, _STEP_MM)
        profile = sample(values, grid, centre + reach[None, :, None] * rays[:, None, :], outside=levels.soft)
        falls, _, change = _edges(profile, 0.6 * levels.noise)
        largest = np.where(falls, -change, 0.0).max(axis=1)
        strong = falls & (-change > 0.5 * float(np.median(largest[largest > 0.0])) if (largest > 0.0).any() else falls)
        has = strong.any(axis=1)
        if has.sum() < 100:
            break
        first = _between(change, reach, np.argmax(strong, axis=1))
        points = rays[has] * first[has][:, None]
        shift, size = np.zeros(3), float(np.median(first[has])) if turn == 0 else radius
        for scale in (3.0, 2.0, 1.5, 1.0, 0.8, 0.8, 0.8):
            way = points - shift
            length = np.linalg.norm(way, axis=1)
            weight = 1.0 / (1.0 + ((length - size) / scale) ** 2) ** 2
            a = np.concatenate([way / length[:, None], np.ones((length.size, 1))], axis=1) * weight[:, None]
            step = np.linalg.lstsq(a, (length - size) * weight, rcond=None)[0]
            shift, size = shift + step[:3], size + float(step[3])
        if not np.linalg.norm(shift) < 12.0:
            break
        centre, radius = centre + shift, size
    return centre, radius


def head_surface(values: Volume, grid: Grid, levels: Levels, head: Head, neck_guess: Floats) -> HeadSurface:
    """The head's outer surface; `values` lightly smoothed HU, `neck_guess` unit LPS.

    Raises
    ------
    TooFewError
        Too little of a head's edge is to be seen around this centre.
    """
    rays = directions(_RAYS)
    centre, radius = _settled(values, grid, levels, head, rays)
    reach = np.arange(max(0.45 * radius, 8.0), radius + _OUT_MM, _STEP_MM)
    profile = sample(values, grid, centre + reach[None, :, None] * rays[:, None, :], outside=levels.soft)
    falls, rises, change = _edges(profile, 0.6 * levels.noise)
    size = np.clip(np.abs(change) / (0.5 * (levels.cortex - levels.soft)), 0.0, 1.0)

    model = np.full(_RAYS, radius)
    near = falls & (np.abs(reach[None, :] - model[:, None]) < 3.5)
    neck = _neck_way(rays, ~near.any(axis=1), neck_guess)
    covered = rays @ neck < np.cos(np.radians(NECK_CONE_DEG))
    if near[covered].any(axis=1).mean() < 0.35:
        raise TooFewError(
            "No ball of bone with an edge around it was found at this place, so the head cannot be told from its "
            "socket. Set the seed in the middle of the femoral head, or check that the head is in this series."
        )
    basis, stiff = _harmonics(rays, max(degree for degree, _ in _ROUNDS))

    band = np.full(_RAYS, np.nan)
    touching = np.zeros(_RAYS, dtype=bool)
    at = np.full(_RAYS, np.nan)
    for degree, trust in _ROUNDS:
        away = np.abs(reach[None, :] - model[:, None])
        outward = np.maximum(reach[None, :] - model[:, None], 0.0)
        cost = np.where(falls & (away < 1.6 * trust), (away + 0.5 * outward) / trust - 0.5 * size, np.inf)
        best = np.argmin(cost, axis=1)
        has = np.isfinite(cost[np.arange(_RAYS), best])
        at = np.where(has, _between(change, reach, best), np.nan)
        weight = np.where(has, size[np.arange(_RAYS), best], 0.0)
        # Width of the bright band: from the last rise before the fall to the fall.
        before = rises & (reach[None, :] < np.where(has, at, model + trust)[:, None] - 0.2)
        before &= reach[None, :] > model[:, None] - 5.0
        last = reach.size - 1 - np.argmax(before[:, ::-1], axis=1)
        rose = np.where(before.any(axis=1), _between(change, reach, last), np.nan)
        band = at - rose
        usual = covered & has & np.isfinite(band)
        middle = float(np.nanmedian(band[usual])) if usual.sum() > 50 else np.nan
        if degree >= 4 and np.isfinite(middle):
            # Where the band is much wider than the head's own cortex, the fall belongs to the socket's far side.
            wide = has & (band > middle + 0.7) & (at > model + 0.25)
            none = ~has & np.isfinite(rose) & (np.abs(rose + middle - model) < trust)
            touching = covered & (wide | none)
            at = np.where(touching, rose + middle, at)
            weight = np.where(touching, 0.15, weight)
            weight = np.where(touching & (np.abs(at - model) > trust), 0.0, weight)
        off = (np.where(np.isfinite(at), at, model) - model) / (1.6 * trust)
        weight = np.where(covered & np.isfinite(at), weight * np.clip(1.0 - off**2, 0.0, 1.0) ** 2, 0.0)
        terms = (degree + 1) ** 2
        b = basis[:, :terms]
        normal = (b * weight[:, None]).T @ b + np.diag(_STIFF * stiff[:terms] ** 2 / 30.0 * weight.sum() / _RAYS + 1e-9)
        coefficients = np.linalg.solve(normal, b.T @ (weight * np.where(weight > 0.0, at, 0.0)))
        model = b @ coefficients
    seen = covered & np.isfinite(at) & ~touching & (np.abs(at - model) < 1.5)
    area = 4.0 * np.pi / _RAYS * model**2
    return HeadSurface(centre, rays, model, neck, seen, float(area[touching].sum()))


def _between(change: Floats, reach: Floats, index: NDArray[np.intp]) -> Floats:
    """Position of the extremum of `change` at `index` between samples, by a parabola."""
    rows = np.arange(change.shape[0])
    k = np.clip(index, 1, change.shape[1] - 2)
    left, mid, right = change[rows, k - 1], change[rows, k], change[rows, k + 1]
    bend = left - 2.0 * mid + right
    shift = np.where(np.abs(bend) > 1e-6, 0.5 * (left - right) / np.where(np.abs(bend) > 1e-6, bend, 1.0), 0.0)
    return np.asarray(reach[k] + np.clip(shift, -0.5, 0.5) * _STEP_MM)

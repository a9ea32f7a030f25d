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

from headstock.anatomy.scan._bands import WIDER_MM, Bands, bands_along, own_cortex_mm
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
_WIDER_MM: Final = 0.7  # a band this much wider than the head's own cortex holds the socket's too
_SPACE_MM: Final = 5.5  # the widest joint space beyond which the socket's cortex begins
_SOCKET_MM: Final = 3.0  # of socket cortex in a joined band
_STIFF: Final = 2e-4


@dataclass(frozen=True, slots=True, eq=False)
class HeadSurface:
    """`radius_mm` (rays,) along `rays` from `centre_lps_mm`; `neck` unit, from the head down the neck.

    `seen` (rays,): the edge itself was seen; `touching` (rays,): no dark parts head and socket; `touching_mm2` over
    what area.
    """

    centre_lps_mm: Floats
    rays: Floats
    radius_mm: Floats
    neck: Floats
    seen: NDArray[np.bool_]
    touching: NDArray[np.bool_]
    touching_mm2: float

    @property
    def covered(self) -> NDArray[np.bool_]:
        """(rays,) outside the neck's cone."""
        return np.asarray(self.rays @ self.neck < np.cos(np.radians(NECK_CONE_DEG)))

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


@dataclass(frozen=True, slots=True, eq=False)
class _Own:
    """The head's own edge along each ray: where, how much it is to be believed, and whether bone touches bone."""

    at_mm: Floats
    weight: Floats
    touching: NDArray[np.bool_]


def _own(bands: Bands, model: Floats, trust_mm: float, usual_HU: float) -> _Own:
    """Of the bands near the model the innermost that is not much fainter than the brightest; joined bands are cut at
    the usual thickness of the head's cortex."""
    rows = np.arange(model.size)
    off = bands.fell_mm - model[:, None]
    # A joined band ends beyond the model by the socket's cortex; its own edge is where it rose, and one thickness.
    near = np.isfinite(off) & (np.abs(off) < 1.6 * trust_mm)
    joined_near = np.isfinite(off) & bands.spongy & (off >= 0.0) & (off < 1.6 * trust_mm + _SOCKET_MM)
    near |= joined_near & (np.abs(bands.rose_mm + 1.0 - model[:, None]) < 1.6 * trust_mm)
    step = np.where(near, bands.step_HU, 0.0)
    brightest = step.max(axis=1)
    fair = near & (step >= 0.4 * brightest[:, None])
    pick = np.argmax(fair, axis=1)
    has = fair.any(axis=1)
    at = np.where(has, bands.fell_mm[rows, pick], np.nan)
    rose = np.where(has, bands.rose_mm[rows, pick], np.nan)
    width = at - rose
    middle = own_cortex_mm(width)
    touching = np.zeros(model.size, dtype=bool)
    weight = np.where(has, np.clip(bands.step_HU[rows, pick] / usual_HU, 0.1, 1.0), 0.0)
    if np.isfinite(middle):
        touching = has & (width > middle + WIDER_MM) & bands.spongy[rows, pick]
        at = np.where(touching, rose + middle, at)
        weight = np.where(touching, 0.5 * weight, weight)
    away = (np.where(has, at, model) - model) / (1.6 * trust_mm)
    weight = weight * np.clip(1.0 - away**2, 0.0, 1.0) ** 2
    return _Own(at, np.asarray(weight), np.asarray(touching))


def _settled(values: Volume, grid: Grid, levels: Levels, head: Head, rays: Floats) -> tuple[Floats, float]:
    """Centre and radius of the ball the head's own edges lie on.

    On each ray the innermost band that is not much fainter than any is the head's own cortex, or begins with it; a
    sphere is fitted with weights that forget what is off by more than about a millimetre.
    """
    centre, radius = head.centre_lps_mm, head.radius_mm
    for turn in range(3):
        reach = np.arange(max(0.6 * radius, 8.0), radius + 9.0, _STEP_MM)
        profile = sample(values, grid, centre + reach[None, :, None] * rays[:, None, :], outside=levels.soft)
        bands = bands_along(profile, reach, levels)
        usual = _usual_step(bands)
        trust = 4.0 if turn == 0 else 2.5
        own = _own(bands, np.full(rays.shape[0], radius), trust, usual)
        has = own.weight > 0.0
        if has.sum() < 100:
            break
        points = rays[has] * own.at_mm[has][:, None]
        believed = np.sqrt(own.weight[has] / own.weight[has].max())
        shift, size = np.zeros(3), radius
        for scale in (3.0, 2.0, 1.5, 1.0, 0.8, 0.8, 0.8):
            way = points - shift
            length = np.linalg.norm(way, axis=1)
            weight = believed / (1.0 + ((length - size) / scale) ** 2)
            a = np.concatenate([way / length[:, None], np.ones((length.size, 1))], axis=1) * weight[:, None]
            step = np.linalg.lstsq(a, (length - size) * weight, rcond=None)[0]
            shift, size = shift + step[:3], size + float(step[3])
        if not np.linalg.norm(shift) < 12.0:
            break
        centre, radius = centre + shift, size
    return centre, radius


def _usual_step(bands: Bands) -> float:
    """Median over rays of the largest step of grey, HU."""
    largest = bands.step_HU.max(axis=1)
    return float(np.median(largest[largest > 0.0])) if (largest > 0.0).any() else 1.0


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
    bands = bands_along(profile, reach, levels)
    usual = _usual_step(bands)
    model = np.full(_RAYS, radius)
    own = _own(bands, model, 3.0, usual)
    neck = _neck_way(rays, own.weight <= 0.0, neck_guess)
    covered = rays @ neck < np.cos(np.radians(NECK_CONE_DEG))
    if (own.weight[covered] > 0.0).mean() < 0.35:
        raise TooFewError(
            "No ball of bone with an edge around it was found at this place, so the head cannot be told from its "
            "socket. Set the seed in the middle of the femoral head, or check that the head is in this series."
        )
    basis, stiff = _harmonics(rays, max(degree for degree, _ in _ROUNDS))
    for degree, trust in _ROUNDS:
        own = _own(bands, model, trust, usual)
        weight = np.where(covered, own.weight, 0.0)
        terms = (degree + 1) ** 2
        b = basis[:, :terms]
        still = _STIFF * stiff[:terms] ** 2 / 30.0 * weight.sum() / _RAYS + 1e-9
        normal = (b * weight[:, None]).T @ b + np.diag(still)
        model = b @ np.linalg.solve(normal, b.T @ (weight * np.where(weight > 0.0, own.at_mm, 0.0)))
    touching = covered & own.touching
    seen = covered & (own.weight > 0.0) & ~own.touching
    area = 4.0 * np.pi / _RAYS * model**2
    return HeadSurface(centre, rays, model, neck, seen, touching, float(area[touching].sum()))

"""Follow an outline around a circle: one edge per angle, joined by the cheapest closed path.

In: a window and circles in its pixels. Out: edge points, how clear each is. Dynamic
programming over the polar picture keeps the trace on one continuous edge where
each ray on its own would jump between head and socket.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from headstock.anatomy.snap._crop import Float32s, Floats, sampled

__all__ = ["ANGLES", "Trace", "settle", "steady_circles", "trace"]

ANGLES: Final = 120
_RADIAL_MM: Final = 0.25
_INSIDE_MM: Final = (1.25, 5.0)  # where an inner edge of the same sense speaks against an outer one
_NEAR: Final = 3  # radial steps about the path in which the steepest place is taken
_MOST_STEPS: Final = 2  # radial steps from one angle to the next: a slope of 25 deg on a head
_CLICK_COST: Final = 0.15  # per mm2: a click 1.5 mm off costs as much as a weak edge gains
_CLICK_MOST: Final = 0.6
_ANGLE: Final = np.arange(ANGLES) * (2 * np.pi / ANGLES)
_UNIT: Final[Floats] = np.stack([np.cos(_ANGLE), np.sin(_ANGLE)], axis=-1)


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """Outlines around H circles.

    `points` (H, ANGLES, 2) in window pixels; `clear` (H, ANGLES) 0..1, how clearly the film shows an edge there;
    `weight` (H, ANGLES) in the circle fit; `off_mm` (H, ANGLES) outside (+) or inside (-) the circle;
    `centre` (H, 2) px and `radius_mm` (H,) of the circle through them.
    """

    points: Floats
    clear: Floats
    weight: Floats
    off_mm: Floats
    inner: Floats
    socket: Floats
    contrast: Floats
    centre: Floats
    radius_mm: Floats


def _closed_paths(cost: Float32s, bend: float) -> NDArray[np.intp]:
    """Cheapest path per picture (H, nr, ANGLES) that moves at most `_MOST_STEPS` per angle; (H, ANGLES)."""
    h, nr, n = cost.shape
    lead = n // 2  # running in and out for half a turn makes the ends meet without forcing them
    columns = np.concatenate([np.arange(n - lead, n), np.arange(n), np.arange(lead)])
    price = np.ascontiguousarray(np.moveaxis(cost, 2, 0))[columns]
    shifts = np.arange(-_MOST_STEPS, _MOST_STEPS + 1)
    total = price[0].copy()
    back = np.empty((len(columns), h, nr), dtype=np.int8)
    padded = np.full((h, nr + 2 * _MOST_STEPS), np.inf, dtype=np.float32)
    options = np.empty((len(shifts), h, nr), dtype=np.float32)
    bends = (bend * shifts.astype(np.float32) ** 2)[:, None, None]
    for j in range(1, len(columns)):
        padded[:, _MOST_STEPS:-_MOST_STEPS] = total
        for k in range(len(shifts)):
            options[k] = padded[:, k : k + nr]
        options += bends
        choice = options.argmin(axis=0)
        back[j] = choice
        total = np.take_along_axis(options, choice[None], axis=0)[0] + price[j]
    at = total.argmin(axis=1)
    which = np.arange(h)
    path = np.empty((len(columns), h), dtype=np.intp)
    path[-1] = at
    for j in range(len(columns) - 1, 0, -1):
        at = at + shifts[back[j, which, at]]
        path[j - 1] = at
    return np.asarray(path[lead : lead + n].T)


def trace(
    values: Float32s,
    centre: Floats,
    radius_mm: Floats,
    mm_per_px: float,
    half_width_mm: float,
    typical: float,
    *,
    inner_cost: float | Floats = 0.6,
    hold: float = 0.02,
    bend: float = 0.02,
    fit_mm: float = 0.8,
    floor: float = 0.0,
    clicks: Floats | None = None,
) -> Trace:
    """Outlines within ± `half_width_mm` of H circles, and the circles through them.

    `typical` grey per mm: slopes well below it are no edge. `hold` per mm2 keeps the path near the circle. `fit_mm`:
    Cauchy scale of the circle fit, wide because real heads are up to 1 mm out of round. `clicks` (K, 2) px or None:
    points of the outline the reader clicked; near their direction the path is drawn to them.
    """
    inside = int(_INSIDE_MM[1] / _RADIAL_MM)
    near = int(_INSIDE_MM[0] / _RADIAL_MM)
    steps = int(half_width_mm / _RADIAL_MM)
    offsets = np.arange(-steps - inside, steps + 1) * _RADIAL_MM
    r_mm = radius_mm[:, None] + offsets
    points = centre[:, None, None, :] + (r_mm / mm_per_px)[:, :, None, None] * _UNIT
    picture = sampled(values, points)
    outward = np.gradient(picture, _RADIAL_MM, axis=1)
    around = (np.roll(picture, -1, 2) - np.roll(picture, 1, 2)) / (4 * np.pi / ANGLES * r_mm[:, :, None])
    evidence = np.asarray(-outward / (np.hypot(outward, around) + typical), dtype=np.float32)
    here = evidence[:, inside:]
    within = np.zeros_like(here)
    for k in range(near, inside + 1):
        np.maximum(within, evidence[:, inside - k : evidence.shape[1] - k], out=within)
    price = np.broadcast_to(np.asarray(inner_cost, np.float32), (len(centre),))[:, None, None]
    gain = np.clip(here, -0.2, 1.0) - price * np.minimum(within, np.maximum(here, 0))
    gain = gain - (hold * offsets[inside:] ** 2)[None, :, None].astype(np.float32)
    if clicks is not None:
        gain = gain - _drawn_to(clicks, centre, mm_per_px, r_mm[:, inside:])
    path = _closed_paths(-gain, bend)
    rows, cols = np.arange(len(centre))[:, None], np.arange(ANGLES)[None]
    clear = np.clip(gain[rows, path, cols], 0.0, 1.0).astype(np.float64)
    clear = np.where(np.abs(path - steps) >= steps - 1, 0.0, clear)
    inner = np.clip(within[rows, path, cols], 0.0, 1.0).astype(np.float64)
    beyond = np.clip(path[None] + np.arange(2, 17)[:, None, None], 0, here.shape[1] - 1)
    socket = np.clip(-here[rows, beyond, cols].min(axis=0), 0.0, 1.0).astype(np.float64)
    # The cost of inner edges also bends the peak inward: the place comes from the plain slope near the path.
    nearby = np.clip(path[None] + np.arange(-_NEAR, _NEAR + 1)[:, None, None], 1, here.shape[1] - 2)
    slope = -outward[:, inside:]
    mid = nearby[slope[rows, nearby, cols].argmax(axis=0), rows, cols]
    below, peak, above = slope[rows, mid - 1, cols], slope[rows, mid, cols], slope[rows, mid + 1, cols]
    curve = below - 2 * peak + above
    contrast = (peak / typical).astype(np.float64)
    bent = curve < 0
    fine = np.where(bent, 0.5 * (below - above) / np.where(bent, curve, -1.0), 0.0)
    r_edge = radius_mm[:, None] + (mid - steps + np.clip(fine, -1, 1)) * _RADIAL_MM
    edge = centre[:, None] + (r_edge / mm_per_px)[..., None] * _UNIT
    weight = np.maximum(clear - floor, 0.0) ** 2
    middle, radius_px, robust = steady_circles(edge, weight, centre, radius_mm / mm_per_px, fit_mm / mm_per_px)
    off = (np.linalg.norm(edge - middle[:, None], axis=-1) - radius_px[:, None]) * mm_per_px
    return Trace(edge, clear, robust, off, inner, socket, contrast, middle, radius_px * mm_per_px)


def steady_circles(
    points: Floats, weight: Floats, centre: Floats, radius: Floats, inward: float, outward: float | None = None
) -> tuple[Floats, Floats, Floats]:
    """Circles (H) through points (H, N, 2) by Gauss-Newton steps with Cauchy weights; centre, radius, weights used.

    One step a reweighting: the weights move more than the circle, so a full fit between them buys nothing. `inward` and
    `outward` (default the same): Cauchy scales of points inside and outside the circle. All in px.
    """
    outer = inward if outward is None else outward
    robust = weight
    for _ in range(10):
        offset = points - centre[:, None]
        distance = np.maximum(np.linalg.norm(offset, axis=-1), 1e-9)
        off = distance - radius[:, None]
        robust = weight / (1 + (off / np.where(off > 0, outer, inward)) ** 2) + 1e-9
        jacobian = np.concatenate([offset / distance[..., None], np.ones((*off.shape, 1))], axis=-1)
        weighted = jacobian * robust[..., None]
        normal = np.swapaxes(weighted, 1, 2) @ jacobian
        step = np.linalg.solve(normal, np.swapaxes(weighted, 1, 2) @ off[..., None])[..., 0]
        # A step beyond a fifth of the radius comes from too few clear points; the next trace would not find back.
        step = np.clip(step, -0.2 * radius[:, None], 0.2 * radius[:, None])
        centre, radius = centre + step[:, :2], np.maximum(radius + step[:, 2], 1.0)
    return centre, radius, robust


def _drawn_to(clicks: Floats, centre: Floats, mm_per_px: float, r_mm: Floats) -> Float32s:
    """Cost (H, nr, ANGLES) of passing a click by: per mm2, up to `_CLICK_MOST`, within 6 deg of its direction."""
    off = clicks[None] - centre[:, None]
    place = np.linalg.norm(off, axis=-1) * mm_per_px
    direction = np.arctan2(off[..., 1], off[..., 0])
    turn = np.abs((_ANGLE - direction[..., None] + np.pi) % (2 * np.pi) - np.pi)  # (H, K, ANGLES)
    near = np.clip(1.0 - turn / np.radians(9.0), 0.0, 1.0)
    miss = np.minimum(_CLICK_COST * (r_mm[:, None, :] - place[..., None]) ** 2, _CLICK_MOST)  # (H, K, nr)
    return np.asarray(np.einsum("hkr,hka->hra", miss, near), dtype=np.float32)


def settle(
    values: Float32s,
    centre: Floats,
    radius_mm: Floats,
    mm_per_px: float,
    typical: float,
    widths_mm: tuple[float, ...] = (4.0, 3.0, 2.5),
    clicks: Floats | None = None,
    **options: float | Floats,
) -> Trace:
    """Trace, refit and trace again, each time nearer to the circle found."""
    result = trace(values, centre, radius_mm, mm_per_px, widths_mm[0], typical, clicks=clicks, **options)  # type: ignore[arg-type]
    for width in widths_mm[1:]:
        radius = np.clip(result.radius_mm, 12.0, 40.0)
        result = trace(values, result.centre, radius, mm_per_px, width, typical, clicks=clicks, **options)  # type: ignore[arg-type]
    return result

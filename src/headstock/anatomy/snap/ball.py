"""The marker ball on a film, from one rough click, to a fraction of a pixel.

In: a film (rows, cols), bone bright; one click (column, row) on or near the ball. Out:
`SnapCircle` in film pixels. Off the central ray a ball's shadow is an ellipse drawn
out away from that ray; its *short* axis is the ball's diameter times its
magnification, so that one is reported as the diameter (central projection of a sphere,
plane geometry). The outline lies outside the steepest place, because the path through a
ball starts like a square root: the shadow of a ball is fitted across the edge.
Decisions: docs/decisions/0124-marker-ball.md, 0125-neighbouring-points-err-together.md
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import label
from scipy.optimize import least_squares
from scipy.special import ndtr

from headstock.anatomy.snap._crop import Floats, Window, clicked, film_values, sampled, window
from headstock.errors import TooFewError
from headstock.geometry import fit_circle_robust

__all__ = ["SnapCircle", "snap_ball"]

_HALF_SIZES_PX: Final = (48.0, 110.0, 250.0, 560.0)
_LEVELS: Final = (0.5, 0.65, 0.8)  # of the way from the surround to the ball
_RAYS: Final = 360
_ROUND: Final = 0.06  # rms departure from a circle, as a share of the radius, that is still a ball
_NEAR_PX: Final = 12
_FEWEST_RAYS: Final = 120
_MODEL_SD_PX: Final = 0.03  # of the radius: what the model of blur and scatter leaves open
_CUT: Final = 0.95  # share of the ball's grey above which films saturate, each in its own way
_ASK: Final = (
    "No round, even, dense shadow was found at this click. Click inside the marker ball; if it lies partly outside "
    "the film or under metal, mark its edge by three points or use another scale."
)


@dataclass(frozen=True, slots=True, eq=False)
class SnapCircle:
    """A ball's shadow on the film, px.

    `circle` (column, row, radius): radius is half the short axis, the one that gives the scale. `covariance` (3, 3)
    of it. `diameter_px`, `diameter_sd_px`: short axis. `long_axis_px`: the other axis. `used` (N, 2): outline points
    in the fit; `residual_px` their rms; `used_arc_deg`. `bright`: False when the ball is darker than its surround (the
    film's polarity is then the other way round). `ambiguous`: not a clear ball; `ask` says what to do.
    """

    circle: tuple[float, float, float]
    covariance: Floats
    diameter_px: float
    diameter_sd_px: float
    long_axis_px: float
    used: Floats
    residual_px: float
    used_arc_deg: float
    bright: bool
    ambiguous: bool
    ask: str | None


@dataclass(frozen=True, slots=True, eq=False)
class _Disc:
    centre: Floats
    radius: float
    out_of_round: float
    bright: bool
    level: float  # contrast between ball and surround


def snap_ball(image: ArrayLike, click: ArrayLike) -> SnapCircle:
    """The marker ball at or near one click.

    Parameters
    ----------
    image
        (rows, cols), bone bright (`bright_is_dense`); a dark ball is found too and said to be dark.
    click
        (column, row), inside the ball or within 12 px of it.

    Raises
    ------
    FrameError
        The click lies beside the film.
    ImageError
        Not one plane of finite grey values with contrast.
    """
    plane = film_values(image)
    at = clicked(plane, click)[0]
    disc, part = _disc_near(plane, at)
    if disc is None:
        return _none(at)
    return _measured(plane, part, disc)


def _none(at: Floats) -> SnapCircle:
    big = np.eye(3) * 1e4
    return SnapCircle(
        (float(at[0]), float(at[1]), 0.0), big, 0.0, 100.0, 0.0, np.zeros((0, 2)), 0.0, 0.0, True, True, _ASK
    )


def _disc_near(image: NDArray[np.generic], at: Floats) -> tuple[_Disc | None, Window]:
    """The roundest even region at the click, looked for in growing windows."""
    part = window(image, at, _HALF_SIZES_PX[0], 0.7)
    for half in _HALF_SIZES_PX:
        part = window(image, at, half, 0.7)
        found = [d for bright in (True, False) for d in _discs(part, part.local(at), bright)]
        if found:
            return min(found, key=lambda d: d.out_of_round - 0.02 * d.bright), part
    return None, part


def _discs(part: Window, at: Floats, bright: bool) -> list[_Disc]:
    values = part.values if bright else -part.values
    rows, cols = values.shape
    x, y = (round(float(v)) for v in at)
    patch = values[max(0, y - _NEAR_PX) : y + _NEAR_PX + 1, max(0, x - _NEAR_PX) : x + _NEAR_PX + 1]
    top = float(np.percentile(patch, 90))
    surround = float(np.percentile(values, 40))
    found: list[_Disc] = []
    if top <= surround:
        return found
    for share in _LEVELS:
        regions, _ = label(values > surround + share * (top - surround))
        near = regions[max(0, y - _NEAR_PX) : y + _NEAR_PX + 1, max(0, x - _NEAR_PX) : x + _NEAR_PX + 1]
        names, counts = np.unique(near[near > 0], return_counts=True)
        if not len(names):
            continue
        mask = regions == names[np.argmax(counts)]
        ys, xs = np.nonzero(mask)
        if xs.min() == 0 or ys.min() == 0 or xs.max() == cols - 1 or ys.max() == rows - 1 or len(xs) < 30:
            continue
        inner = mask.copy()
        inner[1:-1, 1:-1] &= mask[:-2, 1:-1] & mask[2:, 1:-1] & mask[1:-1, :-2] & mask[1:-1, 2:]
        by, bx = np.nonzero(mask & ~inner)
        border = np.stack([bx, by], axis=-1).astype(np.float64)
        if len(border) > 720:
            border = border[:: len(border) // 720 + 1]
        try:
            fit, used = fit_circle_robust(border, smallest_sd=0.5, limit_sd=3.0, tries=80)
        except TooFewError:
            continue  # a straight line is no ball
        radius = float(fit.radius)
        off = float(fit.rms) / radius + 0.5 * float(1.0 - used.mean())
        filled = len(xs) / (np.pi * (radius + 0.5) ** 2)
        if radius >= 4 and float(fit.rms) < _ROUND * radius + 0.4 and used.mean() > 0.5 and 0.75 < filled < 1.25:
            found.append(_Disc(fit.centre, radius, off, bright, top - surround))
    return found


def _measured(image: NDArray[np.generic], part: Window, disc: _Disc) -> SnapCircle:
    """Sub-pixel ellipse on the steepest places, then out to the outline."""
    values = part.values if disc.bright else -part.values
    centre, radius = disc.centre.copy(), disc.radius
    angle: Floats = np.arange(_RAYS, dtype=np.float64) * (2 * np.pi / _RAYS)
    unit = np.stack([np.cos(angle), np.sin(angle)], axis=-1)
    step = 0.25
    shape: Floats = np.zeros(5)
    good = np.ones(_RAYS, dtype=bool)
    edge: Floats = np.zeros(_RAYS)
    for _ in range(3):
        width = max(4.0, 0.12 * radius)
        r = np.arange(max(radius - width, 1.0), radius + width, step)
        grey = sampled(values, centre + r[:, None, None] * unit[None])
        fall = -np.gradient(grey, step, axis=0)
        # A few pixels of averaging: the path through a ball falls steadily, noise does not.
        fall = np.apply_along_axis(lambda f: np.convolve(f, np.ones(5) / 5, mode="same"), 0, fall)
        k = np.clip(fall[2:-2].argmax(axis=0) + 2, 1, len(r) - 2)
        j = np.arange(_RAYS)
        below, peak, above = fall[k - 1, j], fall[k, j], fall[k + 1, j]
        curve = below - 2 * peak + above
        edge = r[k] + np.where(curve < 0, 0.5 * (below - above) / np.where(curve < 0, curve, -1.0), 0.0) * step
        strong = peak > 0.35 * np.median(peak)
        shape, good = _ellipse(angle, edge, strong)
        centre = centre + shape[1:3]
        radius = float(shape[0])
    at, grey_there, pixels = _profile_of(image, part.film(centre), shape, good, disc.bright)
    out, out_sd = _outline_shift(at, grey_there, pixels, radius)
    ripple = float(np.hypot(shape[3], shape[4]))
    residual = float(np.sqrt(np.mean((edge[good] - _radius(angle, shape)[good]) ** 2)))
    # An ellipse smaller than what noise makes of a circle is a circle.
    if ripple < 3.0 * residual / np.sqrt(good.sum() / 2):
        ripple = 0.0
    half = radius + out - ripple
    used = centre + ((edge + out)[:, None] * unit)[good]
    together = 4.0  # neighbouring rays share pixels
    variance = residual**2 * together / good.sum() + 0.03**2
    covariance = np.diag([2 * variance, 2 * variance, variance + out_sd**2 + _MODEL_SD_PX**2])
    clear = bool(good.sum() >= _FEWEST_RAYS)
    column, row = part.film(centre)
    return SnapCircle(
        circle=(float(column), float(row), half),
        covariance=covariance,
        diameter_px=2 * half,
        diameter_sd_px=float(2 * np.sqrt(covariance[2, 2])),
        long_axis_px=2 * (radius + out + ripple),
        used=part.film(used),
        residual_px=residual,
        used_arc_deg=float(good.sum() * 360.0 / _RAYS),
        bright=disc.bright,
        ambiguous=not clear,
        ask=None if clear else _ASK,
    )


def _columns(angle: Floats) -> Floats:
    return np.stack([np.ones_like(angle), np.cos(angle), np.sin(angle), np.cos(2 * angle), np.sin(2 * angle)], axis=-1)


def _radius(angle: Floats, shape: Floats) -> Floats:
    return np.asarray(_columns(angle) @ shape)


def _ellipse(angle: Floats, edge: Floats, start: NDArray[np.bool_]) -> tuple[Floats, NDArray[np.bool_]]:
    """Radius, shift and ellipse of the edge by direction; exact to first order, all a ball's shadow needs."""
    columns = _columns(angle)
    good = start.copy()
    shape: Floats = np.zeros(5)
    for _ in range(8):
        if good.sum() < 12:
            return np.array([np.median(edge), 0.0, 0.0, 0.0, 0.0]), np.ones_like(good)
        shape = np.asarray(np.linalg.lstsq(columns[good], edge[good], rcond=None)[0], dtype=np.float64)
        off = np.abs(edge - columns @ shape)
        limit = 3.0 * max(1.4826 * float(np.median(off[start])), 0.08)
        now = start & (off <= limit)
        if (now == good).all():
            break
        good = now
    return shape, good


def _profile_of(
    image: NDArray[np.generic], centre_px: Floats, shape: Floats, good: NDArray[np.bool_], bright: bool
) -> tuple[Floats, Floats, Floats]:
    """Mean grey by distance outside the limb, px: (distance, grey, pixels counted) of each step.

    Pixels as they are, by their own distance: interpolation would blur the grey, and a film is blurred in light.
    """
    radius = float(shape[0])
    sharp = window(image, centre_px, radius + _BEYOND_PX + 3.0, 0.0)
    c = sharp.local(centre_px)
    rows, cols = np.indices(sharp.values.shape, dtype=np.float64)
    x, y = cols - c[0], rows - c[1]
    angle = np.arctan2(y, x)
    off = np.hypot(x, y) - _radius(angle, np.concatenate([[radius, 0.0, 0.0], shape[3:]]))
    inward = max(_INWARD_PX, _INWARD_SHARE * radius)
    ray = np.rint(angle / (2 * np.pi) * _RAYS).astype(np.intp) % _RAYS
    kept = (off > -inward) & (off < _BEYOND_PX) & good[ray]
    step = ((off[kept] + inward) / _STEP_PX).astype(np.intp)
    count = np.bincount(step).astype(np.float64)
    enough = count >= _FEWEST_PIXELS
    values = sharp.values[kept] * (1.0 if bright else -1.0)
    means = [np.bincount(step, v)[enough] / count[enough] for v in (off[kept], values)]
    return np.asarray(means[0]), np.asarray(means[1]), np.asarray(count[enough])


def _outline_shift(r: Floats, profile: Floats, pixels: Floats, radius: float) -> tuple[float, float]:
    """Distance of the outline outside `r` = 0 from the shadow of a ball, and its standard deviation, px.

    Light behind the ball falls as exp(-attenuation x path), is blurred, and the film shows its logarithm; the part
    near full blackening is left out, where films saturate in their own ways. Blur, density and scatter can stand in for
    each other, so what is usual for a steel ball on a film (`_USUAL`) settles what the profile leaves open.
    """
    inside = float(np.median(profile[r < r[0] + 2.0]))
    outside = float(np.median(profile[r > r[-1] - 1.5]))
    share = (profile - outside) / (inside - outside)
    first = int(np.argmax((share < _CUT) | (r > 0)))
    at, target, weight = r[first:], share[first:], np.sqrt(pixels[first:] / pixels.mean())
    target = (target - np.average(target, weights=weight**2)) * weight

    def left(parameters: Floats) -> Floats:
        # A slope of the background averages out round the ball; a constant and the contrast are solved for.
        shadow = _shadow(at, parameters, radius)
        spread = (shadow - np.average(shadow, weights=weight**2)) * weight
        scale = float(spread @ target) / max(float(spread @ spread), 1e-12)
        return np.concatenate([(target - scale * spread) / _MODEL_ERROR, (parameters[1:] - _USUAL) / _USUAL_SD])

    best: tuple[float, float, float] = (np.inf, 0.0, 1.0)
    for start in _STARTS:
        fit = least_squares(
            left,
            np.array(start),
            bounds=([-2.0, -1.6, -4.0, -7.0], [4.0, 1.4, 4.0, 1.5]),
            x_scale=[0.3, 0.3, 0.5, 0.5],
            diff_step=np.full(4, 1e-3),
            max_nfev=40,
            xtol=1e-4,
            ftol=1e-4,
        )
        if fit.cost < best[0]:
            jacobian = np.asarray(fit.jac, dtype=np.float64)
            spread = np.linalg.pinv(jacobian.T @ jacobian)
            best = (float(fit.cost), float(fit.x[0]), float(np.sqrt(spread[0, 0])))
    return best[1], best[2]


def _shadow(r: Floats, parameters: Floats, radius: float) -> Floats:
    """Shadow along `r` of a ball, by (offset of its outline, ln blur, ln density, ln scatter).

    Offset and blur in px; density: attenuation along a ray that passes a tenth of the radius inside the outline.
    """
    offset, blur, density, scatter = float(parameters[0]), *(float(v) for v in np.exp(parameters[1:]))
    strength = density / (2 * np.sqrt(0.19) * radius)
    # On a round edge blur acts as on a straight one moved inward by this much (second order).
    depth = offset - r - blur**2 / (2 * radius)
    # With depth = u^2 the square root at the outline is gone: the integrand is smooth, and few places will do.
    deepest = np.sqrt(min(max(float(depth.max()), 0.0) + 4.0 * blur, 1.9 * radius))
    step = deepest / _PLACES
    u = (np.arange(_PLACES) + 0.5) * step
    passed = np.exp(-2.0 * strength * u * np.sqrt(2.0 * radius - u**2)) * 2.0 * u * step / (blur * np.sqrt(2 * np.pi))
    light = ndtr(-depth / blur) + np.exp(-0.5 * ((depth[:, None] - u**2) / blur) ** 2) @ passed
    return np.asarray(-np.log((light + scatter) / (1.0 + scatter)))


_INWARD_PX: Final = 6.0  # the profile reaches inward so far at least ...
_INWARD_SHARE: Final = 0.12  # ... and this share of the radius: where a light ball's grey tells its density
_BEYOND_PX: Final = 5.0
_STEP_PX: Final = 0.25
_FEWEST_PIXELS: Final = 4
_PLACES: Final = 120
_MODEL_ERROR: Final = 0.006  # of the profile, as a share of the ball's contrast
# ln blur (px), ln density (attenuation 10 % inside the outline), ln scatter over direct light behind the body; common
# practice for a steel ball and a gridded film, no source; the standard deviations keep them weak.
_USUAL: Final[Floats] = np.log([0.9, 4.0, 0.085])
_USUAL_SD: Final[Floats] = np.array([0.8, 1.2, 1.1])
_STARTS: Final = ((0.5, -0.4, 0.0, -2.0), (0.3, -0.2, 2.0, -2.5), (0.7, 0.4, 1.2, -3.0))

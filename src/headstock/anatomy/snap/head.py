"""The circle of the femoral head from one rough click, or from three on its outline.

In: a film (rows, cols), bone bright; clicks (column, row); mm at the hip per pixel
where known. Out: `SnapHead` in film pixels: circle with covariance, the outline used,
the arcs left out with their reasons. The socket's edge runs 2 to 5 mm outside the
head's and is often the stronger one: several circles are followed and compared, and
where the film supports more than one the answer says so and asks for three clicks.
Expected error: docs/snap.md. Decisions: docs/decisions/0120 to 0125.
"""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import gaussian_filter

from headstock.anatomy.snap._crop import Float32s, Floats, Window, clicked, film_values, window
from headstock.anatomy.snap._profile import edge_offset_mm
from headstock.anatomy.snap._rings import RADII_MM, RADIUS_STEP_MM, STEP_MM, ring_hypotheses
from headstock.anatomy.snap._trace import ANGLES, Trace, settle, steady_circles, trace
from headstock.errors import CalibrationError, TooFewError
from headstock.geometry import fit_circle

__all__ = ["LeftOut", "SnapHead", "snap_head"]

_REACH_MM: Final = 9.0  # a click may be this far from the centre
_SIGMA_MM: Final = 0.5
_COARSE_SIGMA_MM: Final = 1.0
_FINEST_MM: Final = 0.22  # film pixels smaller than half of this are averaged first
_TYPICAL: Final = 3.0  # times the median slope: what counts as an edge
_INNER_COSTS: Final = (0.5, 0.1)  # each start is followed with and without much fear of the socket
_STARTS: Final = 5
_SAME_MM: Final = 1.0
_SURE: Final = 0.88  # share of belief below which the reader is asked
_CLICK_SD_MM: Final = 1.0  # of a click on the outline, across it, when circles are chosen
_OUT_OF_ROUND_MM: Final = 0.8  # Cauchy scale: real heads are 0.4 to 0.8 mm rms out of round

# Cauchy scales inside and outside the circle, and how deep a sunken arc lies, mm. Tighter outward: toward the neck the
# outline flares out of the circle. Wider where the reader has said which line is the head.
_SCALES_BY_CLICK: Final = (0.8, 0.65, 0.9)
_SCALES_BY_OUTLINE: Final = (1.5, 1.2, 1.5)
_CLICK_WEIGHT: Final = 3.0  # outline points that one click on the outline counts for
_FLAT_DEG: Final = 12.0
_CLEAR: Final = 0.12
_FAINT: Final = 0.1
_SHORT_DEG: Final = 9.0
# What a real head's outline does about its circle: out of round by so much, neighbours together over about this
# arc, and each point on its own by so much (docs/decisions/0125-neighbouring-points-err-together.md).
_TOGETHER_MM: Final = 0.4
_TOGETHER_DEG: Final = 12.0
_ALONE_MM: Final = 0.5
_SHAPE_SCALES: Final = (0.8, 0.65)  # Cauchy scales inside and outside the circle, mm
_FAR_MM: Final = 1.8  # farther off lies another edge
_LEAST_TRUST: Final = 0.02
_FEWEST_POINTS: Final = 12
_STEPS: Final = 8
_CLICK_IN_FIT_MM: Final = 0.85  # a hand's 0.7 mm and the 0.5 mm by which a real outline leaves its circle
_USUAL_RMS_MM: Final = 0.37
_SHAPE_SD_MM: Final = 0.12  # of centre and radius, from the outline's place within the blurred edge
_GUESSED_MM_PER_PX: Final = (0.085, 0.12, 0.17, 0.24, 0.34)
_USUAL_RADIUS_MM: Final = 24.0

# Weights of the evidence that tells the head from other circles, fitted by logistic regression on
# phantom films: docs/decisions/0123-weights-of-the-evidence.md.
_WEIGHTS: Final = (20.0, 26.0, 20.0, -1.8, 15.0)


def _together_mm2() -> Floats:
    """Covariance (ANGLES, ANGLES) of the outline's departure from its circle, mm2."""
    angle = np.arange(ANGLES) * (360.0 / ANGLES)
    apart = np.abs((angle[:, None] - angle[None] + 180.0) % 360.0 - 180.0)
    return np.asarray(_TOGETHER_MM**2 * np.exp(-0.5 * (apart / _TOGETHER_DEG) ** 2))


_TOGETHER_MM2: Final[Floats] = _together_mm2()


@dataclass(frozen=True, slots=True)
class LeftOut:
    """An arc of the head that the fit did not use, and why.

    Degrees clockwise as seen on the film from its top (12 o'clock), `from_deg` to `to_deg`, which may pass 360.
    """

    from_deg: float
    to_deg: float
    why: str


@dataclass(frozen=True, slots=True, eq=False)
class SnapHead:
    """The head's circle on the film, px.

    `circle` (column, row, radius); `covariance` (3, 3) of it, px2. `used` (N, 2): outline points in the fit;
    `outline` (M, 2): the whole line followed. `residual_px` rms of the used points, `residual_mm` None without a
    scale. `ambiguous`: the film supports another circle too; `ask` then says what to do and `alternatives` holds
    the others (column, row, radius).
    """

    circle: tuple[float, float, float]
    covariance: Floats
    used: Floats
    outline: Floats
    left_out: tuple[LeftOut, ...]
    residual_px: float
    residual_mm: float | None
    used_arc_deg: float
    ambiguous: bool
    ask: str | None
    alternatives: tuple[tuple[float, float, float], ...]


@dataclass(frozen=True, slots=True, eq=False)
class _View:
    """What one scale needs: the window, its coarse picture and its typical slope; mm per window pixel."""

    window: Window
    coarse: Float32s
    mm: float
    typical: float

    def coarse_point(self, points: Floats) -> Floats:
        return np.asarray(points * (self.mm / STEP_MM))


def _view(image: NDArray[np.generic], at: Floats, mm_per_px: float, reach_mm: float) -> _View:
    stride = max(1, int(_FINEST_MM / mm_per_px + 1e-9))
    half = (RADII_MM[1] + reach_mm + 8.0) / mm_per_px
    part = window(image, at, half, _SIGMA_MM / mm_per_px, stride)
    mm = mm_per_px * stride
    smooth = gaussian_filter(part.values, np.sqrt(_COARSE_SIGMA_MM**2 - _SIGMA_MM**2) / mm, truncate=3.0)
    rows, cols = (np.rint(np.arange(int(n * mm / STEP_MM)) * (STEP_MM / mm)).astype(int) for n in smooth.shape)
    coarse = smooth[np.ix_(np.minimum(rows, len(smooth) - 1), np.minimum(cols, smooth.shape[1] - 1))]
    gy, gx = np.gradient(part.values)
    typical = _TYPICAL * float(np.median(np.hypot(gx, gy))) / mm
    return _View(part, coarse, mm, max(typical, 1e-9))


def _disc(reach_mm: float) -> Floats:
    steps = np.arange(-np.floor(reach_mm), np.floor(reach_mm) + 0.5)
    x, y = np.meshgrid(steps, steps)
    inside = np.hypot(x, y) <= reach_mm
    return np.stack([x[inside], y[inside]], axis=-1)


def _radii(low_mm: float, high_mm: float) -> Floats:
    return np.asarray(np.arange(low_mm, high_mm + 0.01, RADIUS_STEP_MM))


def _click_misfit(clicks_mm: Floats, centres_mm: Floats, radii_mm: Floats) -> Floats:
    """Half the chi-square of clicks on the outline for each centre and radius, (C, R)."""
    distance = np.linalg.norm(clicks_mm[None] - centres_mm[:, None], axis=-1)
    return np.asarray(0.5 * np.sum(((distance[:, None, :] - radii_mm[None, :, None]) / _CLICK_SD_MM) ** 2, axis=-1))


def _belief(found: Trace, costs: Floats) -> Floats:
    """Evidence of each circle as a log-odds; only differences matter."""
    agree = 1.0 / (1.0 + (found.off_mm / _OUT_OF_ROUND_MM) ** 2)
    plain = np.clip(found.clear + costs[:, None] * np.minimum(found.inner, found.clear), 0.0, 1.0)
    near = (np.abs(found.off_mm) < 1.5) & (found.contrast > 0.3)
    rise = np.maximum(found.contrast, 0.0)
    size = ((found.radius_mm - _USUAL_RADIUS_MM) / 4.0) ** 2
    rms = np.sqrt((found.weight * found.off_mm**2).sum(axis=1) / found.weight.sum(axis=1))
    terms = (
        (plain * agree).mean(axis=1),
        (found.socket * near).mean(axis=1),
        (rise / (rise + 3.0) * agree).mean(axis=1),
        size,
        rms,
    )
    return np.asarray(sum(w * t for w, t in zip(_WEIGHTS, terms, strict=True)))


def _guessed_scale(image: NDArray[np.generic], click: Floats) -> float:
    """mm per pixel that makes the best circle near the click a usual head; only for films without a scale."""
    best = (-np.inf, _GUESSED_MM_PER_PX[0])
    for mm_per_px in _GUESSED_MM_PER_PX:
        if RADII_MM[0] / mm_per_px * 2 > min(image.shape):
            continue
        view = _view(image, click, mm_per_px, _REACH_MM)
        at = view.coarse_point(view.window.local(click))
        rings = ring_hypotheses(view.coarse, at, _disc(_REACH_MM), _radii(*RADII_MM), None, 1)
        if rings.score[0] > best[0]:
            best = (float(rings.score[0]), mm_per_px * _USUAL_RADIUS_MM / float(rings.radius_mm[0]))
    return best[1]


def snap_head(image: ArrayLike, clicks: ArrayLike, mm_per_px: float | None = None) -> SnapHead:
    """The head's circle near one click, or through three or more clicks on its outline.

    Parameters
    ----------
    image
        (rows, cols), bone bright (`bright_is_dense`).
    clicks
        (column, row) or (1, 2): within 8 mm of the centre. (N, 2), N at least 3: on the head's outline.
    mm_per_px
        At the hip. Without it the size of a usual head stands in, and the answer is less certain.

    Raises
    ------
    TooFewError
        Two clicks, or outline clicks on a straight line.
    FrameError
        A click beside the film.
    CalibrationError
        A scale that cannot be true.
    ImageError
        Not one plane of finite grey values with contrast.
    """
    plane = film_values(image)
    points = clicked(plane, clicks)
    if len(points) == 2:
        raise TooFewError(
            "Two clicks were given: one means “near the middle of the head”, three or more lie on its outline. "
            "Give one, or one more."
        )
    if mm_per_px is not None and not 0.01 < mm_per_px < 2.0:
        raise CalibrationError(
            f"{mm_per_px} mm per pixel cannot be the scale of a film of a hip. Check the scale, or leave it out."
        )
    if len(points) == 1:
        mm = _guessed_scale(plane, points[0]) if mm_per_px is None else mm_per_px
        return _from_one(plane, points[0], mm, mm_per_px is not None)
    drawn = fit_circle(points)
    mm = _USUAL_RADIUS_MM / float(drawn.radius) if mm_per_px is None else mm_per_px
    return _from_outline(plane, points, drawn.centre, float(drawn.radius) * mm, mm, mm_per_px is not None)


def _from_one(image: NDArray[np.generic], click: Floats, mm_per_px: float, scaled: bool) -> SnapHead:
    view = _view(image, click, mm_per_px, _REACH_MM)
    at = view.window.local(click)
    starts = ring_hypotheses(view.coarse, view.coarse_point(at), _disc(_REACH_MM), _radii(*RADII_MM), None, _STARTS)
    costs = np.repeat(_INNER_COSTS, len(starts.radius_mm))
    centres = np.tile(at + starts.shift_mm / view.mm, (len(_INNER_COSTS), 1))
    radii = np.tile(starts.radius_mm, len(_INNER_COSTS))
    found = settle(view.window.values, centres, radii, view.mm, view.typical, inner_cost=costs)
    odds = _belief(found, costs)
    far = np.linalg.norm(found.centre - at, axis=1) * view.mm > _REACH_MM + 3.0
    odds = np.where(far, odds - 50.0, odds)
    groups = _groups(found, odds, view.mm)
    belief = np.array([float(np.exp(odds[g[0]] - odds.max())) for g in groups])
    share = belief[0] / belief.sum()
    best = groups[0][0]
    result = _finish(view, found, best, mm_per_px, scaled, None, float(costs[best]))
    others = tuple(_film_circle(view, found, g[0]) for g, b in zip(groups[1:], belief[1:], strict=True) if b > 0.05)
    unsure = share < _SURE or result.used_arc_deg < 100.0
    if not unsure:
        return replace(result, alternatives=others)
    ask = (
        "The film shows more than one circle here (the socket's edge runs close to the head's), so this one may be "
        "wrong. Click three or more points on the outline of the head: above, inside and below, away from the neck."
        if share < _SURE
        else "Little of the head's outline is clear here. Click three or more points on the outline of the head."
    )
    return replace(result, ambiguous=True, ask=ask, alternatives=others)


def _from_outline(
    image: NDArray[np.generic], clicks: Floats, centre: Floats, radius_mm: float, mm_per_px: float, scaled: bool
) -> SnapHead:
    if not 8.0 < radius_mm < 60.0:
        raise CalibrationError(
            f"The circle through these clicks has a radius of {radius_mm:.0f} mm, which is no femoral head. Check the "
            "scale, and place the clicks well apart on the outline."
        )
    view = _view(image, centre, mm_per_px, 4.0)
    at = view.window.local(centre)
    local = view.window.local(clicks)
    shifts = _disc(4.0)
    radii = _radii(max(radius_mm - 3.75, RADIUS_STEP_MM * 8), radius_mm + 3.75)
    misfit = _click_misfit((local - at) * view.mm, shifts, radii)
    starts = ring_hypotheses(view.coarse, view.coarse_point(at), shifts, radii, -0.03 * misfit, 3)
    costs = np.repeat(_INNER_COSTS, len(starts.radius_mm) + 1)
    centres = np.tile(np.vstack([at, at + starts.shift_mm / view.mm]), (len(_INNER_COSTS), 1))
    start_radii = np.tile(np.append(radius_mm, starts.radius_mm), len(_INNER_COSTS))
    found = settle(
        view.window.values, centres, start_radii, view.mm, view.typical, (2.5, 2.5, 2.0), clicks=local, inner_cost=costs
    )
    distance = np.linalg.norm(local[None] - found.centre[:, None], axis=-1) * view.mm
    odds = _belief(found, costs) - 0.5 * np.sum(((distance - found.radius_mm[:, None]) / _CLICK_SD_MM) ** 2, axis=1)
    best = int(np.argmax(odds))
    return _finish(view, found, best, mm_per_px, scaled, local, float(costs[best]))


def _groups(found: Trace, odds: Floats, mm: float) -> list[list[int]]:
    """Circles that are the same within `_SAME_MM`, best group first, best member first."""
    groups: list[list[int]] = []
    for i in np.argsort(odds)[::-1]:
        for group in groups:
            j = group[0]
            apart = np.linalg.norm(found.centre[i] - found.centre[j]) * mm
            if apart < _SAME_MM and 2 * abs(found.radius_mm[i] - found.radius_mm[j]) < _SAME_MM:
                group.append(int(i))
                break
        else:
            groups.append([int(i)])
    return groups


def _film_circle(view: _View, found: Trace, i: int) -> tuple[float, float, float]:
    column, row = view.window.film(found.centre[i])
    return float(column), float(row), float(found.radius_mm[i] / view.mm * view.window.stride)


def _one(found: Trace, i: int) -> tuple[Floats, Floats]:
    return found.centre[i : i + 1], found.radius_mm[i : i + 1]


def _finish(
    view: _View, found: Trace, i: int, mm_per_px: float, scaled: bool, clicks: Floats | None, cost: float
) -> SnapHead:
    """Leave out flattened arcs, move from the steepest place to the outline, and say what was used."""
    centre, radius = _one(found, i)
    last = trace(view.window.values, centre, radius, view.mm, 2.5, view.typical, inner_cost=cost, clicks=clicks)
    points, clear = last.points[0], last.clear[0]
    # A slope far weaker than the rest of the outline is shading, as where the neck joins.
    usual = float(np.percentile(last.contrast[0], 70))
    clear = np.where(last.contrast[0] < _FAINT * usual, 0.0, clear)
    base = np.maximum(clear - _CLEAR / 2, 0.0)
    flat = np.zeros(ANGLES, dtype=bool)
    middle, radius_px = last.centre, last.radius_mm / view.mm
    off = last.off_mm[0]
    inward, outside, sunk = _SCALES_BY_CLICK if clicks is None else _SCALES_BY_OUTLINE
    own = np.zeros((0, 2)) if clicks is None else clicks
    trusted = np.full(len(own), _CLICK_WEIGHT * float(base.mean()))
    normal = np.eye(3)
    for _ in range(4):
        weight = np.concatenate([np.where(flat, 0.0, base), trusted])[None]
        middle, radius_px, _ = steady_circles(
            np.vstack([points, own])[None], weight, middle, radius_px, inward / view.mm, outside / view.mm
        )
        off = (np.linalg.norm(points - middle[0], axis=1) - radius_px[0]) * view.mm
        sunken = _runs_of((off < -sunk) & (clear > _CLEAR), _FLAT_DEG)
        if (sunken <= flat).all():
            break
        flat |= sunken
    share = np.minimum(base / max(float(np.percentile(base, 75)), 1e-6), 1.0)
    middle[0], radius_px[0], normal = _best_circle(
        points, np.where(flat, 0.0, share), own, middle[0], radius_px[0], view.mm
    )
    off = (np.linalg.norm(points - middle[0], axis=1) - radius_px[0]) * view.mm
    used = (clear > _CLEAR) & (np.abs(off) < 2.0 * _OUT_OF_ROUND_MM) & ~flat
    used = _runs_of(used, _SHORT_DEG)  # a few points alone among shading are chance
    outward = points - middle[0]
    outward = outward / np.linalg.norm(outward, axis=1, keepdims=True)
    shift = edge_offset_mm(view.window.values, points[used], outward[used], view.mm, float(radius_px[0]) * view.mm)
    points = points + outward * (shift / view.mm)
    final_px = float(radius_px[0]) + shift / view.mm
    stride = view.window.stride
    column, row = (float(v) for v in view.window.film(middle[0]))
    rms_mm = float(np.sqrt(np.mean(off[used] ** 2))) if used.any() else _OUT_OF_ROUND_MM
    covariance = _covariance_mm2(normal, rms_mm) / mm_per_px**2
    return SnapHead(
        circle=(column, row, final_px * stride),
        covariance=covariance,
        used=view.window.film(points[used]),
        outline=view.window.film(points),
        left_out=_left_out(used, off, clear, flat),
        residual_px=rms_mm / mm_per_px,
        residual_mm=rms_mm if scaled else None,
        used_arc_deg=float(used.sum() * 360.0 / ANGLES),
        ambiguous=False,
        ask=None,
        alternatives=(),
    )


def _best_circle(
    points: Floats, share: Floats, clicks: Floats, centre: Floats, radius_px: float, mm: float
) -> tuple[Floats, float, Floats]:
    """Circle by generalised least squares: centre and radius in px, information (3, 3) per mm2.

    `share` (ANGLES,) 0..1: how clear each point is. A real head is out of round, and neighbouring points are so
    together; points beyond count little, however many. Clicks err on their own.
    Source: generalised least squares (A. C. Aitken, 1935), Gauss-Newton; weights after Cauchy.
    """
    normal = np.eye(3)
    for _ in range(_STEPS):
        offset = points - centre
        distance = np.maximum(np.linalg.norm(offset, axis=1), 1e-9)
        off = (distance - radius_px) * mm
        inward, outward = _SHAPE_SCALES
        trust = share / (1.0 + (off / np.where(off > 0, outward, inward)) ** 2)
        kept = (trust > _LEAST_TRUST) & (np.abs(off) < _FAR_MM)
        if kept.sum() < _FEWEST_POINTS:
            break
        variance = _TOGETHER_MM2[np.ix_(kept, kept)] + np.diag(_ALONE_MM**2 / trust[kept])
        jacobian = np.column_stack([offset[kept] / distance[kept, None], np.ones(int(kept.sum()))])
        weighted = np.linalg.solve(variance, jacobian)
        normal = weighted.T @ jacobian
        right = weighted.T @ off[kept]
        if len(clicks):
            beside = clicks - centre
            reach = np.maximum(np.linalg.norm(beside, axis=1), 1e-9)
            jacobian = np.column_stack([beside / reach[:, None], np.ones(len(clicks))])
            normal = normal + jacobian.T @ jacobian / _CLICK_IN_FIT_MM**2
            right = right + jacobian.T @ ((reach - radius_px) * mm) / _CLICK_IN_FIT_MM**2
        step = np.linalg.solve(normal + 1e-9 * np.eye(3), right) / mm
        centre, radius_px = centre + step[:2], float(radius_px + step[2])
        if np.abs(step).max() * mm < 0.002:
            break
    return centre, radius_px, normal


def _covariance_mm2(normal: Floats, rms_mm: float) -> Floats:
    """Covariance of (column, row, radius): the fit's own, for a head as much out of round as this one."""
    shape = max(rms_mm, 0.15) / _USUAL_RMS_MM
    return np.asarray(np.linalg.inv(normal + 1e-9 * np.eye(3)) * shape**2 + np.eye(3) * _SHAPE_SD_MM**2)


def _runs_of(marked: NDArray[np.bool_], least_deg: float) -> NDArray[np.bool_]:
    """Of the marked angles, those in a run of at least `least_deg`, round the circle."""
    if marked.all() or not marked.any():
        return marked.copy()
    start = int(np.argmin(marked))
    turned = np.roll(marked, -start)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], turned.astype(np.int8), [0]])))
    kept = np.zeros_like(turned)
    for a, b in zip(edges[::2], edges[1::2], strict=True):
        if (b - a) * 360.0 / ANGLES >= least_deg:
            kept[a:b] = True
    return np.asarray(np.roll(kept, start))


_REASONS: Final = {
    1: "no clear edge",
    2: "the outline leaves the circle outward (neck, trochanter, or another bone's edge)",
    3: "the outline lies inside the circle: flattened, sunken, or the dead sector's edge",
}


def _left_out(used: NDArray[np.bool_], off: Floats, clear: Floats, flat: NDArray[np.bool_]) -> tuple[LeftOut, ...]:
    """Runs of angles that were not used, with the commonest reason in each."""
    reason = np.where((clear > _CLEAR) & (off > 0), 2, 1)
    reason = np.where(flat, 3, reason)
    reason = np.where(used, 0, reason)
    if not reason.any():
        return ()
    step = 360.0 / ANGLES
    start = int(np.argmax(reason == 0)) if (reason == 0).any() else 0
    turned = np.roll(reason, -start)
    arcs: list[LeftOut] = []
    i = 0
    while i < ANGLES:
        j = i
        while j < ANGLES and turned[j] != 0 and (turned[j] == 3) == (turned[i] == 3):
            j += 1
        if j > i:
            kinds, counts = np.unique(turned[i:j], return_counts=True)
            # Angles run clockwise on the screen from +column; 90 deg turns them to 12 o'clock.
            begin = (((i + start) - 0.5) * step + 90.0) % 360.0
            arcs.append(LeftOut(begin, begin + (j - i) * step, _REASONS[int(kinds[np.argmax(counts)])]))
            i = j
        else:
            i += 1
    return tuple(arcs)

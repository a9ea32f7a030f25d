"""Least-squares circle and sphere in one piece of code: both are "centre and radius".

In: points (..., N, D), D = 2 or 3, any length unit. Out: centre (..., D), radius
(...), covariance of (centre, radius) (..., D+1, D+1), all in that unit.
The fit minimises the squared distances *to the outline* (geometric fit). The
algebraic fit is only its start: on a short arc it pulls the radius in.
Source: W. Gander, G. H. Golub, R. Strebel, Least-squares fitting of circles and
ellipses, BIT 1994;34:558-578 (Gauss-Newton on the geometric distance).
"""

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from headstock.errors import TooFewError

_ITERATIONS: Final = 60
_LEAST: Final = 1e-14  # of the largest curvature: a nearly straight row of points must not stop the fit
_SETTLED: Final = 1e-12  # relative step below which another iteration changes no printed digit
_FLAT: Final = 1e-10  # smallest relative singular value of the centred points that is still a curve

Floats = NDArray[np.float64]


class RoundFit(NamedTuple):
    """Centre, radius, covariance of both, and root mean square distance of the points used."""

    centre: Floats
    radius: Floats
    covariance: Floats
    rms: Floats


def _checked(points: ArrayLike, weights: ArrayLike | None, what: str) -> tuple[Floats, Floats]:
    p = np.asarray(points, dtype=np.float64)
    if p.ndim < 2 or p.shape[-1] not in (2, 3):
        raise TooFewError(f"A {what} fit needs points (..., N, 2 or 3); these have shape {p.shape}.")
    n, d = p.shape[-2:]
    if n < d + 1:
        raise TooFewError(
            f"{n} points do not fix a {what}: it has {d + 1} unknowns. Give at least {d + 1} points on its outline."
        )
    w = np.ones(p.shape[:-1]) if weights is None else np.broadcast_to(np.asarray(weights, np.float64), p.shape[:-1])
    if np.any(w < 0):
        raise TooFewError(f"A {what} fit got a negative weight. A weight says how far a point is trusted: 0 or more.")
    return p, w


def _algebraic(p: Floats, w: Floats) -> tuple[Floats, Floats]:
    """Start values: |p|^2 = 2 c.p + k is linear in c and k; `p` already centred and scaled."""
    d = p.shape[-1]
    design = np.concatenate([2 * p, np.ones((*p.shape[:-1], 1))], axis=-1)
    target = np.sum(p * p, axis=-1)
    normal = np.einsum("...ni,...n,...nj->...ij", design, w, design)
    right = np.einsum("...ni,...n,...n->...i", design, w, target)
    solution = np.linalg.solve(normal, right[..., None])[..., 0]
    centre = solution[..., :d]
    radius = np.sqrt(np.maximum(solution[..., d] + np.sum(centre * centre, axis=-1), 1e-30))
    return centre, radius


def fit_round(points: ArrayLike, weights: ArrayLike | None, noise_sd: ArrayLike | None, what: str) -> RoundFit:
    """The fit; `what` names the shape in refusals."""
    p, w = _checked(points, weights, what)
    n, d = p.shape[-2:]
    batch = p.shape[:-2]
    unread = np.asarray(~np.isfinite(p).all(axis=-1))
    w = np.where(unread, 0.0, w)  # a point that could not be placed has no say
    p = np.where(unread[..., None], 0.0, p)
    used = (w > 0).sum(axis=-1)
    total = np.maximum(w.sum(axis=-1), 1e-300)
    mean = np.einsum("...n,...nd->...d", w, p) / total[..., None]
    q = p - mean[..., None, :]
    scatter = np.einsum("...n,...ni,...nj->...ij", w, q, q) / total[..., None, None]
    spread = np.linalg.eigvalsh(scatter)
    flat = (used < d + 1) | (spread[..., 0] <= _FLAT**2 * spread[..., -1])
    first = flat.reshape(-1)
    if first.size and first[0]:
        raise TooFewError(
            f"These points lie on a straight line{' or plane' if d == 3 else ''} (or too few of them count), so any "
            f"large {what} fits them. Add points that are spread around its outline."
        )
    # Degenerate draws (never the reading itself, row 0) come back as NaN, which `measured` counts and limits.
    scale = np.sqrt(np.where(flat, 1.0, spread[..., -1]))
    stand_in = np.vstack([np.eye(d), -np.ones((1, d))])[np.arange(n) % (d + 1)]
    q = np.where(flat[..., None, None], stand_in, q / scale[..., None, None])
    w_safe = np.where(flat[..., None], 1.0, w)
    centre, radius = _algebraic(q, w_safe)
    damping = np.full(batch, 1e-6)
    cost = _cost(q, w_safe, centre, radius)
    normal = np.zeros((*batch, d + 1, d + 1))
    for _ in range(_ITERATIONS):
        normal, gradient = _normal_equations(q, w_safe, centre, radius)
        diagonal = np.einsum("...ii->...i", normal)
        least = _LEAST * diagonal.max(axis=-1, keepdims=True)
        damped = normal + np.eye(d + 1) * (damping[..., None] * diagonal + least)[..., None, :]
        step = -np.linalg.solve(damped, gradient[..., None])[..., 0]
        new_centre, new_radius = centre + step[..., :d], radius + step[..., d]
        new_cost = _cost(q, w_safe, new_centre, new_radius)
        better = (new_cost <= cost) & (new_radius > 0)
        centre = np.where(better[..., None], new_centre, centre)
        radius = np.where(better, new_radius, radius)
        cost = np.where(better, new_cost, cost)
        damping = np.where(better, damping * 0.1, damping * 10)
        if np.all(np.abs(step).max(axis=-1) <= _SETTLED * (1 + radius)):
            break
    normal, _ = _normal_equations(q, w_safe, centre, radius)
    normal = normal + np.eye(d + 1) * (_LEAST * np.einsum("...ii->...i", normal).max(axis=-1))[..., None, None]
    freedom = used - (d + 1)
    if noise_sd is None:
        variance = np.where(freedom > 0, cost / np.maximum(freedom, 1), np.inf) * scale**2
    else:
        variance = np.broadcast_to(np.asarray(noise_sd, np.float64) ** 2, batch)
    with np.errstate(invalid="ignore"):
        inverse = np.linalg.inv(normal)
        # Three points on a circle leave no residual: the fit knows nothing of its own error.
        covariance = np.where(np.isinf(variance)[..., None, None], np.inf, inverse * variance[..., None, None])
    rms = np.sqrt(cost / total) * scale
    blank = np.where(flat, np.nan, 0.0)
    return RoundFit(
        centre * scale[..., None] + mean + blank[..., None],
        radius * scale + blank,
        covariance + blank[..., None, None],
        rms + blank,
    )


def _residuals(q: Floats, centre: Floats, radius: Floats) -> tuple[Floats, Floats, Floats]:
    offset = q - centre[..., None, :]
    distance = np.maximum(np.linalg.norm(offset, axis=-1), 1e-300)
    return offset, distance, distance - radius[..., None]


def _cost(q: Floats, w: Floats, centre: Floats, radius: Floats) -> Floats:
    _, _, r = _residuals(q, centre, radius)
    return np.asarray(np.einsum("...n,...n,...n->...", w, r, r))


def _normal_equations(q: Floats, w: Floats, centre: Floats, radius: Floats) -> tuple[Floats, Floats]:
    offset, distance, r = _residuals(q, centre, radius)
    jacobian = np.concatenate([-offset / distance[..., None], -np.ones((*q.shape[:-1], 1))], axis=-1)
    normal = np.einsum("...ni,...n,...nj->...ij", jacobian, w, jacobian)
    gradient = np.einsum("...ni,...n,...n->...i", jacobian, w, r)
    return normal, gradient


def fit_round_robust(
    points: ArrayLike,
    weights: ArrayLike | None,
    what: str,
    *,
    limit_sd: float,
    smallest_sd: float,
    tries: int,
    seed: int,
) -> tuple[RoundFit, NDArray[np.bool_]]:
    """Least median of squares over random minimal sets, then a least-squares fit to the points within `limit_sd`.

    Source: P. J. Rousseeuw, Least median of squares regression, J Am Stat Assoc 1984;79:871-880 (the 1.4826 factor
    makes the median deviation a standard deviation for normal errors). Handles just under half of the points wrong.
    """
    p, w = _checked(points, weights, what)
    n, d = p.shape[-2:]
    flat_p = p.reshape(-1, n, d)
    flat_w = np.broadcast_to(w, p.shape[:-1]).reshape(-1, n)
    rng = np.random.default_rng(seed)
    sets = np.array([rng.choice(n, d + 1, replace=False) for _ in range(tries)])
    used = np.zeros(flat_w.shape, dtype=bool)
    for i, (one, weight) in enumerate(zip(flat_p, flat_w, strict=True)):
        used[i] = _agreeing(one, weight, sets, limit_sd, smallest_sd, what)
    mask = used.reshape(p.shape[:-1])
    return fit_round(p, np.where(mask, w, 0.0), None, what), mask


def _agreeing(
    p: Floats, w: Floats, sets: NDArray[np.int64], limit_sd: float, smallest_sd: float, what: str
) -> NDArray[np.bool_]:
    """Which points of one set (N, D) agree with its best circle or sphere."""
    d = p.shape[-1]
    live = w > 0
    mean = p[live].mean(axis=0)
    q = p - mean
    minimal = q[sets[live[sets].all(axis=1)]]
    design = np.concatenate([2 * minimal, np.ones((*minimal.shape[:-1], 1))], axis=-1)
    sound = np.abs(np.linalg.det(design)) > 1e-9 * np.ptp(q, axis=0).max() ** d
    if not sound.any():
        fit_round(p, w, None, what)  # refuses with the reason when all points lie on a line
        return live
    solution = np.linalg.solve(design[sound], np.sum(minimal[sound] ** 2, axis=-1)[..., None])[..., 0]
    centre = solution[:, :d]
    radius = np.sqrt(np.maximum(solution[:, d] + np.sum(centre**2, axis=-1), 1e-30))
    off = np.abs(np.linalg.norm(q[None, live] - centre[:, None], axis=-1) - radius[:, None])
    h = (int(live.sum()) + d + 2) // 2
    best = np.argmin(np.partition(off, h - 1, axis=1)[:, h - 1])
    c, r = centre[best], radius[best]
    mask = live
    for _ in range(10):
        off_all = np.abs(np.linalg.norm(q - c, axis=-1) - r)
        sd = max(1.4826 * float(np.median(off_all[live])), smallest_sd)
        mask = live & (off_all <= limit_sd * sd)
        if mask.sum() < d + 1:
            return live
        fit = fit_round(q, mask.astype(np.float64), None, what)
        moved = np.abs(fit.centre - c).max() + abs(float(fit.radius) - r)
        c, r = fit.centre, float(fit.radius)
        if moved < 1e-9 * max(r, 1e-9):
            break
    return mask

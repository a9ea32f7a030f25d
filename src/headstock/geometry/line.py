"""Straight line through points; signed distance to a line; where two lines meet.

In: points (..., N, 2 or 3), one frame, any length unit. Out in that unit.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from headstock.errors import TooFewError

__all__ = ["LineFit", "distance_to_line", "fit_line", "fit_line_robust", "intersection"]


@dataclass(frozen=True, slots=True, eq=False)
class LineFit:
    """A fitted line (or a batch of them).

    `point` (..., D): weighted centroid. `direction` (..., D): unit, from the first point used toward the last.
    `covariance` (..., 2, 2): of (offset of the line at `point`, across it; its angle in radians), the same for each
    direction across in 3D; the two are uncorrelated there. Infinite with two points. `rms` (...): root mean
    square distance of the points used.
    """

    point: NDArray[np.float64]
    direction: NDArray[np.float64]
    covariance: NDArray[np.float64]
    rms: NDArray[np.float64]


def fit_line(points: ArrayLike, weights: ArrayLike | None = None, *, noise_sd: ArrayLike | None = None) -> LineFit:
    """Line with the least squared distances across it (total least squares: principal axis).

    Parameters
    ----------
    points
        (..., N, 2 or 3), N at least 2.
    weights
        (..., N), 0 leaves a point out.
    noise_sd
        Known error of one point (of weight 1) in each direction across; without it the residuals tell.

    Raises
    ------
    TooFewError
        Fewer than two different points. In a batch only row 0 is refused; such draws are NaN.
    """
    p = np.asarray(points, dtype=np.float64)
    if p.ndim < 2 or p.shape[-2] < 2 or p.shape[-1] not in (2, 3):
        raise TooFewError(f"A line needs at least two points (..., N, 2 or 3); these have shape {p.shape}.")
    d = p.shape[-1]
    w = np.ones(p.shape[:-1]) if weights is None else np.broadcast_to(np.asarray(weights, np.float64), p.shape[:-1])
    unread = np.asarray(~np.isfinite(p).all(axis=-1))
    w = np.where(unread, 0.0, w)  # a point that could not be placed has no say
    p = np.where(unread[..., None], 0.0, p)
    used = (w > 0).sum(axis=-1)
    total = np.maximum(w.sum(axis=-1), 1e-300)
    mean = np.einsum("...n,...nd->...d", w, p) / total[..., None]
    q = p - mean[..., None, :]
    scatter = np.einsum("...n,...ni,...nj->...ij", w, q, q)
    values, vectors = np.linalg.eigh(scatter)
    along = values[..., -1]
    bad = (used < 2) | ~(along > 0)
    if bad.reshape(-1)[0]:
        raise TooFewError("These points are one and the same, so no line is fixed. Place two points apart.")
    direction = vectors[..., -1]
    t = np.einsum("...nd,...d->...n", q, direction)
    first = np.take_along_axis(t, np.argmax(w > 0, axis=-1)[..., None], axis=-1)[..., 0]
    last_index = w.shape[-1] - 1 - np.argmax(w[..., ::-1] > 0, axis=-1)
    last = np.take_along_axis(t, last_index[..., None], axis=-1)[..., 0]
    direction = np.where((last < first)[..., None], -direction, direction)
    cost = np.maximum(values[..., :-1].sum(axis=-1), 0.0)
    freedom = (used - 2) * (d - 1)
    if noise_sd is None:
        variance = np.where(freedom > 0, cost / np.maximum(freedom, 1), np.inf)
    else:
        variance = np.broadcast_to(np.asarray(noise_sd, np.float64) ** 2, cost.shape)
    covariance = np.zeros((*cost.shape, 2, 2))
    covariance[..., 0, 0] = variance / total
    covariance[..., 1, 1] = variance / np.where(bad, 1.0, along)
    blank = np.where(bad, np.nan, 0.0)
    return LineFit(mean, direction + blank[..., None], covariance + blank[..., None, None], np.sqrt(cost / total))


def fit_line_robust(
    points: ArrayLike, *, limit_sd: float = 3.0, smallest_sd: float = 0.0, tries: int = 200, seed: int = 0
) -> tuple[LineFit, NDArray[np.bool_]]:
    """Line through the majority of one set of points (N, 2 or 3), and which points that is (N,).

    Least median of squares over random pairs, then least squares on the points within `limit_sd` robust
    standard deviations (Rousseeuw 1984, as for circles).
    """
    p = np.asarray(points, dtype=np.float64)
    fit = fit_line(p)
    n, d = p.shape
    rng = np.random.default_rng(seed)
    pairs = np.array([rng.choice(n, 2, replace=False) for _ in range(tries)])
    direction = p[pairs[:, 1]] - p[pairs[:, 0]]
    length = np.linalg.norm(direction, axis=-1)
    apart = length > 0
    direction = direction[apart] / length[apart, None]
    off = _across(p[None], p[pairs[apart, 0]][:, None], direction[:, None])
    h = min(n, (n + d + 1) // 2)
    best = np.argmin(np.partition(off, h - 1, axis=1)[:, h - 1])
    point, axis = p[pairs[apart, 0]][best], direction[best]
    used = np.ones(n, dtype=bool)
    for _ in range(10):
        distance = _across(p, point, axis)
        sd = max(1.4826 * float(np.median(distance)), smallest_sd)
        now = distance <= limit_sd * sd
        if now.sum() < 2:
            break
        same = bool((now == used).all())
        used = now
        fit = fit_line(p, used.astype(np.float64))
        point, axis = fit.point, fit.direction
        if same:
            break
    return fit_line(p, used.astype(np.float64)), used


def _across(p: NDArray[np.float64], point: NDArray[np.float64], axis: NDArray[np.float64]) -> NDArray[np.float64]:
    q = p - point
    along = np.sum(q * axis, axis=-1, keepdims=True) * axis
    return np.asarray(np.linalg.norm(q - along, axis=-1))


def distance_to_line(point: ArrayLike, a: ArrayLike, b: ArrayLike) -> NDArray[np.float64]:
    """Signed distance of `point` from the line a → b, 2D, all (..., 2) and broadcast.

    Positive to the left of a → b where the second coordinate points up (film frame); on image points, whose rows
    point down, positive is to the right as seen on the screen.
    """
    p, start, end = (np.asarray(x, dtype=np.float64) for x in (point, a, b))
    along, off = end - start, p - start
    with np.errstate(invalid="ignore", divide="ignore"):
        cross = along[..., 0] * off[..., 1] - along[..., 1] * off[..., 0]
        return np.asarray(cross / np.linalg.norm(along, axis=-1))


def intersection(a: ArrayLike, b: ArrayLike, c: ArrayLike, d: ArrayLike) -> NDArray[np.float64]:
    """Where the line through a, b meets the line through c, d; 2D, all (..., 2) and broadcast.

    Raises
    ------
    TooFewError
        The lines are parallel. In a batch only row 0 is refused; such draws are NaN.
    """
    a, b, c, d = np.broadcast_arrays(*(np.asarray(x, dtype=np.float64) for x in (a, b, c, d)))
    u, v, gap = b - a, d - c, c - a
    cross = u[..., 0] * v[..., 1] - u[..., 1] * v[..., 0]
    size = np.linalg.norm(u, axis=-1) * np.linalg.norm(v, axis=-1)
    parallel = ~(np.abs(cross) > 1e-12 * size)
    if parallel.reshape(-1)[0]:
        raise TooFewError("These two lines are parallel, so they meet nowhere. Check the four points that define them.")
    t = (gap[..., 0] * v[..., 1] - gap[..., 1] * v[..., 0]) / np.where(parallel, np.nan, cross)
    return np.asarray(a + t[..., None] * u)

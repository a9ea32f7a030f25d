"""Circle through points, with the covariance of its centre and radius.

In: points (..., N, 2), one frame, any length unit. Out: `CircleFit` in that unit.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from headstock.geometry._roundfit import fit_round, fit_round_robust

__all__ = ["CircleFit", "fit_circle", "fit_circle_robust"]


@dataclass(frozen=True, slots=True, eq=False)
class CircleFit:
    """A fitted circle (or a batch of them).

    `centre` (..., 2), `radius` (...), `covariance` (..., 3, 3) of (column or x, row or y, radius) in squared units,
    `rms` (...) root mean square distance of the points used. With exactly three points `covariance` is infinite:
    nothing is left over to tell how good they are. Draws that lie on a line are NaN; row 0 on a line is refused.
    """

    centre: NDArray[np.float64]
    radius: NDArray[np.float64]
    covariance: NDArray[np.float64]
    rms: NDArray[np.float64]


def fit_circle(points: ArrayLike, weights: ArrayLike | None = None, *, noise_sd: ArrayLike | None = None) -> CircleFit:
    """Circle with the least squared distances to the points.

    Parameters
    ----------
    points
        (..., N, 2), N at least 3.
    weights
        (..., N), 0 leaves a point out.
    noise_sd
        Known error of one point (of weight 1) across the outline; without it the residuals tell.

    Raises
    ------
    TooFewError
        Fewer than three points, or points on a straight line.
    """
    return CircleFit(*fit_round(points, weights, noise_sd, "circle"))


def fit_circle_robust(
    points: ArrayLike,
    weights: ArrayLike | None = None,
    *,
    limit_sd: float = 3.0,
    smallest_sd: float = 0.0,
    tries: int = 200,
    seed: int = 0,
) -> tuple[CircleFit, NDArray[np.bool_]]:
    """Circle through the majority of the points, and which points that is (..., N).

    Points farther than `limit_sd` robust standard deviations are left out; `smallest_sd` (unit of the points)
    keeps that limit from shrinking to nothing on exact points. Under half of the points may be wrong.

    Raises
    ------
    TooFewError
        As `fit_circle`.
    """
    fit, used = fit_round_robust(
        points, weights, "circle", limit_sd=limit_sd, smallest_sd=smallest_sd, tries=tries, seed=seed
    )
    return CircleFit(*fit), used

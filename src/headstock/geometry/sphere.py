"""Sphere through points, with the covariance of its centre and radius.

In: points (..., N, 3), one frame, any length unit. Out: `SphereFit` in that unit.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from headstock.geometry._roundfit import fit_round, fit_round_robust

__all__ = ["SphereFit", "fit_sphere", "fit_sphere_robust"]


@dataclass(frozen=True, slots=True, eq=False)
class SphereFit:
    """A fitted sphere (or a batch of them).

    `centre` (..., 3), `radius` (...), `covariance` (..., 4, 4) of (x, y, z, radius), `rms` (...); infinite
    covariance and NaN draws as in `CircleFit`.
    """

    centre: NDArray[np.float64]
    radius: NDArray[np.float64]
    covariance: NDArray[np.float64]
    rms: NDArray[np.float64]


def fit_sphere(points: ArrayLike, weights: ArrayLike | None = None, *, noise_sd: ArrayLike | None = None) -> SphereFit:
    """Sphere with the least squared distances to the points (..., N, 3), N at least 4.

    Raises
    ------
    TooFewError
        Fewer than four points, or points in one plane.
    """
    return SphereFit(*fit_round(points, weights, noise_sd, "sphere"))


def fit_sphere_robust(
    points: ArrayLike,
    weights: ArrayLike | None = None,
    *,
    limit_sd: float = 3.0,
    smallest_sd: float = 0.0,
    tries: int = 300,
    seed: int = 0,
) -> tuple[SphereFit, NDArray[np.bool_]]:
    """Sphere through the majority of the points, and which points that is (..., N); options as `fit_circle_robust`."""
    fit, used = fit_round_robust(
        points, weights, "sphere", limit_sd=limit_sd, smallest_sd=smallest_sd, tries=tries, seed=seed
    )
    return SphereFit(*fit), used

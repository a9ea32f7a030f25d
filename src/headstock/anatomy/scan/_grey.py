"""Grey levels of a scan around the bone: noise, soft tissue, cortex; and sampling between voxels.

In: HU on a grid. Out: levels in HU. No position is assumed: the levels come from
the histogram of the volume itself.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from headstock.errors import TooFewError
from headstock.geometry.grid import Grid

__all__ = ["Levels", "grey_levels", "sample", "smooth"]

Floats = NDArray[np.float64]
Volume = NDArray[np.float32]

_SOFT_FROM_HU: Final = -60.0  # muscle, fluid and cartilage; fat and air lie below
_SOFT_TO_HU: Final = 140.0
_BONE_ABOVE_SOFT_HU: Final = 350.0  # brighter than any spongy bone of a femur away from the head; finds cortex
_LEAST_BONE_CM3: Final = 1.5  # cortex of less than this is not a hip


@dataclass(frozen=True, slots=True)
class Levels:
    """HU of `soft` tissue, of solid `cortex`, the lowest value that counts as `bone`, and the `noise`'s sd."""

    soft: float
    cortex: float
    bone: float
    noise: float


def _noise_sd(values: Volume, soft: float) -> float:
    """Noise from differences of neighbours two apart in soft tissue: reconstruction noise is correlated next door."""
    step = values[:, :, 2:] - values[:, :, :-2]
    quiet = (np.abs(values[:, :, 2:] - soft) < 120.0) & (np.abs(values[:, :, :-2] - soft) < 120.0)
    sample_ = step[quiet]
    if sample_.size < 200:
        return 20.0
    return max(float(np.median(np.abs(sample_)) * 1.4826 / np.sqrt(2.0)), 1.0)


def grey_levels(values: Volume, voxel_mm3: float) -> Levels:
    """Levels from the histogram of a region that holds a hip.

    Raises
    ------
    TooFewError
        There is no cortex in it.
    """
    inside = values[(values > _SOFT_FROM_HU) & (values < _SOFT_TO_HU)]
    if inside.size < 1000:
        raise TooFewError(
            "No soft tissue was found in this volume (values between -60 and 140 HU), so bone has nothing to stand out "
            "from. Check that the series is a CT in Hounsfield units."
        )
    counts, edges = np.histogram(inside, bins=100, range=(_SOFT_FROM_HU, _SOFT_TO_HU))
    counts = np.convolve(counts, np.ones(7) / 7.0, mode="same")
    at = float(edges[int(np.argmax(counts))] + 1.0)
    near = inside[np.abs(inside - at) < 45.0]
    soft = float(np.median(near))
    noise = _noise_sd(values, soft)
    bright = values[values > soft + _BONE_ABOVE_SOFT_HU]
    if bright.size * voxel_mm3 < _LEAST_BONE_CM3 * 1000.0:
        raise TooFewError(
            f"Less than {_LEAST_BONE_CM3} cm³ of this volume is as bright as cortical bone, so there is no hip to "
            "outline. Check that the right series was chosen and that its values are Hounsfield units."
        )
    # The upper end of bright bone is cortex thick enough to show its own value; the last few percent are noise.
    cortex = float(np.percentile(bright, 92.0))
    bone = soft + max(0.18 * (cortex - soft), 4.0 * noise)
    return Levels(soft=soft, cortex=cortex, bone=bone, noise=noise)


def smooth(values: Volume, sigma_mm: float, spacing_mm: Floats) -> Volume:
    """`values` after a Gaussian of `sigma_mm`; spacing (column, row, slice)."""
    from scipy.ndimage import gaussian_filter

    sigma = sigma_mm / np.asarray(spacing_mm)[::-1]
    return np.asarray(gaussian_filter(values, sigma, mode="nearest", truncate=3.0), dtype=np.float32)


def sample(values: Volume, grid: Grid, points_mm: Floats, outside: float = np.nan) -> Floats:
    """Values at (..., 3) points, linear between voxels; `outside` off the grid."""
    from scipy.ndimage import map_coordinates

    index = grid.index(points_mm)
    flat = index.reshape(-1, 3)[:, ::-1].T
    out = map_coordinates(values, flat, order=1, mode="nearest", output=np.float32)
    off = np.any((flat < -0.5) | (flat > np.array(values.shape)[:, None] - 0.5), axis=0)
    out[off] = outside
    return np.asarray(out.reshape(index.shape[:-1]), dtype=np.float64)

"""A small, smoothed window of a film around a click, and how strong an edge must be to count there.

In: film values (rows, cols), bone bright; a click (column, row). Out: `Window`, whose
points are film points minus `origin_px`.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import gaussian_filter, map_coordinates

from headstock.errors import FrameError, ImageError, TooFewError

__all__ = ["Window", "clicked", "film_values", "sampled", "window"]

Floats = NDArray[np.float64]
Float32s = NDArray[np.float32]

_SMALLEST_PX: Final = 24


@dataclass(frozen=True, slots=True, eq=False)
class Window:
    """Part of a film: `values` (rows, cols), smoothed, one value for `stride` x `stride` film pixels.

    `origin_px` (column, row): the film point at the centre of its first value.
    """

    values: Float32s
    origin_px: Floats
    stride: int = 1

    def local(self, points_px: ArrayLike) -> Floats:
        """Film points as points of this window."""
        return np.asarray((np.asarray(points_px, dtype=np.float64) - self.origin_px) / self.stride)

    def film(self, points: ArrayLike) -> Floats:
        """Points of this window as film points."""
        return np.asarray(np.asarray(points, dtype=np.float64) * self.stride + self.origin_px)


def film_values(image: ArrayLike) -> NDArray[np.generic]:
    """The film as a plane of numbers, not copied.

    Raises
    ------
    ImageError
        Not a single plane.
    """
    plane = np.asarray(image)
    if plane.ndim != 2 or min(plane.shape) < _SMALLEST_PX or plane.dtype.kind not in "fiu":
        raise ImageError(
            f"Edges are looked for on one plane of grey values (rows, columns); this has shape {plane.shape} and type "
            f"{plane.dtype}. Give one frame of one film."
        )
    return plane


def clicked(image: NDArray[np.generic], clicks: ArrayLike, least: int = 1) -> Floats:
    """Clicks as (N, 2), each on the film.

    Raises
    ------
    TooFewError
        Fewer than `least`.
    FrameError
        A click beside the film.
    """
    points = np.atleast_2d(np.asarray(clicks, dtype=np.float64))
    if points.ndim != 2 or points.shape[-1] != 2 or len(points) < least:
        raise TooFewError(f"{least} click(s) (column, row) are needed here; these have shape {points.shape}.")
    rows, cols = image.shape
    inside = (points >= 0).all(axis=1) & (points[:, 0] <= cols - 1) & (points[:, 1] <= rows - 1)
    if not inside.all():
        raise FrameError(
            f"A click lies beside the film ({cols} columns, {rows} rows): there is no edge to find. Click on the film."
        )
    return points


def window(
    image: NDArray[np.generic], centre_px: ArrayLike, half_px: float, sigma_px: float, stride: int = 1
) -> Window:
    """The square of ± `half_px` about a point (cut at the film's border), Gaussian-smoothed.

    With `stride` above 1 blocks of pixels are averaged first: a film of 0.1 mm pixels needs no more for a bone's edge.

    Raises
    ------
    ImageError
        Values that are not finite, or no contrast at all.
    """
    c = np.asarray(centre_px, dtype=np.float64)
    rows, cols = image.shape
    x0, y0 = (max(0, int(v - half_px)) for v in c)
    x1, y1 = min(cols, int(c[0] + half_px) + 2), min(rows, int(c[1] + half_px) + 2)
    values = np.asarray(image[y0:y1, x0:x1], dtype=np.float32)
    if not np.isfinite(values).all():
        raise ImageError(
            "This part of the film holds values that are not numbers. Read the file again, or measure by hand."
        )
    if np.ptp(values) == 0:
        raise ImageError("This part of the film has one grey value only, so no edge can be found. Click on the bone.")
    if stride > 1:
        rows, cols = (n // stride * stride for n in values.shape)
        blocks = values[:rows, :cols].reshape(rows // stride, stride, cols // stride, stride)
        values = np.asarray(blocks.mean(axis=(1, 3)), dtype=np.float32)
    if sigma_px / stride > 0.1:
        values = gaussian_filter(values, sigma_px / stride, truncate=3.0)
    shift = (stride - 1) / 2
    return Window(values, np.array([x0 + shift, y0 + shift], dtype=np.float64), stride)


def sampled(values: Float32s, points: Floats) -> Float32s:
    """Grey values at points (..., 2) of a window, linear between pixels, the border's value outside it."""
    out = map_coordinates(
        values, [points[..., 1].ravel(), points[..., 0].ravel()], order=1, mode="nearest", output=np.float32
    )
    return np.asarray(out.reshape(points.shape[:-1]))

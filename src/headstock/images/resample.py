"""Volumes moved onto other grids: a tilted or uneven stack onto a square one, any volume or labels onto a given grid.

In: values on one grid, mm. Out: values on another. Between voxels linear, for
labels the nearest: neither invents a value outside the range of its neighbours.
"""

from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from headstock.geometry.grid import Grid

__all__ = ["labels_on", "squared", "values_on"]

Floats = NDArray[np.float64]


def squared(
    values: NDArray[Any], along_mm: Floats, across_px: Floats, step_mm: float, outside: float
) -> tuple[NDArray[np.float32], Floats]:
    """A stack whose slices drift sideways or are unevenly spaced, on a square grid.

    Parameters
    ----------
    values
        (slices, rows, columns).
    along_mm
        (slices,), increasing: place of each slice along the normal.
    across_px
        (slices, 2): place of each slice's first pixel along columns and rows, in pixels.
    step_mm
        Step of the new slices, the first of which lies at `along_mm[0]`.
    outside
        Value where no slice reaches.

    Returns
    -------
    The volume, large enough for every slice, and the place (2,), pixels, of its first pixel.
    """
    n, rows, columns = values.shape
    first = across_px.min(axis=0)
    extra = np.ceil(across_px.max(axis=0) - first - 1e-6).astype(int)
    shape = (rows + extra[1], columns + extra[0])
    moved = np.empty((n, *shape), np.float32)
    for i in range(n):
        moved[i] = _shifted(values[i].astype(np.float32), across_px[i] - first, shape, outside)
    count = int(np.floor((along_mm[-1] - along_mm[0]) / step_mm + 1e-6)) + 1
    wanted = along_mm[0] + step_mm * np.arange(count)
    if count == n and np.abs(wanted - along_mm).max() < 1e-6:
        return moved, first
    below = np.clip(np.searchsorted(along_mm, wanted, side="right") - 1, 0, n - 2)
    share = np.clip((wanted - along_mm[below]) / (along_mm[below + 1] - along_mm[below]), 0.0, 1.0)
    out = np.empty((count, *shape), np.float32)
    for i, (k, t) in enumerate(zip(below, share.astype(np.float32), strict=True)):
        out[i] = moved[k] + t * (moved[k + 1] - moved[k])
    return out, first


def _shifted(
    picture: NDArray[np.float32], by_px: Floats, shape: tuple[int, int], outside: float
) -> NDArray[np.float32]:
    """A picture moved by (columns, rows) >= 0 into a larger frame, linear between pixels.

    A pixel more than half of one beyond the picture's edge is `outside`: nothing is blended with it.
    """
    columns, reached_columns = _moved_line(picture.shape[1], float(by_px[0]), shape[1])
    rows, reached_rows = _moved_line(picture.shape[0], float(by_px[1]), shape[0])
    out = _between(_between(picture, rows, 0), columns, 1)
    out[~reached_rows] = outside
    out[:, ~reached_columns] = outside
    return out


def _moved_line(size: int, by_px: float, new_size: int) -> tuple[Floats, NDArray[np.bool_]]:
    """Where each pixel of a moved line lies on the old one, and whether that is on it."""
    at = np.arange(new_size) - by_px
    return np.clip(at, 0.0, size - 1.0), (at >= -0.5) & (at <= size - 0.5)


def _between(picture: NDArray[np.float32], at: Floats, axis: int) -> NDArray[np.float32]:
    below = np.minimum(at.astype(int), picture.shape[axis] - 1)
    above = np.minimum(below + 1, picture.shape[axis] - 1)
    share = (at - below).astype(np.float32)
    low = np.take(picture, below, axis)
    return np.asarray(low + (share[:, None] if axis == 0 else share) * (np.take(picture, above, axis) - low))


def values_on(
    values: NDArray[Any], grid: Grid, onto: Grid, outside: float, *, order: Literal[0, 1] = 1
) -> NDArray[np.float32]:
    """Values of one grid at the voxels of another; `outside` where the first does not reach. `order` 0 is nearest."""
    from scipy.ndimage import affine_transform

    # index = M @ index' + offset, both as (slice, row, column).
    across = (grid.axes.T @ onto.axes) * onto.spacing_mm / grid.spacing_mm[:, None]
    offset = grid.index(onto.origin_mm)
    moved = affine_transform(
        values.astype(np.float32, copy=False),
        across[::-1, ::-1],
        offset[::-1],
        output_shape=onto.shape,
        order=order,
        mode="constant",
        cval=outside,
        prefilter=False,
    )
    return np.asarray(moved, np.float32)


def labels_on(labels: NDArray[np.uint8], grid: Grid, onto: Grid) -> NDArray[np.uint8]:
    """Labels of one grid at the voxels of another, each the nearest's; 0 where the first does not reach.

    A crop of one grid lands voxel for voxel, without interpolation.
    """
    first = grid.index(onto.origin_mm) if grid.axes.shape == onto.axes.shape else None
    aligned = np.allclose(grid.axes, onto.axes, atol=1e-5) and np.allclose(grid.spacing_mm, onto.spacing_mm, atol=1e-5)
    if aligned and first is not None and np.abs(first - np.round(first)).max() < 1e-3:
        out = np.zeros(onto.shape, np.uint8)
        at = np.round(first).astype(int)[::-1]  # voxel of `grid` under the first of `onto`
        low = np.maximum(at, 0)
        high = np.minimum(at + np.array(onto.shape), labels.shape)
        if np.all(high > low):
            source = tuple(slice(a, b) for a, b in zip(low, high, strict=True))
            target = tuple(slice(a - s, b - s) for a, b, s in zip(low, high, at, strict=True))
            out[target] = labels[source]
        return out
    return np.rint(values_on(labels, grid, onto, 0.0, order=0)).astype(np.uint8)

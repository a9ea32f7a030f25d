"""A grid of voxels in space: where a voxel lies, and which voxel a point falls in.

Arrays on a grid are indexed [slice, row, column]; index points are
(column, row, slice), zero-based, centre of voxel, in the order of image points
(column, row). Lengths in mm; the frame is the caller's (scans: LPS).
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from headstock.errors import FrameError

__all__ = ["Grid"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """A regular grid.

    `origin_mm` (3,): centre of voxel [0, 0, 0]. `axes` (3, 3): columns are the unit directions in which
    column, row and slice number grow; right-handed and orthonormal. `spacing_mm` (3,): step along
    (column, row, slice). `shape`: (slices, rows, columns), as the array's.

    Raises
    ------
    FrameError
        Axes are not orthonormal, or a mirror; spacing is not positive.
    """

    origin_mm: Floats
    axes: Floats
    spacing_mm: Floats
    shape: tuple[int, int, int]

    def __post_init__(self) -> None:
        if not np.allclose(self.axes.T @ self.axes, np.eye(3), atol=1e-4) or np.linalg.det(self.axes) < 0.0:
            raise FrameError(
                "The axes of this grid are not square to each other or are mirrored, so lengths and sides would be "
                "wrong. Resample the volume on a square, right-handed grid first."
            )
        if np.any(self.spacing_mm <= 0.0) or min(self.shape) < 1:
            raise FrameError(f"A grid of {self.shape} voxels of {self.spacing_mm} mm holds nothing.")

    @property
    def voxel_mm3(self) -> float:
        """Volume of one voxel."""
        return float(np.prod(self.spacing_mm))

    def points(self, index: ArrayLike) -> Floats:
        """(..., 3) index points (column, row, slice) to mm."""
        return np.asarray(self.origin_mm + (np.asarray(index, np.float64) * self.spacing_mm) @ self.axes.T)

    def index(self, points_mm: ArrayLike) -> Floats:
        """(..., 3) mm to index points (column, row, slice); not rounded, may lie outside."""
        return np.asarray(((np.asarray(points_mm, np.float64) - self.origin_mm) @ self.axes) / self.spacing_mm)

    def cropped(self, first: tuple[int, int, int], shape: tuple[int, int, int]) -> "Grid":
        """The grid of `array[s:s+a, r:r+b, c:c+d]`, with `first` (s, r, c) and `shape` (a, b, d)."""
        return replace(self, origin_mm=self.points(np.array(first[::-1], np.float64)), shape=shape)

    def same_as(self, other: "Grid") -> bool:
        """True when both lie voxel on voxel."""
        return (
            self.shape == other.shape
            and np.allclose(self.origin_mm, other.origin_mm, atol=1e-3)
            and np.allclose(self.axes, other.axes, atol=1e-5)
            and np.allclose(self.spacing_mm, other.spacing_mm, atol=1e-5)
        )

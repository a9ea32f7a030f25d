"""Signed distance to a surface, sampled on a grid, and fast look-up between the samples.

In: closed meshes (`mesh.py`) or masks; mm, the caller's frame. Out: `Sampled`,
negative inside. The distance at a sample is exact within two steps of the surface
and carried on from there (too large by up to a fifth of a step); between
samples it is trilinear: error up to step^2 / 4 times the curvature, and up to a
quarter of a step on the edges of the medial axis, where the distance has a kink.
Decision: docs/decisions/0240-distance-carried-from-the-surface.md
"""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from headstock.errors import TooFewError
from headstock.geometry.mesh import Mesh

__all__ = ["Sampled", "mask_distance", "mesh_distance"]

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]
_EXACT: Final = 2.0  # steps from the surface within which a distance is exact
_MOST_SAMPLES: Final = 60_000_000  # 240 MB of distances: more is a step far too small for its surface


@dataclass(frozen=True, slots=True, eq=False)
class Sampled:
    """A number sampled on a regular grid of its frame (a signed distance unless said otherwise): the fast form.

    `values` (nx, ny, nz) float32, mm, negative inside; the sample [i, j, k] lies at `origin_mm + step_mm * (i, j,
    k)`. At least two samples along each axis. Beyond the grid a distance is the way to the surface that the values at
    the grid's edge point to, when the grid holds the surface with a margin: never too small but for the error of the
    grid, and a few tenths of a mm too large at most a few cm away. With `distance` False (grey values, shares) the
    nearest value of the grid holds.
    """

    values: Floats32
    origin_mm: Floats
    step_mm: float
    distance: bool = True

    def __post_init__(self) -> None:
        if self.values.ndim != 3 or min(self.values.shape) < 2:
            raise TooFewError(f"A field of {self.values.shape} samples cannot be read between them: two at least.")

    def at(self, points: ArrayLike, *, origin: ArrayLike | None = None, axes: ArrayLike | None = None) -> Floats32:
        """Value at points (..., 3), (...).

        With `origin` (3,) and `axes` (3, 3) the points lie in the frame that this one was placed in: a point p is
        looked up at `(p - origin) @ axes`, as `SpacePose.origin_mm` and `.matrix` say.
        """
        from headstock.geometry import _distance_kernels as kernels

        p, turn, shift = self._in_steps(points, origin, axes)
        out = np.empty(len(p), np.float32)
        kernels.look_many(self.values, p, turn, shift, self.step_mm, self.distance, out)
        return out.reshape(np.shape(points)[:-1])

    def with_gradient(
        self, points: ArrayLike, *, origin: ArrayLike | None = None, axes: ArrayLike | None = None
    ) -> tuple[Floats32, Floats32]:
        """Value (...) and its gradient (..., 3) in the frame of the points; arguments as `at`.

        The gradient of the trilinear form: it jumps a little from cell to cell.
        """
        from headstock.geometry import _distance_kernels as kernels

        p, turn, shift = self._in_steps(points, origin, axes)
        out, gradient = np.empty(len(p), np.float32), np.empty((len(p), 3), np.float32)
        kernels.look_gradient_many(self.values, p, turn, shift, self.step_mm, self.distance, out, gradient)
        shape = np.shape(points)
        return out.reshape(shape[:-1]), gradient.reshape(shape)

    def points(self) -> Floats:
        """(nx, ny, nz, 3) places of the samples."""
        return np.asarray(np.moveaxis(np.indices(self.values.shape), 0, -1) * self.step_mm + self.origin_mm)

    def _in_steps(
        self, points: ArrayLike, origin: ArrayLike | None, axes: ArrayLike | None
    ) -> tuple[Floats, Floats, Floats]:
        p = np.ascontiguousarray(np.asarray(points, np.float64).reshape(-1, 3))
        turn = (np.eye(3) if axes is None else np.asarray(axes, np.float64)) / self.step_mm
        start = np.zeros(3) if origin is None else np.asarray(origin, np.float64)
        return p, np.ascontiguousarray(turn), -start @ turn - self.origin_mm / self.step_mm


def mesh_distance(mesh: Mesh, step_mm: float, margin_mm: float, *, like: Sampled | None = None) -> Sampled:
    """Signed distance to a closed mesh on a grid around it, or on the grid of `like`.

    `margin_mm`: how far the grid reaches past the mesh on every side.

    Raises
    ------
    TooFewError
        The mesh has no faces, or the grid would be larger than memory should hold.
    """
    from headstock.geometry import _distance_kernels as kernels

    if not len(mesh.faces):
        raise TooFewError("A surface without faces has no distance. Give a closed mesh.")
    if like is None:
        low = mesh.vertices.min(axis=0) - margin_mm
        shape = np.ceil((mesh.vertices.max(axis=0) + margin_mm - low) / step_mm).astype(int) + 1
    else:
        low, step_mm, shape = like.origin_mm, like.step_mm, np.array(like.values.shape)
    if float(np.prod(shape.astype(np.float64))) > _MOST_SAMPLES:
        raise TooFewError(
            f"A distance every {step_mm:g} mm over {' x '.join(f'{n * step_mm:.0f}' for n in shape)} mm needs "
            f"{np.prod(shape.astype(np.float64)) / 1e6:.0f} million samples. Check the units of this surface (mm)."
        )
    vertices = np.ascontiguousarray((mesh.vertices - low) / step_mm)
    faces = np.ascontiguousarray(mesh.faces)
    nx, ny, nz = (int(n) for n in shape)
    square = np.full((nx, ny, nz), 1e30, np.float32)
    foot = np.empty((nx, ny, nz, 3), np.float32)  # written, and read, within the band only
    kernels.band(vertices, faces, _EXACT, square, foot)
    within = np.zeros((nx, ny, nz), np.bool_)
    kernels.inside(vertices, faces, within)
    kernels.spread(square, foot, _EXACT)
    values = np.sqrt(square, out=square)
    values *= np.float32(step_mm)
    np.negative(values, out=values, where=within)
    return Sampled(values, np.asarray(low, np.float64), float(step_mm))


def mask_distance(mask: NDArray[np.bool_], spacing_mm: ArrayLike) -> Floats32:
    """Signed distance of a mask, same shape, mm, negative inside; 0 on the faces between voxels.

    `spacing_mm` in the order of the axes of `mask`. The surface is known to half a voxel: use a field found between
    voxels where there is one. Distances between voxel centres are exact (C. R. Maurer, R. Qi, V. Raghavan, IEEE
    Trans Pattern Anal Mach Intell 2003;25:265-270, as in SimpleITK); half a step is then taken off.

    Raises
    ------
    TooFewError
        The mask is empty or full: it has no surface.
    """
    import SimpleITK

    sitk: Any = SimpleITK
    if not mask.any() or mask.all():
        raise TooFewError("An empty or a full mask has no surface to be far from.")
    spacing = np.broadcast_to(np.asarray(spacing_mm, np.float64), 3)
    # Both ways measured to the nearest voxel of the other kind: the surface lies midway.
    found = []
    for part in (mask, ~mask):
        image = sitk.GetImageFromArray(part.astype(np.uint8))
        image.SetSpacing([float(s) for s in spacing[::-1]])
        run = sitk.SignedMaurerDistanceMapImageFilter()
        run.SetNumberOfThreads(2)
        run.SquaredDistanceOff()
        run.UseImageSpacingOn()
        run.InsideIsPositiveOff()
        distance = sitk.GetArrayFromImage(run.Execute(image))
        found.append(np.maximum(distance, 0.0))
    to_mask, to_rest = found
    half = np.float32(0.5 * spacing.min())
    return np.asarray(np.where(mask, half - to_rest, to_mask - half), np.float32)

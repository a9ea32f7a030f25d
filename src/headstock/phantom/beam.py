"""The cone beam: where a point falls on a detector, and how much of a surface each ray crosses.

In: points and closed surfaces, LPS, mm. Out: pixels (column, row), zero-based,
centre of pixel; path lengths (rows, columns), mm.
Path length: distances to the faces a ray leaves through minus those it enters
through (exact for a closed surface). A pixel centre belongs to exactly one of two faces that share
an edge, because both compute the edge's crossing with the pixel column from the same ordered ends.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from headstock.geometry.compiled import compiled
from headstock.images.projection import central_projection, magnification_at
from headstock.phantom.shape import Surface

__all__ = ["Beam", "path_length_mm"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Beam:
    """A point source and a flat detector.

    `source`, `first` (3,): the source and the centre of pixel (0, 0), LPS, mm.
    `along_row`, `along_column`: unit directions of growing column and growing row.
    """

    source: Floats
    first: Floats
    along_row: Floats
    along_column: Floats
    pixel_mm: float
    rows: int
    columns: int

    @property
    def normal(self) -> Floats:
        """Unit direction of the central ray, source to detector."""
        normal = np.cross(self.along_row, self.along_column)
        return np.asarray(normal * np.sign(normal @ (self.first - self.source)))

    @property
    def source_detector_mm(self) -> float:
        """Distance of the source from the detector's plane."""
        return float((self.first - self.source) @ self.normal)

    def project(self, points_lps_mm: ArrayLike) -> Floats:
        """Pixels (..., 2) of points (..., 3)."""
        return central_projection(points_lps_mm, self.source, self.first, self._axes, (self.pixel_mm, self.pixel_mm))

    def magnification(self, points_lps_mm: ArrayLike) -> Floats:
        """Image over true size of a small thing at each point (..., 3), in the plane of the detector."""
        return magnification_at(points_lps_mm, self.source, self.first, self._axes)

    @property
    def _axes(self) -> Floats:
        return np.stack([self.along_row, self.along_column])

    def back_to_plane(self, pixels: ArrayLike, through_lps_mm: Floats) -> Floats:
        """Points (..., 3) on the plane parallel to the detector through a point, seen at `pixels` (..., 2)."""
        at = np.asarray(pixels, dtype=np.float64) * self.pixel_mm
        spot = self.first + at[..., :1] * self.along_row + at[..., 1:] * self.along_column
        share = ((through_lps_mm - self.source) @ self.normal) / self.source_detector_mm
        return np.asarray(self.source + (spot - self.source) * share)

    def secant(self) -> Floats:
        """(rows, columns): length of each ray over that of the central ray."""
        foot = self.source + self.source_detector_mm * self.normal
        column0, row0 = (foot - self.first) @ self.along_row, (foot - self.first) @ self.along_column
        u = np.arange(self.columns) * self.pixel_mm - column0
        v = np.arange(self.rows) * self.pixel_mm - row0
        return np.asarray(np.sqrt(1.0 + (u[None, :] ** 2 + v[:, None] ** 2) / self.source_detector_mm**2))


@lru_cache(maxsize=1)
def _kernel() -> Callable[..., None]:
    """The compiled rasteriser; made when it is first asked for, because numba costs more than a small film."""

    def rasterise(out: Any, pixels: Any, faces: Any, rays: Any, first: Any, row_step: Any, column_step: Any) -> None:
        rows, columns = out.shape
        for f in range(faces.shape[0]):
            i, j, k = faces[f, 0], faces[f, 1], faces[f, 2]
            # Sorted by column, ties by number, so that neighbours walk the same edges the same way.
            a, b, c = i, j, k
            if pixels[b, 0] < pixels[a, 0] or (pixels[b, 0] == pixels[a, 0] and b < a):
                a, b = b, a
            if pixels[c, 0] < pixels[b, 0] or (pixels[c, 0] == pixels[b, 0] and c < b):
                b, c = c, b
            if pixels[b, 0] < pixels[a, 0] or (pixels[b, 0] == pixels[a, 0] and b < a):
                a, b = b, a
            start = max(int(np.ceil(pixels[a, 0])), 0)
            end = min(int(np.ceil(pixels[c, 0])), columns)
            if start >= end:
                continue
            ux, uy, uz = rays[j, 0] - rays[i, 0], rays[j, 1] - rays[i, 1], rays[j, 2] - rays[i, 2]
            vx, vy, vz = rays[k, 0] - rays[i, 0], rays[k, 1] - rays[i, 1], rays[k, 2] - rays[i, 2]
            nx, ny, nz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
            plane = nx * rays[i, 0] + ny * rays[i, 1] + nz * rays[i, 2]
            d1 = np.sqrt(rays[i, 0] ** 2 + rays[i, 1] ** 2 + rays[i, 2] ** 2)
            d2 = np.sqrt(rays[j, 0] ** 2 + rays[j, 1] ** 2 + rays[j, 2] ** 2)
            d3 = np.sqrt(rays[k, 0] ** 2 + rays[k, 1] ** 2 + rays[k, 2] ** 2)
            near, far = min(d1, d2, d3), max(d1, d2, d3)
            sign = 1.0 if plane > 0.0 else -1.0  # the normal points away from the source: the ray leaves here
            for column in range(start, end):
                x = float(column)
                y_long = pixels[a, 1] + (x - pixels[a, 0]) * (pixels[c, 1] - pixels[a, 1]) / (
                    pixels[c, 0] - pixels[a, 0]
                )
                if x < pixels[b, 0]:
                    y_other = pixels[a, 1] + (x - pixels[a, 0]) * (pixels[b, 1] - pixels[a, 1]) / (
                        pixels[b, 0] - pixels[a, 0]
                    )
                else:
                    y_other = pixels[b, 1] + (x - pixels[b, 0]) * (pixels[c, 1] - pixels[b, 1]) / (
                        pixels[c, 0] - pixels[b, 0]
                    )
                low, high = min(y_long, y_other), max(y_long, y_other)
                for row in range(max(int(np.ceil(low)), 0), min(int(np.ceil(high)), rows)):
                    dx = first[0] + column * row_step[0] + row * column_step[0]
                    dy = first[1] + column * row_step[1] + row * column_step[1]
                    dz = first[2] + column * row_step[2] + row * column_step[2]
                    facing = nx * dx + ny * dy + nz * dz
                    length = np.sqrt(dx * dx + dy * dy + dz * dz)
                    distance = plane / facing * length if facing != 0.0 else near
                    # Faces seen edge-on: the true crossing lies between the corners.
                    if not distance > near:
                        distance = near
                    if distance > far:
                        distance = far
                    out[row, column] += sign * distance

    return compiled(rasterise)


def path_length_mm(beam: Beam, surfaces: tuple[Surface, ...]) -> Floats:
    """Length of each ray inside closed surfaces, summed over them: (rows, columns), mm."""
    out = np.zeros((beam.rows, beam.columns))
    run = _kernel()
    for surface in surfaces:
        rays = surface.vertices - beam.source
        run(
            out,
            np.ascontiguousarray(beam.project(surface.vertices)),
            np.ascontiguousarray(surface.faces),
            np.ascontiguousarray(rays),
            beam.first - beam.source,
            beam.along_row * beam.pixel_mm,
            beam.along_column * beam.pixel_mm,
        )
    return out

"""Draws of sphere, neck and shaft of one hip, sharing one set of errors.

In: the readings, LPS. Out: batches, row 0 the reading. What errs, and how far it goes together:
the outline as a whole (`edge_sd_mm`: the same everywhere, so it grows a diameter and turns no
axis); one side of the head against the other (joint and fat are not seen alike, which moves a centre); the outline
from place to place (alike within 5 mm); the head's own form (alike over patches of 30 degrees,
`SphereReading.covariance`); the piece of shaft that was seen.
Decisions: docs/decisions/0221-intervals-of-a-hip-in-space.md, 0285-intervals-held-against-uneven-heads.md
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from headstock.anatomy.scan._places import Junction
from headstock.anatomy.scan._sphere import SphereReading, even_directions
from headstock.anatomy.scan.axes import SHAFT_RANGE_MM, NeckReading, ShaftReading
from headstock.anatomy.scan.segmentation import Segmentation
from headstock.geometry import fit_line

__all__ = ["Scatter"]

Floats = NDArray[np.float64]

# Error of the outline from place to place, in voxels, and how far along the surface it goes together.
LOCAL_SD_VOXELS: Final = 0.10
TOGETHER_MM: Final = 5.0
# How far the outlines of two opposite sides of a head err apart, in voxels along each axis.
SIDES_SD_VOXELS: Final = 0.065
# A head ends less sharply than its outline is seen: spread of the junction between readers of one shape, mm.
JUNCTION_SD_MM: Final = 0.8
# Angle between the axis of a shorter piece of shaft and that of 85 to 130 mm, degrees for each millimetre missing.
SHORT_SHAFT_DEG_PER_MM: Final = 0.02


class Scatter:
    """Batches (n = 1 + draws): `edge`, `local` (n,), `centre_lps`, `radius`, axes and points, LPS."""

    def __init__(
        self,
        seg: Segmentation,
        sphere: SphereReading,
        neck: NeckReading,
        shaft: ShaftReading | None,
        *,
        n_draws: int,
        seed: int,
    ) -> None:
        self._rng = np.random.default_rng(seed)
        self.rows = n_draws + 1
        self._step_mm = float(seg.grid.spacing_mm.max())
        self.local_sd_mm = LOCAL_SD_VOXELS * self._step_mm
        self.edge = self.normal() * seg.edge_sd_mm
        self._head(sphere)
        self._neck(neck)
        self.shaft_axis_lps: Floats | None = None
        self.shaft_point_lps: Floats | None = None
        if shaft is not None:
            self._shaft(shaft)

    def normal(self, *shape: int) -> Floats:
        """(n, ...) independent standard normal numbers, row 0 zero."""
        drawn = self._rng.standard_normal((self.rows, *shape))
        drawn[0] = 0.0
        return drawn

    def along(self, steps_mm: Floats) -> Floats:
        """(n, D) standard normal numbers at places in order along a line, alike within `TOGETHER_MM`; row 0 zero."""
        gap = np.abs(steps_mm[:, None] - steps_mm[None, :])
        together = np.exp(-0.5 * (gap / TOGETHER_MM) ** 2)
        values, vectors = np.linalg.eigh(together)
        root = vectors * np.sqrt(np.maximum(values, 0.0))
        return np.asarray(self.normal(len(steps_mm)) @ root.T)

    def _head(self, sphere: SphereReading) -> None:
        away = sphere.points[sphere.used] - sphere.centre_lps_mm
        unit = away / np.linalg.norm(away, axis=1, keepdims=True)
        jacobian = np.concatenate([unit, np.ones((len(unit), 1))], axis=1)
        mean = jacobian.T @ jacobian / len(jacobian)
        area = 4.0 * np.pi * sphere.radius_mm**2 * len(unit) / len(even_directions(4000))
        pieces = max(area / TOGETHER_MM**2, 8.0)
        covariance = sphere.covariance + np.linalg.inv(mean) * self.local_sd_mm**2 / pieces
        root = np.linalg.cholesky(covariance + 1e-12 * np.eye(4))
        off = self.normal(4) @ root.T
        sides = self.normal(3) * (SIDES_SD_VOXELS * self._step_mm)
        self.centre_lps = np.asarray(sphere.centre_lps_mm + off[:, :3] + sides)
        self.radius = np.asarray(sphere.radius_mm + off[:, 3] + self.edge)

    def _neck(self, neck: NeckReading) -> None:
        pieces = np.maximum(neck.perimeter_mm / TOGETHER_MM, 4.0)
        smooth = smoother(neck.from_centre_mm)
        rough = self.local_sd_mm * self.along(neck.from_centre_mm) * neck.perimeter_mm / np.sqrt(pieces)
        area = (neck.area_mm2 + rough + neck.perimeter_mm * self.edge[:, None]) @ smooth.T
        place = np.argmin(area, axis=1)
        area_least = area.min(axis=1)
        self.neck_area = np.asarray(neck.area_least_mm2 + area_least - area_least[0])
        path = smooth @ neck.centroid
        shift = path[place] - path[place[0]]
        sd = self.local_sd_mm * np.sqrt(2.0 / pieces[neck.narrowest])
        away = self.normal(3) * sd
        # Along the axis the place of the section is what its smallest area says; across it the outline's error counts.
        away -= (away @ neck.axis)[:, None] * neck.axis
        self.neck_point_lps = np.asarray(neck.centroid_least + shift + away)
        way = self.centre_lps - self.neck_point_lps
        if neck.method != "smallest_section":
            way = way + (neck.axis * np.linalg.norm(way[0]) - way[0])
        self.neck_axis_lps = np.asarray(way / np.linalg.norm(way, axis=1, keepdims=True))
        # The point that is handed on lies on the axis.
        along = np.einsum("ni,ni->n", self.centre_lps - self.neck_point_lps, self.neck_axis_lps)
        self.neck_point_lps = np.asarray(self.centre_lps - along[:, None] * self.neck_axis_lps)

    def _shaft(self, shaft: ShaftReading) -> None:
        pieces = np.maximum(shaft.perimeter_mm / TOGETHER_MM, 4.0)
        places = (shaft.centroids[0] - shaft.centroids) @ shaft.axis
        sd = self.local_sd_mm * np.sqrt(2.0 / pieces)
        off = np.stack([self.along(places) * sd for _ in range(3)], axis=-1)
        line = fit_line(shaft.centroids + off)
        way = np.asarray(line.direction)
        way = way * np.sign(way @ shaft.axis)[:, None]
        missing = SHAFT_RANGE_MM[1] - shaft.range_mm[1] + max(SHAFT_RANGE_MM[0] - shaft.range_mm[0], 0.0)
        tilt = np.radians(SHORT_SHAFT_DEG_PER_MM * missing) * self.normal(3)
        tilt -= (tilt @ shaft.axis)[:, None] * shaft.axis
        way = way + tilt
        self.shaft_axis_lps = np.asarray(way / np.linalg.norm(way, axis=1, keepdims=True))
        self.shaft_point_lps = np.asarray(line.point)

    def head_height(self, ends: Junction) -> Floats:
        """(n,) pole to head-neck junction along the neck axis."""
        spread = np.hypot(JUNCTION_SD_MM, self.local_sd_mm)
        return np.asarray(ends.height_mm + spread * self.normal() + (self.radius - self.radius[0]))


def smoother(places: Floats, half_mm: float = 2.5) -> Floats:
    """(D, D) matrix of local parabolas over `half_mm` either side: a stack's areas without their roughness."""
    out = np.zeros((len(places), len(places)))
    for i, x in enumerate(places):
        near = np.flatnonzero(np.abs(places - x) <= half_mm)
        design = np.vander(places[near] - x, min(3, len(near)))
        out[i, near] = np.linalg.pinv(design)[-1]
    return out

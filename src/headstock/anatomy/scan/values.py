"""What is read from a segmented hip, as plain values: the hip in space, its density, its lesion, its stock.

Hip frame (docs/frames.md), mm: origin head centre, x medial, y anterior, z
proximal. A batch has row 0 = the reading, rows 1.. its draws.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from headstock.frames import Side
from headstock.geometry.grid import Grid
from headstock.images.scan import Finding
from headstock.measured import Measured

__all__ = ["Density", "Lesion", "LesionPart", "ScanHip", "StockProfile"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class ScanHip:
    """Axes of one hip in space.

    `centre_lps_mm` (3,), `to_lps` (3, 3): hip frame to LPS, `lps = centre_lps_mm + to_lps @ hip` (a mirror on a
    right hip). In the hip frame of the reading (row 0), n = 1 + draws: `head_centre` (n, 3) (row 0 is zero),
    `head_radius` (n,), `neck_axis` (n, 3) unit, from the neck toward the head, through the head centre;
    `neck_point` (n, 3) on it at the narrowest section; `shaft_axis` (n, 3) unit, proximal; `shaft_point` (n,
    3); both None where the shaft is not in the scan. `head_height` (n,): pole to head-neck junction along the
    neck axis. `base_depth` (n,): where the neck axis passes the shaft axis nearest, as a depth from the pole;
    None without a shaft. `edge` (n,): the draw of the common error of the femur's surface, mm, outward positive
    (row 0 zero). `measures`: by name, the names of truth files where they exist (head_diameter_mm,
    neck_shaft_angle_deg, femoral_offset_mm, femoral_version_deg, ...). `frame_words` says how x was found
    (condyles, or stated version).
    """

    side: Side
    centre_lps_mm: Floats
    to_lps: Floats
    head_centre: Floats
    head_radius: Floats
    neck_axis: Floats
    neck_point: Floats
    shaft_axis: Floats | None
    shaft_point: Floats | None
    head_height: Floats
    base_depth: Floats | None
    edge: Floats
    measures: Mapping[str, Measured]
    frame_words: str
    findings: tuple[Finding, ...] = ()

    def lps(self, points_hip_mm: Floats) -> Floats:
        """(..., 3) hip frame of the reading to LPS."""
        return np.asarray(self.centre_lps_mm + np.asarray(points_hip_mm) @ self.to_lps.T)

    def hip(self, points_lps_mm: Floats) -> Floats:
        """(..., 3) LPS to the hip frame of the reading."""
        return np.asarray((np.asarray(points_lps_mm) - self.centre_lps_mm) @ self.to_lps)

    @property
    def pole(self) -> Floats:
        """(n, 3) pole of the head sphere on the neck axis, hip frame: depth 0."""
        return np.asarray(self.head_centre + self.head_radius[:, None] * self.neck_axis)


@dataclass(frozen=True, slots=True, eq=False)
class Density:
    """How HU become bone density: density (g/cm3, phantom-equivalent) = `slope` * HU + `offset`, never below 0.

    `slope`, `offset` (n,) batches, or None: the scan is uncalibrated and only ratios within it are shown.
    `source` says which rods or who typed what; `note` what must be said of them. Ash and apparent density: TRADE of
    docs/scans.md.
    """

    slope: Floats | None
    offset: Floats | None
    source: str
    note: str | None = None

    @property
    def calibrated(self) -> bool:
        """True when HU can be turned into g/cm3."""
        return self.slope is not None


@dataclass(frozen=True, slots=True, eq=False)
class LesionPart:
    """One lesion: its number (1..), kind, centre in the hip frame and volume."""

    number: int
    kind: Literal["dead", "cyst", "drawn"]
    centre_hip_mm: Floats
    volume_cm3: Measured


@dataclass(frozen=True, slots=True, eq=False)
class Lesion:
    """Dead or cystic bone, on the segmentation's grid.

    `inner_mm`, `outer_mm` float32: signed distance, negative in the lesion, to the inner and the outer estimate
    of its rim; the best estimate is midway (`0.5 * (inner + outer)`). `t` (n,): where each draw's rim lies
    between them, 0 inner, 1 outer (row 0: 0.5; may leave the range a little). None of it means there is none:
    then `parts` is empty and both fields are large and positive. `modality`: which image it was seen on.
    `measures`: volume_cm3, share_of_head_percent, weight_bearing_share_percent, combined_necrotic_angle_deg,
    ... Measured.
    """

    grid: Grid
    inner_mm: NDArray[np.float32]
    outer_mm: NDArray[np.float32]
    t: Floats
    parts: tuple[LesionPart, ...]
    modality: Literal["CT", "MR", "drawn"]
    measures: Mapping[str, Measured]
    findings: tuple[Finding, ...] = ()

    @property
    def best_mm(self) -> NDArray[np.float32]:
        """Signed distance to the best estimate of the rim."""
        return np.asarray(0.5 * (self.inner_mm + self.outer_mm), dtype=np.float32)


@dataclass(frozen=True, slots=True, eq=False)
class StockProfile:
    """Bone against depth along the neck axis, from the pole of the head sphere down.

    `depth_mm` (D,), every 0.5 mm. By depth, each (3, D): rows value, low, high of the 95 % interval:
    `section_mm2` (the femur's section square to the neck axis), `sound_mm2` (without the lesion), `density`
    (g/cm3 phantom-equivalent, or the ratio to the head-neck's own mean when the scan is uncalibrated:
    `density_unit` says which), `wall_mm` (mean cortical thickness around the section), `least_wall_mm`.
    `sound_inner_mm2`, `sound_outer_mm2` (D,): sound area if the rim lay at its inner, its outer estimate.
    `joined` (D,): True where the section runs into the trochanter and is cut off by the neck's own side plane.
    `sound_from_mm`: depth below which every section is sound (limit of what counts as sound in docs/scans.md).
    `draws`: sound share of the section, (n, D) float32, for the numbers of a dragged cut. `marked` (D,): share of the
    section, 0 to 1, within reach of the streaks of metal, which no interval here holds.
    """

    depth_mm: Floats
    section_mm2: Floats
    sound_mm2: Floats
    sound_inner_mm2: Floats
    sound_outer_mm2: Floats
    density: Floats
    density_unit: Literal["g/cm3", "1"]
    wall_mm: Floats
    least_wall_mm: Floats
    joined: Mask
    sound_from_mm: Measured
    draws: NDArray[np.float32]
    marked: Floats

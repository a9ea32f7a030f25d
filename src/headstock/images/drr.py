"""A scan projected as a film would see it: the integral of attenuation along rays from a focus to a detector.

In: a volume on its grid (LPS) and an X-ray set-up, as `projection.central_projection` has it. Out: the integral
for every pixel, and a grey picture of it. Monochromatic, no scatter: it shows geometry, not exposure.
Source: attenuation in proportion to HU, mu = mu_water (1 + HU / 1000), the definition of the Hounsfield unit.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from headstock.errors import FrameError
from headstock.geometry.grid import Grid
from headstock.images.projection import magnification

__all__ = ["WATER_PER_MM", "Detector", "attenuation", "bone_window", "film_grey", "project_volume"]

Floats = NDArray[np.float64]

# Water at 60 keV, the effective energy taken for a hip film's beam, also on the phantom's films: 0.2059 cm2/g at
# 1.0 g/cm3 (Hubbell & Seltzer, NISTIR 5632, 1995, table 4; from memory). At 50 keV 0.0227, at 80 keV 0.0184 per mm.
WATER_PER_MM: Final = 0.0206
_STEP_SHARE: Final = 0.5  # of the smallest voxel edge, along the ray


@dataclass(frozen=True, slots=True, eq=False)
class Detector:
    """Focus and detector in LPS: `source_mm` (3,), `origin_mm` (3,) centre of pixel (0, 0), `axes` (2, 3) unit vectors
    along columns and rows, `pixel_mm` (2,) between columns and between rows, `shape` (rows, columns)."""

    source_mm: Floats
    origin_mm: Floats
    axes: Floats
    pixel_mm: Floats
    shape: tuple[int, int]

    @classmethod
    def ap(
        cls,
        centre_lps_mm: ArrayLike,
        *,
        source_detector_mm: float,
        hip_to_detector_mm: float,
        width_mm: float,
        height_mm: float,
        above_mm: float,
        pixel_mm: float,
    ) -> "Detector":
        """An AP film centred on a hip: the focus in front, columns toward the patient's left, rows toward the feet.

        `width_mm`, `height_mm` at the hip; the hip lies `above_mm` below the upper edge, also at the hip.
        """
        centre = np.asarray(centre_lps_mm, np.float64)
        m = magnification(source_detector_mm, hip_to_detector_mm)
        rows, columns = round(height_mm * m / pixel_mm), round(width_mm * m / pixel_mm)
        corner = centre + np.array([-0.5 * (columns - 1) * pixel_mm, hip_to_detector_mm, above_mm * m])
        focus = centre - np.array([0.0, source_detector_mm - hip_to_detector_mm, 0.0])
        axes = np.array([[1.0, 0.0, 0.0], [0.0, 0.0, -1.0]])
        return cls(focus, corner, axes, np.array([pixel_mm, pixel_mm]), (rows, columns))


def attenuation(values_HU: NDArray[np.float32] | NDArray[np.int16]) -> NDArray[np.float32]:
    """Attenuation per mm of HU; nothing is below air."""
    return np.asarray(np.maximum(WATER_PER_MM * (1.0 + values_HU.astype(np.float32) / 1000.0), 0.0), np.float32)


def project_volume(per_mm: NDArray[np.float32], grid: Grid, detector: Detector) -> NDArray[np.float32]:
    """Integral of a volume along the ray to every pixel, (rows, columns); no unit when the volume is per mm.

    Raises
    ------
    FrameError
        The volume is not on this grid, or thinner than two voxels.
    """
    if per_mm.shape != grid.shape or min(per_mm.shape) < 2:
        raise FrameError(
            f"A volume of {per_mm.shape} voxels cannot be projected on a grid of {grid.shape}; give the volume's own "
            "grid, at least two voxels each way."
        )
    from headstock.images._drr_kernel import march

    def index(points: Floats) -> Floats:
        return np.ascontiguousarray(grid.index(points)[::-1])

    first = index(detector.origin_mm)
    across = index(detector.origin_mm + detector.pixel_mm[0] * detector.axes[0]) - first
    down = index(detector.origin_mm + detector.pixel_mm[1] * detector.axes[1]) - first
    scale = np.ascontiguousarray(grid.spacing_mm[::-1])
    out = np.empty(detector.shape, np.float32)
    step = _STEP_SHARE * float(grid.spacing_mm.min())
    march(np.ascontiguousarray(per_mm), index(detector.source_mm), first, across, down, scale, step, out)
    return out


def film_grey(integral: NDArray[np.float32], window: tuple[float, float] | None = None) -> NDArray[np.uint8]:
    """A picture as films are shown: bone and metal bright. `window`: integral that is black, that is white.

    Without one the darkest and the brightest hundredth of what was crossed are cut off.
    """
    low, high = window or bone_window(integral)
    share = np.clip((integral - low) / max(high - low, 1e-6), 0.0, 1.0)
    return np.asarray(255.0 * share**0.7, np.uint8)


def bone_window(integral: NDArray[np.float32]) -> tuple[float, float]:
    """The window that shows what a projection without metal holds."""
    inside = integral[integral > 0.0]
    if inside.size == 0:
        return (0.0, 1.0)
    low, high = np.percentile(inside, (1.0, 99.5))
    return (float(low), float(high))

"""The calibration slab under the patient: where its rods lie, and what the scanner sees of them.

In: a patient and `Rods`. Out: closed surfaces, LPS, mm, and HU by the scanner's law.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from headstock.errors import FrameError
from headstock.phantom.metal import box, cylinder
from headstock.phantom.patient import PhantomPatient
from headstock.phantom.scan_spec import Rods
from headstock.phantom.shape import Surface
from headstock.phantom.tissue import table_top_mm

__all__ = ["PlacedRods", "placed_rods"]

Floats = NDArray[np.float64]

_SLAB_OVER_MM = 6.0


@dataclass(frozen=True, slots=True, eq=False)
class PlacedRods:
    """The slab and its rods, LPS, mm: `middles` (r, 3), all along z; `HU` (r,) without noise."""

    spec: Rods
    slab: Surface
    rods: tuple[Surface, ...]
    middles: Floats
    HU: Floats

    @property
    def lowest_mm(self) -> float:
        """The slab's under side (y, posterior)."""
        return float(self.slab.vertices[:, 1].max())


def placed_rods(
    patient: PhantomPatient, spec: Rods, body_mm: float, span_z_mm: tuple[float, float], x_mm: float
) -> PlacedRods:
    """The slab below the patient, its rods centred on `x_mm`, through `span_z_mm` and beyond both ends.

    Raises
    ------
    FrameError
        Rods that overlap, or none.
    """
    count = len(spec.densities_g_cm3)
    if count < 2 or spec.apart_mm <= spec.diameter_mm or spec.slope <= 0.0:
        raise FrameError(
            f"{count} rods of {spec.diameter_mm} mm, {spec.apart_mm} mm apart, with a slope of {spec.slope} calibrate "
            "nothing. Give two or more rods that do not touch, and a positive slope."
        )
    head = patient.hip.centre_lps_mm
    y = table_top_mm(patient, body_mm) + 0.5 * spec.diameter_mm + 4.0
    if spec.below_hip_mm is not None:
        y = head[1] + spec.below_hip_mm
    low, high = span_z_mm[0] - 20.0, span_z_mm[1] + 20.0
    across = (np.arange(count) - 0.5 * (count - 1)) * spec.apart_mm
    middles = np.stack([x_mm + across, np.full(count, y), np.full(count, 0.5 * (low + high))], axis=-1)
    along = np.array([0.0, 0.0, 0.5 * (high - low)])
    size = np.array([count * spec.apart_mm + _SLAB_OVER_MM, spec.diameter_mm + 2.0 * _SLAB_OVER_MM, high - low])
    slab = box(np.array([x_mm, y, 0.5 * (low + high)]), np.eye(3), size)
    hu = (np.array(spec.densities_g_cm3) - spec.offset) / spec.slope
    return PlacedRods(spec, slab, tuple(cylinder(m - along, m + along, spec.diameter_mm) for m in middles), middles, hu)

"""The hip frame of a scan: z along the shaft, x along the backs of the condyles, or by a stated version.

In: a segmented hip with its sphere and axes, LPS. Out: `HipFrame`. docs/frames.md is the definition.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from headstock.anatomy.scan._places import condylar_line
from headstock.anatomy.scan._sphere import SphereReading
from headstock.anatomy.scan.axes import NeckReading, ShaftReading
from headstock.anatomy.scan.segmentation import Segmentation
from headstock.errors import FrameError
from headstock.frames import LPS_TO_HIP

__all__ = ["HipFrame", "hip_frame"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class HipFrame:
    """`to_lps` (3, 3) as in `ScanHip`. `condyles_lps` (2, 3): lateral, then medial back of the condyles, or None.

    `assumed_version`: x rests on a stated version, of `version_deg` and `version_sd_deg`.
    """

    to_lps: Floats
    condyles_lps: Floats | None
    assumed_version: bool
    version_deg: float
    version_sd_deg: float
    words: str

    @property
    def medial(self) -> Floats:
        """(3,) x in LPS."""
        return self.to_lps[:, 0]

    @property
    def anterior(self) -> Floats:
        """(3,) y in LPS."""
        return self.to_lps[:, 1]

    @property
    def proximal(self) -> Floats:
        """(3,) z in LPS."""
        return self.to_lps[:, 2]


def hip_frame(
    seg: Segmentation,
    sphere: SphereReading,
    neck: NeckReading,
    shaft: ShaftReading | None,
    version: tuple[float, float],
) -> HipFrame:
    """Frame of the reading.

    Raises
    ------
    FrameError
        The neck runs along the shaft, so it has no direction across it.
    """
    into = LPS_TO_HIP[seg.side]  # LPS to medial, anterior, proximal of the patient: a mirror on a right hip
    z = into @ (np.array([0.0, 0.0, 1.0]) if shaft is None else shaft.axis)
    condyles = (
        None if shaft is None else condylar_line(seg, sphere.centre_lps_mm, shaft.axis, np.array([0.0, 1.0, 0.0]))
    )
    degrees, sd = version
    pair: Floats | None = None
    if condyles is not None:
        pair = np.array(condyles)
        pair = pair[np.argsort(pair @ into[0])]
        along = into @ (pair[1] - pair[0])
        words = "x along the backs of the condyles, z along the shaft."
    else:
        along = into @ neck.axis
        words = (
            f"No condyles in this scan: x is the neck's direction across the shaft, turned back by a stated femoral "
            f"version of {degrees:g} deg (sd {sd:g} deg)."
        )
        if shaft is None:
            words += " No shaft either: z stands along the patient."
    x = along - (along @ z) * z
    size = float(np.linalg.norm(x))
    if size < 0.05 * float(np.linalg.norm(along)):
        raise FrameError("The neck runs along the shaft, so it has no direction across it. Check the femur's outline.")
    x = x / size
    if condyles is None:
        back = np.radians(-degrees)
        x = np.cos(back) * x + np.sin(back) * np.cross(z, x)
    axes = np.stack([x, np.cross(z, x), z])  # rows: hip axes in the patient's medial, anterior, proximal
    return HipFrame(np.asarray(into.T @ axes.T), pair, condyles is None, float(degrees), float(sd), words)

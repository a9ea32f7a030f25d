"""Which voxel belongs to which bone: a plain value, and the numbers of its labels.

In the files that go out (`--labels-out`, DICOM SEG) lesion is 3 and lies inside
the femur; in here femur and lesion are kept apart so that a lesion's inner and
outer estimate never changes the femur.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from headstock.frames import Side
from headstock.geometry.grid import Grid
from headstock.images.scan import Finding

__all__ = ["CORTEX", "FEMUR", "MARROW", "PELVIS", "TRABECULAR", "Segmentation"]

FEMUR: Final = 1
PELVIS: Final = 2

CORTEX: Final = 1
TRABECULAR: Final = 2
MARROW: Final = 3


@dataclass(frozen=True, slots=True, eq=False)
class Segmentation:
    """Bones of one hip on (a crop of) the scan's grid, LPS.

    `bones` (slices, rows, columns) uint8: 0, FEMUR, PELVIS; a bone is filled: marrow, lesion and cysts belong to it.
    `tissue` uint8: 0, CORTEX, TRABECULAR, MARROW, inside the femur only. `femur_mm` float32: signed distance to
    the femur's outer surface found between voxels, mm, negative inside, reliable within 5 mm of it and of the
    right sign everywhere. `edge_sd_mm`: standard deviation of that surface's common error (one number for all of
    it). `findings` say where a bone is incomplete, where joint space was closed, what metal disturbed.
    """

    grid: Grid
    side: Side
    bones: NDArray[np.uint8]
    tissue: NDArray[np.uint8]
    femur_mm: NDArray[np.float32]
    edge_sd_mm: float
    seed_lps_mm: NDArray[np.float64]
    findings: tuple[Finding, ...] = ()

    @property
    def femur(self) -> NDArray[np.bool_]:
        """Voxels of the femur."""
        return np.asarray(self.bones == FEMUR)

    @property
    def pelvis(self) -> NDArray[np.bool_]:
        """Voxels of the hemipelvis."""
        return np.asarray(self.bones == PELVIS)

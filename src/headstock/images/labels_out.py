"""Labels of bones as a NIfTI file on the scan's own grid, for other programs of a research group.

Source: NIfTI-1 (Cox et al. 2004), written by SimpleITK, which turns LPS into the file's own RAS.
"""

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from headstock.errors import ImageError
from headstock.geometry.grid import Grid
from headstock.images.resample import labels_on

__all__ = ["write_labels_nifti"]


def write_labels_nifti(scan_grid: Grid, grid: Grid, labels: NDArray[np.uint8], path: Path) -> None:
    """Write `labels` (on `grid`, often a crop) voxel for voxel on `scan_grid`.

    Raises
    ------
    ImageError
        The name ends in neither .nii nor .nii.gz.
    """
    if not path.name.lower().endswith((".nii", ".nii.gz")):
        raise ImageError(f"“{path.suffix or path.name}” is no form labels are written in. End the name in .nii.gz.")
    import SimpleITK

    image: Any = SimpleITK.GetImageFromArray(labels_on(labels, grid, scan_grid))
    image.SetOrigin([float(v) for v in scan_grid.origin_mm])
    image.SetSpacing([float(v) for v in scan_grid.spacing_mm])
    image.SetDirection([float(v) for v in scan_grid.axes.ravel()])
    SimpleITK.WriteImage(image, str(path), True)

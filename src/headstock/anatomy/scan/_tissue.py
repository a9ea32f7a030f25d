"""Cortex, trabecular bone and marrow inside the femur.

In: HU, the found edge. Out: one tissue for every voxel of the femur. Cortex is
counted by its thickness under the surface, not by brightness alone: a shell
thinner than a voxel is dimmed by what lies beside it, yet it is cortex.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from headstock.anatomy.scan._edge import Edge
from headstock.anatomy.scan._grey import Levels, Volume
from headstock.anatomy.scan.segmentation import CORTEX, MARROW, TRABECULAR
from headstock.geometry.grid import Grid

__all__ = ["tissue_of"]

Mask = NDArray[np.bool_]

_DEEP_MM: Final = 6.0
_MARROW_FROM_HU: Final = 50.0  # above soft tissue; the threshold found in the femur is kept between these two
_MARROW_TO_HU: Final = 130.0


def tissue_of(soft_values: Volume, grid: Grid, levels: Levels, femur: Mask, edge: Edge) -> NDArray[np.uint8]:
    """uint8 CORTEX, TRABECULAR or MARROW in the femur, 0 outside; `soft_values` lightly smoothed HU."""
    from scipy.ndimage import label
    from scipy.spatial import cKDTree
    from skimage.filters import threshold_otsu

    out = np.zeros(femur.shape, dtype=np.uint8)
    if not femur.any():
        return out
    half = 0.5 * (edge.cortex_HU + levels.soft)
    depth = -edge.femur_mm
    shallow = femur & (depth < _DEEP_MM)
    index = np.argwhere(shallow)
    _, nearest = cKDTree(edge.points_lps_mm).query(grid.points(index[:, ::-1]), workers=2)
    layer = np.zeros(femur.shape, dtype=bool)
    # A voxel is cortex when more than half of its thickness is: its centre lies in the layer. The layer's outermost
    # voxel always is, where there is a layer at all.
    thick = np.maximum(edge.cortex_mm[nearest], 0.0)
    thick = np.where(thick > 0.15, np.maximum(thick, 0.5 * float(grid.spacing_mm.max())), 0.0)
    layer[shallow] = depth[shallow] <= thick
    bright = femur & (soft_values >= half)
    names, _ = label(bright | layer)
    rim = np.unique(names[layer])
    rim = rim[rim > 0]
    on_rim = np.zeros(int(names.max()) + 1, dtype=bool)
    on_rim[rim] = True
    cortex = layer | (bright & on_rim[names])
    inside = soft_values[femur & ~cortex]
    cut = levels.soft + _MARROW_FROM_HU
    if inside.size > 500:
        low = inside[(inside > levels.soft - 150.0) & (inside < half)]
        if low.size > 500:
            cut = float(threshold_otsu(low, nbins=128))  # type: ignore[no-untyped-call]
    cut = float(np.clip(cut, levels.soft + _MARROW_FROM_HU, levels.soft + _MARROW_TO_HU))
    out[femur] = np.where(soft_values[femur] >= cut, TRABECULAR, MARROW)
    out[cortex] = CORTEX
    return out

"""The scan as it would be after the operation: bone taken away, metal in place, for projecting it as a film.

In: the scan, the hip's fields, a placement or none. Out: attenuation per mm on a grid around the hip.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from headstock.geometry.grid import Grid
from headstock.images.drr import WATER_PER_MM, attenuation
from headstock.images.resample import values_on
from headstock.images.scan import Scan
from headstock.implants import Catalogue, Placement
from headstock.planning.space.fields import SpaceHip
from headstock.planning.space.scene3d import operated

__all__ = ["planned_volume"]

_STEP_MM: Final = 1.0
_ABOVE_MM, _BELOW_MM, _AROUND_MM = 60.0, 130.0, 75.0  # of the head centre
_SOFT_HU: Final = 40.0  # what takes the place of bone that was removed
# Of cobalt-chromium and titanium a film shows little more than that nothing passes: about ten times cortical bone.
_METAL_PER_MM: Final = 10.0 * WATER_PER_MM


def planned_volume(
    scan: Scan, space: SpaceHip, placement: Placement | None, catalogue: Catalogue
) -> tuple[NDArray[np.float32], Grid]:
    """Attenuation per mm beyond that of soft tissue around the hip, LPS, and its grid; without a placement as it is.

    Soft tissue is taken off because a scan of one hip ends inside the body: its border would be the brightest edge.
    """
    grid = _around(scan, space)
    soft = float(attenuation(np.full((1, 1, 1), _SOFT_HU, np.float32))[0, 0, 0])
    per_mm = np.maximum(attenuation(values_on(scan.values, scan.grid, grid, -1000.0)) - np.float32(soft), 0.0)
    if placement is None:
        return per_mm, grid
    after = operated(space, placement, catalogue)
    columns, rows = np.arange(grid.shape[2]), np.arange(grid.shape[1])
    for k in range(grid.shape[0]):  # slice by slice: three fields of a whole volume would take gigabytes
        x, y = np.meshgrid(columns, rows)
        points = space.hip.hip(grid.points(np.stack([x, y, np.full_like(x, k)], axis=-1)))
        bone = np.asarray(space.femur.at(points), np.float64)
        away = _share(np.maximum(bone, after.gone(points)))
        per_mm[k] *= 1.0 - away
        metal = _share(after.metal(points))
        if after.cup is not None:
            metal = np.maximum(metal, _share(after.cup(points)))
        per_mm[k] += metal * (_METAL_PER_MM - per_mm[k])
    return per_mm, grid


def _share(distance: NDArray[np.float64]) -> NDArray[np.float32]:
    """How much of a voxel lies inside, from its signed distance."""
    return np.asarray(np.clip(0.5 - distance / _STEP_MM, 0.0, 1.0), np.float32)


def _around(scan: Scan, space: SpaceHip) -> Grid:
    """A square grid round the hip inside the scan's own box, axes of LPS."""
    corners = np.array([[c, r, s] for c in (0, 1) for r in (0, 1) for s in (0, 1)], np.float64)
    box = scan.grid.points(corners * (np.array(scan.grid.shape[::-1]) - 1))
    centre = space.hip.centre_lps_mm
    reach = np.array([_AROUND_MM, _AROUND_MM, 0.0])
    low = np.maximum(box.min(axis=0), centre - reach - [0.0, 0.0, _BELOW_MM])
    high = np.minimum(box.max(axis=0), centre + reach + [0.0, 0.0, _ABOVE_MM])
    n = np.maximum(np.floor((high - low) / _STEP_MM).astype(int) + 1, 2)
    return Grid(low, np.eye(3), np.full(3, _STEP_MM), (int(n[2]), int(n[1]), int(n[0])))

"""Streaks that metal throws over a CT: what filtered back-projection makes of rays that metal has hardened and starved.

In: clean HU and their grid. Out: HU to add, and by how much noise grows, on the same grid. The physics is
a caricature (one metal, parallel rays, coarse pixels): dark bands between metal parts, bright and dark
rays away from them.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from headstock.geometry.grid import Grid

__all__ = ["streaks_HU"]

Values = NDArray[np.float32]

_METAL_HU: Final = 2800.0
_COARSE_MM: Final = 2.0
_RAYS: Final = 60
_HARDENING: Final = 0.0045  # lost attenuation, per mm2 of metal squared
_STARVED: Final = 0.03  # noise of a ray, per mm of metal
_HU_PER_UNIT: Final = 5000.0
_MOST_HU: Final = 700.0


def streaks_HU(clean: Values, grid: Grid, seed: int) -> tuple[Values, Values]:
    """What to add to each voxel (HU), and the share by which its noise grows."""
    from scipy.ndimage import zoom
    from skimage.transform import iradon, radon

    streaks, louder = np.zeros(clean.shape, dtype=np.float32), np.zeros(clean.shape, dtype=np.float32)
    rng = np.random.default_rng([seed, 71])
    angles = np.linspace(0.0, 180.0, _RAYS, endpoint=False)
    share = grid.spacing_mm[:2] / _COARSE_MM
    rows, columns = clean.shape[1:]
    side = int(np.ceil(max(rows * share[1], columns * share[0]))) | 1
    inside = np.hypot(*np.mgrid[-(side // 2) : side // 2 + 1, -(side // 2) : side // 2 + 1]) <= side // 2 - 1
    for k in np.flatnonzero((clean > _METAL_HU).any(axis=(1, 2))):
        metal = zoom((clean[k] > _METAL_HU).astype(np.float32), share[::-1], order=1)
        square = np.zeros((side, side), dtype=np.float32)
        top, left = (side - metal.shape[0]) // 2, (side - metal.shape[1]) // 2
        square[top : top + metal.shape[0], left : left + metal.shape[1]] = metal
        path_mm = radon(square * inside, theta=angles, circle=True) * _COARSE_MM  # type: ignore[no-untyped-call]
        error = -_HARDENING * path_mm**2 + _STARVED * path_mm * rng.standard_normal(path_mm.shape)
        picture = iradon(error, theta=angles, circle=True, output_size=side) * _HU_PER_UNIT  # type: ignore[no-untyped-call]
        blurred = iradon(path_mm, theta=angles, circle=True, output_size=side, filter_name=None)  # type: ignore[no-untyped-call]
        part = (slice(top, top + metal.shape[0]), slice(left, left + metal.shape[1]))
        back = (rows / metal.shape[0], columns / metal.shape[1])
        streaks[k] = np.clip(zoom(picture[part], back, order=1)[:rows, :columns], -_MOST_HU, _MOST_HU)
        louder[k] = np.clip(zoom(blurred[part], back, order=1)[:rows, :columns] * 0.15, 0.0, 3.0)
    return streaks, louder

"""Streaks that metal throws across a CT slice: a drawn likeness, not physics.

In: clean HU and their grid. Out: HU to add, and how much louder the noise is. Dark and bright spokes run out of the
metal within its slices and fade with distance. A reader must find that they are there; no number is read from them.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from headstock.geometry.grid import Grid

__all__ = ["streaks_HU"]

_METAL_HU: Final = 2900.0
_SPOKES: Final = 7
_AMPLITUDE_HU: Final = 260.0
_FADE_MM: Final = 38.0
_LOUDER: Final = 1.8


def streaks_HU(clean: NDArray[np.float32], grid: Grid, seed: int) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """(streaks HU, share by which the noise grows), both as `clean`; zero in slices without metal."""
    from scipy.ndimage import distance_transform_edt

    rng = np.random.default_rng([seed, 83])
    out = np.zeros(clean.shape, np.float32)
    louder = np.zeros(clean.shape, np.float32)
    rows, columns = np.indices(clean.shape[1:])
    for k in range(clean.shape[0]):
        metal = clean[k] > _METAL_HU
        if not metal.any():
            continue
        middle = np.argwhere(metal).mean(axis=0)
        turn = np.arctan2(rows - middle[0], columns - middle[1])
        away = distance_transform_edt(~metal, sampling=grid.spacing_mm[1::-1])
        fade = np.exp(-away / _FADE_MM) * ~metal
        wave = np.cos(_SPOKES * turn + rng.uniform(0.0, 2.0 * np.pi))
        out[k] = _AMPLITUDE_HU * wave * fade
        louder[k] = _LOUDER * fade
    return out, louder

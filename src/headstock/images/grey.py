"""From the values of a film to what is seen: window or table, then polarity.

The order is the standard's: modality transformation (done when the film is
read), values of interest (VOI), presentation. DICOM PS3.3 C.11.1, C.11.2;
PS3.4 N.2. MONOCHROME1 means that the smallest value is shown white (PS3.3
C.7.6.3.1.2), so polarity is applied last.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from headstock.images.film import Film, VoiChoice, VoiTable, VoiWindow

__all__ = ["apply_voi", "bright_is_dense", "full_range", "presentation", "shown_uint16"]

_LEVELS: Final = 65535


def apply_voi(values: NDArray[np.floating], choice: VoiChoice) -> NDArray[np.float32]:
    """Grey levels 0 to 1 (same shape) of values under a window or table; float32.

    LINEAR, LINEAR_EXACT and SIGMOID as PS3.3 C.11.2.1.2.1, C.11.2.1.3.2 and
    C.11.2.1.3.1. In a table, values before its first or after its last entry
    take that entry (C.11.2.1.1).
    """
    if isinstance(choice, VoiTable):
        index = np.clip(values - np.float32(choice.first), 0, choice.levels.size - 1)
        return np.asarray(choice.levels[np.rint(index).astype(np.int32)])
    x = np.asarray(values, dtype=np.float32)
    centre, width = choice.centre, choice.width
    if choice.function == "SIGMOID":
        # The exponent is held where float32 would overflow; the level is 0 or 1 there already.
        e = np.clip((x - np.float32(centre)) * np.float32(-4.0 / width), -80.0, 80.0)
        return np.asarray(1.0 / (1.0 + np.exp(e)), dtype=np.float32)
    if choice.function == "LINEAR_EXACT":
        low = centre - width / 2
        span = width
    else:
        low = centre - 0.5 - (width - 1) / 2
        span = width - 1
    if span <= 0:  # a LINEAR window of width 1 is a threshold: at or below its foot black, above it white
        return np.asarray(x > np.float32(low), dtype=np.float32)
    y = x - np.float32(low)
    y *= np.float32(1.0 / span)
    return np.asarray(np.clip(y, 0.0, 1.0, out=y))


def full_range(film: Film) -> VoiWindow:
    """The window that just shows every value of the film, padding aside."""
    low, high = _ends(film)
    return VoiWindow((low + high) / 2, max(high - low, 1e-6), "LINEAR_EXACT", "whole range")


def presentation(film: Film, voi: VoiChoice | None = None, *, invert: bool = False) -> NDArray[np.float32]:
    """Display levels (rows, cols), 0 black to 1 white.

    `voi` None takes the film's first choice, or its whole range when it has
    none. `invert` turns the result over, whatever the film's own polarity.
    """
    choice = voi if voi is not None else (film.voi[0] if film.voi else full_range(film))
    levels = apply_voi(film.values, choice)
    if (film.photometric == "MONOCHROME1") != invert:
        levels = np.float32(1.0) - levels
    return levels


def shown_uint16(film: Film) -> tuple[NDArray[np.uint16], float, float]:
    """The film's values for a viewer: (rows, cols) uint16, slope, intercept; value = stored * slope + intercept.

    Exact (to float32) when the values have a fixed step and at most 65536 of
    them, which every 8 to 16 bit film has. Otherwise the range is divided into
    65535 steps: an error of at most half a step.
    """
    low, high = float(film.values.min()), float(film.values.max())
    slope = film.quantum if film.quantum and (high - low) / film.quantum <= _LEVELS else (high - low) / _LEVELS
    if slope <= 0:
        return np.zeros(film.values.shape, np.uint16), 1.0, low
    steps = film.values - np.float32(low)
    if slope != 1.0:
        steps *= np.float32(1.0 / slope)
    steps += np.float32(0.5)
    return steps.astype(np.uint16), float(slope), low


def bright_is_dense(film: Film, *, inverted: bool = False) -> NDArray[np.float32]:
    """Values for measuring, (rows, cols) float32, with dense tissue bright.

    The film's values, turned over within their own range for MONOCHROME1.
    `inverted` says that the reader sees the film as a negative (bone dark) in
    its own polarity, which no header tells reliably.
    """
    if (film.photometric == "MONOCHROME1") == inverted:
        return film.values
    return np.asarray((film.values.max() + film.values.min()) - film.values)


def _ends(film: Film) -> tuple[float, float]:
    """Smallest and largest value, pixels outside the image left out where the header marks them."""
    values = film.values
    if film.padding is not None:
        inside = values[(values < film.padding[0]) | (values > film.padding[1])]
        if inside.size:
            values = inside
    return float(values.min()), float(values.max())

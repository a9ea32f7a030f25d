"""Bright bands along rays: where cortex begins and ends on the way out of a head.

In: grey profiles (rays, samples). Out: for each ray its bands in order, each a
rise followed by a fall. The head's own cortex is one of them; where the joint is
closed it is one with the socket's.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from headstock.anatomy.scan._grey import Levels

__all__ = ["Bands", "bands_along", "own_cortex_mm"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

_MOST: Final = 6
_ACROSS: Final = 2  # samples either side of an edge: 1 mm across at steps of 0.25 mm
_LEAST_HU: Final = 60.0
_FLANK_MM: Final = 1.5  # a second, stronger fall this near the first is the same flank
WIDER_MM: Final = 0.7  # a band this much wider than the head's own cortex holds the socket's too
_SPACE_MM: Final = 5.5  # the widest joint space beyond which the socket's cortex begins
_THIN_MM: Final = 3.0  # a space at least this wide shows soft tissue in its middle where it is no bone
_BEFORE_MM: Final = 0.75  # of the next rise: its blur


@dataclass(frozen=True, slots=True, eq=False)
class Bands:
    """(rays, 6) each: `rose_mm`, `fell_mm` along the ray (NaN: no such band); `step_HU` the larger of rise and fall;
    `spongy`: bone, not soft tissue, follows the fall, up to the next band when there is one within a joint's width."""

    rose_mm: Floats
    fell_mm: Floats
    step_HU: Floats
    spongy: Mask

    @property
    def width_mm(self) -> Floats:
        """(rays, 6) width of each band."""
        return np.asarray(self.fell_mm - self.rose_mm)


def _peak_between(change: Floats, reach: Floats, index: NDArray[np.intp]) -> Floats:
    """Position of the extremum of `change` at `index` between samples, by a parabola."""
    rows = np.arange(change.shape[0])
    k = np.clip(index, 1, change.shape[1] - 2)
    left, mid, right = change[rows, k - 1], change[rows, k], change[rows, k + 1]
    bend = left - 2.0 * mid + right
    safe = np.where(np.abs(bend) > 1e-6, bend, 1.0)
    shift = np.where(np.abs(bend) > 1e-6, 0.5 * (left - right) / safe, 0.0)
    return np.asarray(reach[k] + np.clip(shift, -0.5, 0.5) * (reach[1] - reach[0]))


def bands_along(profile: Floats, reach: Floats, levels: Levels) -> Bands:
    """The bands of (rays, samples) profiles at distances `reach`, equal steps, mm."""
    n, m = profile.shape
    rows = np.arange(n)
    change = np.zeros_like(profile)
    change[:, _ACROSS:-_ACROSS] = profile[:, 2 * _ACROSS :] - profile[:, : -2 * _ACROSS]
    least = max(2.4 * levels.noise, _LEAST_HU)
    inner, before, after = change[:, 1:-1], change[:, :-2], change[:, 2:]
    falls = np.zeros(profile.shape, dtype=bool)
    rises = np.zeros(profile.shape, dtype=bool)
    falls[:, 1:-1] = (inner < -least) & (inner <= before) & (inner < after)
    rises[:, 1:-1] = (inner > least) & (inner >= before) & (inner > after)

    rose = np.full((n, _MOST), -1, dtype=np.intp)
    fell = np.full((n, _MOST), -1, dtype=np.intp)
    step = np.zeros((n, _MOST))
    held = np.zeros(n)
    held_at = np.full(n, -1, dtype=np.intp)
    count = np.zeros(n, dtype=np.intp)
    flank = round(_FLANK_MM / float(reach[1] - reach[0]))
    for j in range(m):
        up = rises[:, j] & (change[:, j] > held)
        held[up] = change[up, j]
        held_at[up] = j
        down = falls[:, j]
        new = down & (held > 0.0) & (count < _MOST)
        rose[rows[new], count[new]] = held_at[new]
        fell[rows[new], count[new]] = j
        count[new] += 1
        step[rows[new], count[new] - 1] = np.maximum(held[new], -change[new, j])
        held[new] = 0.0
        again = down & ~new & (count > 0)
        last = np.maximum(count - 1, 0)
        at = fell[rows, last]
        again &= (j - at <= flank) & (change[:, j] < change[rows, np.maximum(at, 0)])
        fell[rows[again], last[again]] = j
        step[rows[again], last[again]] = np.maximum(step[rows[again], last[again]], -change[again, j])

    there = fell >= 0
    rose_mm, fell_mm = np.full((n, _MOST), np.nan), np.full((n, _MOST), np.nan)
    spongy = np.zeros((n, _MOST), dtype=bool)
    bright = levels.soft + max(50.0, levels.noise)
    for k in range(_MOST):
        rose_mm[:, k] = np.where(there[:, k], _peak_between(change, reach, rose[:, k]), np.nan)
        fell_mm[:, k] = np.where(there[:, k], _peak_between(change, reach, fell[:, k]), np.nan)
        beyond = reach[None, :] - fell_mm[:, k, None]
        # What rises next is the socket's cortex across a joint space, or the far wall of a thin socket joined to the
        # head: the grey before it tells which.
        wall = np.where(rises & (beyond > 0.4), beyond, np.inf).min(axis=1)
        end = np.minimum(np.where(wall < _SPACE_MM, wall - _BEFORE_MM, np.inf), 4.0)
        ahead = (beyond > 1.2) & (beyond < end[:, None])
        mean = np.where(ahead, profile, 0.0).sum(axis=1) / np.maximum(ahead.sum(axis=1), 1)
        spongy[:, k] = there[:, k] & (mean > bright) & (wall > _THIN_MM)
    return Bands(rose_mm, fell_mm, step, spongy)


def own_cortex_mm(width_mm: Floats) -> float:
    """Usual width of the head's own band, where it is not joined to the socket's; NaN when little is seen.

    Joined bands are wider, and in a closed joint they may be the greater part: the narrow end of the spread is the
    head's own.
    """
    seen = width_mm[np.isfinite(width_mm)]
    if seen.size < 50:
        return float("nan")
    narrow = float(np.percentile(seen, 25.0))
    return float(np.median(seen[seen < narrow + 0.6]))

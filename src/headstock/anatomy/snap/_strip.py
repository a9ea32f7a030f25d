"""Follow one edge along a strip: a line of sight per level, the cheapest path across them.

In: a window, points along an axis, a direction across. Out: where the edge crosses each
level (distance across the axis, px) and how clear it is there.
"""

from typing import Final

import numpy as np

from headstock.anatomy.snap._crop import Float32s, Floats, sampled

__all__ = ["follow", "slopes"]

_MOST_STEPS: Final = 3


def slopes(values: Float32s, origins: Floats, across: Floats, distances: Floats) -> Floats:
    """Slope of the grey values along `across` (2,) or (levels, 2), per px: (levels, distances)."""
    at = origins[:, None] + distances[None, :, None] * np.broadcast_to(across, origins.shape)[:, None]
    grey = sampled(values, at).astype(np.float64)
    return np.asarray(np.gradient(grey, distances, axis=1))


def follow(evidence: Floats, distances: Floats, bend: float, reference: float) -> tuple[Floats, Floats]:
    """The path of greatest evidence (levels, distances) that bends little; distances (levels,) and clearness 0..1.

    `reference`: evidence that counts as half clear.
    """
    gain = np.maximum(evidence, 0.0)
    gain = gain / (gain + reference)
    levels, n = gain.shape
    shifts = np.arange(-_MOST_STEPS, _MOST_STEPS + 1)
    total = gain[0].copy()
    back = np.zeros((levels, n), dtype=np.intp)
    for k in range(1, levels):
        padded = np.pad(total, _MOST_STEPS, constant_values=-np.inf)
        options = np.stack([padded[i : i + n] for i in range(len(shifts))]) - (bend * shifts**2)[:, None]
        back[k] = options.argmax(axis=0)
        total = options.max(axis=0) + gain[k]
    at = np.empty(levels, dtype=np.intp)
    at[-1] = int(total.argmax())
    for k in range(levels - 1, 0, -1):
        at[k - 1] = at[k] + shifts[back[k, at[k]]]
    row = np.arange(levels)
    mid = np.clip(at, 1, n - 2)
    below, peak, above = evidence[row, mid - 1], evidence[row, mid], evidence[row, mid + 1]
    curve = below - 2 * peak + above
    fine = np.where(curve < 0, 0.5 * (below - above) / np.where(curve < 0, curve, -1.0), 0.0)
    step = float(distances[1] - distances[0])
    return distances[mid] + np.clip(fine, -1, 1) * step, gain[row, at]

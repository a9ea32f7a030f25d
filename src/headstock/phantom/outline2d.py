"""Outlines of projected surfaces, without drawing them.

In: vertices of a closed surface projected to a film (n, 2) px, and its faces.
Out: widths along a line, and radii of the outline seen from a point. Exact for
the projected triangles.
"""

import numpy as np
from numpy.typing import NDArray

from headstock.phantom.shape import Floats, Ints

__all__ = ["interval_on_line", "star_radius_px"]


def interval_on_line(
    points_px: Floats, faces: Ints, origin_px: Floats, direction: Floats
) -> tuple[float, float] | None:
    """The stretch of a line inside the projected surface that holds the line's origin.

    `direction` unit. Returns (low, high) px along it, or None when the origin lies outside.
    """
    across = np.array([-direction[1], direction[0]])
    height = (points_px - origin_px) @ across
    height = np.where(height == 0.0, 1e-12, height)
    along = (points_px - origin_px) @ direction
    above = height > 0.0
    a0, a1, a2 = (above[faces[:, i]] for i in range(3))
    cut = faces[(a0 != a1) | (a1 != a2)]
    if len(cut) == 0:
        return None
    low = np.full(len(cut), np.inf)
    high = np.full(len(cut), -np.inf)
    for i in range(3):
        a, b = cut[:, i], cut[:, (i + 1) % 3]
        ha, hb = height[a], height[b]
        crossing = (ha > 0.0) != (hb > 0.0)
        gap = np.where(crossing, ha - hb, 1.0)
        at = along[a] + ha / gap * (along[b] - along[a])
        low = np.where(crossing, np.minimum(low, at), low)
        high = np.where(crossing, np.maximum(high, at), high)
    order = np.argsort(low)
    low, high = low[order], np.maximum.accumulate(high[order])
    breaks = np.flatnonzero(low[1:] > high[:-1] + 1e-9)
    starts = low[np.concatenate([[0], breaks + 1])]
    ends = high[np.concatenate([breaks, [len(high) - 1]])]
    holds = np.flatnonzero((starts <= 0.0) & (ends >= 0.0))
    return None if len(holds) == 0 else (float(starts[holds[0]]), float(ends[holds[0]]))


def star_radius_px(points_px: Floats, faces: Ints, centre_px: Floats, directions: Floats) -> Floats:
    """Distance from a point to the farthest projected edge along unit `directions` (k, 2): (k,) px.

    The outline where the surface is star-shaped seen from the point; 0 where no edge is met.
    """
    edges = np.unique(np.sort(np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]), axis=1), axis=0)
    p = points_px - centre_px
    a, b = p[edges[:, 0]], p[edges[:, 1]]
    out = np.zeros(len(directions))
    cross_ab = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]
    for k, d in enumerate(directions):
        side_a = d[0] * a[:, 1] - d[1] * a[:, 0]
        side_b = d[0] * b[:, 1] - d[1] * b[:, 0]
        crossing = (side_a > 0.0) != (side_b > 0.0)
        if not crossing.any():
            continue
        # The crossing's distance along d: |a x b| over |d x (b - a)|, positive ahead of the centre.
        reach: NDArray[np.float64] = cross_ab[crossing] / (side_b[crossing] - side_a[crossing])
        out[k] = max(float(reach.max()), 0.0)
    return out

"""Compiled loop of `volumes.py`. This file imports numba: import it inside functions only.

Points in mm, hip frame, float32; one thread, no lock held.
"""

from typing import Any

import numpy as np

from headstock.geometry._distance_kernels import look
from headstock.geometry.compiled import compiled


@compiled
def removed_shares(
    points: Any,
    origin: Any,
    axes: Any,
    side_point: Any,
    side_normal: Any,
    carved: Any,
    carved_origin: Any,
    carved_step: float,
    soft: float,
    no_side: bool,
    out: Any,
) -> None:
    """Share of each voxel (edge length `soft`) that goes away: above cut and medial of the side plane, or carved."""
    nx, ny, nz = carved.shape
    for n in range(points.shape[0]):
        px, py, pz = points[n, 0], points[n, 1], points[n, 2]
        dx, dy, dz = px - origin[0], py - origin[1], pz - origin[2]
        z = dx * axes[0, 2] + dy * axes[1, 2] + dz * axes[2, 2]
        above = min(max(z / soft + 0.5, 0.0), 1.0)
        if above > 0.0 and not no_side:
            aside = (
                (px - side_point[0]) * side_normal[0]
                + (py - side_point[1]) * side_normal[1]
                + (pz - side_point[2]) * side_normal[2]
            )
            above *= min(max(aside / soft + 0.5, 0.0), 1.0)
        kept = 1.0 - above
        if kept > 0.0:
            gz = (z - carved_origin[2]) / carved_step
            if 0.0 <= gz <= nz - 1.0:
                x = dx * axes[0, 0] + dy * axes[1, 0] + dz * axes[2, 0]
                gx = (x - carved_origin[0]) / carved_step
                if 0.0 <= gx <= nx - 1.0:
                    y = dx * axes[0, 1] + dy * axes[1, 1] + dz * axes[2, 1]
                    gy = (y - carved_origin[1]) / carved_step
                    if 0.0 <= gy <= ny - 1.0:
                        kept *= min(max(0.5 + look(carved, gx, gy, gz) / soft, 0.0), 1.0)
        out[n] = np.float32(1.0 - kept)

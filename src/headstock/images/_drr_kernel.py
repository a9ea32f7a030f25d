"""Compiled loop of `drr.py`. Imports numba: import it inside functions only."""

from typing import Any

import numpy as np

from headstock.geometry.compiled import compiled


@compiled
def march(values: Any, source: Any, first: Any, across: Any, down: Any, scale: Any, step_mm: float, out: Any) -> None:
    """Integral of `values` along rays, per mm; all points as (slice, row, column) index points, `scale` mm per index.

    A voxel's value fills its whole cell: the volume ends half a voxel beyond its outer centres.
    """
    ns, nr, nc = values.shape
    size = (ns, nr, nc)
    for i in range(out.shape[0]):
        for j in range(out.shape[1]):
            low, high, length = 0.0, 1.0, 0.0
            way = np.empty(3)
            for k in range(3):
                way[k] = first[k] + i * down[k] + j * across[k] - source[k]
                length += (way[k] * scale[k]) ** 2
                if abs(way[k]) < 1e-12:
                    if source[k] < -0.5 or source[k] > size[k] - 0.5:
                        high = -1.0
                    continue
                a = (-0.5 - source[k]) / way[k]
                b = (size[k] - 0.5 - source[k]) / way[k]
                low = max(low, min(a, b))
                high = min(high, max(a, b))
            if high <= low:
                out[i, j] = 0.0
                continue
            length = np.sqrt(length)
            n = max(int((high - low) * length / step_mm), 1)
            piece = (high - low) / n
            total = 0.0
            for m in range(n):
                at = low + (m + 0.5) * piece
                s = min(max(source[0] + at * way[0], 0.0), ns - 1.0)
                r = min(max(source[1] + at * way[1], 0.0), nr - 1.0)
                c = min(max(source[2] + at * way[2], 0.0), nc - 1.0)
                si, ri, ci = min(int(s), ns - 2), min(int(r), nr - 2), min(int(c), nc - 2)
                u, v, w = s - si, r - ri, c - ci
                p = values[si, ri, ci] * (1.0 - w) + values[si, ri, ci + 1] * w
                q = values[si, ri + 1, ci] * (1.0 - w) + values[si, ri + 1, ci + 1] * w
                x = values[si + 1, ri, ci] * (1.0 - w) + values[si + 1, ri, ci + 1] * w
                y = values[si + 1, ri + 1, ci] * (1.0 - w) + values[si + 1, ri + 1, ci + 1] * w
                total += (p * (1.0 - v) + q * v) * (1.0 - u) + (x * (1.0 - v) + y * v) * u
            out[i, j] = total * piece * length

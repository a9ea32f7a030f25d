"""What depends on where two surfaces lie, for all draws at the cost of a few.

A part stays where it is while the draws of a reading move the femur's surface (one
common error, mm outward) and the rim of dead bone (t: 0 inner, 1 outer estimate).
Shares, volumes and areas thus depend on two numbers: they are computed on a small grid of
both and read between bilinearly. The reading (0 and its own t) is a point of the grid, so
that row 0 is the point value itself. Checked against computing every draw (tests).
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from headstock.planning.space.places import Rows

__all__ = ["Nodes", "nodes_of"]

Floats = NDArray[np.float64]
_EDGES: Final = (-3.0, -1.5, -0.75, 0.75, 1.5, 3.0)  # in sd of the draws, about 0
_RIMS: Final = 4  # points on each side of the reading's rim


@dataclass(frozen=True, slots=True, eq=False)
class Nodes:
    """`edge` (k,), `t` (l,) rising; the grid is their product, edge slowest."""

    edge: Floats
    t: Floats

    def coarse(self, rows: Rows) -> "Nodes":
        """The ends and the reading alone, for numbers that follow a hand."""
        return Nodes(_thinned(self.edge, 0.0), _thinned(self.t, float(rows.t[0])))

    def over(self, rows: Rows, of: Callable[[Floats, Floats], Mapping[str, Floats]]) -> dict[str, Floats]:
        """Every number of `of(edge (r,), t (r,))` for all rows, (n,); the reading alone is computed as it is."""
        if rows.n == 1:
            return dict(of(rows.edge, rows.t))
        edges, rims = (grid.ravel() for grid in np.meshgrid(self.edge, self.t, indexing="ij"))
        return {name: self._between(rows, values) for name, values in of(edges, rims).items()}

    def _between(self, rows: Rows, values: Floats) -> Floats:
        shape = (len(self.edge), len(self.t))
        table = np.broadcast_to(values, (shape[0] * shape[1],)).reshape(shape)
        i, a = _cell(self.edge, rows.edge)
        j, b = _cell(self.t, rows.t)
        i1, j1 = np.minimum(i + 1, shape[0] - 1), np.minimum(j + 1, shape[1] - 1)
        low = table[i, j] * (1.0 - b) + table[i, j1] * b
        high = table[i1, j] * (1.0 - b) + table[i1, j1] * b
        return np.asarray(low * (1.0 - a) + high * a)


def nodes_of(rows: Rows) -> Nodes:
    """A grid that holds the reading and reaches over its draws; one point where nothing is drawn."""
    edge, t = np.zeros(1), rows.t[:1]
    if rows.n > 1:
        sd = float(rows.edge[1:].std())
        if sd > 1e-9:
            edge = np.sort(np.concatenate([sd * np.array(_EDGES), [0.0]]))
        low, high = float(rows.t.min()), float(rows.t.max())
        if high - low > 1e-9:
            own = float(rows.t[0])
            t = np.unique(np.concatenate([np.linspace(low, own, _RIMS + 1), np.linspace(own, high, _RIMS + 1)]))
    return Nodes(edge, t)


def _thinned(grid: Floats, own: float) -> Floats:
    """First and last point and the reading's own."""
    return np.asarray(np.unique(np.array([grid[0], own, grid[-1]])))


def _cell(grid: Floats, at: Floats) -> tuple[NDArray[np.intp], Floats]:
    """Index of the cell and the share within it, held at the ends."""
    if len(grid) == 1:
        return np.zeros(len(at), np.intp), np.zeros(len(at))
    i = np.clip(np.searchsorted(grid, at, side="right") - 1, 0, len(grid) - 2)
    return i, np.clip((at - grid[i]) / (grid[i + 1] - grid[i]), 0.0, 1.0)

"""Closed surfaces onto voxels: which cells lie inside, and the blurred mean of fine cells over a voxel.

In: surfaces with vertices as index points (column, row, slice) of an array. Out: codes painted into
the array [slice, row, column]; means over voxels.
Inside: faces that a ray along the slices leaves through less those it enters
through, counted at the centre of every cell; exact for the triangles, and a
centre belongs to one of two faces that share an edge (as in `beam.path_length_mm`).
Decision: docs/decisions/0260-cells-finer-than-voxels.md
"""

from collections.abc import Callable, Sequence
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from headstock.geometry.compiled import compiled

__all__ = ["averaged", "coloured", "paint"]

Floats = NDArray[np.float64]
Codes = NDArray[np.uint8]


@lru_cache(maxsize=1)
def _crossings() -> Callable[..., None]:
    def run(winding: Any, at: Any, faces: Any, first: Any) -> None:
        """Adds each face's crossing of every column of cells to `winding` (int8, [slice, row, column])."""
        slices, rows, columns = winding.shape
        for f in range(faces.shape[0]):
            a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
            turn = 1  # sign of the order (a, b, c) against the face's own
            # Sorted by column, ties by number, so that neighbours walk the same edges the same way.
            if at[b, 0] < at[a, 0] or (at[b, 0] == at[a, 0] and b < a):
                a, b, turn = b, a, -turn
            if at[c, 0] < at[b, 0] or (at[c, 0] == at[b, 0] and c < b):
                b, c, turn = c, b, -turn
            if at[b, 0] < at[a, 0] or (at[b, 0] == at[a, 0] and b < a):
                a, b, turn = b, a, -turn
            start = max(int(np.ceil(at[a, 0])) - first[0], 0)
            end = min(int(np.ceil(at[c, 0])) - first[0], columns)
            if start >= end:
                continue
            lowest = min(at[a, 2], at[b, 2], at[c, 2])
            highest = max(at[a, 2], at[b, 2], at[c, 2])
            if highest < first[2]:
                continue
            ux, uy, uz = at[b, 0] - at[a, 0], at[b, 1] - at[a, 1], at[b, 2] - at[a, 2]
            vx, vy, vz = at[c, 0] - at[a, 0], at[c, 1] - at[a, 1], at[c, 2] - at[a, 2]
            nx, ny, nz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
            for column in range(start, end):
                x = float(column + first[0])
                y_long = at[a, 1] + (x - at[a, 0]) * (at[c, 1] - at[a, 1]) / (at[c, 0] - at[a, 0])
                if x < at[b, 0]:
                    y_other = at[a, 1] + (x - at[a, 0]) * (at[b, 1] - at[a, 1]) / (at[b, 0] - at[a, 0])
                else:
                    y_other = at[b, 1] + (x - at[b, 0]) * (at[c, 1] - at[b, 1]) / (at[c, 0] - at[b, 0])
                # With b below the long edge the face turns counter-clockwise seen from the last slice.
                sign = turn if y_other < y_long else -turn
                low, high = min(y_long, y_other), max(y_long, y_other)
                from_row, to_row = max(int(np.ceil(low)) - first[1], 0), min(int(np.ceil(high)) - first[1], rows)
                for row in range(from_row, to_row):
                    z = lowest
                    if nz != 0.0:
                        z = at[a, 2] - (nx * (x - at[a, 0]) + ny * (row + first[1] - at[a, 1])) / nz
                        z = min(max(z, lowest), highest)
                    last = min(int(np.floor(z)) - first[2], slices - 1)
                    if last >= 0:
                        winding[last, row, column] += sign

    return compiled(run)


@lru_cache(maxsize=1)
def _fill() -> Callable[..., None]:
    def run(out: Any, winding: Any, first: Any, code: int, over: Any) -> None:
        slices, rows, columns = winding.shape
        for k in range(slices - 2, -1, -1):
            for j in range(rows):
                for i in range(columns):
                    winding[k, j, i] += winding[k + 1, j, i]
        for k in range(slices):
            for j in range(rows):
                for i in range(columns):
                    if winding[k, j, i] > 0 and over[out[k + first[2], j + first[1], i + first[0]]]:
                        out[k + first[2], j + first[1], i + first[0]] = code

    return compiled(run)


def paint(out: Codes, at: Floats, faces: NDArray[np.int64], code: int, over: Sequence[int] | None = None) -> None:
    """Write `code` into every cell of `out` whose centre lies inside a closed surface.

    Parameters
    ----------
    out
        [slice, row, column], changed in place.
    at
        (n, 3) vertices as index points (column, row, slice) of `out`; may lie outside it.
    faces
        (m, 3), counter-clockwise seen from outside.
    over
        Only cells that hold one of these codes are changed; None: all.
    """
    low = np.maximum(np.ceil(at.min(axis=0)).astype(np.int64), 0)
    high = np.minimum(np.floor(at.max(axis=0)).astype(np.int64), np.array(out.shape[::-1]) - 1)
    if np.any(high < low):
        return
    allowed = np.ones(256, dtype=np.bool_)
    if over is not None:
        allowed[:] = False
        allowed[list(over)] = True
    size = high - low + 1
    winding = np.zeros((int(size[2]), int(size[1]), int(size[0])), dtype=np.int8)
    _crossings()(winding, np.ascontiguousarray(at, dtype=np.float64), np.ascontiguousarray(faces), low)
    _fill()(out, winding, low, code, allowed)


@lru_cache(maxsize=1)
def _colour() -> Callable[..., None]:
    def run(
        out: Any, codes: Any, cells: Any, first_slice: int, base: Any, gain: Any, field_of: Any, fields: Any
    ) -> None:
        slices, rows, columns = codes.shape
        for k in range(slices):
            kk = (k + first_slice) // cells[2]
            for j in range(rows):
                jj = j // cells[1]
                for i in range(columns):
                    code = codes[k, j, i]
                    value = base[code]
                    which = field_of[code]
                    if which >= 0:
                        value += gain[code] * fields[which, kk, jj, i // cells[0]]
                    out[k, j, i] = int(np.rint(value))

    return compiled(run)


def coloured(
    codes: Codes,
    cells: tuple[int, int, int],
    first_slice: int,
    base: NDArray[np.float32],
    gain: NDArray[np.float32],
    field_of: NDArray[np.int8],
    fields: NDArray[np.float32],
) -> NDArray[np.int16]:
    """Values of fine cells: `base[code] + gain[code] * fields[field_of[code]]` at the block the cell lies in.

    `codes` [slice, row, column] of fine cells, `cells` (column, row, slice) of them in a block; the first slice of
    `codes` is fine slice `first_slice`. `fields` (f, slices, rows, columns) of blocks; a `field_of` of -1 takes none.
    """
    out = np.empty(codes.shape, dtype=np.int16)
    _colour()(out, codes, np.array(cells, dtype=np.int64), first_slice, base, gain, field_of, fields)
    return out


def _weights(width: float, sd: float, place: float) -> tuple[Floats, int]:
    """Weights of whole cells in the blurred box about `place` (cells; cell i reaches from i - 0.5 to i + 0.5).

    The integral of box (x) Gaussian over each cell, exact; returns weights and the number of the first cell.
    """
    from scipy.special import ndtr

    reach = int(np.ceil(0.5 * width + 3.0 * sd))
    first = int(np.floor(place)) - reach
    edges = np.arange(first, first + 2 * reach + 3).astype(np.float64) - 0.5 - place

    def ramp(x: Floats) -> Floats:  # the integral of the (blurred) step
        if sd <= 1e-6:
            return np.maximum(x, 0.0)
        t = x / sd
        return np.asarray(x * ndtr(t) + sd * np.exp(-0.5 * t**2) / np.sqrt(2.0 * np.pi))

    share = np.diff((ramp(edges + 0.5 * width) - ramp(edges - 0.5 * width)) / width)
    return np.asarray(share / share.sum()), first


@lru_cache(maxsize=1)
def _along() -> tuple[Callable[..., None], Callable[..., None], Callable[..., None]]:
    def columns(out: Any, fine: Any, weights: Any, first: int, step: int) -> None:
        slices, rows, count = out.shape
        last = fine.shape[2] - 1
        for k in range(slices):
            for j in range(rows):
                for i in range(count):
                    total = 0.0
                    for t in range(len(weights)):
                        total += weights[t] * fine[k, j, min(max(first + i * step + t, 0), last)]
                    out[k, j, i] = total

    def rows(out: Any, fine: Any, weights: Any, first: int, step: int) -> None:
        slices, count, width = out.shape
        last = fine.shape[1] - 1
        for k in range(slices):
            for j in range(count):
                for i in range(width):
                    out[k, j, i] = 0.0
                for t in range(len(weights)):
                    source = min(max(first + j * step + t, 0), last)
                    for i in range(width):
                        out[k, j, i] += weights[t] * fine[k, source, i]

    def slices(out: Any, fine: Any, weights: Any, first: int, step: int) -> None:
        count, height, width = out.shape
        last = fine.shape[0] - 1
        for k in range(count):
            for j in range(height):
                for i in range(width):
                    out[k, j, i] = 0.0
            for t in range(len(weights)):
                source = min(max(first + k * step + t, 0), last)
                for j in range(height):
                    for i in range(width):
                        out[k, j, i] += weights[t] * fine[source, j, i]

    return compiled(columns), compiled(rows), compiled(slices)


def averaged(
    fine: NDArray[np.int16],
    shape: tuple[int, int, int],
    cells: tuple[int, int, int],
    place: Floats,
    width: Floats,
    sd: Floats,
) -> NDArray[np.float32]:
    """Blurred means of fine cells over voxels, [slice, row, column].

    Parameters
    ----------
    fine
        [slice, row, column] of cells; beyond its edge the last cell goes on.
    shape
        (slices, rows, columns) of the result.
    cells
        (column, row, slice): cells from one voxel to the next.
    place
        (3,) centre of voxel [0, 0, 0], in cells (column, row, slice), cell 0 centred on 0.
    width, sd
        (3,) width of the box and standard deviation of the Gaussian that blurs it, in cells.
    """
    x, y, z = _along()
    # Lengths in cells; the weights of an axis are the same for all its voxels, because their step is whole cells.
    (wx, fx), (wy, fy), (wz, fz) = (_weights(float(width[i]), float(sd[i]), float(place[i])) for i in range(3))
    first = np.empty((fine.shape[0], fine.shape[1], shape[2]), dtype=np.float32)
    x(first, fine, wx.astype(np.float32), fx, cells[0])
    second = np.empty((fine.shape[0], shape[1], shape[2]), dtype=np.float32)
    y(second, first, wy.astype(np.float32), fy, cells[1])
    third = np.empty(shape, dtype=np.float32)
    z(third, second, wz.astype(np.float32), fz, cells[2])
    return third

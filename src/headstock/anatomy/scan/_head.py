"""Where a femoral head lies, found without help: a ball of bone with a shell of bone around part of it.

In: HU on a grid, LPS. Out: rough centres and radii, mm. Edges of bone vote for
the centre of the ball they could belong to; the best places are then looked at
along rays: a head has its own edge nearly all around and a socket outside it.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from headstock.anatomy.scan._grey import Levels, Volume, sample, smooth
from headstock.geometry.grid import Grid

__all__ = ["Head", "directions", "heads_in", "look_at", "thinned"]

Floats = NDArray[np.float64]

_COARSE_MM: Final = 2.0
LEAST_RADIUS_MM: Final = 15.0  # heads of small adults 19 mm and large 29 mm; a margin for children's and swollen heads
MOST_RADIUS_MM: Final = 34.0
_LOOK_AT: Final = 14  # places looked at along rays


@dataclass(frozen=True, slots=True, eq=False)
class Head:
    """A rough head. `ring` share of directions with the head's own edge; `socket` share with bone just outside."""

    centre_lps_mm: Floats
    radius_mm: float
    ring: float
    socket: float

    @property
    def score(self) -> float:
        """How much it looks like a head in a socket."""
        return self.ring + min(self.socket, 0.5)


def directions(n: int) -> Floats:
    """(n, 3) unit directions spread evenly over the sphere (Fibonacci spiral)."""
    i = np.arange(n) + 0.5
    z = 1.0 - 2.0 * i / n
    turn = np.pi * (1.0 + np.sqrt(5.0)) * i
    ring = np.sqrt(1.0 - z * z)
    return np.stack([ring * np.cos(turn), ring * np.sin(turn), z], axis=-1)


def thinned(values: Volume, grid: Grid, to_mm: float = _COARSE_MM) -> tuple[Volume, Grid]:
    """The volume on a coarse grid with the same axes, smoothed first so that thin cortex is not stepped over."""
    from scipy.ndimage import map_coordinates

    spacing = grid.spacing_mm
    out_spacing = np.maximum(to_mm, spacing)
    soft = smooth(values, 0.4 * to_mm, spacing) if to_mm > spacing.min() * 1.2 else values
    counts = np.maximum(np.floor((np.array(grid.shape[::-1]) - 1) * spacing / out_spacing).astype(int) + 1, 1)
    axes = [np.arange(n) * step / old for n, step, old in zip(counts, out_spacing, spacing, strict=True)]
    index = np.meshgrid(axes[2], axes[1], axes[0], indexing="ij")
    out = map_coordinates(soft, index, order=1, mode="nearest", output=np.float32)
    shape = (int(counts[2]), int(counts[1]), int(counts[0]))
    return np.asarray(out), Grid(grid.origin_mm, grid.axes, out_spacing, shape)


def _votes(values: Volume, grid: Grid, levels: Levels) -> Volume:
    """How many edges of bone could lie on a ball about each voxel."""
    from scipy.ndimage import gaussian_filter

    clipped = np.clip(values, levels.soft - 80.0, levels.soft + 600.0)
    soft = gaussian_filter(clipped, 1.0, mode="nearest")
    gradient = np.stack([g / s for g, s in zip(np.gradient(soft)[::-1], grid.spacing_mm, strict=True)], axis=-1)
    size = np.linalg.norm(gradient, axis=-1)
    edge = size > 35.0
    index = np.argwhere(edge)[:, ::-1].astype(np.float64)
    way = gradient[edge] / size[edge][:, None]
    total = np.zeros(grid.shape, dtype=np.float32)
    shape = np.array(grid.shape[::-1])
    for radius in np.arange(LEAST_RADIUS_MM + 1.0, MOST_RADIUS_MM, 1.0):
        at = np.rint(index + radius * way / grid.spacing_mm).astype(np.intp)
        ok = np.all((at >= 0) & (at < shape), axis=1)
        flat = np.ravel_multi_index(tuple(at[ok][:, ::-1].T), grid.shape)
        votes = np.bincount(flat, minlength=total.size).reshape(grid.shape)
        # Votes of one radius gather where a ball of that radius has its centre; the largest gathering counts.
        gathered = gaussian_filter(votes.astype(np.float32), 1.2, mode="constant") / radius**2
        np.maximum(total, gathered, out=total)
    return total


def look_at(values: Volume, grid: Grid, levels: Levels, centre: Floats) -> Head:
    """The best ball near `centre`: edges along rays, moved to their common centre a few times."""
    rays = directions(400)
    step = 0.75
    reach = np.arange(6.0, MOST_RADIUS_MM + 12.0, step)
    radius = 0.0
    ring = socket = 0.0
    for _ in range(5):
        profile = sample(values, grid, centre + reach[None, :, None] * rays[:, None, :], outside=levels.soft)
        fall = np.zeros_like(profile)
        fall[:, 1:-1] = profile[:, :-2] - profile[:, 2:]
        strong = fall > max(90.0, 4.0 * levels.noise)
        strong[:, 1:-1] &= (fall[:, 1:-1] >= fall[:, :-2]) & (fall[:, 1:-1] > fall[:, 2:])
        counts = strong.sum(axis=0).astype(np.float64)
        close = np.convolve(counts, np.array([0.5, 1.0, 1.0, 1.0, 0.5]), mode="same")
        allowed = (reach >= LEAST_RADIUS_MM) & (reach <= MOST_RADIUS_MM)
        # The inner of two equal shells is the head: the socket's outer side makes the second.
        weight = close * np.where(allowed, 1.0, 0.0) * (1.0 - 0.004 * reach)
        k = int(np.argmax(weight))
        radius = float(reach[k])
        near = strong & (np.abs(reach[None, :] - radius) <= 2.6)
        has = near.any(axis=1)
        ring = float(has.mean())
        if has.sum() < 30:
            break
        at = reach[np.argmin(np.where(near, np.abs(reach[None, :] - radius), 99.0), axis=1)]
        rise = profile[:, 2:] - profile[:, :-2] > max(90.0, 4.0 * levels.noise)
        outside = (reach[None, 1:-1] > radius + 0.5) & (reach[None, 1:-1] < radius + 10.0)
        socket = float((rise & outside).any(axis=1).mean())
        # Linear least squares of |centre + shift - points| = radius: small shifts of the centre.
        a = np.concatenate([rays[has], np.ones((int(has.sum()), 1))], axis=1)
        solution = np.linalg.lstsq(a, at[has], rcond=None)[0]
        shift = solution[:3]
        radius = float(solution[3])
        centre = centre + shift * min(1.0, 5.0 / max(float(np.linalg.norm(shift)), 1e-9))
        if np.linalg.norm(shift) < 0.2:
            break
    return Head(centre, radius, ring, socket)


def heads_in(values: Volume, grid: Grid, levels: Levels, most: int = 2) -> tuple[Head, ...]:
    """Heads of a volume, best first; at most `most`, at least 60 mm apart."""
    from scipy.ndimage import maximum_filter

    coarse, thin = thinned(values, grid)
    votes = _votes(coarse, thin, levels)
    peaks = np.argwhere((votes == maximum_filter(votes, size=7)) & (votes > 0.15 * votes.max()))
    order = np.argsort(-votes[tuple(peaks.T)], kind="stable")[:_LOOK_AT]
    found: list[Head] = []
    for place in peaks[order]:
        head = look_at(coarse, thin, levels, thin.points(place[::-1].astype(np.float64)))
        if head.ring >= 0.5 and head.socket >= 0.15 and LEAST_RADIUS_MM <= head.radius_mm <= MOST_RADIUS_MM:
            found.append(head)
    found.sort(key=lambda head: -head.score)
    kept: list[Head] = []
    for head in found:
        if all(np.linalg.norm(head.centre_lps_mm - other.centre_lps_mm) > 60.0 for other in kept):
            kept.append(head)
    return tuple(kept[:most])

"""Which hips a scan holds, found without help, and roughly where their heads are.

In: a scan. Out: heads by side, LPS mm. With two heads the patient's right is the
smaller LPS x. With one, the side is where its neck goes: laterally. It must
agree with where the head lies, or nothing is said.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from headstock.anatomy.scan._grey import Levels, Volume, grey_levels, sample
from headstock.anatomy.scan._head import Head, directions, heads_in, thinned
from headstock.errors import TooFewError
from headstock.frames import Side
from headstock.geometry.grid import Grid
from headstock.images.scan import Scan

__all__ = ["HeadFound", "Sides", "lateral_x", "neck_guess", "sides_in"]

Floats = NDArray[np.float64]

_MIDLINE_MM: Final = 25.0  # a head nearer to LPS x = 0 than this does not say its side by position
_LEVELS_MM: Final = 1.6


@dataclass(frozen=True, slots=True, eq=False)
class HeadFound:
    """A rough femoral head: centre (LPS) and radius, mm. `ring`, `socket`: shares of directions with an edge."""

    centre_lps_mm: Floats
    radius_mm: float
    ring: float
    socket: float


@dataclass(frozen=True, slots=True, eq=False)
class Sides:
    """Heads by side; `unsure`: heads whose side cannot be told; `says` in words."""

    left: HeadFound | None
    right: HeadFound | None
    unsure: tuple[HeadFound, ...]
    says: str

    def head(self, side: Side) -> HeadFound | None:
        """The head of a side."""
        return self.left if side is Side.LEFT else self.right

    @property
    def only(self) -> Side | None:
        """The side of a scan that holds one hip; None with two, none, or when it cannot be told."""
        if self.unsure or (self.left is None) == (self.right is None):
            return None
        return Side.LEFT if self.left is not None else Side.RIGHT


def lateral_x(side: Side) -> float:
    """Sign of LPS x that points away from the midline."""
    return 1.0 if side is Side.LEFT else -1.0


def neck_guess(side: Side) -> Floats:
    """Unit LPS direction from the head down the neck of an ordinary hip: lateral and down, a little backward."""
    way = np.array([0.72 * lateral_x(side), 0.05, -0.69])
    return np.asarray(way / np.linalg.norm(way))


def _neck_opens(values: Volume, grid: Grid, levels: Levels, head: Head, side: Side) -> float:
    """Share of rays around a side's usual neck along which the head has no edge of its own: it goes on as neck."""
    rays = directions(1500)
    rays = rays[rays @ neck_guess(side) > np.cos(np.radians(28.0))]
    reach = np.arange(head.radius_mm - 5.0, head.radius_mm + 5.5, 0.75)
    profile = sample(values, grid, head.centre_lps_mm + reach[None, :, None] * rays[:, None, :], outside=levels.soft)
    fall = profile[:, :-2] - profile[:, 2:]
    return 1.0 - float((fall > max(120.0, 4.0 * levels.noise)).any(axis=1).mean())


def _found(head: Head) -> HeadFound:
    return HeadFound(head.centre_lps_mm, head.radius_mm, head.ring, head.socket)


def side_of(values: Volume, grid: Grid, levels: Levels, head: Head) -> Side | None:
    """The side of a lone head; None when its neck and its position do not agree or say nothing."""
    left = _neck_opens(values, grid, levels, head, Side.LEFT)
    right = _neck_opens(values, grid, levels, head, Side.RIGHT)
    x = float(head.centre_lps_mm[0])
    by_place = None if abs(x) < _MIDLINE_MM else (Side.LEFT if x > 0.0 else Side.RIGHT)
    by_neck = None if abs(left - right) < 0.2 else (Side.LEFT if left > right else Side.RIGHT)
    if by_neck is None or by_place is None:
        return None if by_place is None else by_neck
    return by_neck if by_neck is by_place else None


def sides_in(scan: Scan) -> Sides:
    """Which hips are in a CT, with their rough heads. A scan that is not a CT, or without bone, holds none."""
    none = "No femoral head was found in this scan. Set a seed in the middle of the head, if one is there."
    if scan.modality != "CT":
        return Sides(None, None, (), "Hips are looked for in CT only: in MR bone has no brightness of its own.")
    coarse, grid = thinned(np.asarray(scan.values, dtype=np.float32), scan.grid)
    try:
        levels = grey_levels(coarse, grid.voxel_mm3)
    except TooFewError:
        return Sides(None, None, (), none)
    heads = sorted(heads_in(coarse, grid, levels), key=lambda head: float(head.centre_lps_mm[0]))
    if not heads:
        return Sides(None, None, (), none)
    if len(heads) == 2:
        apart = float(heads[1].centre_lps_mm[0] - heads[0].centre_lps_mm[0])
        level = abs(float(heads[1].centre_lps_mm[2] - heads[0].centre_lps_mm[2]))
        if apart > 100.0 and level < 80.0:
            return Sides(_found(heads[1]), _found(heads[0]), (), "Both hips are in this scan.")
        heads = [max(heads, key=lambda head: head.score)]
    side = side_of(coarse, grid, levels, heads[0])
    if side is None:
        says = "One hip was found, but neither its place nor its neck says for certain which side it is."
        return Sides(None, None, (_found(heads[0]),), says)
    one = _found(heads[0])
    says = f"The {side.value} hip is in this scan."
    return Sides(one if side is Side.LEFT else None, one if side is Side.RIGHT else None, (), says)

"""The four cut levels, from most to least bone kept, and what defines them.

A level is where the cut crosses the neck axis, as a depth from the pole of the
head. With H the head height (pole to head-neck junction) and N the depth at
which the neck axis meets the shaft axis:

    head_surface   0 to H/2           the dome is shaved, the head stays
    mid_head       H/2 to H           the cut runs through the lower half of the head
    high_neck      H to (H + N)/2     the upper half of the neck
    low_neck       (H + N)/2 to N     the lower half of the neck: the standard neck cut

These are definitions of this project, not clinical limits.
Decision: docs/decisions/0140-cut-levels-by-depth.md
"""

from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["CutLevel", "level_range_mm"]


class CutLevel(StrEnum):
    """Where the femur is cut, from most to least bone kept."""

    HEAD_SURFACE = "head_surface"
    MID_HEAD = "mid_head"
    HIGH_NECK = "high_neck"
    LOW_NECK = "low_neck"

    @property
    def word(self) -> str:
        """The level as screens and sheets print it."""
        return _WORDS[self]


_WORDS = {
    CutLevel.HEAD_SURFACE: "Head surface",
    CutLevel.MID_HEAD: "Mid-head",
    CutLevel.HIGH_NECK: "High neck",
    CutLevel.LOW_NECK: "Low neck",
}


def level_range_mm(
    level: CutLevel, head_height_mm: ArrayLike, neck_base_depth_mm: ArrayLike
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Shallowest and deepest cut that still belongs to a level, mm from the pole.

    `head_height_mm` and `neck_base_depth_mm` broadcast.
    """
    height = np.asarray(head_height_mm, dtype=np.float64)
    middle = 0.5 * (height + np.asarray(neck_base_depth_mm, dtype=np.float64))
    ends: dict[CutLevel, tuple[NDArray[np.float64], NDArray[np.float64]]] = {
        CutLevel.HEAD_SURFACE: (0.0 * height, 0.5 * height),
        CutLevel.MID_HEAD: (0.5 * height, height),
        CutLevel.HIGH_NECK: (height, middle),
        CutLevel.LOW_NECK: (middle, np.asarray(neck_base_depth_mm, dtype=np.float64)),
    }
    return ends[level]

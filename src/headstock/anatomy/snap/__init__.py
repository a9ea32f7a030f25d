"""Rough clicks snap to edges: marker ball, head circle, neck and shaft, each with what was used.

In: a film (rows, cols), bone bright; clicks (column, row). Out: film pixels. Pure.
"""

from headstock.anatomy.snap.head import LeftOut, SnapHead, snap_head

__all__ = ["LeftOut", "SnapHead", "snap_head"]

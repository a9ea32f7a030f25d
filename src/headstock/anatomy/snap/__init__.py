"""Rough clicks snap to edges: marker ball, head circle, neck and shaft, each with what was used.

In: a film (rows, cols), bone bright; clicks (column, row). Out: film pixels. Pure.
"""

from headstock.anatomy.snap.ball import SnapCircle, snap_ball
from headstock.anatomy.snap.head import LeftOut, SnapHead, snap_head
from headstock.anatomy.snap.neck import SnapNeck, snap_neck
from headstock.anatomy.snap.shaft import SnapShaft, snap_shaft

__all__ = [
    "LeftOut",
    "SnapCircle",
    "SnapHead",
    "SnapNeck",
    "SnapShaft",
    "snap_ball",
    "snap_head",
    "snap_neck",
    "snap_shaft",
]

"""How far dead bone reaches across the weight-bearing portion of the socket, on the mid-coronal cut of a scan.

In: lesion, outlines with the pelvis, hip. Out: reach by draw, 0 at the medial border of the weight-bearing portion, 1
at the outer edge of the socket, as films read it (`headstock.anatomy.lesion`): the medial border is the perpendicular
through the middle of the line from the lower inner end of the socket (for the teardrop, which a cut need not meet) to
its outer edge. Hip frame, mm.
Source: Japanese Investigation Committee, J Orthop Sci 2002;7:601 (construction from memory).
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from headstock.anatomy.scan.segmentation import Segmentation
from headstock.anatomy.scan.values import Lesion, ScanHip
from headstock.errors import TooFewError

__all__ = ["coronal_reach"]

Floats = NDArray[np.float64]

_STEP_DEG: Final = 1.0
_GAP_DEG: Final = 12.0  # a gap wider than this ends the socket
_JOINT_MM: Final = (-1.0, 9.0)  # where the socket is looked for, from the head's sphere outward
_LEAST_ARC_DEG: Final = 60.0  # a shorter piece of socket does not show both its ends
_EDGE_SD_MM: Final = 1.5  # of each end of the socket
_KNOTS: Final = 7
_INSIDE: Final = 5  # directions


def coronal_reach(lesion: Lesion, seg: Segmentation, hip: ScanHip) -> Floats:
    """(n,) reach of the lesion for every draw of its rim.

    Raises
    ------
    TooFewError
        The socket is not in the outlines on this cut.
    """
    inner_end, outer_edge = _socket_ends(seg, hip)
    rng = np.random.default_rng([1, 13])
    n = len(lesion.t)
    ends = np.stack([np.tile(inner_end, (n, 1)), np.tile(outer_edge, (n, 1))])
    ends[:, 1:] += _EDGE_SD_MM * rng.standard_normal((2, n - 1, 2))
    half = 0.5 * (ends[1] - ends[0])
    length = np.linalg.norm(half, axis=1)
    outward = half / length[:, None]
    middle = ends[0] + half
    points, inner, outer = _cut(lesion, hip)
    knots = np.linspace(float(lesion.t.min()), float(lesion.t.max()), _KNOTS)
    # The lesion's outermost place along each draw's direction, by its rim: directions differ little, so the rim is
    # taken along the reading's and turned with it.
    reach = []
    for t in knots:
        distance = inner + t * (outer - inner)
        dead = distance < 0.0
        if not dead.any():
            reach.append(-np.inf)
            continue
        reach.append(float((points[dead] @ outward[0] - distance[dead]).max()))
    known = np.isfinite(reach)
    if not known.any():
        return np.zeros(n)
    along = np.interp(lesion.t, knots[known], np.array(reach)[known])
    return np.asarray(np.maximum((along - np.einsum("nj,nj->n", middle, outward)) / length, 0.0))


def _socket_ends(seg: Segmentation, hip: ScanHip) -> tuple[Floats, Floats]:
    """(2,) lower inner end and outer edge of the socket on the cut, (medial, proximal) mm."""
    from scipy.ndimage import map_coordinates

    radius = float(hip.head_radius[0])
    angle = np.radians(np.arange(-180.0, 180.0, _STEP_DEG))  # from straight up, medial positive
    reach = np.arange(radius + _JOINT_MM[0], radius + _JOINT_MM[1], 0.5)
    x = np.sin(angle)[:, None] * reach
    z = np.cos(angle)[:, None] * reach
    points = np.stack([x, np.zeros_like(x), z], axis=-1) + hip.head_centre[0]
    index = np.moveaxis(seg.grid.index(hip.lps(points)), -1, 0)[::-1]
    share: Floats = map_coordinates(seg.pelvis.astype(np.float64), index, order=1, mode="constant")
    bone: NDArray[np.bool_] = np.asarray(share > 0.5)
    there: NDArray[np.bool_] = np.asarray(np.any(bone, axis=1))
    first = np.argmax(bone, axis=1)
    start = int(np.argmin(np.abs(np.degrees(angle) - 30.0)))  # the roof, a little medial of straight up
    near = np.flatnonzero(there & (np.abs(np.degrees(angle) - 30.0) < 30.0))
    if not near.size:
        raise TooFewError("There is no socket over the head on the mid-coronal cut of these outlines.")
    start = int(near[np.argmin(np.abs(near - start))])
    gap = int(_GAP_DEG / _STEP_DEG)

    def end(way: int) -> int:
        at, missed = start, 0
        k = start
        while 0 <= k + way < len(angle) and missed <= gap:
            k += way
            missed = 0 if there[k] else missed + 1
            at = k if there[k] else at
        return at

    inner, outer = end(+1), end(-1)
    if (inner - outer) * _STEP_DEG < _LEAST_ARC_DEG:
        raise TooFewError(
            "The socket is seen over less than 60 degrees on the mid-coronal cut, so its weight-bearing portion "
            "has no ends."
        )

    def place(k: int, way: int) -> Floats:
        # The last direction grazes the bone's corner: how far out the socket lies there is taken a little inside.
        near = k + way * np.arange(1, _INSIDE + 1)
        away = float(np.median(reach[first[near[there[near]]]])) if there[near].any() else float(reach[first[k]])
        return np.asarray(np.array([np.sin(angle[k]), np.cos(angle[k])]) * away)

    return place(inner, -1), place(outer, +1)


def _cut(lesion: Lesion, hip: ScanHip) -> tuple[Floats, Floats, Floats]:
    """Points (k, 2) (medial, proximal) of the mid-coronal cut around the head and the lesion's distances there."""
    from scipy.ndimage import map_coordinates

    radius = float(hip.head_radius[0])
    ticks = np.arange(-1.3 * radius, 1.3 * radius, 0.5)
    x, z = np.meshgrid(ticks, ticks, indexing="ij")
    points = np.stack([x.ravel(), np.zeros(x.size), z.ravel()], axis=-1)
    index = np.moveaxis(lesion.grid.index(hip.lps(points + hip.head_centre[0])), -1, 0)[::-1]
    inner, outer = (
        np.asarray(map_coordinates(field, index, order=1, mode="nearest"), np.float64)
        for field in (lesion.inner_mm, lesion.outer_mm)
    )
    return points[:, [0, 2]], inner, outer

"""What of one hip no placement changes: where the head-neck part ends, its volumes, its narrowest neck.

In: `SpaceHip`. Out: `Bone`, worked out once a reading and kept while that reading is in
use. The **side plane** ends the part that a cut takes away: a saw stops at the saddle
between neck and greater trochanter, and what lies lateral of it stays. It is parallel to
the shaft and stands on the lowest point of the femur's upper rim between head and trochanter.
"""

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from headstock.geometry.distance import Sampled
from headstock.planning.space.fields import BoneVoxels, SpaceHip
from headstock.planning.space.nodes import Nodes, nodes_of
from headstock.planning.space.places import Rows

__all__ = ["Bone", "bone_of", "first_exit"]

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]
_BAND_MM: Final = 8.0  # width about the plane of neck and shaft in which the upper rim is looked at
_RISE_MM: Final = 3.0  # a saddle shallower than this is none
_DIRECTIONS: Final = 72
DEPTH_STEP_MM: Final = 1.0
_JUNCTION_MARGIN_MM: Final = 4.0  # what pole and axis of a draw can move its junction beyond its height
FIRST_DEPTH_MM: Final = -20.0  # above any bone that stands out of the head's sphere


@dataclass(frozen=True, slots=True, eq=False)
class Bone:
    """`side_point`, `side_normal` (3,) of the side plane, normal toward the head; None where there is no saddle.

    `volumes` (k, m): volume of each voxel in mm3 with the surface at each edge of `nodes`. `head_at` (h,): voxels that
    may lie above the head-neck junction of some draw, `head_mm3` (k, h) what of each is medial of the side plane,
    `bins` (h,) its depth in steps of `DEPTH_STEP_MM` from `FIRST_DEPTH_MM`; `head_above` (k, b): bone above each of
    these depths, cm3.
    `dead` (l, d): dead share at each rim of `nodes`, of the voxels `dead_at` (d,) that can be dead.
    `dead_deepest_mm` (l,): depth of the deepest dead bone at each rim, `dead_deepest_at` (3,) its place on the reading.
    `neck_width_mm`, `neck_depth_mm`: widest diameter of the narrowest section, and its
    depth. `spongy_HU`: mean of head and neck's sound bone inside the cortex.
    """

    nodes: Nodes
    side_point: Floats | None
    side_normal: Floats | None
    volumes: Floats32
    head_at: NDArray[np.intp]
    head_mm3: Floats32
    bins: NDArray[np.int64]
    head_above: Floats
    dead: Floats32
    dead_at: NDArray[np.intp]
    dead_deepest_mm: Floats
    dead_deepest_at: Floats
    neck_width_mm: float
    neck_depth_mm: float
    spongy_HU: float

    def above(self, depth: Floats, mm3: Floats32) -> Floats:
        """cm3 above depths (n,) of what the voxels of the head hold, `mm3` (h,)."""
        return self.at_depth(depth, _above(self.bins, mm3))

    def at_depth(self, depth: Floats, table: Floats) -> Floats:
        """A table by depth (b,) read between its steps."""
        return np.asarray(np.interp((depth - FIRST_DEPTH_MM) / DEPTH_STEP_MM, np.arange(len(table)), table))

    def aside(self, points: Floats) -> Floats32:
        """Distance medial of the side plane, mm, of points (..., 3); large where there is none."""
        if self.side_point is None or self.side_normal is None:
            return np.full(np.shape(points)[:-1], 1e3, np.float32)
        return np.asarray((points - self.side_point) @ self.side_normal, dtype=np.float32)


def bone_of(space: SpaceHip) -> Bone:
    """The unchanging facts of a hip; kept for the hips in use, so that dragging a part does not pay for them."""
    return _bone(_Key(space))


class _Key:
    """The reading behind a `SpaceHip`: the same for the whole hip and for its row 0 alone."""

    def __init__(self, space: SpaceHip) -> None:
        self.space = space
        whole = (id(space.femur), id(space.voxels), space.rows > 1)
        self.own = (*whole, space.hip.neck_axis[0].tobytes(), float(space.hip.head_radius[0]), float(space.t[0]))

    def __hash__(self) -> int:
        return hash(self.own)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Key) and self.own == other.own


@lru_cache(maxsize=4)
def _bone(key: _Key) -> Bone:
    space = key.space
    rows = Rows.of(space)
    reading = Rows.of(space, reading=True)
    nodes = nodes_of(rows)
    voxels = space.voxels
    side = _side_plane(space.femur, reading)
    medial = np.ones(len(voxels.points), np.float32)
    if side is not None:
        beside = (voxels.points - side[0]) @ side[1] / space.step_mm
        medial = np.clip(beside + 0.5, 0.0, 1.0).astype(np.float32)
    deepest_junction = float(rows.head_height.max()) + _JUNCTION_MARGIN_MM
    head_at = np.flatnonzero((voxels.depth_mm < deepest_junction) & (medial > 0.0))
    bins = np.floor((np.asarray(voxels.depth_mm[head_at], np.float64) - FIRST_DEPTH_MM) / DEPTH_STEP_MM)
    bins = np.maximum(bins, 0.0).astype(np.int64)
    volumes = np.stack([np.asarray(voxels.volume(float(edge)), np.float32) for edge in nodes.edge])
    head_mm3 = volumes[:, head_at] * medial[head_at]
    dead_at, dead = _dead(voxels, nodes, space)
    deepest, spot = _deepest(voxels, dead_at, nodes, reading)
    width, neck_depth = _narrowest(space.femur, reading)
    return Bone(
        nodes=nodes,
        side_point=None if side is None else side[0],
        side_normal=None if side is None else side[1],
        volumes=volumes,
        head_at=head_at,
        head_mm3=head_mm3,
        bins=bins,
        head_above=np.stack([_above(bins, own) for own in head_mm3]),
        dead=dead,
        dead_at=dead_at,
        dead_deepest_mm=deepest,
        dead_deepest_at=spot,
        neck_width_mm=width,
        neck_depth_mm=neck_depth,
        spongy_HU=_spongy(space, medial, neck_depth),
    )


def _dead(voxels: BoneVoxels, nodes: Nodes, space: SpaceHip) -> tuple[NDArray[np.intp], Floats32]:
    if space.lesion_inner is None or space.lesion_outer is None:
        return np.zeros(0, np.intp), np.zeros((len(nodes.t), 0), np.float32)
    shares = [np.asarray(voxels.dead_share(float(t)), np.float32) for t in nodes.t]
    at = np.flatnonzero(np.max(shares, axis=0) > 0.0)
    return at, np.stack([share[at] for share in shares])


def _deepest(voxels: BoneVoxels, at: NDArray[np.intp], nodes: Nodes, reading: Rows) -> tuple[Floats, Floats]:
    """Depth of the deepest dead bone at each rim, and its place at the reading's own rim.

    A ball of radius d fits in the dead bone around a point d inside its rim: the deepest of all balls is the
    deepest point, to second order in the distance between voxels.
    """
    spot, deepest = np.zeros(3), np.zeros(len(nodes.t))
    if not len(at):
        return deepest, spot
    inner, outer = (np.asarray(v[at], np.float64) for v in (voxels.lesion_inner_mm, voxels.lesion_outer_mm))
    points, depth = np.asarray(voxels.points[at], np.float64), np.asarray(voxels.depth_mm[at], np.float64)
    for k, t in enumerate(nodes.t):
        inside = -(inner + t * (outer - inner))
        reach = np.where(inside > 0.0, depth + inside, -np.inf)
        best = int(np.argmax(reach))
        if np.isfinite(reach[best]):
            deepest[k] = reach[best]
        if t == reading.t[0]:
            spot = points[best] - max(float(inside[best]), 0.0) * reading.neck_axis[0]
    return deepest, spot


def _side_plane(femur: Sampled, reading: Rows) -> tuple[Floats, Floats] | None:
    """Point and normal (toward the head) of the side plane."""
    if reading.shaft_axis is None or reading.shaft_point is None:
        return None
    shaft, front = reading.shaft_axis[0], reading.front[0]
    normal = np.cross(front, shaft)
    if normal @ reading.neck_axis[0] < 0.0:
        normal = -normal
    centre, radius = reading.head_centre[0], float(reading.head_radius[0])
    offset = float((centre - reading.shaft_point[0]) @ normal)
    beside = np.arange(0.6 * radius, offset + 12.0, 1.0)
    across = np.arange(-0.5 * _BAND_MM, 0.5 * _BAND_MM + 1.0, 2.0)
    up = np.arange(radius, -1.8 * radius, -0.5)
    grid = (
        centre
        - beside[:, None, None, None] * normal
        + across[None, :, None, None] * front
        + up[None, None, :, None] * shaft
    )
    inside = np.any(femur.at(grid) < 0.0, axis=1)
    top = np.where(inside.any(axis=1), up[np.argmax(inside, axis=1)], np.nan)
    if len(top) < 4 or np.isnan(top).any():
        top = np.where(np.isnan(top), up[-1], top)
    low = int(np.argmin(top))
    if low in (0, len(top) - 1) or top[low:].max() - top[low] < _RISE_MM:
        return None
    return np.asarray(centre - beside[low] * normal + top[low] * shaft), np.asarray(normal)


def _narrowest(femur: Sampled, reading: Rows) -> tuple[float, float]:
    """Widest diameter (mm) and depth of the neck's narrowest section, square to the neck axis below the junction."""
    radius, height = float(reading.head_radius[0]), float(reading.head_height[0])
    depths = np.arange(max(height - 4.0, radius), height + 1.2 * radius, 1.0)
    turn = np.linspace(0.0, 2.0 * np.pi, _DIRECTIONS, endpoint=False)
    way = np.cos(turn)[:, None] * reading.across[0] + np.sin(turn)[:, None] * reading.front[0]
    reach = np.arange(0.0, 1.6 * radius, 0.5)
    centres = reading.pole[0] - depths[:, None] * reading.neck_axis[0]
    points = centres[:, None, None, :] + reach[None, None, :, None] * way[None, :, None, :]
    values = np.asarray(femur.at(points), np.float64)
    edge = first_exit(values, 0.5)
    area = 0.5 * (2.0 * np.pi / _DIRECTIONS) * np.sum(edge**2, axis=1)
    best = int(np.argmin(area))
    half = _DIRECTIONS // 2
    widths = edge[best, :half] + edge[best, half:]
    return float(widths.max()), float(depths[best])


def first_exit(values: Floats, step_mm: float) -> Floats:
    """How far along each ray (last axis: signed distances every `step_mm`) bone reaches; the end when it stays."""
    outside = values > 0.0
    first = np.argmax(outside, axis=-1)
    before = np.maximum(first - 1, 0)
    a = np.take_along_axis(values, before[..., None], -1)[..., 0]
    b = np.take_along_axis(values, first[..., None], -1)[..., 0]
    share = np.where(first > 0, -a / np.where(b > a, b - a, 1.0), 0.0)
    end = (values.shape[-1] - 1) * step_mm
    return np.asarray(np.where(outside.any(axis=-1), (before + share) * step_mm * (first > 0), end))


def _above(bins: NDArray[np.int64], mm3: Floats32) -> Floats:
    """cm3 above the upper end of each step of depth, and above the last, (b + 1,)."""
    return np.concatenate([[0.0], np.cumsum(np.bincount(bins, weights=mm3))]) / 1000.0


def _spongy(space: SpaceHip, medial: Floats32, neck_depth: float) -> float:
    """Mean HU of head and neck's bone inside the cortex and outside dead bone, on the reading."""
    voxels = space.voxels
    own = (voxels.depth_mm < neck_depth) & (voxels.femur_mm < -4.0) & (medial > 0.0)
    own &= np.asarray(voxels.dead_share(float(space.t[0]))) < 0.01
    own &= np.asarray(space.inner.at(voxels.points)) < -0.5
    return float(np.mean(voxels.hu[own])) if own.sum() > 50 else float("nan")

"""Bone that goes away, and dead bone that stays: counted in voxels with their partial volumes.

In: a hip and one place. Out: arrays by name. A voxel goes away where it lies above the
cut and medial of the side plane (`bone.py`), or in what is carved for the part. Each is soft
over one voxel, so that numbers move smoothly while a part is dragged.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from headstock.implants.solid import Solid
from headstock.planning.space.bone import Bone
from headstock.planning.space.fields import SpaceHip
from headstock.planning.space.nodes import Nodes
from headstock.planning.space.places import Places, Rows

__all__ = ["head_cm3", "lesion_share_of_head", "lesion_values", "removed_shares", "sound_bone_start", "volumes"]

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]


def removed_shares(space: SpaceHip, facts: Bone, solid: Solid, places: Places) -> Floats32:
    """(m,) share of every voxel of the femur that goes away for the one place, 0 to 1."""
    from headstock.planning.space import _kernels as kernels

    points = space.voxels.points
    out = np.empty(len(points), np.float32)
    kernels.removed_shares(
        points,
        places.origin[0],
        np.ascontiguousarray(places.axes[0]),
        np.zeros(3) if facts.side_point is None else facts.side_point,
        np.zeros(3) if facts.side_normal is None else facts.side_normal,
        solid.carved.values,
        solid.carved.origin_mm,
        solid.carved.step_mm,
        space.step_mm,
        facts.side_point is None,
        out,
    )
    return out


def volumes(facts: Bone, shares: Floats32, rows: Rows, nodes: Nodes) -> dict[str, Floats]:
    """Bone removed in all, and of the head above each row's own head-neck junction, (n,); cm3 and %.

    The surface's error is taken at the edges of `nodes` and read between; the junction of a draw lies where its own
    sphere, axis and height put it.
    """
    edges = nodes.edge if rows.n > 1 else rows.edge
    own = facts.volumes[np.searchsorted(facts.nodes.edge, edges)]
    removed = (own @ shares).astype(np.float64) / 1000.0
    junction = junction_depth(rows)
    shares_of_head = shares[facts.head_at]
    head_mm3 = facts.head_mm3[np.searchsorted(facts.nodes.edge, edges)]
    gone = between_edges(edges, rows, [facts.above(junction, volume * shares_of_head) for volume in head_mm3])
    head = head_cm3(facts, rows, nodes)
    return {
        "bone_removed_cm3": np.interp(rows.edge, edges, removed),
        "head_volume_cm3": head,
        "head_removed_percent": 100.0 * np.clip(gone / head, 0.0, 1.0),
        "head_volume_kept_cm3": np.maximum(head - gone, 0.0),
    }


def head_cm3(facts: Bone, rows: Rows, nodes: Nodes) -> Floats:
    """Volume of the head above each row's own head-neck junction, (n,)."""
    edges = nodes.edge if rows.n > 1 else rows.edge
    own = facts.head_above[np.searchsorted(facts.nodes.edge, edges)]
    junction = junction_depth(rows)
    return np.maximum(between_edges(edges, rows, [facts.at_depth(junction, table) for table in own]), 1e-6)


def junction_depth(rows: Rows) -> Floats:
    """Where each row's head-neck junction lies on the reading's neck axis, as a depth below its pole, (n,)."""
    at = rows.head_centre + (rows.head_radius - rows.head_height)[:, None] * rows.neck_axis
    return np.asarray(rows.head_radius[0] - (at - rows.head_centre[0]) @ rows.neck_axis[0])


def between_edges(edges: Floats, rows: Rows, values: Sequence[Floats]) -> Floats:
    """Each row's number between those at the edges (k of (n,)), by its own error of the surface."""
    table = np.stack(values)
    if len(edges) == 1:
        return np.asarray(table[0])
    i = np.clip(np.searchsorted(edges, rows.edge, side="right") - 1, 0, len(edges) - 2)
    share = np.clip((rows.edge - edges[i]) / (edges[i + 1] - edges[i]), 0.0, 1.0)
    each = np.arange(rows.n)
    return np.asarray(table[i, each] * (1.0 - share) + table[i + 1, each] * share)


def lesion_values(facts: Bone, shares: Floats32, t: Floats) -> dict[str, Floats]:
    """Dead bone in all and left behind, for rims (r,) that are nodes of the facts; cm3 and %. Empty without any."""
    if not len(facts.dead_at):
        return {}
    own = facts.dead * facts.volumes[_zero(facts)][facts.dead_at]
    whole = own.sum(axis=1, dtype=np.float64) / 1000.0
    left = (own @ (1.0 - shares[facts.dead_at])).astype(np.float64) / 1000.0
    rows = np.searchsorted(facts.nodes.t, t)
    share = np.where(whole > 1e-6, left / np.maximum(whole, 1e-6), 0.0)
    return {
        "lesion_cm3": whole[rows],
        "lesion_left_cm3": left[rows],
        "lesion_left_percent": 100.0 * share[rows],
    }


def lesion_share_of_head(facts: Bone, rows: Rows, nodes: Nodes) -> Floats | None:
    """Dead bone over the head's volume, % (n,); None without dead bone."""
    if not len(facts.dead_at):
        return None
    own = (facts.dead @ facts.volumes[_zero(facts)][facts.dead_at]).astype(np.float64) / 1000.0
    dead = np.interp(rows.t, facts.nodes.t, own)
    return np.asarray(100.0 * np.clip(dead / head_cm3(facts, rows, nodes), 0.0, 1.0))


def sound_bone_start(facts: Bone, rows: Rows) -> Floats | None:
    """Depth of the deepest dead bone along the neck axis (n,); None without dead bone.

    A draw moves the rim, the pole and the axis.
    """
    if not len(facts.dead_at):
        return None
    start = rows.depth_of(facts.dead_deepest_at[None])
    moved = np.interp(rows.t, facts.nodes.t, facts.dead_deepest_mm)
    own = np.interp(rows.t[:1], facts.nodes.t, facts.dead_deepest_mm)
    return np.asarray(np.maximum(moved + start - own, 0.0))


def _zero(facts: Bone) -> int:
    """The node of the reading's own surface."""
    return int(np.flatnonzero(facts.nodes.edge == 0.0)[0])

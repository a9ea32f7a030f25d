"""Bone that goes away, and dead bone that stays: counted in voxels with their partial volumes.

In: a hip and one place. Out: arrays by name. A voxel goes away where it lies above the
cut and medial of the side plane (`bone.py`), or in what is carved for the part. Each is soft
over one voxel, so that numbers move smoothly while a part is dragged.
"""

import numpy as np
from numpy.typing import NDArray

from headstock.implants.solid import Solid
from headstock.planning.space.bone import Bone
from headstock.planning.space.fields import SpaceHip
from headstock.planning.space.places import Places, Rows

__all__ = ["lesion_share_of_head", "lesion_values", "removed_shares", "sound_bone_start", "volumes"]

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


def volumes(facts: Bone, shares: Floats32, edge: Floats) -> dict[str, Floats]:
    """Bone removed, of the head and in all, for errors of the surface (r,) that are nodes of the facts; cm3 and %."""
    used, rows = np.unique(np.searchsorted(facts.nodes.edge, edge), return_inverse=True)
    own = facts.volumes[used]
    removed = (own @ shares).astype(np.float64) / 1000.0
    head = (own @ facts.head).astype(np.float64) / 1000.0
    gone = (own @ (facts.head * shares)).astype(np.float64) / 1000.0
    kept = np.maximum(head - gone, 0.0)
    return {
        "bone_removed_cm3": removed[rows],
        "head_volume_cm3": head[rows],
        "head_removed_percent": 100.0 * gone[rows] / np.maximum(head[rows], 1e-9),
        "head_volume_kept_cm3": kept[rows],
    }


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
        "lesion_share_of_head_percent": 100.0 * np.clip(whole / facts.head_cm3, 0.0, 1.0)[rows],
    }


def lesion_share_of_head(facts: Bone, rows: Rows) -> Floats | None:
    """Dead bone over the head's volume, % (n,); None without dead bone."""
    if not len(facts.dead_at):
        return None
    own = facts.dead @ facts.volumes[_zero(facts)][facts.dead_at] / 1000.0
    share = 100.0 * np.clip(own.astype(np.float64) / facts.head_cm3, 0.0, 1.0)
    return np.asarray(np.interp(rows.t, facts.nodes.t, share))


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

"""What a placement leaves of the femur, as a surface to look at, and the wall of bone on it.

In: `SpaceHip`, `Solid`, the part's origin (3,) and axes (3, 3) in the hip frame
(`SpacePose.origin_mm`, `.matrix`). Out: meshes in the hip frame, mm a vertex.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from headstock.geometry.distance import Sampled
from headstock.geometry.mesh import Mesh, surface_of
from headstock.implants.solid import Solid
from headstock.planning.space.fields import FAR_MM, SpaceHip, beyond_scan_mm

__all__ = ["SidePlane", "bone_left", "wall_map"]

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]
SidePlane = tuple[Floats, Floats]  # a point, and the normal toward the head: bone on its other side stays
_STEP_MM: Final = 1.5


def bone_left(
    space: SpaceHip,
    solid: Solid,
    origin: Floats,
    axes: Floats,
    side: SidePlane | None = None,
    step_mm: float = _STEP_MM,
) -> Mesh:
    """The femur after the cut and the reaming, closed, as far as the scan shows it; for display.

    Bone above the cut goes away where it lies on the near side of `side` (the plane between neck and greater
    trochanter); what is carved for the part goes away too. Edges are rounded by about `step_mm`.
    """
    low = space.femur.origin_mm
    high = low + space.femur.step_mm * (np.array(space.femur.values.shape) - 1)
    n = np.floor((high - low) / step_mm).astype(int) + 1
    grid = np.moveaxis(np.indices(tuple(n)), 0, -1) * step_mm + low
    left = np.maximum(space.femur.at(grid), beyond_scan_mm(space, grid))
    np.maximum(left, -_gone(solid, grid, origin, axes, side), out=left)
    return surface_of(left, low, step_mm)


def wall_map(
    space: SpaceHip, solid: Solid, origin: Floats, axes: Floats, mesh: Mesh, side: SidePlane | None = None
) -> Floats32:
    """(n,) wall of bone at the vertices of a surface, mm: the way to the part's hole plus the way to the outer surface.

    On the outer surface it is what is left between it and the hole; in the hole what is left behind its wall; on the
    cut face both together. 0 where the hole breaks through. NaN at vertices that go away with the cut. A
    cap is judged by its pin.
    """
    vertices = mesh.vertices
    hole = np.full(len(vertices), FAR_MM, np.float32)
    if solid.buried is not None:
        hole = np.maximum(solid.buried.at(vertices, origin=origin, axes=axes), np.float32(0.0))
    wall = hole + np.maximum(-space.femur.at(vertices), np.float32(0.0))
    height = (vertices - origin) @ axes[:, 2]
    cut = height > 0.5 * _STEP_MM
    if side is not None:
        cut &= (vertices - side[0]) @ side[1] > 0.5 * _STEP_MM
    return np.asarray(np.where(cut, np.float32(np.nan), wall), np.float32)


def _gone(solid: Solid, points: Floats, origin: Floats, axes: Floats, side: SidePlane | None) -> Floats32:
    """Signed distance to what is taken away, negative within."""
    above = ((origin - points) @ axes[:, 2]).astype(np.float32)
    if side is not None:
        above = np.maximum(above, ((side[0] - points) @ side[1]).astype(np.float32))
    return np.asarray(np.minimum(above, _carved(solid.carved, points, origin, axes)))


def _carved(carved: Sampled, points: Floats, origin: Floats, axes: Floats) -> Floats32:
    return carved.at(points, origin=origin, axes=axes)

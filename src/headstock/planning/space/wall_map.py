"""How much bone a placement leaves around the part, at every vertex of the femur's surface.

In: `SpaceHip`, a placement or a part's `Solid` with its origin (3,) and axes (3, 3) in the hip frame
(`SpacePose.origin_mm`, `.matrix`); vertices (n, 3), hip frame. Out: mm a vertex.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from headstock.implants import Catalogue, Placement
from headstock.implants.solid import Solid
from headstock.implants.solid import solid as solid_of
from headstock.planning.space.bone import bone_of
from headstock.planning.space.fields import FAR_MM, SpaceHip
from headstock.planning.space.places import Places

__all__ = ["SidePlane", "wall_left_mm", "wall_map"]

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]
SidePlane = tuple[Floats, Floats]  # a point, and the normal toward the head: bone on its other side stays
_FACE_MM: Final = 0.75  # half a step of a drawn surface: a vertex this near the cut lies on its face


def wall_map(space: SpaceHip, placement: Placement, catalogue: Catalogue, vertices: Floats) -> Floats32:
    """(n,) wall of bone that a placement leaves, as `wall_left_mm`, with the part where it was placed."""
    places, facts = Places.of(placement), bone_of(space)
    side = None
    if facts.side_point is not None and facts.side_normal is not None:
        side = (facts.side_point, facts.side_normal)
    solid = solid_of(catalogue.component(placement))
    return wall_left_mm(space, solid, places.origin[0], places.axes[0], vertices, side)


def wall_left_mm(
    space: SpaceHip, solid: Solid, origin: Floats, axes: Floats, vertices: Floats, side: SidePlane | None = None
) -> Floats32:
    """(n,) wall of bone at the vertices of a surface, mm: the way to the part's hole plus the way to the outer surface.

    On the outer surface it is what is left between it and the hole; in the hole what is left behind its wall; on the
    cut face both together. 0 where the hole breaks through. NaN at vertices that go away with the cut. A
    cap is judged by its pin.
    """
    hole = np.full(len(vertices), FAR_MM, np.float32)
    if solid.buried is not None:
        hole = np.maximum(solid.buried.at(vertices, origin=origin, axes=axes), np.float32(0.0))
    wall = hole + np.maximum(-space.femur.at(vertices), np.float32(0.0))
    cut = (vertices - origin) @ axes[:, 2] > _FACE_MM
    if side is not None:
        cut &= (vertices - side[0]) @ side[1] > _FACE_MM
    return np.asarray(np.where(cut, np.float32(np.nan), wall), np.float32)

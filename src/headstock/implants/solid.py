"""A component as a solid: signed distance, mesh, seat, and what is taken away for it.

Component frame in space, mm: origin where the component's axis crosses the cut
plane, **z** along that axis toward the head, **x** medial (the x of the family's AP
outline), **y** anterior. A right hip is mirrored into the hip frame and a part is
not: one that has a left and a right form says so in its family.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from headstock.geometry.distance import Sampled
from headstock.geometry.mesh import Mesh

__all__ = ["Sampled", "Solid"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Solid:
    """One component (one size of one family) in space, component frame.

    `body`: what stays in the patient of the femoral part, without head ball. `carved`: what is
    taken out of the bone below the cut plane for it (the reamed shape, with its overrun). `mesh`:
    watertight surface of the body. `seat_points` (k, 3), `seat_normals` (k, 3) outward from the part
    into bone, `seat_areas_mm2` (k,): the surface that must stand on bone (the family's seat), the
    points even in area. `tail_points` (t, 3): the rest of what lies in bone. `volume_mm3` of the body.
    """

    body: Sampled
    carved: Sampled
    mesh: Mesh
    seat_points: Floats
    seat_normals: Floats
    seat_areas_mm2: Floats
    tail_points: Floats
    volume_mm3: float
    notes: Mapping[str, str]

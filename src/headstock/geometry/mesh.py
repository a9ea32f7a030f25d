"""A triangle mesh and its measures.

Vertices in mm in the caller's frame; faces turn counter-clockwise seen from
outside. Booleans and distances between meshes are trimesh's and manifold3d's.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Mesh"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Mesh:
    """`vertices` (n, 3) mm, `faces` (m, 3) vertex numbers."""

    vertices: Floats
    faces: NDArray[np.int64]

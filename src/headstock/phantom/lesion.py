"""Bodies inside the head: a dead sector, a cyst, their sclerotic rims, a crescent line.

In: a femur and the values of spec.py. Out: closed surfaces in the hip frame,
mm, each cut off at the inside of the cortex of the (already collapsed) head.
The density and form are invented; a sector is the part of the head inside a
ball that meets the surface at the stated angle and reaches the stated depth.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from headstock.errors import FrameError
from headstock.phantom.femur import Femur, direction_in_head
from headstock.phantom.shape import Surface
from headstock.phantom.spec import Cyst, DeadSector

__all__ = ["Body", "ball", "bodies_of", "necrotic_arc_deg"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Body:
    """One lesion: the body without its rim, the rim's outer surface, its centre; hip frame, mm.

    `density_share`: trabecular density inside, as a share of sound bone's.
    `on_surface`: (k, 3) directions from the head centre where the body reaches the cortex.
    """

    kind: str
    body: Surface
    rim: Surface
    centre: Floats
    density_share: float
    on_surface: Floats
    crescent: tuple[Surface, Surface] | None = None


def _icosphere(rounds: int) -> Surface:
    golden = (1.0 + 5.0**0.5) / 2.0
    corners = [(-1, golden, 0), (1, golden, 0), (-1, -golden, 0), (1, -golden, 0)]
    points = np.array(corners + [(z, x, y) for x, y, z in corners] + [(y, z, x) for x, y, z in corners], dtype=float)
    from scipy.spatial import ConvexHull

    points /= np.linalg.norm(points, axis=1, keepdims=True)
    hull = ConvexHull(points)
    faces = np.asarray(hull.simplices, dtype=np.int64)
    a, b, c = (points[faces[:, i]] for i in range(3))
    inward = np.einsum("ij,ij->i", np.cross(b - a, c - a), a + b + c) < 0.0
    faces[inward] = faces[inward][:, ::-1]
    for _ in range(rounds):
        edges = np.sort(np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]), axis=1)
        unique, inverse = np.unique(edges, axis=0, return_inverse=True)
        inverse = inverse.reshape(-1)
        middle = points[unique].mean(axis=1)
        middle /= np.linalg.norm(middle, axis=1, keepdims=True)
        n, m = len(points), len(faces)
        ab, bc, ca = (n + inverse[i * m : (i + 1) * m] for i in range(3))
        points = np.concatenate([points, middle])
        a_, b_, c_ = faces.T
        faces = np.concatenate(
            [np.stack(t, axis=1) for t in ((a_, ab, ca), (ab, b_, bc), (ca, bc, c_), (ab, bc, ca))]
        ).astype(np.int64)
    return Surface(points, faces)


def ball(centre: Floats, radius: float, rounds: int = 4) -> Surface:
    """A sphere as a closed surface (`rounds` 4: 5,120 faces, flat within 0.1 % of the radius)."""
    unit = _icosphere(rounds)
    return unit.moved(np.asarray(centre) + radius * unit.vertices)


class _HeadInside:
    """How far the inside of the cortex lies from the head centre, by direction."""

    def __init__(self, femur: Femur) -> None:
        from scipy.spatial import cKDTree

        points = femur.canal.vertices
        depth = -(points @ femur.axes.neck_axis)
        mine = (np.linalg.norm(points, axis=1) < 1.5 * femur.axes.head.radius) & (depth < 1.2 * femur.axes.head.radius)
        points = points[mine]
        self._reach = np.linalg.norm(points, axis=1)
        self._tree = cKDTree(points / self._reach[:, None])

    def reach(self, directions: Floats) -> Floats:
        """mm from the head centre along unit `directions` (n, 3)."""
        found, index = self._tree.query(directions, k=4)
        distance = np.asarray(found)
        weight = 1.0 / (distance + 1e-4) ** 2
        return np.asarray((self._reach[index] * weight).sum(axis=1) / weight.sum(axis=1))


def _star(
    inside: _HeadInside, centre: Floats, free: Floats, unit: Surface, shrink: float
) -> tuple[Surface, NDArray[np.bool_]]:
    """A body star-shaped about `centre`: radius `free` (n,) by direction, cut at the head's inside less `shrink`."""
    low, high = np.zeros(len(free)), free.copy()

    def outside(radius: Floats) -> NDArray[np.bool_]:
        points = centre + radius[:, None] * unit.vertices
        distance = np.linalg.norm(points, axis=1)
        safe = np.maximum(distance, 1e-9)
        return np.asarray(distance > inside.reach(points / safe[:, None]) - shrink)

    cut = outside(high)
    for _ in range(16):
        middle = 0.5 * (low + high)
        out = outside(middle)
        high = np.where(cut & out, middle, high)
        low = np.where(cut & ~out, middle, low)
    radius = np.where(cut, 0.5 * (low + high), free)
    return unit.moved(centre + np.maximum(radius, 0.05)[:, None] * unit.vertices), cut


def _to_ball(centre: Floats, ball_centre: Floats, radius: float, directions: Floats) -> Floats:
    """Distance from `centre` (inside a ball) to the ball's surface along unit directions."""
    offset = centre - ball_centre
    along = directions @ offset
    return np.asarray(-along + np.sqrt(along**2 - offset @ offset + radius**2))


def _sector(femur: Femur, inside: _HeadInside, spec: DeadSector) -> Body:
    radius = femur.axes.head.radius
    axis = direction_in_head(spec.anterior_deg, spec.medial_deg)
    cosine = float(np.cos(np.radians(spec.half_angle_deg)))
    least = radius * (1.0 - cosine)
    if not (5.0 <= spec.half_angle_deg <= 100.0 and least + 1.0 <= spec.depth_mm <= 1.7 * radius):
        raise FrameError(
            f"A sector of {spec.half_angle_deg} degrees half-angle and {spec.depth_mm} mm depth does not fit a head "
            f"of {radius:.1f} mm radius. Give 5 to 100 degrees and a depth between {least + 1.0:.1f} and "
            f"{1.7 * radius:.1f} mm."
        )
    floor = radius - spec.depth_mm  # along the axis, from the head centre
    ball_at = (radius**2 - floor**2) / (2.0 * (radius * cosine - floor))
    ball_radius = ball_at - floor
    middle = 0.5 * (floor + radius - spec.collapse_mm - 1.0) * axis
    unit = _icosphere(4)
    free = _to_ball(middle, ball_at * axis, ball_radius, unit.vertices)
    rim, _ = _star(inside, middle, free, unit, 0.0)
    body, cut = _star(inside, middle, np.maximum(free - spec.rim_mm, 0.2), unit, 0.0)
    crescent = None
    if spec.crescent:
        inner_angle = spec.half_angle_deg * 0.75
        above, below = (
            _star(inside, middle, _cone_limited(middle, axis, inner_angle, unit.vertices, radius), unit, shrink)[0]
            for shrink in (0.6, 1.5)
        )
        crescent = (above, below)
    reach = body.vertices[cut]
    return Body("dead_sector", body, rim, middle, spec.density_share, reach, crescent)


def _cone_limited(middle: Floats, axis: Floats, half_angle_deg: float, directions: Floats, radius: float) -> Floats:
    """Long inside a cone about `axis` seen from `middle`, short outside: two such shells differ only under the dome."""
    angle = np.degrees(np.arccos(np.clip(directions @ axis, -1.0, 1.0)))
    return np.where(angle < half_angle_deg * 1.2, 3.0 * radius, 1.0)


def _cyst(femur: Femur, inside: _HeadInside, spec: Cyst) -> Body:
    radius = femur.axes.head.radius
    if not 2.0 <= spec.diameter_mm <= 1.4 * radius:
        raise FrameError(
            f"A cyst of {spec.diameter_mm} mm does not fit a head of {radius:.1f} mm radius. "
            f"Give 2 to {1.4 * radius:.0f} mm."
        )
    axis = direction_in_head(spec.anterior_deg, spec.medial_deg)
    centre = (radius - spec.cover_mm - 0.5 * spec.diameter_mm) * axis
    unit = _icosphere(4)
    # A real cyst is not a ball: a slow, fixed waviness keeps its outline from being a circle.
    wave = 1.0 + 0.05 * np.sin(3.0 * np.arctan2(unit.vertices[:, 1], unit.vertices[:, 0])) * (
        1.0 - unit.vertices[:, 2] ** 2
    )
    free = 0.5 * spec.diameter_mm * wave
    body, cut = _star(inside, centre, free, unit, 0.0)
    rim, _ = _star(inside, centre, free + spec.rim_mm, unit, 0.0)
    return Body("cyst", body, rim, centre, 0.0, body.vertices[cut])


def bodies_of(femur: Femur, sector: DeadSector | None, cysts: tuple[Cyst, ...]) -> tuple[Body, ...]:
    """Every lesion of one head, the sector first.

    Raises
    ------
    FrameError
        A lesion that does not fit the head.
    """
    if sector is None and not cysts:
        return ()
    inside = _HeadInside(femur)
    found = [] if sector is None else [_sector(femur, inside, sector)]
    return tuple(found + [_cyst(femur, inside, cyst) for cyst in cysts])


def necrotic_arc_deg(directions: Floats, across: Floats, up: Floats) -> float:
    """Arc (degrees) of the directions (n, 2+) as seen on the plane of two unit axes from the head centre.

    The largest gap between neighbours, taken from 360: right for arcs beyond 180.
    """
    angle = np.sort(np.degrees(np.arctan2(directions @ up, directions @ across)))
    if len(angle) < 2:
        return 0.0
    gaps = np.diff(np.concatenate([angle, angle[:1] + 360.0]))
    return float(360.0 - gaps.max())

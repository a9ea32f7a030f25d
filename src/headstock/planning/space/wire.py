"""Guide wire and height of the cut in space: what films give (planning/wire.py), from the scan.

In: `SpaceHip` and a placement. Out: `Guide`, the same value as on films. The tip of the greater trochanter is
the highest point of the femur along the shaft, lateral of the side plane; that of the lesser trochanter
the point that stands out farthest backward and medially below the base of the neck. Points
placed by a reader may be given instead.
"""

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from headstock.implants import Catalogue, Placement
from headstock.measured import Measured, measured, missing
from headstock.planning.space.bone import Bone, bone_of
from headstock.planning.space.fields import SpaceHip
from headstock.planning.space.places import Places, Rows
from headstock.planning.space.quantities import alignment
from headstock.planning.wire import Guide
from headstock.units import Unit

__all__ = ["greater_trochanter_mm", "guide_in_space", "lesser_trochanter_mm"]

Floats = NDArray[np.float64]
TIP_SD_MM: Final = 2.5  # definition: how well the tip of a rounded prominence is told, along each axis
_NO_SHAFT: Final = "The scan does not show the shaft, so its axis is not known."
_BELOW_MM: Final = (5.0, 50.0)  # below the base of the neck along the shaft, where the lesser trochanter is looked for
_STANDS_OUT_MM: Final = 3.0


def guide_in_space(
    space: SpaceHip,
    placement: Placement,
    catalogue: Catalogue,
    *,
    greater_trochanter_hip_mm: ArrayLike | None = None,
    lesser_trochanter_hip_mm: ArrayLike | None = None,
    seed: int = 1,
) -> Guide:
    """Guide wire and cut height of a placement, with 95 % intervals; points (3,) in the hip frame."""
    component = catalogue.component(placement)
    places, rows, facts = Places.of(placement), Rows.of(space), bone_of(space)
    angles = alignment(rows, component, places)

    def number(array: Floats, unit: Unit, source: str) -> Measured:
        return measured(np.ascontiguousarray(np.broadcast_to(array, (rows.n,))), unit, source)

    out = _entry(rows, places)
    shaft = missing("deg", "wire to the shaft", _NO_SHAFT)
    if "axis_to_shaft_deg" in angles:
        shaft = number(angles["axis_to_shaft_deg"], "deg", "wire to the shaft axis, in space")
    rng = np.random.default_rng(seed)
    corners = _corners(space, rows, facts, places)
    heights = {}
    for name, given, found, which, words in (
        ("greater", greater_trochanter_hip_mm, greater_trochanter_mm, 0, "tip of the greater trochanter"),
        ("lesser", lesser_trochanter_hip_mm, lesser_trochanter_mm, 1, "lesser trochanter"),
    ):
        source = f"straight from the {'lateral' if which == 0 else 'medial'} end of the cut to the {words}"
        mark = found(space) if given is None else np.asarray(given, np.float64)
        if mark is None:
            heights[name] = missing("mm", source, f"The {words} is not seen on this scan. Mark it.")
        elif corners is None:
            heights[name] = missing("mm", source, "The cut does not cross the femur on both sides. Move it.")
        else:
            tip = np.tile(mark, (rows.n, 1))
            tip[1:] += rng.normal(0.0, TIP_SD_MM, (rows.n - 1, 3))
            heights[name] = number(np.linalg.norm(corners[which] - tip, axis=1), "mm", source)
    return Guide(
        number(
            np.sum(out * rows.across, axis=1), "mm", "where the wire leaves the head's sphere, across the neck axis"
        ),
        shaft,
        number(np.sum(out * rows.front, axis=1), "mm", "where the wire leaves the head's sphere, to its front"),
        number(angles["anterior_to_neck_deg"], "deg", "wire to the neck axis, square to the plane of neck and shaft"),
        heights["greater"],
        heights["lesser"],
        number(
            90.0 + angles["valgus_to_neck_deg"], "deg", "plane of the cut to the neck axis, in its plane with the shaft"
        ),
    )


def _entry(rows: Rows, places: Places) -> Floats:
    """(n, 3) from the head's centre to where the component's axis leaves the head's sphere."""
    axis = places.axis
    start = places.origin - rows.head_centre
    along = np.sum(start * axis, axis=1)
    miss = np.clip(rows.head_radius**2 - (np.sum(start**2, axis=1) - along**2), 0.0, None)
    return np.asarray(start + (np.sqrt(miss) - along)[:, None] * axis)


def _corners(space: SpaceHip, rows: Rows, facts: Bone, places: Places) -> tuple[Floats, Floats] | None:
    """Lateral and medial end of the cut in the plane of neck and shaft, (n, 3); None where the cut misses the bone."""
    origin, normal = places.origin[0], places.axis[0]
    way = rows.across[0] - (rows.across[0] @ normal) * normal
    way = way / np.linalg.norm(way)
    reach = np.arange(0.0, 2.5 * float(rows.head_radius[0]), 0.25)
    ends = []
    for sign in (-1.0, 1.0):
        points = origin + sign * reach[:, None] * way
        outside = (np.asarray(space.femur.at(points)) > 0.0) | (facts.aside(points) < 0.0)
        if outside[0] or not outside.any():
            return None
        end = points[int(np.argmax(outside))] - 0.125 * sign * way
        ends.append(end + sign * rows.edge[:, None] * way)
    return ends[0], ends[1]


def greater_trochanter_mm(space: SpaceHip) -> Floats | None:
    """(3,) tip of the greater trochanter in the hip frame; None where no saddle sets it off from the neck."""
    facts, rows = bone_of(space), Rows.of(space, reading=True)
    if facts.side_point is None or rows.shaft_axis is None:
        return None
    points = np.asarray(space.voxels.points, np.float64)
    own = (space.voxels.femur_mm < 0.0) & (facts.aside(points) < -2.0)
    return _farthest(points[own], rows.shaft_axis[0])


def lesser_trochanter_mm(space: SpaceHip) -> Floats | None:
    """(3,) tip of the lesser trochanter in the hip frame; None where nothing stands out there."""
    rows = Rows.of(space, reading=True)
    if rows.shaft_axis is None or rows.shaft_point is None or rows.base_depth is None:
        return None
    shaft, line = rows.shaft_axis[0], rows.shaft_point[0]
    base = rows.pole[0] - rows.base_depth[0] * rows.neck_axis[0]
    points = np.asarray(space.voxels.points, np.float64)
    below = -(points - base) @ shaft
    own = (space.voxels.femur_mm < 0.0) & (below > _BELOW_MM[0]) & (below < _BELOW_MM[1])
    if own.sum() < 100:
        return None
    points, below = points[own], below[own]
    medial = np.cross(rows.front[0], shaft)
    out = 0.5 * medial - np.sqrt(0.75) * rows.front[0]
    reach = (points - line) @ out
    lowest = reach[below > _BELOW_MM[1] - 5.0]
    if not len(lowest) or reach.max() - lowest.max() < _STANDS_OUT_MM:
        return None
    return _farthest(points, out)


def _farthest(points: Floats, way: Floats) -> Floats | None:
    if len(points) < 50:
        return None
    along = points @ way
    return np.asarray(points[along > along.max() - 1.0].mean(axis=0))

"""A placement on a scan as three-dimensional pictures need it: matrices, points and axes in the patient's frame.

In: `SpaceHip`, a placement. Out: `SpaceView`, LPS, mm. On a right hip the matrix of the component mirrors: the hip
frame does.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from headstock.implants import Catalogue, Placement
from headstock.implants.solid import solid as solid_of
from headstock.planning.space.bone import bone_of
from headstock.planning.space.fields import SpaceHip
from headstock.planning.space.places import Places
from headstock.planning.space.quantities import dead_mm, new_head_centre, wall
from headstock.planning.space.socket import cup_axis

__all__ = ["SpaceView", "space_view"]

Floats = NDArray[np.float64]
SOUND: Final = 1
DEAD: Final = 0
NO_BONE: Final = -1
_WIRE_ABOVE_MM: Final = 25.0  # drawn beyond the head


@dataclass(frozen=True, slots=True, eq=False)
class SpaceView:
    """LPS, mm. `component_to_lps` (4, 4) takes the component's mesh there; `hip_axes` (3, 3) rows medial, anterior,
    proximal; `cut_point`, `cut_normal` (3,), normal toward the head; `wire` (2, 3); centres and axes (3,), None without
    a cup. `seat_points` (k, 3), `seat_state` (k,) 1 on sound bone, 0 on dead or uncertain bone, -1 not on bone,
    `seat_wall_mm` (k,). `least_wall_at` (3,), None for a part with nothing inside the bone.
    """

    component: str
    component_to_lps: Floats
    hip_axes: Floats
    cut_point: Floats
    cut_normal: Floats
    wire: Floats
    head_centre: Floats
    head_radius_mm: float
    cup_centre: Floats | None
    cup_radius_mm: float | None
    cup_axis: Floats | None
    least_wall_at: Floats | None
    seat_points: Floats
    seat_state: NDArray[np.int64]
    seat_wall_mm: Floats
    side_point: Floats | None
    side_normal: Floats | None


def space_view(space: SpaceHip, placement: Placement, catalogue: Catalogue) -> SpaceView:
    """The placement on the reading itself. A seat within the outer estimate of dead bone counts as uncertain."""
    places, facts = Places.of(placement), bone_of(space)
    component = catalogue.component(placement)
    solid, hip = solid_of(component), space.hip
    origin, axes = places.origin[0], places.axes[0]
    matrix = np.eye(4)
    matrix[:3, :3], matrix[:3, 3] = hip.to_lps @ axes, hip.lps(origin)
    centre = new_head_centre(component, places, placement.neck_length_mm)[0]
    top = origin + (float((centre - origin) @ axes[:, 2]) + 0.5 * placement.head_diameter_mm) * axes[:, 2]
    lowest = float(component.ap.body_mm[:, 1].min())
    wire = np.stack([top + _WIRE_ABOVE_MM * axes[:, 2], origin + lowest * axes[:, 2]])
    points = places.points(solid.seat_points)
    walls = -np.asarray(space.femur.at(points), np.float64)[0]
    outer = dead_mm(space, points, np.ones(1))
    state = np.where(walls <= 0.0, NO_BONE, SOUND)
    if outer is not None:
        state = np.where((outer[0] < 0.0) & (walls > 0.0), DEAD, state)
    least = wall(space, component, solid, places, np.zeros(1))
    cup, cup_radius, way = placement.cup, None, None
    if cup is not None:
        cup_radius = 0.5 * catalogue.cup(cup.family, cup.size).outer_mm
        way = hip.to_lps @ cup_axis(space, cup.inclination_deg, cup.version_deg)
    return SpaceView(
        component=f"{placement.family}/{placement.size}",
        component_to_lps=matrix,
        hip_axes=hip.to_lps.T.copy(),
        cut_point=hip.lps(origin),
        cut_normal=hip.to_lps @ axes[:, 2],
        wire=hip.lps(wire),
        head_centre=hip.lps(centre),
        head_radius_mm=0.5 * placement.head_diameter_mm,
        cup_centre=None if cup is None else hip.lps(np.array([cup.x_mm, 0.0, cup.z_mm])),
        cup_radius_mm=cup_radius,
        cup_axis=way,
        least_wall_at=None if least is None else hip.lps(places.points(least[1][None])[0, 0]),
        seat_points=hip.lps(points[0]),
        seat_state=state.astype(np.int64),
        seat_wall_mm=walls,
        side_point=None if facts.side_point is None else hip.lps(facts.side_point),
        side_normal=None if facts.side_normal is None else hip.to_lps @ facts.side_normal,
    )

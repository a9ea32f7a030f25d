"""What stands in space after an operation, as signed distances: bone left, bone gone, metal, cup.

In: a hip read from a scan, a placement. Out: functions of points (..., 3) of the hip frame, mm, negative inside.
The planned film and the pictures in space are made from the same functions.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from headstock.implants import Catalogue, Placement
from headstock.implants.solid import solid as solid_of
from headstock.planning.space.bone import bone_of
from headstock.planning.space.fields import SpaceHip
from headstock.planning.space.places import Places
from headstock.planning.space.quantities import new_head_centre
from headstock.planning.space.socket import cup_axis

__all__ = ["Operated", "operated"]

Floats = NDArray[np.float64]
Field = Callable[[Floats], Floats]


@dataclass(frozen=True, slots=True, eq=False)
class Operated:
    """Signed distances, each of points of the hip frame. `gone` is not limited to bone; `cup` None without one."""

    gone: Field
    metal: Field
    cup: Field | None


def operated(space: SpaceHip, placement: Placement, catalogue: Catalogue) -> Operated:
    """The hip with a placement, on the reading itself (no draws)."""
    places, facts = Places.of(placement), bone_of(space)
    component = catalogue.component(placement)
    solid = solid_of(component)
    origin, axes = places.origin[0], places.axes[0]
    ball = new_head_centre(component, places, placement.neck_length_mm)[0]
    radius = 0.5 * placement.head_diameter_mm
    neck = 0.5 * (component.neck_diameter_mm or 0.0)

    def gone(points: Floats) -> Floats:
        above = np.maximum(-((points - origin) @ axes[:, 2]), -facts.aside(points))
        return np.asarray(np.minimum(above, solid.carved.at(points, origin=origin, axes=axes)), np.float64)

    def metal(points: Floats) -> Floats:
        body = np.asarray(solid.body.at(points, origin=origin, axes=axes), np.float64)
        if component.kind == "cap":
            return body
        local = (points - origin) @ axes
        head = np.maximum(np.linalg.norm(points - ball, axis=-1) - radius, -local[..., 2])
        reach = float((ball - origin) @ axes[:, 2])
        trunk = np.maximum(
            np.hypot(local[..., 0], local[..., 1]) - neck, np.abs(local[..., 2] - 0.5 * reach) - 0.5 * reach
        )
        return np.asarray(np.minimum(np.minimum(body, head), trunk))

    cup: Field | None = None
    if placement.cup is not None:
        place = placement.cup
        outer = 0.5 * catalogue.cup(place.family, place.size).outer_mm
        centre = np.array([place.x_mm, 0.0, place.z_mm])
        mouth = cup_axis(space, place.inclination_deg, place.version_deg)

        def shell(points: Floats) -> Floats:
            away = np.linalg.norm(points - centre, axis=-1)
            return np.asarray(np.maximum(np.maximum(away - outer, (points - centre) @ mouth), radius - away))

        cup = shell
    return Operated(gone, metal, cup)

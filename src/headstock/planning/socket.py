"""A cup in its socket: cover by the roof, depth to the teardrop, height of the centre of rotation.

In: a prepared hip and a cup's place. Out: arrays (rows,). AP film, mm at each
row's scale. The cup is a half sphere of its outer diameter.
"""

import numpy as np
from numpy.typing import NDArray

from headstock.implants import Cup, CupPlacement
from headstock.planning.prepared import PreparedHip

__all__ = ["cup_outline", "socket"]

Floats = NDArray[np.float64]


def socket(hip: PreparedHip, cup: Cup, place: CupPlacement) -> dict[str, Floats]:
    """Cover (%), depth, and height and distance of the centre of rotation (mm), as far as the pelvis was read.

    Cover: of the width of the cup's upper surface, from its dome's most medial point
    to its lateral rim, the share that lies medial to the lateral edge of the roof;
    along the inter-teardrop line. The upper surface is outer radius times
    (1 + cos inclination) wide. Depth: from the cup's most medial point to the
    teardrop, positive while the cup stays lateral of it.
    """
    found: dict[str, Floats] = {}
    pelvis = hip.pelvis
    if pelvis is None:
        return found
    radius = 0.5 * cup.outer_mm
    centre = np.array([[place.x_mm, place.z_mm]]) * hip.ap.ratio[:, None]
    if pelvis.sourcil_lateral_mm is not None:
        reach = radius * np.cos(np.radians(place.inclination_deg))
        edge = np.sum((centre - pelvis.sourcil_lateral_mm) * hip.medial, axis=1)  # roof's edge lateral of the centre
        bare = np.clip(reach - edge, 0.0, radius + reach)
        found["cup_cover_percent"] = 100.0 * (1.0 - bare / (radius + reach))
    if pelvis.teardrop_mm is not None:
        gap = pelvis.teardrop_mm - centre
        found["cup_depth_mm"] = np.sum(gap * hip.medial, axis=1) - radius
        found["cup_centre_height_mm"] = -np.sum(gap * hip.up, axis=1)
        found["cup_centre_lateral_mm"] = np.sum(gap * hip.medial, axis=1)
    return found


def cup_outline(cup: Cup, place: CupPlacement, head_diameter_mm: float, medial: Floats, up: Floats) -> Floats:
    """The cup's section on the AP film, closed, (K, 2) nominal film mm: outer half circle, then the bearing."""
    tilt = np.radians(place.inclination_deg)
    mouth = -np.sin(tilt) * medial - np.cos(tilt) * up  # out of the mouth: lateral and down
    rim = np.array([mouth[1], -mouth[0]])
    centre = np.array([place.x_mm, place.z_mm])
    outer = np.radians(np.linspace(-90.0, 90.0, 41))
    half = 0.5 * min(cup.arc_deg, 180.0)
    inner = np.radians(np.linspace(half, -half, 41))
    arcs = [
        centre + r * (-np.cos(turn)[:, None] * mouth + np.sin(turn)[:, None] * rim)
        for r, turn in ((0.5 * cup.outer_mm, outer), (0.5 * head_diameter_mm, inner))
    ]
    return np.vstack(arcs)

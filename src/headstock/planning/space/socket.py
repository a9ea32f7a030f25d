"""A cup in a socket read from a scan: where it first goes, and how much of it the pelvis covers.

In: `SpaceHip`. Hip frame for places; a cup's angles are radiographic about the body's own
axes as the patient lay (LPS), supine. The first cup goes to the centre of the sphere through the
socket's own joint surface, or, where that cannot be told, to the head's centre.
"""

from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from headstock.errors import HeadstockError
from headstock.frames import LPS_TO_HIP
from headstock.geometry.sphere import fit_sphere_robust
from headstock.implants import Cup, CupPlacement
from headstock.planning.cup import opening_axis
from headstock.planning.space.fields import SpaceHip

__all__ = ["cup_axis", "cup_cover_percent", "socket_centre"]

Floats = NDArray[np.float64]
COVER_GAP_MM: Final = 3.0  # definition: bone this near to the cup's outer surface covers it
_SPHERE: Final = 600
_FARTHEST_MM: Final = 8.0  # beyond the head's surface: what is farther is no joint surface
_WORST_RMS_MM: Final = 2.0  # the fossa lies deeper than the joint surface and is met too
_FARTHEST_CENTRE_MM: Final = 8.0  # a socket whose sphere lies farther from the head is misread, not subluxed
_LEAST_SHARE: Final = 0.15  # of all directions that must meet the socket


def socket_centre(space: SpaceHip) -> tuple[Floats, str]:
    """(3,) centre of rotation of the socket in the hip frame, and how it was found, in words."""
    return _socket(_Key(space))


def cup_axis(space: SpaceHip, inclination_deg: float, version_deg: float) -> Floats:
    """(3,) unit vector out of the cup's mouth in the hip frame, for radiographic angles of the lying body."""
    lateral, anterior, inferior = opening_axis(inclination_deg, version_deg)
    unturned = np.array([-lateral, anterior, -inferior])  # medial, anterior, proximal, along the body's axes
    lps = LPS_TO_HIP[space.hip.side].T @ unturned
    return np.asarray(space.hip.to_lps.T @ lps)


def cup_cover_percent(space: SpaceHip, cup: Cup, place: CupPlacement, edge: Floats) -> Floats | None:
    """Share of the upper half of the cup's outer surface with pelvic bone within 3 mm (%), (r,); None without pelvis.

    `edge` (r,): error of the bone's surface, outward positive. The cup is half a sphere of its outer diameter.
    """
    if space.pelvis is None:
        return None
    ways = _even_ways()
    mouth = cup_axis(space, place.inclination_deg, place.version_deg)
    up = space.hip.to_lps.T @ np.array([0.0, 0.0, 1.0])
    own = ways[(ways @ mouth < 0.0) & (ways @ up > 0.0)]
    points = np.array([place.x_mm, 0.0, place.z_mm]) + 0.5 * cup.outer_mm * own
    gap = np.asarray(space.pelvis.at(points), np.float64)
    covered = np.clip((COVER_GAP_MM + edge[:, None] - gap) / 1.0 + 0.5, 0.0, 1.0)
    return np.asarray(100.0 * covered.mean(axis=1))


def _even_ways() -> Floats:
    """(k, 3) directions spread evenly over a sphere (a spiral)."""
    z = 1.0 - 2.0 * (np.arange(_SPHERE) + 0.5) / _SPHERE
    turn = np.pi * (1.0 + np.sqrt(5.0)) * np.arange(_SPHERE)
    flat = np.sqrt(1.0 - z**2)
    return np.column_stack([flat * np.cos(turn), flat * np.sin(turn), z])


class _Key:
    """The pelvis behind a hip: the same for the whole hip and for its row 0 alone."""

    def __init__(self, space: SpaceHip) -> None:
        self.space = space

    def __hash__(self) -> int:
        return id(self.space.pelvis)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Key) and self.space.pelvis is other.space.pelvis


@lru_cache(maxsize=3)
def _socket(key: _Key) -> tuple[Floats, str]:
    space = key.space
    middle: Floats = np.zeros(3)
    concentric = "at the head's centre: the socket's own sphere could not be told"
    if space.pelvis is None:
        return middle, "at the head's centre: no pelvis was found on the scan"
    radius = float(space.hip.head_radius[0])
    ways = _even_ways()
    reach = np.arange(radius - 2.0, radius + _FARTHEST_MM, 0.5)
    values = np.asarray(space.pelvis.at(reach[None, :, None] * ways[:, None, :]), np.float64)
    inside = values < 0.0
    hit = inside.any(axis=1) & ~inside[:, 0]
    first = np.argmax(inside, axis=1)
    rows = np.flatnonzero(hit)
    a, b = values[rows, first[rows] - 1], values[rows, first[rows]]
    met = reach[first[rows] - 1] + 0.5 * a / np.maximum(a - b, 1e-6)
    if len(rows) < _LEAST_SHARE * _SPHERE:
        return middle, concentric
    try:
        fit, used = fit_sphere_robust(met[:, None] * ways[rows], smallest_sd=0.4)
    except HeadstockError:
        return middle, concentric
    far = float(np.linalg.norm(fit.centre))
    if float(fit.rms) > _WORST_RMS_MM or used.mean() < 0.5 or far > _FARTHEST_CENTRE_MM or float(fit.radius) < radius:
        return middle, concentric
    return np.asarray(fit.centre), f"centre of the socket's own sphere, {far:.1f} mm from the head's centre"

"""Orientation of a cup in three definitions, turned by the pelvis, and read from a film.

Angles in degrees, arrays broadcast. Frame of the opening axis: (lateral,
anterior, inferior) of one hip. Radiographic inclination RI and anteversion RA,
operative OI and OA, anatomical AI and AA.
Source: Murray. J Bone Joint Surg Br 1993;75:228 (definitions); conversions
re-derived from the opening axis.
"""

from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from headstock.errors import FrameError

__all__ = [
    "LEWINNEK_SOURCE",
    "anatomical_to_operative",
    "anatomical_to_radiographic",
    "ellipse_version_deg",
    "lewinnek_zone",
    "opening_axis",
    "operative_to_anatomical",
    "operative_to_radiographic",
    "pelvic_tilt",
    "radiographic_of_axis",
    "radiographic_to_anatomical",
    "radiographic_to_operative",
]

Floats = NDArray[np.float64]
LEWINNEK_SOURCE: Final = (
    "Lewinnek et al. J Bone Joint Surg Am 1978;60:217 (300 hips, 9 dislocations): a reference, no promise"
)
_LEWINNEK: Final = ((30.0, 50.0), (5.0, 25.0))  # RI, RA; the edges belong to the zone


def opening_axis(inclination_deg: ArrayLike, version_deg: ArrayLike) -> Floats:
    """Unit vector out of the cup's mouth, (..., 3): lateral, anterior, inferior. Radiographic angles in."""
    ri, ra = np.radians(np.asarray(inclination_deg, np.float64)), np.radians(np.asarray(version_deg, np.float64))
    ri, ra = np.broadcast_arrays(ri, ra)
    return np.stack([np.sin(ri) * np.cos(ra), np.sin(ra), np.cos(ri) * np.cos(ra)], axis=-1)


def radiographic_of_axis(axis: ArrayLike) -> tuple[Floats, Floats]:
    """RI, RA of an opening axis (..., 3), the inverse of `opening_axis`."""
    v = np.asarray(axis, np.float64)
    v = v / np.linalg.norm(v, axis=-1, keepdims=True)
    version = np.degrees(np.arcsin(np.clip(v[..., 1], -1.0, 1.0)))
    return np.asarray(np.degrees(np.arctan2(v[..., 0], v[..., 2]))), np.asarray(version)


def radiographic_to_operative(inclination_deg: ArrayLike, version_deg: ArrayLike) -> tuple[Floats, Floats]:
    """OI, OA: OI = asin(sin RI cos RA), OA = atan(tan RA / cos RI)."""
    lateral, anterior, inferior = np.moveaxis(opening_axis(inclination_deg, version_deg), -1, 0)
    return _deg(np.arcsin(np.clip(lateral, -1.0, 1.0))), _deg(np.arctan2(anterior, inferior))


def radiographic_to_anatomical(inclination_deg: ArrayLike, version_deg: ArrayLike) -> tuple[Floats, Floats]:
    """AI, AA: AI = acos(cos RI cos RA), AA = atan(tan RA / sin RI)."""
    lateral, anterior, inferior = np.moveaxis(opening_axis(inclination_deg, version_deg), -1, 0)
    return _deg(np.arccos(np.clip(inferior, -1.0, 1.0))), _deg(np.arctan2(anterior, lateral))


def operative_to_radiographic(inclination_deg: ArrayLike, version_deg: ArrayLike) -> tuple[Floats, Floats]:
    """RI, RA: RA = asin(sin OA cos OI), RI = atan(tan OI / cos OA)."""
    oi, oa = np.radians(np.asarray(inclination_deg, np.float64)), np.radians(np.asarray(version_deg, np.float64))
    return _deg(np.arctan2(np.sin(oi), np.cos(oi) * np.cos(oa))), _deg(np.arcsin(np.sin(oa) * np.cos(oi)))


def anatomical_to_radiographic(inclination_deg: ArrayLike, version_deg: ArrayLike) -> tuple[Floats, Floats]:
    """RI, RA: RA = asin(sin AI sin AA), RI = atan(tan AI cos AA)."""
    ai, aa = np.radians(np.asarray(inclination_deg, np.float64)), np.radians(np.asarray(version_deg, np.float64))
    return _deg(np.arctan2(np.sin(ai) * np.cos(aa), np.cos(ai))), _deg(np.arcsin(np.sin(ai) * np.sin(aa)))


def operative_to_anatomical(inclination_deg: ArrayLike, version_deg: ArrayLike) -> tuple[Floats, Floats]:
    """AI, AA, by way of the radiographic angles."""
    return radiographic_to_anatomical(*operative_to_radiographic(inclination_deg, version_deg))


def anatomical_to_operative(inclination_deg: ArrayLike, version_deg: ArrayLike) -> tuple[Floats, Floats]:
    """OI, OA, by way of the radiographic angles."""
    return radiographic_to_operative(*anatomical_to_radiographic(inclination_deg, version_deg))


def ellipse_version_deg(minor_mm: ArrayLike, major_mm: ArrayLike) -> Floats:
    """Size of the radiographic version from the rim's ellipse: asin(minor / major).

    Without sign: ante- and retroversion draw the same ellipse on one film.

    Raises
    ------
    FrameError
        An axis is not positive, or the minor axis is the longer one.
    """
    minor, major = np.asarray(minor_mm, np.float64), np.asarray(major_mm, np.float64)
    if np.any(minor < 0) or np.any(major <= 0) or np.any(minor > major):
        raise FrameError(
            "The rim's ellipse needs 0 ≤ minor ≤ major, both in one unit. Mark the short and the long axis again."
        )
    return _deg(np.arcsin(minor / major))


def pelvic_tilt(
    inclination_deg: ArrayLike, version_deg: ArrayLike, posterior_tilt_deg: ArrayLike
) -> tuple[Floats, Floats]:
    """RI, RA after the pelvis tilted about the transverse axis; posterior tilt positive (it opens the cup forward)."""
    lateral, anterior, inferior = np.moveaxis(opening_axis(inclination_deg, version_deg), -1, 0)
    tilt = np.radians(np.asarray(posterior_tilt_deg, np.float64))
    turned = np.broadcast_arrays(
        lateral, anterior * np.cos(tilt) + inferior * np.sin(tilt), inferior * np.cos(tilt) - anterior * np.sin(tilt)
    )
    return radiographic_of_axis(np.stack(turned, axis=-1))


def lewinnek_zone(inclination_deg: float, version_deg: float) -> Literal["inside", "outside"]:
    """Whether radiographic angles lie in Lewinnek's zone, edges included. Reference only: never pass or fail."""
    (ri_low, ri_high), (ra_low, ra_high) = _LEWINNEK
    inside = ri_low <= inclination_deg <= ri_high and ra_low <= version_deg <= ra_high
    return "inside" if inside else "outside"


def _deg(radians: ArrayLike) -> Floats:
    return np.asarray(np.degrees(radians), dtype=np.float64)

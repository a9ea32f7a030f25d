"""Angles between directions, in degrees.

In: vectors (..., 2 or 3), any length. Out: degrees (...).
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from headstock.errors import FrameError

__all__ = [
    "angle_between_deg",
    "anterior_pelvic_plane_tilt_deg",
    "arc_angle_deg",
    "femoral_version_deg",
    "signed_angle_deg",
    "wrapped_deg",
]


def angle_between_deg(u: ArrayLike, v: ArrayLike) -> NDArray[np.float64]:
    """Unsigned angle between two directions, 0 to 180, (..., D) broadcast.

    2 atan2(|u/|u| - v/|v||, |u/|u| + v/|v||), which keeps its digits near 0 and 180 where the arc cosine loses half
    of them. Source: W. Kahan, How futile are mindless assessments of roundoff, 2006, section 12 (from memory).
    """
    a, b = np.asarray(u, dtype=np.float64), np.asarray(v, dtype=np.float64)
    length_a = np.linalg.norm(a, axis=-1, keepdims=True)
    length_b = np.linalg.norm(b, axis=-1, keepdims=True)
    x, y = a * length_b, b * length_a
    return np.asarray(np.degrees(2 * np.arctan2(np.linalg.norm(x - y, axis=-1), np.linalg.norm(x + y, axis=-1))))


def signed_angle_deg(u: ArrayLike, v: ArrayLike) -> NDArray[np.float64]:
    """Angle that turns `u` onto `v`, -180 to 180, 2D, (..., 2) broadcast.

    Positive from the first axis toward the second: counter-clockwise in a film frame, clockwise as seen on the
    screen for image points (their rows point down).
    """
    a, b = np.asarray(u, dtype=np.float64), np.asarray(v, dtype=np.float64)
    cross = a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0]
    return np.asarray(np.degrees(np.arctan2(cross, np.sum(a * b, axis=-1))))


def wrapped_deg(angle_deg: ArrayLike) -> NDArray[np.float64]:
    """The same direction between -180 (excluded) and 180 (included)."""
    return np.asarray(180.0 - np.mod(180.0 - np.asarray(angle_deg, dtype=np.float64), 360.0))


def femoral_version_deg(
    neck_axis: ArrayLike, posterior_condylar_axis: ArrayLike, shaft_axis: ArrayLike
) -> NDArray[np.float64]:
    """Version of the femur: neck against the back of the condyles, both seen along the shaft; anteversion positive.

    Hip frame (x medial, y anterior, z proximal), (..., 3) broadcast: neck axis toward the head, posterior condylar
    axis toward medial, shaft axis proximal. Source: Murphy et al., J Bone Joint Surg Am 1987;69:1169.

    Raises
    ------
    FrameError
        The neck or the condylar axis runs along the shaft, so it has no direction across it.
    """
    neck, condyles, shaft = np.broadcast_arrays(
        *(np.asarray(x, dtype=np.float64) for x in (neck_axis, posterior_condylar_axis, shaft_axis))
    )
    z = shaft / np.linalg.norm(shaft, axis=-1, keepdims=True)
    across = []
    for v in (neck, condyles):
        flat = v - np.sum(v * z, axis=-1, keepdims=True) * z
        if np.any(np.linalg.norm(flat, axis=-1) <= 1e-9 * np.linalg.norm(v, axis=-1)):
            raise FrameError(
                "The neck or condylar axis runs along the shaft, so version has no meaning. Check the axis points."
            )
        across.append(flat)
    n, c = across
    return np.asarray(np.degrees(np.arctan2(np.sum(np.cross(c, n) * z, axis=-1), np.sum(c * n, axis=-1))))


def anterior_pelvic_plane_tilt_deg(
    asis_mid_y: ArrayLike, asis_mid_z: ArrayLike, pubic_y: ArrayLike, pubic_z: ArrayLike
) -> NDArray[np.float64]:
    """Sagittal tilt of the anterior pelvic plane; anterior tilt (pubis behind the iliac spines) positive.

    y anterior, z up, mm: midpoint of the anterior superior iliac spines, and the pubic tubercles or symphysis.
    """
    back = np.asarray(asis_mid_y, np.float64) - np.asarray(pubic_y, np.float64)
    down = np.asarray(asis_mid_z, np.float64) - np.asarray(pubic_z, np.float64)
    return np.asarray(np.degrees(np.arctan2(back, down)))


def arc_angle_deg(chord_mm: ArrayLike, head_radius_mm: ArrayLike) -> NDArray[np.float64]:
    """Arc that a chord subtends at the centre of a circle, 0 to 180: 2 asin(chord / 2 r).

    Raises
    ------
    FrameError
        The chord is longer than the diameter: the two belong to different images or units.
    """
    half, r = np.broadcast_arrays(np.asarray(chord_mm, np.float64) / 2, np.asarray(head_radius_mm, np.float64))
    if np.any(half < 0) or np.any(r <= 0) or np.any(half > r):
        raise FrameError(
            "A chord longer than the diameter does not lie on this circle. "
            "Check that both come from one image and scale."
        )
    return np.asarray(np.degrees(2 * np.arcsin(half / r)))

"""Central projection onto a detector, magnification, and the size error of a marker off the plane.

In: points in the patient frame (LPS, mm) and an X-ray set-up. Out: image
points (column, row), zero-based, centre of pixel, or plain ratios.
All functions accept leading batch axes, so that one call serves one film and
two thousand draws of its geometry.
Source: similar triangles. Magnification M = SID / (SID - OID), the definition
of Estimated Radiographic Magnification Factor, DICOM PS3.3 C.8.7.1.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from headstock.errors import CalibrationError

__all__ = [
    "central_projection",
    "depth_size_error_percent",
    "magnification",
    "magnification_at",
    "marker_magnification",
    "marker_size_error_percent",
    "off_axis_ball_ratio",
    "true_size_mm",
]


def magnification(sid_mm: float, oid_mm: float) -> float:
    """Size on the detector over true size, for an object `oid_mm` above the detector.

    `sid_mm` is source to detector along the central ray, `oid_mm` object to
    detector along the same ray. M = SID / (SID - OID).

    Raises
    ------
    CalibrationError
        The object does not lie between the source and the detector.
    """
    if not (np.isfinite(sid_mm) and np.isfinite(oid_mm) and 0 <= oid_mm < sid_mm):
        raise CalibrationError(
            f"Source to detector is {sid_mm:g} mm and object to detector {oid_mm:g} mm. The object must lie between "
            "the source and the detector for a magnification to exist. Check both distances (mm)."
        )
    return sid_mm / (sid_mm - oid_mm)


def marker_magnification(image_mm: float, true_mm: float) -> float:
    """Magnification a marker shows: its size on the detector over its true size.

    Raises
    ------
    CalibrationError
        A size is zero, negative or not a number.
    """
    _positive(image_mm, "The size of the marker on the film")
    _positive(true_mm, "The true size of the marker")
    return image_mm / true_mm


def true_size_mm(image_mm: float, m: float) -> float:
    """True size (mm) of something that measures `image_mm` on the detector at magnification `m`.

    Raises
    ------
    CalibrationError
        A magnification that is zero, negative or not a number.
    """
    _positive(m, "The magnification")
    return image_mm / m


def marker_size_error_percent(sod_hip_mm: float, marker_toward_source_mm: float) -> float:
    """Error (%) of sizes at the hip when the marker lies off the hip's plane.

    `sod_hip_mm` is source to hip; `marker_toward_source_mm` (e) is how much
    nearer to the source the marker lies than the hip. The marker is magnified
    by SID/(SOD - e), the hip by SID/SOD; scaling the hip by the marker gives
    (SOD - e)/SOD of the truth: an error of exactly -100 e/SOD percent. About
    1 % for each centimetre at one metre.

    Raises
    ------
    CalibrationError
        The source does not lie beyond both the hip and the marker.
    """
    _positive(sod_hip_mm, "The distance from source to hip")
    if not marker_toward_source_mm < sod_hip_mm:
        raise CalibrationError(
            f"The marker would lie {marker_toward_source_mm:g} mm nearer to a source that is only {sod_hip_mm:g} mm "
            "from the hip. Check both distances (mm)."
        )
    return -100.0 * marker_toward_source_mm / sod_hip_mm


def depth_size_error_percent(source_hip_mm: float, depth_error_mm: ArrayLike) -> NDArray[np.float64]:
    """`marker_size_error_percent` for a batch of depth errors (...,), mm toward the source."""
    _positive(source_hip_mm, "The distance from source to hip")
    return np.asarray(-100.0 * np.asarray(depth_error_mm, dtype=np.float64) / source_hip_mm)


def off_axis_ball_ratio(off_axis_deg: ArrayLike) -> NDArray[np.float64]:
    """How much larger a ball's fitted circle is than on the central ray, for its angle off that ray.

    A ball away from the central ray casts an ellipse, longer by 1/cos(angle)
    away from the ray's foot and unchanged across. A circle fitted to its edge
    has nearly the mean of both half axes. 0.4 % at 7 degrees. (...,), pure ratio.
    Source: derived; first order in ball radius over distance, which leaves
    0.01 % for a 25 mm ball at one metre.
    """
    return np.asarray((1.0 + 1.0 / np.cos(np.radians(np.asarray(off_axis_deg, dtype=np.float64)))) / 2.0)


def central_projection(
    points_lps_mm: ArrayLike,
    source_lps_mm: ArrayLike,
    detector_origin_lps_mm: ArrayLike,
    axes: ArrayLike,
    pixel_mm: ArrayLike,
) -> NDArray[np.float64]:
    """Image points (column, row) of patient points, on rays from the source.

    Parameters
    ----------
    points_lps_mm
        (..., 3), LPS.
    source_lps_mm
        (..., 3), the focus.
    detector_origin_lps_mm
        (..., 3), centre of the pixel (0, 0).
    axes
        (..., 2, 3), unit vectors in which columns and rows increase; at right angles.
    pixel_mm
        (..., 2), spacing between columns and between rows, in that order.

    Returns
    -------
    (..., 2), zero-based, centre of pixel.

    Raises
    ------
    CalibrationError
        A point lies at or behind the source, or in its plane: it casts no image.
    """
    points, source, origin, unit, pixel = (
        np.asarray(a, dtype=np.float64) for a in (points_lps_mm, source_lps_mm, detector_origin_lps_mm, axes, pixel_mm)
    )
    normal = np.cross(unit[..., 0, :], unit[..., 1, :])
    to_detector = ((origin - source) * normal).sum(-1)
    ray = points - source
    along = (ray * normal).sum(-1)
    if not np.all(along * np.sign(to_detector) > 0.0):
        raise CalibrationError(
            "A point lies level with the X-ray source or behind it, so it has no image on this detector. "
            "Check the position of the source and the frame of the points (LPS, mm)."
        )
    hit = source + ray * (to_detector / along)[..., None] - origin
    return np.asarray(np.stack([(hit * unit[..., i, :]).sum(-1) for i in (0, 1)], axis=-1) / pixel)


def magnification_at(
    points_lps_mm: ArrayLike, source_lps_mm: ArrayLike, detector_origin_lps_mm: ArrayLike, axes: ArrayLike
) -> NDArray[np.float64]:
    """Magnification of planes parallel to the detector through each point (...,): SID/SOD along the detector's normal.

    Arguments as `central_projection`.
    """
    points, source, origin, unit = (
        np.asarray(a, dtype=np.float64) for a in (points_lps_mm, source_lps_mm, detector_origin_lps_mm, axes)
    )
    normal = np.cross(unit[..., 0, :], unit[..., 1, :])
    return np.asarray(((origin - source) * normal).sum(-1) / ((points - source) * normal).sum(-1))


def _positive(value: float, what: str) -> None:
    """Refuse a size or distance that cannot be one."""
    if not (np.isfinite(value) and value > 0):
        raise CalibrationError(f"{what} is {value:g}, but it must be above zero. Give it again.")

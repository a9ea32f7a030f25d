"""Fits with covariance, angles, outlines and rigid motions; knows nothing of anatomy.

Pure functions of arrays with a leading batch axis; lengths keep the unit they came in.
"""

from headstock.geometry.angles import (
    angle_between_deg,
    anterior_pelvic_plane_tilt_deg,
    arc_angle_deg,
    femoral_version_deg,
    signed_angle_deg,
    wrapped_deg,
)
from headstock.geometry.circle import CircleFit, fit_circle, fit_circle_robust
from headstock.geometry.line import LineFit, distance_to_line, fit_line, fit_line_robust, intersection
from headstock.geometry.motion import apply, rotation_2d, rotation_about
from headstock.geometry.polygon import (
    area_in_halfplane_mm2,
    area_mm2,
    centroid,
    chord_lengths,
    clip_halfplane,
    contains,
    crossings,
    distance_to_polyline,
    path_length,
    resample,
)
from headstock.geometry.sphere import SphereFit, fit_sphere, fit_sphere_robust

__all__ = [
    "CircleFit",
    "LineFit",
    "SphereFit",
    "angle_between_deg",
    "anterior_pelvic_plane_tilt_deg",
    "apply",
    "arc_angle_deg",
    "area_in_halfplane_mm2",
    "area_mm2",
    "centroid",
    "chord_lengths",
    "clip_halfplane",
    "contains",
    "crossings",
    "distance_to_line",
    "distance_to_polyline",
    "femoral_version_deg",
    "fit_circle",
    "fit_circle_robust",
    "fit_line",
    "fit_line_robust",
    "fit_sphere",
    "fit_sphere_robust",
    "intersection",
    "path_length",
    "resample",
    "rotation_2d",
    "rotation_about",
    "signed_angle_deg",
    "wrapped_deg",
]

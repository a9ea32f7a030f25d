"""Topics of outside check values, each with the one public function it checks.

The keyword names are those of the table's `input` column. Nothing is computed
here: an adapter only hands the values over.
"""

from collections.abc import Callable
from typing import Any, Final

from headstock import geometry, images
from headstock.planning import cup, motion

__all__ = ["TOPICS"]


def _sphere(points: Any) -> tuple[float, ...]:
    fit = geometry.fit_sphere(points)
    return (*(float(x) for x in fit.centre), float(fit.radius))


def _motion(ri_deg: float, ra_deg: float, nsa_deg: float, version_deg: float, theta_deg: float, move: str) -> Any:
    return motion.motion_limit_deg(ri_deg, ra_deg, nsa_deg, version_deg, theta_deg, move)


_GEOMETRY: Final[dict[str, Callable[..., Any]]] = {
    "geo_app_tilt": geometry.anterior_pelvic_plane_tilt_deg,
    "geo_arc_angle": geometry.arc_angle_deg,
    "geo_femoral_version": geometry.femoral_version_deg,
    "geo_sphere_fit": _sphere,
}
_IMAGES: Final[dict[str, Callable[..., Any]]] = {
    "xr_head_true": lambda image_mm, magnification: images.true_size_mm(image_mm, magnification),
    "xr_magnification": images.magnification,
    "xr_marker": lambda true_mm, image_mm: images.marker_magnification(image_mm, true_mm),
    "xr_marker_offplane": images.marker_size_error_percent,
}
_PLANNING: Final[dict[str, Callable[..., Any]]] = {
    "cup_ellipse_version": cup.ellipse_version_deg,
    "cup_lewinnek": lambda ri_deg, ra_deg: cup.lewinnek_zone(ri_deg, ra_deg),
    "cup_op_to_rad": lambda oi_deg, oa_deg: cup.operative_to_radiographic(oi_deg, oa_deg),
    "cup_op_to_anat": lambda oi_deg, oa_deg: cup.operative_to_anatomical(oi_deg, oa_deg),
    "cup_anat_to_rad": lambda ai_deg, aa_deg: cup.anatomical_to_radiographic(ai_deg, aa_deg),
    "cup_anat_to_op": lambda ai_deg, aa_deg: cup.anatomical_to_operative(ai_deg, aa_deg),
    "cup_pelvic_tilt": lambda ri_deg, ra_deg, posterior_tilt_deg: cup.pelvic_tilt(ri_deg, ra_deg, posterior_tilt_deg),
    "cup_rad_to_anat": lambda ri_deg, ra_deg: cup.radiographic_to_anatomical(ri_deg, ra_deg),
    "cup_rad_to_op": lambda ri_deg, ra_deg: cup.radiographic_to_operative(ri_deg, ra_deg),
    "rom_iso21535": motion.iso_21535_minimum_deg,
    "rom_limit": _motion,
    "rom_oscillation": motion.oscillation_deg,
}
TOPICS: Final[dict[str, Callable[..., Any]]] = {**_GEOMETRY, **_IMAGES, **_PLANNING}

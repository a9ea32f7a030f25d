"""Topics of outside check values, each with the one public function it checks.

The keyword names are those of the table's `input` column. Nothing is computed
here: an adapter only hands the values over.
"""

from collections.abc import Callable
from typing import Any, Final

from headstock import geometry, images, mechanics
from headstock.anatomy import head_surface, osteonecrosis, shape_classes
from headstock.anatomy.scan import density
from headstock.errors import TooFewError
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
_ANATOMY: Final[dict[str, Callable[..., Any]]] = {
    "on_arco2019_stage": osteonecrosis.arco_2019_stage,
    "on_counts": osteonecrosis.collapse_percent,
    "on_jic_collapse": osteonecrosis.jic_collapse_percent,
    "on_jic_type": osteonecrosis.jic_type,
    "on_kerboul_counts": osteonecrosis.history_counts,
    "on_kerboul_grade": osteonecrosis.kerboul_mri_grade,
    "on_kerboul_radiographic": osteonecrosis.kerboul_radiograph,
    "on_kerboul_risk": osteonecrosis.kerboul_mri_risk,
    "on_necrotic_index": osteonecrosis.koo_kim_index,
    "on_steinberg_IV_depression": osteonecrosis.steinberg_depression,
    "on_steinberg_extent": osteonecrosis.steinberg_extent,
    "res_benchmark": head_surface.revision_benchmark_percent,
    "res_cyst_test": head_surface.cyst_failure_p,
    "res_fracture": head_surface.fracture_percent,
    "res_fracture_rr": head_surface.relative_risk,
    "res_ion": head_surface.ion_nmol_per_L,
    "res_ion_flag": head_surface.ion_flag,
    "res_neck_narrowing": head_surface.neck_narrowing_percent,
    "res_sari": head_surface.sari_points,
    "xr_canal_flare": shape_classes.canal_flare_class,
    "xr_crowe": shape_classes.crowe_subluxation_percent,
    "xr_crowe_class": shape_classes.crowe_class,
    "xr_dorr_cortical_index": shape_classes.dorr_type_of_cortical_index,
    "xr_dorr_ratio": shape_classes.dorr_type,
    "xr_extrusion_index": shape_classes.extrusion_index_percent,
    "xr_hip_centre": shape_classes.expected_hip_centre_mm,
    "xr_lce": shape_classes.centre_edge_class,
    "xr_lld": shape_classes.leg_length_difference_from_image_mm,
    "xr_mpfa_rotation": shape_classes.mpfa_change_deg,
    "xr_nsa_projection": shape_classes.projected_neck_shaft_angle_deg,
    "xr_offset_ap_pelvis_bias": shape_classes.offset_bias_percent,
    "xr_offset_projection": shape_classes.projected_offset_mm,
}


def _density(
    rho_QCT: float | None = None, rho_ash: float | None = None, map: str | None = None, ratio: float | None = None
) -> Any:
    if rho_QCT is not None and map == "schileo2008_ash":
        return float(density.ash_density(rho_QCT))
    if rho_QCT is not None and map == "inverse_form_(rho+0.09)/1.14":
        return float(density.ash_density_unrounded(rho_QCT))
    if rho_ash is not None and ratio == density.ASH_OF_APPARENT:
        return float(density.apparent_density(rho_ash))
    raise TooFewError("No map of this name, or no density that it takes.")


_MECHANICS: Final[dict[str, Callable[..., Any]]] = {
    "bone_E": mechanics.elastic_modulus_MPa,
    "bone_density": _density,
    "bone_micromotion": mechanics.micromotion_class,
    "bone_ratio": mechanics.ratio_percent,
    "bone_strain_limit": lambda mode: mechanics.STRAIN_LIMITS[mode],
    "bone_strength": lambda law, rho_ash: mechanics.strength_MPa(law, rho_ash),
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
TOPICS: Final[dict[str, Callable[..., Any]]] = {**_ANATOMY, **_GEOMETRY, **_IMAGES, **_MECHANICS, **_PLANNING}

"""Published classes and corrections of radiograph measures, one function each.

In: numbers with their unit in the name. Out: a class or a number. Edges: data/bands.toml.
"""

from typing import Literal

import numpy as np

from headstock.anatomy.bands import band, table_file
from headstock.anatomy.formulas import crowe_percent, extrusion_percent
from headstock.errors import CalibrationError, TooFewError

__all__ = [
    "canal_flare_class",
    "centre_edge_class",
    "crowe_class",
    "crowe_subluxation_percent",
    "dorr_type",
    "dorr_type_of_cortical_index",
    "expected_hip_centre_mm",
    "extrusion_index_percent",
    "leg_length_difference_from_image_mm",
    "mpfa_change_deg",
    "offset_bias_percent",
    "projected_neck_shaft_angle_deg",
    "projected_offset_mm",
]


def canal_flare_class(canal_flare_index: float) -> str:
    """Stovepipe, normal or champagne-flute (Noble et al. 1988)."""
    return band("canal_flare", canal_flare_index)


def dorr_type(canal_to_calcar: float) -> str:
    """Dorr type A, B or C by the canal to calcar ratio; store the level it was measured at beside it."""
    return band("dorr_ratio", canal_to_calcar)


def dorr_type_of_cortical_index(cortical_index: float) -> str:
    """Type A, B or C by the cortical index 100 mm below the lesser trochanter."""
    return band("dorr_cortical_index", cortical_index)


def centre_edge_class(lce_deg: float) -> str:
    """Dysplasia, borderline or normal by the lateral centre-edge angle (Wiberg)."""
    return band("lateral_centre_edge", lce_deg)


def crowe_subluxation_percent(headneck_junction_above_teardrop_line_mm: float, pelvic_height_mm: float) -> float:
    """Subluxation: height of the medial head-neck junction over 20 % of the pelvic height (Crowe 1979)."""
    _positive("pelvic height", pelvic_height_mm)
    return float(crowe_percent(headneck_junction_above_teardrop_line_mm, pelvic_height_mm))


def crowe_class(percent_subluxation: float) -> str:
    """Crowe class I to IV."""
    return band("crowe", percent_subluxation)


def extrusion_index_percent(uncovered_mm: float, head_width_mm: float) -> float:
    """Share of the head's width outside the socket's roof (Heyman and Herndon 1950)."""
    _positive("head width", head_width_mm)
    return float(extrusion_percent(uncovered_mm, head_width_mm))


def leg_length_difference_from_image_mm(
    lt_right_image_mm: float, lt_left_image_mm: float, magnification: float
) -> float:
    """Right minus left distance below the teardrop line, brought from image mm to the hip; negative: right shorter."""
    _positive("magnification", magnification)
    return (lt_right_image_mm - lt_left_image_mm) / magnification


def projected_offset_mm(true_offset_mm: float, neck_out_of_plane_deg: float) -> float:
    """Offset that a film shows when the neck points out of its plane: true times the cosine (parallel projection)."""
    return float(true_offset_mm * np.cos(np.radians(_out_of_plane(neck_out_of_plane_deg))))


def projected_neck_shaft_angle_deg(true_nsa_deg: float, neck_out_of_plane_deg: float) -> float:
    """Neck-shaft angle that a film shows: 90 + atan(tan(NSA - 90) / cos d) (parallel projection).

    The neck's height along the shaft stays, its reach across shrinks by cos d, so any
    angle moves away from 90.
    """
    if not 0.0 < true_nsa_deg < 180.0:
        raise TooFewError(f"A neck-shaft angle of {true_nsa_deg} deg cannot be. It lies between 0 and 180.")
    cosine = np.cos(np.radians(_out_of_plane(neck_out_of_plane_deg)))
    return float(90.0 + np.degrees(np.arctan(np.tan(np.radians(true_nsa_deg - 90.0)) / cosine)))


def offset_bias_percent(ap_pelvis_mm: float, ct_mm: float) -> float:
    """How much an AP pelvis film misses of the offset on CT; negative: too small (Merle et al. 2012)."""
    _positive("offset on CT", ct_mm)
    return 100.0 * (ap_pelvis_mm - ct_mm) / ct_mm


def mpfa_change_deg(internal_rotation_deg: float) -> float:
    """Change of the medial proximal femoral angle when the femur turns inward.

    Source: Monazzam et al., Clin Orthop Relat Res 2013;471:1639: -0.36 deg per degree, one specimen.
    """
    return float(table_file("published_values")["rotation"]["mpfa_deg_per_deg"] * internal_rotation_deg)


def expected_hip_centre_mm(
    sex: str, pelvic_height_mm: float, direction: Literal["above_ischial_line", "lateral"] = "above_ischial_line"
) -> float:
    """Where a hip centre is expected, from the pelvic height: above the ischial line, or lateral to the teardrop.

    Source: Turkish radiographic hip-centre study, 2018, PMC6197315 (means; individuals differ, sd about 6.5 and 4 mm).

    Raises
    ------
    TooFewError
        The sex is not M or F, or another direction.
    """
    _positive("pelvic height", pelvic_height_mm)
    table = table_file("published_values")["hip_centre"]
    letter = str(sex).strip().upper()[:1]
    if direction not in table or letter not in table[direction]:
        raise TooFewError(
            f"The study gives shares for M and F, above_ischial_line and lateral; found {sex!r}, {direction!r}."
        )
    return float(table[direction][letter] / 100.0 * pelvic_height_mm)


def _out_of_plane(angle_deg: float) -> float:
    if not -90.0 < angle_deg < 90.0:
        raise TooFewError(f"A neck {angle_deg} deg out of the film plane shows no offset. Give less than 90 deg.")
    return angle_deg


def _positive(what: str, value: float) -> None:
    if not (np.isfinite(value) and value > 0):
        raise CalibrationError(
            f"A {what} of {value} cannot be; it must be more than zero. Check the number and its unit."
        )

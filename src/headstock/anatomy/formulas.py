"""The formulas of the measures, one function a name.

In: `HipDraws`, one side of a drawn reading. Out: (B,) square pixels for a length (the
scale comes later), degrees or ratios for the rest. What each means, and its source:
data/measures.toml.
"""

from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from headstock.anatomy.drawn import Drawn
from headstock.anatomy.landmarks import CIRCLES, LANDMARKS, View, key
from headstock.frames import Side, medial_column_sign
from headstock.geometry import angle_between_deg, fit_circle

__all__ = ["FORMULAS", "HipDraws", "crowe_percent", "extrusion_percent", "line_above"]

Floats = NDArray[np.float64]


class HipDraws:
    """One side of a drawn reading, seen by the formulas: points by bare name, directions, in square pixels."""

    def __init__(self, drawn: Drawn, side: Side) -> None:
        self.drawn, self.side = drawn, side
        self.medial_sign = medial_column_sign(side, drawn.reading.columns_to_left)

    def __getitem__(self, name: str) -> Floats:
        if name.startswith("other."):
            return self.drawn.points[key(name.removeprefix("other."), self.side.other)]
        sided = name in CIRCLES or LANDMARKS[name].sided
        return self.drawn.points[key(name, self.side if sided else None)]

    @property
    def radius(self) -> Floats:
        """(B,) radius of the head circle."""
        return self.drawn.radii[key("head", self.side)]

    def outline(self, name: str) -> tuple[Floats, Floats]:
        """(K, 2) the line and (B,) its one error along the normal."""
        full = key(name, self.side)
        return self.drawn.outlines[full], self.drawn.outline_error_px[full]

    def line_between(self, name: str) -> tuple[Floats, Floats]:
        """(point, unit direction from the patient's right to left) of the line through both marks of that name."""
        right, left = self.drawn.points[f"right.{name}"], self.drawn.points[f"left.{name}"]
        return right, _unit(left - right)

    def pelvis_axes(self) -> tuple[Floats, Floats]:
        """Unit vectors medial and up: along and across the inter-teardrop line, or the film's own on a hip film."""
        if self.drawn.reading.view is View.AP_PELVIS:
            return self.axes_of("teardrop")
        rows = self.drawn.rows
        medial = np.tile(np.array([float(self.medial_sign), 0.0]), (rows, 1))
        return medial, np.tile(np.array([0.0, -1.0]), (rows, 1))

    def axes_of(self, name: str) -> tuple[Floats, Floats]:
        """Unit vectors medial and up: along and across the line through both marks of that name."""
        _, leftward = self.line_between(name)
        return leftward * (1.0 if self.side is Side.RIGHT else -1.0), _up(leftward)

    @property
    def shaft_up(self) -> Floats:
        """(B, 2) unit vector up the shaft."""
        return _unit(self["shaft_proximal"] - self["shaft_distal"])

    @property
    def neck_up(self) -> Floats:
        """(B, 2) unit vector from the narrowest neck to the head centre."""
        return _unit(self["head_centre"] - self["neck_axis_point"])


def _unit(v: Floats) -> Floats:
    return np.asarray(v / np.linalg.norm(v, axis=-1, keepdims=True))


def _dot(a: Floats, b: Floats) -> Floats:
    return np.asarray(np.sum(a * b, axis=-1))


def _up(along: Floats) -> Floats:
    """Unit vector across `along` that points up the film (toward smaller rows)."""
    across = np.stack([along[:, 1], -along[:, 0]], axis=1)
    return np.asarray(across * np.where(across[:, 1:2] > 0, -1.0, 1.0))


def _width(hip: HipDraws, a: str, b: str) -> Floats:
    return np.asarray(np.linalg.norm(hip[a] - hip[b], axis=1))


def crowe_percent(above_line: ArrayLike, pelvic_height: ArrayLike) -> Floats:
    """Percent of a head by which the hip is out; a normal head is 20 % of the pelvic height (Crowe 1979)."""
    return np.asarray(100.0 * np.asarray(above_line) / (0.20 * np.asarray(pelvic_height)))


def extrusion_percent(uncovered: ArrayLike, head_width: ArrayLike) -> Floats:
    """Share of the head's width that the socket's roof leaves uncovered (Heyman and Herndon 1950)."""
    return np.asarray(100.0 * np.asarray(uncovered) / np.asarray(head_width))


def line_above(hip: HipDraws, name: str, line: str) -> Floats:
    """Height of a point above the line through both marks `line`."""
    start, leftward = hip.line_between(line)
    return _dot(hip[name] - start, _up(leftward))


def _head_diameter(hip: HipDraws) -> Floats:
    return np.asarray(2.0 * hip.radius)


def _neck_shaft_angle(hip: HipDraws) -> Floats:
    return angle_between_deg(hip["head_centre"] - hip["neck_axis_point"], hip["shaft_distal"] - hip["shaft_proximal"])


def _femoral_offset(hip: HipDraws) -> Floats:
    up = hip.shaft_up
    # Across the shaft, toward medial: the direction whose column grows toward the midline.
    across = np.stack([-up[:, 1], up[:, 0]], axis=1) * hip.medial_sign
    return _dot(hip["head_centre"] - hip["shaft_distal"], across)


def _leg_length_difference(hip: HipDraws) -> Floats:
    right, left = (
        line_above(HipDraws(hip.drawn, side), "lesser_trochanter", "teardrop") for side in (Side.RIGHT, Side.LEFT)
    )
    return left - right


def _mpfa(hip: HipDraws) -> Floats:
    return angle_between_deg(hip["head_centre"] - hip["greater_trochanter"], -hip.shaft_up)


def _articulo_trochanteric(hip: HipDraws) -> Floats:
    return _dot(hip["head_centre"] - hip["greater_trochanter"], hip.shaft_up) + hip.radius


def _centre_lateral(hip: HipDraws) -> Floats:
    medial, _ = hip.axes_of("teardrop")
    return -_dot(hip["head_centre"] - hip["teardrop"], medial)


def _centre_edge(hip: HipDraws) -> Floats:
    medial, up = hip.pelvis_axes()
    to_edge = hip["sourcil_lateral"] - hip["head_centre"]
    return np.asarray(np.degrees(np.arctan2(-_dot(to_edge, medial), _dot(to_edge, up))))


def _toennis(hip: HipDraws) -> Floats:
    medial, up = hip.pelvis_axes()
    roof = hip["sourcil_lateral"] - hip["sourcil_medial"]
    return np.asarray(np.degrees(np.arctan2(_dot(roof, up), -_dot(roof, medial))))


def _extrusion(hip: HipDraws) -> Floats:
    medial, _ = hip.pelvis_axes()
    covered_from_centre = -_dot(hip["sourcil_lateral"] - hip["head_centre"], medial)
    return extrusion_percent(hip.radius - covered_from_centre, 2.0 * hip.radius)


def _neck_width_ap(hip: HipDraws) -> Floats:
    return _width(hip, "neck_superior", "neck_inferior")


def _neck_width_lateral(hip: HipDraws) -> Floats:
    return _width(hip, "neck_anterior", "neck_posterior")


def _head_neck_ratio_ap(hip: HipDraws) -> Floats:
    return np.asarray(2.0 * hip.radius / _neck_width_ap(hip))


def _head_neck_ratio_lateral(hip: HipDraws) -> Floats:
    return np.asarray(2.0 * hip.radius / _neck_width_lateral(hip))


def _head_neck_offset(hip: HipDraws) -> Floats:
    shift = hip["neck_anterior"] - hip["head_centre"]
    along = hip.neck_up
    return np.asarray(hip.radius - np.abs(shift[:, 0] * along[:, 1] - shift[:, 1] * along[:, 0]))


def _head_neck_offset_ratio(hip: HipDraws) -> Floats:
    return np.asarray(_head_neck_offset(hip) / (2.0 * hip.radius))


def _alpha(hip: HipDraws, junction: str) -> Floats:
    centre = hip["head_centre"]
    return angle_between_deg(hip["neck_axis_point"] - centre, hip[junction] - centre)


def _sphericity(hip: HipDraws) -> Floats:
    line, error = hip.outline("head")
    fit = fit_circle(line)
    from_centre = np.linalg.norm(line - fit.centre, axis=1)
    worst = float(np.max(np.abs(from_centre - fit.radius)))
    # One error along the normal moves the whole outline and leaves its form; what is left is how far a single
    # point of it may be off, taken as the same size.
    return np.asarray(np.maximum(worst + error, 0.0))


def _collapse(hip: HipDraws) -> Floats:
    line, error = hip.outline("collapse")
    from_centre = np.linalg.norm(line[None] - hip["head_centre"][:, None, :], axis=2)
    depth = hip.radius - from_centre.min(axis=1) + error
    return np.asarray(np.maximum(depth, 0.0))


def _ratio(hip: HipDraws, over: tuple[str, str], under: tuple[str, str]) -> Floats:
    return np.asarray(_width(hip, *over) / _width(hip, *under))


def _cortical_index(hip: HipDraws) -> Floats:
    return np.asarray(
        1.0 - _ratio(hip, ("canal_100_medial", "canal_100_lateral"), ("shaft_100_medial", "shaft_100_lateral"))
    )


def _obliquity(hip: HipDraws) -> Floats:
    _, leftward = hip.line_between("teardrop")
    rightward = -leftward
    sideways = 1.0 if not hip.drawn.reading.columns_to_left else -1.0
    return np.asarray(np.degrees(np.arctan2(-rightward[:, 1], rightward[:, 0] * sideways)))


def _rotation_shift(hip: HipDraws) -> Floats:
    _, leftward = hip.line_between("teardrop")
    return _dot(hip["pubic_symphysis"] - hip["sacrum_midline"], leftward)


def _rotation_percent(hip: HipDraws) -> Floats:
    right, left = hip.drawn.points["right.teardrop"], hip.drawn.points["left.teardrop"]
    return np.asarray(100.0 * _rotation_shift(hip) / np.linalg.norm(left - right, axis=1))


def _crowe(hip: HipDraws) -> Floats:
    above = line_above(hip, "head_neck_junction_inferior", "teardrop")
    return crowe_percent(above, line_above(hip, "pelvis_top", "ischium"))


def _cup_inclination(hip: HipDraws) -> Floats:
    medial, up = hip.pelvis_axes()
    rim = hip["cup_rim_lateral"] - hip["cup_rim_medial"]
    return np.asarray(np.degrees(np.arctan2(_dot(rim, up), -_dot(rim, medial))))


def _component_shaft(hip: HipDraws) -> Floats:
    return angle_between_deg(
        hip["component_axis_proximal"] - hip["component_axis_distal"], hip["shaft_distal"] - hip["shaft_proximal"]
    )


def _component_valgus(hip: HipDraws) -> Floats:
    return np.asarray(_component_shaft(hip) - _neck_shaft_angle(hip))


def _component_ratio(hip: HipDraws) -> Floats:
    return _ratio(hip, ("neck_superior", "neck_inferior"), ("component_rim_superior", "component_rim_inferior"))


FORMULAS: Final[Mapping[str, Callable[[HipDraws], Floats]]] = MappingProxyType(
    {
        "head_diameter_mm": _head_diameter,
        "neck_shaft_angle_deg": _neck_shaft_angle,
        "femoral_offset_mm": _femoral_offset,
        "lesser_trochanter_below_line_mm": lambda hip: -line_above(hip, "lesser_trochanter", "teardrop"),
        "leg_length_difference_mm": _leg_length_difference,
        "lesser_trochanter_below_ischial_line_mm": lambda hip: -line_above(hip, "lesser_trochanter", "ischium"),
        "mpfa_deg": _mpfa,
        "articulo_trochanteric_distance_mm": _articulo_trochanteric,
        "centre_of_rotation_height_mm": lambda hip: line_above(hip, "head_centre", "teardrop"),
        "centre_of_rotation_lateral_mm": _centre_lateral,
        "centre_of_rotation_above_ischial_line_mm": lambda hip: line_above(hip, "head_centre", "ischium"),
        "centre_edge_angle_deg": _centre_edge,
        "toennis_angle_deg": _toennis,
        "extrusion_index_percent": _extrusion,
        "neck_width_mm": _neck_width_ap,
        "neck_depth_mm": _neck_width_lateral,
        "head_neck_ratio": _head_neck_ratio_ap,
        "head_neck_ratio_lateral": _head_neck_ratio_lateral,
        "head_neck_offset_mm": _head_neck_offset,
        "head_neck_offset_ratio": _head_neck_offset_ratio,
        "alpha_angle_deg": lambda hip: _alpha(hip, "head_neck_junction_anterior"),
        "alpha_angle_superior_deg": lambda hip: _alpha(hip, "head_neck_junction_superior"),
        "sphericity_mm": _sphericity,
        "collapse_depth_mm": _collapse,
        "canal_flare_index": lambda hip: _ratio(
            hip, ("canal_20_medial", "canal_20_lateral"), ("isthmus_medial", "isthmus_lateral")
        ),
        "canal_calcar_ratio": lambda hip: _ratio(
            hip, ("canal_100_medial", "canal_100_lateral"), ("calcar_medial", "calcar_lateral")
        ),
        "cortical_index": _cortical_index,
        "pelvic_height_mm": lambda hip: line_above(hip, "pelvis_top", "ischium"),
        "crowe_subluxation_percent": _crowe,
        "pelvic_obliquity_deg": _obliquity,
        "pelvic_rotation_shift_mm": _rotation_shift,
        "pelvic_rotation_percent": _rotation_percent,
        "cup_inclination_deg": _cup_inclination,
        "component_shaft_angle_deg": _component_shaft,
        "component_neck_valgus_deg": _component_valgus,
        "neck_to_component_ratio": _component_ratio,
    }
)

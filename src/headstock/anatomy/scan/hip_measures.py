"""The measures of a hip in space, by name, each with its interval.

In: a `ScanHip` with its batches, and the readings it came from. Out: name to `Measured`; the
names of truth files where they exist, points as three numbers `_x`, `_y`, `_z` in LPS.
What each means: docs/hip3d.md.
"""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

import numpy as np
from numpy.typing import NDArray

from headstock.anatomy.scan._places import Junction, greater_trochanter, lesser_trochanter, surface_points
from headstock.anatomy.scan._scatter import Scatter
from headstock.anatomy.scan._sphere import SphereReading
from headstock.anatomy.scan.axes import NeckReading, ShaftReading
from headstock.anatomy.scan.frame import HipFrame
from headstock.anatomy.scan.segmentation import Segmentation
from headstock.anatomy.scan.values import ScanHip
from headstock.geometry import angle_between_deg, femoral_version_deg
from headstock.geometry.sections3d import widths_mm
from headstock.measured import Measured, measured, missing

__all__ = ["WEIGHT_BEARING_HALF_DEG", "hip_measures"]

Floats = NDArray[np.float64]

# Definition: the weight-bearing cap of the head reaches this far from straight up (z of the hip frame).
WEIGHT_BEARING_HALF_DEG: Final = 45.0
# The top of the trochanter is a ridge from front to back; its highest place is sharp along the shaft only.
_GREATER_SD_MM: Final = (2.0, 3.0, 1.0)  # medial, anterior, proximal
_LESSER_SD_MM: Final = (1.5, 2.0, 3.0)  # a rounded bump: least certain along the shaft
_CONDYLE_SD_MM: Final = 0.5
_NO_SHAFT: Final = "The shaft is not in this scan far enough down to give an axis. Use a scan to 130 mm below the head."


def hip_measures(
    hip: ScanHip,
    seg: Segmentation,
    sphere: SphereReading,
    neck: NeckReading,
    shaft: ShaftReading | None,
    frame: HipFrame,
    ends: Junction,
    scatter: Scatter,
) -> Mapping[str, Measured]:
    """Every measure of this hip; what the scan does not hold is missing with the reason."""
    found: dict[str, Measured] = {}
    head = f"least-squares sphere through the head's surface within 125 deg of the pole (rms {sphere.rms_mm:.2f} mm)"
    found["head_diameter_mm"] = measured(2.0 * hip.head_radius, "mm", f"Scan: {head}.")
    _point(found, "head_centre", scatter.centre_lps, f"Scan: centre of the {head}, LPS.")
    found["head_sphericity_rms_mm"] = measured(
        np.abs(sphere.rms_mm + scatter.normal() * scatter.local_sd_mm / 3.0),
        "mm",
        "Scan: root mean square distance of the head's surface used from its sphere.",
    )
    found["head_excluded_arc_deg"] = measured(
        np.maximum(sphere.excluded_arc_deg + scatter.normal() * 5.0, 0.0),
        "deg",
        "Scan: apex angle of the cap as large as the surface left out of the sphere (sunk, flattened or overgrown).",
    )
    found["head_height_mm"] = measured(
        hip.head_height, "mm", "Scan: pole of the sphere to where the surface leaves it by 1 mm, along the neck axis."
    )
    found["collapse_depth_mm"] = _collapse(hip, seg, sphere, scatter)
    found.update(_neck(hip, neck, frame, scatter))
    found.update(_shaft(hip, frame, neck, scatter))
    found.update(_trochanters(seg, sphere, shaft, frame, scatter))
    return MappingProxyType(found)


def _point(found: dict[str, Measured], name: str, batch: Floats, source: str) -> None:
    for axis, letter in enumerate("xyz"):
        found[f"{name}_lps_{letter}_mm"] = measured(batch[:, axis], "mm", source)


def _collapse(hip: ScanHip, seg: Segmentation, sphere: SphereReading, scatter: Scatter) -> Measured:
    away = sphere.points - sphere.centre_lps_mm
    unit = away / np.linalg.norm(away, axis=1, keepdims=True)
    cap = unit @ hip.to_lps[:, 2] >= np.cos(np.radians(WEIGHT_BEARING_HALF_DEG))
    source = "Scan: greatest depth of the surface below the head's sphere within 45 deg of straight up."
    if cap.sum() < 20:
        return missing("mm", source, "The top of the head is not in this scan.")
    # The sphere moves in each draw; the outline's common error moves surface and sphere alike and cancels.
    size = np.linalg.norm(away[cap], axis=1)
    shift = (scatter.centre_lps - sphere.centre_lps_mm) @ unit[cap].T
    depth = (hip.head_radius - hip.edge)[:, None] - (size - shift)
    worst = depth.max(axis=1) + scatter.normal() * scatter.local_sd_mm
    return measured(np.maximum(worst, 0.0), "mm", source)


def _neck(hip: ScanHip, neck: NeckReading, frame: HipFrame, scatter: Scatter) -> dict[str, Measured]:
    found: dict[str, Measured] = {}
    where = f"Scan: smallest section square to the neck axis ({neck.method.replace('_', ' ')})"
    found["smallest_neck_section_mm2"] = measured(scatter.neck_area, "mm2", f"{where}: its area.")
    _, widths = widths_mm(neck.section)
    grown = 2.0 * hip.edge
    local = scatter.local_sd_mm * np.sqrt(2.0)
    least = widths.min() + grown + local * scatter.normal()
    greatest = widths.max() + grown + local * scatter.normal()
    mean = widths.mean() + grown + 2.0 * scatter.local_sd_mm / np.sqrt(12.0) * scatter.normal()
    found["neck_diameter_least_mm"] = measured(least, "mm", f"{where}: least distance between parallel tangents.")
    found["neck_diameter_greatest_mm"] = measured(greatest, "mm", f"{where}: greatest distance between such.")
    found["narrowest_neck_diameter_mm"] = measured(mean, "mm", f"{where}: mean of that over all directions.")
    found["head_neck_ratio"] = measured(
        2.0 * hip.head_radius / mean, "1", "Scan: head diameter over the mean diameter of the narrowest neck."
    )
    anterior = frame.anterior - (frame.anterior @ neck.axis) * neck.axis
    anterior /= np.linalg.norm(anterior)
    superior = frame.proximal - (frame.proximal @ neck.axis) * neck.axis
    superior -= (superior @ anterior) * anterior
    superior /= np.linalg.norm(superior)
    off = neck.section.points - neck.centroid_least
    across = (scatter.neck_point_lps - scatter.neck_point_lps[0]) @ np.stack([anterior, superior], axis=1)
    for name, way, column, sign in (
        ("anterior", anterior, 0, 1.0),
        ("posterior", -anterior, 0, -1.0),
        ("superior", superior, 1, 1.0),
        ("inferior", -superior, 1, -1.0),
    ):
        reach = float((off @ way).max())
        # The axis goes through the centroid: where it moves outward, less is left.
        batch = hip.head_radius - (reach + hip.edge - sign * across[:, column] + scatter.local_sd_mm * scatter.normal())
        key = "head_neck_offset_mm" if name == "anterior" else f"head_neck_offset_{name}_mm"
        found[key] = measured(
            batch, "mm", f"Scan: head radius minus the {name} reach of the narrowest neck from the neck axis."
        )
        if name == "anterior":
            found["head_neck_offset_ratio"] = measured(
                batch / (2.0 * hip.head_radius), "1", "Scan: anterior head-neck offset over the head diameter."
            )
    return found


def _shaft(hip: ScanHip, frame: HipFrame, neck: NeckReading, scatter: Scatter) -> dict[str, Measured]:
    method = neck.method.replace("_", " ")
    sources = {
        "neck_shaft_angle_deg": f"Scan: angle in space between neck axis ({method}) and shaft axis.",
        "femoral_offset_mm": "Scan: distance in space of the head centre from the shaft axis.",
        "neck_length_mm": "Scan: head centre to where the neck axis passes the shaft axis nearest.",
        "femoral_version_deg": "Scan: neck axis against the backs of the condyles, both seen along the shaft.",
    }
    units = {name: "deg" if name.endswith("deg") else "mm" for name in sources}
    if hip.shaft_axis is None or hip.shaft_point is None or hip.base_depth is None:
        return {name: missing(units[name], source, _NO_SHAFT) for name, source in sources.items()}  # type: ignore[arg-type]
    found = {
        "neck_shaft_angle_deg": measured(
            180.0 - angle_between_deg(hip.neck_axis, hip.shaft_axis), "deg", sources["neck_shaft_angle_deg"]
        ),
        "femoral_offset_mm": measured(
            np.linalg.norm(np.cross(hip.head_centre - hip.shaft_point, hip.shaft_axis), axis=1),
            "mm",
            sources["femoral_offset_mm"],
        ),
        "neck_length_mm": measured(hip.base_depth - hip.head_radius, "mm", sources["neck_length_mm"]),
    }
    source = sources["femoral_version_deg"]
    if frame.condyles_lps is None:
        found["femoral_version_deg"] = missing(
            "deg", source, "No condyles in this scan. Scan the knee in the same sitting, or type a measured version."
        )
        found["assumed_femoral_version_deg"] = measured(
            frame.version_deg + frame.version_sd_deg * scatter.normal(),
            "deg",
            "Stated, not measured: the hip's frame rests on it.",
        )
        return found
    ends = (frame.condyles_lps - hip.centre_lps_mm) @ hip.to_lps
    line = ends[1] - ends[0] + scatter.normal(3) * _CONDYLE_SD_MM * np.sqrt(2.0)
    found["femoral_version_deg"] = measured(femoral_version_deg(hip.neck_axis, line, hip.shaft_axis), "deg", source)
    return found


def _trochanters(
    seg: Segmentation, sphere: SphereReading, shaft: ShaftReading | None, frame: HipFrame, scatter: Scatter
) -> dict[str, Measured]:
    found: dict[str, Measured] = {}
    names = {
        "greater_trochanter": "Scan: the femur's most proximal place lateral of the head, along the shaft, LPS.",
        "lesser_trochanter": "Scan: where the femur stands out most backward and inward below the neck, LPS.",
    }
    centre, radius = sphere.centre_lps_mm, sphere.radius_mm
    if shaft is not None:
        points = surface_points(seg, centre - np.array([120.0, 120.0, 110.0]), centre + np.array([120.0, 120.0, 80.0]))
        medial, anterior, proximal = frame.medial, frame.anterior, frame.proximal
        tip = greater_trochanter(points, centre, radius, medial, proximal)
        bump = lesser_trochanter(points, centre, shaft.point, medial, anterior, proximal)
        for name, place, sd in (
            ("greater_trochanter", tip, _GREATER_SD_MM),
            ("lesser_trochanter", bump, _LESSER_SD_MM),
        ):
            if place is not None:
                _point(found, name, place + (scatter.normal(3) * sd) @ frame.to_lps.T, names[name])
    for name, source in names.items():
        for letter in "xyz":
            key = f"{name}_lps_{letter}_mm"
            if key not in found:
                found[key] = missing(
                    "mm",
                    source,
                    _NO_SHAFT if shaft is None else f"No {name.replace('_', ' ')} stands out in this scan.",
                )
    return found

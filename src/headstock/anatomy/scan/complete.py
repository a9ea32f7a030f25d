"""What of a hip is not in the scan, and which measures that takes away.

In: outlines on their grid. Out: what is cut by the edge of the field, and for
each measure that cannot be had the reason. What can still be measured is
measured: nothing here forbids the rest.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from headstock.anatomy.scan._head import directions
from headstock.anatomy.scan.segmentation import PELVIS, Segmentation
from headstock.images.scan import Finding

__all__ = ["Completeness", "completeness"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

SHAFT_FROM_MM: Final = 85.0  # definition: the shaft's axis is read this far below the head centre (axes.py)
LEAST_SHAFT_MM: Final = 90.0  # definition: 20 mm of shaft below 70 mm give the least axis that is read at all
WHOLE_SHAFT_MM: Final = 130.0  # definition: the shaft's sections end here
_KNEE_MM: Final = 250.0  # a femur followed this far below its head ends in condyles
_CONDYLES_WIDE_MM: Final = 55.0  # across both condyles; the shaft above is 30 mm
_HEAD_MM: Final = 1.15  # of the head's radius: within this of its centre the field cuts the head
_NECK_MM: Final = 2.2  # of the radius: to where the neck runs out into the trochanters
_LESSER_MM: Final = 2.6  # of the radius, below the head centre: to the lesser trochanter
_ROOF_DEG: Final = 30.0  # of upward directions, the roof of the socket
_ROOF_REACH_MM: Final = 12.0  # beyond the head's surface


@dataclass(frozen=True, slots=True, eq=False)
class Completeness:
    """What the field holds. `shaft_mm`: how far below the head centre the femur is followed, along LPS z.

    `missing`: by name of a measure, why it cannot be had. `findings`: the same for people, once for each cause.
    """

    head: bool
    neck: bool
    shaft_mm: float
    condyles: bool
    hemipelvis: bool
    roof: bool
    missing: Mapping[str, str]
    findings: tuple[Finding, ...]


def _cut_places(seg: Segmentation, mask: Mask) -> Floats:
    """(n, 3) LPS of the voxels of a bone that lie on a face of the field: there it goes on unseen."""
    edge = np.zeros(mask.shape, dtype=bool)
    for axis in range(3):
        for end in (0, -1):
            face = [slice(None)] * 3
            face[axis] = end  # type: ignore[call-overload]
            edge[tuple(face)] = True
    return np.asarray(seg.grid.points(np.argwhere(edge & mask)[:, ::-1]))


def _head_radius_mm(seg: Segmentation) -> float:
    """The head's radius from the signed distance: how far its centre lies inside."""
    at = np.clip(np.rint(seg.grid.index(seg.seed_lps_mm)), 0, np.array(seg.grid.shape[::-1]) - 1).astype(int)
    return max(-float(seg.femur_mm[at[2], at[1], at[0]]), 12.0)


def _roof_share(seg: Segmentation, centre: Floats, radius: float) -> float:
    """Share of upward directions in which pelvic bone lies over the head."""
    rays = directions(600)
    rays = rays[rays[:, 2] > np.cos(np.radians(_ROOF_DEG))]
    reach = np.arange(radius - 1.0, radius + _ROOF_REACH_MM, 0.7)
    index = np.rint(seg.grid.index(centre + reach[None, :, None] * rays[:, None, :])).astype(int)
    inside = np.all((index >= 0) & (index < np.array(seg.grid.shape[::-1])), axis=-1)
    index = np.where(inside[..., None], index, 0)
    bone = (seg.bones[index[..., 2], index[..., 1], index[..., 0]] == PELVIS) & inside
    return float(bone.any(axis=1).mean())


def _condyles(seg: Segmentation, femur_places: Floats, lowest: float, shaft_mm: float) -> bool:
    """True when the femur's lower end is as wide as two condyles and ends inside the field."""
    if shaft_mm < _KNEE_MM:
        return False
    end = femur_places[femur_places[:, 2] < lowest + 45.0]
    return bool(np.ptp(end[:, 0]) > _CONDYLES_WIDE_MM)


def completeness(seg: Segmentation) -> Completeness:
    """What of this hip the field holds."""
    femur = seg.femur
    centre = np.asarray(seg.seed_lps_mm)
    radius = _head_radius_mm(seg)
    cut = _cut_places(seg, femur)
    away = np.linalg.norm(cut - centre, axis=1) if cut.size else np.zeros(0)
    below = centre[2] - cut[:, 2] if cut.size else np.zeros(0)
    head = not bool((away < _HEAD_MM * radius).any())
    beside = (away >= _HEAD_MM * radius) & (below < _LESSER_MM * radius)
    neck = not bool((beside & (away < _NECK_MM * radius)).any())
    face_mm2 = seg.grid.voxel_mm3 ** (2.0 / 3.0)
    trochanter_mm2 = float((beside & (away >= _NECK_MM * radius)).sum()) * face_mm2

    places = seg.grid.points(np.argwhere(femur[:, ::2, ::2])[:, ::-1] * np.array([2, 2, 1]))
    lowest = float(places[:, 2].min()) if places.size else float(centre[2])
    shaft_mm = float(centre[2] - lowest)
    condyles = _condyles(seg, places, lowest, shaft_mm) if places.size else False
    pelvis_cut = _cut_places(seg, seg.pelvis)
    hemipelvis = bool(seg.pelvis.any()) and pelvis_cut.shape[0] == 0
    roof = _roof_share(seg, centre, radius) > 0.8

    missing: dict[str, str] = {}
    findings: list[Finding] = []

    def lacking(code: str, weight: str, says: str, reason: str, *measures: str) -> None:
        findings.append(Finding(code, weight, says))  # type: ignore[arg-type]
        for name in measures:
            missing.setdefault(name, reason)

    if not head:
        lacking(
            "head_cut",
            "refuse",
            "The femoral head is cut by the edge of the field, so its size, its volume and every share of it are not "
            "known. Use a series that holds the whole head.",
            "The head is cut by the edge of the field.",
            "head_volume_cm3",
            "share_of_head_percent",
            "weight_bearing_share_percent",
            "head_kept_percent",
        )
    if not neck:
        lacking(
            "neck_cut",
            "warn",
            "The neck is cut by the edge of the field: its sections and the stock profile are smaller than the bone. "
            "Use a series that holds the whole neck.",
            "The neck is cut by the edge of the field.",
            "neck_diameter_mm",
            "stock_profile",
        )
    if trochanter_mm2 > 0.0:
        lacking(
            "trochanter_cut",
            "note",
            f"The trochanters are cut by the edge of the field over {trochanter_mm2 / 100.0:.1f} cm²: how far they "
            "reach is not known.",
            "",
        )
    if shaft_mm < LEAST_SHAFT_MM:
        lacking(
            "shaft_missing",
            "warn",
            f"The femur is in the field only {shaft_mm:.0f} mm below the head centre; a shaft axis needs "
            f"{LEAST_SHAFT_MM:.0f} mm or more. Angles and offset to the shaft are not given; what concerns the "
            "head and neck is.",
            f"The femur ends {shaft_mm:.0f} mm below the head centre; a shaft axis needs {LEAST_SHAFT_MM:.0f} mm.",
            "neck_shaft_angle_deg",
            "femoral_offset_mm",
            "neck_length_mm",
            "shaft_axis",
            "femoral_version_deg",
        )
    elif shaft_mm < WHOLE_SHAFT_MM:
        lacking(
            "shaft_short",
            "note",
            f"The femur is in the field {shaft_mm:.0f} mm below the head centre, not {WHOLE_SHAFT_MM:.0f} mm: the "
            "shaft axis comes from a shorter piece, and its interval is wider.",
            "",
        )
    if not condyles:
        lacking(
            "condyles_missing",
            "note",
            "The condyles are not in the field, so the femur's version cannot be measured on this scan and is stated.",
            "The condyles are not in the field.",
            "femoral_version_deg",
        )
    if not hemipelvis:
        lacking(
            "hemipelvis_cut",
            "note",
            "The hemipelvis is cut by the edge of the field: its outline and volume are of the part that is seen.",
            "The hemipelvis is cut by the edge of the field.",
            "hemipelvis_volume_cm3",
        )
    if not roof:
        lacking(
            "roof_missing",
            "warn",
            "The roof of the socket over the head is not whole in the field: cover of the head is not to be read from "
            "this scan.",
            "The roof of the socket is not whole in the field.",
            "socket_cover_percent",
        )
    return Completeness(head, neck, shaft_mm, condyles, hemipelvis, roof, missing, tuple(findings))

"""One scan series from files, without a record: what it is, its bone, its measures, its stock profile.

In: paths. Out: plain JSON. Top-level names are those of truth files: numbers as they are, points and axes as
lists, LPS mm; `measures` holds every number again with its interval, unit and source.
"""

import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from headstock import __version__
from headstock.anatomy.scan.density import typed_density, uncalibrated
from headstock.anatomy.scan.segmentation import Segmentation
from headstock.anatomy.scan.sides import sides_in
from headstock.anatomy.scan.stock import profile_note, stock_profile
from headstock.anatomy.scan.values import Density, Lesion, ScanHip, StockProfile
from headstock.desk.limits import limits_shipped
from headstock.desk.scans.bone import bone_in
from headstock.desk.scans.coarse import scan_limits
from headstock.desk.scans.following import distinct, follow
from headstock.desk.scans.plain import findings_to_json, grid_to_json
from headstock.errors import AmbiguousError, ImageError
from headstock.frames import Side
from headstock.images.scan import Finding, Scan, ScanModality
from headstock.images.scan_metal import Metal, find_metal, metal_findings
from headstock.images.scan_read import open_scans

__all__ = [
    "Loose",
    "labels_of",
    "open_series",
    "read_series",
    "series_json",
    "show_series",
    "stock_json",
    "write_labels",
    "write_segmentation",
]


@dataclass(frozen=True, slots=True, eq=False)
class Loose:
    """A scan read from files."""

    scan: Scan
    seg: Segmentation
    hip: ScanHip
    lesion: Lesion
    density: Density
    metal: Metal
    findings: tuple[Finding, ...]


def open_series(path: Path, series: int | None = None, modality: ScanModality | None = None) -> Scan:
    """The one scan that a folder, zip or file holds; `series` (1, 2, ...) picks where there are several.

    `modality` says what a NIfTI file is that does not say it itself.

    Raises
    ------
    ImageError
        It holds none that can be read; the message says why.
    AmbiguousError
        It holds several and none was named.
    """
    found = open_scans([path], limits=scan_limits(limits_shipped()), modality=modality)
    if not found.scans:
        words = " ".join(dict.fromkeys(reason for _, reason in found.refused))
        raise ImageError(f"There is no scan here that can be read. {words}".strip())
    if len(found.scans) > 1 and series is None:
        listed = "; ".join(
            f"{i}: {one.modality}, {one.grid.shape[0]} slices, {one.header.description or 'no description'}"
            for i, one in enumerate(found.scans, start=1)
        )
        raise AmbiguousError(f"This holds {len(found.scans)} scans: {listed}. Name one with --series.")
    which = 1 if series is None else series
    if not 1 <= which <= len(found.scans):
        raise AmbiguousError(f"There is no scan {which} here: they are numbered 1 to {len(found.scans)}.")
    return found.scans[which - 1]


def show_series(scan: Scan) -> dict[str, Any]:
    """What a scan says of itself, and what was found in it."""
    metal = find_metal(scan)
    heads = sides_in(scan) if scan.modality == "CT" else None
    found = [] if heads is None else [head for head in (heads.left, heads.right) if head is not None]
    centres: list[np.ndarray | None] = [head.centre_lps_mm for head in found] or [None]
    disturbed = [one for centre in centres for one in metal_findings(metal, scan, centre)]
    findings = distinct((*scan.findings, *metal.findings, *disturbed))
    return {
        "modality": scan.modality,
        "grid": grid_to_json(scan.grid),
        "taken": None if scan.header.taken is None else scan.header.taken.isoformat(),
        "side": None if scan.header.side is None else scan.header.side.value,
        "plannable": all(one.weight != "refuse" for one in findings),
        "metal_cm3": metal.volume_cm3,
        "metal": [
            {
                "centre_lps_mm": part.centre_lps_mm.tolist(),
                "volume_cm3": part.volume_cm3,
                "side": None if part.side is None else part.side.value,
            }
            for part in metal.parts
        ],
        "findings": findings_to_json(findings),
    }


def read_series(
    scan: Scan,
    side: Side,
    *,
    seed_lps_mm: tuple[float, float, float] | None = None,
    density: tuple[float, float, float] | None = None,
    tell: Callable[[float, str], None] | None = None,
) -> Loose:
    """Read a scan for one hip. `density`: slope, offset, sd of the slope in %, of a typed calibration.

    Raises
    ------
    ImageError, TooFewError
        No hip of this side can be read from it.
    """
    seg, metal = bone_in(scan, side, None if seed_lps_mm is None else np.array(seed_lps_mm, np.float64), tell)
    found = follow(scan, seg, metal, limits_shipped())
    law = uncalibrated() if density is None else typed_density(*density, "typed on the command line")
    return Loose(scan, seg, found.hip, found.lesion, law, metal, found.findings)


def _point(values: np.ndarray) -> list[float]:
    return [round(float(v), 4) for v in values]


def _landmark(hip: ScanHip, name: str) -> list[float] | None:
    parts = [hip.measures.get(f"{name}_lps_{axis}_mm") for axis in "xyz"]
    if any(part is None or part.value is None for part in parts):
        return None
    return [round(part.number, 4) for part in parts if part is not None]


def series_json(found: Loose) -> dict[str, Any]:
    """The reading by the names of truth files, and every measure with its interval."""
    hip, lesion = found.hip, found.lesion
    plain: dict[str, Any] = {
        "side": hip.side.value,
        "head_centre_lps_mm": _point(hip.lps(hip.head_centre[0])),
        "neck_axis_lps": _point(hip.to_lps @ hip.neck_axis[0]),
        "neck_centroid_lps_mm": _point(hip.lps(hip.neck_point[0])),
        "greater_trochanter_lps_mm": _landmark(hip, "greater_trochanter"),
        "lesser_trochanter_lps_mm": _landmark(hip, "lesser_trochanter"),
        "shaft_axis_lps": None,
        "shaft_points_lps_mm": None,
    }
    for name in (
        "head_diameter_mm",
        "neck_shaft_angle_deg",
        "femoral_offset_mm",
        "femoral_version_deg",
        "smallest_neck_section_mm2",
    ):
        value = hip.measures.get(name)
        plain[name] = None if value is None else value.value
    if hip.shaft_axis is not None and hip.shaft_point is not None:
        axis, through = hip.shaft_axis[0], hip.shaft_point[0]
        plain["shaft_axis_lps"] = _point(hip.to_lps @ axis)
        ends = [through + (height - through[2]) / axis[2] * axis for height in (-85.0, -130.0)]
        plain["shaft_points_lps_mm"] = [_point(hip.lps(end)) for end in ends]
    volume = lesion.measures.get("volume_cm3")
    plain["lesion"] = (
        None
        if not lesion.parts
        else {
            "centre_lps_mm": _point(hip.lps(max(lesion.parts, key=lambda part: part.volume_cm3.number).centre_hip_mm)),
            "volume_cm3": None if volume is None else volume.value,
            "parts": [
                {
                    "kind": part.kind,
                    "centre_lps_mm": _point(hip.lps(part.centre_hip_mm)),
                    "volume_cm3": part.volume_cm3.to_json(),
                }
                for part in lesion.parts
            ],
        }
    )
    plain["measures"] = {name: value.to_json() for name, value in {**hip.measures, **lesion.measures}.items()}
    plain["frame"] = hip.frame_words
    plain["density"] = found.density.source
    plain["plannable"] = all(one.weight != "refuse" for one in found.findings)
    plain["findings"] = findings_to_json(found.findings)
    return plain


def labels_of(found: Loose) -> np.ndarray:
    """uint8 on the outlines' grid: 1 femur, 2 pelvis, 3 lesion (which lies inside the femur)."""
    labels = found.seg.bones.copy()
    labels[(found.lesion.best_mm < 0.0) & found.seg.femur] = 3
    return labels


def write_labels(found: Loose, path: Path) -> None:
    """Labels on the scan's own grid as NIfTI: 1 femur, 2 pelvis, 3 lesion.

    Raises
    ------
    ImageError
        The name does not end in .nii or .nii.gz.
    """
    from headstock.images.labels_out import write_labels_nifti

    write_labels_nifti(found.scan.grid, found.seg.grid, labels_of(found), path)


def write_segmentation(found: Loose, source: Path, path: Path) -> None:
    """A DICOM segmentation that refers to the series the scan was read from (a folder, a zip or one file).

    Raises
    ------
    ImageError
        The series is not DICOM, or the scan was put onto a grid of its own.
    """
    from headstock.images.seg import write_seg

    files: list[bytes | Path]
    if source.is_dir():
        files = [one for one in sorted(source.rglob("*")) if one.is_file()]
    elif zipfile.is_zipfile(source):
        with zipfile.ZipFile(source) as archive:
            files = [archive.read(name) for name in archive.namelist() if not name.endswith("/")]
    else:
        files = [source]
    data = write_seg(files, found.scan, found.seg.grid, labels_of(found), found.hip.side, version=__version__)
    path.write_bytes(data)


def stock_json(found: Loose, *, tell: Callable[[float, str], None] | None = None) -> dict[str, Any]:
    """The stock profile: lists by depth, and where sound bone starts."""
    if tell is not None:
        tell(0.9, "the stock profile")
    profile: StockProfile = stock_profile(
        found.scan, found.seg, found.hip, found.lesion, found.density, metal=found.metal
    )

    def rows(values: np.ndarray) -> dict[str, list[float | None]]:
        return {
            name: [None if not np.isfinite(v) else round(float(v), 4) for v in values[i]]
            for i, name in enumerate(("value", "low", "high"))
        }

    return {
        "side": found.hip.side.value,
        "depth_mm": [round(float(v), 3) for v in profile.depth_mm],
        "section_mm2": rows(profile.section_mm2),
        "sound_mm2": rows(profile.sound_mm2),
        "sound_inner_mm2": [round(float(v), 3) for v in profile.sound_inner_mm2],
        "sound_outer_mm2": [round(float(v), 3) for v in profile.sound_outer_mm2],
        "density": rows(profile.density),
        "density_unit": profile.density_unit,
        "density_source": found.density.source,
        "wall_mm": rows(profile.wall_mm),
        "least_wall_mm": rows(profile.least_wall_mm),
        "joined": [bool(v) for v in profile.joined],
        "within_streaks_of_metal_percent": [round(100.0 * float(v), 2) for v in profile.marked],
        "note": profile_note(profile),
        "sound_from_mm": profile.sound_from_mm.to_json(),
        "findings": findings_to_json(found.findings),
    }

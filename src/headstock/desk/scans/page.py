"""A scan of one hip as a page: what it is, what was found in it, where its outlines stand, what was measured.

In: the record. Out: `ScanPage`. Nothing is computed here that the rooms below did not compute.
"""

from datetime import date, datetime
from typing import Final

import numpy as np
from sqlalchemy.orm import Session

from headstock.anatomy.scan.values import LesionPart
from headstock.desk.desk import Desk
from headstock.desk.films import person
from headstock.desk.guards import wrong_side
from headstock.desk.limits import limits_in_force
from headstock.desk.pages import Number, WhyRow
from headstock.desk.scan_pages import (
    CalibrationOut,
    FindingOut,
    GridOut,
    LesionOut,
    MarkerOut,
    MeshInfo,
    ScanPage,
    SegmentationOut,
)
from headstock.desk.scans.plain import findings_from_json, grid_from_json, scan_header_from_json
from headstock.desk.scans.reading import ScanScene, scan_scene
from headstock.desk.scans.rows import hip_of_scan, scan_card, scan_side, scan_words
from headstock.desk.scans.volumes import working_grid, working_version
from headstock.desk.words import label_of, number
from headstock.errors import GuardError, HeadstockError
from headstock.frames import Side
from headstock.geometry.grid import Grid
from headstock.images.scan import Finding, ScanHeader
from headstock.measured import Measured, normal
from headstock.planning.limits import Limits
from headstock.records.drafts import draft_state, find_draft
from headstock.records.people import patient
from headstock.records.scans import outlines_subject, reading_of, use_of
from headstock.records.scans import scan as scan_row
from headstock.records.tables import HipRecord, JobRow, ScanRow

__all__ = ["grid_out", "scan_numbers", "scan_page", "segmentation_out"]

_CT_WINDOW: Final = (400.0, 1800.0)  # centre and width that show spongiosa and cortex at once; common practice
# Measures in the order a surgeon asks for them; the rest follow by name on request (`headstock scan read --json`).
_ORDER: Final = (
    "head_diameter_mm",
    "neck_shaft_angle_deg",
    "femoral_offset_mm",
    "femoral_version_deg",
    "narrowest_neck_diameter_mm",
    "head_neck_ratio",
    "smallest_neck_section_mm2",
    "head_height_mm",
    "collapse_depth_mm",
    "sphericity_mm",
)
_LESION_ORDER: Final = (
    "volume_cm3",
    "share_of_head_percent",
    "weight_bearing_share_percent",
    "combined_necrotic_angle_deg",
    "koo_kim_index",
)
_LABELS: Final = {
    "volume_cm3": "dead bone",
    "share_of_head_percent": "dead bone, of the head",
    "weight_bearing_share_percent": "dead bone, of the weight-bearing part",
    "combined_necrotic_angle_deg": "combined necrotic angle",
    "koo_kim_index": "necrotic index",
    "smallest_neck_section_mm2": "smallest neck section",
    "narrowest_neck_diameter_mm": "narrowest neck diameter",
    "collapse_depth_mm": "depth of the head's surface below the sphere",
}


def scan_page(desk: Desk, scan_id: str, hip_id: str | None, *, today: date) -> ScanPage:
    """The scan as it stands for one hip."""
    limits = limits_in_force(desk)
    with desk.store.session() as session:
        row = scan_row(session, scan_id)
        hip = hip_of_scan(session, row, hip_id)
        card = scan_card(session, row, hip, today)
        use = use_of(session, row.id, hip.id)
        who = person(patient(session, row.patient_id), today)
        outlines = segmentation_out(session, row, hip)
    read, stopped = _read(desk, row, hip, limits) if outlines.state == "found" else (None, "")
    findings = findings_from_json(row.findings) if read is None else read.findings
    grid = working_grid(desk, row, hip.id)
    says = scan_side(row, use)
    side_says, confirmed = "", True
    try:
        wrong_side(Side(hip.side), [says])
    except GuardError as stop:
        side_says, confirmed = str(stop), False
    return ScanPage(
        scan_id=row.id,
        hip_id=hip.id,
        side=hip.side,  # type: ignore[arg-type]  # kept by us from the same words
        person=who,
        card=card,
        finding=_finding(row, hip, read, stopped or outlines.says),
        header=_header_rows(scan_header_from_json(row.header), grid_from_json(row.grid)),
        findings=[*_findings(findings), *([_stop_finding(stopped)] if stopped else [])],
        plannable=all(one.weight != "refuse" for one in findings) and not stopped,
        grid=grid_out(grid),
        window=_CT_WINDOW if row.modality == "CT" else _mr_window(desk, row),
        side_confirmed=confirmed,
        side_says=side_says,
        segmentation=outlines,
        calibration=calibration_out(row, None if read is None else read.density.note),
        lesions=[] if read is None else [_lesion(part, read) for part in read.lesion.parts],
        numbers=[] if read is None else scan_numbers(read),
        markers=[] if read is None else _markers(read),
        neck_plane=None if read is None else _neck_plane(read),
        meshes=[] if read is None else _meshes(row, hip, read),
        volume_version=working_version(desk, row, hip.id),
    )


def _read(desk: Desk, row: ScanRow, hip: HipRecord, limits: Limits) -> tuple[ScanScene | None, str]:
    """What follows from the outlines, or the words of what stands in the way."""
    try:
        return scan_scene(desk, row, hip.id, limits), ""
    except HeadstockError as stop:
        return None, str(stop)


def segmentation_out(session: Session, row: ScanRow, hip: HipRecord) -> SegmentationOut:
    """Where the outlines stand."""
    found = reading_of(session, row.id, hip.id)
    job = None if found is None or found.job_id is None else session.get(JobRow, found.job_id)
    draft = find_draft(session, "outlines", outlines_subject(row.id, hip.id))
    kept = None if draft is None else draft_state(session, draft)
    busy = job is not None and job.state in ("waits", "runs")
    done = found is not None and found.address is not None
    failed = job is not None and job.state in ("failed", "cancelled") and not done
    return SegmentationOut(
        state="working" if busy else "found" if done else "failed" if failed else "none",
        job_id=None if found is None else found.job_id,
        says=job.says if job is not None and (busy or failed) else "" if found is None else found.says,
        step=0 if kept is None else kept.step,
        can_undo=kept is not None and kept.can_undo,
        can_redo=kept is not None and kept.can_redo,
        saved_at=None if kept is None or kept.at is None else datetime.fromisoformat(kept.at),
        last_edit=None if kept is None or not kept.what else kept.what,
    )


def _finding(row: ScanRow, hip: HipRecord, read: ScanScene | None, says: str) -> str:
    if read is None:
        return says or f"{scan_words(row)}: its bone was not found yet."
    start = read.stock.sound_from_mm
    if not read.lesion.parts:
        return f"No dead bone was found in the {hip.side} head."
    volume = read.lesion.measures.get("volume_cm3")
    words = "" if volume is None or volume.value is None else f"Dead bone of {volume.value:.1f} cm³. "
    if start.value is None:
        return f"{words}{start.reason}"
    return f"{words}Sound bone starts {start.value:.1f} mm below the top of the head."


def _findings(findings: tuple[Finding, ...]) -> list[FindingOut]:
    order = {"refuse": 0, "warn": 1, "note": 2}
    return [
        FindingOut(code=one.code, weight=one.weight, says=one.says)
        for one in sorted(findings, key=lambda one: order[one.weight])
    ]


def _stop_finding(says: str) -> FindingOut:
    return FindingOut(code="not_measured", weight="refuse", says=says)


def _header_rows(header: ScanHeader, grid: Grid) -> list[WhyRow]:
    spacing = " x ".join(f"{step:.2f}" for step in grid.spacing_mm)
    rows = [
        ("series", header.description),
        ("taken", "" if header.taken is None else header.taken.isoformat()),
        ("side", header.side.value if header.side is not None else "silent"),
        ("voxels", f"{spacing} mm, {grid.shape[2]} x {grid.shape[1]} x {grid.shape[0]}"),
        ("kernel", header.kernel),
        ("tube voltage", "" if header.kvp is None else f"{header.kvp:g} kV"),
        ("files", f"{header.files}" if header.files else ""),
    ]
    return [WhyRow(name=name, text=text) for name, text in rows if text]


def _mr_window(desk: Desk, row: ScanRow) -> tuple[float, float]:
    from headstock.desk.scans.volume import volume

    low, high = np.percentile(volume(desk, row).values[::4, ::4, ::4], (1.0, 99.0))
    return (float(low + high) / 2, max(float(high - low), 1.0))


def grid_out(grid: Grid) -> GridOut:
    """A grid as a page carries it."""

    def triple(values: np.ndarray) -> tuple[float, float, float]:
        x, y, z = (float(v) for v in values)
        return (x, y, z)

    return GridOut(
        origin=triple(grid.origin_mm),
        axes=[triple(row) for row in grid.axes],
        spacing=triple(grid.spacing_mm),
        slices=grid.shape[0],
        rows=grid.shape[1],
        columns=grid.shape[2],
    )


def calibration_out(row: ScanRow, note: str | None = None) -> CalibrationOut:
    """How HU become density, as a person gave it; `note`: what must be said of it."""
    given = row.calibration or {}
    if given.get("kind") == "typed":
        slope = number(
            "slope",
            "slope",
            normal(given["slope"], abs(given["slope"]) * given["slope_sd_percent"] / 100.0, "1", given["source"]),
            decimals=6,
        )
        return CalibrationOut(
            state="typed", words=f"density from a typed calibration ({given['source']})", slope=slope, offset=None
        )
    if given.get("kind") == "rods":
        words = "density from rods in the scan" + ("" if note is None else f". {note}")
        return CalibrationOut(state="rods", words=words, slope=None, offset=None)
    return CalibrationOut(
        state="none", words="not calibrated: only ratios within this scan are shown", slope=None, offset=None
    )


def _lesion(part: LesionPart, read: ScanScene) -> LesionOut:
    x, y, z = (float(v) for v in read.hip.lps(part.centre_hip_mm))
    return LesionOut(
        number=part.number,
        kind=part.kind,
        volume=number(f"lesion_{part.number}_cm3", "volume", part.volume_cm3),
        centre=(x, y, z),
    )


def scan_numbers(read: ScanScene) -> list[Number]:
    """The measures of a scan, in the order a surgeon asks for them."""

    def rows(order: tuple[str, ...], measures: dict[str, Measured]) -> list[Number]:
        return [number(key, _LABELS.get(key, label_of(key)), measures[key]) for key in order if key in measures]

    found = rows(_ORDER, dict(read.hip.measures))
    found += rows(_LESION_ORDER, dict(read.lesion.measures)) if read.lesion.parts else []
    found.append(number("sound_from_mm", "sound bone starts below the top of the head", read.stock.sound_from_mm))
    return found


def _point(values: np.ndarray) -> tuple[float, float, float]:
    x, y, z = (round(float(v), 3) for v in values)
    return (x, y, z)


def _markers(read: ScanScene) -> list[MarkerOut]:
    hip = read.hip
    radius = float(hip.head_radius[0])
    axis, centre = hip.neck_axis[0], hip.head_centre[0]
    base = float(hip.base_depth[0]) if hip.base_depth is not None else 3.0 * radius
    found = [
        MarkerOut(
            key="head", label="head sphere", kind="sphere", points=[_point(hip.lps(centre))], radius_mm=round(radius, 3)
        ),
        MarkerOut(
            key="neck_axis",
            label="neck axis",
            kind="line",
            points=[
                _point(hip.lps(centre + (radius + 10.0) * axis)),
                _point(hip.lps(centre + (radius - base - 5.0) * axis)),
            ],
        ),
        MarkerOut(key="pole", label="pole", kind="point", points=[_point(hip.lps(hip.pole[0]))]),
    ]
    if hip.shaft_axis is not None and hip.shaft_point is not None:
        along, through = hip.shaft_axis[0], hip.shaft_point[0]
        found.append(
            MarkerOut(
                key="shaft_axis",
                label="shaft axis",
                kind="line",
                points=[
                    _point(hip.lps(through + (20.0 - through[2]) * along)),
                    _point(hip.lps(through + (-130.0 - through[2]) * along)),
                ],
            )
        )
    return found


def _neck_plane(
    read: ScanScene,
) -> tuple[tuple[float, float, float], tuple[float, float, float], tuple[float, float, float]]:
    """Head centre, a point down the neck axis, a point to the lateral side, in the frontal plane of the neck."""
    hip = read.hip
    axis, centre = hip.neck_axis[0], hip.head_centre[0]
    across = np.cross(np.array([0.0, 1.0, 0.0]), axis)
    across /= np.linalg.norm(across)
    return (
        _point(hip.lps(centre)),
        _point(hip.lps(centre - 40.0 * axis)),
        _point(hip.lps(centre - 30.0 * np.sign(across[0] or 1.0) * across)),
    )


def _meshes(row: ScanRow, hip: HipRecord, read: ScanScene) -> list[MeshInfo]:
    parts = ["femur", "pelvis", *(["lesion", "lesion_outer"] if read.lesion.parts else [])]
    return [
        MeshInfo(
            part=part,  # type: ignore[arg-type]  # of the four words above
            path=f"/api/scans/{row.id}/mesh/{part}?hip={hip.id}&v={read.basis[:16]}",
            value="wall" if part == "femur" else None,
        )
        for part in parts
    ]

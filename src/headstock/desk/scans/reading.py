"""A scan read for one hip: outlines found, corrected, and everything that follows from them.

In: the record. Out: `ScanScene`, kept in memory under a fingerprint of everything it
was made from. Finding the outlines is work of its own (`find_outlines`); what
follows from outlines is computed again when it is wanted, in seconds, and is the same each time.
"""

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy.orm import Session

from headstock import __version__
from headstock.anatomy.scan.density import typed_density, uncalibrated
from headstock.anatomy.scan.edits import DrawnLesion, Edit, apply_edits
from headstock.anatomy.scan.segmentation import Segmentation
from headstock.anatomy.scan.stock import stock_profile
from headstock.anatomy.scan.values import Density, Lesion, ScanHip, StockProfile
from headstock.desk.desk import Desk
from headstock.desk.scans.bone import bone_in
from headstock.desk.scans.following import follow
from headstock.desk.scans.marking import carried_lesion
from headstock.desk.scans.plain import outlines_bytes, outlines_from_bytes
from headstock.desk.scans.rows import refusals, scans_in_use
from headstock.desk.scans.volume import volume
from headstock.errors import TooFewError
from headstock.frames import Side
from headstock.images.scan import Finding, Scan
from headstock.images.scan_metal import Metal, find_metal
from headstock.planning.limits import Limits
from headstock.records import canonical, stamp, write_line
from headstock.records.drafts import draft_state, find_draft, steps_to
from headstock.records.people import hip as hip_row
from headstock.records.scans import outlines_subject, reading_of
from headstock.records.scans import scan as scan_row
from headstock.records.tables import ScanReading, ScanRow

__all__ = [
    "Outlines",
    "ScanScene",
    "density_by",
    "edit_from_json",
    "edits_of",
    "find_outlines",
    "outlines_of",
    "scan_scene",
    "stops_of",
]


@dataclass(frozen=True, slots=True, eq=False)
class Outlines:
    """The outlines as they stand: found by the program, then corrected. `mark` changes when they do."""

    seg: Segmentation
    drawn: DrawnLesion | None
    step: int
    mark: str


@dataclass(frozen=True, slots=True, eq=False)
class ScanScene:
    """Everything read from one scan for one hip. `findings` join those of the files, the outlines and the hip."""

    scan_id: str
    basis: str
    scan: Scan
    seg: Segmentation
    hip: ScanHip
    lesion: Lesion
    density: Density
    stock: StockProfile
    findings: tuple[Finding, ...]

    @property
    def plannable(self) -> bool:
        """False when something found forbids planning on this scan."""
        return all(finding.weight != "refuse" for finding in self.findings)


def mark_reading(desk: Desk, scan_id: str, hip_id: str, job_id: str, *, now: datetime) -> None:
    """Note the work that looks for the bone of this scan."""
    with desk.store.writing() as session:
        scan_row(session, scan_id)
        reading = reading_of(session, scan_id, hip_id)
        if reading is None:
            session.add(ScanReading(scan_id=scan_id, hip_id=hip_id, job_id=job_id, says="", made_by="", at=stamp(now)))
        else:
            reading.job_id = job_id


# ---- outlines ------------------------------------------------------------------------------------------------


def find_outlines(
    desk: Desk,
    scan_id: str,
    hip_id: str,
    seed: list[float] | None,
    progress: Callable[[float, str], None],
    *,
    who: str,
    now: datetime,
) -> ScanReading:
    """Find bone from bone in a scan and keep it. Safe to run twice: the answer is the same.

    Raises
    ------
    ImageError, TooFewError
        No hip of this side can be found; the words say what to do.
    """
    with desk.store.session() as session:
        row, side = scan_row(session, scan_id), Side(hip_row(session, hip_id).side)
    progress(0.01, "reading the slices")
    found = volume(desk, row)
    point = None if seed is None else np.array(seed, np.float64)
    seg, _ = bone_in(found, side, point, lambda share, words: progress(0.05 + 0.55 * share, words))
    address = desk.store.vault.put(outlines_bytes(seg))
    with desk.store.writing() as session:
        reading = reading_of(session, scan_id, hip_id)
        if reading is None:
            reading = ScanReading(scan_id=scan_id, hip_id=hip_id)
            session.add(reading)
        reading.address, reading.seed = address, seed
        reading.says, reading.made_by, reading.at = "outlines found", f"headstock {__version__}", stamp(now)
        hip_row(session, hip_id).under_study = True
        write_line(
            session, at=now, who=who, action="outlines found", subject=scan_id, hip=hip_id, address=address, seed=seed
        )
    return reading


def edits_of(session: Session, scan_id: str, hip_id: str) -> tuple[list[dict[str, Any]], int]:
    """Every correction that stands, in the order they were made, and the step they lead to."""
    draft = find_draft(session, "outlines", outlines_subject(scan_id, hip_id))
    if draft is None:
        return [], 0
    return [edit for step in steps_to(session, draft) for edit in step["edits"]], draft_state(session, draft).step


def edit_from_json(plain: dict[str, Any]) -> Edit:
    """A correction as kept (desk/scan_pages.py, EditIn)."""
    normal = plain.get("normal")
    return Edit(
        plain["tool"],
        plain["label"],
        tuple((float(x), float(y), float(z)) for x, y, z in plain["points"]),
        plain.get("radius_mm"),
        None if normal is None else (float(normal[0]), float(normal[1]), float(normal[2])),
    )


def outlines_of(desk: Desk, row: ScanRow, hip_id: str) -> Outlines:
    """The outlines as they stand.

    Raises
    ------
    TooFewError
        The bone of this scan was not found yet.
    """
    with desk.store.session() as session:
        reading = reading_of(session, row.id, hip_id)
        edits, step = edits_of(session, row.id, hip_id)
    if reading is None or reading.address is None:
        raise TooFewError("The bone of this scan was not found yet, so nothing can be read from it. Open the scan.")
    address = reading.address
    mark = hashlib.sha256(canonical([address, edits]).encode()).hexdigest()

    def make() -> Outlines:
        base: Segmentation = desk.hips.get(
            ("base", address), lambda: outlines_from_bytes(desk.store.vault.get(address))
        )
        if not edits:
            return Outlines(base, None, step, mark)
        seg, drawn, _ = apply_edits(base, volume(desk, row), [edit_from_json(edit) for edit in edits])
        return Outlines(seg, drawn, step, mark)

    found: Outlines = desk.hips.get(("outlines", mark), make)
    return found


# ---- what follows --------------------------------------------------------------------------------------------


def density_by(given: Mapping[str, Any], scan: Callable[[], Scan], metal: Metal | None = None) -> Density:
    """How a scan's HU become density: as a person gave it, or not at all. `scan` is asked for when rods are in it.

    Raises
    ------
    CalibrationError, TooFewError, AmbiguousError
        What was given is no line, or the scan does not show these rods.
    """
    if given.get("kind") == "typed":
        return typed_density(given["slope"], given["offset"], given["slope_sd_percent"], given["source"])
    if given.get("kind") == "rods":
        from headstock.anatomy.scan.density import density_from_rods

        return density_from_rods(scan(), given["rods_g_cm3"], metal=metal)
    return uncalibrated()


def scan_scene(
    desk: Desk,
    row: ScanRow,
    hip_id: str,
    limits: Limits,
    *,
    progress: Callable[[float, str], None] = lambda _share, _words: None,
) -> ScanScene:
    """Everything that follows from the outlines of this scan.

    Raises
    ------
    TooFewError
        The bone was not found yet, or too little of it is in the scan.
    """
    outlines = outlines_of(desk, row, hip_id)
    version = limits.named("assumed_femoral_version_deg")
    marked = _marked(desk, row, hip_id)
    marks = [[mr.content_sha256, kept] for mr, kept in marked]
    basis = hashlib.sha256(
        canonical([outlines.mark, row.content_sha256, row.calibration, version.value, version.sd, marks]).encode()
    ).hexdigest()

    def make() -> ScanScene:
        scan, seg = volume(desk, row), outlines.seg
        metal = find_metal(scan)

        def carried(centre: NDArray[np.float64], radius: float) -> Lesion:
            return carried_lesion(desk, *marked[0], seg, centre, radius)

        found = follow(
            scan,
            seg,
            metal,
            limits,
            drawn=outlines.drawn,
            other=carried if marked else None,
            progress=progress,
        )
        density = density_by(row.calibration or {}, lambda: scan, metal)
        progress(0.7, "the stock profile")
        stock = stock_profile(scan, seg, found.hip, found.lesion, density, metal=metal)
        return ScanScene(row.id, basis, scan, seg, found.hip, found.lesion, density, stock, found.findings)

    scene: ScanScene = desk.hips.get(("scan", basis), make)
    return scene


def _marked(desk: Desk, row: ScanRow, hip_id: str) -> list[tuple[ScanRow, list[Any]]]:
    """The MR scans of this hip on which dead bone was marked, newest first, each with what was kept."""
    with desk.store.session() as session:
        hip = hip_row(session, hip_id)
        found = []
        for mr in scans_in_use(session, hip):
            reading = reading_of(session, mr.id, hip_id)
            if mr.modality == "MR" and mr.id != row.id and reading is not None and reading.seed:
                found.append((mr, list(reading.seed)))
    return found


def stops_of(row: ScanRow, scene: ScanScene) -> list[str]:
    """Why nothing may be planned on this scan; empty when it may."""
    return list(
        dict.fromkeys([*refusals(row), *(finding.says for finding in scene.findings if finding.weight == "refuse")])
    )

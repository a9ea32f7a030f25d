"""What a person does with a scan: say its side, calibrate it, correct its outlines, take it into a hip or out of it."""

from datetime import datetime
from typing import Literal

import numpy as np

from headstock.desk.desk import Desk
from headstock.desk.scan_pages import CalibrationIn, EditKept, EditsIn, ScanPage, ScanSideIn
from headstock.desk.scans.page import scan_page, segmentation_out
from headstock.desk.scans.reading import edit_from_json, outlines_of
from headstock.desk.scans.rows import hip_of_scan
from headstock.desk.scans.volume import volume
from headstock.desk.scans.volumes import working_version
from headstock.errors import CalibrationError, GuardError, TooFewError
from headstock.records import stamp, write_line
from headstock.records.drafts import find_or_begin, redo, save_step, undo
from headstock.records.people import hip as hip_row
from headstock.records.scans import outlines_subject, use_of
from headstock.records.scans import scan as scan_row
from headstock.records.tables import ScanUse

__all__ = ["calibrate", "keep_edits", "move_edits", "say_side", "use_scan"]

_SLOPE_SD_PERCENT = 5.0  # of a slope typed without its error: common practice, no source


def say_side(desk: Desk, scan_id: str, given: ScanSideIn, hip_id: str | None, *, who: str, now: datetime) -> ScanPage:
    """What the reader sees in the planes: which side the hip under study is."""
    with desk.store.writing() as session:
        row = scan_row(session, scan_id)
        hip = hip_of_scan(session, row, hip_id)
        use = use_of(session, row.id, hip.id)
        if use is None:
            session.add(ScanUse(scan_id=row.id, hip_id=hip.id, used=True, side_seen=given.seen, by=who, at=stamp(now)))
        else:
            use.side_seen, use.by, use.at = given.seen, who, stamp(now)
        write_line(session, at=now, who=who, action="scan side said", subject=row.id, hip=hip.id, seen=given.seen)
        found = hip.id
    return scan_page(desk, scan_id, found, today=now.date())


def use_scan(desk: Desk, hip_id: str, scan_id: str, used: bool, *, who: str, now: datetime) -> None:
    """Take a scan into this hip, or out of it.

    Raises
    ------
    GuardError
        The scan is another patient's.
    """
    with desk.store.writing() as session:
        row, hip = scan_row(session, scan_id), hip_row(session, hip_id)
        if row.patient_id != hip.patient_id:
            raise GuardError(
                "This scan belongs to another patient than this hip. It was not taken in. Open it from its own hip.",
                "wrong patient",
            )
        use = use_of(session, row.id, hip.id)
        if use is None:
            session.add(ScanUse(scan_id=row.id, hip_id=hip.id, used=used, side_seen=None, by=who, at=stamp(now)))
        else:
            use.used, use.by, use.at = used, who, stamp(now)
        write_line(
            session, at=now, who=who, action="scan taken in" if used else "scan taken out", subject=row.id, hip=hip.id
        )


def calibrate(
    desk: Desk, scan_id: str, given: CalibrationIn, hip_id: str | None, *, who: str, now: datetime
) -> ScanPage:
    """How HU become density from now on.

    Raises
    ------
    CalibrationError
        The line is incomplete or cannot be true.
    """
    plain: dict[str, object] = {}
    if given.kind == "typed":
        if given.slope is None or not 1e-5 < given.slope < 1e-2:
            raise CalibrationError(
                "A slope from HU to density lies near 0.0008 g/cm³ per HU; this one is missing or far away. Type it as "
                "the phantom's report states it, in g/cm³ per HU."
            )
        source = given.source.strip()
        if not source:
            raise CalibrationError("Say where this line comes from: which phantom, which scanner and kernel, when.")
        plain = {
            "kind": "typed",
            "slope": given.slope,
            "offset": given.offset or 0.0,
            "slope_sd_percent": given.slope_sd_percent or _SLOPE_SD_PERCENT,
            "source": source[:300],
        }
    elif given.kind == "rods":
        if not given.rods_g_cm3:
            raise CalibrationError("The densities of the rods are missing. Type them in g/cm³, as their maker states.")
        plain = {"kind": "rods", "rods_g_cm3": [float(value) for value in given.rods_g_cm3]}
    with desk.store.session() as session:
        row = scan_row(session, scan_id)
    if plain.get("kind") == "rods":
        from headstock.anatomy.scan.density import density_from_rods

        density_from_rods(volume(desk, row), plain["rods_g_cm3"])  # type: ignore[arg-type]  # refuses what is no line
    with desk.store.writing() as session:
        row = scan_row(session, scan_id)
        row.calibration = plain
        write_line(session, at=now, who=who, action="scan calibrated", subject=row.id, given=plain)
    return scan_page(desk, scan_id, hip_id, today=now.date())


# ---- corrections of the outlines -----------------------------------------------------------------------------


def keep_edits(desk: Desk, scan_id: str, hip_id: str | None, given: EditsIn, *, who: str, now: datetime) -> EditKept:
    """Keep corrections as one step; it is on the disk before this returns.

    Raises
    ------
    StepConflictError
        Someone kept another step meanwhile.
    TooFewError
        The bone was not found yet, or an edit lacks what its tool needs.
    """
    plain = [edit.model_dump(mode="json") for edit in given.edits]
    if not plain:
        raise TooFewError("This correction holds nothing. Draw it again.")
    for edit in plain:
        edit_from_json(edit)  # refuses before anything is kept
    with desk.store.session() as session:
        row = scan_row(session, scan_id)
        hip = hip_of_scan(session, row, hip_id)
    outlines_of(desk, row, hip.id)
    with desk.store.writing() as session:
        draft = find_or_begin(session, "outlines", outlines_subject(row.id, hip.id), who)
        state = save_step(session, draft, {"edits": plain}, base_step=given.base_step, what=given.what, by=who, now=now)
        write_line(
            session, at=now, who=who, action="outlines corrected", subject=row.id, hip=hip.id, step=state.step,
            what=given.what,
        )  # fmt: skip
    return _kept(desk, scan_id, hip.id, points=[point for edit in given.edits for point in edit.points])


def move_edits(
    desk: Desk, scan_id: str, hip_id: str | None, way: Literal["undo", "redo"], *, who: str, now: datetime
) -> EditKept:
    """One correction back, or forward again."""
    with desk.store.writing() as session:
        row = scan_row(session, scan_id)
        hip = hip_of_scan(session, row, hip_id)
        draft = find_or_begin(session, "outlines", outlines_subject(row.id, hip.id), who)
        state = undo(session, draft) if way == "undo" else redo(session, draft)
        write_line(session, at=now, who=who, action=f"outlines {way}", subject=row.id, hip=hip.id, step=state.step)
        found = hip.id
    return _kept(desk, scan_id, found, points=[])


def _kept(desk: Desk, scan_id: str, hip_id: str, *, points: list[tuple[float, float, float]]) -> EditKept:
    with desk.store.session() as session:
        row, hip = scan_row(session, scan_id), hip_row(session, hip_id)
        outlines = segmentation_out(session, row, hip)
    seg = outlines_of(desk, row, hip_id).seg
    box = None
    if points:
        index = seg.grid.index(np.array(points, np.float64))
        top = np.array(seg.grid.shape[::-1]) - 1
        low = np.clip(np.floor(index.min(axis=0)) - 1, 0, top).astype(int)
        high = np.clip(np.ceil(index.max(axis=0)) + 1, 0, top).astype(int)
        box = (_zyx(low), _zyx(high))
    return EditKept(segmentation=outlines, box=box, volume_version=working_version(desk, row, hip_id))


def _zyx(index: np.ndarray) -> tuple[int, int, int]:
    x, y, z = (int(n) for n in index)
    return (z, y, x)

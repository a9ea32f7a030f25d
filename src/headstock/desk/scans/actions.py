"""What a person does with a scan: say its side, calibrate it, correct its outlines, take it into a hip or out of it."""

from datetime import datetime
from typing import Any, Literal

import numpy as np

from headstock.desk.desk import Desk
from headstock.desk.scan_pages import CalibrationIn, EditKept, EditsIn, ScanPage, ScanSideIn
from headstock.desk.scans.page import scan_page, segmentation_out
from headstock.desk.scans.reading import Outlines, density_by, edit_from_json, outlines_of
from headstock.desk.scans.rows import hip_of_scan
from headstock.desk.scans.volume import volume
from headstock.desk.scans.volumes import thinned_by, working_version
from headstock.errors import CalibrationError, GuardError, TooFewError
from headstock.records import stamp, write_line
from headstock.records.drafts import find_or_begin, redo, save_step, undo
from headstock.records.people import hip as hip_row
from headstock.records.scans import outlines_subject, use_of
from headstock.records.scans import scan as scan_row
from headstock.records.tables import ScanUse

__all__ = ["calibrate", "keep_edits", "move_edits", "say_side", "use_scan"]

_SLOPE_SD_PERCENT = 5.0  # of a slope typed without its error: common practice, no source
_LARGEST_RADIUS_MM = 50.0  # of a tool: the whole head and more; common practice, no source


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
    plain: dict[str, Any] = {}
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
        hip_of_scan(session, row, hip_id)
    density_by(plain, lambda: volume(desk, row))  # refuses what is no line before it is kept
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
        if (edit["radius_mm"] or 0.0) > _LARGEST_RADIUS_MM:
            raise TooFewError(
                f"A tool of {edit['radius_mm']:g} mm radius is larger than a femoral head, so nothing would be left to "
                f"correct. Give at most {_LARGEST_RADIUS_MM:g} mm."
            )
    with desk.store.session() as session:
        row = scan_row(session, scan_id)
        hip = hip_of_scan(session, row, hip_id)
    before = outlines_of(desk, row, hip.id)
    with desk.store.writing() as session:
        draft = find_or_begin(session, "outlines", outlines_subject(row.id, hip.id), who)
        state = save_step(session, draft, {"edits": plain}, base_step=given.base_step, what=given.what, by=who, now=now)
        write_line(
            session, at=now, who=who, action="outlines corrected", subject=row.id, hip=hip.id, step=state.step,
            what=given.what,
        )  # fmt: skip
    return _kept(desk, scan_id, hip.id, before)


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
    return _kept(desk, scan_id, found, None)


def _kept(desk: Desk, scan_id: str, hip_id: str, before: Outlines | None) -> EditKept:
    with desk.store.session() as session:
        row, hip = scan_row(session, scan_id), hip_row(session, hip_id)
        outlines = segmentation_out(session, row, hip)
    after = outlines_of(desk, row, hip_id)
    return EditKept(
        segmentation=outlines,
        box=None if before is None else _changed(before, after),
        volume_version=working_version(desk, row, hip_id),
    )


def _changed(before: Outlines, after: Outlines) -> tuple[tuple[int, int, int], tuple[int, int, int]] | None:
    """First and last (slice, row, column) of the working volume that the hand changed; None when nothing did."""
    if not before.seg.grid.same_as(after.seg.grid):
        return None  # the bone was found anew meanwhile: a box on the old grid would say nothing
    step = thinned_by(after.seg.grid)
    differ = np.zeros(after.seg.grid.shape, bool)[::step, ::step, ::step]
    for old, new in zip(_by_hand(before), _by_hand(after), strict=True):
        differ |= old[::step, ::step, ::step] != new[::step, ::step, ::step]
    if not differ.any():
        return None
    ends = [np.flatnonzero(differ.any(axis=tuple({0, 1, 2} - {axis})))[[0, -1]] for axis in range(3)]
    (k0, k1), (j0, j1), (i0, i1) = ((int(first), int(last)) for first, last in ends)
    return (k0, j0, i0), (k1, j1, i1)


def _by_hand(one: Outlines) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Bones, what was drawn of dead bone, what was erased of it; each (slices, rows, columns)."""
    if one.drawn is None:
        none = np.broadcast_to(np.False_, one.seg.bones.shape)
        return one.seg.bones, none, none
    return one.seg.bones, one.drawn.added, one.drawn.removed

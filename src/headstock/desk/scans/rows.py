"""What the record says of a scan, in words: its card, which hip it counts for, which side it carries."""

from datetime import date
from typing import Literal

from sqlalchemy.orm import Session

from headstock.desk.guards import FilmSide, Said
from headstock.desk.owner import hip_opened_for
from headstock.desk.pages import ScanCard, SideEvidence
from headstock.desk.scans.plain import findings_from_json
from headstock.desk.words import day_words
from headstock.frames import Side
from headstock.planning.limits import Limits
from headstock.records.scans import reading_of, scans_of, use_of
from headstock.records.tables import HipRecord, JobRow, ScanReading, ScanRow, ScanUse

__all__ = [
    "hip_of_scan",
    "is_stale",
    "is_used",
    "refusals",
    "scan_card",
    "scan_evidence",
    "scan_side",
    "scan_words",
    "scans_in_use",
]


def scan_words(row: ScanRow) -> str:
    """CT of 9 Nov 2026."""
    return f"{row.modality} of {day_words(row.taken)}"


def hip_of_scan(session: Session, row: ScanRow, hip_id: str | None) -> HipRecord:
    """The hip a scan is opened for (desk/owner.py)."""
    return hip_opened_for(session, row.patient_id, row.side, hip_id, what="scan")


def is_used(row: ScanRow, hip: HipRecord, use: ScanUse | None) -> bool:
    """Whether a scan counts for a hip: as a person said, else when its header does not name the other side."""
    if use is not None:
        return use.used
    return row.side is None or row.side == hip.side


def scans_in_use(session: Session, hip: HipRecord) -> list[ScanRow]:
    """The scans that count for a hip, newest first."""
    return [row for row in scans_of(session, hip.patient_id) if is_used(row, hip, use_of(session, row.id, hip.id))]


def refusals(row: ScanRow) -> list[str]:
    """Why nothing may be planned on this scan; empty when it may."""
    return [finding.says for finding in findings_from_json(row.findings) if finding.weight == "refuse"]


def is_stale(row: ScanRow, today: date, limits: Limits) -> bool:
    """Older than the limit for images, counted to a day."""
    limit = limits.named("film_age_days").high
    return row.taken is not None and limit is not None and (today - row.taken).days > limit


def scan_side(row: ScanRow, use: ScanUse | None) -> FilmSide:
    """What this scan says about sides, as the guard of the side asks.

    A scan's own geometry carries left and right for every voxel; what it does not carry is whether the hip under
    study was meant. The header's laterality says so, or the reader who looked.
    """
    letter: Said | None = None if use is None or use.side_seen is None else use.side_seen  # type: ignore[assignment]
    header: Said = row.side if row.side in ("left", "right") else "silent"  # type: ignore[assignment]  # kept by us
    if letter is None and header != "silent":
        letter = "silent"  # the header speaks: nobody has to
    return FilmSide(
        words=scan_words(row),
        film_id=row.id,
        is_pelvis=False,
        header=header,
        letter=letter,
        letter_by="" if use is None else use.by,
    )


def scan_evidence(row: ScanRow, use: ScanUse | None, side: Side) -> list[SideEvidence]:
    """Where this scan carries a side, and whether it agrees with the hip."""
    says = scan_side(row, use)
    rows = [
        SideEvidence(
            place=f"{says.words}, header",
            says=says.header,
            read_by="header: laterality" if says.header != "silent" else "header is silent",
            agrees=None if says.header == "silent" else says.header == side.value,
        )
    ]
    if use is not None and use.side_seen is not None:
        rows.append(
            SideEvidence(
                place=f"{says.words}, as seen in its planes",
                says=use.side_seen,  # type: ignore[arg-type]  # kept by us
                read_by=use.by,
                agrees=use.side_seen == side.value,
            )
        )
    rows.append(
        SideEvidence(
            place=f"{says.words}, where the bone lies",
            says=side.value,
            read_by="patient coordinates of the outlines",
            agrees=True,
        )
    )
    return rows


def scan_card(session: Session, row: ScanRow, hip: HipRecord, today: date) -> ScanCard:
    """A scan as listed under a hip."""
    use, found = use_of(session, row.id, hip.id), reading_of(session, row.id, hip.id)
    stops = refusals(row)
    state, says = _state(session, row, found, stops)
    return ScanCard(
        scan_id=row.id,
        modality=row.modality,  # type: ignore[arg-type]  # kept by us
        taken=row.taken,
        age_days=None if row.taken is None else (today - row.taken).days,
        words=scan_words(row),
        state=state,
        says=says,
        side=row.side,  # type: ignore[arg-type]  # kept by us
        job_id=None if found is None else found.job_id,
        used_here=is_used(row, hip, use),
    )


def _state(
    session: Session, row: ScanRow, found: ScanReading | None, stops: list[str]
) -> tuple[Literal["not_read", "reading", "read", "stopped"], str]:
    job = None if found is None or found.job_id is None else session.get(JobRow, found.job_id)
    if job is not None and job.state in ("waits", "runs"):
        return "reading", job.says
    if found is not None and found.address is not None:
        return ("stopped", stops[0]) if stops else ("read", found.says)
    if job is not None and job.state == "failed":
        return "stopped", job.says
    if stops:
        return "stopped", stops[0]
    if row.modality == "MR":
        return "not_read", "for dead bone, carried onto the CT"
    return "not_read", "not read yet"

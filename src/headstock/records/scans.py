"""Scans: look up, add, list; the outlines found in them. Rules are the desk's; here is only the record."""

from datetime import date

import sqlalchemy as sa
from sqlalchemy.orm import Session

from headstock.records.people import NotFoundError
from headstock.records.tables import ScanReading, ScanRow, ScanUse

__all__ = ["outlines_subject", "reading_of", "scan", "scan_by_content", "scans_of", "use_of"]


def scan(session: Session, scan_id: str) -> ScanRow:
    """The scan of this id.

    Raises
    ------
    RecordError
        There is none.
    """
    row = session.get(ScanRow, scan_id)
    if row is None:
        raise NotFoundError("There is no such scan in this record. Open its hip and choose again.")
    return row


def scan_by_content(session: Session, content_sha256: str) -> ScanRow | None:
    """The scan made of exactly these files."""
    return session.scalar(sa.select(ScanRow).where(ScanRow.content_sha256 == content_sha256))


def scans_of(session: Session, patient_id: str) -> list[ScanRow]:
    """The scans of a patient, newest first."""
    rows = session.scalars(sa.select(ScanRow).where(ScanRow.patient_id == patient_id))
    return sorted(rows, key=lambda row: (row.taken or date.min, row.imported_at, row.id), reverse=True)


def use_of(session: Session, scan_id: str, hip_id: str) -> ScanUse | None:
    """What a person said of this scan for this hip."""
    return session.get(ScanUse, (scan_id, hip_id))


def reading_of(session: Session, scan_id: str, hip_id: str) -> ScanReading | None:
    """The outlines found in this scan for this hip, or the work that looks for them."""
    return session.get(ScanReading, (scan_id, hip_id))


def outlines_subject(scan_id: str, hip_id: str) -> str:
    """The subject of the draft of corrections: both ids, 16 letters each."""
    return scan_id + hip_id

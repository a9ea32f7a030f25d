"""A series becomes a scan of a patient: its slices put in order in space, its identity and side kept.

In: the addresses of the files of one series in the vault. Out: a row of the record and
one line of words. A series that is no volume is kept aside with the reason.
"""

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

import sqlalchemy as sa
from sqlalchemy.orm import Session

from headstock.desk.desk import Desk
from headstock.desk.limits import limits_in_force
from headstock.desk.owner import hip_to_open, owner_of
from headstock.desk.scans.coarse import scan_limits
from headstock.desk.scans.plain import findings_to_json, grid_to_json, scan_header_to_json
from headstock.desk.scans.rows import scan_words
from headstock.desk.scans.volume import kept_under
from headstock.errors import AmbiguousError, GuardError, ImageError
from headstock.images.nifti import is_nifti
from headstock.images.scan import Scan, ScanModality
from headstock.images.scan_read import scan_of_files
from headstock.records import sha256_hex, stamp, write_line
from headstock.records.people import hip_of, new_id
from headstock.records.scans import scan_by_content
from headstock.records.tables import ScanReading, ScanRow, SetAside

__all__ = ["Taken", "addresses_of", "content_of", "take_series"]


@dataclass(frozen=True, slots=True)
class Taken:
    """What became of a series."""

    outcome: Literal["imported", "already_here", "set_aside", "refused"]
    says: str
    scan_id: str | None = None
    hip_id: str | None = None


def addresses_of(session: Session, series_uid: str) -> list[str]:
    """Every file of a series that is here, of this import and of earlier ones."""
    return list(
        session.scalars(sa.select(SetAside.sha256).where(SetAside.series_uid == series_uid).order_by(SetAside.name))
    )


def content_of(addresses: list[str]) -> str:
    """One address for a set of files, whatever their order."""
    return sha256_hex("\n".join(sorted(set(addresses))).encode())


def take_series(
    desk: Desk,
    series_uid: str,
    addresses: list[str],
    *,
    who: str,
    now: datetime,
    into: str | None = None,
    modality: ScanModality | None = None,
) -> Taken:
    """Make a scan of a series' files.

    `into`: the hip that a scan without an identity belongs to. `modality`: of a NIfTI file, as a person says it.
    """
    content = content_of(addresses)
    with desk.store.session() as session:
        here = scan_by_content(session, content)
        if here is not None and not _said_otherwise(desk, here, modality):
            return Taken("already_here", "Already here.", here.id, hip_to_open(session, here.patient_id, here.side))
    limits = scan_limits(limits_in_force(desk))
    try:
        files = [desk.store.vault.get(address) for address in addresses]
        found = scan_of_files(files, limits=limits, modality=modality)
    except (ImageError, AmbiguousError) as stop:
        return Taken("set_aside", f"Kept, but no scan could be made of it. {stop}")
    desk.scans.get(kept_under(content, limits, found.modality), lambda: found)
    try:
        with desk.store.writing() as session:
            row = _enter(session, found, series_uid, addresses, content, now, into)
            write_line(
                session,
                at=now,
                who=who,
                action="scan imported",
                subject=row.id,
                files=len(addresses),
                modality=row.modality,
                content=content,
            )
            words = f"{scan_words(row)}, {_size_words(found)}{f', {row.side} hip' if row.side else ''}."
            notes = " ".join(finding.says for finding in found.findings if finding.weight != "note")
            return Taken("imported", f"{words} {notes}".strip(), row.id, hip_to_open(session, row.patient_id, row.side))
    except GuardError as stop:
        return Taken("refused", str(stop))


def _said_otherwise(desk: Desk, here: ScanRow, modality: ScanModality | None) -> bool:
    """Whether a person now says of a NIfTI file that it is not what it was brought in as. DICOM says it itself."""
    if modality is None or modality == here.modality:
        return False
    return is_nifti(desk.store.vault.get(here.files[0]))


def _enter(
    session: Session,
    found: Scan,
    series_uid: str,
    addresses: list[str],
    content: str,
    now: datetime,
    into: str | None,
) -> ScanRow:
    owner = owner_of(session, found.header, content, what="scan", now=now, into=into)
    uid = (series_uid or content)[:128]
    older = session.scalar(sa.select(ScanRow).where(ScanRow.patient_id == owner.id, ScanRow.series_uid == uid))
    if older is not None:
        if session.scalar(sa.select(ScanReading).where(ScanReading.scan_id == older.id)) is not None:
            raise GuardError(
                "A scan of this series is already here and was read, and these files make another volume of it. It was "
                "not replaced under its reading. Compare the two at the source, and export the right one as a series "
                "of its own.",
                "wrong patient",
            )
        row = older
    else:
        row = ScanRow(id=new_id(), patient_id=owner.id, series_uid=uid, calibration={})
        session.add(row)
    row.content_sha256, row.files = content, list(addresses)
    row.modality, row.taken = found.modality, found.header.taken
    row.side = None if found.header.side is None else found.header.side.value
    row.header, row.grid = scan_header_to_json(found.header), grid_to_json(found.grid)
    row.findings = findings_to_json(found.findings)
    row.imported_at = stamp(now)
    session.flush()
    if row.side is not None:
        hip_of(session, owner.id, row.side).under_study = True
    return row


def _size_words(found: Scan) -> str:
    slices, step = found.grid.shape[0], float(found.grid.spacing_mm[2])
    return f"{slices} slices, {step:.1f} mm apart"

"""Whose an image is: the patient its header names, and the hip it is opened for.

In: the record, and what the files of a film or a scan say of themselves. Out: rows of the record.
"""

from datetime import date, datetime
from typing import Literal, Protocol

from sqlalchemy.orm import Session

from headstock.desk.facts import NO_NUMBER
from headstock.desk.guards import Identity, wrong_patient
from headstock.errors import GuardError
from headstock.records import sha256_hex
from headstock.records.people import add_patient, hips_of, patient, patient_by_number
from headstock.records.people import hip as hip_row
from headstock.records.tables import HipRecord, Patient

__all__ = ["hip_opened_for", "hip_to_open", "owner_of"]


class _Header(Protocol):
    """What a film's and a scan's header both say."""

    @property
    def patient_number(self) -> str: ...
    @property
    def patient_name(self) -> str: ...
    @property
    def birth_date(self) -> date | None: ...
    @property
    def sex(self) -> str: ...
    @property
    def study_uid(self) -> str: ...


def owner_of(
    session: Session,
    header: _Header,
    content_sha256: str,
    *,
    what: Literal["image", "scan"],
    now: datetime,
    into: str | None = None,
) -> Patient:
    """The patient an image belongs to: of the hip `into` it was given to, else the one its header names.

    An image without a number gets a patient of its own study, never merged with another by a guess.

    Raises
    ------
    GuardError
        It carries another number than that hip's patient, or one number and two people.
    """
    number = " ".join(header.patient_number.split())
    if into is not None:
        known = patient(session, hip_row(session, into).patient_id)
        if number and number != known.number and not known.number.startswith(NO_NUMBER):
            raise GuardError(
                f"This {what} carries another patient's number than the hip it was given to. It was not taken in. "
                "Import it without naming a hip.",
                "wrong patient",
            )
    else:
        kept = number or NO_NUMBER + sha256_hex((header.study_uid or content_sha256).encode())[:8].upper()
        row = patient_by_number(session, kept)
        if row is None:
            return add_patient(
                session,
                number=kept,
                name=header.patient_name,
                born=header.birth_date,
                sex=header.sex or None,
                now=now,
            )
        known = row
    wrong_patient(
        Identity(known.number, known.name, known.born, known.sex or ""),
        Identity(number, header.patient_name, header.birth_date, header.sex),
    )
    known.name = known.name or header.patient_name
    known.born = known.born or header.birth_date
    known.sex = known.sex or header.sex or None
    return known


def hip_to_open(session: Session, patient_id: str, side: str | None) -> str:
    """The hip that an import leads to: the image's own side, else the one under study, else the right."""
    hips = hips_of(session, patient_id)
    best = [hip for hip in hips if hip.side == side] or [hip for hip in hips if hip.under_study]
    return (best or sorted(hips, key=lambda hip: hip.side, reverse=True))[0].id


def hip_opened_for(
    session: Session, patient_id: str, side: str | None, hip_id: str | None, *, what: Literal["film", "scan"]
) -> HipRecord:
    """The hip an image is opened for: the one named, else the image's own side, else the one under study.

    Raises
    ------
    GuardError
        The named hip is another patient's.
    """
    if hip_id is not None:
        named = hip_row(session, hip_id)
        if named.patient_id != patient_id:
            raise GuardError(
                f"This {what} belongs to another patient than this hip. Nothing was opened. Open it from its own hip.",
                "wrong patient",
            )
        return named
    hips = hips_of(session, patient_id)
    studied = [hip for hip in hips if hip.under_study] or hips
    return next((hip for hip in hips if hip.side == side), studied[0])

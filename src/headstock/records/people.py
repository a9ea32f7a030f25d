"""Patients, hips, films, facts, settings: look up, add, list. Rules are the desk's; here is only the record."""

import uuid
from datetime import date, datetime
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from headstock.errors import RecordError
from headstock.records.audit import stamp
from headstock.records.tables import (
    FactRow,
    FilmRow,
    FilmUse,
    HipRecord,
    LimitEdit,
    Patient,
    SettingRow,
)

__all__ = [
    "NotFoundError",
    "add_fact",
    "add_limit_edit",
    "add_patient",
    "facts_of",
    "film",
    "films_of",
    "hip",
    "hip_of",
    "hips",
    "hips_of",
    "limit_edits",
    "new_id",
    "patient",
    "patient_by_number",
    "put_setting",
    "setting",
    "uses_of",
]


class NotFoundError(RecordError):
    """There is no such row."""


def new_id() -> str:
    """A random name for a row; it says nothing about a person."""
    return uuid.uuid4().hex[:16]


def patient(session: Session, patient_id: str) -> Patient:
    """The patient of this id.

    Raises
    ------
    RecordError
        There is none.
    """
    row = session.get(Patient, patient_id)
    if row is None:
        raise NotFoundError("There is no such patient in this record. Open the list of hips and choose again.")
    return row


def patient_by_number(session: Session, number: str) -> Patient | None:
    """The patient with this hospital number."""
    return session.scalar(sa.select(Patient).where(Patient.number == number))


def add_patient(
    session: Session, *, number: str, name: str, born: date | None, sex: str | None, now: datetime, demo: bool = False
) -> Patient:
    """A new patient with both hips; which of them is under study shows later."""
    row = Patient(id=new_id(), number=number, name=name, born=born, sex=sex, created_at=stamp(now), is_demo=demo)
    session.add(row)
    session.flush()
    for side in ("right", "left"):
        session.add(HipRecord(id=new_id(), patient_id=row.id, side=side, created_at=stamp(now)))
    session.flush()
    return row


def hip(session: Session, hip_id: str) -> HipRecord:
    """The hip of this id.

    Raises
    ------
    RecordError
        There is none.
    """
    row = session.get(HipRecord, hip_id)
    if row is None:
        raise NotFoundError("There is no such hip in this record. Open the list of hips and choose again.")
    return row


def hip_of(session: Session, patient_id: str, side: str) -> HipRecord:
    """One side of one patient."""
    return session.scalars(sa.select(HipRecord).where(HipRecord.patient_id == patient_id, HipRecord.side == side)).one()


def hips(session: Session) -> list[HipRecord]:
    """All hips, oldest first."""
    return list(session.scalars(sa.select(HipRecord).order_by(HipRecord.created_at, HipRecord.id)))


def hips_of(session: Session, patient_id: str) -> list[HipRecord]:
    """Both hips of a patient."""
    return list(session.scalars(sa.select(HipRecord).where(HipRecord.patient_id == patient_id)))


def film(session: Session, film_id: str) -> FilmRow:
    """The film of this id.

    Raises
    ------
    RecordError
        There is none.
    """
    row = session.get(FilmRow, film_id)
    if row is None:
        raise NotFoundError("There is no such film in this record. Open its hip and choose again.")
    return row


def films_of(session: Session, patient_id: str) -> list[FilmRow]:
    """The films of a patient, newest first."""
    rows = session.scalars(sa.select(FilmRow).where(FilmRow.patient_id == patient_id))
    return sorted(rows, key=lambda row: (row.taken or date.min, row.imported_at, row.id), reverse=True)


def uses_of(session: Session, hip_id: str) -> dict[str, bool]:
    """What a person said of films for this hip: film id → in use."""
    return {row.film_id: row.used for row in session.scalars(sa.select(FilmUse).where(FilmUse.hip_id == hip_id))}


def facts_of(session: Session, hip_row: HipRecord) -> dict[str, FactRow]:
    """The newest entry of every key, for the hip and its patient."""
    query = (
        sa.select(FactRow)
        .where(FactRow.patient_id == hip_row.patient_id, sa.or_(FactRow.hip_id.is_(None), FactRow.hip_id == hip_row.id))
        .order_by(FactRow.seq)
    )
    return {row.key: row for row in session.scalars(query)}


def add_fact(
    session: Session,
    hip_row: HipRecord,
    *,
    key: str,
    value: Any,
    per_patient: bool,
    on: date | None,
    source: str,
    by: str,
    now: datetime,
) -> FactRow:
    """A new entry; the older ones of the key stay."""
    row = FactRow(
        patient_id=hip_row.patient_id,
        hip_id=None if per_patient else hip_row.id,
        key=key,
        value=value,
        on=on,
        source=source,
        by=by,
        at=stamp(now),
    )
    session.add(row)
    session.flush()
    return row


def limit_edits(session: Session) -> dict[str, LimitEdit]:
    """The newest edit of every limit."""
    return {row.key: row for row in session.scalars(sa.select(LimitEdit).order_by(LimitEdit.seq))}


def add_limit_edit(
    session: Session, *, key: str, low: float | None, high: float | None, source: str, by: str, now: datetime
) -> None:
    """A limit as this installation sets it from now on."""
    session.add(LimitEdit(key=key, low=low, high=high, source=source, by=by, at=stamp(now)))
    session.flush()


def setting(session: Session, key: str, default: Any = None) -> Any:
    """A setting, or `default` while nobody has set it."""
    row = session.get(SettingRow, key)
    return default if row is None else row.value


def put_setting(session: Session, key: str, value: Any) -> None:
    """Set it."""
    row = session.get(SettingRow, key)
    if row is None:
        session.add(SettingRow(key=key, value=value))
    else:
        row.value = value
    session.flush()

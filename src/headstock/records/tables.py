"""The tables. Times are ISO 8601 text with offset: the bytes that are hashed are the bytes that are stored.

Rows that carry proof (`plan`, `audit`) are append-only: triggers made by the
migrations refuse UPDATE and DELETE on SQLite and PostgreSQL.
Facts and edited limits are append-only by habit: the newest row of a key counts,
the older ones show what was believed before.
"""

from datetime import date
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column

__all__ = [
    "Audit",
    "Base",
    "Draft",
    "DraftStep",
    "FactRow",
    "FilmRow",
    "FilmUse",
    "HipFigure",
    "HipRecord",
    "JobRow",
    "LimitEdit",
    "Patient",
    "PlanRow",
    "ScanReading",
    "ScanRow",
    "ScanUse",
    "SetAside",
    "SettingRow",
]

_NAMES = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "fk": "fk_%(table_name)s_%(column_0_N_name)s",
    "pk": "pk_%(table_name)s",
}


class Base(DeclarativeBase):
    """Plain `sa.JSON` everywhere: the same migrations run on SQLite and PostgreSQL."""

    metadata = sa.MetaData(naming_convention=_NAMES)
    type_annotation_map = {dict[str, Any]: sa.JSON, list[Any]: sa.JSON, Any: sa.JSON}  # noqa: RUF012 - SQLAlchemy's form


class Patient(Base):
    """A person, as the films name them. `number` is unique; a second identity under it is refused, never merged."""

    __tablename__ = "patient"
    id: Mapped[str] = mapped_column(sa.String(32), primary_key=True)
    number: Mapped[str] = mapped_column(sa.String(128), unique=True)
    name: Mapped[str] = mapped_column(sa.String(256), default="")
    born: Mapped[date | None]
    sex: Mapped[str | None] = mapped_column(sa.String(16))
    created_at: Mapped[str] = mapped_column(sa.String(40))
    is_demo: Mapped[bool] = mapped_column(default=False)


class HipRecord(Base):
    """One side of one patient. `chosen_level` and the target are the surgeon's standing choices before signing."""

    __tablename__ = "hip"
    __table_args__ = (sa.UniqueConstraint("patient_id", "side"),)
    id: Mapped[str] = mapped_column(sa.String(32), primary_key=True)
    patient_id: Mapped[str] = mapped_column(sa.ForeignKey("patient.id"), index=True)
    side: Mapped[str] = mapped_column(sa.String(8))
    created_at: Mapped[str] = mapped_column(sa.String(40))
    under_study: Mapped[bool] = mapped_column(default=False)  # False: "the other hip"
    chosen_level: Mapped[str | None] = mapped_column(sa.String(24))
    target_leg_mm: Mapped[float] = mapped_column(default=0.0)
    target_offset_mm: Mapped[float] = mapped_column(default=0.0)


class FilmRow(Base):
    """A film. Its bytes lie in the vault under `sha256`; `pixels_sha256` recognises the same picture in another file.

    `header` is what the file said, frozen at import. The rest is what readers
    said: side letter, direction of the columns, view, scale; each with who.
    """

    __tablename__ = "film"
    id: Mapped[str] = mapped_column(sa.String(32), primary_key=True)
    patient_id: Mapped[str] = mapped_column(sa.ForeignKey("patient.id"), index=True)
    sha256: Mapped[str] = mapped_column(sa.String(64), unique=True)
    pixels_sha256: Mapped[str] = mapped_column(sa.String(64), index=True)
    source_name: Mapped[str] = mapped_column(sa.String(512), default="")
    view: Mapped[str | None] = mapped_column(sa.String(16))
    taken: Mapped[date | None]
    header: Mapped[dict[str, Any]]
    imported_at: Mapped[str] = mapped_column(sa.String(40))
    columns_to_left: Mapped[bool | None]
    side_letter: Mapped[str | None] = mapped_column(sa.String(8))
    side_letter_by: Mapped[str | None] = mapped_column(sa.String(128))
    scale_inputs: Mapped[dict[str, Any]] = mapped_column(default=dict)  # by kind: what a person gave for it
    scale_kind: Mapped[str | None] = mapped_column(sa.String(32))  # the kind chosen; None: the first that is possible
    scale_settled_by: Mapped[str | None] = mapped_column(sa.String(128))


class FilmUse(Base):
    """A film taken into, or out of, a hip by a person. No row: films of the patient that show the side are in use."""

    __tablename__ = "film_use"
    film_id: Mapped[str] = mapped_column(sa.ForeignKey("film.id"), primary_key=True)
    hip_id: Mapped[str] = mapped_column(sa.ForeignKey("hip.id"), primary_key=True)
    used: Mapped[bool]
    by: Mapped[str] = mapped_column(sa.String(128))
    at: Mapped[str] = mapped_column(sa.String(40))


class ScanRow(Base):
    """A CT or MR series. Its files lie in the vault under the addresses of `files`, in the order they came in.

    `header`, `grid` and `findings` are what the files said, frozen at import; `calibration` is what a person
    gave to turn HU into density (empty: nothing).
    """

    __tablename__ = "scan"
    __table_args__ = (sa.UniqueConstraint("patient_id", "series_uid"),)
    id: Mapped[str] = mapped_column(sa.String(32), primary_key=True)
    patient_id: Mapped[str] = mapped_column(sa.ForeignKey("patient.id"), index=True)
    series_uid: Mapped[str] = mapped_column(sa.String(128))
    content_sha256: Mapped[str] = mapped_column(sa.String(64), unique=True)  # over the sorted addresses of its files
    modality: Mapped[str] = mapped_column(sa.String(8))
    taken: Mapped[date | None]
    side: Mapped[str | None] = mapped_column(sa.String(8))  # as the header says
    files: Mapped[list[Any]]
    header: Mapped[dict[str, Any]]
    grid: Mapped[dict[str, Any]]
    findings: Mapped[list[Any]]
    calibration: Mapped[dict[str, Any]] = mapped_column(default=dict)
    imported_at: Mapped[str] = mapped_column(sa.String(40))


class ScanUse(Base):
    """What a person said of a scan for a hip: taken in or out, and which side they saw in it."""

    __tablename__ = "scan_use"
    scan_id: Mapped[str] = mapped_column(sa.ForeignKey("scan.id"), primary_key=True)
    hip_id: Mapped[str] = mapped_column(sa.ForeignKey("hip.id"), primary_key=True)
    used: Mapped[bool]
    side_seen: Mapped[str | None] = mapped_column(sa.String(8))
    by: Mapped[str] = mapped_column(sa.String(128))
    at: Mapped[str] = mapped_column(sa.String(40))


class ScanReading(Base):
    """The outlines the program found in a scan for a hip, before any correction: the vault holds them at `address`.

    Corrections are steps of a draft ("outlines") and are replayed on them. `job_id` is the work that
    finds them; `address` is None until it is done. `made_by` is the program's version.
    """

    __tablename__ = "scan_reading"
    scan_id: Mapped[str] = mapped_column(sa.ForeignKey("scan.id"), primary_key=True)
    hip_id: Mapped[str] = mapped_column(sa.ForeignKey("hip.id"), primary_key=True)
    address: Mapped[str | None] = mapped_column(sa.String(64))
    seed: Mapped[list[Any] | None] = mapped_column(sa.JSON, nullable=True)
    job_id: Mapped[str | None] = mapped_column(sa.String(32))
    says: Mapped[str] = mapped_column(sa.Text, default="")
    made_by: Mapped[str] = mapped_column(sa.String(64), default="")
    at: Mapped[str] = mapped_column(sa.String(40))


class SetAside(Base):
    """A file that is not a film, kept in the vault so that nothing is lost (slices of a CT series, for one)."""

    __tablename__ = "set_aside"
    sha256: Mapped[str] = mapped_column(sa.String(64), primary_key=True)
    name: Mapped[str] = mapped_column(sa.String(512))
    study_uid: Mapped[str | None] = mapped_column(sa.String(128), index=True)
    series_uid: Mapped[str | None] = mapped_column(sa.String(128), index=True)
    says: Mapped[str] = mapped_column(sa.Text)
    imported_at: Mapped[str] = mapped_column(sa.String(40))


class FactRow(Base):
    """An entry of the patient's or the hip's record. Append-only: the newest row of a key counts."""

    __tablename__ = "fact"
    seq: Mapped[int] = mapped_column(primary_key=True, autoincrement=True)
    patient_id: Mapped[str] = mapped_column(sa.ForeignKey("patient.id"), index=True)
    hip_id: Mapped[str | None] = mapped_column(sa.ForeignKey("hip.id"), index=True)
    key: Mapped[str] = mapped_column(sa.String(64))
    value: Mapped[Any] = mapped_column(nullable=True)
    on: Mapped[date | None]
    source: Mapped[str] = mapped_column(sa.String(512), default="")
    by: Mapped[str] = mapped_column(sa.String(128))
    at: Mapped[str] = mapped_column(sa.String(40))


class Draft(Base):
    """Work in progress that can be undone step by step: a reading of a film, or the placement on a hip.

    `step` is where the work stands; `redo` are the steps undone, nearest last.
    Step numbers are never used twice, so that a conflict cannot hide.
    """

    __tablename__ = "draft"
    __table_args__ = (sa.UniqueConstraint("kind", "subject_id", "repeat_no"),)
    id: Mapped[str] = mapped_column(sa.String(32), primary_key=True)
    kind: Mapped[str] = mapped_column(sa.String(16))  # "reading", "placement" or "outlines"
    subject_id: Mapped[str] = mapped_column(sa.String(32), index=True)  # film, hip, or scan and hip
    repeat_no: Mapped[int] = mapped_column(default=0)  # 0: the reading in use; 1..: repeats, for repeatability
    reader: Mapped[str] = mapped_column(sa.String(128))
    is_open: Mapped[bool] = mapped_column(default=True)
    step: Mapped[int] = mapped_column(default=0)
    last_step: Mapped[int] = mapped_column(default=0)
    redo: Mapped[list[Any]] = mapped_column(default=list)


class DraftStep(Base):
    """One kept step of a draft; steps left behind by a new change after an undo stay in the record."""

    __tablename__ = "draft_step"
    draft_id: Mapped[str] = mapped_column(sa.ForeignKey("draft.id"), primary_key=True)
    step: Mapped[int] = mapped_column(primary_key=True)
    parent: Mapped[int]
    state: Mapped[dict[str, Any]]
    what: Mapped[str] = mapped_column(sa.String(256))
    by: Mapped[str] = mapped_column(sa.String(128))
    at: Mapped[str] = mapped_column(sa.String(40))


class HipFigure(Base):
    """A figure computed from a hip's record, kept so that lists need not compute it again; `basis` says from what."""

    __tablename__ = "hip_figure"
    hip_id: Mapped[str] = mapped_column(sa.ForeignKey("hip.id"), primary_key=True)
    name: Mapped[str] = mapped_column(sa.String(64), primary_key=True)
    basis: Mapped[str] = mapped_column(sa.String(64))
    value: Mapped[Any] = mapped_column(nullable=True)


class PlanRow(Base):
    """A signed plan: everything it rests on, frozen. Append-only, chained per installation."""

    __tablename__ = "plan"
    __table_args__ = (sa.UniqueConstraint("hip_id", "version"),)
    seq: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    id: Mapped[str] = mapped_column(sa.String(32), unique=True)
    hip_id: Mapped[str] = mapped_column(sa.ForeignKey("hip.id"), index=True)
    version: Mapped[int]
    payload: Mapped[str] = mapped_column(sa.Text)  # canonical JSON: the hashed bytes
    signed_by: Mapped[str] = mapped_column(sa.String(128))
    signed_at: Mapped[str] = mapped_column(sa.String(40))
    previous_hash: Mapped[str] = mapped_column(sa.String(64))
    hash: Mapped[str] = mapped_column(sa.String(64))


class Audit(Base):
    """One line of the trail: who did what to what, when. Append-only, each line holds the hash of the one before."""

    __tablename__ = "audit"
    seq: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    at: Mapped[str] = mapped_column(sa.String(40))
    who: Mapped[str] = mapped_column(sa.String(128))
    action: Mapped[str] = mapped_column(sa.String(64))
    subject: Mapped[str] = mapped_column(sa.String(64))
    detail: Mapped[str] = mapped_column(sa.Text)  # canonical JSON
    previous_hash: Mapped[str] = mapped_column(sa.String(64))
    hash: Mapped[str] = mapped_column(sa.String(64))


class LimitEdit(Base):
    """A limit changed at this installation. Append-only: the newest row of a key counts."""

    __tablename__ = "limit_edit"
    seq: Mapped[int] = mapped_column(primary_key=True, autoincrement=True)
    key: Mapped[str] = mapped_column(sa.String(64), index=True)
    low: Mapped[float | None]
    high: Mapped[float | None]
    source: Mapped[str] = mapped_column(sa.String(512))
    by: Mapped[str] = mapped_column(sa.String(128))
    at: Mapped[str] = mapped_column(sa.String(40))


class SettingRow(Base):
    """A setting of the installation."""

    __tablename__ = "setting"
    key: Mapped[str] = mapped_column(sa.String(64), primary_key=True)
    value: Mapped[Any] = mapped_column(nullable=True)


class JobRow(Base):
    """Long work, as it stands. Survives a restart."""

    __tablename__ = "job"
    id: Mapped[str] = mapped_column(sa.String(32), primary_key=True)
    kind: Mapped[str] = mapped_column(sa.String(32))
    what: Mapped[str] = mapped_column(sa.String(256))
    state: Mapped[str] = mapped_column(sa.String(16), index=True)
    share: Mapped[float] = mapped_column(default=0.0)
    says: Mapped[str] = mapped_column(sa.Text, default="")
    arguments: Mapped[dict[str, Any]]
    lines: Mapped[list[Any]] = mapped_column(default=list)
    hip_ids: Mapped[list[Any]] = mapped_column(default=list)
    tries: Mapped[int] = mapped_column(default=0)
    by: Mapped[str] = mapped_column(sa.String(128), default="")
    created_at: Mapped[str] = mapped_column(sa.String(40))
    changed_at: Mapped[str] = mapped_column(sa.String(40))

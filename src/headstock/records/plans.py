"""Signed plans: appended, chained, never edited. A newer version of a hip's plan supersedes the older one."""

import json
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from headstock.errors import RecordError
from headstock.records.audit import FIRST, canonical, plan_hash, stamp, write_line
from headstock.records.people import NotFoundError, new_id
from headstock.records.tables import PlanRow

__all__ = ["SignedPlan", "append_plan", "plan", "plans_of"]


@dataclass(frozen=True, slots=True)
class SignedPlan:
    """A plan as signed. `payload` is all it rests on; `superseded` is True when a later version exists."""

    plan_id: str
    hip_id: str
    version: int
    payload: dict[str, Any]
    signed_by: str
    signed_at: str
    hash: str
    superseded: bool


def append_plan(session: Session, *, hip_id: str, payload: dict[str, Any], signer: str, now: datetime) -> SignedPlan:
    """Sign: freeze the payload at the end of the chain, with its line in the audit trail."""
    last = session.execute(sa.select(PlanRow.seq, PlanRow.hash).order_by(PlanRow.seq.desc()).limit(1)).first()
    version = (session.scalar(sa.select(sa.func.max(PlanRow.version)).where(PlanRow.hip_id == hip_id)) or 0) + 1
    row = PlanRow(
        seq=last.seq + 1 if last else 1,
        id=new_id(),
        hip_id=hip_id,
        version=version,
        payload=canonical(payload),
        signed_by=signer,
        signed_at=stamp(now),
        previous_hash=last.hash if last else FIRST,
    )
    row.hash = plan_hash(row)
    session.add(row)
    session.flush()
    write_line(
        session, at=now, who=signer, action="plan signed", subject=row.id, hip=hip_id, version=version, hash=row.hash
    )
    return _signed(row, version)


def plans_of(session: Session, hip_id: str) -> list[SignedPlan]:
    """The signed plans of a hip, newest first."""
    rows = list(session.scalars(sa.select(PlanRow).where(PlanRow.hip_id == hip_id).order_by(PlanRow.version.desc())))
    return [_signed(row, rows[0].version) for row in rows]


def plan(session: Session, plan_id: str) -> SignedPlan:
    """One signed plan, checked against its hash.

    Raises
    ------
    RecordError
        There is none, or it is not as it was signed.
    """
    row = session.scalar(sa.select(PlanRow).where(PlanRow.id == plan_id))
    if row is None:
        raise NotFoundError("There is no such signed plan in this record. Open its hip and choose again.")
    if row.hash != plan_hash(row):
        raise RecordError(
            "This plan is not as it was signed: its hash does not fit its content. It must not be used or printed. "
            "Restore the data folder from the last backup."
        )
    newest = session.scalar(sa.select(sa.func.max(PlanRow.version)).where(PlanRow.hip_id == row.hip_id))
    return _signed(row, newest or row.version)


def _signed(row: PlanRow, newest: int) -> SignedPlan:
    return SignedPlan(
        plan_id=row.id,
        hip_id=row.hip_id,
        version=row.version,
        payload=json.loads(row.payload),
        signed_by=row.signed_by,
        signed_at=row.signed_at,
        hash=row.hash,
        superseded=row.version < newest,
    )

"""The audit trail: who did what to what, and when, each line holding the hash of the line before.

A line's hash is SHA-256 over its fields as canonical JSON (sorted keys, no
blanks, UTF-8) with the previous hash. Changing, removing or inserting a line
breaks every later one; cutting the end off is seen against `audit.head`.
The trail names records by their ids, never a person.
"""

import hashlib
import json
from collections.abc import Iterable, Iterator
from datetime import datetime
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from headstock.errors import RecordError
from headstock.records.store import Store
from headstock.records.tables import Audit, PlanRow

__all__ = ["FIRST", "audit_lines", "canonical", "check_chain", "check_vault", "link", "stamp", "write_line"]

FIRST = "0" * 64


def canonical(value: Any) -> str:
    """JSON in one form only, so that equal content has equal bytes. NaN is refused: it is not JSON."""
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def stamp(now: datetime) -> str:
    """A time as the record keeps it: ISO 8601, seconds, with the offset where there is one."""
    return now.isoformat(timespec="seconds")


def link(previous_hash: str, *fields: str | int) -> str:
    """The hash of one link: of the one before, and of the fields in order."""
    return hashlib.sha256(canonical([previous_hash, *fields]).encode()).hexdigest()


def write_line(session: Session, *, at: datetime, who: str, action: str, subject: str, **detail: Any) -> str:
    """Add a line within the same change as what it tells; returns its hash."""
    last = session.execute(sa.select(Audit.seq, Audit.hash).order_by(Audit.seq.desc()).limit(1)).first()
    seq, previous = (last.seq + 1, last.hash) if last else (1, FIRST)
    row = Audit(
        seq=seq, at=stamp(at), who=who, action=action, subject=subject, detail=canonical(detail), previous_hash=previous
    )
    row.hash = _line_hash(row)
    session.add(row)
    session.flush()
    session.info["audit_head"] = (seq, row.hash)
    return row.hash


def audit_lines(session: Session, subject: str | None = None) -> list[Audit]:
    """The lines of one record, or all, oldest first."""
    query = sa.select(Audit).order_by(Audit.seq)
    return list(session.scalars(query if subject is None else query.where(Audit.subject == subject)))


def check_chain(store: Store) -> int:
    """Walk both chains, audit and plans; returns the number of audit lines.

    Raises
    ------
    RecordError
        A line was changed, removed, inserted, or the end is missing. The message
        names the first line that does not hold, and how to go on.
    """
    with store.session() as session:
        lines = session.scalars(sa.select(Audit).order_by(Audit.seq).execution_options(yield_per=2000))
        count, noted = 0, store.noted_head()
        previous = FIRST
        for count, line in enumerate(lines, start=1):
            if line.seq != count or line.previous_hash != previous or line.hash != _line_hash(line):
                raise _broken(f"line {count} of the audit trail does not fit the line before it")
            previous = line.hash
            if noted and noted[0] == count and noted[1] != line.hash:
                raise _broken(f"line {count} of the audit trail is not the one that was noted when it was written")
        if noted and noted[0] > count:
            raise _broken(f"the audit trail ends at line {count}, but line {noted[0]} was written")
        _check_plans(session.scalars(sa.select(PlanRow).order_by(PlanRow.seq)))
        signed = set(session.scalars(sa.select(Audit.subject).where(Audit.action == "plan signed")))
        kept = set(session.scalars(sa.select(PlanRow.id)))
        if signed != kept:
            raise _broken("the audit trail and the signed plans do not tell of the same plans")
    return count


def check_vault(store: Store) -> int:
    """What signed sheets show is as it was signed; returns the number of pictures.

    Films are large: they are held against their hash whenever they are read
    (`Vault.get`). The pictures of signed sheets are small and are read whole here.

    Raises
    ------
    RecordError
        A signed plan's picture is missing or changed.
    """
    with store.session() as session:
        plans = [json.loads(payload) for payload in session.scalars(sa.select(PlanRow.payload))]
    pictures = {address for payload in plans for address in _vault_addresses(payload.get("sheet"))}
    for address in sorted(pictures):
        if not store.vault.is_whole(address):
            raise _broken(f"the picture {address[:12]} of a signed sheet is missing from the vault, or is another one")
    return len(pictures)


def _vault_addresses(plain: Any) -> Iterator[str]:
    if isinstance(plain, dict):
        if set(plain) == {"vault"} and isinstance(plain["vault"], str):
            yield plain["vault"]
        for one in plain.values():
            yield from _vault_addresses(one)
    elif isinstance(plain, list):
        for one in plain:
            yield from _vault_addresses(one)


def _check_plans(plans: Iterable[PlanRow]) -> None:
    previous = FIRST
    for number, plan in enumerate(plans, start=1):
        expected = plan_hash(plan)
        if plan.seq != number or plan.previous_hash != previous or plan.hash != expected:
            raise _broken(f"signed plan {number} is not as it was signed")
        previous = plan.hash


def plan_hash(plan: PlanRow) -> str:
    """The hash of a signed plan over everything that was signed."""
    return link(
        plan.previous_hash, plan.seq, plan.id, plan.hip_id, plan.version, plan.payload, plan.signed_by, plan.signed_at
    )


def _line_hash(line: Audit) -> str:
    return link(line.previous_hash, line.seq, line.at, line.who, line.action, line.subject, line.detail)


def _broken(found: str) -> RecordError:
    return RecordError(
        f"The record was changed outside headstock: {found}. Signed plans can no longer be trusted, so nothing is "
        "opened. Restore the data folder from the last backup. To look at it as it is, copy the folder, keep the copy "
        "as evidence, and start with another folder (--data); the images can be imported there again."
    )

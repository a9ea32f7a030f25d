"""Work in progress with its undo history: readings of films, placements on hips.

Every step is committed before it is answered. Undo and redo move along kept
steps; a new change after an undo leaves the undone steps in the record but out
of reach. A change made on another step than the one the draft stands at is
refused, so that two readers cannot overwrite each other unseen.
"""

import uuid
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal

import sqlalchemy as sa
from sqlalchemy.orm import Session

from headstock.errors import RecordError
from headstock.records.audit import stamp
from headstock.records.tables import Draft, DraftStep

__all__ = [
    "DraftKind",
    "DraftState",
    "StepConflictError",
    "begin_repeat",
    "close_repeat",
    "draft_state",
    "find_draft",
    "find_open_repeat",
    "find_or_begin",
    "redo",
    "repeats",
    "save_step",
    "steps_to",
    "undo",
]

DraftKind = Literal["reading", "placement", "outlines"]


class StepConflictError(RecordError):
    """Someone else kept a step meanwhile; nothing was overwritten."""


@dataclass(frozen=True, slots=True)
class DraftState:
    """A draft where it stands. `state` is empty before the first step; `by` and `at` tell who kept it, and when."""

    draft_id: str
    subject_id: str
    repeat_no: int
    reader: str
    step: int
    state: dict[str, Any]
    what: str
    by: str
    at: str | None
    can_undo: bool
    can_redo: bool
    redo_what: str | None


def find_draft(session: Session, kind: DraftKind, subject_id: str, repeat_no: int = 0) -> Draft | None:
    """The draft, if anyone has begun it."""
    return session.scalar(
        sa.select(Draft).where(Draft.kind == kind, Draft.subject_id == subject_id, Draft.repeat_no == repeat_no)
    )


def find_or_begin(session: Session, kind: DraftKind, subject_id: str, reader: str) -> Draft:
    """The draft in use; begun by `reader` when there is none yet."""
    draft = find_draft(session, kind, subject_id)
    return draft if draft is not None else _begin(session, kind, subject_id, reader, 0)


def begin_repeat(session: Session, subject_id: str, reader: str) -> Draft:
    """A repeat reading of a film: empty, apart from the reading in use, for repeatability."""
    last = session.scalar(
        sa.select(sa.func.max(Draft.repeat_no)).where(Draft.kind == "reading", Draft.subject_id == subject_id)
    )
    return _begin(session, "reading", subject_id, reader, (last or 0) + 1)


def find_open_repeat(session: Session, subject_id: str, reader: str) -> Draft | None:
    """The repeat reading this reader is busy with, if any."""
    return session.scalar(
        sa.select(Draft)
        .where(
            Draft.kind == "reading",
            Draft.subject_id == subject_id,
            Draft.reader == reader,
            Draft.repeat_no > 0,
            Draft.is_open,
        )
        .order_by(Draft.repeat_no.desc())
        .limit(1)
    )


def close_repeat(draft: Draft) -> None:
    """End a repeat reading; it stays in the record and counts for repeatability."""
    draft.is_open = False


def repeats(session: Session, subject_id: str) -> list[Draft]:
    """Every reading of a film, the one in use first."""
    query = sa.select(Draft).where(Draft.kind == "reading", Draft.subject_id == subject_id).order_by(Draft.repeat_no)
    return list(session.scalars(query))


def draft_state(session: Session, draft: Draft) -> DraftState:
    """Where a draft stands."""
    row = session.get(DraftStep, (draft.id, draft.step)) if draft.step else None
    ahead = session.get(DraftStep, (draft.id, draft.redo[-1])) if draft.redo else None
    return DraftState(
        draft_id=draft.id,
        subject_id=draft.subject_id,
        repeat_no=draft.repeat_no,
        reader=draft.reader,
        step=draft.step,
        state=dict(row.state) if row else {},
        what=row.what if row else "",
        by=row.by if row else draft.reader,
        at=row.at if row else None,
        can_undo=draft.step > 0,
        can_redo=bool(draft.redo),
        redo_what=ahead.what if ahead else None,
    )


def save_step(
    session: Session, draft: Draft, state: dict[str, Any], *, base_step: int, what: str, by: str, now: datetime
) -> DraftState:
    """Keep a step made on `base_step`.

    Raises
    ------
    StepConflictError
        The draft stands at another step.
    """
    if base_step != draft.step:
        here = draft_state(session, draft)
        raise StepConflictError(
            f"It was changed meanwhile: it stands at step {draft.step}, kept by {here.by}, and your change "
            f"was made on step {base_step}. Nothing was overwritten. Load the newer step, then make your change again."
        )
    if draft.step and state == draft_state(session, draft).state:
        return draft_state(session, draft)
    step = draft.last_step + 1
    session.add(
        DraftStep(draft_id=draft.id, step=step, parent=draft.step, state=state, what=what[:256], by=by, at=stamp(now))
    )
    draft.step = draft.last_step = step
    draft.redo = []
    session.flush()
    return draft_state(session, draft)


def steps_to(session: Session, draft: Draft) -> list[dict[str, Any]]:
    """The states of every step that leads to where the draft stands, first step first.

    For drafts whose steps are changes to be replayed, not the whole state.
    """
    rows = {row.step: row for row in session.scalars(sa.select(DraftStep).where(DraftStep.draft_id == draft.id))}
    found: list[dict[str, Any]] = []
    step = draft.step
    while step:
        found.append(dict(rows[step].state))
        step = rows[step].parent
    return found[::-1]


def undo(session: Session, draft: Draft) -> DraftState:
    """Step back once; at the first step nothing happens."""
    if draft.step:
        row = session.get_one(DraftStep, (draft.id, draft.step))
        draft.redo = [*draft.redo, draft.step]
        draft.step = row.parent
        session.flush()
    return draft_state(session, draft)


def redo(session: Session, draft: Draft) -> DraftState:
    """Step forward again; nothing happens when nothing was undone."""
    if draft.redo:
        draft.step = draft.redo[-1]
        draft.redo = draft.redo[:-1]
        session.flush()
    return draft_state(session, draft)


def _begin(session: Session, kind: DraftKind, subject_id: str, reader: str, repeat_no: int) -> Draft:
    draft = Draft(
        id=uuid.uuid4().hex,
        kind=kind,
        subject_id=subject_id,
        repeat_no=repeat_no,
        reader=reader,
        is_open=True,
        step=0,
        last_step=0,
        redo=[],
    )
    session.add(draft)
    session.flush()
    return draft

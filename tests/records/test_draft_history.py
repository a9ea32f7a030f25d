"""The history of a draft against a plain model: whatever two readers do, in whatever order, no step is lost."""

import tempfile
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from headstock.records import StepConflictError, Store, check_chain, write_line
from headstock.records.drafts import draft_state, find_draft, find_or_begin, redo, save_step, undo
from headstock.records.tables import DraftStep

NOW = datetime(2026, 11, 25, 9, 42, tzinfo=UTC)
READERS = st.sampled_from(["A", "B"])


@dataclass
class Model:
    """What a person would expect: all steps ever kept, where the work stands, what was undone."""

    kept: list[tuple[int, dict[str, Any], str]] = field(default_factory=list)  # parent, state, by
    here: int = 0
    undone: list[int] = field(default_factory=list)

    def state(self, step: int) -> dict[str, Any]:
        return self.kept[step - 1][1] if step else {}


class DraftHistory(RuleBasedStateMachine):
    """Two readers, each with a page that may be out of date, on one draft that is reopened now and then."""

    def __init__(self) -> None:
        super().__init__()
        self.folder = tempfile.TemporaryDirectory()
        self.store = Store(Path(self.folder.name))
        self.model = Model()
        self.seen = {"A": 0, "B": 0}

    def teardown(self) -> None:
        check_chain(self.store)
        self.store.close()
        self.folder.cleanup()

    @initialize(reader=READERS)
    def begin(self, reader: str) -> None:
        with self.store.writing() as session:
            find_or_begin(session, "reading", "film", reader)

    @rule(reader=READERS)
    def look(self, reader: str) -> None:
        self.seen[reader] = self._here().step

    @rule(reader=READERS, x=st.integers(0, 3))
    def save(self, reader: str, x: int) -> None:
        """A change made on the step this reader last saw: kept, or refused and nothing changes."""
        state, model = {"x": x}, self.model
        try:
            with self.store.writing() as session:
                draft = find_or_begin(session, "reading", "film", reader)
                base = self.seen[reader]
                kept = save_step(session, draft, state, base_step=base, what="moved", by=reader, now=NOW)
                write_line(session, at=NOW, who=reader, action="kept", subject="film", step=kept.step)
        except StepConflictError:
            assert self.seen[reader] != model.here
            return
        assert self.seen[reader] == model.here
        if not (model.here and model.state(model.here) == state):
            model.kept.append((model.here, state, reader))
            model.here, model.undone = len(model.kept), []
        self.seen[reader] = kept.step

    @rule(reader=READERS, x=st.integers(0, 9))
    def look_and_save(self, reader: str, x: int) -> None:
        self.look(reader)
        self.save(reader, x)

    @rule(reader=READERS, times=st.integers(1, 3))
    def step_back(self, reader: str, times: int) -> None:
        for _ in range(times):
            with self.store.writing() as session:
                self.seen[reader] = undo(session, find_or_begin(session, "reading", "film", reader)).step
            if self.model.here:
                self.model.undone.append(self.model.here)
                self.model.here = self.model.kept[self.model.here - 1][0]

    @rule(reader=READERS, times=st.integers(1, 2))
    def step_forward(self, reader: str, times: int) -> None:
        for _ in range(times):
            with self.store.writing() as session:
                self.seen[reader] = redo(session, find_or_begin(session, "reading", "film", reader)).step
            if self.model.undone:
                self.model.here = self.model.undone.pop()

    @rule()
    def reopen(self) -> None:
        self.store.close()
        self.store = Store(Path(self.folder.name))

    @rule(reader=READERS)
    def fail_half_way(self, reader: str) -> None:
        """A step whose answer never came, because the program died before the commit, is no step."""
        try:
            with self.store.writing() as session:
                draft = find_or_begin(session, "reading", "film", reader)
                save_step(session, draft, {"x": 99}, base_step=draft.step, what="lost", by=reader, now=NOW)
                raise RuntimeError
        except RuntimeError:
            pass

    @invariant()
    def the_record_is_what_a_person_expects(self) -> None:
        found, model = self._here(), self.model
        assert (found.step, found.state) == (model.here, model.state(model.here))
        assert (found.can_undo, found.can_redo) == (model.here > 0, bool(model.undone))
        if model.here:
            assert found.by == model.kept[model.here - 1][2]

    @invariant()
    def no_step_that_was_answered_is_ever_gone(self) -> None:
        with self.store.session() as session:
            rows = session.scalars(sa.select(DraftStep).order_by(DraftStep.step)).all()
        assert [(row.step, row.parent, row.state, row.by) for row in rows] == [
            (number, *kept) for number, kept in enumerate(self.model.kept, start=1)
        ]

    def _here(self) -> Any:
        with self.store.session() as session:
            draft = find_draft(session, "reading", "film")
            assert draft is not None
            return draft_state(session, draft)


TestDraftHistory = DraftHistory.TestCase
TestDraftHistory.settings = settings(
    max_examples=25, stateful_step_count=30, deadline=None, suppress_health_check=list(HealthCheck)
)

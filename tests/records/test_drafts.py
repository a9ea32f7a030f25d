"""Readings and placements: every step kept, undone and redone, and no reader overwrites another unseen."""

from datetime import datetime
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from headstock.records import StepConflictError, Store
from headstock.records.drafts import (
    begin_repeat,
    close_repeat,
    draft_state,
    find_open_repeat,
    find_or_begin,
    redo,
    repeats,
    save_step,
    undo,
)
from headstock.records.people import new_id


def _save(store: Store, now: datetime, value: int, base: int, by: str = "A"):
    with store.writing() as session:
        draft = find_or_begin(session, "reading", "film", by)
        return save_step(session, draft, {"x": value}, base_step=base, what=f"x to {value}", by=by, now=now)


def _move(store: Store, verb):
    with store.writing() as session:
        return verb(session, find_or_begin(session, "reading", "film", "A"))


def test_undo_goes_back_to_the_empty_reading_and_redo_forward_again(store: Store, now: datetime):
    _save(store, now, 1, 0)
    _save(store, now, 2, 1)
    assert _move(store, undo).state == {"x": 1}
    empty = _move(store, undo)
    assert (empty.state, empty.can_undo, empty.can_redo, empty.redo_what) == ({}, False, True, "x to 1")
    assert _move(store, undo).step == 0
    assert _move(store, redo).state == {"x": 1}
    assert _move(store, redo).state == {"x": 2}
    assert _move(store, redo).can_redo is False


def test_a_change_after_an_undo_takes_a_new_number_and_the_undone_step_is_out_of_reach(store: Store, now: datetime):
    _save(store, now, 1, 0)
    _save(store, now, 2, 1)
    _move(store, undo)
    third = _save(store, now, 3, 1)
    assert (third.step, third.can_redo) == (3, False)
    assert _move(store, undo).state == {"x": 1}


def test_a_change_made_on_an_older_step_is_refused_and_overwrites_nothing(store: Store, now: datetime):
    _save(store, now, 1, 0, by="A")
    with pytest.raises(StepConflictError, match=r"stands at step 1, kept by A.*step 0.*Load the newer step"):
        _save(store, now, 7, 0, by="B")
    with store.session() as session:
        assert draft_state(session, find_or_begin(session, "reading", "film", "B")).state == {"x": 1}


def test_a_step_equal_to_the_last_is_not_kept_twice(store: Store, now: datetime):
    _save(store, now, 1, 0)
    assert _save(store, now, 1, 1).step == 1


def test_steps_and_undo_survive_reopening_the_record(tmp_path: Path, now: datetime):
    first = Store(tmp_path)
    _save(first, now, 1, 0)
    _save(first, now, 2, 1)
    _move(first, undo)
    first.close()
    second = Store(tmp_path)
    assert _move(second, redo).state == {"x": 2}
    second.close()


def test_a_repeat_reading_begins_empty_and_leaves_the_reading_in_use_alone(store: Store, now: datetime):
    _save(store, now, 1, 0)
    with store.writing() as session:
        repeat = begin_repeat(session, "film", "B")
        save_step(session, repeat, {"x": 5}, base_step=0, what="x", by="B", now=now)
    with store.writing() as session:
        again = find_open_repeat(session, "film", "B")
        assert again is not None
        assert draft_state(session, again).state == {"x": 5}
        assert find_open_repeat(session, "film", "A") is None
        close_repeat(again)
    with store.session() as session:
        assert find_open_repeat(session, "film", "B") is None
        assert [draft_state(session, draft).state for draft in repeats(session, "film")] == [{"x": 1}, {"x": 5}]


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=15, deadline=None)
@given(moves=st.lists(st.sampled_from(["save", "undo", "redo"]), max_size=12))
def test_any_mix_of_steps_behaves_like_a_list_with_a_cursor(store: Store, now: datetime, moves: list[str]):
    subject = new_id()  # examples share one record
    done: list[int] = []
    undone: list[int] = []
    for number, move in enumerate(moves):
        with store.writing() as session:
            draft = find_or_begin(session, "placement", subject, "A")
            if move == "save":
                save_step(session, draft, {"x": number}, base_step=draft.step, what="", by="A", now=now)
                done, undone = [*done, number], []
            elif move == "undo":
                undo(session, draft)
                if done:
                    undone.append(done.pop())
            else:
                redo(session, draft)
                if undone:
                    done.append(undone.pop())
            state = draft_state(session, draft)
        assert state.state == ({"x": done[-1]} if done else {})
        assert (state.can_undo, state.can_redo) == (bool(done), bool(undone))

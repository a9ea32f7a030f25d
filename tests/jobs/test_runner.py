"""Long work: progress, cancel, retry, and a restart in the middle."""

import threading
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
import sqlalchemy as sa

from headstock.errors import ImageError, RecordError
from headstock.jobs import Job, Progress, Runner
from headstock.records import Store
from headstock.records.tables import JobRow

NOW = datetime(2026, 11, 25, tzinfo=UTC)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    opened = Store(tmp_path)
    yield opened
    opened.close()


def _wait(runner: Runner, job_id: str, until: Callable[[Job], bool]) -> Job:
    for _ in range(500):
        job = runner.job(job_id)
        if until(job):
            return job
        time.sleep(0.01)
    raise AssertionError(f"still {job.state}: {job.says}")


def _ended(job: Job) -> bool:
    return job.state in ("done", "failed", "cancelled")


def test_work_tells_its_progress_and_keeps_its_lines(store: Store):
    def work(progress: Progress, arguments: dict) -> str:
        for number in range(arguments["n"]):
            progress.tell(number / arguments["n"], f"film {number}")
            progress.line({"name": f"f{number}", "outcome": "imported", "says": ""})
            progress.hip("h1")
        return "3 films imported."

    with Runner(store, {"import": work}, lambda: NOW) as runner:
        job = _wait(runner, runner.begin("import", "Import", {"n": 3}, by="A").job_id, _ended)
    assert (job.state, job.share, job.says) == ("done", 1.0, "3 films imported.")
    assert [line["name"] for line in job.lines] == ["f0", "f1", "f2"]
    assert job.hip_ids == ("h1",)


def test_cancel_takes_effect_at_the_next_step_and_keeps_what_is_finished(store: Store):
    begun = threading.Event()

    def work(progress: Progress, arguments: dict) -> str:
        progress.line({"name": "first"})
        begun.set()
        while True:
            progress.tell(0.5, "busy")
            time.sleep(0.005)

    with Runner(store, {"w": work}, lambda: NOW) as runner:
        job_id = runner.begin("w", "Work", {}, by="A").job_id
        assert begun.wait(5)
        runner.cancel(job_id)
        job = _wait(runner, job_id, _ended)
    assert job.state == "cancelled"
    assert [line["name"] for line in job.lines] == ["first"]


def test_a_refusal_is_shown_in_its_own_words_and_can_be_tried_again(store: Store):
    tries = []

    def work(progress: Progress, arguments: dict) -> str:
        tries.append(1)
        if len(tries) == 1:
            raise ImageError("The zip is cut short. Nothing can be read from it. Copy it again.")
        return "done"

    with Runner(store, {"w": work}, lambda: NOW) as runner:
        job_id = runner.begin("w", "Work", {}, by="A").job_id
        assert _wait(runner, job_id, _ended).says.startswith("The zip is cut short.")
        runner.retry(job_id)
        assert _wait(runner, job_id, lambda job: job.state == "done").says == "done"
        with pytest.raises(RecordError, match="only failed or cancelled"):
            runner.retry(job_id)


def test_a_foreign_error_shows_its_kind_but_not_its_text(store: Store, caplog: pytest.LogCaptureFixture):
    def work(progress: Progress, arguments: dict) -> str:
        raise ValueError("/home/x/SMITH^JOHN.dcm")

    with Runner(store, {"w": work}, lambda: NOW) as runner:
        job = _wait(runner, runner.begin("w", "Work", {}, by="A").job_id, _ended)
    assert job.state == "failed"
    assert "ValueError" in job.says
    assert "SMITH" not in job.says + caplog.text


def _interrupted(store: Store, tries: int, kind: str = "w") -> str:
    """A row as a killed program leaves it."""
    with store.writing() as session:
        session.add(
            JobRow(
                id=f"j{tries}{kind}",
                kind=kind,
                what="Work",
                state="runs",
                share=0.4,
                says="busy",
                arguments={"n": 1},
                lines=[],
                hip_ids=[],
                tries=tries,
                created_at="2026-11-25T09:00:00+00:00",
                changed_at="2026-11-25T09:00:00+00:00",
            )
        )
    return f"j{tries}{kind}"


def test_work_interrupted_by_a_restart_is_marked_and_begun_again(store: Store):
    job_id = _interrupted(store, tries=1)
    with Runner(store, {"w": lambda progress, arguments: f"n={arguments['n']}"}, lambda: NOW) as runner:
        assert [job.job_id for job in runner.take_up()] == [job_id]
        assert _wait(runner, job_id, _ended).says == "n=1"


@pytest.mark.parametrize(("tries", "kind"), [(3, "w"), (1, "no longer known")])
def test_work_that_cannot_go_on_is_reported_instead(store: Store, tries: int, kind: str):
    job_id = _interrupted(store, tries, kind)
    with Runner(store, {"w": lambda progress, arguments: "done"}, lambda: NOW) as runner:
        runner.take_up()
        job = runner.job(job_id)
    assert job.state == "failed"
    assert f"Interrupted {tries} times" in job.says


def test_closing_stops_work_at_its_next_step_and_leaves_it_to_the_next_start(store: Store):
    begun, go_on, steps = threading.Event(), threading.Event(), []

    def work(progress: Progress, arguments: dict) -> str:
        begun.set()
        assert go_on.wait(5)
        progress.tell(0.5, "busy")
        steps.append("went on")
        return "done"

    first = Runner(store, {"w": work}, lambda: NOW)
    job_id = first.begin("w", "Work", {}, by="A").job_id
    assert begun.wait(5)
    waiting = first.begin("w", "More work", {}, by="A").job_id
    first.close()
    go_on.set()
    first._pool.shutdown(wait=True)
    assert (first.job(job_id).state, first.job(waiting).state, steps) == ("runs", "waits", [])
    with Runner(store, {"w": work}, lambda: NOW) as second:
        assert [job.job_id for job in second.take_up()] == [job_id, waiting]
        assert [_wait(second, one, _ended).state for one in (job_id, waiting)] == ["done", "done"]


def test_work_that_a_person_cancelled_is_not_begun_again_though_the_program_stops_too(store: Store):
    begun, go_on = threading.Event(), threading.Event()

    def work(progress: Progress, arguments: dict) -> str:
        begun.set()
        assert go_on.wait(5)
        progress.tell(0.5, "busy")
        return "done"

    runner = Runner(store, {"w": work}, lambda: NOW)
    job_id = runner.begin("w", "Work", {}, by="A").job_id
    assert begun.wait(5)
    runner.cancel(job_id)
    runner.close()
    go_on.set()
    runner._pool.shutdown(wait=True)
    assert runner.job(job_id).state == "cancelled"


def test_work_tried_again_the_moment_it_failed_runs_and_can_be_cancelled(store: Store, monkeypatch: pytest.MonkeyPatch):
    tries, write = [], Progress.write

    def work(progress: Progress, arguments: dict) -> str:
        tries.append(1)
        if len(tries) == 1:
            raise ImageError("The zip is cut short. Nothing can be read from it. Copy it again.")
        for _ in range(400):
            progress.tell(0.5, "busy")
            time.sleep(0.005)
        return "nobody cancelled it"

    def quick_hand(self: Progress, **changes) -> None:
        write(self, **changes)
        if changes.get("state") == "failed":
            runner.retry(job_id)  # before the thread that ran it has cleared up

    monkeypatch.setattr(Progress, "write", quick_hand)
    with Runner(store, {"w": work}, lambda: NOW) as runner:
        job_id = runner.begin("w", "Work", {}, by="A").job_id
        _wait(runner, job_id, lambda job: job.state == "runs" and job.says == "busy")
        runner.cancel(job_id)
        # In the work's own words: it heard of it, and did not only lose its row.
        assert _wait(runner, job_id, _ended).says == "Cancelled. What was finished before stays."


def test_unfinished_jobs_come_first_in_the_list(store: Store):
    with Runner(store, {"w": lambda progress, arguments: "done"}, lambda: NOW) as runner:
        finished = runner.begin("w", "Work", {}, by="A").job_id
        _wait(runner, finished, _ended)
        waiting = _interrupted(store, 1)
        assert [job.job_id for job in runner.jobs()] == [waiting, finished]


def test_a_second_runner_on_the_folder_is_refused_until_the_first_is_closed(store: Store):
    pytest.importorskip("fcntl")
    with Runner(store, {}, lambda: NOW), pytest.raises(RecordError, match="already serving this data folder"):
        Runner(store, {}, lambda: NOW)
    Runner(store, {}, lambda: NOW).close()


def test_work_nobody_knows_is_refused_and_leaves_no_row(store: Store):
    with Runner(store, {}, lambda: NOW) as runner, pytest.raises(RecordError, match="no work called"):
        runner.begin("x", "X", {}, by="A")
    with store.session() as session:
        assert session.scalar(sa.select(sa.func.count()).select_from(JobRow)) == 0

"""Finding the bone of a scan as a job: told, cancelled, killed, failed, pressed twice; never half a result.

The slow part, the search for bone, is replaced by one whose steps the test lets pass one by one; one test goes through
the real search.
"""

import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import sqlalchemy as sa

from headstock.anatomy.scan.segmentation import FEMUR, PELVIS, TRABECULAR, Segmentation
from headstock.desk import hips
from headstock.desk.desk import Desk, open_desk
from headstock.desk.scan_pages import EditIn, EditsIn, ReadScanIn
from headstock.desk.scans import actions
from headstock.desk.scans.page import scan_page
from headstock.desk.scans.reading import outlines_of
from headstock.desk.scans.working import begin_reading
from headstock.desk.works import works
from headstock.errors import ImageError, TooFewError
from headstock.frames import Side
from headstock.geometry.distance import mask_distance
from headstock.images.scan_metal import find_metal
from headstock.jobs import Job, Progress, Runner
from headstock.phantom.series import series_files
from headstock.records.scans import reading_of
from headstock.records.scans import scan as scan_row
from headstock.records.tables import Audit, JobRow

sys.path.insert(0, str(Path(__file__).parent))
from scan_case import NOW, TODAY, bring, small, with_cyst

STEPS = 4
AUTO = ReadScanIn()


def outlines(shift: int = 0) -> Segmentation:
    """The small phantom's true labels as outlines; `shift` moves the femur by voxels, to tell two searches apart."""
    found = small()
    bones = np.where(found.femur, FEMUR, np.where(found.pelvis, PELVIS, 0)).astype(np.uint8)
    bones = np.roll(bones, shift, axis=2)
    femur = bones == FEMUR
    return Segmentation(
        found.grid,
        Side.LEFT,
        bones,
        np.where(femur, TRABECULAR, 0).astype(np.uint8),
        mask_distance(femur, found.grid.spacing_mm[::-1]),
        0.2,
        np.asarray(found.truth["head_centre_lps_mm"], np.float64),
    )


class Search:
    """Looks for bone in `STEPS` steps, each of which waits until the test lets it pass."""

    def __init__(self) -> None:
        self.calls: list[tuple[Side, Any]] = []
        self.reached = threading.Semaphore(0)
        self._pass = threading.Semaphore(0)
        self.found = outlines()

    def __call__(self, scan: Any, side: Side, seed: Any = None, tell: Callable[[float, str], None] | None = None):
        self.calls.append((side, seed))
        assert tell is not None
        for step in range(STEPS):
            self.reached.release()
            assert self._pass.acquire(timeout=30), "nobody let the search go on"
            tell((step + 1) / STEPS, f"part {step + 1}")
        return self.found, find_metal(scan)

    def at_a_step(self) -> None:
        """Wait until the search stands before its next step."""
        assert self.reached.acquire(timeout=30), "the search did not get there"

    def let_pass(self, steps: int = STEPS) -> None:
        """Let the search do so many steps."""
        self._pass.release(steps)


@pytest.fixture
def search(monkeypatch: pytest.MonkeyPatch) -> Iterator[Search]:
    made = Search()
    monkeypatch.setattr("headstock.desk.scans.reading.bone_in", made)
    # What follows from outlines is not looked at here, and this phantom is too short for it.
    monkeypatch.setattr("headstock.desk.works.scan_scene", lambda *_, progress, **__: progress(0.5, "the head"))
    monkeypatch.setattr("headstock.desk.works.scene_of", lambda *_, **__: None)
    monkeypatch.setattr("headstock.desk.works.compared", lambda *_: None)
    monkeypatch.setattr("headstock.jobs.runner._BETWEEN_WRITES_S", -1.0)  # every step is written
    yield made
    made.let_pass(1000)  # a thread that still waits ends


class Bench:
    """A record with one scan of a left hip that nobody has read, and a runner on it."""

    def __init__(self, folder: Path) -> None:
        self.desk: Desk = open_desk(folder)
        (line,) = bring(self.desk, series_files(small()))
        assert line.scan_id is not None
        assert line.hip_id is not None
        self.scan, self.hip = line.scan_id, line.hip_id
        self.runner = self.new_runner()
        self.vault = self.files()

    def new_runner(self) -> Runner:
        return Runner(self.desk.store, works(self.desk, lambda: NOW), lambda: NOW)

    def press(self, given: ReadScanIn = AUTO) -> Job:
        return begin_reading(self.desk, self.runner, self.scan, self.hip, given, who="A", now=NOW)

    def page(self):
        return scan_page(self.desk, self.scan, self.hip, today=TODAY)

    def next_title(self) -> str:
        return hips.hip_page(self.desk, self.hip, today=TODAY).next.title

    def wait(self, job_id: str, *states: str) -> Job:
        for _ in range(1500):
            job = self.runner.job(job_id)
            if job.state in (states or ("done", "failed", "cancelled")):
                return job
            time.sleep(0.02)
        raise AssertionError(f"still {job.state}: {job.says}")

    def files(self) -> set[str]:
        return {path.name for path in (self.desk.store.folder / "vault").rglob("*") if path.is_file()}

    def jobs(self) -> list[JobRow]:
        with self.desk.store.session() as session:
            return list(session.scalars(sa.select(JobRow).order_by(JobRow.created_at)))

    def lines(self, action: str) -> int:
        with self.desk.store.session() as session:
            return session.scalar(sa.select(sa.func.count()).select_from(Audit).where(Audit.action == action)) or 0

    def address(self) -> str | None:
        with self.desk.store.session() as session:
            found = reading_of(session, self.scan, self.hip)
        return None if found is None else found.address

    def standing(self) -> Segmentation:
        with self.desk.store.session() as session:
            row = scan_row(session, self.scan)
        return outlines_of(self.desk, row, self.hip).seg

    def has_nothing_of_it(self) -> None:
        """No outlines, no file of them, no line that says so, and pages that show none."""
        assert self.address() is None
        assert self.files() == self.vault
        assert self.lines("outlines found") == 0
        with pytest.raises(TooFewError, match="not found yet"):
            self.standing()
        page = self.page()
        assert (page.numbers, page.markers, page.meshes, page.lesions, page.neck_plane) == ([], [], [], [], None)


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path / "data")
    yield made
    made.runner.close()
    made.desk.close()


# ---- told


def test_progress_is_told_while_it_runs_it_rises_and_the_pages_show_it(bench: Bench, search: Search):
    job = bench.press()
    seen = []
    for _ in range(STEPS):
        search.at_a_step()
        seen.append(bench.runner.job(job.job_id))
        page = bench.page()
        assert (page.segmentation.state, page.segmentation.job_id) == ("working", job.job_id)
        assert page.segmentation.says == page.card.says == seen[-1].says
        assert (page.card.state, bench.next_title()) == ("reading", "The bone is being found")
        assert bench.address() is None
        search.let_pass(1)
    shares = [one.share for one in seen]
    assert shares == sorted(set(shares))
    assert 0.0 < shares[0] < 0.1
    assert [one.says for one in seen] == ["reading the slices", "part 1", "part 2", "part 3"]
    done = bench.wait(job.job_id)
    assert (done.state, done.share, done.hip_ids) == ("done", 1.0, (bench.hip,))
    assert bench.page().segmentation.state == "found"
    np.testing.assert_array_equal(bench.standing().bones, search.found.bones)
    assert bench.lines("outlines found") == 1


def test_the_real_search_as_a_job_starts_at_the_seed_and_ends_with_a_hip_that_can_be_planned_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr("headstock.desk.works.compared", lambda *_: None)  # trying parts takes as long as all before it
    desk = open_desk(tmp_path / "data")
    (line,) = bring(desk, series_files(with_cyst()))
    told: list[tuple[float, str]] = []
    work = works(desk, lambda: NOW)["read_scan"]

    def heard(progress: Progress, arguments: dict[str, Any]) -> str:
        real = progress.tell

        def tell(share: float, says: str) -> None:
            told.append((share, says))
            real(share, says)

        progress.tell = tell  # type: ignore[method-assign]  # the work's own words, before the record thins them out
        return work(progress, arguments)

    truth = with_cyst().truth
    with Runner(desk.store, {"read_scan": heard}, lambda: NOW) as runner:
        # Off the middle, as a hand clicks, but in the head.
        seed = np.array(truth["head_centre_lps_mm"]) + np.array([4.0, -3.0, 2.0])
        given = ReadScanIn(seed=(float(seed[0]), float(seed[1]), float(seed[2])))
        job = begin_reading(desk, runner, line.scan_id, line.hip_id, given, who="A", now=NOW)
        for _ in range(6000):
            if runner.job(job.job_id).state not in ("waits", "runs"):
                break
            time.sleep(0.02)
        done = runner.job(job.job_id)
    assert (done.state, done.says, done.share) == ("done", "The bone was found and measured.", 1.0)
    shares = [share for share, _ in told]
    assert shares == sorted(shares)
    assert len({says for _, says in told}) >= 8  # a person who waits sees that it goes on
    assert max(b - a for a, b in pairwise(shares)) <= 0.25
    page = scan_page(desk, line.scan_id, line.hip_id, today=TODAY)
    (head,) = [marker for marker in page.markers if marker.key == "head"]
    assert np.linalg.norm(np.array(head.points[0]) - truth["head_centre_lps_mm"]) < 1.0
    with desk.store.session() as session:
        assert reading_of(session, line.scan_id, line.hip_id).seed == pytest.approx(list(seed))
    assert hips.hip_page(desk, line.hip_id, today=TODAY).next.title == "Look at the stock"
    desk.close()


# ---- pressed twice


def test_pressing_twice_gives_one_job_even_at_the_same_moment(
    bench: Bench, search: Search, monkeypatch: pytest.MonkeyPatch
):
    looked = threading.Barrier(2)

    def slowly(*given: Any) -> Any:
        found = reading_of(*given)
        try:
            looked.wait(timeout=0.5)  # both have looked before either begins, unless they take turns
        except threading.BrokenBarrierError:
            looked.reset()
        return found

    monkeypatch.setattr("headstock.desk.scans.working.reading_of", slowly)
    found: list[Job] = []
    presses = [threading.Thread(target=lambda: found.append(bench.press())) for _ in range(2)]
    for press in presses:
        press.start()
    for press in presses:
        press.join(30)
    search.at_a_step()
    found.append(bench.press(ReadScanIn(seed=(1.0, 2.0, 3.0))))  # and again while it is under way
    assert len({job.job_id for job in found}) == 1
    assert len(bench.jobs()) == 1
    search.let_pass()
    bench.wait(found[0].job_id)
    assert len(search.calls) == 1
    # Once it is done a press finds the bone anew.
    again = bench.press(ReadScanIn(seed=(1.0, 2.0, 3.0)))
    assert again.job_id != found[0].job_id
    search.let_pass()
    bench.wait(again.job_id)
    np.testing.assert_array_equal(search.calls[1][1], [1.0, 2.0, 3.0])


# ---- cancelled


@pytest.mark.parametrize("way", ["pressed", "tried again"])
def test_cancel_in_the_middle_leaves_nothing_and_it_can_be_begun_again(bench: Bench, search: Search, way: str):
    job = bench.press()
    search.at_a_step()
    search.let_pass(1)
    search.at_a_step()
    bench.runner.cancel(job.job_id)
    search.let_pass(1)
    cancelled = bench.wait(job.job_id)
    assert cancelled.state == "cancelled"
    assert cancelled.says.startswith("Cancelled.")
    assert cancelled.share < 0.5
    bench.has_nothing_of_it()
    assert bench.page().segmentation.says == cancelled.says
    assert (bench.page().card.state, bench.next_title()) == ("not_read", "Find the bone in the CT")
    again = bench.press() if way == "pressed" else bench.runner.retry(job.job_id)
    assert (again.job_id == job.job_id) is (way == "tried again")
    search.let_pass()
    assert bench.wait(again.job_id, "done").share == 1.0
    np.testing.assert_array_equal(bench.standing().bones, search.found.bones)
    assert bench.lines("outlines found") == 1


def test_cancelling_a_second_search_leaves_the_first_ones_outlines_and_their_corrections(bench: Bench, search: Search):
    search.let_pass()
    bench.wait(bench.press().job_id, "done")
    centre = tuple(float(v) for v in small().truth["head_centre_lps_mm"])
    edit = EditIn(tool="eraser", label="femur", points=[centre], radius_mm=6.0)
    given = EditsIn(edits=[edit], base_step=0, what="erased")
    actions.keep_edits(bench.desk, bench.scan, bench.hip, given, who="A", now=NOW)
    before, address = bench.standing().bones.copy(), bench.address()
    assert (before != search.found.bones).any()
    search.found = outlines(shift=3)
    while search.reached.acquire(blocking=False):
        pass
    job = bench.press()
    search.at_a_step()
    bench.runner.cancel(job.job_id)
    search.let_pass(1)
    assert bench.wait(job.job_id).state == "cancelled"
    assert bench.address() == address
    np.testing.assert_array_equal(bench.standing().bones, before)
    page = bench.page()
    assert (page.segmentation.state, page.segmentation.step, page.segmentation.says) == ("found", 1, "outlines found")


# ---- stopped with the program


def held(desk: Desk, gate: threading.Event) -> dict[str, Any]:
    """The desk's works, each waiting at its very beginning."""

    def waiting(work: Any) -> Any:
        def run(progress: Progress, arguments: dict[str, Any]) -> str:
            assert gate.wait(30)
            return str(work(progress, arguments))

        return run

    return {name: waiting(work) for name, work in works(desk, lambda: NOW).items()}


def _taken_up_and_finished(bench: Bench, search: Search, job_id: str) -> None:
    """The next start says that the job was stopped, begins it again, and this time it ends."""
    gate = threading.Event()
    bench.runner = Runner(bench.desk.store, held(bench.desk, gate), lambda: NOW)
    (again,) = bench.runner.take_up()
    assert again.job_id == job_id
    assert again.says == "Interrupted when the program stopped; begun again."
    page = bench.page()
    assert (page.segmentation.state, page.segmentation.says, page.card.says) == ("working", again.says, again.says)
    bench.has_nothing_of_it()
    assert bench.press().job_id == job_id  # a person who does not wait begins no second one
    gate.set()
    search.let_pass()
    assert bench.wait(job_id).state == "done"
    np.testing.assert_array_equal(bench.standing().bones, search.found.bones)
    assert (bench.lines("outlines found"), len(bench.jobs())) == (1, 1)


def test_stopping_the_program_stops_the_search_at_its_next_step_and_the_next_start_begins_it_again(
    bench: Bench, search: Search
):
    job = bench.press()
    search.at_a_step()
    search.let_pass(1)
    search.at_a_step()
    bench.runner.close()
    search.let_pass(1)
    for _ in range(200):
        if not any(thread.name.startswith("headstock-job") for thread in threading.enumerate()):
            break
        time.sleep(0.02)
    assert not search.reached.acquire(timeout=0.2)  # it did not go on to another step
    (row,) = bench.jobs()
    assert (row.id, row.state) == (job.job_id, "runs")
    bench.has_nothing_of_it()
    _taken_up_and_finished(bench, search, job.job_id)


_KILLED = """
import sys, time
from datetime import UTC, datetime
from pathlib import Path
import headstock.desk.scans.reading as reading
from headstock.desk.desk import open_desk
from headstock.desk.scan_pages import ReadScanIn
from headstock.desk.scans.working import begin_reading
from headstock.desk.works import works
from headstock.jobs import Runner

def search(scan, side, seed=None, tell=None):
    tell(0.25, "part 1")
    time.sleep(0.2)
    tell(0.5, "part 2")
    print("under way", flush=True)
    time.sleep(60)

folder, scan, hip = sys.argv[1:]
NOW = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
reading.bone_in = search
desk = open_desk(Path(folder))
runner = Runner(desk.store, works(desk, lambda: NOW), lambda: NOW)
begin_reading(desk, runner, scan, hip, ReadScanIn(), who="A", now=NOW)
time.sleep(60)
"""


def test_a_kill_in_the_middle_of_the_search_leaves_nothing_and_the_next_start_begins_it_again(
    bench: Bench, search: Search
):
    bench.runner.close()
    process = subprocess.Popen(
        [sys.executable, "-c", _KILLED, str(bench.desk.store.folder), bench.scan, bench.hip], stdout=subprocess.PIPE
    )
    assert process.stdout is not None
    try:
        assert process.stdout.readline().strip() == b"under way"
    finally:
        process.kill()
        process.wait(20)
        process.stdout.close()
    (row,) = bench.jobs()
    assert (row.state, row.tries) == ("runs", 1)
    assert row.share > 0.2  # it was in the middle
    bench.has_nothing_of_it()
    _taken_up_and_finished(bench, search, row.id)


def test_a_search_that_stopped_with_the_program_three_times_is_said_to_have_failed_and_a_person_can_begin_it(
    bench: Bench, search: Search
):
    job = bench.press()
    search.at_a_step()
    bench.runner.close()
    search.let_pass(1)
    with bench.desk.store.writing() as session:
        session.get_one(JobRow, job.job_id).tries = 3
    bench.runner = bench.new_runner()
    (failed,) = bench.runner.take_up()
    assert failed.state == "failed"
    assert failed.says == "Interrupted 3 times when the program stopped. Try it again by hand."
    page = bench.page()
    assert (page.segmentation.state, page.segmentation.says, page.card.state) == ("failed", failed.says, "stopped")
    assert bench.next_title() == "The bone was not found"
    again = bench.press()
    assert again.job_id != job.job_id
    search.let_pass()
    assert bench.wait(again.job_id).state == "done"


# ---- failed


def test_a_scan_without_a_hip_says_why_on_its_page_and_leaves_nothing(
    bench: Bench, search: Search, monkeypatch: pytest.MonkeyPatch
):
    says = "No round head of a left hip was found in this scan. Click in the head and read again."

    def refuses(*_: Any, **__: Any) -> None:
        raise ImageError(says)

    with monkeypatch.context() as broken:
        broken.setattr("headstock.desk.scans.reading.bone_in", refuses)
        job = bench.wait(bench.press().job_id)
    assert (job.state, job.says) == ("failed", says)
    bench.has_nothing_of_it()
    page = bench.page()
    assert (page.segmentation.state, page.finding, page.card.says) == ("failed", says, says)
    search.let_pass()
    assert bench.wait(bench.press().job_id).state == "done"


def test_outlines_are_entered_whole_or_not_at_all(bench: Bench, search: Search, monkeypatch: pytest.MonkeyPatch):
    def breaks(*_: Any, **__: Any) -> None:
        raise OSError(28, "PHANTOM^SIMULATED")

    search.let_pass()
    with monkeypatch.context() as broken:
        broken.setattr("headstock.desk.scans.reading.write_line", breaks)  # the last thing before they count
        job = bench.wait(bench.press().job_id)
    assert job.state == "failed"
    assert "OSError" in job.says
    assert "PHANTOM" not in job.says
    assert bench.address() is None
    assert bench.lines("outlines found") == 0
    assert bench.page().segmentation.state == "failed"
    search.let_pass()
    assert bench.wait(bench.press().job_id).state == "done"
    assert bench.page().segmentation.state == "found"

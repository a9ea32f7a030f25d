"""Long work: begun, seen, cancelled, tried again; its state is in the record, so a restart loses none of it.

In: a kind of work, registered as a function of its progress and its arguments
(plain JSON). Out: a `Job` as it stands. Work must be safe to run twice, because
a job that was under way when the program was killed is begun again.
Decision: docs/decisions/0172-jobs-are-rows-and-threads.md
"""

import logging
import os
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import datetime
from types import TracebackType
from typing import IO, Any, Literal

import sqlalchemy as sa
from sqlalchemy.orm import Session

from headstock.errors import HeadstockError, RecordError
from headstock.records import Store, stamp
from headstock.records.people import NotFoundError, new_id
from headstock.records.tables import JobRow

__all__ = ["CancelledError", "Job", "JobState", "Progress", "Runner", "Work"]

JobState = Literal["waits", "runs", "done", "failed", "cancelled"]
_UNFINISHED = ("waits", "runs")
_MOST_TRIES = 3  # a job that kills the program each time must not be begun for ever
_BETWEEN_WRITES_S = 0.15
_log = logging.getLogger("headstock.jobs")


class CancelledError(Exception):
    """A person cancelled this job; raised inside it at its next step."""


@dataclass(frozen=True, slots=True)
class Job:
    """A job as it stands. `share` 0..1; `lines` are what happened to each thing it worked on."""

    job_id: str
    kind: str
    what: str
    state: JobState
    share: float
    says: str
    lines: tuple[dict[str, Any], ...]
    hip_ids: tuple[str, ...]


class Progress:
    """What work tells while it runs. Every call is also where a cancel takes effect."""

    def __init__(self, store: Store, job_id: str, cancelled: threading.Event, clock: Callable[[], datetime]) -> None:
        self._store, self._job_id, self._cancelled, self._clock = store, job_id, cancelled, clock
        self._lines: list[dict[str, Any]] = []
        self._hips: list[str] = []
        self._share, self._says = 0.0, ""
        self._written = 0.0

    def tell(self, share: float, says: str) -> None:
        """How far, and what is being done now."""
        self._share, self._says = min(max(share, 0.0), 1.0), says
        self._step()

    def line(self, line: Mapping[str, Any]) -> None:
        """What happened to one thing."""
        self._lines.append(dict(line))
        self._step()

    def hip(self, hip_id: str) -> None:
        """A hip this work touched."""
        if hip_id not in self._hips:
            self._hips.append(hip_id)

    def settle(self, lines: Sequence[Mapping[str, Any]], hip_ids: Sequence[str]) -> None:
        """Lines and hips as they are known at the end, in place of those told on the way."""
        self._lines, self._hips = [dict(line) for line in lines], list(dict.fromkeys(hip_ids))

    def _step(self) -> None:
        if self._cancelled.is_set():
            raise CancelledError
        if time.monotonic() - self._written > _BETWEEN_WRITES_S:
            self.write()

    def write(self, **changes: Any) -> None:
        """Put the state into the record now."""
        self._written = time.monotonic()
        with self._store.writing() as session:
            row = session.get_one(JobRow, self._job_id)
            row.share, row.says = self._share, self._says
            row.lines, row.hip_ids = list(self._lines), list(self._hips)
            row.changed_at = stamp(self._clock())
            for name, value in changes.items():
                setattr(row, name, value)


Work = Callable[[Progress, dict[str, Any]], str]


class Runner:
    """Runs jobs of one data folder in threads of this process; a second runner on the folder is refused."""

    def __init__(
        self, store: Store, work: Mapping[str, Work], clock: Callable[[], datetime], *, workers: int = 1
    ) -> None:
        self._store, self._work, self._clock = store, dict(work), clock
        self._lock = _lock_folder(store)
        self._pool = ThreadPoolExecutor(workers, thread_name_prefix="headstock-job")
        self._cancels: dict[str, threading.Event] = {}
        self._closing: set[str] = set()  # work that stops because the program does, not because a person said so

    def __enter__(self) -> "Runner":
        return self

    def __exit__(self, *_: type[BaseException] | BaseException | TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        """Stop, work under way at its next step; it is begun again at the next start."""
        for job_id, stop in list(self._cancels.items()):
            if not stop.is_set():
                self._closing.add(job_id)
                stop.set()
        self._pool.shutdown(wait=False, cancel_futures=True)
        if self._lock is not None:
            self._lock.close()

    def begin(self, kind: str, what: str, arguments: dict[str, Any], *, by: str) -> Job:
        """Put work into the queue."""
        if kind not in self._work:
            raise RecordError(f"There is no work called “{kind}”. Nothing was begun.")
        now = stamp(self._clock())
        row = JobRow(
            id=new_id(),
            kind=kind,
            what=what,
            state="waits",
            share=0.0,
            says="Waits for its turn.",
            arguments=arguments,
            lines=[],
            hip_ids=[],
            tries=0,
            by=by,
            created_at=now,
            changed_at=now,
        )
        with self._store.writing() as session:
            session.add(row)
        self._queue(row.id)
        return self.job(row.id)

    def job(self, job_id: str) -> Job:
        """A job as it stands.

        Raises
        ------
        RecordError
            There is none of this id.
        """
        with self._store.session() as session:
            return _job(_row(session, job_id))

    def jobs(self) -> list[Job]:
        """All jobs, unfinished first, then newest first."""
        with self._store.session() as session:
            rows = session.scalars(sa.select(JobRow).order_by(JobRow.created_at.desc(), JobRow.id)).all()
        return [_job(row) for row in sorted(rows, key=lambda row: row.state not in _UNFINISHED)]

    def cancel(self, job_id: str) -> Job:
        """Cancel. Work under way stops at its next step; what it has finished stays."""
        event = self._cancels.get(job_id)
        if event is not None:
            event.set()
        with self._store.writing() as session:
            row = _row(session, job_id)
            if row.state == "waits" or (row.state == "runs" and event is None):
                row.state, row.says = "cancelled", "Cancelled before it began."
        return self.job(job_id)

    def retry(self, job_id: str) -> Job:
        """Begin a failed or cancelled job again.

        Raises
        ------
        RecordError
            It is still under way, or done.
        """
        with self._store.writing() as session:
            row = _row(session, job_id)
            if row.state not in ("failed", "cancelled"):
                raise RecordError(f"“{row.what}” is {row.state}: only failed or cancelled work is begun again.")
            row.state, row.says, row.tries, row.share = "waits", "Waits for its turn.", 0, 0.0
        self._queue(job_id)
        return self.job(job_id)

    def take_up(self) -> list[Job]:
        """Mark what a restart interrupted, and begin it again; what failed three times is reported instead."""
        with self._store.writing() as session:
            rows = session.scalars(
                sa.select(JobRow).where(JobRow.state.in_(_UNFINISHED)).order_by(JobRow.created_at)
            ).all()
            for row in rows:
                if row.kind in self._work and row.tries < _MOST_TRIES:
                    row.state, row.says = "waits", "Interrupted when the program stopped; begun again."
                else:
                    row.state = "failed"
                    row.says = f"Interrupted {row.tries} times when the program stopped. Try it again by hand."
        again = [row.id for row in rows if row.state == "waits"]
        for job_id in again:
            self._queue(job_id)
        return [self.job(row.id) for row in rows]

    def _queue(self, job_id: str) -> None:
        cancelled = self._cancels[job_id] = threading.Event()
        self._pool.submit(self._run, job_id, cancelled)

    def _run(self, job_id: str, cancelled: threading.Event) -> None:
        progress = Progress(self._store, job_id, cancelled, self._clock)
        try:
            with self._store.writing() as session:
                row = _row(session, job_id)
                if row.state != "waits":
                    return
                row.state, row.tries = "runs", row.tries + 1
                kind, arguments = row.kind, dict(row.arguments)
            says = self._work[kind](progress, arguments)
            progress.tell(1.0, says)
            progress.write(state="done")
        except CancelledError:
            if job_id in self._closing:
                return  # its row stays as a kill would leave it, and the next start takes it up
            progress.write(state="cancelled", says="Cancelled. What was finished before stays.")
        except HeadstockError as error:
            progress.write(state="failed", says=str(error))
        except Exception as error:
            # A foreign text may hold a file name, and a file name may hold a person's: log the kind only.
            _log.exception("job %s failed: %s", job_id, type(error).__name__, exc_info=False)
            progress.write(
                state="failed",
                says=f"It stopped on an error that was not foreseen ({type(error).__name__}). What was finished "
                "before stays. Try it again; if it stops again, report it with this word.",
            )
        finally:
            if self._cancels.get(job_id) is cancelled:  # else a retry has already queued it again, under its own
                del self._cancels[job_id]


def _row(session: Session, job_id: str) -> JobRow:
    row = session.get(JobRow, job_id)
    if row is None:
        raise NotFoundError("There is no such work in this record. Open the list of hips to see what is there.")
    return row


def _job(row: JobRow) -> Job:
    state: JobState = row.state  # type: ignore[assignment]  # written by this module only
    return Job(row.id, row.kind, row.what, state, row.share, row.says, tuple(row.lines), tuple(row.hip_ids))


def _lock_folder(store: Store) -> IO[str] | None:
    """One runner a folder: two would both begin again what a restart interrupted."""
    try:
        import fcntl
    except ImportError:  # not on Windows
        return None
    try:
        file = (store.folder / "runner.lock").open("a", encoding="ascii")
    except OSError as error:
        raise RecordError(
            f"The data folder cannot be written ({error.strerror}), so no work could be kept. Make it writable, or "
            "choose another folder with --data."
        ) from None
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        file.close()
        raise RecordError(
            "Another headstock is already serving this data folder. Two would do the same work twice. "
            "Use the one that runs, stop it, or choose another folder with --data."
        ) from None
    file.truncate(0)
    file.write(f"{os.getpid()}\n")
    file.flush()
    return file

"""Begin the work that finds the bone in a scan."""

import threading
from datetime import datetime
from typing import Final

from headstock.desk.desk import Desk
from headstock.desk.scan_pages import MarkIn, ReadScanIn
from headstock.desk.scans.reading import find_outlines, mark_reading
from headstock.desk.scans.rows import hip_of_scan, scan_words
from headstock.errors import ImageError
from headstock.jobs import Job, Runner
from headstock.records.scans import reading_of
from headstock.records.scans import scan as scan_row

__all__ = ["begin_marking", "begin_reading", "read_now"]

# Two presses come in two threads of the one program that works on a folder: the second must see what the first began.
_BEGINNING: Final = threading.Lock()


def begin_marking(
    desk: Desk, runner: Runner, scan_id: str, hip_id: str | None, given: MarkIn, *, who: str, now: datetime
) -> Job:
    """Begin to carry dead bone, clicked on an MR, onto the CT of the hip.

    Raises
    ------
    ImageError
        The scan is not an MR.
    """
    with desk.store.session() as session:
        row = scan_row(session, scan_id)
        hip = hip_of_scan(session, row, hip_id)
    if row.modality != "MR":
        raise ImageError("Dead bone is marked by a click on MR; on CT it is found, and corrected by brush.")
    job = runner.begin(
        "mark_mr",
        f"Marking dead bone, {scan_words(row)}",
        {"scan": scan_id, "hip": hip.id, "click": list(given.click), "who": who},
        by=who,
    )
    mark_reading(desk, scan_id, hip.id, job.job_id, now=now)
    return job


def read_now(desk: Desk, scan_id: str, hip_id: str | None, seed: list[float] | None, *, who: str, now: datetime) -> str:
    """Find the bone at once, without the queue; returns the hip it was found for."""
    with desk.store.session() as session:
        hip = hip_of_scan(session, scan_row(session, scan_id), hip_id).id
    find_outlines(desk, scan_id, hip, seed, lambda _share, _words: None, who=who, now=now)
    return hip


def begin_reading(
    desk: Desk, runner: Runner, scan_id: str, hip_id: str | None, given: ReadScanIn, *, who: str, now: datetime
) -> Job:
    """Begin to find the bone; one that is under way already is answered with, not begun twice.

    Raises
    ------
    ImageError
        Bone is found on CT only.
    """
    with desk.store.session() as session:
        row = scan_row(session, scan_id)
        hip = hip_of_scan(session, row, hip_id)
    if row.modality != "CT":
        raise ImageError(
            "Bone is found on CT. On an MR scan dead bone can be marked and carried onto a CT of the hip. Bring in "
            "a CT."
        )
    with _BEGINNING:
        with desk.store.session() as session:
            known = reading_of(session, scan_id, hip.id)
        if known is not None and known.job_id is not None:
            job = runner.job(known.job_id)
            if job.state in ("waits", "runs"):
                return job
        seed = None if given.seed is None else list(given.seed)
        job = runner.begin(
            "read_scan",
            f"Finding the bone, {scan_words(row)}",
            {"scan": scan_id, "hip": hip.id, "seed": seed, "who": who},
            by=who,
        )
        mark_reading(desk, scan_id, hip.id, job.job_id, now=now)
    return job

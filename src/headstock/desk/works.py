"""Long work that the desk hands to the job runner: importing, reading a scan, and making the demo patients."""

import json
import shutil
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from headstock.anatomy.scan.hip import head_sphere
from headstock.desk.bringing import Brought, bring_in, settled, summary_words
from headstock.desk.compare import compared
from headstock.desk.demo import load_demo
from headstock.desk.desk import Desk
from headstock.desk.hips import gather
from headstock.desk.limits import limits_in_force
from headstock.desk.scans.marking import mark_lesion
from headstock.desk.scans.reading import find_outlines, outlines_of, scan_scene
from headstock.desk.scans.volume import volume
from headstock.desk.scene import scene_of
from headstock.errors import HeadstockError, TooFewError
from headstock.jobs import Progress, Work
from headstock.records.scans import scan as scan_row
from headstock.records.tables import JobRow

__all__ = ["spool_names", "sweep_spool", "works"]

_NAMES = "names.json"


def works(desk: Desk, clock: Callable[[], datetime]) -> dict[str, Work]:
    """The kinds of work, by name."""

    def run_import(progress: Progress, arguments: dict[str, Any]) -> str:
        folder = desk.store.spool / Path(arguments["spool"]).name
        names: dict[str, str] = json.loads((folder / _NAMES).read_text(encoding="utf-8"))
        files = sorted(path for path in folder.iterdir() if path.name != _NAMES)
        lines: list[Brought] = []
        total = max(len(files), 1)
        for line in bring_in(
            desk,
            files,
            who=arguments["who"],
            now=clock(),
            into=arguments.get("into"),
            rename=lambda name: _their_name(name, names),
        ):
            lines.append(line)
            _tell(progress, line, min(0.98, len(lines) / (total + 2)))
        _settle(desk, progress, lines)
        shutil.rmtree(folder, ignore_errors=True)
        return summary_words(lines)

    def run_demo(progress: Progress, arguments: dict[str, Any]) -> str:
        lines: list[Brought] = []
        for share, line in load_demo(desk, who=arguments["who"], now=clock(), tell=progress.tell):
            lines.append(line)
            _tell(progress, line, share)
        _settle(desk, progress, lines)
        return summary_words(lines)

    def run_read_scan(progress: Progress, arguments: dict[str, Any]) -> str:
        scan_id, hip_id = str(arguments["scan"]), str(arguments["hip"])
        progress.hip(hip_id)
        find_outlines(desk, scan_id, hip_id, arguments.get("seed"), progress.tell, who=arguments["who"], now=clock())
        with desk.store.session() as session:
            row = scan_row(session, scan_id)
        # What follows is not kept, but worked out here so that the pages that are opened next have it at hand.
        scan_scene(
            desk, row, hip_id, limits_in_force(desk),
            progress=lambda share, words: progress.tell(0.6 + 0.2 * share, words),
        )  # fmt: skip
        progress.tell(0.82, "trying the parts at the four cut levels")
        try:
            compared(desk, scene_of(desk, hip_id, today=clock().date()))
        except HeadstockError as stop:
            return f"The bone was found and measured. Nothing can be placed yet: {stop}"
        return "The bone was found and measured."

    def run_mark(progress: Progress, arguments: dict[str, Any]) -> str:
        hip_id = str(arguments["hip"])
        progress.hip(hip_id)
        with desk.store.session() as session:
            state = gather(session, hip_id, limits_in_force(desk), clock().date())
        if state.scan is None or not state.scan_is_read:
            raise TooFewError("Dead bone on MR is carried onto a CT of the same hip. Find the bone in a CT first.")
        outlines = outlines_of(desk, state.scan, hip_id)
        scan = volume(desk, state.scan)
        sphere = head_sphere(outlines.seg, scan)
        says = mark_lesion(
            desk, str(arguments["scan"]), hip_id, arguments["click"],
            (scan, outlines.seg, sphere.centre_lps_mm, sphere.radius_mm),
            progress.tell, who=arguments["who"], now=clock(),
        )  # fmt: skip
        return f"{says[:1].upper()}{says[1:]}."

    return {"import": run_import, "demo": run_demo, "read_scan": run_read_scan, "mark_mr": run_mark}


def _tell(progress: Progress, line: Brought, share: float) -> None:
    progress.line(_plain(line))
    if line.hip_id is not None:
        progress.hip(line.hip_id)
    progress.tell(share, line.name.rpartition("/")[2])


def _plain(line: Brought) -> dict[str, Any]:
    return {
        "name": line.name,
        "outcome": line.outcome,
        "says": line.says,
        "hip_id": line.hip_id,
        "film_id": line.film_id,
        "scan_id": line.scan_id,
    }


def _settle(desk: Desk, progress: Progress, lines: list[Brought]) -> None:
    final = settled(desk, lines)
    progress.settle([_plain(line) for line in final], [line.hip_id for line in final if line.hip_id is not None])


def _their_name(name: str, names: dict[str, str]) -> str:
    """The name the file had at its owner's; inside an archive the entry's own name follows."""
    head, slash, tail = name.partition("/")
    return names.get(head, head) + slash + tail


def spool_names(folder: Path, names: dict[str, str]) -> None:
    """Keep the owner's names beside the numbered files of one upload."""
    (folder / _NAMES).write_text(json.dumps(names), encoding="utf-8")


def sweep_spool(desk: Desk) -> int:
    """Remove uploads that no job will ask for: broken off by a kill before their job was begun; returns how many.

    Only the program that holds the folder's work may do this, before it takes any in.
    """
    with desk.store.session() as session:
        rows = session.scalars(sa.select(JobRow).where(JobRow.state != "done"))
        asked = {str(row.arguments.get("spool")) for row in rows}
    left = [folder for folder in desk.store.spool.iterdir() if folder.is_dir() and folder.name not in asked]
    for folder in left:
        shutil.rmtree(folder, ignore_errors=True)
    return len(left)

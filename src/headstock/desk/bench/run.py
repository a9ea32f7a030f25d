"""All parts of the bench, one after the other."""

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, Final

from headstock.desk.bench import accuracy, scan_speed, scans, snapping, speed
from headstock.desk.bench.machine import machine
from headstock.desk.bench.row import Row
from headstock.errors import TooFewError

__all__ = ["PARTS", "run"]

PARTS: Final = ("accuracy", "coverage", "snap", "speed", "scans", "scan-coverage", "scan-speed")
_MARKER_DEPTH_SD_MM: Final = 15.0


def run(
    *,
    quick: bool = False,
    tell: Callable[[str], None] | None = None,
    patients: Path | None = None,
    parts: Sequence[str] = PARTS,
    seed: int = 2026,
) -> dict[str, Any]:
    """Measure the parts asked for. `patients`: a folder with the supplied patients' zips, when there is one.

    `quick` takes a tenth of the films: good for seeing that it runs, not for quoting.

    Raises
    ------
    TooFewError
        A part that does not exist.
    """
    unknown = [part for part in parts if part not in PARTS]
    if unknown:
        raise TooFewError(f"No part of the bench is called {', '.join(unknown)}. They are {', '.join(PARTS)}.")
    say = tell or (lambda words: None)
    described = machine()
    say("; ".join(f"{name} {value}" for name, value in described.items()))
    films = 20 if quick else 200
    rows: list[Row] = []

    def add(new: Sequence[Row]) -> None:
        rows.extend(new)
        for row in new:
            say("  " + row.in_words())

    folder = patients or _beside()
    if "accuracy" in parts and folder is not None:
        add(accuracy.perfect_supplied(folder, say))
    if "accuracy" in parts or "coverage" in parts:
        drawn = accuracy.phantom_films(films, seed, say)
        if "accuracy" in parts:
            add(accuracy.perfect_phantoms(drawn, say))
        if "coverage" in parts:
            add(accuracy.coverage(drawn, 20, _MARKER_DEPTH_SD_MM, say))
    if "snap" in parts:
        add(snapping.snaps(10 if quick else 100, seed, folder, say))
    if "speed" in parts:
        add(speed.speeds(seed, say))
    if "scans" in parts:
        say("scans of supplied patients and phantoms, read without their truth")
        add(scans.accuracy(folder, 4 if quick else 20, seed, say))
    if "scan-coverage" in parts:
        say("repeats with fresh noise, another grid and another seed point (about 5 s each)")
        add(scans.scan_coverage(8 if quick else 1000, 4 if quick else 125, seed, say))
    if "scan-speed" in parts:
        add(scan_speed.scan_speeds(folder, say))
    missed = [row.what for row in rows if row.reached is False]
    named = ", ".join(missed) or "none"
    say(f"{len(rows) - len(missed)} of {len(rows)} figures reached or shown. Not reached: {named}.")
    return {"machine": described, "quick": quick, "rows": [row.to_json() for row in rows], "not_reached": missed}


def _beside() -> Path | None:
    """The supplied patients in a checkout of the project; None in an installed package."""
    folder = Path(__file__).resolve().parents[4] / "tests" / "data" / "hips"
    return folder if any(folder.glob("*.zip")) else None

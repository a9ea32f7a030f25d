"""How long the steps of a surgeon's day take, on this machine, beside general peers in the same run."""

import io
import tempfile
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from statistics import median
from time import perf_counter

import numpy as np
from numpy.typing import NDArray

from headstock.desk.bench.row import Row, Tell

__all__ = ["speeds"]

_NOW = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
_PATIENT = "DEMO-0002"
Floats = NDArray[np.float64]


def _seconds(work: Callable[[], object], times: int) -> float:
    """Median of several runs after one that warms up."""
    work()
    taken = []
    for _ in range(times):
        start = perf_counter()
        work()
        taken.append(perf_counter() - start)
    return median(taken)


def speeds(seed: int, tell: Tell) -> list[Row]:
    """Film on screen, drag, draws, comparison, sheet; each the median of several runs after a first."""
    return [*_reading_films(seed, tell), *_desk(tell), *_fits(seed)]


def _reading_films(seed: int, tell: Tell) -> list[Row]:
    import pydicom

    from headstock.images import DxFacts, read_film, shown_uint16, write_dx

    tell("a film of 3000 x 2500 pixels, 16 bit")
    pixels = np.random.default_rng(seed).integers(0, 4096, (2500, 3000), dtype=np.uint16)
    data = write_dx(
        pixels,
        DxFacts("BENCH^NOBODY", "BENCH", None, "O", _NOW.date(), "AP PELVIS"),
    )

    def ours() -> bytes:
        shown = shown_uint16(read_film(data))
        return np.asarray(shown[0]).tobytes()

    def peer() -> bytes:
        return bytes(pydicom.dcmread(io.BytesIO(data)).pixel_array.tobytes())

    mine, theirs = _seconds(ours, 5), _seconds(peer, 5)
    return [
        Row(
            "speed",
            "film 3000 x 2500 from bytes to what the browser gets",
            mine,
            "s",
            1.0,
            of="without the drawing in the browser",
        ),
        Row("speed", "the same against pydicom's bare pixel_array", mine / theirs, "times"),
    ]


def _desk(tell: Tell) -> list[Row]:
    from headstock.desk import compare, place, readings, scene, sign
    from headstock.desk.demo import load_demo
    from headstock.desk.desk import Memory, open_desk
    from headstock.desk.films import films_in_use
    from headstock.desk.hips import hips_page
    from headstock.planning.appraise import appraise
    from headstock.records.people import hip as hip_row

    with tempfile.TemporaryDirectory() as folder:
        desk = open_desk(Path(folder))
        start = perf_counter()
        tell("the six demo patients")
        for _ in load_demo(desk, who="bench", now=_NOW):
            pass
        made = perf_counter() - start
        page = hips_page(desk, find="", today=_NOW.date())
        row = next(r for g in page.groups for r in g.rows if r.person.number == _PATIENT and not r.is_other_hip)
        hip_id = row.hip_id
        with desk.store.session() as session:
            film = next(f for f in films_in_use(session, hip_row(session, hip_id)) if f.view == "ap_pelvis")
        state = readings.reading_page(desk, film.id, hip_id, who="bench").state
        tell("dragging a point, dragging the component, the whole comparison, the sheet")
        drag_point = _seconds(lambda: readings.measure_live(desk, film.id, hip_id, state), 15)
        first = perf_counter()
        compare.comparison(desk, hip_id, today=_NOW.date())
        compared = perf_counter() - first

        def anew() -> None:
            # A desk with an empty memory: nothing of the comparison before is used again.
            compare.comparison(replace(desk, answers=Memory(64)), hip_id, today=_NOW.date())

        whole = _seconds(anew, 3)
        compare.choose(desk, hip_id, "mid_head", who="bench", now=_NOW)
        given = place.placement_page(desk, hip_id, today=_NOW.date()).appraisal.placement
        drag_part = _seconds(lambda: place.appraise_live(desk, hip_id, given, today=_NOW.date()), 15)
        seen = scene.scene_of(desk, hip_id, today=_NOW.date())
        placement, _ = place.current_placement(desk, seen)
        assert seen.film is not None
        whole_hip = seen.film.prepared
        draws = _seconds(lambda: appraise(whole_hip, placement, desk.catalogue, seen.limits, seen.targets), 5)
        sheet = _seconds(lambda: sign.draft_sheet(desk, hip_id, "a4", now=_NOW), 3)
    return [
        Row("speed", "six demo patients drawn, brought in and read", made, "s", of="part of make demo"),
        Row("speed", "drag a point to new numbers", 1000 * drag_point, "ms", 50.0),
        Row("speed", "drag the component to new numbers", 1000 * drag_part, "ms", 50.0),
        Row("speed", "a whole appraisal with 2,000 draws", draws, "s", 0.3),
        Row("speed", "comparison of four levels, all sizes, first time in a process", compared, "s"),
        Row("speed", "comparison of four levels, all sizes", whole, "s", 3.0),
        Row("speed", "theatre sheet", sheet, "s", 1.0),
    ]


def _fits(seed: int) -> list[Row]:
    from scipy.optimize import least_squares

    from headstock.geometry import fit_circle

    rng = np.random.default_rng(seed)
    angles = rng.uniform(0, 2 * np.pi, (2000, 60))
    points = np.stack([24 * np.cos(angles), 24 * np.sin(angles)], axis=-1) + rng.normal(0, 0.2, (2000, 60, 2))

    def residual(p: Floats, some: Floats) -> Floats:
        return np.asarray(np.hypot(some[:, 0] - p[0], some[:, 1] - p[1]) - p[2])

    ours = _seconds(lambda: fit_circle(points), 3)
    peer = 100 * _seconds(lambda: [least_squares(residual, [0.0, 0.0, 20.0], args=(some,)) for some in points[:20]], 3)
    return [
        Row(
            "speed",
            "2,000 circle fits against scipy.optimize.least_squares, one by one",
            peer / ours,
            "times",
            of="faster",
        )
    ]

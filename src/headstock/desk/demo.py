"""The six demo patients: made by the phantom, brought in like any hospital's export, some of them read.

Readings of films are perfect clicks from the phantom's truth and say so by their reader's name; bone in a CT
is found by the program, as in any other. The films of two patients and the CT of one stay unread, so that there is
something to do.
"""

import multiprocessing
import os
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from datetime import date, datetime
from typing import Any, Final

from headstock.anatomy.cautions import HipFacts
from headstock.desk.bringing import Brought, bring_bytes
from headstock.desk.desk import Desk
from headstock.desk.facts import FACTS
from headstock.desk.films import confirm_side, set_scale
from headstock.desk.pages import ReadingIn, ReadingState, ScaleIn, SideLetterIn, SignsIn
from headstock.desk.readings import keep_reading
from headstock.desk.scans.reading import find_outlines
from headstock.phantom import PhantomCase, case_files, demo_patients, perfect_reading_json, scan_files
from headstock.records import write_line
from headstock.records.people import add_fact, films_of, hip_of, patient_by_number
from headstock.records.people import film as film_row
from headstock.records.scans import scan as scan_row

__all__ = [
    "DEMO_READER",
    "bring_patient",
    "keep_facts",
    "load_demo",
    "make_films",
    "make_slices",
    "read_film",
    "read_scan",
    "signs_of",
]

DEMO_READER: Final = "the phantom's truth"
# Films left for the visitor to read: of the cyst, whose bone is found in its CT, and of the hip after an operation.
_FILMS_UNREAD: Final = ("DEMO-0003", "DEMO-0005")
# The other CT, of the large dead sector, is left to find the bone in.
_SCAN_READ: Final = ("DEMO-0003",)
_MADE: Final = 0.6  # share of one patient's work until all is in the record, where bone is found too

Made = tuple[str, bytes, dict[str, Any]]
Slices = list[tuple[str, bytes]]
Tell = Callable[[float, str], None]


def load_demo(
    desk: Desk, *, who: str, now: datetime, tell: Tell = lambda share, says: None
) -> Iterator[tuple[float, Brought]]:
    """Make the demo patients and bring them in; (share done, line) as it goes. Those already here are left alone."""
    today = now.date()
    cases = demo_patients(today)
    with desk.store.session() as session:
        here = {case.number for case in cases if patient_by_number(session, case.number) is not None}
    missing = [number for number, case in enumerate(cases) if case.number not in here]
    tell(0.01, f"{len(missing)} invented patients to make")
    # Rendering keeps a processor busy for seconds: own processes, so that pages stay quick meanwhile.
    workers = max(1, min(2, os.cpu_count() or 1, len(missing)))
    with ProcessPoolExecutor(workers, mp_context=multiprocessing.get_context("spawn")) as pool:
        try:
            made = pool.map(_make, missing, [today] * len(missing))
            for done, (number, (films, slices)) in enumerate(zip(missing, made, strict=True)):
                case, share = cases[number], (done + 1) / len(missing)

                def tell_part(part: float, says: str, done: int = done, of: str = case.number) -> None:
                    tell((done + part) / len(missing), f"{of}: {says}")

                for line in bring_patient(desk, case, films, slices, who=who, now=now, tell=tell_part):
                    yield share, line
                tell(share, f"{case.number}: {case.scenario}")
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise


def _make(number: int, today: date) -> tuple[list[Made], Slices]:
    return make_films(number, today), make_slices(number, today)


def bring_patient(
    desk: Desk, case: PhantomCase, films: list[Made], slices: Slices, *, who: str, now: datetime, tell: Tell
) -> list[Brought]:
    """Bring one demo patient in, read what comes read; one line a film and one a scan."""
    files = [(path, data) for path, data, _ in films]
    lines = list(bring_bytes(desk, files + slices, who=who, now=now))
    side = case.side.value
    keep_facts(desk, case.number, side, case.facts, now)
    truths = {path: truth for path, _, truth in films}
    for line in lines:
        if line.outcome != "imported":
            continue
        if line.film_id is not None and case.number not in _FILMS_UNREAD:
            read_film(desk, line.film_id, side, truths[line.name], signs_of(case), now)
        if line.scan_id is not None and case.number in _SCAN_READ:
            read_scan(desk, line.scan_id, side, who, now, lambda share, says: tell(_MADE + (1 - _MADE) * share, says))
    return lines


def make_films(number: int, today: date) -> list[Made]:
    """The films of one demo patient: path, DICOM bytes, and the reading that perfect clicks give."""
    case = demo_patients(today)[number]
    return [
        (
            file.path,
            file.data,
            perfect_reading_json(file.film.truth, file.film.spec.view) | {"ball_mm": file.film.spec.ball_mm},
        )
        for file in case_files(case)
    ]


def make_slices(number: int, today: date) -> Slices:
    """The slices of a demo patient's CT, path and DICOM bytes; none where there is no CT."""
    return list(scan_files(demo_patients(today)[number]))


def signs_of(case: PhantomCase) -> SignsIn:
    """What a reader would see on the films of this phantom, from what it was made of."""
    hip = case.studies[-1].spec.hip(case.side)
    sector = hip.sector
    if sector is None:
        return SignsIn(film_abnormal=bool(hip.cysts), crescent=False, flattening=False)
    sunk = sector.collapse_mm > 0
    return SignsIn(
        film_abnormal=True,
        mri_abnormal=True,
        sclerosis=True,
        crescent=sector.crescent or sunk,
        flattening=sunk,
        joint_space_narrowed=False,
        acetabular_changes=False,
        joint_destroyed=False,
    )


def keep_facts(desk: Desk, number: str, side: str, facts: HipFacts, now: datetime) -> None:
    """Keep what the phantom says of a demo patient as entries of the record."""
    plain = facts.to_json()
    scores = plain.pop("scores", {})
    if scores:
        plain["score_before"] = next(iter(scores.values()))
    with desk.store.writing() as session:
        someone = patient_by_number(session, number)
        if someone is None:
            return
        someone.is_demo = True
        hip = hip_of(session, someone.id, side)
        hip.under_study = True
        for key, fact in plain.items():
            if key in FACTS:
                add_fact(
                    session,
                    hip,
                    key=key,
                    value=fact["value"],
                    per_patient=FACTS[key].per_patient,
                    on=date.fromisoformat(fact["date"]),
                    source=fact["source"],
                    by=DEMO_READER,
                    now=now,
                )
                write_line(session, at=now, who=DEMO_READER, action="fact kept", subject=hip.id, key=key)


def read_scan(desk: Desk, scan_id: str, side: str, who: str, now: datetime, tell: Tell) -> None:
    """Find the bone of one demo scan: the program's own work, begun by whoever asked for the patients."""
    with desk.store.session() as session:
        hip_id = hip_of(session, scan_row(session, scan_id).patient_id, side).id
    find_outlines(desk, scan_id, hip_id, None, tell, who=who, now=now)


def read_film(desk: Desk, film_id: str, side: str, truth: dict[str, Any], signs: SignsIn, now: datetime) -> None:
    """Scale, side letter and reading of one demo film, as its truth has them."""
    circles = dict(truth["circles"])
    ball = circles.get("marker_ball")
    with desk.store.session() as session:
        row = film_row(session, film_id)
        hip_id = hip_of(session, row.patient_id, side).id
        newest = next((film for film in films_of(session, row.patient_id) if film.view == row.view), row)
    pelvis = truth["view"] == "ap_pelvis"
    confirm_side(
        desk,
        film_id,
        SideLetterIn(seen="both" if pelvis else side, columns_to_left=truth["columns_to_left"] if pelvis else None),  # type: ignore[arg-type]
        hip_id,
        who=DEMO_READER,
        now=now,
    )
    if ball is not None:
        set_scale(
            desk,
            film_id,
            ScaleIn(kind="ball", circle=tuple(ball), circle_sd_px=0.1, diameter_mm=truth["ball_mm"], settle=True),
            hip_id,
            who=DEMO_READER,
            now=now,
        )
    if newest.id != film_id:
        return  # an older study stays as it came: the hip's line shows a film not read
    state = ReadingState(points=truth["points"], circles=circles, outlines=truth["outlines"], signs={side: signs})
    keep_reading(
        desk, film_id, hip_id, ReadingIn(state=state, base_step=0, what="perfect clicks"), who=DEMO_READER, now=now
    )

"""The six demo patients: made by the phantom, brought in like any hospital's export, some of them read.

Their readings are perfect clicks from the phantom's truth and say so by their
reader's name. Two patients stay unread, so that there is something to do.
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
from headstock.phantom import PhantomCase, case_files, demo_patients, perfect_reading_json
from headstock.records import write_line
from headstock.records.people import add_fact, films_of, hip_of, patient_by_number
from headstock.records.people import film as film_row

__all__ = ["DEMO_READER", "keep_facts", "load_demo", "make_films", "read_film", "signs_of"]

DEMO_READER: Final = "the phantom's truth"
# Left for the visitor to read: the cyst (as the browser's first journey) and the hip after an earlier operation.
_UNREAD: Final = ("DEMO-0003", "DEMO-0005")

Made = tuple[str, bytes, dict[str, Any]]


def load_demo(
    desk: Desk, *, who: str, now: datetime, tell: Callable[[float, str], None] = lambda share, says: None
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
            for done, (number, made) in enumerate(
                zip(missing, pool.map(make_films, missing, [today] * len(missing)), strict=True), start=1
            ):
                case = cases[number]
                share = done / max(len(missing), 1)
                lines = list(bring_bytes(desk, [(path, data) for path, data, _ in made], who=who, now=now))
                keep_facts(desk, case.number, case.side.value, case.facts, now)
                if case.number not in _UNREAD:
                    for line, (_, _, truth) in zip(lines, made, strict=True):
                        if line.film_id is not None and line.outcome == "imported":
                            read_film(desk, line.film_id, case.side.value, truth, signs_of(case), now)
                for line in lines:
                    yield share, line
                tell(share, f"{case.number}: {case.scenario}")
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise


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

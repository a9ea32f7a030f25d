"""Repeat readings: what each reader found on one film, and how well measures repeat over all films read twice.

In: the kept readings of films. Out: a page of values side by side, within-reader
repeatability and the agreement of pairs of readers. Few films give a reason, not a number.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from itertools import combinations
from typing import Any, Final

import sqlalchemy as sa

from headstock.anatomy import MEASURES, limits_of_agreement, measure, within_reader
from headstock.desk.desk import Desk
from headstock.desk.limits import limits_in_force
from headstock.desk.pages import AgreementRow, Number, RepeatabilityRow, RepeatPage, RepeatReading
from headstock.desk.readings import SEED, make_reading, measure_number, reading_state
from headstock.desk.scales import FilmScales, film_scales
from headstock.desk.words import label_of, number
from headstock.errors import HeadstockError, TooFewError
from headstock.frames import Side
from headstock.measured import DRAWS, Measured, missing
from headstock.records.drafts import draft_state, repeats
from headstock.records.people import film as film_row
from headstock.records.people import hip as hip_row
from headstock.records.tables import Draft, FilmRow, HipRecord

__all__ = ["REPEATED", "repeat_page"]

# The measures a plan leans on most; every other one follows from the same points.
REPEATED: Final = (
    "leg_length_difference_mm",
    "femoral_offset_mm",
    "neck_shaft_angle_deg",
    "head_diameter_mm",
    "centre_edge_angle_deg",
)
_VALUE_DRAWS: Final = 40  # of other films only the value is wanted; the fewest draws an interval can be made of


@dataclass(frozen=True, slots=True)
class _Kept:
    """One reading of one film: who, and its values by measure."""

    film_id: str
    reader: str
    values: Mapping[str, Measured]


def repeat_page(desk: Desk, film_id: str, hip_id: str) -> RepeatPage:
    """Every reading of this film side by side, and repeatability over all films read more than once."""
    limits = limits_in_force(desk)
    with desk.store.session() as session:
        row, hip = film_row(session, film_id), hip_row(session, hip_id)
        side = Side(hip.side)
        drafts = [draft_state(session, draft) for draft in repeats(session, film_id)]
        films = _read_twice(session, film_id)
        others = [
            (film, side_of, [draft_state(session, d) for d in repeats(session, film.id)]) for film, side_of in films
        ]
    scales = film_scales(row, limits)
    mine, shown = [], []
    for draft in drafts:
        if draft.step == 0:
            continue
        kept = _Kept(film_id, draft.by, _values(row, draft, side, scales, DRAWS))
        mine.append(kept)
        shown.append(
            RepeatReading(
                reader=draft.by,
                kept_at=None if draft.at is None else datetime.fromisoformat(draft.at),
                in_use=draft.repeat_no == 0,
                numbers=[
                    measure_number(name, kept.values[name], scales, signed=name.startswith("leg"))
                    for name in _names(side)
                    if name in kept.values
                ],
            )
        )
    everything = [*mine]
    for film, side_of, states in others:
        others_scales = film_scales(film, limits)
        everything += [
            _Kept(film.id, state.by, _bare(_values(film, state, side_of, others_scales, _VALUE_DRAWS)))
            for state in states
            if state.step
        ]
    pooled = [_Kept(one.film_id, one.reader, _bare(one.values)) for one in everything]
    return RepeatPage(
        film_id=film_id,
        readings=shown,
        within=[row for name in REPEATED for row in _within(name, pooled)],
        between=[row for name in REPEATED for row in _between(name, pooled)],
        says=_says(len(shown), len({one.film_id for one in pooled})),
    )


def _read_twice(session: Any, but: str) -> list[tuple[FilmRow, Side]]:
    """Films other than this one with two readings or more, each with the side under study."""
    twice = (
        sa.select(Draft.subject_id)
        .where(Draft.kind == "reading", Draft.step > 0)
        .group_by(Draft.subject_id)
        .having(sa.func.count() > 1)
    )
    found = []
    for film in session.scalars(sa.select(FilmRow).where(FilmRow.id.in_(twice), FilmRow.id != but)):
        hips = session.scalars(
            sa.select(HipRecord).where(HipRecord.patient_id == film.patient_id).order_by(HipRecord.under_study.desc())
        ).all()
        if hips:
            found.append((film, Side(hips[0].side)))
    return found


def _names(side: Side) -> list[str]:
    return [name if name.startswith("leg") else f"{side}.{name}" for name in REPEATED]


def _values(row: FilmRow, draft: Any, side: Side, scales: FilmScales, n_draws: int) -> dict[str, Measured]:
    """The repeated measures of one reading; a reading that cannot be measured gives none."""
    try:
        reading = make_reading(row, reading_state(draft), side)
        found = measure(reading, scales.in_use, n_draws=n_draws, seed=SEED, only=REPEATED)
    except HeadstockError:
        return {}
    return {name: found[name] for name in _names(side) if name in found}


def _bare(values: Mapping[str, Measured]) -> dict[str, Measured]:
    """By measure alone: the side under study differs from hip to hip."""
    return {name.rpartition(".")[2]: value for name, value in values.items()}


def _by_film(name: str, kept: Iterable[_Kept]) -> dict[str, list[tuple[str, float]]]:
    films: dict[str, list[tuple[str, float]]] = {}
    for one in kept:
        value = one.values.get(name)
        if value is not None and value.value is not None:
            films.setdefault(one.film_id, []).append((one.reader, value.value))
    return films


def _shown(key: str, label: str, found: Measured, signed: bool = False) -> Number:
    return number(key, label, found, signed=signed, sentence=found.source, rows=[])


def _within(name: str, kept: list[_Kept]) -> list[RepeatabilityRow]:
    """One row a reader who read films more than once."""
    films = _by_film(name, kept)
    unit = MEASURES[name].unit
    rows = []
    for reader in sorted({one.reader for one in kept}):
        own = [[value for who, value in readings if who == reader] for readings in films.values()]
        own = [values for values in own if len(values) > 1]
        if not own:
            continue
        try:
            found = within_reader(own, unit)
            sd, coefficient = found.within_subject_sd, found.coefficient
        except TooFewError as few:
            sd = coefficient = missing(unit, "within-subject sd", str(few))
        rows.append(
            RepeatabilityRow(
                key=name,
                label=label_of(name),
                reader=reader,
                films=len(own),
                within_sd=_shown(f"{name}.within_sd", "within-reader sd", sd),
                coefficient=_shown(f"{name}.repeatability", "repeatability coefficient", coefficient),
            )
        )
    return rows


def _between(name: str, kept: list[_Kept]) -> list[AgreementRow]:
    """One row a pair of readers who read the same films; each reader's first reading of a film counts."""
    films = _by_film(name, kept)
    unit = MEASURES[name].unit
    rows = []
    for one, other in combinations(sorted({k.reader for k in kept}), 2):
        pairs = []
        for readings in films.values():
            first = dict(reversed(readings))
            if one in first and other in first:
                pairs.append((first[one], first[other]))
        if not pairs:
            continue
        try:
            found = limits_of_agreement([a for a, _ in pairs], [b for _, b in pairs], unit)
            bias, low, high = found.bias, found.lower_limit, found.upper_limit
        except TooFewError as few:
            bias = low = high = missing(unit, "limits of agreement", str(few))
        rows.append(
            AgreementRow(
                key=name,
                label=label_of(name),
                first=one,
                second=other,
                films=len(pairs),
                bias=_shown(f"{name}.bias", f"{other} minus {one}", bias, True),
                lower=_shown(f"{name}.lower", "lower limit of agreement", low, True),
                upper=_shown(f"{name}.upper", "upper limit of agreement", high, True),
            )
        )
    return rows


def _says(readings: int, films: int) -> str:
    if readings < 2:
        return "This film was read once. Read it once more, without looking at the first, to learn how well it repeats."
    return (
        f"This film was read {readings} times. Repeatability is taken over {films} "
        f"film{'s' if films != 1 else ''} read more than once."
    )

"""Readings: keep every step, measure while points move, undo, redo, read again for repeatability.

In: points, circles and outlines in pixels as a reader placed them. Out: the
reading's page with its numbers. One reading a film is in use and shared by all
readers; a repeat reading stands beside it.
"""

import time
from collections.abc import Mapping
from datetime import datetime
from typing import Any, Final, Literal

from sqlalchemy.orm import Session

from headstock.anatomy import (
    LANDMARKS,
    MEASURES,
    Reading,
    View,
    anterior_direction,
    film_hip,
    head_size_warnings,
    key,
    measure,
    pelvis_warnings,
    split_key,
)
from headstock.anatomy.lesion import lesion_extent
from headstock.desk.desk import Desk
from headstock.desk.drawing import drawn_lines
from headstock.desk.films import film_words, films_in_use, is_used
from headstock.desk.headers import header_columns_to_left, header_from_json
from headstock.desk.limits import limit_mark, limits_in_force
from headstock.desk.pages import (
    Line,
    MeasureRow,
    MeasuresOut,
    Number,
    ReadingIn,
    ReadingPage,
    ReadingState,
)
from headstock.desk.scales import FilmScales, film_scales
from headstock.desk.signs import raw_signs, stage_rows
from headstock.desk.words import label_of, number, says_number
from headstock.errors import FrameError, HeadstockError, TooFewError
from headstock.frames import Side
from headstock.measured import DRAWS, Measured
from headstock.planning.limits import Limits
from headstock.records import write_line
from headstock.records.drafts import (
    DraftState,
    begin_repeat,
    close_repeat,
    draft_state,
    find_draft,
    find_open_repeat,
    find_or_begin,
    redo,
    save_step,
    undo,
)
from headstock.records.people import film as film_row
from headstock.records.people import hip as hip_row
from headstock.records.people import uses_of
from headstock.records.tables import Draft, FilmRow, HipRecord

__all__ = [
    "LIVE_DRAWS",
    "SEED",
    "WANTED",
    "keep_reading",
    "make_reading",
    "measure_live",
    "measures_of",
    "read_again",
    "reading_page",
    "reading_state",
    "redo_reading",
    "undo_reading",
    "wanted_keys",
]

LIVE_DRAWS: Final = 200  # while a point moves; a kept step is measured with all draws
SEED: Final = 1
Who = Literal["both", "own"]

# What a reader is asked for, in this order: the points that length, offset, angles and the plan need. All others
# may be placed too. "both": on both hips, because the difference between the sides is the answer.
WANTED: Final[Mapping[View, tuple[tuple[str, Who], ...]]] = {
    View.AP_PELVIS: (
        ("teardrop", "both"),
        ("head_centre", "both"),
        ("lesser_trochanter", "both"),
        ("neck_axis_point", "own"),
        ("shaft_proximal", "both"),
        ("shaft_distal", "both"),
        ("greater_trochanter", "own"),
        ("sourcil_medial", "own"),
        ("sourcil_lateral", "own"),
    ),
    View.AP_HIP: (
        ("head_centre", "own"),
        ("neck_axis_point", "own"),
        ("shaft_proximal", "own"),
        ("shaft_distal", "own"),
        ("greater_trochanter", "own"),
        ("lesser_trochanter", "own"),
    ),
    View.LATERAL_HIP: (
        ("head_centre", "own"),
        ("neck_axis_point", "own"),
        ("neck_anterior", "own"),
        ("neck_posterior", "own"),
    ),
}


# ---- from what was placed to a reading -----------------------------------------------------------------------


def make_reading(row: FilmRow, state: ReadingState, side: Side, reader: str = "") -> Reading:
    """The reading of a film for one hip.

    Raises
    ------
    FrameError, TooFewError
        The view is not known, a name is wrong, or sides were mixed up.
    """
    if row.view is None:
        raise FrameError("Nobody has said which view this film is. Open the film and choose its view.")
    header = header_from_json(row.header)
    to_left = row.columns_to_left
    if to_left is None:
        to_left = header_columns_to_left(header)
    return Reading(
        view=View(row.view),
        side=side,
        points=state.points,
        circles=state.circles,
        outlines={name: points for name, points in state.outlines.items() if len(points) > 2},  # type: ignore[misc]
        sd_px={name: sd for name, sd in state.sd_px.items() if name in state.points or name in state.circles},
        signs=raw_signs(state.signs.get(side.value)),
        columns_to_left=True if to_left is None else to_left,
        anterior=anterior_direction(header.patient_orientation) if row.view == "lateral_hip" else None,
        reader=reader,
        film_sha256=row.sha256,
    )


def wanted_keys(view: str | None, state: ReadingState, side: Side) -> list[str]:
    """Landmarks still to be placed, in order."""
    if view is None:
        return []
    wanted = []
    for name, who in WANTED[View(view)]:
        sides = (side, side.other) if who == "both" else (side,)
        wanted += [key(name, s if LANDMARKS[name].sided else None) for s in sides]
    return [name for name in wanted if not _is_placed(name, state)]


def _is_placed(name: str, state: ReadingState) -> bool:
    return name in state.points or (
        name.endswith("head_centre") and name.replace("head_centre", "head") in state.circles
    )


# ---- measuring -----------------------------------------------------------------------------------------------


def measures_of(
    row: FilmRow, state: ReadingState, side: Side, scales: FilmScales, *, n_draws: int
) -> dict[str, Measured]:
    """All measures of a reading by name; those that cannot be had say why."""
    return measure(make_reading(row, state, side), scales.in_use, n_draws=n_draws, seed=SEED)


def measures_out(
    row: FilmRow,
    state: ReadingState,
    side: Side,
    scales: FilmScales,
    limits: Limits,
    *,
    n_draws: int,
    extent: Mapping[str, Measured] | None = None,
) -> MeasuresOut:
    """The numbers that follow from a reading, ready to show; `extent` of the outlined lesion where it is known."""
    begun = time.perf_counter()
    todo = wanted_keys(row.view, state, side)
    if not state.points and not state.circles:
        return MeasuresOut(
            rows=[],
            pelvis=[],
            stages=[],
            drawn=[],
            warnings=[],
            finding="Nothing is placed on this film yet.",
            todo=todo,
            ms=0.0,
        )
    try:
        found = measures_of(row, state, side, scales, n_draws=n_draws)
    except HeadstockError as stop:
        return MeasuresOut(
            rows=[], pelvis=[], stages=[], drawn=[], warnings=[str(stop)], finding=str(stop), todo=todo, ms=0.0
        )
    warnings = list(
        pelvis_warnings(
            found,
            obliquity_limit_deg=_either_end(limits, "pelvic_obliquity_deg"),
            rotation_limit_percent=_either_end(limits, "pelvic_rotation_percent"),
        )
    )
    heads = limits.named("plausible_head_diameter_mm")
    warnings += head_size_warnings(found, heads.low, heads.high)
    if not scales.settled and scales.contradiction:
        warnings.insert(0, scales.contradiction)
    return MeasuresOut(
        rows=_rows(found, scales),
        pelvis=_pelvis_lines(found, scales, limits),
        stages=stage_rows(
            raw_signs(state.signs.get(side.value)), found.get(f"{side.value}.collapse_depth_mm"), extent or {}
        ),
        drawn=drawn_lines(state, row.view, side),
        warnings=warnings,
        finding=finding_of(found, side, row.view, todo),
        todo=todo,
        ms=1000 * (time.perf_counter() - begun),
    )


def _either_end(limits: Limits, name: str) -> float | None:
    limit = limits.by_name.get(name)
    return None if limit is None else limit.high


def measure_number(name: str, found: Measured, scales: FilmScales, *, signed: bool = False) -> Number:
    """A measure as shown, with formula and source in its slip."""
    bare = name.rpartition(".")[2]
    entry = MEASURES.get(bare)
    rows: list[tuple[str, str]] = []
    sentence = ""
    if entry is not None:
        sentence = entry.formula
        rows.append(("needs", ", ".join(need.replace("other.", "other ").replace("_", " ") for need in entry.needs)))
        rows.append(("source", f"{entry.source} ({entry.status})"))
        rows += [("known values", f"{ref.says} ({ref.source})") for ref in entry.references]
        if entry.unit == "mm" and scales.in_use is not None:
            rows.append(("scale", scales.in_use.source))
    return number(name, label_of(name), found, signed=signed, sentence=sentence, rows=rows)


def _rows(found: Mapping[str, Measured], scales: FilmScales) -> list[MeasureRow]:
    names = list(dict.fromkeys(name.partition(".")[2] for name in found if "." in name))
    rows = []
    for name in names:
        right, left = found.get(f"right.{name}"), found.get(f"left.{name}")
        apart = found.get(f"right_minus_left.{name}")
        if not any(m is not None and m.known for m in (right, left)) and not _worth_a_reason(name):
            continue
        rows.append(
            MeasureRow(
                key=name,
                label=label_of(name),
                unit=MEASURES[name].unit.replace("1", ""),
                right=None if right is None else measure_number(f"right.{name}", right, scales),
                left=None if left is None else measure_number(f"left.{name}", left, scales),
                difference=None
                if apart is None or not apart.known
                else measure_number(f"right_minus_left.{name}", apart, scales, signed=True),
            )
        )
    return rows


def _worth_a_reason(name: str) -> bool:
    """Measures shown with their reason while they are missing; the rest appear when their points do."""
    return name in ("femoral_offset_mm", "neck_shaft_angle_deg", "head_diameter_mm", "lesser_trochanter_below_line_mm")


def _pelvis_lines(found: Mapping[str, Measured], scales: FilmScales, limits: Limits) -> list[Line]:
    lines = []
    for name, one in found.items():
        if "." in name or (not one.known and name != "leg_length_difference_mm"):
            continue
        signed = name in ("leg_length_difference_mm", "pelvic_obliquity_deg")
        bound = limits.bound(name)
        lines.append(
            Line(
                group="pelvis",
                number=measure_number(name, one, scales, signed=signed),
                limit=limit_mark(one, bound),
            )
        )
    return lines


def finding_of(found: Mapping[str, Measured], side: Side, view: str | None, todo: list[str]) -> str:
    """The reading in one sentence."""
    length = found.get("leg_length_difference_mm")
    if length is not None and length.known:
        value = length.number
        low, high = length.low or value, length.high or value
        if low <= 0 <= high:
            return (
                "The legs are equally long within the error of this film: "
                f"{says_number(length, signed=True)}, right minus left."
            )
        shorter = "right" if value < 0 else "left"
        size = Measured(abs(value), "mm", length.source, min(abs(low), abs(high)), max(abs(low), abs(high)))
        return f"The {shorter} leg is {says_number(size)} shorter by the teardrop line."
    angle = found.get(f"{side.value}.neck_shaft_angle_deg")
    if angle is not None and angle.known:
        return f"The {side.value} neck-shaft angle is {says_number(angle)}."
    head = found.get(f"{side.value}.head_diameter_mm")
    if head is not None and head.known:
        return f"The {side.value} head measures {says_number(head)} across."
    left = len(todo)
    return f"{left} points still to place." if left > 1 else "One point still to place." if left else "Read."


def extent_of(
    desk: Desk, hip_id: str, row: FilmRow, state: ReadingState, side: Side, limits: Limits
) -> dict[str, Measured]:
    """How large the outlined lesion is, on this film and on the other view's where that is read; empty without one."""
    if not any(name.startswith(f"{side.value}.lesion") for name in state.outlines):
        return {}
    with desk.store.session() as session:
        films = films_in_use(session, hip_row(session, hip_id))
        others = [film for film in films if (film.view == "lateral_hip") != (row.view == "lateral_hip")]
        kept = [(film, find_draft(session, "reading", film.id)) for film in others]
        read = [
            (film, reading_state(draft_state(session, draft)))
            for film, draft in kept
            if draft is not None and draft.step
        ]
    pair = [(row, state), *read[:1]]
    ap = next(((film, placed) for film, placed in pair if film.view != "lateral_hip"), None)
    lateral = next(((film, placed) for film, placed in pair if film.view == "lateral_hip"), None)
    if ap is None:
        return {}
    try:
        return dict(
            lesion_extent(
                film_hip(
                    make_reading(*ap, side),
                    film_scales(ap[0], limits).in_use,
                    None if lateral is None else make_reading(*lateral, side),
                    None if lateral is None else film_scales(lateral[0], limits).in_use,
                    side,
                    n_draws=LIVE_DRAWS,
                    seed=SEED,
                )
            )
        )
    except HeadstockError:
        return {}  # what is missing is asked for by the films' own pages


def measure_live(desk: Desk, film_id: str, hip_id: str, state: ReadingState) -> MeasuresOut:
    """Numbers while a point moves; nothing is kept."""
    row, hip, scales, limits = _scene(desk, film_id, hip_id)
    return measures_out(row, state, Side(hip.side), scales, limits, n_draws=LIVE_DRAWS)


def _scene(desk: Desk, film_id: str, hip_id: str) -> tuple[FilmRow, HipRecord, FilmScales, Limits]:
    limits = limits_in_force(desk)
    with desk.store.session() as session:
        row, hip = film_row(session, film_id), hip_row(session, hip_id)
        _check_pair(session, row, hip)
    return row, hip, film_scales(row, limits), limits


def _check_pair(session: Session, row: FilmRow, hip: HipRecord) -> None:
    if row.patient_id != hip.patient_id:
        raise FrameError("This film belongs to another patient than this hip. Open the film from its own hip.")
    if not is_used(row, hip, uses_of(session, hip.id)):
        raise FrameError(
            f"The {film_words(row)} does not belong to this hip: it shows the other side, or was taken out. "
            "Open it from the hip it shows, or take it into this one first."
        )


# ---- the page and its actions --------------------------------------------------------------------------------


def reading_state(state: DraftState | None) -> ReadingState:
    """What is placed, as kept."""
    return ReadingState() if state is None or not state.state else ReadingState.model_validate(state.state)


def reading_page(desk: Desk, film_id: str, hip_id: str, *, who: str) -> ReadingPage:
    """The reading this reader is busy with: an open repeat of theirs, else the one in use."""
    row, hip, scales, limits = _scene(desk, film_id, hip_id)
    with desk.store.session() as session:
        draft = find_open_repeat(session, film_id, who) or find_draft(session, "reading", film_id)
        state = None if draft is None else draft_state(session, draft)
    return _page(desk, row, hip, scales, limits, state, who)


def _page(
    desk: Desk, row: FilmRow, hip: HipRecord, scales: FilmScales, limits: Limits, state: DraftState | None, who: str
) -> ReadingPage:
    placed = reading_state(state)
    return ReadingPage(
        film_id=row.id,
        reader=who if state is None else state.by,
        state=placed,
        step=0 if state is None else state.step,
        can_undo=state is not None and state.can_undo,
        can_redo=state is not None and state.can_redo,
        saved_at=None if state is None or state.at is None else datetime.fromisoformat(state.at),
        measures=measures_out(
            row,
            placed,
            Side(hip.side),
            scales,
            limits,
            n_draws=DRAWS,
            extent=extent_of(desk, hip.id, row, placed, Side(hip.side), limits),
        ),
        repeat_of=row.id if state is not None and state.repeat_no else None,
    )


def keep_reading(desk: Desk, film_id: str, hip_id: str, given: ReadingIn, *, who: str, now: datetime) -> ReadingPage:
    """Keep a step of the reading; it is on the disk before this returns.

    Raises
    ------
    StepConflictError
        Someone kept another step meanwhile.
    FrameError
        A name that no point, circle or outline has.
    """
    row, hip, scales, limits = _scene(desk, film_id, hip_id)
    _check_names(given.state, row)
    with desk.store.writing() as session:
        draft = find_open_repeat(session, film_id, who) or find_or_begin(session, "reading", film_id, who)
        state = save_step(
            session,
            draft,
            given.state.model_dump(mode="json"),
            base_step=given.base_step,
            what=given.what,
            by=who,
            now=now,
        )
        hip_row(session, hip_id).under_study = True
        _note(session, "reading step kept", draft, film_id, who, now, what=given.what)
    return _page(desk, row, hip, scales, limits, state, who)


def _check_names(state: ReadingState, row: FilmRow) -> None:
    """Names that nothing has are refused at once; what is merely unfinished or mixed up is kept and warned of."""
    if row.view is None:
        raise FrameError("Nobody has said which view this film is. Open the film and choose its view.")
    for name, point in state.points.items():
        Reading(view=View(row.view), side=_any_side(name), points={name: point})
    for name, circle in state.circles.items():
        Reading(view=View(row.view), side=_any_side(name), points={}, circles={name: circle})
    for name, line in state.outlines.items():
        if len(line) > 2:
            Reading(view=View(row.view), side=_any_side(name), points={}, outlines={name: line})  # type: ignore[dict-item]


def _any_side(name: str) -> Side:
    return split_key(name)[0] or Side.RIGHT


def undo_reading(desk: Desk, film_id: str, hip_id: str, *, who: str, now: datetime) -> ReadingPage:
    """One step back."""
    return _move(desk, film_id, hip_id, "undo", who, now)


def redo_reading(desk: Desk, film_id: str, hip_id: str, *, who: str, now: datetime) -> ReadingPage:
    """One step forward again."""
    return _move(desk, film_id, hip_id, "redo", who, now)


def _move(desk: Desk, film_id: str, hip_id: str, way: Literal["undo", "redo"], who: str, now: datetime) -> ReadingPage:
    row, hip, scales, limits = _scene(desk, film_id, hip_id)
    with desk.store.writing() as session:
        draft = find_open_repeat(session, film_id, who) or find_or_begin(session, "reading", film_id, who)
        state = undo(session, draft) if way == "undo" else redo(session, draft)
        _note(session, f"reading {way}", draft, film_id, who, now)
    return _page(desk, row, hip, scales, limits, state, who)


def read_again(desk: Desk, film_id: str, hip_id: str, *, who: str, now: datetime) -> ReadingPage:
    """Begin a repeat reading of this film, or end the one this reader has open and go back to the reading in use."""
    row, hip, scales, limits = _scene(desk, film_id, hip_id)
    with desk.store.writing() as session:
        open_one = find_open_repeat(session, film_id, who)
        if open_one is not None:
            close_repeat(open_one)
            _note(session, "repeat reading ended", open_one, film_id, who, now)
            in_use = find_draft(session, "reading", film_id)
            state = None if in_use is None else draft_state(session, in_use)
        else:
            in_use = find_draft(session, "reading", film_id)
            if in_use is None or in_use.step == 0:
                raise TooFewError("This film has not been read yet, so there is nothing to repeat. Read it first.")
            draft = begin_repeat(session, film_id, who)
            state = draft_state(session, draft)
            _note(session, "repeat reading begun", draft, film_id, who, now)
    return _page(desk, row, hip, scales, limits, state, who)


def _note(session: Session, action: str, draft: Draft, film_id: str, who: str, now: datetime, **more: Any) -> None:
    write_line(
        session,
        at=now,
        who=who,
        action=action,
        subject=film_id,
        step=draft.step,
        repeat=draft.repeat_no,
        **more,
    )

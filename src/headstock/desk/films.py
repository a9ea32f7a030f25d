"""Films: open one, look at its grey levels, set its scale, confirm its side, take it into a hip or out of it."""

import io
from collections.abc import Sequence
from datetime import date, datetime
from typing import Any, Literal

import numpy as np
from sqlalchemy.orm import Session

from headstock.desk.desk import Desk
from headstock.desk.guards import FilmSide, Said, implausible_scale, wrong_side
from headstock.desk.headers import header_columns_to_left, header_from_json, header_rows
from headstock.desk.limits import limits_in_force
from headstock.desk.owner import hip_opened_for
from headstock.desk.pages import (
    FilmCard,
    FilmPage,
    GreyInfo,
    Person,
    ScaleIn,
    SideEvidence,
    SideLetterIn,
    VoiOption,
    WhyRow,
)
from headstock.desk.scales import FilmScales, check_inputs, film_scales, scale_panel, scales_of
from headstock.desk.words import age_years, day_words
from headstock.errors import CalibrationError, FrameError, GuardError
from headstock.frames import Side
from headstock.images.film import Film, VoiTable
from headstock.images.grey import apply_voi, full_range, presentation, shown_uint16
from headstock.planning.limits import Limits
from headstock.records import stamp, write_line
from headstock.records.drafts import find_draft
from headstock.records.people import film as film_row
from headstock.records.people import films_of, patient, uses_of
from headstock.records.people import hip as hip_row
from headstock.records.tables import FilmRow, FilmUse, HipRecord, Patient

__all__ = [
    "confirm_side",
    "film_card",
    "film_page",
    "film_side",
    "film_words",
    "films_in_use",
    "grey_bytes",
    "hip_of_film",
    "is_used",
    "person",
    "set_scale",
    "side_evidence",
    "thumb_png",
    "use_film",
]

CardState = Literal["ready", "no_scale", "side_open", "side_wrong", "stale", "set_aside"]
_VIEW_WORDS = {"ap_pelvis": "AP pelvis film", "ap_hip": "AP hip film", "lateral_hip": "lateral film", None: "film"}
_THUMB_PX = 240
_TYPED_SD = 0.03  # of a magnification typed without its error; "0.03 when in doubt" (images.scale)


# ---- words and sides -----------------------------------------------------------------------------------------


def film_words(row: FilmRow) -> str:
    """AP pelvis film of 9 Nov 2026."""
    return f"{_VIEW_WORDS.get(row.view, 'film')} of {day_words(row.taken)}"


def film_side(row: FilmRow) -> FilmSide:
    """What this film says about sides."""
    header = header_from_json(row.header)
    letter: Said | None = None
    if row.side_letter is not None:
        letter = "silent" if row.side_letter == "none" else row.side_letter  # type: ignore[assignment]  # kept by us
    return FilmSide(
        words=film_words(row),
        film_id=row.id,
        is_pelvis=row.view == "ap_pelvis",
        header=header.laterality.value if header.laterality is not None else "silent",
        letter=letter,
        columns_to_left=row.columns_to_left,
        header_columns_to_left=header_columns_to_left(header),
        letter_by=row.side_letter_by or "",
    )


def own_side(row: FilmRow) -> str | None:
    """The hip a film of one hip belongs to: as the reader saw it, else as its header says; None for a pelvis."""
    if row.view == "ap_pelvis":
        return None
    if row.side_letter in ("left", "right"):
        return row.side_letter
    said = row.header.get("laterality")
    return str(said) if said else None


def hip_of_film(session: Session, row: FilmRow, hip_id: str | None) -> HipRecord:
    """The hip a film is opened for (desk/owner.py)."""
    return hip_opened_for(session, row.patient_id, own_side(row), hip_id, what="film")


def is_used(row: FilmRow, hip: HipRecord, uses: dict[str, bool]) -> bool:
    """Whether a film counts for a hip: as a person said, else when it shows that side."""
    if row.id in uses:
        return uses[row.id]
    side = own_side(row)
    return side is None or side == hip.side


def films_in_use(session: Session, hip: HipRecord) -> list[FilmRow]:
    """The films that count for a hip, newest first."""
    uses = uses_of(session, hip.id)
    return [row for row in films_of(session, hip.patient_id) if is_used(row, hip, uses)]


def side_evidence(row: FilmRow, side: Side) -> list[SideEvidence]:
    """Where this film carries a side, what it says, who read it, and whether it agrees with the hip."""
    says = film_side(row)
    header_says: Said = says.header
    rows = [
        SideEvidence(
            place=f"{says.words}, header",
            says=header_says,
            read_by="header: laterality" if header_says != "silent" else "header is silent",
            agrees=None if header_says == "silent" else header_says == side.value,
        )
    ]
    if says.is_pelvis:
        turned = (
            None
            if None in (says.columns_to_left, says.header_columns_to_left)
            else says.columns_to_left == says.header_columns_to_left
        )
        known = says.columns_to_left is not None or says.header_columns_to_left is not None
        rows.append(
            SideEvidence(
                place=f"{says.words}, letter on the image",
                says="both" if says.letter is not None and known else "silent",
                read_by=says.letter_by or "not yet looked at",
                agrees=turned if turned is not None else (True if says.letter is not None and known else None),
            )
        )
    else:
        letter: Said = says.letter or "silent"
        rows.append(
            SideEvidence(
                place=f"{says.words}, letter on the image",
                says=letter,
                read_by=says.letter_by or "not yet looked at",
                agrees=letter == side.value if letter in ("left", "right") else None,
            )
        )
    return rows


# ---- the page ------------------------------------------------------------------------------------------------


def person(row: Patient, today: date) -> Person:
    """Who, for the nameplate."""
    return Person(
        patient_id=row.id,
        name=shown_name(row.name) or "name not given",
        number=row.number,
        born=row.born,
        sex=row.sex or None,
        age_years=age_years(row.born, today),
    )


def shown_name(name: str) -> str:
    """A name as people write it: given names before the family name (PS3.5 6.2, components of PN)."""
    parts = [part.strip() for part in name.split("=")[0].split("^")]
    family, given = parts[0], " ".join(part for part in parts[1:3] if part)
    return f"{given} {family}".strip() if given else family


def card_state(row: FilmRow, hip: HipRecord, scales: FilmScales, used: bool, today: date, limits: Limits) -> CardState:
    """The first thing that stands in the way of using a film here, or ready."""
    if not used:
        return "set_aside"
    try:
        wrong_side(Side(hip.side), [film_side(row)])
    except GuardError as stop:
        contradicts = any(evidence.agrees is False for evidence in side_evidence(row, Side(hip.side)))
        return "side_wrong" if contradicts or "turned over" in str(stop) else "side_open"
    if scales.in_use is None:
        return "no_scale"
    limit = limits.named("film_age_days").high
    if row.taken is not None and limit is not None and (today - row.taken).days > limit:
        return "stale"
    return "ready"


def film_card(session: Session, row: FilmRow, hip: HipRecord, today: date, limits: Limits) -> FilmCard:
    """A film as listed under a hip."""
    used = is_used(row, hip, uses_of(session, hip.id))
    draft = find_draft(session, "reading", row.id)
    return FilmCard(
        film_id=row.id,
        view=row.view,  # type: ignore[arg-type]  # kept by us from the same words
        side=own_side(row),  # type: ignore[arg-type]  # as above
        taken=row.taken,
        age_days=None if row.taken is None else (today - row.taken).days,
        words=film_words(row),
        read=draft is not None and draft.step > 0,
        state=card_state(row, hip, film_scales(row, limits), used, today, limits),
        used_here=used,
    )


def film_page(desk: Desk, film_id: str, hip_id: str | None, *, today: date) -> FilmPage:
    """A film opened from a hip (its own, when none is named)."""
    limits = limits_in_force(desk)
    film = desk.film(film_id)
    with desk.store.session() as session:
        row = film_row(session, film_id)
        hip = hip_of_film(session, row, hip_id)
        scales = film_scales(row, limits)
        card = film_card(session, row, hip, today, limits)
        who = person(patient(session, row.patient_id), today)
    header = header_from_json(row.header)
    warnings = [*scales.cautions, *film.notes]
    if film.lossy:
        warnings.append("This film was compressed with loss: fine edges may have moved.")
    if header.burned_in_annotation.upper() == "YES":
        warnings.append("The header says that text is burned into the image; it may name the patient.")
    if card.state == "stale":
        warnings.append(f"This film is {card.age_days} days old, older than the limit for planning.")
    return FilmPage(
        film_id=film_id,
        person=who,
        hip_id=hip.id,
        card=card,
        grey=grey_info(film),
        columns_to_left=row.columns_to_left if row.columns_to_left is not None else header_columns_to_left(header),
        header=[WhyRow(name=name, text=text) for name, text in header_rows(header)],
        scale=scale_panel(scales, limits),
        side_evidence=side_evidence(row, Side(hip.side)),
        side_letter=row.side_letter,  # type: ignore[arg-type]  # kept by us from the same words
        warnings=warnings,
    )


# ---- grey levels ---------------------------------------------------------------------------------------------


def grey_info(film: Film) -> GreyInfo:
    """How to read the bytes of `grey_bytes`, and the film's own ways of being looked at."""
    low, high = float(film.values.min()), float(film.values.max())
    _, slope, intercept = shown_uint16(film)
    whole = full_range(film)
    options = []
    for choice in (*film.voi, whole):
        if isinstance(choice, VoiTable):
            levels = apply_voi(np.linspace(low, high, 1024, dtype=np.float32), choice)
            options.append(
                VoiOption(
                    words=choice.says or "table of the film",
                    function="TABLE",
                    center=(low + high) / 2,
                    width=max(high - low, 1.0),
                    table=[round(float(level), 5) for level in levels],
                    table_first=low,
                )
            )
        else:
            options.append(
                VoiOption(
                    words=choice.says or "window of the film",
                    function=choice.function,
                    center=choice.centre,
                    width=choice.width,
                )
            )
    return GreyInfo(
        rows=film.rows,
        cols=film.cols,
        slope=slope,
        intercept=intercept,
        low=low,
        high=high,
        inverted=film.photometric == "MONOCHROME1",
        voi=options,
        row_factor=film.pixel_aspect,
    )


def grey_bytes(desk: Desk, film_id: str) -> tuple[bytes, str]:
    """Little-endian uint16, row by row, and a tag that changes only with the content."""
    film = desk.film(film_id)
    data = desk.answers.get(
        ("grey", film.content_sha256), lambda: shown_uint16(film)[0].astype("<u2", copy=False).tobytes()
    )
    return data, film.content_sha256[:32]


def thumb_png(desk: Desk, film_id: str) -> bytes:
    """A small picture of a film."""
    film = desk.film(film_id)

    def draw() -> bytes:
        from PIL import Image

        step = max(1, max(film.rows, film.cols) // (2 * _THUMB_PX))
        grey = presentation(film)[::step, ::step]
        picture = Image.fromarray((np.clip(grey, 0, 1) * 255).astype(np.uint8))
        picture.thumbnail((_THUMB_PX, _THUMB_PX))
        out = io.BytesIO()
        picture.save(out, "PNG")
        return out.getvalue()

    return desk.answers.get(("thumb", film.content_sha256), draw)


# ---- actions -------------------------------------------------------------------------------------------------


def set_scale(desk: Desk, film_id: str, given: ScaleIn, hip_id: str | None, *, who: str, now: datetime) -> FilmPage:
    """Use this source of scale; `settle` says that the reader has seen what contradicts it.

    Raises
    ------
    CalibrationError
        The source gives no scale, or one that cannot be true.
    GuardError
        The magnification lies outside the plausible band and nobody confirmed it.
    """
    limits = limits_in_force(desk)
    with desk.store.writing() as session:
        row = film_row(session, film_id)
        inputs = dict(row.scale_inputs or {})
        new = _scale_input(given)
        if new is not None:
            inputs[given.kind] = new
        settled_by = who if given.settle else None
        scales = scales_of(
            header_from_json(row.header),
            inputs,
            limits,
            chosen=given.kind,
            settled_by=settled_by,
            pixel_aspect=float(row.header.get("pixel_aspect") or 1.0),
        )
        check_inputs(given.kind, {given.kind: True}, scales)
        picked = next(c for c in scales.found if c.kind.value == given.kind)
        if picked.scale is not None and not given.settle:
            band = limits.named("magnification")
            implausible_scale(film_words(row), picked.scale.magnification, band.low, band.high)
        row.scale_inputs, row.scale_kind, row.scale_settled_by = inputs, given.kind, settled_by
        write_line(
            session,
            at=now,
            who=who,
            action="scale set",
            subject=row.id,
            kind=given.kind,
            given=new or {},
            settled=given.settle,
            why=given.why[:500],
        )
    return film_page(desk, film_id, hip_id, today=now.date())


def _scale_input(given: ScaleIn) -> dict[str, Any] | None:
    """What the person gave, checked for completeness."""
    if given.kind == "ball" and given.circle is not None:
        if given.diameter_mm is None:
            raise CalibrationError("The ball's diameter is missing. Type it in mm, as its maker states it.")
        return {"circle": list(given.circle), "sd_px": given.circle_sd_px, "diameter_mm": given.diameter_mm}
    if given.kind == "ruler" and given.ruler is not None:
        if given.ruler_mm is None:
            raise CalibrationError("The length between the two marks is missing. Type it in mm.")
        return {"points": [list(point) for point in given.ruler], "length_mm": given.ruler_mm}
    if given.kind == "detector_and_distance" and given.source_detector_mm is not None:
        if given.object_detector_mm is None or not 0 < given.object_detector_mm < given.source_detector_mm:
            raise CalibrationError(
                "The hip lies between tube and detector: its distance from the detector must be above 0 and below "
                "the tube's. Type both distances in mm."
            )
        return {"source_detector_mm": given.source_detector_mm, "object_detector_mm": given.object_detector_mm}
    if given.kind == "typed_magnification" and given.magnification is not None:
        return {"magnification": given.magnification, "sd": _TYPED_SD}
    return None


def confirm_side(
    desk: Desk, film_id: str, given: SideLetterIn, hip_id: str | None, *, who: str, now: datetime
) -> FilmPage:
    """What the reader sees on the film: the letter, where it stands, which view it is.

    A letter that names the other side never moves the film out of the hip it was
    opened for: it stays, stopped in words, until a person takes it out.

    Raises
    ------
    FrameError
        The film was read already and would be turned over under its reading.
    """
    with desk.store.writing() as session:
        row = film_row(session, film_id)
        if given.columns_to_left is not None and row.columns_to_left not in (None, given.columns_to_left):
            draft = find_draft(session, "reading", row.id)
            if draft is not None and draft.step > 0:
                raise FrameError(
                    "This film has been read with the patient's right on the other side of the picture. Turning it "
                    "now would swap the hips under it. Undo the reading to its start, then say where the letter is."
                )
        hip = hip_of_film(session, row, hip_id)
        was_used = is_used(row, hip, uses_of(session, hip.id))
        row.side_letter, row.side_letter_by = given.seen, who
        if given.columns_to_left is not None:
            row.columns_to_left = given.columns_to_left
        if given.view is not None:
            row.view = given.view
        if was_used and not is_used(row, hip, uses_of(session, hip.id)):
            session.add(FilmUse(film_id=row.id, hip_id=hip.id, used=True, by=who, at=stamp(now)))
        write_line(
            session,
            at=now,
            who=who,
            action="side confirmed",
            subject=row.id,
            seen=given.seen,
            columns_to_left=given.columns_to_left,
            view=given.view,
        )
    return film_page(desk, film_id, hip_id, today=now.date())


def use_film(desk: Desk, hip_id: str, film_id: str, used: bool, *, who: str, now: datetime) -> None:
    """Take a film into this hip, or out of it.

    Raises
    ------
    GuardError
        The film is another patient's.
    """
    with desk.store.writing() as session:
        row, hip = film_row(session, film_id), hip_row(session, hip_id)
        if row.patient_id != hip.patient_id:
            raise GuardError(
                "This film belongs to another patient than this hip. It was not taken in. Open it from its own hip.",
                "wrong patient",
            )
        use = session.get(FilmUse, (row.id, hip.id))
        if use is None:
            session.add(FilmUse(film_id=row.id, hip_id=hip.id, used=used, by=who, at=stamp(now)))
        else:
            use.used, use.by, use.at = used, who, stamp(now)
        write_line(
            session, at=now, who=who, action="film taken in" if used else "film taken out", subject=row.id, hip=hip.id
        )


def newest(rows: Sequence[FilmRow], *views: str) -> FilmRow | None:
    """The newest film of these views, in the order of the views."""
    return next((row for view in views for row in rows if row.view == view), None)

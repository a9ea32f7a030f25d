"""What stands before the signature, the signature itself, and the sheet.

In: a hip in the record, what the signer typed. Out: the guards one by one; a
signed plan at the end of the chain with everything it rests on; the sheet as PDF.
A plan is never edited: signing again makes the next version.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from headstock import __version__
from headstock.desk import guards
from headstock.desk.appraisals import appraisal_page, checked_limits, placement_in
from headstock.desk.compare import compared
from headstock.desk.desk import Desk, reader
from headstock.desk.films import film_side, film_words, side_evidence
from headstock.desk.frozen import freeze, thaw
from headstock.desk.ground import appraised
from headstock.desk.headers import header_from_json
from headstock.desk.hips import plan_card
from headstock.desk.pages import (
    Appraisal,
    Check,
    OverrideWanted,
    SideEvidence,
    SignaturePage,
    SignIn,
)
from headstock.desk.place import current_placement
from headstock.desk.scales import film_scales
from headstock.desk.scans.plain import findings_to_json, scan_header_from_json
from headstock.desk.scans.reading import stops_of
from headstock.desk.scans.rows import scan_evidence, scan_side, scan_words
from headstock.desk.scene import Scene, scene_of
from headstock.desk.sheet import PlanWords, sheet_content
from headstock.desk.words import day_words
from headstock.documents import Paper, Signature, theatre_sheet
from headstock.errors import GuardError, HeadstockError, RecordError
from headstock.forecast import Forecast
from headstock.frames import Side
from headstock.implants import CutLevel, Placement
from headstock.planning.appraise import Appraisal as Found
from headstock.records import StepConflictError, append_plan, canonical, plan, plans_of, sha256_hex, write_line
from headstock.records.people import NotFoundError, facts_of
from headstock.records.people import film as film_row
from headstock.records.people import hip as hip_row
from headstock.records.scans import scan as scan_row
from headstock.records.scans import use_of
from headstock.records.tables import FilmRow

__all__ = ["draft_sheet", "newest_plan", "sign_plan", "signature_page", "signed_sheet"]


@dataclass(frozen=True, slots=True)
class _Guard:
    """One guard as the signature page lists it: what it is called when it passes, and where its button leads."""

    guard: str
    title: str
    passed_says: str
    check: Callable[[], None]
    button: str | None = None
    page: str | None = None
    film_id: str | None = None
    scan_id: str | None = None

    def run(self) -> Check:
        try:
            self.check()
        except HeadstockError as stop:
            return Check(
                guard=self.guard,
                passed=False,
                title=self.title,
                says=str(stop),
                button=self.button,
                page=self.page,
                film_id=self.film_id,
                scan_id=self.scan_id,
            )
        return Check(guard=self.guard, passed=True, title=self.title, says=self.passed_says)


# ---- the guards of one plan ----------------------------------------------------------------------------------


def _identity_guard(scene: Scene) -> None:
    patient = scene.state.patient
    known = guards.Identity(patient.number, patient.name, patient.born, patient.sex or "")
    guards.two_identifiers(known)
    for row in scene.films:
        header = header_from_json(row.header)
        if header.patient_number and header.patient_number.strip() != patient.number:
            raise GuardError(
                f"The {film_words(row)} carries another patient number than this hip. Take it out of this hip.",
                "wrong patient",
            )
        guards.wrong_patient(
            known, guards.Identity(header.patient_number, header.patient_name, header.birth_date, header.sex)
        )
    if scene.scan is not None:
        said = scan_header_from_json(scene.scan.row.header)
        if said.patient_number and " ".join(said.patient_number.split()) != patient.number:
            raise GuardError(
                f"The {scan_words(scene.scan.row)} carries another patient number than this hip. Take it out of this "
                "hip.",
                "wrong patient",
            )
        guards.wrong_patient(known, guards.Identity(said.patient_number, said.patient_name, said.birth_date, said.sex))


def _side_guard(scene: Scene, typed: str | None = None) -> None:
    places = [film_side(row) for row in [*scene.films, *_contradicting(scene)]]
    if scene.scan is not None:
        places.append(scan_side(scene.scan.row, scene.state.scan_use))
    guards.wrong_side(scene.state.side, places, typed)


def _contradicting(scene: Scene) -> list[FilmRow]:
    """Films in use for this hip that the plan does not rest on, but that carry another side: someone is mistaken."""
    planned = {row.id for row in scene.films}
    return [
        row
        for row in scene.state.films
        if row.id not in planned and any(place.agrees is False for place in side_evidence(row, scene.state.side))
    ]


def _scale_guard(scene: Scene) -> None:
    for row in scene.films:
        scales = film_scales(row, scene.limits)
        guards.no_scale(film_words(row), scales.in_use is not None or not scales.settled, settled=scales.settled)


def _plausible_guard(scene: Scene) -> None:
    band = scene.limits.named("magnification")
    for row in scene.films:
        scales = film_scales(row, scene.limits)
        if scales.in_use is not None and scales.settled_by is None:
            guards.implausible_scale(film_words(row), scales.in_use.magnification, band.low, band.high)


def _stale_guard(scene: Scene, operation: date) -> None:
    limit = scene.limits.named("film_age_days").high
    for row in scene.films:
        guards.stale_images(film_words(row), row.taken, operation, limit)
    if scene.scan is not None:
        guards.stale_images(scan_words(scene.scan.row), scene.scan.row.taken, operation, limit)


def _scan_guard(scene: Scene) -> None:
    """Metal, a mirrored volume, missing slices, too coarse: what the scan's own findings refuse."""
    if scene.scan is not None:
        guards.scan_unfit(scan_words(scene.scan.row), stops_of(scene.scan.row, scene.scan.read))


def _family_guard(desk: Desk, placement: Placement, level: str, found: Found) -> None:
    family = desk.catalogue.family(placement.family)
    reasons = []
    if family.level.value != level:
        reasons.append(f"it is made for the {family.level.word.lower()} level")
    wall = found.line("least_wall_mm").measured
    if wall.known and wall.high is not None and wall.high < 0:
        reasons.append("the part would leave the bone")
    if placement.cup is not None:
        cup = desk.catalogue.cup(placement.cup.family, placement.cup.size)
        if placement.head_diameter_mm not in cup.head_diameters_mm:
            reasons.append(f"a head of {placement.head_diameter_mm:g} mm does not run in the cup")
    guards.family_unsuitable(family.name, CutLevel(level).word.lower(), reasons)


def _interval_guard(found: Found) -> None:
    guards.number_without_interval({line.says: line.measured for line in found.lines})


def _kept_guard(scene: Scene) -> None:
    kept = scene.state.placement
    if kept is None or kept.state.get("level") != scene.state.hip.chosen_level:
        raise RecordError("The placement shown is the search's, not yet yours. Look at it and keep it, then sign.")


# ---- the page ------------------------------------------------------------------------------------------------


def signature_page(desk: Desk, hip_id: str, *, today: date) -> SignaturePage:
    """The guards of this plan as it stands, the sides, and the limits that want a reason."""
    try:
        scene = scene_of(desk, hip_id, today=today)
        placement, _ = current_placement(desk, scene)
    except HeadstockError as stop:
        return _closed(desk, hip_id, stop)
    level = placement_level(desk, placement)
    found = appraised(scene, placement, desk.catalogue)
    shown = appraisal_page(scene, placement, desk.catalogue, found=found)
    checks = [guard.run() for guard in _guards(desk, scene, placement, level, found, today)]
    overrides = [OverrideWanted(key=key, words=words) for key, words in checked_limits(shown).items()]
    return SignaturePage(
        hip_id=hip_id,
        seen=_seen(scene, placement),
        checks=checks,
        sides=_sides(scene),
        overrides=overrides,
        can_sign=all(check.passed for check in checks),
        appraisal=shown,
        plan=plan_card(scene.state.plans[0]) if scene.state.plans else None,
        fall_back=_deeper(desk, scene, level),
    )


def _seen(scene: Scene, placement: Placement) -> str:
    """A mark of everything a signature rests on: it changes when any of it does."""
    letters: list[list[object]] = [[row.side_letter, row.side_letter_by, row.taken] for row in scene.films]
    if scene.scan is not None:
        use = scene.state.scan_use
        letters.append([None if use is None else use.side_seen, scene.scan.row.taken])
    content = [scene.basis, repr(placement), str(letters), len(scene.state.plans)]
    return sha256_hex(canonical(content).encode())


def placement_level(desk: Desk, placement: Placement) -> str:
    """The cut level of a placement's family."""
    return desk.catalogue.family(placement.family).level.value


def _guards(desk: Desk, scene: Scene, placement: Placement, level: str, found: Found, day: date) -> list[_Guard]:
    suspects = [*scene.films, *_contradicting(scene)]
    open_film = next((row for row in suspects if _fails(scene, row)), suspects[0] if suspects else None)
    film_id = None if open_film is None else open_film.id
    scan_id = None if scene.scan is None else scene.scan.row.id
    read_page = ("reading", scene.film.ap.id) if scene.film is not None else ("scan", None)
    scan_guards = (
        []
        if scene.scan is None
        else [
            _Guard(
                "scan unfit", "A scan to plan on", "Its slices are whole and even, and no metal disturbs the hip.",
                lambda: _scan_guard(scene), "Look at the scan", "scan", None, scan_id,
            )
        ]
    )  # fmt: skip
    return [
        *scan_guards,
        _Guard(
            "wrong patient", "One patient", "Every image carries this patient's number and name.",
            lambda: _identity_guard(scene), "Look at the facts", "life",
        ),
        _Guard(
            "wrong side", "One side", "Every place that carries the side says the same.",
            lambda: _side_guard(scene), *_image_page(film_id, scan_id),
        ),
        _Guard(
            "no scale", "A scale", "Every image in this plan has a scale, and its sources agree or were settled.",
            lambda: _scale_guard(scene), "Set the scale", "film", film_id,
        ),
        _Guard(
            "implausible scale", "A plausible scale", "The magnification lies where that of a hip can lie.",
            lambda: _plausible_guard(scene), "Look at the scale", "film", film_id,
        ),
        _Guard(
            "stale images", "Fresh images", f"No image is older than the limit, counted to {day_words(day)}; "
            "the operation's day is counted again when you sign.",
            lambda: _stale_guard(scene, day), "Look at the images", "life",
        ),
        _Guard(
            "family unsuitable", "A suitable family", "The family is made for this cut level and stays in the bone.",
            lambda: _family_guard(desk, placement, level, found), "Back to the placement", "placement",
        ),
        _Guard(
            "number shown without interval", "Intervals", "Every measured number has its interval.",
            lambda: _interval_guard(found), "Read again", read_page[0], read_page[1], scan_id,
        ),
        _Guard(
            "placement kept", "Your placement", "The placement was kept by a person.",
            lambda: _kept_guard(scene), "Back to the placement", "placement",
        ),
    ]  # fmt: skip


def _image_page(film_id: str | None, scan_id: str | None) -> tuple[str, str, str | None, str | None]:
    """Where a contradiction of sides is looked at: the film when there is one, else the scan."""
    if film_id is None:
        return ("Look at the scan", "scan", None, scan_id)
    return ("Look at the film", "film", film_id, scan_id)


def _fails(scene: Scene, row: FilmRow) -> bool:
    try:
        guards.wrong_side(scene.state.side, [film_side(row)])
        scales = film_scales(row, scene.limits)
        guards.no_scale(film_words(row), scales.in_use is not None, settled=scales.settled)
    except GuardError:
        return True
    return False


def _sides(scene: Scene, typed_by: str | None = None) -> list[SideEvidence]:
    side = scene.state.side
    rows = [
        SideEvidence(place="this plan", says=side.value, read_by=typed_by or "to be typed by the signer", agrees=True)
    ]
    for row in [*scene.films, *_contradicting(scene)]:
        rows += side_evidence(row, side)
    if scene.scan is not None:
        rows += scan_evidence(scene.scan.row, scene.state.scan_use, side)
    if scene.film is None:
        return rows
    rows.append(
        SideEvidence(
            place="points of the reading", says=side.value, read_by="they lie on this side of the picture", agrees=True
        )
    )
    return rows


def _deeper(desk: Desk, scene: Scene, level: str) -> list[Any]:
    order = list(CutLevel)
    return [
        entry.level.value
        for entry in compared(desk, scene).levels
        if entry.appraisal is not None and order.index(entry.level) > order.index(CutLevel(level))
    ]


def _closed(desk: Desk, hip_id: str, stop: HeadstockError) -> SignaturePage:
    """The page of a hip that cannot be signed yet, with the refusal's own words."""
    with desk.store.session() as session:
        plans = plans_of(session, hip_row(session, hip_id).id)
    guard = stop.guard if isinstance(stop, GuardError) else "not ready"
    check = Check(
        guard=guard, passed=False, title="Not ready to sign", says=str(stop), button="Back to the hip", page="life"
    )
    return SignaturePage(
        hip_id=hip_id,
        seen="",
        checks=[check],
        sides=[],
        overrides=[],
        can_sign=False,
        appraisal=None,
        plan=plan_card(plans[0]) if plans else None,
        fall_back=[],
    )


# ---- signing -------------------------------------------------------------------------------------------------


def sign_plan(desk: Desk, hip_id: str, given: SignIn, *, now: datetime) -> SignaturePage:
    """Sign the placement as it stands.

    Raises
    ------
    GuardError
        A guard stands in the way; nothing was signed.
    StepConflictError
        Someone changed what the signature rests on after it was looked at.
    RecordError
        The signer or the operation's day is missing or cannot be.
    """
    today = now.date()
    with desk.store.session() as session:
        hip_row(session, hip_id)
    signer = " ".join(given.signer.split())
    if len(signer) < 2:
        raise RecordError("A plan is signed by a person: type your name.")
    if given.operation_date < today:
        raise RecordError(f"The operation date, {day_words(given.operation_date)}, has passed. Correct it.")
    scene = scene_of(desk, hip_id, today=today)
    placement, _ = current_placement(desk, scene)
    seen = _seen(scene, placement)
    if given.seen is not None and given.seen != seen:
        raise _changed_meanwhile()
    level = placement_level(desk, placement)
    found = appraised(scene, placement, desk.catalogue)
    shown = appraisal_page(scene, placement, desk.catalogue, found=found)
    _side_guard(scene, given.side_typed)
    _stale_guard(scene, given.operation_date)
    for guard in _guards(desk, scene, placement, level, found, given.operation_date):
        guard.check()
    wanted = checked_limits(shown)
    guards.limit_overruled_without_reason(wanted, given.reasons)
    if given.fall_back is not None and given.fall_back not in _deeper(desk, scene, level):
        raise RecordError("The fall-back must be a deeper cut level that has a placement. Choose one of those offered.")
    with desk.store.session() as session:
        consent = facts_of(session, scene.state.hip).get("consent")
        version = len(plans_of(session, hip_id)) + 1
    words = PlanWords(
        operation_date=given.operation_date,
        fall_back=given.fall_back,
        overruled=tuple((said, given.reasons[key].strip()) for key, said in wanted.items()),
        cup_overrides=dict(given.cup_overrides),
        note=given.note.strip()[:600],
        version=version,
        consent=None if consent is None else bool(consent.value),
        cautions=_caution_words(desk, scene, level),
    )
    content = sheet_content(desk, scene, placement, words, printed_at=now)
    payload = _payload(scene, placement, level, shown, found, given, words)
    payload["sheet"] = freeze(content, desk.store.vault)
    with desk.store.writing() as session:
        # Nobody else writes now: what was appraised must still be what stands.
        again = scene_of(desk, hip_id, today=today)
        if _seen(again, current_placement(desk, again)[0]) != seen:
            raise _changed_meanwhile()
        append_plan(session, hip_id=hip_id, payload=payload, signer=signer, now=now)
        row = hip_row(session, hip_id)
        row.chosen_level, row.under_study = level, True
    return signature_page(desk, hip_id, today=today)


def _changed_meanwhile() -> StepConflictError:
    return StepConflictError(
        "Someone changed this hip after you looked at it: its reading, scale, placement, facts or limits. Nothing was "
        "signed. Load the page again, look at what it says now, and sign that."
    )


def _caution_words(desk: Desk, scene: Scene, level: str) -> tuple[str, ...]:
    return tuple(
        f"{caution.text} ({caution.source})" for caution in compared(desk, scene).level(CutLevel(level)).cautions
    )


def _payload(
    scene: Scene, placement: Placement, level: str, shown: Appraisal, found: Found, given: SignIn, words: PlanWords
) -> dict[str, Any]:
    """Everything the plan rests on, as plain JSON."""
    state = scene.state
    return {
        "form": 1,
        "product": f"headstock {__version__}",
        "side": state.side.value,
        "side_typed": given.side_typed.strip(),
        "level": level,
        "words": f"{shown.title}, {shown.family_words}",
        "operation_date": given.operation_date.isoformat(),
        "placement": placement_in(placement, CutLevel(level)).model_dump(mode="json"),
        "placement_step": None if state.placement is None else state.placement.step,
        "films": [
            {
                "film_id": row.id,
                "sha256": row.sha256,
                "words": film_words(row),
                "side_letter": row.side_letter,
                "side_letter_by": row.side_letter_by,
                "columns_to_left": row.columns_to_left,
                "scale_kind": None if (scale := film_scales(row, scene.limits)).kind is None else scale.kind.value,
                "scale_inputs": row.scale_inputs,
                "scale_settled_by": row.scale_settled_by,
                "mm_per_px": None if scale.in_use is None else scale.in_use.mm_per_px,
                "sd_mm_per_px": None if scale.in_use is None else scale.in_use.sd_mm_per_px,
                "reading_step": state.readings[row.id].step if row.id in state.readings else None,
                "reading": state.readings[row.id].state if row.id in state.readings else None,
            }
            for row in scene.films
        ],
        "scan": None if scene.scan is None else _scan_payload(scene),
        "facts": scene.facts.to_json(),
        "limits": [limit.to_json() for limit in scene.limits],
        "target": {
            "leg_mm": scene.targets.leg_length_difference_mm,
            "offset_mm": scene.targets.offset_difference_mm,
        },
        "appraisal": [line.to_json() for line in found.lines],
        "forecasts": [
            _forecast(found, name, given.operation_date) for name in _FORECASTS if found.line(name).measured.known
        ],
        "reasons": {key: reason.strip() for key, reason in given.reasons.items()},
        "fall_back": given.fall_back,
        "cup_overrides": dict(given.cup_overrides),
        "note": words.note,
    }


def _scan_payload(scene: Scene) -> dict[str, Any]:
    """The scan a plan rests on, and the outlines it was read with, down to the step of their last correction."""
    assert scene.scan is not None
    row, reading = scene.scan.row, scene.state.scan_reading
    return {
        "scan_id": row.id,
        "content_sha256": row.content_sha256,
        "words": scan_words(row),
        "side_header": row.side,
        "side_seen": None if scene.state.scan_use is None else scene.state.scan_use.side_seen,
        "outlines": None if reading is None else reading.address,
        "outlines_step": scene.state.outlines_step,
        "calibration": row.calibration or {},
        "findings": findings_to_json(scene.scan.read.findings),
        "measures": {name: value.to_json() for name, value in scene.scan.read.hip.measures.items()},
        "lesion": {name: value.to_json() for name, value in scene.scan.read.lesion.measures.items()},
    }


_FORECASTS = ("leg_length_remaining_mm", "offset_remaining_mm", "cup_inclination_deg", "cup_version_deg")


def _forecast(found: Found, name: str, due: date) -> dict[str, Any]:
    """A prediction frozen at signing: it can first be held against the film after the operation."""
    forecast = Forecast(name, due, found.line(name).measured, f"headstock {__version__}")
    return {
        "what": forecast.what,
        "due": forecast.due.isoformat(),
        "expected": forecast.expected.to_json(),
        "made_by": forecast.made_by,
    }


# ---- the sheet -----------------------------------------------------------------------------------------------


def draft_sheet(desk: Desk, hip_id: str, paper: str, *, now: datetime) -> bytes:
    """The sheet of the placement as it stands, DRAFT across every page.

    Raises
    ------
    GuardError
        The patient or the side does not agree, or there is no scale: nothing is printed.
    """
    size = _paper(paper)
    scene = scene_of(desk, hip_id, today=now.date())
    placement, _ = current_placement(desk, scene)
    _identity_guard(scene)
    _side_guard(scene)
    _scale_guard(scene)
    level = placement_level(desk, placement)
    words = PlanWords(version=len(scene.state.plans) + 1, cautions=_caution_words(desk, scene, level))
    pdf = theatre_sheet(sheet_content(desk, scene, placement, words, printed_at=now), size)
    with desk.store.writing() as session:
        write_line(session, at=now, who=reader(desk), action="draft sheet printed", subject=hip_id, paper=size.value)
    return pdf


def signed_sheet(desk: Desk, plan_id: str, paper: str, *, now: datetime) -> bytes:
    """The sheet of a signed plan, from what was frozen with it.

    Raises
    ------
    RecordError
        There is no such plan, or it is not as it was signed.
    GuardError
        A film of the plan now contradicts its side: printing stays closed.
    """
    size = _paper(paper)
    with desk.store.session() as session:
        signed = plan(session, plan_id)
    _signed_side_guard(desk, signed.hip_id, signed.payload)
    signature = Signature(signed.signed_by, datetime.fromisoformat(signed.signed_at), signed.hash)
    content = thaw(
        signed.payload["sheet"],
        desk.store.vault,
        signature=signature,
        printed_at=now,
        superseded=signed.superseded,
    )
    pdf = theatre_sheet(content, size)
    with desk.store.writing() as session:
        # After the guards and the setting: the trail must not tell of a print that was refused.
        write_line(
            session,
            at=now,
            who=reader(desk),
            action="sheet printed",
            subject=plan_id,
            paper=size.value,
            superseded=signed.superseded,
        )
    return pdf


def newest_plan(desk: Desk, name: str) -> str:
    """The id of a signed plan: `name` itself when it is one, else the newest plan of the hip of that id.

    Raises
    ------
    RecordError
        The hip has no signed plan.
    """
    with desk.store.session() as session:
        try:
            return plan(session, name).plan_id
        except NotFoundError:
            found = plans_of(session, hip_row(session, name).id)
    if not found:
        raise RecordError("This hip has no signed plan. Sign it first, or print a draft (--draft).")
    return found[0].plan_id


def _signed_side_guard(desk: Desk, hip_id: str, payload: dict[str, Any]) -> None:
    with desk.store.session() as session:
        places = [film_side(film_row(session, entry["film_id"])) for entry in payload["films"]]
        planned = payload.get("scan")
        if planned is not None:
            places.append(scan_side(scan_row(session, planned["scan_id"]), use_of(session, planned["scan_id"], hip_id)))
    guards.wrong_side(Side(payload["side"]), places, payload["side_typed"])


def _paper(paper: str) -> Paper:
    named = {"a4": Paper.A4, "letter": Paper.LETTER, "us-letter": Paper.LETTER}.get(paper.lower())
    if named is None:
        raise RecordError("Sheets are printed on a4 or letter. Choose one of the two.")
    return named

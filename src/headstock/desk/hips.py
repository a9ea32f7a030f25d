"""The list of hips and one hip's line of life: what is known, what was done, and the next thing to do.

In: the record and the day. Out: pages. The finding and the next step are decided
here and nowhere else.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Final, Literal

from sqlalchemy.orm import Session

from headstock import __version__
from headstock.anatomy.cautions import Caution as Raised
from headstock.anatomy.cautions import cautions
from headstock.desk.desk import Desk, reader
from headstock.desk.facts import fact_fields, hip_facts
from headstock.desk.films import (
    card_state,
    film_card,
    film_words,
    films_in_use,
    is_used,
    newest,
    person,
    shown_name,
)
from headstock.desk.limits import limits_in_force
from headstock.desk.pages import (
    About,
    Caution,
    FilmCard,
    HipGroup,
    HipPage,
    HipRow,
    HipsPage,
    LifeMark,
    NextStep,
    Number,
    PlanCard,
    ScanCard,
    Station,
)
from headstock.desk.readings import finding_of, measure_number, measures_of, reading_state, wanted_keys
from headstock.desk.scales import film_scales
from headstock.desk.scans.rows import (
    is_stale,
    refusals,
    scan_card,
    scan_evidence,
    scan_side,
    scan_words,
    scans_in_use,
)
from headstock.desk.words import count_words, day_words, side_words
from headstock.errors import HeadstockError
from headstock.frames import Side
from headstock.implants import CutLevel
from headstock.measured import DRAWS, Measured
from headstock.planning.limits import Limits
from headstock.records import SignedPlan, plans_of
from headstock.records.drafts import DraftState, draft_state, find_draft
from headstock.records.people import facts_of, films_of, hips, hips_of, patient, uses_of
from headstock.records.people import hip as hip_row
from headstock.records.scans import outlines_subject, reading_of, scans_of, use_of
from headstock.records.tables import FactRow, FilmRow, HipRecord, Patient, ScanReading, ScanRow, ScanUse

__all__ = ["CAUTIONS", "HipState", "about", "gather", "hip_page", "hips_page", "page_caution", "plan_card"]

CAUTIONS: Final = (
    "Not a cleared medical device. For planning support and research.",
    "The surgeon verifies; local rules and licensed practice prevail.",
)
_AP: Final = ("ap_pelvis", "ap_hip")


@dataclass(frozen=True, slots=True)
class HipState:
    """What the record holds of one hip, looked up once."""

    hip: HipRecord
    other: HipRecord | None
    patient: Patient
    films: tuple[FilmRow, ...]  # in use for this hip, newest first
    ap: FilmRow | None
    lateral: FilmRow | None
    readings: dict[str, DraftState]
    scans: tuple[ScanRow, ...]  # in use for this hip, newest first
    scan: ScanRow | None  # the newest CT of them
    scan_use: ScanUse | None
    scan_reading: ScanReading | None
    scan_card: ScanCard | None
    outlines_step: int
    placement: DraftState | None
    plans: tuple[SignedPlan, ...]
    limits: Limits
    today: date

    @property
    def side(self) -> Side:
        """The hip's side."""
        return Side(self.hip.side)

    @property
    def scan_is_read(self) -> bool:
        """True when the bone of the scan was found."""
        return self.scan_reading is not None and self.scan_reading.address is not None

    @property
    def on_scan(self) -> bool:
        """True when this hip is planned on its scan: it was read, and its files do not forbid it."""
        return self.scan is not None and self.scan_is_read and not refusals(self.scan)

    @property
    def is_other_hip(self) -> bool:
        """True when the other hip of this patient is the one under study."""
        return not self.hip.under_study and self.other is not None and self.other.under_study

    def is_read(self, row: FilmRow) -> bool:
        """True when every point that is asked for is placed."""
        state = self.readings.get(row.id)
        return state is not None and bool(state.state) and not wanted_keys(row.view, reading_state(state), self.side)


def gather(session: Session, hip_id: str, limits: Limits, today: date) -> HipState:
    """Look up one hip."""
    hip = hip_row(session, hip_id)
    films = tuple(films_in_use(session, hip))
    readings = {}
    for row in films:
        draft = find_draft(session, "reading", row.id)
        if draft is not None and draft.step:
            readings[row.id] = draft_state(session, draft)
    placing = find_draft(session, "placement", hip.id)
    scans = tuple(scans_in_use(session, hip))
    scan = next((row for row in scans if row.modality == "CT"), None)
    corrected = None if scan is None else find_draft(session, "outlines", outlines_subject(scan.id, hip.id))
    return HipState(
        hip=hip,
        other=next((h for h in hips_of(session, hip.patient_id) if h.id != hip.id), None),
        patient=patient(session, hip.patient_id),
        films=films,
        ap=newest(films, *_AP),
        lateral=newest(films, "lateral_hip"),
        readings=readings,
        scans=scans,
        scan=scan,
        scan_use=None if scan is None else use_of(session, scan.id, hip.id),
        scan_reading=None if scan is None else reading_of(session, scan.id, hip.id),
        scan_card=None if scan is None else scan_card(session, scan, hip, today),
        outlines_step=0 if corrected is None else corrected.step,
        placement=None if placing is None or not placing.step else draft_state(session, placing),
        plans=tuple(plans_of(session, hip.id)),
        limits=limits,
        today=today,
    )


# ---- what to do next -----------------------------------------------------------------------------------------


def next_step(state: HipState) -> NextStep:
    """The one thing to do next for this hip."""
    if state.plans and not _changed_since_signing(state) and not _spoken_against(state):
        plan = state.plans[0]
        return NextStep(
            title="Print the sheet",
            detail=f"signed {day_words(datetime.fromisoformat(plan.signed_at).date())} by {plan.signed_by}",
            state="none",
            button="Print the sheet",
            page="sheet",
        )
    scan_step = _scan_step(state)
    if scan_step is not None:
        return scan_step
    if state.ap is None and not state.on_scan:
        unsaid = next((row for row in state.films if row.view is None), None)
        if unsaid is not None:
            return _film_step("Say which view this is", film_words(unsaid), "Open the film", unsaid, "due")
        return NextStep(
            title="Bring in an AP film or a CT",
            detail="no AP film and no CT shows this hip",
            state="due",
            button="Drop images in",
            page="life",
        )
    for row in _planning_films(state):
        stopped = _film_stop(state, row)
        if stopped is not None:
            return stopped
    for row in _planning_films(state):
        # Once a level is chosen the reading sufficed; what it still lacks is shown on its own page.
        if state.hip.chosen_level is None and not state.on_scan and not state.is_read(row):
            left = len(wanted_keys(row.view, reading_state(state.readings.get(row.id)), state.side))
            begun = row.id in state.readings
            return NextStep(
                title=f"Read the {film_words(row)}",
                detail=count_words(left, "point") + " still to place" if begun else "not read yet",
                state="due",
                button="Read it",
                page="reading",
                film_id=row.id,
            )
    if state.hip.chosen_level is None and state.on_scan:
        return NextStep(
            title="Look at the stock",
            detail="the CT is read",
            state="due",
            button="Look at it",
            page="stock",
        )
    if state.hip.chosen_level is None:
        return NextStep(
            title="Compare the cut levels",
            detail="the films are read",
            state="due",
            button="Compare",
            page="comparison",
        )
    level = CutLevel(state.hip.chosen_level).word.lower()
    if state.placement is None:
        return NextStep(
            title="Place the component", detail=f"{level} was chosen", state="due", button="Place it", page="placement"
        )
    return NextStep(
        title="Sign the plan" if not state.plans else "Sign the changed plan",
        detail="a film or the scan of the signed plan was read or scaled otherwise since"
        if state.plans and _read_anew(state)
        else f"{level}, placed {day_words(_day(state.placement.at))}",
        state="due",
        button="Go to the signature",
        page="signature",
    )


def _planning_films(state: HipState) -> list[FilmRow]:
    """The films a plan rests on. On a scan only those that were read count: they add leg length and offset."""
    rows = [row for row in (state.ap, state.lateral) if row is not None]
    return [row for row in rows if row.id in state.readings] if state.on_scan else rows


def _scan_step(state: HipState) -> NextStep | None:
    """What the scan wants next, if it wants anything before planning."""
    row, card = state.scan, state.scan_card
    if row is None or card is None:
        return None
    words = scan_words(row)

    def step(title: str, detail: str, button: str, kind: Literal["due", "stopped", "late"]) -> NextStep:
        return NextStep(title=title, detail=detail, state=kind, button=button, page="scan", scan_id=row.id)

    if _side_contradicts(state, row):
        return step("The side does not agree", words, "Look at the scan", "stopped")
    if refusals(row):
        # It can be looked at, not planned on: with films the hip goes on, without them it is stopped here.
        return None if state.ap is not None else step("This scan cannot be planned on", words, "See why", "stopped")
    if card.state == "reading":
        return step("The bone is being found", words, "Watch it", "due")
    if card.state == "stopped":
        return step("The bone was not found", card.says, "Look at the scan", "stopped")
    if not state.scan_is_read:
        return step("Find the bone in the CT", words, "Find it", "due")
    side = scan_side(row, state.scan_use)
    if side.header == "silent" and side.letter is None:
        return step("Say which side this scan shows", words, "Open the scan", "due")
    if is_stale(row, _counted_to(state), state.limits):
        return step("The scan is old", f"{words}; take a new one", "Look at it", "late")
    return None


def _side_contradicts(state: HipState, row: ScanRow) -> bool:
    """True when anything said of the scan's side speaks against this hip."""
    return any(place.agrees is False for place in scan_evidence(row, state.scan_use, state.side))


def _film_stop(state: HipState, row: FilmRow) -> NextStep | None:
    """What stops a film, if anything does."""
    scales = film_scales(row, state.limits)
    found = card_state(row, state.hip, scales, True, _counted_to(state), state.limits)
    if found == "side_wrong":
        return _film_step("The side does not agree", film_words(row), "Look at the film", row, "stopped")
    if found == "side_open":
        return _film_step("Confirm the side letter", film_words(row), "Open the film", row, "due")
    if found == "no_scale" and not scales.settled:
        return _film_step(
            "Settle the scale", f"sources of scale contradict, {film_words(row)}", "Settle it", row, "stopped"
        )
    if found == "no_scale" and scales.kind is None:
        return _film_step("Give the film a scale", f"no scale yet, {film_words(row)}", "Set the scale", row, "stopped")
    if found == "stale":
        return _film_step("The film is old", f"{film_words(row)}; take a new one", "Look at it", row, "late")
    return None


def _film_step(
    title: str, detail: str, button: str, row: FilmRow, state: Literal["due", "stopped", "late"]
) -> NextStep:
    return NextStep(title=title, detail=detail, state=state, button=button, page="film", film_id=row.id)


def _changed_since_signing(state: HipState) -> bool:
    """True when someone went on reading, scaling, placing or choosing after the newest plan was signed."""
    payload = state.plans[0].payload
    moved = state.placement is not None and state.placement.step != payload.get("placement_step")
    chosen = state.hip.chosen_level is not None and state.hip.chosen_level != payload.get("level")
    return moved or chosen or _read_anew(state)


def _read_anew(state: HipState) -> bool:
    """True when a film of the newest plan was read or scaled otherwise since: its numbers are no longer the plan's."""
    scan = state.plans[0].payload.get("scan")
    if scan is not None and state.scan is not None and scan["scan_id"] == state.scan.id:
        address = None if state.scan_reading is None else state.scan_reading.address
        if (address, state.outlines_step) != (scan["outlines"], scan["outlines_step"]):
            return True
        if (state.scan.calibration or {}) != (scan.get("calibration") or {}):
            return True
    films = {row.id: row for row in state.films}
    for entry in state.plans[0].payload.get("films", []):
        row = films.get(entry["film_id"])
        if row is None:
            continue  # taken out, or of the other side: the guards speak of that
        reading = state.readings.get(row.id)
        if (None if reading is None else reading.step) != entry.get("reading_step"):
            return True
        if (row.scale_inputs or {}) != (entry.get("scale_inputs") or {}):
            return True
        kind = film_scales(row, state.limits).kind
        if (None if kind is None else kind.value) != entry.get("scale_kind"):
            return True
    return False


def _spoken_against(state: HipState) -> bool:
    """True when the newest plan's scan, or a film of it, no longer carries the plan: it is too old for the operation,
    carries another side or none, may not be planned on, was taken out of the hip, or a newer scan counts in its place.

    The guards of a signature (desk/sign.py) refuse the same; here it takes the hip back to work.
    """
    payload = state.plans[0].payload
    planned = payload.get("scan")
    if planned is not None:
        row = state.scan
        if (
            row is None
            or row.id != planned["scan_id"]
            or refusals(row)
            or is_stale(row, _counted_to(state), state.limits)
        ):
            return True
        if scan_side(row, state.scan_use).letter is None or _side_contradicts(state, row):
            return True
    films = {entry["film_id"] for entry in payload.get("films", [])}
    return any(_film_stop(state, row) is not None for row in state.films if row.id in films)


def _counted_to(state: HipState) -> date:
    """The day to which the age of images is counted: today, or the day of the operation where a plan names a later."""
    if not state.plans:
        return state.today
    return max(state.today, date.fromisoformat(state.plans[0].payload["operation_date"]))


def _day(at: str | None) -> date | None:
    return None if at is None else datetime.fromisoformat(at).date()


# ---- the line ------------------------------------------------------------------------------------------------


def stations(state: HipState, step: NextStep) -> list[Station]:
    """The line that is the navigation."""
    ap, films = state.ap, [row for row in (state.ap, state.lateral) if row is not None]
    ready = state.on_scan or (ap is not None and ap.id in state.readings)
    read = bool(films) and all(state.is_read(row) for row in films)
    first_unread = next((row for row in films if not state.is_read(row)), ap)
    stopped = step.state == "stopped" and step.page == "film"
    signed = state.plans[0] if state.plans else None
    operation = date.fromisoformat(signed.payload["operation_date"]) if signed else None
    rows: list[Station] = [
        Station(
            key="film",
            title="Film",
            note=day_words(ap.taken) if ap is not None else "",
            state="stopped" if stopped else "done" if ap is not None and step.page != "film" else "todo",
            open=bool(state.films),
            film_id=(step.film_id if step.page == "film" else None)
            or (ap.id if ap else None)
            or (state.films[0].id if state.films else None),
        ),
        Station(
            key="reading",
            title="Reading",
            note=day_words(_day(state.readings[ap.id].at)) if ap is not None and ap.id in state.readings else "",
            state="done" if read else "todo",
            open=ap is not None,
            film_id=first_unread.id if first_unread is not None else None,
        ),
        *_scan_stations(state, step),
        Station(
            key="comparison",
            title="Comparison",
            note=CutLevel(state.hip.chosen_level).word.lower() if state.hip.chosen_level else "",
            state="done" if state.hip.chosen_level else "todo",
            open=ready,
        ),
        Station(
            key="placement",
            title="Placement",
            note=day_words(_day(state.placement.at)) if state.placement else "",
            state="done" if state.placement else "todo",
            open=ready,
        ),
        Station(
            key="signature",
            title="Signature",
            note=day_words(_day(signed.signed_at)) if signed else "",
            state="done" if signed else "todo",
            open=state.placement is not None or signed is not None,
        ),
        Station(
            key="operation",
            title="Operation",
            note=day_words(operation) if operation else "",
            state="todo",
            open=False,
        ),
        Station(key="reviews", title="Reviews", note="lifelong", state="todo", open=False),
    ]
    return rows


def _scan_stations(state: HipState, step: NextStep) -> list[Station]:
    """Scan and stock, on hips that have a scan."""
    row, card = state.scan, state.scan_card
    if row is None or card is None:
        return []
    stopped = (step.page == "scan" and step.state == "stopped") or card.state == "stopped"
    return [
        Station(
            key="scan",
            title="Scan",
            note=day_words(row.taken) if row.taken is not None else "",
            state="stopped" if stopped else "done" if card.state == "read" else "todo",
            open=True,
            scan_id=row.id,
        ),
        Station(
            key="stock",
            title="Stock",
            note="",
            state="done" if state.on_scan else "todo",
            open=state.on_scan,
            scan_id=row.id,
        ),
    ]


def marks(state: HipState) -> list[LifeMark]:
    """What happened to this hip, and when."""
    found: list[LifeMark] = []
    for row in state.films:
        if row.taken is not None:
            read = row.id in state.readings
            found.append(LifeMark(kind="seen" if read else "film_not_read", on=row.taken, words=film_words(row)))
    for row in state.films:
        at = _day(state.readings[row.id].at) if row.id in state.readings else None
        if at is not None:
            found.append(LifeMark(kind="read", on=at, words=f"{film_words(row)} read"))
    for scan in state.scans:
        if scan.taken is not None:
            seen = scan is state.scan and state.scan_is_read
            found.append(LifeMark(kind="seen" if seen else "film_not_read", on=scan.taken, words=scan_words(scan)))
    placed = _day(state.placement.at) if state.placement else None
    if placed is not None:
        found.append(LifeMark(kind="planned", on=placed, words="placement kept"))
    found += [
        LifeMark(
            kind="signed",
            on=datetime.fromisoformat(plan.signed_at).date(),
            words=f"plan {plan.version} signed by {plan.signed_by}",
        )
        for plan in state.plans
    ]
    if state.plans:
        operation = date.fromisoformat(state.plans[0].payload["operation_date"])
        found.append(LifeMark(kind="due", on=operation, words="operation planned"))
    return sorted(found, key=lambda mark: mark.on)


def plan_card(plan: SignedPlan) -> PlanCard:
    """A signed plan as listed."""
    return PlanCard(
        plan_id=plan.plan_id,
        version=plan.version,
        level=plan.payload["level"],
        words=plan.payload["words"],
        signed_by=plan.signed_by,
        signed_at=datetime.fromisoformat(plan.signed_at),
        hash=plan.hash,
        superseded=plan.superseded,
        operation_date=date.fromisoformat(plan.payload["operation_date"]),
    )


# ---- pages ---------------------------------------------------------------------------------------------------


def about(desk: Desk, *, today: date) -> About:
    """The installation."""
    with desk.store.session() as session:
        count = len([hip for hip in hips(session) if hip.under_study])
    return About(version=__version__, today=today, reader=reader(desk), cautions=list(CAUTIONS), hips=count)


def hips_page(desk: Desk, *, find: str, today: date) -> HipsPage:
    """All hips in groups; `find` keeps those whose patient's name or number holds the words."""
    limits = limits_in_force(desk)
    rows: list[tuple[HipState, HipRow]] = []
    with desk.store.session() as session:
        people: set[str] = set()
        for hip in hips(session):
            state = gather(session, hip.id, limits, today)
            if find and not _matches(state.patient, find):
                continue
            people.add(hip.patient_id)
            step = next_step(state)
            if state.is_other_hip and not state.placement and not state.plans:
                step = NextStep(
                    title="Nothing planned here",
                    detail="the other hip is under study; its films show this one too",
                    state="none",
                    button="Open",
                    page="life",
                )
            rows.append(
                (
                    state,
                    HipRow(
                        hip_id=hip.id,
                        person=person(state.patient, today),
                        side=hip.side,  # type: ignore[arg-type]  # kept by us from the same words
                        is_other_hip=state.is_other_hip,
                        marks=marks(state),
                        next=step,
                    ),
                )
            )
    groups: dict[str, list[HipRow]] = {title: [] for title in ("Stopped", "To do", "Signed", "The other hip")}
    for state, row in rows:
        if row.is_other_hip and row.next.state == "none" and not state.plans:
            groups["The other hip"].append(row)
        elif row.next.state in ("stopped", "late"):
            groups["Stopped"].append(row)
        elif state.plans and row.next.state == "none":
            groups["Signed"].append(row)
        else:
            groups["To do"].append(row)
    return HipsPage(
        today=today,
        finding=_list_finding(groups, find),
        hips=sum(not row.is_other_hip for _, row in rows),
        patients=len(people),
        groups=[
            HipGroup(title=title, rows=sorted(found, key=lambda row: (row.person.number, row.side)))
            for title, found in groups.items()
            if found
        ],
    )


def _matches(row: Patient, find: str) -> bool:
    text = f"{shown_name(row.name)} {row.name} {row.number}".casefold()
    return all(word in text for word in find.casefold().split())


def _list_finding(groups: dict[str, list[HipRow]], find: str) -> str:
    stopped, todo, signed = (len(groups[title]) for title in ("Stopped", "To do", "Signed"))
    if not any(groups.values()):
        return "No hip answers to these words." if find else "There is no hip here yet."
    said = []
    if todo + stopped:
        needs = "needs" if todo + stopped == 1 else "need"
        said.append(f"{count_words(todo + stopped, 'hip', capital=True)} {needs} you")
    if stopped:
        said.append(f"{count_words(stopped, '').strip()} {'is' if stopped == 1 else 'are'} stopped")
    if not said:
        said.append(f"{count_words(signed, 'plan', capital=True)} signed, nothing waits for you")
    return "; ".join(said) + "."


def hip_page(desk: Desk, hip_id: str, *, today: date) -> HipPage:
    """One hip's line of life."""
    limits = limits_in_force(desk)
    with desk.store.session() as session:
        state = gather(session, hip_id, limits, today)
        uses = uses_of(session, hip_id)
        cards: list[FilmCard] = [
            film_card(session, row, state.hip, today, limits)
            for row in films_of(session, state.hip.patient_id)
            if is_used(row, state.hip, uses) or row.id in uses or row.view is None
        ]
        scans = [scan_card(session, row, state.hip, today) for row in scans_of(session, state.hip.patient_id)]
        kept = facts_of(session, state.hip)
    step = next_step(state)
    found = ap_measures(state)
    return HipPage(
        hip_id=hip_id,
        other_hip_id=None if state.other is None else state.other.id,
        person=person(state.patient, today),
        side=state.hip.side,  # type: ignore[arg-type]  # kept by us from the same words
        today=today,
        finding=hip_finding(state, step, found),
        next=step,
        stations=stations(state, step),
        marks=marks(state),
        facts=fact_fields(state.hip, state.patient, kept),
        films=cards,
        scans=scans,
        plans=[plan_card(plan) for plan in state.plans],
        cautions=recorded_cautions(state, kept, found),
        key_numbers=key_numbers(state, found),
    )


_KEY: Final = (
    "leg_length_difference_mm",
    "{side}.femoral_offset_mm",
    "{side}.neck_shaft_angle_deg",
    "{side}.head_diameter_mm",
    "{side}.centre_edge_angle_deg",
)


def ap_measures(state: HipState) -> dict[str, Measured]:
    """Measures of the newest AP reading; empty when there is none, or when it refuses (its own page says why)."""
    if state.ap is None or state.ap.id not in state.readings:
        return {}
    scales = film_scales(state.ap, state.limits)
    try:
        return measures_of(state.ap, reading_state(state.readings[state.ap.id]), state.side, scales, n_draws=DRAWS)
    except HeadstockError:
        return {}


def key_numbers(state: HipState, found: Mapping[str, Measured]) -> list[Number]:
    """The few numbers that describe this hip."""
    if state.ap is None:
        return []
    scales = film_scales(state.ap, state.limits)
    names = [name.format(side=state.hip.side) for name in _KEY]
    return [
        measure_number(name, found[name], scales, signed=name == "leg_length_difference_mm")
        for name in names
        if name in found and found[name].known
    ]


def recorded_cautions(state: HipState, kept: Mapping[str, FactRow], found: Mapping[str, Measured]) -> list[Caution]:
    """What the record raises, before any level is compared; each says of which levels it speaks."""
    diameter = found.get(f"{state.side.value}.head_diameter_mm")
    known = {"head_diameter_mm": diameter} if diameter is not None and diameter.known else {}
    try:
        raised = cautions(hip_facts(state.patient, kept, found, state.today), None, known)
    except HeadstockError as stop:
        # An entry that the anatomy room refuses is itself a caution: it must not empty the list.
        return [Caution(text=str(stop), source="the record", status="from_memory", levels=[])]
    return [page_caution(one) for one in raised if one.fact != "always"]


def page_caution(found: Raised) -> Caution:
    """A caution as shown."""
    return Caution(
        text=found.text,
        source=found.source,
        status=found.status.replace(" ", "_"),  # type: ignore[arg-type]  # the three statuses, spelt with _
        levels=list(found.applies_to),  # type: ignore[arg-type]  # level names
    )


def hip_finding(state: HipState, step: NextStep, found: Mapping[str, Measured]) -> str:
    """The hip in one sentence."""
    if step.state == "stopped":
        return f"Stopped: {step.title[:1].lower()}{step.title[1:]}."
    if state.plans:
        plan = state.plans[0]
        return f"The plan is signed: {plan.payload['words']}."
    if state.ap is not None and found:
        return finding_of(found, state.side, state.ap.view, [])
    if state.scan is not None:
        return f"{side_words(state.hip.side)}: {scan_words(state.scan)} is here. {step.title}."
    if state.ap is not None:
        return f"{side_words(state.hip.side)}: {film_words(state.ap)} is here. {step.title}."
    return f"No film and no scan of this {state.hip.side} hip is here yet."

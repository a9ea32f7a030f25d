"""What must stop a plan, tried on a whole record: wrong person, wrong side, no scale, stale film, unsigned print."""

import json
import subprocess
import sys
from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime, timedelta
from io import BytesIO
from pathlib import Path

import pydicom
import pytest

from headstock.desk import compare, films, hips, loose, place, sign
from headstock.desk.bringing import Brought, bring_bytes
from headstock.desk.desk import Desk, open_desk
from headstock.desk.pages import PlacementSave, ScaleIn, SideLetterIn, SignIn
from headstock.errors import CalibrationError, FrameError, GuardError, RecordError
from headstock.records.people import film as film_row
from headstock.records.people import hip_of

sys.path.insert(0, str(Path(__file__).parent))
from supplied import ball_of, films_of, landmarks_of, truth_of

NOW = datetime(2026, 11, 25, 9, 42, tzinfo=UTC)
TODAY = NOW.date()
TRUTH = truth_of("alder")
SIGN = SignIn(signer="Dr A", side_typed="right", operation_date=date(2026, 12, 10), reasons={}, fall_back=None)


@pytest.fixture(scope="module")
def originals(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    return {view: path.read_bytes() for view, path in films_of("alder", tmp_path_factory.mktemp("films")).items()}


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    opened = open_desk(tmp_path)
    yield opened
    opened.close()


def _changed(data: bytes, change: Callable[[pydicom.Dataset], None]) -> bytes:
    """The same film with another header, as another system could have written it."""
    dataset = pydicom.dcmread(BytesIO(data))
    change(dataset)
    dataset.SOPInstanceUID = dataset.file_meta.MediaStorageSOPInstanceUID = pydicom.uid.generate_uid()
    # Another picture too, so that it is not recognised as the same film.
    pixels = dataset.pixel_array.copy()
    pixels[0, 0] ^= 1
    dataset.PixelData = pixels.tobytes()
    out = BytesIO()
    dataset.save_as(out, enforce_file_format=True)
    return out.getvalue()


def _bring(desk: Desk, *files: bytes) -> list[Brought]:
    return list(bring_bytes(desk, [(f"{n}.dcm", data) for n, data in enumerate(files)], who="A", now=NOW))


def _planned(desk: Desk, originals: dict[str, bytes], *more: bytes) -> tuple[str, dict[str, str]]:
    """Alder's right hip, read and placed; returns the hip and its films by number."""
    lines = _bring(desk, originals["ap_pelvis"], *more)
    hip = lines[0].hip_id
    film = lines[0].film_id
    with desk.store.session() as session:
        hip = hip_of(session, film_row(session, film).patient_id, "right").id
    films.confirm_side(desk, film, SideLetterIn(seen="both", columns_to_left=True), hip, who="A", now=NOW)
    column, row = ball_of(TRUTH)
    ball = ScaleIn(kind="ball", circle=(column, row, 59.4), circle_sd_px=0.1, diameter_mm=25.0, settle=True)
    films.set_scale(desk, film, ball, hip, who="A", now=NOW)
    loose.keep(desk, film, hip, json.dumps(landmarks_of(TRUTH)).encode(), who="A", now=NOW)
    compare.choose(desk, hip, "high_neck", who="A", now=NOW)
    page = place.placement_page(desk, hip, today=TODAY)
    place.keep_placement(
        desk, hip, PlacementSave(placement=page.appraisal.placement, base_step=0, what="kept"), who="A", now=NOW
    )
    return hip, {str(n): line.film_id or "" for n, line in enumerate(lines)}


def _sign(desk: Desk, hip: str, **changes):
    wanted = sign.signature_page(desk, hip, today=TODAY).overrides
    reasons = {one.key: "accepted after looking" for one in wanted}
    return sign.sign_plan(desk, hip, SIGN.model_copy(update={"reasons": reasons} | changes), now=NOW)


def test_a_film_of_another_person_under_the_same_number_is_refused_and_the_rest_imported(desk, originals):
    def someone_else(ds):
        ds.PatientName = "OTHER^PERSON"

    lines = _bring(
        desk, originals["ap_pelvis"], _changed(originals["ap_pelvis"], someone_else), originals["lateral_hip"]
    )
    assert [line.outcome for line in lines] == ["imported", "refused", "imported"]
    assert "another name" in lines[1].says
    assert "OTHER" not in lines[1].says
    assert hips.hips_page(desk, find="", today=TODAY).patients == 1


def test_two_people_in_one_study_without_a_number_do_not_become_one_patient(desk, originals):
    def nameless(ds):
        ds.PatientID = ""

    def someone_else(ds):
        ds.PatientID, ds.PatientName = "", "OTHER^PERSON"

    first, second = (_changed(originals["ap_pelvis"], change) for change in (nameless, someone_else))
    lines = _bring(desk, first, second, _changed(originals["lateral_hip"], nameless))
    assert [line.outcome for line in lines] == ["imported", "refused", "imported"]
    assert "no number" in lines[1].says
    assert "another name" in lines[1].says
    assert "OTHER" not in lines[1].says
    assert hips.hips_page(desk, find="", today=TODAY).patients == 1


def test_a_film_without_a_number_is_never_merged_by_a_guess_and_cannot_be_signed_for(desk, originals):
    def silent(ds):
        ds.PatientID = ""

    lines = _bring(desk, originals["ap_pelvis"], _changed(originals["ap_pelvis"], silent))
    assert hips.hips_page(desk, find="", today=TODAY).patients == 2
    page = hips.hip_page(desk, lines[1].hip_id, today=TODAY)
    assert page.person.number.startswith("NO-NUMBER-")
    assert {"patient_name", "patient_number"} <= {fact.key for fact in page.facts}


def test_a_wrong_side_film_taken_into_a_hip_stops_signing_and_printing_until_it_is_taken_out(desk, originals):
    def left(ds):
        ds.ImageLaterality = "L"

    hip, by_number = _planned(desk, originals, _changed(originals["lateral_hip"], left))
    lateral = by_number["1"]
    with pytest.raises(FrameError, match="does not belong to this hip"):
        loose.keep(
            desk,
            lateral,
            hip,
            json.dumps({"view": "lateral_hip", "side": "right", "points": {"right.head_centre": [500, 500]}}).encode(),
            who="A",
            now=NOW,
        )
    films.use_film(desk, hip, lateral, True, who="A", now=NOW)
    films.confirm_side(desk, lateral, SideLetterIn(seen="none"), hip, who="A", now=NOW)
    landmarks = {"view": "lateral_hip", "side": "right", "points": {"right.head_centre": [617, 500]}}
    loose.keep(desk, lateral, hip, json.dumps(landmarks).encode(), who="A", now=NOW)
    card = next(card for card in hips.hip_page(desk, hip, today=TODAY).films if card.film_id == lateral)
    assert card.state == "side_wrong"
    page = sign.signature_page(desk, hip, today=TODAY)
    stopped = next(check for check in page.checks if not check.passed and check.guard == "wrong side")
    assert "header of the lateral film" in stopped.says
    assert stopped.film_id == lateral
    assert page.can_sign is False
    assert next(row.agrees for row in page.sides if "lateral" in row.place) is False
    for attempt in (lambda: _sign(desk, hip), lambda: sign.draft_sheet(desk, hip, "a4", now=NOW)):
        with pytest.raises(GuardError, match=r"plan says right.*says left"):
            attempt()
    assert hips.hip_page(desk, hip, today=TODAY).plans == []
    films.use_film(desk, hip, lateral, False, who="A", now=NOW)
    assert _sign(desk, hip).plan is not None


@pytest.mark.parametrize(("header", "read"), [("R", True), ("", False)])
def test_a_letter_that_names_the_other_side_stops_here_and_never_moves_the_film_away_unseen(
    desk, originals, header, read
):
    def lateral_says(ds):
        ds.ImageLaterality = header

    hip, by_number = _planned(desk, originals, _changed(originals["lateral_hip"], lateral_says))
    lateral = by_number["1"]
    if read:
        landmarks = {"view": "lateral_hip", "side": "right", "points": {"right.head_centre": [617, 500]}}
        loose.keep(desk, lateral, hip, json.dumps(landmarks).encode(), who="A", now=NOW)
    page = films.confirm_side(desk, lateral, SideLetterIn(seen="left"), hip, who="A", now=NOW)
    assert (page.card.state, page.card.used_here) == ("side_wrong", True)
    life = hips.hip_page(desk, hip, today=TODAY)
    assert lateral in {card.film_id for card in life.films}
    assert (life.next.title, life.next.state, life.next.film_id) == ("The side does not agree", "stopped", lateral)
    signature = sign.signature_page(desk, hip, today=TODAY)
    stopped = next(check for check in signature.checks if not check.passed)
    assert (stopped.guard, stopped.film_id, signature.can_sign) == ("wrong side", lateral, False)
    assert "The letter on the lateral film" in stopped.says
    assert any("lateral" in row.place and row.agrees is False for row in signature.sides)
    for attempt in (lambda: _sign(desk, hip), lambda: sign.draft_sheet(desk, hip, "a4", now=NOW)):
        with pytest.raises(GuardError, match=r"plan says right.*letter on the lateral film.*says left"):
            attempt()
    # The way out is a person's: the letter read again, or the film taken out.
    films.confirm_side(desk, lateral, SideLetterIn(seen="right"), hip, who="A", now=NOW)
    assert hips.hip_page(desk, hip, today=TODAY).next.title == "Give the film a scale"
    films.confirm_side(desk, lateral, SideLetterIn(seen="left"), hip, who="A", now=NOW)
    films.use_film(desk, hip, lateral, False, who="A", now=NOW)
    assert _sign(desk, hip).plan is not None


def test_what_is_recorded_raises_its_cautions_on_the_hips_own_page(desk, originals):
    from headstock.desk.facts import set_fact
    from headstock.desk.pages import FactIn

    (line,) = _bring(desk, originals["ap_pelvis"])  # neither read nor scaled: the record is enough
    assert hips.hip_page(desk, line.hip_id, today=TODAY).cautions == []
    set_fact(desk, line.hip_id, "renal_disease", FactIn(value=True, source="letter"), who="A", now=NOW)
    (caution,) = hips.hip_page(desk, line.hip_id, today=TODAY).cautions
    assert "Renal impairment" in caution.text
    assert caution.source
    assert "head_surface" in caution.levels
    set_fact(desk, line.hip_id, "renal_disease", FactIn(value=False, source="letter"), who="A", now=NOW)
    assert hips.hip_page(desk, line.hip_id, today=TODAY).cautions == []


def test_another_reader_sees_the_reading_takes_it_over_or_begins_an_own_one(desk, originals):
    from headstock.desk import readings
    from headstock.desk.pages import ReadingIn

    hip, by_number = _planned(desk, originals)
    film = by_number["0"]
    page = readings.reading_page(desk, film, hip, who="Dr New")
    assert (page.reader, page.step, page.repeat_of) == ("A", 1, None)
    assert page.state.points
    own = readings.read_again(desk, film, hip, who="Dr New", now=NOW)
    assert (own.repeat_of, own.state.points, own.reader) == (film, {}, "Dr New")
    assert readings.reading_page(desk, film, hip, who="A").state.points == page.state.points
    readings.read_again(desk, film, hip, who="Dr New", now=NOW)  # ends it
    taken = page.state.model_copy(update={"points": dict(list(page.state.points.items())[:-1])})
    readings.keep_reading(
        desk, film, hip, ReadingIn(state=taken, base_step=page.step, what="moved"), who="Dr New", now=NOW
    )
    page = readings.reading_page(desk, film, hip, who="A")
    assert (page.reader, page.step) == ("Dr New", 2)
    assert readings.undo_reading(desk, film, hip, who="A", now=NOW).reader == "A"


def test_what_is_signed_is_what_was_looked_at(desk, originals):
    """Two tabs: one looks at the signature page while the other goes on working."""
    from headstock.desk.facts import set_fact
    from headstock.desk.limits import change_limit
    from headstock.desk.pages import FactIn, TargetIn
    from headstock.records import StepConflictError

    hip, by_number = _planned(desk, originals)
    changes = (
        lambda: place.set_target(desk, hip, TargetIn(leg_mm=3.0, offset_mm=0.0), who="B", now=NOW),
        lambda: place.best_again(desk, hip, "high_neck", who="B", now=NOW),
        lambda: set_fact(desk, hip, "weight_kg", FactIn(value=80.0, source="x"), who="B", now=NOW),
        lambda: change_limit(desk, "least_wall_mm", low=9.0, high=None, source="x", by="B", now=NOW),
        lambda: films.set_scale(
            desk, by_number["0"], ScaleIn(kind="detector_and_distance", settle=True), hip, who="B", now=NOW
        ),
        lambda: films.confirm_side(
            desk, by_number["0"], SideLetterIn(seen="right", columns_to_left=True), hip, who="B", now=NOW
        ),
    )
    for change in changes:
        looked_at = sign.signature_page(desk, hip, today=TODAY).seen
        change()
        with pytest.raises(StepConflictError, match="after you looked at it"):
            _sign(desk, hip, seen=looked_at)
    assert hips.hip_page(desk, hip, today=TODAY).plans == []
    assert _sign(desk, hip, seen=sign.signature_page(desk, hip, today=TODAY).seen).plan.version == 1


def test_of_two_signatures_at_once_one_is_refused_so_that_no_version_is_signed_unseen(desk, originals):
    from concurrent.futures import ThreadPoolExecutor

    hip, _ = _planned(desk, originals)
    seen = sign.signature_page(desk, hip, today=TODAY).seen

    def attempt(signer: str) -> str:
        try:
            return str(_sign(desk, hip, seen=seen, signer=signer).plan.version)
        except RecordError as stop:
            return type(stop).__name__

    with ThreadPoolExecutor(2) as pool:
        assert sorted(pool.map(attempt, ["Dr A", "Dr B"])) == ["1", "StepConflictError"]
    assert [card.version for card in hips.hip_page(desk, hip, today=TODAY).plans] == [1]


def test_a_reading_or_scale_changed_after_the_signature_asks_for_a_new_one_and_leaves_the_old_sheet(desk, originals):
    hip, by_number = _planned(desk, originals)
    signed = _sign(desk, hip).plan
    before = _text(sign.signed_sheet(desk, signed.plan_id, "a4", now=NOW))
    assert hips.hip_page(desk, hip, today=TODAY).next.title == "Print the sheet"
    plain = landmarks_of(TRUTH)
    plain["points"]["right.lesser_trochanter"][1] += 30
    loose.keep(desk, by_number["0"], hip, json.dumps(plain).encode(), who="B", now=NOW)
    step = hips.hip_page(desk, hip, today=TODAY).next
    assert (step.title, step.detail) == (
        "Sign the changed plan",
        "a film or the scan of the signed plan was read or scaled otherwise since",
    )
    assert _text(sign.signed_sheet(desk, signed.plan_id, "a4", now=NOW)) == before
    second = _sign(desk, hip).plan
    assert second.version == 2
    films.set_scale(desk, by_number["0"], ScaleIn(kind="detector_and_distance", settle=True), hip, who="B", now=NOW)
    assert hips.hip_page(desk, hip, today=TODAY).next.title == "Sign the changed plan"


def test_the_side_typed_by_hand_must_be_the_plans_own_word(desk, originals):
    hip, _ = _planned(desk, originals)
    for typed in ("left", "", "r", "both", "right?", "none"):
        with pytest.raises(GuardError, match="plan says right"):
            _sign(desk, hip, side_typed=typed)
    assert _sign(desk, hip, side_typed=" Right ").plan is not None


def test_a_film_that_changed_hands_after_planning_stops_the_signature(desk, originals):
    """Guard: wrong patient, held again at signing."""
    hip, by_number = _planned(desk, originals)
    with desk.store.writing() as session:
        row = film_row(session, by_number["0"])
        row.header = row.header | {"patient_number": "SIM-999"}
    page = sign.signature_page(desk, hip, today=TODAY)
    assert [check.guard for check in page.checks if not check.passed] == ["wrong patient"]
    with pytest.raises(GuardError, match="another patient number"):
        _sign(desk, hip)


def test_a_signed_plan_whose_letter_is_read_otherwise_later_is_not_printed_again(desk, originals):
    def silent(ds):
        ds.PatientOrientation = ["", ""]

    hip, by_number = _planned(desk, {"ap_pelvis": _changed(originals["ap_pelvis"], silent)})
    signed = _sign(desk, hip)
    assert sign.signed_sheet(desk, signed.plan.plan_id, "a4", now=NOW)[:5] == b"%PDF-"
    with desk.store.writing() as session:
        film_row(session, by_number["0"]).columns_to_left = None  # as a later reader's withdrawal would leave it
    with pytest.raises(GuardError, match="on which side of the picture"):
        sign.signed_sheet(desk, signed.plan.plan_id, "a4", now=NOW)


def test_a_film_that_was_read_cannot_be_turned_over_under_its_reading(desk, originals):
    hip, by_number = _planned(desk, originals)
    with pytest.raises(FrameError, match="Undo the reading to its start"):
        films.confirm_side(
            desk, by_number["0"], SideLetterIn(seen="both", columns_to_left=False), hip, who="A", now=NOW
        )


def test_a_film_without_scale_gives_angles_only_and_stops_the_plan_with_the_ways_out(desk, originals):
    def bare(ds):
        del ds.ImagerPixelSpacing
        del ds.DistanceSourceToDetector

    (line,) = _bring(desk, _changed(originals["ap_pelvis"], bare))
    with desk.store.session() as session:
        hip = hip_of(session, film_row(session, line.film_id).patient_id, "right").id
    films.confirm_side(desk, line.film_id, SideLetterIn(seen="both", columns_to_left=True), hip, who="A", now=NOW)
    step = hips.hip_page(desk, hip, today=TODAY).next
    assert (step.title, step.state, step.button) == ("Give the film a scale", "stopped", "Set the scale")
    read = loose.keep(desk, line.film_id, hip, json.dumps(landmarks_of(TRUTH)).encode(), who="A", now=NOW)
    assert read["measures"]["right.neck_shaft_angle_deg"]["value"] is not None
    length = read["measures"]["leg_length_difference_mm"]
    assert (length["value"], "no scale" in length["reason"]) == (None, True)
    with pytest.raises(CalibrationError, match=r"has no scale to plan with.*Mark the ball"):
        compare.comparison(desk, hip, today=TODAY)
    page = sign.signature_page(desk, hip, today=TODAY)
    assert page.can_sign is False
    assert "no scale" in page.checks[0].says


def test_a_scale_that_would_rest_on_an_assumed_depth_is_in_use_only_after_a_reader_chose_it(desk, originals):
    (line,) = _bring(desk, originals["ap_pelvis"])  # detector spacing and source to detector, nothing of the hip
    film = line.film_id
    with desk.store.session() as session:
        hip = hip_of(session, film_row(session, film).patient_id, "right").id
    films.confirm_side(desk, film, SideLetterIn(seen="both", columns_to_left=True), hip, who="A", now=NOW)
    page = films.film_page(desk, film, hip, today=TODAY)
    assert (page.scale.in_use, page.card.state) == (None, "no_scale")
    offered = next(choice for choice in page.scale.choices if choice.kind == "detector_and_distance")
    assert (offered.scale is not None, offered.in_use) == (True, False)
    assert "would be assumed" in page.scale.says
    step = hips.hip_page(desk, hip, today=TODAY).next
    assert (step.title, step.state) == ("Give the film a scale", "stopped")
    read = loose.keep(desk, film, hip, json.dumps(landmarks_of(TRUTH)).encode(), who="A", now=NOW)
    assert read["measures"]["right.femoral_offset_mm"]["value"] is None
    with pytest.raises(CalibrationError, match="no scale to plan with"):
        compare.comparison(desk, hip, today=TODAY)
    page = films.set_scale(desk, film, ScaleIn(kind="detector_and_distance"), hip, who="Dr B", now=NOW)
    assert page.card.state == "ready"
    assert page.scale.in_use is not None
    assert next(c for c in page.scale.choices if c.kind == "detector_and_distance").in_use
    assert hips.hip_page(desk, hip, today=TODAY).key_numbers


def test_contradictory_scales_stop_until_a_person_settles_them_and_the_record_says_who(desk, originals):
    (line,) = _bring(desk, originals["ap_pelvis"])
    column, row = ball_of(TRUTH)
    # A ball 6 % larger than the header's distances allow, still plausible.
    page = films.set_scale(
        desk,
        line.film_id,
        ScaleIn(kind="ball", circle=(column, row, 62.0), circle_sd_px=0.1, diameter_mm=25.0),
        line.hip_id,
        who="A",
        now=NOW,
    )
    assert (page.scale.settled, page.scale.in_use) == (False, None)
    assert "Marker ball" in (page.scale.contradiction or "")
    page = films.set_scale(desk, line.film_id, ScaleIn(kind="ball", settle=True), line.hip_id, who="Dr B", now=NOW)
    assert (page.scale.settled, page.scale.settled_by) == (True, "Dr B")


def test_a_stale_film_stops_by_the_operations_day_not_by_todays(desk, originals):
    hip, _ = _planned(desk, originals)
    far = TODAY + timedelta(days=200)
    with pytest.raises(GuardError, match=r"will be 216 days old.*the limit is 180 days.*new film"):
        _sign(desk, hip, operation_date=far)
    # Half a year later the page itself says so.
    later = date(2027, 6, 1)
    checks = {check.guard: check.passed for check in sign.signature_page(desk, hip, today=later).checks}
    assert checks["stale images"] is False
    assert hips.hip_page(desk, hip, today=later).next.state == "late"


def test_an_unsigned_print_says_draft_on_every_page_and_a_signed_one_nowhere(desk, originals, tmp_path):
    hip, _ = _planned(desk, originals)
    draft = _text(sign.draft_sheet(desk, hip, "a4", now=NOW))
    assert len(draft) == 2
    # The word itself is drawn in outline at a slant (tests/documents looks for its ink); the text beside it says so.
    assert all("must not go to theatre" in page for page in draft)
    signed = _text(sign.signed_sheet(desk, _sign(desk, hip).plan.plan_id, "letter", now=NOW))
    assert not any("must not go to theatre" in page for page in signed)
    for page in signed:
        assert "Right hip" in page
        assert "SIM-001" in page
    assert "Dr A" in signed[0]


def _text(pdf: bytes) -> list[str]:
    found = subprocess.run(["pdftotext", "-layout", "-", "-"], input=pdf, capture_output=True, check=True)
    return found.stdout.decode().split("\f")[:-1]


def test_signing_again_makes_the_next_version_and_leaves_the_first_as_it_was(desk, originals):
    hip, _ = _planned(desk, originals)
    first = _sign(desk, hip).plan
    best = place.best_again(desk, hip, "low_neck", who="A", now=NOW)
    assert hips.hip_page(desk, hip, today=TODAY).next.title == "Sign the changed plan"
    assert best.appraisal.placement.level == "low_neck"
    second = _sign(desk, hip).plan
    cards = hips.hip_page(desk, hip, today=TODAY).plans
    assert [(card.version, card.superseded) for card in cards] == [(2, False), (1, True)]
    assert (cards[1].hash, second.level) == (first.hash, "low_neck")
    old = _text(sign.signed_sheet(desk, first.plan_id, "a4", now=NOW))
    assert "High neck" in old[0]
    assert all("Superseded" in page and "must not go to theatre" in page for page in old)
    assert not any("Superseded" in page for page in _text(sign.signed_sheet(desk, second.plan_id, "a4", now=NOW)))


def test_the_trail_tells_of_a_print_only_when_it_was_made_and_by_whom(desk, originals):
    from headstock.desk.desk import set_reader
    from headstock.records import audit_lines

    hip, by_number = _planned(desk, originals)
    signed = _sign(desk, hip).plan
    set_reader(desk, "Dr Print", now=NOW)
    sign.signed_sheet(desk, signed.plan_id, "a4", now=NOW)
    with desk.store.writing() as session:
        film_row(session, by_number["0"]).side_letter = None
    with pytest.raises(GuardError):
        sign.signed_sheet(desk, signed.plan_id, "a4", now=NOW)
    with desk.store.session() as session:
        lines = [line for line in audit_lines(session, signed.plan_id) if line.action == "sheet printed"]
    assert [line.who for line in lines] == ["Dr Print"]


def test_a_placement_that_nobody_kept_cannot_be_signed(desk, originals):
    hip, _ = _planned(desk, originals)
    compare.choose(desk, hip, "mid_head", who="A", now=NOW)
    with pytest.raises(RecordError, match="not yet yours"):
        _sign(desk, hip)


def test_an_operation_in_the_past_and_a_nameless_signer_are_refused(desk, originals):
    hip, _ = _planned(desk, originals)
    with pytest.raises(RecordError, match="has passed"):
        _sign(desk, hip, operation_date=TODAY - timedelta(days=1))
    with pytest.raises(RecordError, match="type your name"):
        _sign(desk, hip, signer="  ")


def test_a_changed_limit_reaches_the_next_appraisal_and_the_plan_keeps_the_one_it_was_signed_under(desk, originals):
    from headstock.desk.limits import change_limit
    from headstock.records import plan

    hip, _ = _planned(desk, originals)
    signed = _sign(desk, hip).plan
    change_limit(desk, "least_wall_mm", low=99.0, high=None, source="a test", by="Dr B", now=NOW)
    page = sign.signature_page(desk, hip, today=TODAY)
    assert "least_wall_mm" in {wanted.key for wanted in page.overrides}
    with desk.store.session() as session:
        kept = plan(session, signed.plan_id).payload["limits"]
    assert next(limit for limit in kept if limit["name"] == "least_wall_mm")["status"] == "unset"


def test_a_record_changed_outside_is_not_opened(tmp_path, originals):
    import sqlite3

    desk = open_desk(tmp_path)
    _bring(desk, originals["ap_pelvis"])
    desk.close()
    with sqlite3.connect(tmp_path / "headstock.sqlite3") as connection:
        connection.execute("DROP TRIGGER audit_no_update")
        connection.execute("UPDATE audit SET who = 'nobody'")
    connection.close()
    with pytest.raises(RecordError, match=r"changed outside headstock.*Restore.*--data"):
        open_desk(tmp_path)


def test_a_film_the_vault_lost_says_so_and_takes_its_old_place_when_it_is_imported_again(desk, originals):
    (line,) = _bring(desk, originals["ap_pelvis"])
    with desk.store.session() as session:
        address = film_row(session, line.film_id).sha256
    path = desk.store.folder / "vault" / address[:2] / address
    for spoil in (path.unlink, lambda: path.write_bytes(b"something else")):
        desk.films._kept.clear()
        spoil()
        with pytest.raises(RecordError, match=r"in the vault.*import the image again"):
            films.film_page(desk, line.film_id, line.hip_id, today=TODAY)
        path.unlink(missing_ok=True)  # as the words say
        (again,) = _bring(desk, originals["ap_pelvis"])
        assert (again.outcome, again.film_id) == ("already_here", line.film_id)
        assert films.film_page(desk, line.film_id, line.hip_id, today=TODAY).film_id == line.film_id


def test_a_full_disk_during_an_import_refuses_in_words_and_a_second_try_loses_nothing(desk, originals, monkeypatch):
    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("headstock.records.vault.os.replace", full)
    with pytest.raises(RecordError, match=r"No space left on device.*import the image again"):
        _bring(desk, *originals.values())
    monkeypatch.undo()
    assert [line.outcome for line in _bring(desk, *originals.values())] == ["imported", "imported"]


def test_a_signed_sheets_picture_changed_in_the_vault_is_found_when_the_record_is_opened(tmp_path, originals):
    desk = open_desk(tmp_path)
    hip, _ = _planned(desk, originals)
    _sign(desk, hip)
    from headstock.records import check_vault, plans_of

    assert check_vault(desk.store) >= 1
    with desk.store.session() as session:
        address = plans_of(session, hip)[0].payload["sheet"]["film"]["png"]["vault"]
    desk.close()
    (tmp_path / "vault" / address[:2] / address).write_bytes(b"another picture")
    with pytest.raises(RecordError, match=r"changed outside headstock.*picture.*Restore"):
        open_desk(tmp_path)

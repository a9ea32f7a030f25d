"""A hip with a read film and a read scan: side by side, planned on the scan, signed, and what then speaks against it.

Film and scan are taken of one phantom, whose truth says what each must measure. The clicks are perfect ones.
"""

import io
import re
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from headstock.desk import compare, films, ground, hips, place, sign
from headstock.desk.demo import read_film
from headstock.desk.desk import Desk
from headstock.desk.limits import change_limit
from headstock.desk.pages import PlacementSave, ReadingIn, ScaleIn, SideLetterIn, SignIn, SignsIn
from headstock.desk.readings import keep_reading, reading_page
from headstock.desk.scan_pages import AgreementPage, ScanSideIn
from headstock.desk.scans import actions, beside
from headstock.desk.scans.plain import findings_from_json, findings_to_json
from headstock.desk.scene import scene_of
from headstock.errors import GuardError
from headstock.images.scan import Finding
from headstock.implants import CutLevel
from headstock.phantom import CaseFilm, FilmSpec, PhantomCase, PhantomStudy, case_files, perfect_reading_json
from headstock.phantom.series import Sender, series_files
from headstock.phantom.spec import PhantomSpec
from headstock.records.people import film as film_row
from headstock.records.scans import scan as scan_row
from headstock.records.scans import use_of

sys.path.insert(0, str(Path(__file__).parent))
from scan_case import NOW, TODAY, WITH_CYST, Case, bring, own_case, small, with_cyst

WHO: dict[str, Any] = {"who": "A", "now": NOW}
DAY = date(2026, 11, 9)  # of the scan
FILMED = date(2026, 11, 20)
OPERATION = date(2026, 12, 10)
MOST = {"neck_shaft_angle_deg", "femoral_offset_mm", "head_diameter_mm"}
# Perfect clicks lie on the film's own pixels of 0.42 mm at the hip; the outlines of the scan on voxels of 1.5 mm.
NEAR_MM = 1.0


@dataclass(frozen=True, slots=True)
class Both:
    """A hip with scan and film, and what is true on the film."""

    desk: Desk
    scan: str
    hip: str
    film: str
    truth: dict[str, Any]

    def agreement(self) -> AgreementPage:
        return beside.agreement_page(self.desk, self.hip, today=TODAY)

    def rows(self) -> dict[str, Any]:
        return {row.key: row for row in self.agreement().rows}

    def scale_by(self, ball_mm: float) -> None:
        with self.desk.store.session() as session:
            kept = film_row(session, self.film).scale_inputs["ball"]
        circle = tuple(kept["circle"])
        given = ScaleIn(kind="ball", circle=circle, circle_sd_px=0.1, diameter_mm=ball_mm, settle=True)
        films.set_scale(self.desk, self.film, given, self.hip, **WHO)

    def scene(self):
        return scene_of(self.desk, self.hip, today=TODAY)


def _filmed(case: Case, spec: PhantomSpec) -> Both:
    """The hip of a case with an AP film of a phantom, read."""
    film = FilmSpec(rows=860, columns=860, pixel_mm=0.5)
    who = PhantomCase(
        number="PH-001",
        name="PHANTOM^SIMULATED",
        birth_date=date(1988, 4, 12),
        sex="M",
        studies=(PhantomStudy(FILMED, spec, (CaseFilm(film),)),),
    )
    (file,) = case_files(who)
    (line,) = bring(case.desk, [(file.path, file.data)])
    assert (line.outcome, line.hip_id) == ("imported", case.hip), line.says
    assert line.film_id is not None
    reading = perfect_reading_json(file.film.truth, "ap_pelvis") | {"ball_mm": film.ball_mm}
    read_film(case.desk, line.film_id, "left", reading, SignsIn(film_abnormal=True), NOW)
    return Both(case.desk, case.scan, case.hip, line.film_id, file.film.truth)


@pytest.fixture(scope="module")
def both(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Both]:
    """Film and scan of one phantom that lay alike for both."""
    made = _filmed(own_case(tmp_path_factory), WITH_CYST)
    yield made
    made.desk.close()


@pytest.fixture(scope="module")
def turned(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Both]:
    """The same anatomy, filmed with the leg turned out by 25 degrees."""
    spec = replace(WITH_CYST, left=replace(WITH_CYST.left, internal_rotation_deg=-25.0))
    made = _filmed(own_case(tmp_path_factory), spec)
    yield made
    made.desk.close()


def _on_film(truth: dict[str, Any], key: str) -> float:
    return float(truth["film_measures"]["each_side"]["L"][key])


def _out_of_plane_deg(truth: dict[str, Any]) -> float:
    """How far the neck, seen along the shaft, stands out of the film's plane: the plane is square to LPS y."""
    neck, shaft = np.array(truth["neck_axis_lps"]), np.array(truth["shaft_axis_lps"])
    across = neck - (neck @ shaft) * shaft
    return float(np.degrees(np.arctan2(abs(across[1]), np.hypot(across[0], across[2]))))


# ---- side by side


def test_each_measure_stands_beside_the_other_and_both_hold_their_own_truth(both: Both):
    page, scan, film = both.agreement(), with_cyst().truth, both.truth
    rows = {row.key: row for row in page.rows}
    assert set(rows) == MOST
    for key, row in rows.items():
        assert row.scan.low <= scan[key] <= row.scan.high, key
        assert row.film.low <= _on_film(film, key) <= row.film.high, key
        assert row.difference.value == pytest.approx(row.film.value - row.scan.value, abs=0.06), key  # as rounded
        apart = _on_film(film, key) - scan[key]
        assert row.difference.low <= apart <= row.difference.high, key
        assert row.explained.low <= apart <= row.explained.high, key
    assert "Nothing is left beyond the readings' errors" in page.says
    assert "confirmed by the scan" in rows["head_diameter_mm"].says


def test_a_leg_turned_out_on_the_film_is_explained_by_projection_and_rotation(both: Both, turned: Both):
    true = _out_of_plane_deg(turned.truth)
    assert true > 30.0
    assert _out_of_plane_deg(both.truth) < 5.0
    rows, scan = turned.rows(), with_cyst().truth
    # Central rays meet a neck turned and a shaft flexed on that table: the phantom's own geometry projects them.
    apart = {key: _on_film(turned.truth, key) - scan[key] for key in MOST}
    assert apart["femoral_offset_mm"] < -10.0
    assert apart["neck_shaft_angle_deg"] > 10.0
    offset, angle = rows["femoral_offset_mm"], rows["neck_shaft_angle_deg"]
    assert offset.difference.value == pytest.approx(apart["femoral_offset_mm"], abs=NEAR_MM)
    assert offset.explained.value == pytest.approx(apart["femoral_offset_mm"], abs=NEAR_MM)
    assert offset.explained.high < 0.0
    assert angle.difference.value == pytest.approx(apart["neck_shaft_angle_deg"], abs=0.5)
    assert angle.explained.low < apart["neck_shaft_angle_deg"] < angle.explained.high
    assert angle.explained.low > 0.0
    said = re.search(r"([+-][\d.]+) mm by a neck (\d+) deg out of the film's plane and ([+-][\d.]+) mm by", offset.says)
    assert said is not None, offset.says
    projection, neck, scale = (float(value) for value in said.groups())
    assert neck == pytest.approx(true, abs=5.0)  # two unknowns from two numbers, pulled by their priors
    assert projection == pytest.approx(offset.explained.value - scale, abs=0.1)  # as rounded
    assert abs(scale) < NEAR_MM
    assert "within the errors of both readings" in offset.says
    # A head is a ball from everywhere.
    assert abs(rows["head_diameter_mm"].difference.value) < NEAR_MM


def test_a_ball_of_another_size_than_was_typed_is_told_by_the_head(both: Both):
    right = both.rows()
    both.scale_by(27.0)  # it is 25: every length on the film becomes 8 % larger, and no angle
    try:
        wrong = both.rows()
    finally:
        both.scale_by(25.0)
    by = 0.08 * right["head_diameter_mm"].film.value
    head = wrong["head_diameter_mm"]
    assert head.difference.value - right["head_diameter_mm"].difference.value == pytest.approx(by, abs=0.05)
    assert head.explained.value == pytest.approx(head.difference.value, abs=0.05)
    assert head.explained.low > 0.0
    said = re.search(r"film's head is ([\d.]+) % larger than the scan's", head.says)
    assert said is not None, head.says
    assert float(said[1]) == pytest.approx(8.0, abs=1.0)  # the scan's own head errs by a few tenths of a millimetre
    offset = wrong["femoral_offset_mm"]
    scale = re.search(r"([+-][\d.]+) mm by the film's scale", offset.says)
    assert scale is not None, offset.says
    assert float(scale[1]) == pytest.approx(0.08 * right["femoral_offset_mm"].film.value, abs=0.3)
    assert offset.explained.value - right["femoral_offset_mm"].explained.value == pytest.approx(
        float(scale[1]), abs=0.3
    )
    assert wrong["neck_shaft_angle_deg"].film.value == pytest.approx(right["neck_shaft_angle_deg"].film.value, abs=1e-6)
    assert both.rows()["head_diameter_mm"].film == right["head_diameter_mm"].film


def test_without_the_film_there_is_nothing_beside_the_scan_and_it_says_so(both: Both):
    films.use_film(both.desk, both.hip, both.film, False, **WHO)
    try:
        page = both.agreement()
        assert (page.rows, "nothing to hold the scan against" in page.says) == ([], True)
    finally:
        films.use_film(both.desk, both.hip, both.film, True, **WHO)
    assert {row.key for row in both.agreement().rows} == MOST


# ---- planned on the scan, with what only the film knows


@pytest.fixture(scope="module")
def compared(both: Both):
    return compare.comparison(both.desk, both.hip, today=TODAY)


def test_the_comparison_places_parts_in_space_and_takes_leg_and_offset_between_the_sides_from_the_film(both, compared):
    assert re.search(
        r"CT of 9 Nov 2026: millimetres of the scanner.*AP pelvis film of 20 Nov 2026", compared.scale_words
    )
    assert "read an AP film of the pelvis" not in compared.scale_words
    assert [level.placement.level for level in compared.levels] == ["head_surface", "mid_head", "high_neck", "low_neck"]
    assert all(level.placement.space is not None for level in compared.levels)
    scene = both.scene()
    assert (scene.scan is not None, scene.film is not None) == (True, True)
    # Right minus left by the teardrops, as perfect clicks on this film give it.
    legs = scene.measures_of_film["leg_length_difference_mm"]
    assert legs.number == pytest.approx(both.truth["film_measures"]["right_minus_left_mm"], abs=0.1)
    for level in compared.levels:
        lines = {line.number.key: line.number for line in level.lines}
        for name in ("leg_length_remaining_mm", "offset_remaining_mm"):
            assert lines[name].low < lines[name].value < lines[name].high
        # This leg, the left one, is longer than the other by the film, and what the part changes comes on top.
        now_and_change = -legs.number + lines["leg_length_change_mm"].value
        assert lines["leg_length_remaining_mm"].value == pytest.approx(now_and_change, abs=0.1)


def _lines(scene: Any, placement: Any, desk: Desk) -> dict[str, Any]:
    return {line.name: line.measured for line in ground.appraised(scene, placement, desk.catalogue).lines}


def test_a_point_of_the_film_moves_what_is_between_the_sides_and_nothing_that_the_scan_measures(both, compared):
    desk = both.desk
    placement = compare.best_of(desk, both.scene(), CutLevel.MID_HEAD).placement
    before = _lines(both.scene(), placement, desk)
    page = reading_page(desk, both.film, both.hip, who="the phantom's truth")
    state, mm = page.state, both.truth["film_measures"]["mm_per_pixel_at_head"]
    column, row = state.points["left.lesser_trochanter"]
    moved = state.model_copy(update={"points": state.points | {"left.lesser_trochanter": (column, row + 10.0)}})

    def keep(points: Any, base: int) -> int:
        given = ReadingIn(state=points, base_step=base, what="a point moved")
        return keep_reading(desk, both.film, both.hip, given, who="the phantom's truth", now=NOW).step

    step = keep(moved, page.step)
    try:
        after = _lines(both.scene(), placement, desk)
    finally:
        keep(state, step)
    # Ten pixels toward the feet along the film, a little less square to the line of the teardrops.
    longer = after["leg_length_remaining_mm"].number - before["leg_length_remaining_mm"].number
    assert longer == pytest.approx(10.0 * mm, abs=0.02)
    of_film = {"leg_length_remaining_mm", "offset_remaining_mm", "cup_depth_mm", "cup_height_mm"}
    same = [name for name, one in before.items() if one.known and name not in of_film]
    assert len(same) > 12
    for name in same:
        assert after[name].value == before[name].value, name


def test_without_the_film_what_lies_between_the_sides_is_not_known_and_the_rest_stands(both, compared):
    desk = both.desk
    placement = compare.best_of(desk, both.scene(), CutLevel.MID_HEAD).placement
    with_film = _lines(both.scene(), placement, desk)
    films.use_film(desk, both.hip, both.film, False, **WHO)
    try:
        alone = _lines(both.scene(), placement, desk)
    finally:
        films.use_film(desk, both.hip, both.film, True, **WHO)
    for name in ("leg_length_remaining_mm", "offset_remaining_mm"):
        assert with_film[name].known
        assert not alone[name].known
        assert "Read an AP film of the whole pelvis" in alone[name].reason
    for name in ("seat_on_sound_bone_percent", "least_wall_mm", "head_kept_percent", "cut_depth_mm"):
        assert alone[name].value == pytest.approx(with_film[name].value, abs=1e-9)


# ---- signed


@pytest.fixture(scope="module")
def signed(both: Both, compared) -> Both:
    compare.choose(both.desk, both.hip, "mid_head", **WHO)
    found = place.placement_page(both.desk, both.hip, today=TODAY).appraisal.placement
    place.keep_placement(both.desk, both.hip, PlacementSave(placement=found, base_step=0, what="kept"), **WHO)
    wanted = sign.signature_page(both.desk, both.hip, today=TODAY).overrides
    reasons = {one.key: "accepted after looking" for one in wanted}
    given = SignIn(signer="Dr A", side_typed="left", operation_date=OPERATION, reasons=reasons, fall_back=None)
    with pytest.MonkeyPatch.context() as coarse:
        # The sheet's pictures are not looked at here; drawn small they cost little.
        coarse.setattr("headstock.desk.scans.pictures._SIZE_PX", 60)
        coarse.setattr("headstock.desk.scans.pictures._PIXEL_MM", 2.0)
        sign.sign_plan(both.desk, both.hip, given, now=NOW)
    return both


def test_the_planned_film_stands_beside_the_real_one_as_large(signed: Both):
    from PIL import Image

    page = beside.planned_film_page(signed.desk, signed.hip, today=TODAY)
    assert page.film is not None
    assert page.taken == FILMED
    assert page.words.endswith("Beside it: AP pelvis film of 20 Nov 2026.")
    real = Image.open(io.BytesIO(beside.real_film_png(signed.desk, signed.hip, today=TODAY)))
    # 150 mm across and 170 mm down at the hip, in the film's own pixels.
    mm = signed.truth["film_measures"]["mm_per_pixel_at_head"]
    assert real.size == pytest.approx((150.0 / mm, 170.0 / mm), abs=3.0)


def _work(both: Both, today: date = TODAY) -> tuple[str, Any]:
    """Under which heading the work list shows this hip, and what it says is next."""
    page = hips.hips_page(both.desk, find="", today=today)
    ((title, row),) = [(group.title, row) for group in page.groups for row in group.rows if row.hip_id == both.hip]
    assert row.next == hips.hip_page(both.desk, both.hip, today=today).next
    return title, row.next


def _stands(both: Both) -> None:
    title, step = _work(both)
    assert (title, step.title, step.page) == ("Signed", "Print the sheet", "sheet")


@contextmanager
def _changed(both: Both, change: Callable[[Any], None], back: Callable[[Any], None]) -> Iterator[None]:
    """The row of the scan otherwise for a while; the plan stands before and after."""
    _stands(both)
    with both.desk.store.writing() as session:
        change(scan_row(session, both.scan))
    try:
        yield
    finally:
        with both.desk.store.writing() as session:
            back(scan_row(session, both.scan))
    _stands(both)


def test_a_reader_who_sees_the_other_side_takes_a_signed_hip_back_to_work(signed: Both):
    _stands(signed)
    actions.say_side(signed.desk, signed.scan, ScanSideIn(seen="right"), signed.hip, **WHO)
    title, step = _work(signed)
    assert (title, step.title, step.state, step.page) == ("Stopped", "The side does not agree", "stopped", "scan")
    assert step.scan_id == signed.scan
    assert hips.hip_page(signed.desk, signed.hip, today=TODAY).finding == "Stopped: the side does not agree."
    # The guard of the signature and of the print says the same.
    assert not sign.signature_page(signed.desk, signed.hip, today=TODAY).can_sign
    with pytest.raises(GuardError, match=r"plan says left.*says right"):
        sign.signed_sheet(signed.desk, sign.newest_plan(signed.desk, signed.hip), "a4", now=NOW)
    actions.say_side(signed.desk, signed.scan, ScanSideIn(seen="left"), signed.hip, **WHO)
    _stands(signed)


def test_a_scan_whose_side_nobody_vouches_for_takes_a_signed_hip_back_to_work(signed: Both):
    def silent(row: Any) -> None:
        row.side = None

    def left(row: Any) -> None:
        row.side = "left"

    with signed.desk.store.writing() as session:
        use = use_of(session, signed.scan, signed.hip)
        if use is not None:
            session.delete(use)
    with _changed(signed, silent, left):
        title, step = _work(signed)
        assert (title, step.title, step.state) == ("To do", "Say which side this scan shows", "due")


def test_a_scan_grown_too_old_takes_a_signed_hip_back_to_work(signed: Both):
    last_day = date(2027, 5, 8)  # 180 days after the scan, the limit that comes with headstock
    assert (last_day - DAY).days == 180
    assert _work(signed, last_day)[1].title == "Print the sheet"
    title, step = _work(signed, date(2027, 5, 9))
    assert (title, step.title, step.state) == ("Stopped", "The scan is old", "late")
    assert step.detail == "CT of 9 Nov 2026; take a new one"


def test_the_age_is_counted_to_the_day_of_the_operation_when_the_limit_is_drawn_tighter(signed: Both):
    assert (OPERATION - DAY).days == 31

    def limit(days: float) -> None:
        change_limit(signed.desk, "film_age_days", low=None, high=days, source="department", by="Dr A", now=NOW)

    limit(31.0)
    _stands(signed)
    limit(30.0)  # today it is 16 days old, on the day of the operation 31
    try:
        title, step = _work(signed)
        assert (title, step.title) == ("Stopped", "The scan is old")
    finally:
        limit(180.0)
    _stands(signed)


def test_a_scan_that_may_not_be_planned_on_any_more_takes_a_signed_hip_back_to_work(signed: Both):
    with signed.desk.store.session() as session:
        kept = scan_row(session, signed.scan).findings

    def refused(row: Any) -> None:
        row.findings = findings_to_json((*findings_from_json(kept), Finding("mirrored", "refuse", "It is mirrored.")))

    def as_it_was(row: Any) -> None:
        row.findings = kept

    with _changed(signed, refused, as_it_was):
        assert _work(signed)[1].title == "Sign the changed plan"  # on the film, which is read
        films.use_film(signed.desk, signed.hip, signed.film, False, **WHO)
        title, step = _work(signed)
        assert (title, step.title, step.page) == ("Stopped", "This scan cannot be planned on", "scan")
        films.use_film(signed.desk, signed.hip, signed.film, True, **WHO)


def test_a_scan_taken_out_of_its_hip_takes_a_signed_hip_back_to_work(signed: Both):
    _stands(signed)
    actions.use_scan(signed.desk, signed.hip, signed.scan, False, **WHO)
    title, step = _work(signed)
    assert (title, step.title) == ("To do", "Sign the changed plan")
    actions.use_scan(signed.desk, signed.hip, signed.scan, True, **WHO)
    _stands(signed)


def test_a_newer_scan_takes_a_signed_hip_back_to_work(signed: Both):
    _stands(signed)
    (line,) = bring(signed.desk, series_files(small(), Sender(taken="20261123", uid=5)), signed.hip)
    title, step = _work(signed)
    assert (title, step.title, step.scan_id) == ("To do", "Find the bone in the CT", line.scan_id)
    actions.use_scan(signed.desk, signed.hip, line.scan_id, False, **WHO)
    _stands(signed)


def test_a_film_of_the_plan_that_contradicts_takes_a_signed_hip_back_to_work(signed: Both):
    _stands(signed)
    with signed.desk.store.writing() as session:
        film_row(session, signed.film).side_letter = None
    title, step = _work(signed)
    assert (title, step.title, step.film_id) == ("To do", "Confirm the side letter", signed.film)
    films.confirm_side(signed.desk, signed.film, SideLetterIn(seen="both", columns_to_left=True), signed.hip, **WHO)
    _stands(signed)

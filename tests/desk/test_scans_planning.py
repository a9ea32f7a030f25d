"""One hip planned on its scan alone: outlines corrected, calibrated, cut dragged, placed, signed, printed, stopped."""

import json
import struct
import sys
from datetime import date
from pathlib import Path

import numpy as np
import pytest

from headstock.desk import compare, ground, hips, place, sign
from headstock.desk.desk import open_desk
from headstock.desk.limits import limits_shipped
from headstock.desk.pages import PlacementSave, SignIn, TargetIn
from headstock.desk.scan_pages import CalibrationIn, CutIn, EditIn, EditsIn, ScanSideIn
from headstock.desk.scans import actions, beside, page, stock, volumes
from headstock.desk.scans.plain import findings_from_json, findings_to_json
from headstock.desk.scans.reading import outlines_of, scan_scene
from headstock.desk.scene import scene_of
from headstock.errors import CalibrationError, GuardError, RecordError, TooFewError
from headstock.images.scan import Finding
from headstock.records import StepConflictError
from headstock.records.people import hip_of
from headstock.records.plans import plan as plan_row
from headstock.records.scans import scan as scan_row

sys.path.insert(0, str(Path(__file__).parent))
from scan_case import NOW, TODAY, Case, case_of, with_cyst

WHO = {"who": "A", "now": NOW}
SIGN = SignIn(signer="Dr A", side_typed="left", operation_date=date(2026, 12, 10), reasons={}, fall_back=None)


@pytest.fixture(scope="module")
def case(tmp_path_factory: pytest.TempPathFactory) -> Case:
    return case_of(tmp_path_factory)


def _row(case: Case):
    with case.desk.store.session() as session:
        return scan_row(session, case.scan)


def _edits(base: int, points, tool="brush", label="femur", radius=6.0) -> EditsIn:
    edit = EditIn(tool=tool, label=label, points=points, radius_mm=radius)
    return EditsIn(edits=[edit], base_step=base, what="brush")


def test_the_page_gives_the_phantoms_own_measures_and_says_it_is_not_calibrated(case):
    found, truth = page.scan_page(case.desk, case.scan, case.hip, today=TODAY), with_cyst().truth
    assert found.plannable
    assert found.segmentation.state == "found"
    assert found.calibration.state == "none"
    assert "only ratios" in found.calibration.words
    shown = {one.key: one for one in found.numbers}
    for key in ("head_diameter_mm", "neck_shaft_angle_deg"):
        assert shown[key].low <= truth[key] <= shown[key].high
    (head,) = [marker for marker in found.markers if marker.key == "head"]
    assert np.linalg.norm(np.array(head.points[0]) - truth["head_centre_lps_mm"]) < 1.0


def test_bytes_have_the_promised_size_and_layout(case):
    grid = page.scan_page(case.desk, case.scan, case.hip, today=TODAY).grid
    voxels = grid.slices * grid.rows * grid.columns
    grey, _ = volumes.grey_bytes(case.desk, case.scan, case.hip)
    labels, tag = volumes.label_bytes(case.desk, case.scan, case.hip)
    assert (len(grey), len(labels)) == (2 * voxels, voxels)
    levels = np.frombuffer(labels, np.uint8).reshape(grid.slices, grid.rows, grid.columns)
    values = np.frombuffer(grey, "<i2").reshape(levels.shape)
    assert set(np.unique(levels)) == {0, 1, 2, 3, 4}
    # By voxel the same grey levels as the phantom: the grid is its own, here or a crop of it.
    centre = np.round((np.array(with_cyst().truth["lesion"]["centre_lps_mm"]) - grid.origin) / grid.spacing).astype(int)
    c, r, s = centre
    assert levels[s, r, c] == 3
    c0, r0, s0 = np.round(with_cyst().grid.index(np.array(grid.origin) + centre * np.array(grid.spacing))).astype(int)
    assert values[s, r, c] == with_cyst().values[s0, r0, c0]
    mesh, mesh_tag = volumes.part_bytes(case.desk, case.scan, case.hip, "femur")
    v, f = struct.unpack("<II", mesh[:8])
    assert len(mesh) == 8 + 12 * v + 12 * f + 4 * v
    corners = np.frombuffer(mesh, "<f4", 3 * v, 8).reshape(-1, 3)
    faces = np.frombuffer(mesh, "<u4", 3 * f, 8 + 12 * v).reshape(-1, 3)
    assert faces.max() == v - 1
    a, b, d = (corners[faces[:, i]].astype(float) for i in range(3))
    assert np.einsum("ij,ij->i", a, np.cross(b, d)).sum() / 6 > 0.0  # outward on a left hip too: a volume, not a hole
    assert tag != mesh_tag
    with pytest.raises(RecordError, match="no part called"):
        volumes.part_bytes(case.desk, case.scan, case.hip, "skull")


def test_a_brush_step_is_kept_undone_and_redone_and_the_same_steps_give_the_same_labels(case):
    truth = with_cyst().truth
    before = outlines_of(case.desk, _row(case), case.hip)
    tag = volumes.working_version(case.desk, _row(case), case.hip)
    step = page.scan_page(case.desk, case.scan, case.hip, today=TODAY).segmentation.step
    pole = np.array(truth["head_centre_lps_mm"]) + 0.5 * truth["head_diameter_mm"] * np.array(truth["neck_axis_lps"])
    kept = actions.keep_edits(case.desk, case.scan, case.hip, _edits(step, [tuple(pole)]), **WHO)
    assert (kept.segmentation.step, kept.segmentation.can_undo, kept.segmentation.last_edit) == (
        step + 1,
        True,
        "brush",
    )
    assert kept.volume_version != tag
    assert kept.box is not None
    assert all(low <= high for low, high in zip(*kept.box, strict=True))
    after = outlines_of(case.desk, _row(case), case.hip)
    assert after.seg.femur.sum() > before.seg.femur.sum()
    with pytest.raises(StepConflictError):
        actions.keep_edits(case.desk, case.scan, case.hip, _edits(step, [tuple(pole)]), **WHO)
    # A restart has nothing in memory: the steps are applied to the found outlines again.
    case.desk.hips._kept.clear()
    again = outlines_of(case.desk, _row(case), case.hip)
    assert again is not after
    np.testing.assert_array_equal(again.seg.bones, after.seg.bones)
    assert again.mark == after.mark
    back = actions.move_edits(case.desk, case.scan, case.hip, "undo", **WHO)
    assert back.volume_version == tag
    np.testing.assert_array_equal(outlines_of(case.desk, _row(case), case.hip).seg.bones, before.seg.bones)
    forth = actions.move_edits(case.desk, case.scan, case.hip, "redo", **WHO)
    assert forth.volume_version == kept.volume_version
    actions.move_edits(case.desk, case.scan, case.hip, "undo", **WHO)


def test_an_edit_that_lacks_what_its_tool_needs_is_refused_and_nothing_is_kept(case):
    step = page.scan_page(case.desk, case.scan, case.hip, today=TODAY).segmentation.step
    for given in (_edits(step, [(0.0, 0.0, 0.0)], radius=None), EditsIn(edits=[], base_step=step, what="x")):
        with pytest.raises((TooFewError, RecordError)):
            actions.keep_edits(case.desk, case.scan, case.hip, given, **WHO)
    assert page.scan_page(case.desk, case.scan, case.hip, today=TODAY).segmentation.step == step


@pytest.mark.parametrize(
    ("given", "says"),
    [
        (CalibrationIn(kind="typed", slope=0.8, source="phantom"), "near 0.0008"),
        (CalibrationIn(kind="typed", source="phantom"), "missing"),
        (CalibrationIn(kind="typed", slope=0.0008, source="  "), "where this line comes from"),
        (CalibrationIn(kind="rods"), "densities of the rods"),
    ],
)
def test_a_calibration_that_cannot_be_true_is_refused(case, given, says):
    with pytest.raises(CalibrationError, match=says):
        actions.calibrate(case.desk, case.scan, given, case.hip, **WHO)
    assert (_row(case).calibration or {}) == {}


def test_typed_calibration_gives_grams_and_none_takes_them_away_again(case):
    bare = scan_scene(case.desk, _row(case), case.hip, limits_shipped())
    assert bare.stock.density_unit == "1"
    typed = CalibrationIn(kind="typed", slope=0.0008, offset=0.01, source="phantom of the scanner, 9 Nov 2026")
    found = actions.calibrate(case.desk, case.scan, typed, case.hip, **WHO)
    assert found.calibration.state == "typed"
    calibrated = scan_scene(case.desk, _row(case), case.hip, limits_shipped())
    assert calibrated.stock.density_unit == "g/cm3"
    assert calibrated.basis != bare.basis
    assert calibrated.stock.sound_from_mm.value == pytest.approx(bare.stock.sound_from_mm.number, abs=0.5)
    assert (
        actions.calibrate(case.desk, case.scan, CalibrationIn(kind="none"), case.hip, **WHO).calibration.state == "none"
    )


def test_the_side_of_a_silent_header_needs_a_reader_and_a_contradiction_stops(case):
    with case.desk.store.writing() as session:
        scan_row(session, case.scan).side = None
    try:
        found = page.scan_page(case.desk, case.scan, case.hip, today=TODAY)
        assert not found.side_confirmed
        assert hips.hip_page(case.desk, case.hip, today=TODAY).next.title == "Say which side this scan shows"
        assert not actions.say_side(case.desk, case.scan, ScanSideIn(seen="right"), case.hip, **WHO).side_confirmed
        assert hips.hip_page(case.desk, case.hip, today=TODAY).next.title == "The side does not agree"
        assert actions.say_side(case.desk, case.scan, ScanSideIn(seen="left"), case.hip, **WHO).side_confirmed
    finally:
        with case.desk.store.writing() as session:
            scan_row(session, case.scan).side = "left"


@pytest.fixture(scope="module")
def planned(case: Case) -> Case:
    compare.choose(case.desk, case.hip, "high_neck", **WHO)
    found = place.placement_page(case.desk, case.hip, today=TODAY).appraisal.placement
    with case.desk.store.session() as session:
        step = hips.gather(session, case.hip, limits_shipped(), TODAY).placement
    base = 0 if step is None else step.step
    place.keep_placement(case.desk, case.hip, PlacementSave(placement=found, base_step=base, what="kept"), **WHO)
    return case


def _sign(case: Case, **changes):
    wanted = sign.signature_page(case.desk, case.hip, today=TODAY).overrides
    reasons = {one.key: "accepted after looking" for one in wanted}
    return sign.sign_plan(case.desk, case.hip, SIGN.model_copy(update={"reasons": reasons} | changes), now=NOW)


def test_the_stock_page_shows_anatomys_own_numbers(planned):
    found = stock.stock_page(planned.desk, planned.hip, today=TODAY)
    profile = scan_scene(planned.desk, _row(planned), planned.hip, limits_shipped()).stock
    assert found.sound_from.value == profile.sound_from_mm.value
    np.testing.assert_allclose([row.depth_mm for row in found.rows], profile.depth_mm, atol=5e-4)
    np.testing.assert_allclose([row.sound_mm2[0] for row in found.rows], np.nan_to_num(profile.sound_mm2[0]), atol=5e-4)
    assert "not calibrated" in found.density_words
    assert [one.level for one in found.levels] == ["head_surface", "mid_head", "high_neck", "low_neck"]


def test_a_dragged_cut_is_held_at_its_depth_with_intervals_and_kept_only_when_asked(planned):
    with planned.desk.store.session() as session:
        before = hips.gather(session, planned.hip, limits_shipped(), TODAY).placement.step
    for depth in (31.0, 33.0):
        moved = stock.drag_cut(planned.desk, planned.hip, CutIn(level="high_neck", depth_mm=depth), **WHO)
        assert moved.depth.value == pytest.approx(depth, abs=0.05)
        assert moved.depth.low < moved.depth.value < moved.depth.high
        assert all(line.number.low is not None for line in moved.lines if line.number.value is not None)
    with planned.desk.store.session() as session:
        assert hips.gather(session, planned.hip, limits_shipped(), TODAY).placement.step == before
    stock.drag_cut(planned.desk, planned.hip, CutIn(level="high_neck", depth_mm=33.0, keep=True), **WHO)
    with planned.desk.store.session() as session:
        kept = hips.gather(session, planned.hip, limits_shipped(), TODAY).placement
    assert kept.step == before + 1


def test_a_hand_sees_values_at_once_and_their_intervals_when_it_rests(planned):
    kept = place.placement_page(planned.desk, planned.hip, today=TODAY).appraisal
    aside = kept.placement.model_copy(update={"space": kept.placement.space.model_copy(update={"y_mm": 1.5})})
    under = place.values_live(planned.desk, planned.hip, aside, today=TODAY)
    rested = place.appraise_live(planned.desk, planned.hip, aside, today=TODAY)
    shown = {line.number.key: line for line in rested.lines if line.number.kind == "measured"}
    values = {one.key: one for one in under.values}
    assert set(shown) <= set(values)
    for key, line in shown.items():
        assert values[key].value == pytest.approx(line.number.value, rel=1e-5, abs=1e-6)
        assert line.number.low <= line.number.value <= line.number.high
        if line.limit is not None and line.limit.state in ("within", "outside"):
            assert values[key].state == line.limit.state
    assert (under.placement, under.space, under.binding) == (aside, rested.space, rested.binding)
    assert place.placement_page(planned.desk, planned.hip, today=TODAY).appraisal.placement == kept.placement


def test_a_change_by_another_program_is_seen_at_once(planned):
    before = scene_of(planned.desk, planned.hip, today=TODAY)
    assert scene_of(planned.desk, planned.hip, today=TODAY) is before
    other = open_desk(planned.desk.store.folder)
    try:
        place.set_target(other, planned.hip, TargetIn(leg_mm=4.0, offset_mm=0.0), **WHO)
    finally:
        other.close()
    assert scene_of(planned.desk, planned.hip, today=TODAY).targets.leg_length_difference_mm == 4.0
    place.set_target(planned.desk, planned.hip, TargetIn(leg_mm=0.0, offset_mm=0.0), **WHO)
    assert scene_of(planned.desk, planned.hip, today=TODAY).targets.leg_length_difference_mm == 0.0


def test_a_place_on_films_means_nothing_on_a_scan(planned):
    scene = scene_of(planned.desk, planned.hip, today=TODAY)
    placement, _ = place.current_placement(planned.desk, scene)
    on_film = type(placement)(
        **{name: None if name == "space" else getattr(placement, name) for name in placement.__dataclass_fields__}
    )
    with pytest.raises(GuardError, match=r"planned on a scan.*made on films"):
        ground.appraised(scene, on_film, planned.desk.catalogue)


def test_a_hip_with_a_scan_alone_is_signed_with_what_it_rests_on_and_printed_again(planned):
    signed = _sign(planned).plan
    with planned.desk.store.session() as session:
        text = plan_row(session, signed.plan_id).payload
    payload = text if isinstance(text, dict) else json.loads(text)
    assert payload["scan"]["scan_id"] == planned.scan
    assert payload["scan"]["content_sha256"] == _row(planned).content_sha256
    assert isinstance(payload["scan"]["outlines_step"], int)
    assert payload["scan"]["calibration"] == {}
    first = sign.signed_sheet(planned.desk, signed.plan_id, "a4", now=NOW)
    assert first[:5] == b"%PDF-"
    assert sign.signed_sheet(planned.desk, signed.plan_id, "letter", now=NOW)[:5] == b"%PDF-"
    assert hips.hip_page(planned.desk, planned.hip, today=TODAY).next.title == "Print the sheet"
    # A correction makes the signed plan stale; taking it back makes it stand again.
    step = page.scan_page(planned.desk, planned.scan, planned.hip, today=TODAY).segmentation.step
    centre = tuple(with_cyst().truth["lesion"]["centre_lps_mm"])
    actions.keep_edits(planned.desk, planned.scan, planned.hip, _edits(step, [centre], label="lesion"), **WHO)
    assert hips.hip_page(planned.desk, planned.hip, today=TODAY).next.title == "Sign the changed plan"
    actions.move_edits(planned.desk, planned.scan, planned.hip, "undo", **WHO)


@pytest.mark.parametrize(
    ("code", "says"),
    [
        ("metal", "Metal disturbs the hip."),
        ("missing_slices", "Slices are missing."),
        ("mirrored", "This volume is mirrored."),
    ],
)
def test_scan_unfit_metal_missing_slices_or_a_mirrored_volume_is_never_signed(planned, code, says):
    kept = _row(planned).findings
    with planned.desk.store.writing() as session:
        every = (*findings_from_json(kept), Finding(code, "refuse", says))
        scan_row(session, planned.scan).findings = findings_to_json(every)
    try:
        assert not sign.signature_page(planned.desk, planned.hip, today=TODAY).can_sign
        with pytest.raises((GuardError, TooFewError, RecordError)):
            sign.sign_plan(planned.desk, planned.hip, SIGN, now=NOW)
    finally:
        with planned.desk.store.writing() as session:
            scan_row(session, planned.scan).findings = kept


def test_stale_images_a_scan_older_than_the_limit_at_the_operation_is_not_signed(planned):
    old = _row(planned).taken
    with planned.desk.store.writing() as session:
        scan_row(session, planned.scan).taken = date(2023, 1, 1)
    try:
        with pytest.raises(GuardError, match=r"will be .* days old"):
            _sign(planned)
    finally:
        with planned.desk.store.writing() as session:
            scan_row(session, planned.scan).taken = old


def test_wrong_side_a_scan_that_names_the_other_hip_is_not_signed(planned):
    with planned.desk.store.writing() as session:
        scan_row(session, planned.scan).side = "right"
    actions.use_scan(planned.desk, planned.hip, planned.scan, True, **WHO)
    try:
        with pytest.raises(GuardError, match=r"plan says left.*says right"):
            _sign(planned)
    finally:
        with planned.desk.store.writing() as session:
            scan_row(session, planned.scan).side = "left"


def test_without_a_film_the_agreement_says_so_and_the_planned_film_shows_metal_where_bone_was(planned):
    assert "nothing to hold the scan against" in beside.agreement_page(planned.desk, planned.hip, today=TODAY).says
    scene = scene_of(planned.desk, planned.hip, today=TODAY)
    placement, _ = place.current_placement(planned.desk, scene)
    from headstock.desk.scans.pictures import planned_grey

    before, after = (planned_grey(scene, one, planned.desk.catalogue) for one in (None, placement))
    # Straight above the film's ray through the hip: head centre, to the size of a pixel at the hip.
    row, column = round(52.0 / after.mm_per_px), after.grey.shape[1] // 2
    assert after.grey[row, column] == 255
    assert after.grey[row, column] > before.grey[row, column]
    assert (after.grey[row + 20 :, :20] == before.grey[row + 20 :, :20]).all()


def test_the_other_hip_of_the_patient_has_no_stock_profile(case):
    with case.desk.store.session() as session:
        other = hip_of(session, scan_row(session, case.scan).patient_id, "right").id
    with pytest.raises(TooFewError, match="no scan of it was read"):
        stock.stock_page(case.desk, other, today=TODAY)

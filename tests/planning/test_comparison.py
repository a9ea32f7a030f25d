"""The comparison: what it says first, what each level shows, and that it ranks nothing."""

import json
import tomllib
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest
from invented_hip import RADIUS, make_hip

import headstock
from headstock.anatomy import Fact, HipFacts, RawSigns
from headstock.implants import Catalogue, CutLevel
from headstock.measured import normal
from headstock.planning.comparison import compare, course_of
from headstock.planning.limits import parse_limits
from headstock.planning.prepared import prepare

approx = pytest.approx
LIMITS = parse_limits(tomllib.loads((Path(headstock.__file__).parent / "desk" / "limits.toml").read_text("utf-8")))
CATALOGUE = Catalogue.load()
EARLY = RawSigns(film_abnormal=True, sclerosis_or_cysts=True, crescent=False, flattening=False)
FACTS = HipFacts(renal_disease=Fact(True, date(2026, 1, 5), "letter of the nephrologist"))
QUIET = {"centre": 0.05, "radius": 0.05, "angle": 0.2, "scale": 0.002, "outline": 0.05, "rim": 0.1}
LARGE = prepare(make_hip(draws=200, lesion_radius=12.0, lesion_depth=14.0, sds=QUIET))
FOUND = compare(LARGE, FACTS, EARLY, CATALOGUE, LIMITS)


def test_the_usual_course_of_an_early_stage_is_said_before_any_level():
    assert FOUND.usual_course.preserves_head is True
    assert "joint-preserving surgery is usual" in FOUND.usual_course.text
    assert list(FOUND.to_json())[:3] == ["finding", "usual_course", "cautions"]


def test_after_collapse_beyond_the_last_window_arthroplasty_is_the_usual_course():
    # Zhang, Chin Med J 2018: above 2 mm arthroplasty is preferred.
    late = RawSigns(crescent=True, flattening=True, depression_mm=3.0)
    assert course_of(late, LIMITS).preserves_head is False


def test_a_depression_that_the_film_cannot_tell_from_two_mm_says_so():
    late = RawSigns(crescent=True, flattening=True, depression_mm=2.4)
    course = course_of(late, LIMITS, collapse_depth=normal(2.4, 0.5, "mm", "film"))
    assert course.preserves_head is None
    assert "cannot be told from 2 mm" in course.text


def test_an_unknown_stage_is_not_guessed():
    assert course_of(None, LIMITS).preserves_head is None
    assert "Record the signs" in course_of(None, LIMITS).text


def test_levels_come_in_the_order_of_anatomy_and_every_one_is_there():
    assert [entry.level for entry in FOUND.levels] == list(CutLevel)


def test_a_large_lesion_leaves_the_cap_on_dead_bone_and_lower_seats_on_sound_bone():
    cap = FOUND.level(CutLevel.HEAD_SURFACE).appraisal.line("seat_on_sound_bone_percent").measured
    assert cap.high < 95.0
    assert FOUND.finding == "From mid-head down, the seat stands on sound bone."


def test_the_finding_names_the_depth_when_no_seat_is_sure():
    wide = prepare(make_hip(draws=200, lesion_radius=12.0, sds=QUIET | {"outline": 5.0}))
    finding = compare(wide, None, None, CATALOGUE, LIMITS).finding
    assert "cannot tell" in finding or "not sure" in finding


def test_without_dead_bone_the_finding_says_that_fit_alone_judges():
    plain = compare(make_hip(lesion=False, draws=60), None, None, CATALOGUE, LIMITS)
    assert plain.finding == "No dead bone is outlined, so every seat is judged by its fit alone."
    assert not plain.sound_bone_start.known


def test_counts_are_counts_of_lines():
    for entry in FOUND.levels:
        counts = entry.appraisal.counts()
        assert sum(counts.values()) == len(entry.appraisal.lines)


def test_cautions_come_with_source_and_stand_at_the_levels_they_speak_of():
    assert any("Renal" in caution.text for caution in FOUND.cautions)
    assert all(caution.source for caution in FOUND.cautions)
    renal = {e.level for e in FOUND.levels if any("Renal" in c.text for c in e.cautions)}
    assert renal == {CutLevel.HEAD_SURFACE, CutLevel.MID_HEAD}


def test_nothing_is_ranked_scored_or_recommended():
    words = json.dumps(FOUND.to_json()).lower()
    for word in ("recommend", "score", "rank", "best"):
        assert word not in words, word


def test_the_fallback_is_the_next_deeper_level_with_a_placement():
    assert FOUND.fallback(CutLevel.MID_HEAD).level is CutLevel.HIGH_NECK
    assert FOUND.fallback(CutLevel.LOW_NECK) is None


def test_deeper_levels_keep_less_and_less_of_the_head():
    kept = [entry.appraisal.line("head_kept_percent").measured.number for entry in FOUND.levels]
    assert kept == sorted(kept, reverse=True)
    assert kept[-1] == 0.0


# --- pictures


def test_the_picture_puts_the_pole_at_zero_depth_and_the_cut_at_its_depth():
    for entry in FOUND.levels:
        picture = entry.drawing.ap
        assert picture.bone[:, 1].min() == approx(0.0, abs=0.05)
        middle = picture.cut[:, 1].mean()
        depth = entry.appraisal.line("cut_depth_mm").measured.number
        # The cut is square to the component, whose axis stands some degrees off the neck's.
        assert middle == approx(depth, abs=2.5)
        assert picture.cut[0, 0] < 0 < picture.cut[1, 0]


def test_seat_runs_cover_the_whole_seat_and_agree_with_the_number():
    cap = FOUND.level(CutLevel.HEAD_SURFACE)
    runs = [run for view in (cap.drawing.ap, cap.drawing.lateral) for run in view.seat]

    def length(runs):
        return sum(float((((r.points[1:] - r.points[:-1]) ** 2).sum(axis=1) ** 0.5).sum()) for r in runs)

    share = 100.0 * length([r for r in runs if r.sound]) / length(runs)
    assert share == approx(cap.appraisal.line("seat_on_sound_bone_percent").measured.number, abs=4.0)


def test_removed_bone_lies_above_the_cut_for_a_seated_part():
    picture = FOUND.level(CutLevel.LOW_NECK).drawing.ap
    assert len(picture.removed) == 1
    assert picture.removed[0][:, 1].max() <= picture.cut[:, 1].max() + 0.01


def test_film_outlines_are_those_of_the_neck_frame():
    entry = FOUND.level(CutLevel.MID_HEAD)
    film = entry.drawing.ap.film_mm["component"]
    assert LARGE.ap.source.to_neck(film, nominal=True)[:, ::-1] == approx(entry.drawing.ap.component, abs=1e-6)


# --- guide wire and cut height


def test_a_wire_along_the_neck_enters_at_the_summit():
    from dataclasses import replace

    from headstock.planning.wire import guide

    placed = FOUND.level(CutLevel.MID_HEAD).appraisal.placement
    x, z = LARGE.ap.source.from_neck([[25.0, 0.0]])[0]
    along = replace(
        placed, pose=replace(placed.pose, x_mm=x, z_mm=z, ap_angle_deg=36.0, y_mm=0.0, lateral_angle_deg=0.0)
    )
    found = guide(LARGE, along, CATALOGUE)
    assert found.entry_from_summit_mm.number == approx(0.0, abs=1e-6)
    assert found.entry_from_summit_front_mm.number == approx(0.0, abs=1e-6)
    assert found.wire_to_shaft_deg.number == approx(126.0)
    assert found.cut_to_neck_deg.number == approx(90.0)
    # Shifted 4 mm medially it leaves the circle 4 mm medial of the summit; turned by 5° about the centre, R sin 5°.
    x, z = LARGE.ap.source.from_neck([[25.0, 4.0]])[0]
    beside = guide(LARGE, replace(along, pose=replace(along.pose, x_mm=x, z_mm=z)), CATALOGUE)
    assert beside.entry_from_summit_mm.number == approx(4.0)
    assert beside.in_words()[0] == "toward medial"
    x, z = LARGE.ap.source.from_neck([[RADIUS, 0.0]])[0]
    turned = guide(LARGE, replace(along, pose=replace(along.pose, x_mm=x, z_mm=z, ap_angle_deg=41.0)), CATALOGUE)
    assert turned.entry_from_summit_mm.number == approx(-RADIUS * 0.0871557, abs=1e-3)
    assert turned.in_words()[0] == "toward lateral"


def test_the_ends_of_the_cut_lie_a_ruler_length_from_the_trochanters():
    entry = FOUND.level(CutLevel.LOW_NECK)
    pelvis = LARGE.pelvis
    corners = entry.drawing.ap.film_mm["cut"]
    for corner, mark, name in (
        (0, pelvis.greater_trochanter_mm[0], "cut_to_greater_trochanter_mm"),
        (1, pelvis.lesser_trochanter_mm[0], "cut_to_lesser_trochanter_mm"),
    ):
        expected = float(((corners[corner] - mark) ** 2).sum() ** 0.5)
        assert getattr(entry.guide, name).number == approx(expected, abs=1e-6)


def test_a_landmark_that_was_not_placed_leaves_a_reason():
    found = compare(make_hip(pelvis=False, lateral=False, draws=60), None, None, CATALOGUE, LIMITS)
    hand = found.level(CutLevel.MID_HEAD).guide
    assert "was not placed" in hand.cut_to_lesser_trochanter_mm.reason
    assert "lateral film" in hand.entry_from_summit_front_mm.reason


# --- what a hip surgeon would ask of it


class _Scale:
    mm_per_px, source, row_factor = 0.2, "a test", 1.0

    def draws(self, rng, n):
        return self.mm_per_px * np.concatenate([[1.0], 1.0 + rng.normal(0.0, 0.013, n)])


def _phantom_reading(number):
    from headstock.anatomy import Reading
    from headstock.phantom import perfect_reading_json
    from headstock.phantom.case import random_case
    from headstock.phantom.patient import make_hip_patient
    from headstock.phantom.truth import truth_of_film

    study = random_case(number, 4).studies[-1]
    patient = make_hip_patient(study.spec)
    found = []
    for kept in study.films:
        plain = perfect_reading_json(truth_of_film(patient, kept.film), kept.film.view)
        plain["circles"].pop("marker_ball", None)
        found.append((Reading.from_json(plain), kept.film.columns))
    return found


def _mirrored(reading, columns):
    """The film turned over: the other side's bones under the other side's names."""
    swap = {"left": "right", "right": "left"}

    def key(name):
        side, _, rest = name.partition(".")
        return f"{swap[side]}.{rest}" if side in swap else name

    lateral = reading.view.value == "lateral_hip"
    width = columns - 1
    return replace(
        reading,
        side=reading.side.other,
        points={key(n): (c if lateral else width - c, r) for n, (c, r) in reading.points.items()},
        circles={key(n): (c if lateral else width - c, r, x) for n, (c, r, x) in reading.circles.items()},
        outlines={
            key(n): line if lateral else np.column_stack([width - line[:, 0], line[:, 1]])
            for n, line in reading.outlines.items()
        },
    )


@pytest.mark.parametrize("number", [1, 2])
def test_the_whole_comparison_of_a_mirrored_patient_is_the_same(number):
    from headstock.anatomy import film_hip

    (ap, width), (side, side_width) = _phantom_reading(number)
    mine = compare(film_hip(ap, _Scale(), side, _Scale(), n_draws=60), FACTS, EARLY, CATALOGUE, LIMITS)
    turned = film_hip(_mirrored(ap, width), _Scale(), _mirrored(side, side_width), _Scale(), n_draws=60)
    theirs = compare(turned, FACTS, EARLY, CATALOGUE, LIMITS)
    # Draws come in the order of names, so intervals are alike, not equal: what is compared is the reading itself.
    assert mine.usual_course == theirs.usual_course
    for a, b in zip(mine.levels, theirs.levels, strict=True):
        assert [x.measure for x in a.best.binding] == [x.measure for x in b.best.binding]
        assert a.best.placement.size == b.best.placement.size
        assert a.best.placement.neck_length_mm == b.best.placement.neck_length_mm
        for one, two in zip(a.appraisal.lines, b.appraisal.lines, strict=True):
            assert one.measured.known == two.measured.known, one.name
            if one.measured.known:
                assert one.measured.number == approx(two.measured.number, abs=0.02), one.name
        for x, y in zip(a.drawing.ap.removed, b.drawing.ap.removed, strict=True):
            assert x == approx(y, abs=0.02)


def test_the_comparison_is_the_same_every_time():
    again = compare(LARGE, FACTS, EARLY, CATALOGUE, LIMITS)
    assert json.dumps(again.to_json()) == json.dumps(FOUND.to_json())


def test_what_sound_means_is_said_while_no_limit_is_set_and_not_after():
    assert any(note.startswith("Sound: at least 99 %") for note in FOUND.notes)
    decided = LIMITS.edited("seat_on_sound_bone_percent", "surgeon 1", "a test", low=90.0)
    assert not any(note.startswith("Sound:") for note in compare(LARGE, None, EARLY, CATALOGUE, decided).notes)


def test_signs_that_show_nothing_are_not_called_unrecorded():
    quiet = RawSigns(film_abnormal=False, crescent=False, flattening=False)
    course = course_of(quiet, LIMITS)
    assert course.preserves_head is None
    assert "showing no osteonecrosis" in course.text
    assert "no component is usual" in course.text
    assert "Record the signs" not in course.text
    healthy = replace(quiet, mri_or_scan_positive=False)
    assert "no osteonecrosis in this system" in course_of(healthy, LIMITS).text


@pytest.mark.parametrize(
    ("cause", "quoted"), [("osteoarthritis", True), ("osteonecrosis after a neck fracture", False), ("", False)]
)
def test_a_stage_of_osteonecrosis_beside_another_cause_says_what_it_speaks_of(cause, quoted):
    facts = HipFacts(cause=Fact(cause, date(2026, 1, 5), "clinic")) if cause else None
    text = compare(LARGE, facts, EARLY, CATALOGUE, LIMITS).usual_course.text
    assert ("The stage speaks of osteonecrosis" in text) is quoted
    assert (f"“{cause}”" in text) is quoted


def test_a_neck_that_is_used_up_is_zero_left_not_less():
    line = FOUND.level(CutLevel.LOW_NECK).appraisal.line("neck_left_for_revision_mm").measured
    assert line.number == 0.0
    assert line.low >= 0.0

"""Demo patients, signs and landmarks as the desk serves them."""

import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest

from headstock.anatomy import LANDMARKS, OUTLINES, View
from headstock.desk import compare, demo, hips
from headstock.desk.bringing import bring_bytes
from headstock.desk.desk import open_desk
from headstock.desk.landmarks import landmark_page
from headstock.desk.pages import SignsIn
from headstock.desk.readings import WANTED
from headstock.desk.signs import raw_signs, stage_rows
from headstock.measured import normal

sys.path.insert(0, str(Path(__file__).parent))

NOW = datetime(2026, 11, 25, 9, 42, tzinfo=UTC)


@pytest.mark.slow
def test_the_hip_that_should_not_be_operated_on_comes_read_and_says_so_first(tmp_path):
    desk = open_desk(tmp_path)
    case = demo.demo_patients(NOW.date())[5]
    made = demo.make_films(5, NOW.date())
    lines = list(bring_bytes(desk, [(path, data) for path, data, _ in made], who="A", now=NOW))
    assert [line.outcome for line in lines] == ["imported", "imported"]
    demo.keep_facts(desk, case.number, case.side.value, case.facts, NOW)
    for line, (_, _, truth) in zip(lines, made, strict=True):
        demo.read_film(desk, line.film_id, case.side.value, truth, demo.signs_of(case), NOW)
    page = hips.hips_page(desk, find="ruthie sander", today=NOW.date())
    (row,) = next(group.rows for group in page.groups if group.title == "To do")
    assert (row.person.name, row.side, row.next.title) == ("Ruthie Sandermere", "left", "Compare the cut levels")
    shown = compare.comparison(desk, row.hip_id, today=NOW.date())
    assert shown.first is not None
    assert shown.first.startswith("This hip should wait: an infection is recorded")
    assert any("Infection" in caution.text for caution in shown.cautions)
    desk.close()


def test_signs_go_under_the_names_of_the_anatomy_room_and_what_was_not_looked_at_is_left_out():
    seen = SignsIn(film_abnormal=True, sclerosis=False, cysts=True, flattening=False)
    assert raw_signs(seen) == {"film_abnormal": True, "sclerosis_or_cysts": True, "flattening": False}
    assert raw_signs(None) == {}


def test_stages_come_from_signs_with_the_measured_depth_and_no_stage_without_signs():
    signs = raw_signs(SignsIn(crescent=True, flattening=True))
    rows = {row.system: row.stage for row in stage_rows(signs, normal(2.6, 0.3, "mm", "film"), {})}
    # Yoon et al., J Arthroplasty 2020;35:933: depression above 2 mm is IIIB. Steinberg 1995: 2 to 4 mm is B.
    assert rows["ARCO 2019"] == "IIIB"
    assert rows["Steinberg"] == "IVB"
    assert stage_rows({}, None, {}) == []


def test_published_collapse_counts_are_not_shown_beside_a_hip_that_has_collapsed():
    extent = {"weight_bearing_share": normal(0.9, 0.05, "1", "outlined")}
    (sound,) = stage_rows({}, None, extent)
    # Kuroda, Bone Joint Res 2019;8:451: C1 23.2 % at two years.
    assert "23.2 %" in sound.counts
    fallen = stage_rows({"flattening": True}, None, extent)[-1]
    assert "%" not in fallen.counts


def test_every_point_asked_for_is_a_landmark_of_its_view_and_has_its_place_on_the_schematic():
    page = {mark.key: mark for mark in landmark_page().landmarks}
    for view in View:
        for name, _ in WANTED[view]:
            assert view in LANDMARKS[name].views
            x, y = page[name].pictures[view.value]
            assert 0 <= x <= 1
            assert 0 <= y <= 1
            assert page[name].optional is False


def test_the_traced_lines_a_search_gives_are_outlines_the_reading_knows():
    for name in ("neck_superior", "neck_inferior", "neck_anterior", "neck_posterior", "shaft_medial", "shaft_lateral"):
        assert name in OUTLINES
    for name in ("canal_medial", "canal_lateral"):
        assert name in OUTLINES

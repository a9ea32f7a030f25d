"""Demo patients, signs and landmarks as the desk serves them."""

import sys
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from headstock.anatomy import LANDMARKS, OUTLINES, View
from headstock.desk import compare, demo, hips
from headstock.desk.bringing import Brought, bring_bytes
from headstock.desk.desk import Desk, open_desk
from headstock.desk.landmarks import landmark_page
from headstock.desk.limits import limits_in_force
from headstock.desk.pages import SignsIn
from headstock.desk.readings import WANTED
from headstock.desk.scans.reading import scan_scene
from headstock.desk.signs import raw_signs, stage_rows
from headstock.measured import normal
from headstock.phantom import PhantomCase, beam_of, make_hip_patient, truth_of_patient

sys.path.insert(0, str(Path(__file__).parent))

CYST, SECTOR = 2, 1  # numbers of the demo patients that bring a CT

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


@dataclass(frozen=True, slots=True)
class Here:
    """A demo patient in a record of its own: the films as made, its lines, and what was told meanwhile."""

    desk: Desk
    case: PhantomCase
    films: list[demo.Made]
    lines: list[Brought]
    told: list[tuple[float, str]]

    @property
    def hip_id(self) -> str:
        (scan,) = [line for line in self.lines if line.scan_id is not None]
        assert scan.hip_id is not None
        return scan.hip_id

    def state(self) -> hips.HipState:
        with self.desk.store.session() as session:
            return hips.gather(session, self.hip_id, limits_in_force(self.desk), NOW.date())


def brought(number: int, folder: Path) -> Here:
    desk, case = open_desk(folder), demo.demo_patients(NOW.date())[number]
    films, slices = demo.make_films(number, NOW.date()), demo.make_slices(number, NOW.date())
    told: list[tuple[float, str]] = []
    lines = demo.bring_patient(
        desk, case, films, slices, who="A", now=NOW, tell=lambda share, says: told.append((share, says))
    )
    return Here(desk, case, films, lines, told)


@pytest.fixture(scope="module")
def cyst(tmp_path_factory):
    here = brought(CYST, tmp_path_factory.mktemp("cyst"))
    yield here
    here.desk.close()


def test_two_of_the_six_bring_a_ct_one_with_a_cyst_one_with_a_dead_sector():
    kinds = {}
    for number, case in enumerate(demo.demo_patients(NOW.date())):
        hip = case.studies[-1].spec.hip(case.side)
        if any(study.scan is not None for study in case.studies):
            kinds[number] = (hip.sector is not None, bool(hip.cysts))
        else:
            assert demo.make_slices(number, NOW.date()) == []
    assert kinds == {SECTOR: (True, False), CYST: (False, True)}


@pytest.mark.slow
def test_the_ct_of_the_cyst_comes_in_like_any_export_with_its_bone_found_by_the_program(cyst):
    assert [line.outcome for line in cyst.lines] == ["imported"] * 3
    state = cyst.state()
    assert state.on_scan
    assert state.scan_reading.made_by.startswith("headstock")
    assert state.scan_reading.seed is None
    assert not any(state.is_read(row) for row in state.films)
    page = hips.hip_page(cyst.desk, cyst.hip_id, today=NOW.date())
    assert (page.next.title, page.next.page) == ("Look at the stock", "stock")
    # The way is told while bone is found: onward, in words, to the end.
    shares = [share for share, _ in cyst.told]
    assert len(shares) > 4
    assert shares == sorted(shares)
    assert 0.5 < shares[0] < shares[-1] <= 1.0
    assert all(says for _, says in cyst.told)


@pytest.mark.slow
def test_the_ct_shows_the_hip_that_the_films_show(cyst):
    state, study = cyst.state(), cyst.case.studies[-1]
    scene = scan_scene(cyst.desk, state.scan, cyst.hip_id, limits_in_force(cyst.desk))
    centre = scene.hip.lps(scene.hip.head_centre[0])
    patient = make_hip_patient(study.spec)
    for kept, (_, _, reading) in zip(study.films, cyst.films, strict=True):
        beam = beam_of(patient, kept.film)
        on_film = beam.project(centre)
        column, row, _ = reading["circles"]["right.head"]
        # Half a millimetre in space is 2.4 pixels of 0.25 mm; a ball's circle lies a pixel outward of its centre.
        assert np.hypot(on_film[0] - column, on_film[1] - row) < 4.0
    truth = truth_of_patient(patient)["lesions"]
    assert [part.kind for part in scene.lesion.parts][:1] == ["cyst"]
    largest = max(part.volume_cm3.number for part in scene.lesion.parts)
    assert largest == pytest.approx(truth[0]["volume_mm3"] / 1000.0, rel=0.15)
    assert scene.plannable


@pytest.mark.slow
def test_the_ct_of_the_dead_sector_is_left_to_find_the_bone_in_and_its_films_are_read(tmp_path):
    here = brought(SECTOR, tmp_path)
    assert [line.outcome for line in here.lines] == ["imported"] * 4
    state = here.state()
    assert (state.scan_is_read, state.on_scan) == (False, False)
    assert state.ap is not None
    assert state.is_read(state.ap)
    page = hips.hip_page(here.desk, here.hip_id, today=NOW.date())
    assert (page.next.title, page.next.page) == ("Find the bone in the CT", "scan")
    assert here.told == []
    here.desk.close()


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

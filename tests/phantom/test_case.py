"""Cases as a hospital would export them: valid DICOM, the same every time, with truth that reads back."""

import json
import shutil
import subprocess
from dataclasses import replace
from datetime import date

import numpy as np
import pydicom
import pytest

from headstock.anatomy import Reading
from headstock.anatomy.cautions import HipFacts
from headstock.errors import TooFewError
from headstock.frames import Side
from headstock.images import bright_is_dense, read_film
from headstock.phantom import (
    DEMO_DAY,
    CaseFilm,
    PhantomCase,
    PhantomStudy,
    case_files,
    demo_patients,
    make_hip_patient,
    random_case,
    write_case,
    write_cases,
)


def coarse(case, pixel_mm=1.0):
    """The same case on small films: the files are valid whatever their size, and the suite stays quick."""

    def small(kept):
        share = kept.film.pixel_mm / pixel_mm
        film = replace(
            kept.film, rows=round(kept.film.rows * share), columns=round(kept.film.columns * share), pixel_mm=pixel_mm
        )
        return replace(kept, film=film)

    studies = tuple(replace(s, films=tuple(small(f) for f in s.films)) for s in case.studies)
    return replace(case, studies=studies)


def complaints(path):
    """What `dciodvfy` (Debian dicom3tools) finds wrong; a missing checker is a failure, not a pass."""
    tool = shutil.which("dciodvfy")
    assert tool, "dciodvfy is missing: install Debian's dicom3tools, or valid DICOM is not being checked."
    done = subprocess.run([tool, "-new", str(path)], capture_output=True, text=True, check=False)
    return [line for line in (done.stdout + done.stderr).splitlines() if line.startswith(("Error", "Warning"))]


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    folder = tmp_path_factory.mktemp("demo")
    return {case.number: (case, folder, write_case(coarse(case), folder)) for case in demo_patients()}


def test_every_file_of_the_demo_patients_is_valid_dicom(written):
    paths = [path for _, _, films in written.values() for path in films]
    assert len(paths) == 13
    for path in paths:
        assert complaints(path) == [], path.name


def test_there_are_six_demo_patients_with_the_promised_scenarios():
    cases = demo_patients()
    assert [case.number for case in cases] == [f"DEMO-000{k}" for k in range(1, 7)]
    assert len({case.name for case in cases}) == 6
    early, large, cyst, growth, earlier, leave = cases
    assert early.studies[-1].spec.hip(early.side).sector.collapse_mm == 0.0
    assert large.studies[-1].spec.hip(large.side).sector.half_angle_deg > 50.0
    assert len(large.studies) == 2
    assert cyst.studies[0].spec.hip(cyst.side).cysts
    assert growth.studies[0].spec.hip(growth.side).neck_shortening_mm > 0.0
    assert earlier.studies[0].spec.hip(earlier.side).metal is not None
    assert earlier.facts.previous_surgery.value is True
    assert leave.facts.infection.value is True
    assert not leave.studies[0].spec.hip(leave.side).lesions
    assert {case.side for case in cases} == {Side.LEFT, Side.RIGHT}
    for case in cases:
        assert case.story
        assert HipFacts.from_json(case.facts.to_json()).weight_kg.value == case.facts.weight_kg.value


def test_the_growth_deformity_makes_the_legs_unequal_on_the_film(written):
    _, folder, _ = written["DEMO-0004"]
    truth = json.loads((folder / "DEMO-0004" / "truth.json").read_text())
    assert truth["film_measures"]["right_minus_left_mm"] > 8.0
    assert truth["film_measures"]["each_side"]["L"]["articulo_trochanteric_distance_mm"] < 5.0


def test_demo_days_follow_the_day_they_are_shown():
    day = date(2031, 2, 3)
    moved = demo_patients(day)
    for before, after in zip(demo_patients(DEMO_DAY), moved, strict=True):
        assert (day - after.studies[-1].day) == (DEMO_DAY - before.studies[-1].day)
        assert 0 < (day - after.studies[-1].day).days < 60
        assert after.facts.weight_kg.date == after.studies[-1].day


def test_the_header_says_what_the_film_is_and_no_more(written):
    case, _, films = written["DEMO-0003"]
    pelvis, lateral = (pydicom.dcmread(path) for path in films)
    assert pelvis.PhotometricInterpretation == "MONOCHROME1"
    assert pelvis.PatientID == case.number
    assert pelvis.ImageLaterality == "U"
    assert lateral.ImageLaterality == "R"
    assert list(pelvis.PatientOrientation) == ["L", "F"]
    assert list(lateral.PatientOrientation) == ["H", "P"]
    assert [float(v) for v in pelvis.ImagerPixelSpacing] == [1.0, 1.0]
    assert "PixelSpacing" not in pelvis
    assert "EstimatedRadiographicMagnificationFactor" not in pelvis
    assert pelvis.StudyInstanceUID == lateral.StudyInstanceUID
    assert pelvis.SeriesInstanceUID != lateral.SeriesInstanceUID


def test_an_inverted_film_reads_back_as_the_same_picture():
    case = coarse(random_case(3, 8))
    study = case.studies[0]
    both = []
    for photometric in ("MONOCHROME1", "MONOCHROME2"):
        kept = replace(study.films[0], photometric=photometric)
        (file,) = case_files(replace(case, studies=(replace(study, films=(kept,)),)))
        both.append(bright_is_dense(read_film(file.data)))
        assert read_film(file.data).header.study_date == study.day
    spread = [picture - picture.min() for picture in both]
    assert np.allclose(spread[0], spread[1], atol=1.0)


def test_the_same_case_gives_the_same_bytes():
    case = coarse(random_case(2, 8))
    first = [file.data for file in case_files(case)]
    make_hip_patient.cache_clear()
    assert first == [file.data for file in case_files(coarse(random_case(2, 8)))]
    assert random_case(2, 9) != random_case(2, 8)
    assert random_case(1, 8) != random_case(2, 8)


def test_commissioning_cases_come_with_truth_and_readings_that_load(tmp_path, monkeypatch):
    monkeypatch.setattr("headstock.phantom.case.random_case", lambda n, seed: coarse(random_case(n, seed)))
    cases = list(write_cases(2, 21, tmp_path))
    assert [case.number for case in cases] == ["CASE-0001", "CASE-0002"]
    for case in cases:
        folder = tmp_path / case.number
        assert sorted(p.name for p in folder.iterdir()) == [
            "ap_pelvis.dcm",
            "ap_pelvis_landmarks.json",
            "facts.json",
            "lateral_hip.dcm",
            "lateral_hip_landmarks.json",
            "truth.json",
        ]
        truth = json.loads((folder / "truth.json").read_text())
        assert truth["case"] == case.number
        assert {"film", "lateral_film", "film_measures"} <= set(truth)
        for view in ("ap_pelvis", "lateral_hip"):
            assert complaints(folder / f"{view}.dcm") == []
            reading = Reading.from_json((folder / f"{view}_landmarks.json").read_text())
            assert reading.has(f"{case.side}.head_centre")
        assert Reading.from_json((folder / "lateral_hip_landmarks.json").read_text()).anterior == "up"


def test_a_hundred_commissioning_specs_stay_within_what_the_model_can_stand_for():
    # Cheap part only: drawing the spec; building each would take a minute. Every tenth is built.
    for number in range(1, 101):
        case = random_case(number, 1)
        assert case.studies[0].spec.side in Side
        if number % 10 == 0:
            make_hip_patient(case.studies[0].spec)


def test_a_case_without_films_or_a_count_below_one_is_refused(tmp_path):
    with pytest.raises(TooFewError, match="at least one study"):
        PhantomCase("X", "X", date(1990, 1, 1), "F", ())
    with pytest.raises(TooFewError, match="at least one film"):
        PhantomCase("X", "X", date(1990, 1, 1), "F", (PhantomStudy(DEMO_DAY, random_case(1, 1).studies[0].spec, ()),))
    with pytest.raises(TooFewError, match="0 cases"):
        list(write_cases(0, 1, tmp_path))


def test_a_film_keeps_its_own_file_name_when_it_has_one():
    kept = CaseFilm(random_case(1, 1).studies[0].films[0].film, name="first")
    assert kept.file_name == "first"

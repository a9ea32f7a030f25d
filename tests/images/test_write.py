"""The films we write: valid by an outside checker, and read back as they were."""

import shutil
import subprocess
from datetime import date

import numpy as np
import pydicom
import pytest

from headstock.errors import ImageError
from headstock.frames import Side
from headstock.images.read import read_film
from headstock.images.write import _REGION, _VIEW, DxFacts, uid_from, write_dx

PIXELS = np.random.default_rng(1).integers(0, 4096, (90, 61)).astype(np.uint16)


def facts(**more):
    return DxFacts(
        patient_name="DEMO^ONE",
        patient_number="DEMO-0001",
        birth_date=date(1988, 4, 12),
        sex="F",
        study_date=date(2026, 11, 9),
        series_description="AP PELVIS",
        **more,
    )


@pytest.mark.parametrize("body_part", ["PELVIS", "HIP", "FEMUR"])
@pytest.mark.parametrize("view", ["AP", "PA", "LL", "RL", "LATERAL"])
def test_dciodvfy_finds_nothing_wrong_with_any_view(tmp_path, body_part, view):
    found = _dciodvfy(tmp_path, write_dx(PIXELS, facts(body_part=body_part, view_position=view)))
    assert found == "DXImageForPresentation"


@pytest.mark.parametrize(
    "more",
    [
        {"photometric": "MONOCHROME1"},
        {"laterality": Side.LEFT},
        {"bits_stored": 16, "window": (30000.5, 12000.25)},
        {
            "source_detector_mm": 1150.123456789,
            "source_patient_mm": 1000.0,
            "estimated_magnification": 1.150123456789,
            "imager_pixel_spacing_mm": (1 / 7, 0.2),
        },
        {"birth_date": None},
    ],
    ids=["monochrome1", "left", "16 bits", "distances", "no birth date"],
)
def test_dciodvfy_finds_nothing_wrong_with_any_option(tmp_path, more):
    given = {name: value for name, value in more.items() if name != "birth_date"}
    form = facts(**given)
    if "birth_date" in more:
        form = DxFacts("DEMO^ONE", "DEMO-0001", None, "", date(2026, 11, 9), "AP PELVIS")
    assert _dciodvfy(tmp_path, write_dx(PIXELS, form)) == "DXImageForPresentation"


def test_dciodvfy_accepts_eight_bits_and_an_odd_number_of_pixels(tmp_path):
    data = write_dx((PIXELS[:5, :5] >> 4).astype(np.uint8), facts(bits_stored=8))
    assert _dciodvfy(tmp_path, data) == "DXImageForPresentation"


def _dciodvfy(folder, data):
    if shutil.which("dciodvfy") is None:
        pytest.fail("dciodvfy is missing: install the Debian package dicom3tools.")
    path = folder / "film.dcm"
    path.write_bytes(data)
    ran = subprocess.run(["dciodvfy", path], capture_output=True, text=True, check=False)
    return (ran.stdout + ran.stderr).strip()


def test_a_film_comes_back_as_it_was_written():
    film = read_film(
        write_dx(PIXELS, facts(laterality=Side.RIGHT, source_detector_mm=1150.0, photometric="MONOCHROME1"))
    )
    np.testing.assert_array_equal(film.values, PIXELS)
    header = film.header
    assert film.photometric == "MONOCHROME1"
    assert (header.patient_number, header.birth_date, header.study_date) == (
        "DEMO-0001",
        date(1988, 4, 12),
        date(2026, 11, 9),
    )
    assert header.laterality is Side.RIGHT
    assert header.imager_pixel_spacing_mm == (0.25, 0.25)
    assert header.pixel_spacing_mm is None
    assert header.source_detector_mm == 1150.0


def test_the_same_film_is_written_the_same_and_another_is_another_object():
    assert write_dx(PIXELS, facts()) == write_dx(PIXELS, facts())
    other = write_dx(PIXELS[::-1], facts())
    first, second = (read_film(d).header for d in (write_dx(PIXELS, facts()), other))
    assert first.series_uid == second.series_uid
    assert first.sop_uid != second.sop_uid


def test_uids_are_valid_and_depend_on_every_word():
    made = {uid_from("a", "b"), uid_from("ab"), uid_from("b", "a")}
    assert len(made) == 3
    assert all(pydicom.uid.UID(u).is_valid for u in made)


def test_codes_of_region_and_view_are_those_of_the_standard():
    # DICOM PS3.16 CID 4009 and 4010, as pydicom's dictionary of them spells them.
    from pydicom.sr.codedict import codes

    for cid, table in ((codes.cid4009, _REGION), (codes.cid4010, _VIEW)):
        members = [getattr(cid, name) for name in dir(cid)]
        known = {code.value: code.meaning for code in members if hasattr(code, "meaning")}
        for value, meaning in table.values():
            assert known[value] == meaning


@pytest.mark.parametrize(
    ("pixels", "words"),
    [
        (PIXELS.astype(np.int16), "unsigned"),
        (PIXELS[None], "one plane"),
        (np.full((4, 4), 4096, np.uint16), "does not fit 12 bits"),
    ],
)
def test_pixels_that_cannot_be_a_film_are_refused(pixels, words):
    with pytest.raises(ImageError, match=words):
        write_dx(pixels, facts())

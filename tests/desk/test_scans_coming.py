"""Scans come in: a series becomes one scan of its patient, or is kept aside with the reason."""

import re
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from headstock.desk import hips
from headstock.desk.desk import Memory, open_desk
from headstock.desk.scans.plain import findings_from_json, grid_from_json
from headstock.desk.scans.volume import volume
from headstock.phantom.series import Sender, series_files, tilted_files
from headstock.records.scans import scan as scan_row

sys.path.insert(0, str(Path(__file__).parent))
from scan_case import TODAY, bring, small


@pytest.fixture
def desk(tmp_path):
    opened = open_desk(tmp_path / "data")
    yield opened
    opened.close()


def _row(desk, scan_id):
    with desk.store.session() as session:
        return scan_row(session, scan_id)


@pytest.mark.parametrize("fault", ["none", "reversed", "localizer", "doubled", "feet_first"])
def test_a_series_whose_files_say_enough_becomes_the_same_volume_however_it_was_sent(desk, fault):
    files = series_files(small(), fault=fault)
    shuffled = [(f"IM{(7 * n) % 101:05d}", data) for n, (_, data) in enumerate(files)]
    (line,) = bring(desk, shuffled)
    assert (line.outcome, line.hip_id is not None) == ("imported", True)
    row = _row(desk, line.scan_id)
    assert row.side == "left"
    found = volume(desk, row)
    # The phantom's own grid: six significant digits of a position in mm.
    np.testing.assert_allclose(grid_from_json(row.grid).origin_mm, small().grid.origin_mm, atol=1e-3)
    np.testing.assert_array_equal(found.values, small().values)
    assert hips.hip_page(desk, line.hip_id, today=TODAY).next.title == "Find the bone in the CT"


@pytest.mark.parametrize(
    ("fault", "says"),
    [
        ("missing", "Slices are missing.*volume made of the rest would be stretched"),
        ("doubled_differing", "at the level of another one with a different picture"),
        ("mixed_kernel", "2 sets of slices that are no one volume"),
        ("uneven", "unevenly spaced"),
    ],
)
def test_a_series_that_would_make_a_false_volume_is_kept_aside_with_the_reason(desk, fault, says):
    (line,) = bring(desk, series_files(small(), fault=fault))
    assert (line.outcome, line.scan_id) == ("set_aside", None)
    assert line.says.startswith("Kept, but no scan could be made of it.")
    assert re.search(says, line.says)
    assert hips.hips_page(desk, find="", today=TODAY).patients == 0


def test_a_tilted_gantry_is_put_upright_and_the_slices_follow_at_their_true_distance(desk):
    (line,) = bring(desk, tilted_files(small(), 8.0))
    assert line.outcome == "imported"
    grid = grid_from_json(_row(desk, line.scan_id).grid)
    across = np.cross(grid.axes[:, 0], grid.axes[:, 1])
    assert abs(across @ grid.axes[:, 2]) == pytest.approx(1.0, abs=1e-6)
    # Slices 2.5 mm apart along the table, leaning by 8 degrees: 2.5 cos 8.
    assert grid.spacing_mm[2] == pytest.approx(2.5 * np.cos(np.radians(8.0)), abs=1e-3)


def test_the_same_files_again_are_already_here_in_any_order_and_under_any_name(desk):
    (first,) = bring(desk, series_files(small()))
    again = [(f"other/{n}", data) for n, (_, data) in enumerate(series_files(small())[::-1])]
    (line,) = bring(desk, again)
    assert (line.outcome, line.scan_id, line.hip_id) == ("already_here", first.scan_id, first.hip_id)


def test_a_copy_broken_off_is_completed_by_the_rest_under_the_same_scan(desk):
    files = series_files(small())
    (half,) = bring(desk, files[:9])
    assert "9 slices" in half.says
    (whole,) = bring(desk, files[9:])
    assert (whole.scan_id, whole.hip_id) == (half.scan_id, half.hip_id)
    assert volume(desk, _row(desk, whole.scan_id)).grid.shape == small().grid.shape
    assert len(hips.hip_page(desk, whole.hip_id, today=TODAY).scans) == 1


def test_a_scan_of_another_person_under_the_same_number_is_refused_without_naming_either(desk):
    bring(desk, series_files(small()))
    (line,) = bring(desk, series_files(small(), Sender(name="OTHER^PERSON", uid=3)))
    assert line.outcome == "refused"
    assert "another name" in line.says
    assert "OTHER" not in line.says
    assert hips.hips_page(desk, find="", today=TODAY).patients == 1


def test_a_scan_that_carries_another_number_is_not_taken_into_a_named_hip(desk):
    (mine,) = bring(desk, series_files(small()))
    (line,) = bring(desk, series_files(small(), Sender(number="PH-002", name="OTHER^PERSON", uid=4)), mine.hip_id)
    assert line.outcome == "refused"
    assert "another patient's number" in line.says
    assert len(hips.hip_page(desk, mine.hip_id, today=TODAY).scans) == 1


def test_a_research_volume_without_identity_is_a_patient_of_its_own_or_goes_where_it_was_given(desk, tmp_path):
    import SimpleITK as sitk

    image = sitk.GetImageFromArray(small().values)
    image.SetSpacing(small().grid.spacing_mm.tolist())
    image.SetOrigin(small().grid.origin_mm.tolist())
    sitk.WriteImage(image, str(tmp_path / "v.nii.gz"))
    data = (tmp_path / "v.nii.gz").read_bytes()
    (mine,) = bring(desk, series_files(small()))
    (alone,) = bring(desk, [("v_CT.nii.gz", data)])
    assert alone.outcome == "imported"
    assert hips.hips_page(desk, find="", today=TODAY).patients == 2
    assert hips.hip_page(desk, alone.hip_id, today=TODAY).person.number.startswith("NO-NUMBER-")
    other = sitk.GetImageFromArray(small().values[1:])
    other.SetSpacing(small().grid.spacing_mm.tolist())
    sitk.WriteImage(other, str(tmp_path / "w.nii.gz"))
    (given,) = bring(desk, [("w_CT.nii.gz", (tmp_path / "w.nii.gz").read_bytes())], mine.hip_id)
    assert given.outcome == "imported"
    assert len(hips.hip_page(desk, mine.hip_id, today=TODAY).scans) == 2


def _volume_bytes(values, path):
    import SimpleITK as sitk

    sitk.WriteImage(sitk.GetImageFromArray(values), str(path))
    return path.read_bytes()


def test_a_research_volume_that_does_not_tell_what_it_is_is_asked_about_and_taken_when_its_name_says_it(desk, tmp_path):
    values = np.random.default_rng(1).integers(-90, 1200, (9, 20, 21)).astype(np.int16)
    data = _volume_bytes(values, tmp_path / "v.nii")
    (asked,) = bring(desk, [("hip.nii", data)])
    assert (asked.outcome, asked.scan_id) == ("set_aside", None)
    assert "end in _CT or _MR" in asked.says
    (taken,) = bring(desk, [("hip_MR.nii", data)])
    assert taken.outcome == "imported"
    assert _row(desk, taken.scan_id).modality == "MR"
    assert volume(desk, _row(desk, taken.scan_id)).modality == "MR"
    # Read from its file again, which still does not say it.
    again = volume(replace(desk, scans=Memory(2)), _row(desk, taken.scan_id))
    assert (again.modality, again.findings) == ("MR", findings_from_json(_row(desk, taken.scan_id).findings))


def test_what_a_research_volume_was_said_to_be_can_be_mended_until_it_is_read(desk, tmp_path):
    values = np.random.default_rng(1).integers(-90, 1200, (9, 20, 21)).astype(np.int16)
    data = _volume_bytes(values, tmp_path / "v.nii")
    (first,) = bring(desk, [("hip_MR.nii", data)])
    (same,) = bring(desk, [("other.nii", data)])
    assert same.outcome == "already_here"
    (mended,) = bring(desk, [("hip_CT.nii", data)])
    assert (mended.outcome, mended.scan_id) == ("imported", first.scan_id)
    assert volume(desk, _row(desk, mended.scan_id)).modality == "CT"


def test_a_name_does_not_change_what_a_series_says_of_itself(desk):
    (first,) = bring(desk, series_files(small()))
    (line,) = bring(desk, [(f"{n}_MR.nii", data) for n, (_, data) in enumerate(series_files(small()))])
    assert (line.outcome, line.scan_id) == ("already_here", first.scan_id)
    assert _row(desk, line.scan_id).modality == "CT"

"""A series in, a volume out: the same patient whatever the order, direction and form of the slices; else a refusal.

Truth is an analytic scene: the value of every voxel must be the scene's at the place the grid gives it.
"""

import random
import re
from contextlib import suppress
from io import BytesIO
from pathlib import Path
from zipfile import ZipFile

import numpy as np
import pydicom
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydicom.uid import DeflatedExplicitVRLittleEndian, ImplicitVRLittleEndian, JPEG2000Lossless, RLELossless

from headstock.errors import ImageError
from headstock.frames import Side
from headstock.geometry.grid import Grid
from headstock.images._scan_findings import coarse_findings
from headstock.images.scan_limits import COMMON, ScanLimits
from headstock.images.scan_read import open_scan_uploads, open_scans, scan_of_files, scans_of_files

from .scan_series import (
    AXIAL,
    CORONAL,
    FEET_FIRST,
    MR,
    OBLIQUE,
    SAGITTAL,
    dataset,
    enhanced,
    packed,
    planes,
    series,
    solid_hu,
)

ORIENTATIONS = {
    "axial": AXIAL,
    "coronal": CORONAL,
    "sagittal": SAGITTAL,
    "feet first": FEET_FIRST,
    "oblique": OBLIQUE,
    # Rows and columns exchanged: columns of pixels run to the left where rows do in the usual picture.
    "mirrored": (AXIAL[1], AXIAL[0]),
}


def wrong_share(scan):
    """Share of voxels whose value is not the scene's; those on an edge may round either way."""
    index = np.moveaxis(np.indices(scan.grid.shape), 0, -1)[..., ::-1]
    return float(np.mean(np.abs(scan.values - np.rint(solid_hu(scan.grid.points(index)))) > 0.5))


def codes(scan):
    return [finding.code for finding in scan.findings]


# The right way round


@pytest.mark.parametrize("name", ORIENTATIONS)
def test_every_voxel_lies_where_the_patient_was(name):
    files = series(ORIENTATIONS[name])
    random.Random(3).shuffle(files)
    scan = scan_of_files(files)
    assert wrong_share(scan) < 1e-3
    assert np.linalg.det(scan.grid.axes) == pytest.approx(1.0)
    assert scan.grid.spacing_mm == pytest.approx([1.5, 1.7, 2.0], abs=1e-6)
    assert scan.values.dtype == np.int16
    assert not scan.values.flags.writeable
    assert scan.plannable


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    turn=st.tuples(*[st.floats(-1, 1) for _ in range(4)]).filter(lambda q: sum(v * v for v in q) > 0.1),
    seed=st.integers(0, 1000),
    mirrored=st.booleans(),
    centre=st.tuples(*[st.floats(-6, 6) for _ in range(3)]),
)
def test_any_direction_and_order_gives_the_same_patient(turn, seed, mirrored, centre):
    a, b, c, d = np.array(turn) / np.linalg.norm(turn)
    rotation = np.array(
        [
            [a * a + b * b - c * c - d * d, 2 * (b * c - a * d), 2 * (b * d + a * c)],
            [2 * (b * c + a * d), a * a + c * c - b * b - d * d, 2 * (c * d - a * b)],
            [2 * (b * d - a * c), 2 * (c * d + a * b), a * a + d * d - b * b - c * c],
        ]
    )
    along = (rotation[1], rotation[0]) if mirrored else (rotation[0], rotation[1])
    files = series(along, n=12, step=5.0, rows=20, columns=24, pixel=(3.0, 3.5), centre=centre)
    random.Random(seed).shuffle(files)
    assert wrong_share(scan_of_files(files)) < 2e-3


@pytest.mark.parametrize("name", ["axial", "coronal", "oblique", "feet first"])
def test_two_independent_readers_place_the_voxels_of_a_sound_series_alike(name, tmp_path):
    import SimpleITK

    for i, data in enumerate(series(ORIENTATIONS[name])):
        (tmp_path / f"{(7 * i) % 40:03d}.dcm").write_bytes(data)
    scan = scan_of_files(sorted(tmp_path.iterdir()))
    # GDCM sorts and places the slices, SimpleITK holds the volume.
    names = SimpleITK.ImageSeriesReader.GetGDCMSeriesFileNames(str(tmp_path))
    image = SimpleITK.ReadImage(list(names))
    theirs = SimpleITK.GetArrayFromImage(image)
    rng = np.random.default_rng(1)
    for k, r, c in zip(rng.integers(0, 40, 50), rng.integers(0, 48, 50), rng.integers(0, 52, 50), strict=True):
        point = scan.grid.points([float(c), float(r), float(k)])
        at = np.array(image.TransformPhysicalPointToContinuousIndex([float(v) for v in point]))
        assert at == pytest.approx(np.round(at), abs=1e-3)
        i, j, m = np.round(at).astype(int)
        assert theirs[m, j, i] == scan.values[k, r, c]


def test_paths_and_bytes_give_the_same(tmp_path):
    files = series()
    paths = []
    for i, data in enumerate(files):
        paths.append(tmp_path / f"{i}")
        paths[-1].write_bytes(data)
    by_path, by_bytes = scan_of_files(paths), scan_of_files(files)
    assert np.array_equal(by_path.values, by_bytes.values)
    assert by_path.grid.same_as(by_bytes.grid)


def test_what_the_files_say_is_kept():
    scan = scan_of_files(series(elements={"KVP": "120", "Laterality": "R", "PatientBirthDate": "19880412"}))
    header = scan.header
    assert (header.kernel, header.kvp, header.side, header.files) == ("BONE", 120.0, Side.RIGHT, 40)
    assert header.patient_number == "DEMO-0003"
    assert header.slice_thickness_mm == 2.0
    assert scan.modality == "CT"


def test_slice_thickness_moves_nothing():
    thick = scan_of_files(series(elements={"SliceThickness": "7"}))
    assert thick.grid.same_as(scan_of_files(series()).grid)
    assert "slice_gap" not in codes(thick)


def test_thin_slices_far_apart_are_said():
    scan = scan_of_files(series(elements={"SliceThickness": "1"}))
    assert "slice_gap" in codes(scan)


# Forms of files


@pytest.mark.parametrize("shuffled", [False, True])
def test_an_enhanced_object_is_the_same_volume(shuffled):
    order = list(range(40))
    if shuffled:
        random.Random(5).shuffle(order)
    scan = scan_of_files([enhanced(OBLIQUE, order=order)])
    classic = scan_of_files(series(OBLIQUE))
    assert np.array_equal(scan.values, classic.values)
    assert scan.grid.same_as(classic.grid)


def test_each_frame_is_scaled_by_what_it_states_itself():
    scan = scan_of_files([enhanced(per_frame_scale=True)])
    assert wrong_share(scan) < 1e-3
    assert "scaling_varies" in codes(scan)


def test_an_enhanced_object_that_describes_fewer_frames_than_it_holds_is_refused():
    ds = pydicom.dcmread(BytesIO(enhanced()))
    ds.PerFrameFunctionalGroupsSequence.pop()
    with pytest.raises(ImageError, match="40 slices but describes 39"):
        scan_of_files([packed(ds)])


@pytest.mark.parametrize("syntax", [RLELossless, JPEG2000Lossless])
def test_compressed_slices_are_the_same_volume(syntax):
    plain = series(n=6)
    small = []
    for data in plain:
        ds = pydicom.dcmread(BytesIO(data))
        ds.compress(syntax, encoding_plugin="pylibjpeg")
        small.append(packed(ds))
    assert np.array_equal(scan_of_files(small).values, scan_of_files(plain).values)


@pytest.mark.parametrize("syntax", [RLELossless, JPEG2000Lossless])
def test_a_compressed_enhanced_object_is_the_same_volume(syntax):
    data = enhanced(OBLIQUE, n=6, order=[3, 0, 5, 1, 4, 2])
    ds = pydicom.dcmread(BytesIO(data))
    ds.compress(syntax, encoding_plugin="pylibjpeg")
    assert np.array_equal(scan_of_files([packed(ds)]).values, scan_of_files([data]).values)


@pytest.mark.parametrize("syntax", [DeflatedExplicitVRLittleEndian, ImplicitVRLittleEndian])
def test_every_encoding_of_headers_is_the_same_volume(syntax):
    plain = series(n=4)
    other = []
    for data in plain:
        ds = pydicom.dcmread(BytesIO(data))
        ds.file_meta.TransferSyntaxUID = syntax
        out = BytesIO()
        ds.save_as(out, implicit_vr=syntax.is_implicit_VR, little_endian=True, enforce_file_format=True)
        other.append(out.getvalue())
    assert np.array_equal(scan_of_files(other).values, scan_of_files(plain).values)


def test_lossless_jpeg_of_many_slices_is_decoded_by_few_processes(monkeypatch):
    gdcm = pytest.importorskip("gdcm")
    plain = series(n=60)
    small = [_lossless_jpeg(gdcm, data) for data in plain]
    assert pydicom.dcmread(BytesIO(small[0])).file_meta.TransferSyntaxUID == "1.2.840.10008.1.2.4.70"
    import subprocess

    started, run = [], subprocess.run
    monkeypatch.setattr(subprocess, "run", lambda *a, **k: (started.append(1), run(*a, **k))[1])
    assert np.array_equal(scan_of_files(small).values, scan_of_files(plain).values)
    assert len(started) <= 4


def _lossless_jpeg(gdcm, data):
    """The slice compressed by GDCM, through files because its wrapper has no other way."""
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "a").write_bytes(data)
        reader = gdcm.ImageReader()
        reader.SetFileName(f"{folder}/a")
        assert reader.Read()
        change = gdcm.ImageChangeTransferSyntax()
        change.SetTransferSyntax(gdcm.TransferSyntax(gdcm.TransferSyntax.JPEGLosslessProcess14_1))
        change.SetInput(reader.GetImage())
        assert change.Change()
        writer = gdcm.ImageWriter()
        writer.SetFileName(f"{folder}/b")
        writer.SetFile(reader.GetFile())
        writer.SetImage(change.GetOutput())
        assert writer.Write()
        return (Path(folder) / "b").read_bytes()


def test_mr_keeps_its_numbers_and_has_no_hounsfield_units():
    found = planes(CORONAL)
    files = [packed(dataset(p, v, CORONAL, number=i, sop=MR)) for i, (p, v) in enumerate(found)]
    scan = scan_of_files(files)
    assert scan.modality == "MR"
    assert scan.values.min() == 0
    assert np.array_equal(np.unique(scan.values), np.unique(np.rint(np.stack([v for _, v in found]) + 1000)))


def test_a_fractional_scale_gives_float_values():
    scan = scan_of_files(series(elements={"RescaleSlope": "0.5"}))
    assert scan.values.dtype == np.float32
    assert scan.values.max() == pytest.approx((1200 + 1024) * 0.5 - 1024)


def test_values_beyond_sixteen_bits_are_not_wrapped():
    scan = scan_of_files(series(elements={"RescaleSlope": "20"}))
    assert scan.values.max() == pytest.approx((1200 + 1024) * 20 - 1024)


# Found and said


def test_overview_pictures_are_set_aside():
    picture = np.zeros((60, 70))
    scout = dataset((-50.0, 0.0, 60.0), picture, CORONAL, number=900, ImageType=["ORIGINAL", "PRIMARY", "LOCALIZER"])
    scan = scan_of_files([packed(scout), *series()])
    assert codes(scan)[0] == "localizer"
    assert wrong_share(scan) < 1e-3


def test_an_overview_that_does_not_call_itself_one_is_known_by_its_direction():
    scout = dataset((-50.0, 0.0, 60.0), np.zeros((48, 52)), CORONAL, number=900)
    scan = scan_of_files([packed(scout), *series()])
    assert codes(scan)[0] == "other_direction"
    assert wrong_share(scan) < 1e-3


def test_a_slice_of_another_size_is_set_aside():
    odd = dataset((0.0, 0.0, 90.0), np.zeros((64, 64)), number=900)
    scan = scan_of_files([packed(odd), *series()])
    assert "other_size" in codes(scan)
    assert scan.grid.shape == (40, 48, 52)


def test_a_slice_of_another_size_in_place_of_one_of_the_stack_leaves_a_hole():
    files = series()
    position, _ = planes()[20]
    files[20] = packed(dataset(position, np.zeros((64, 64)), number=21))
    with pytest.raises(ImageError, match=r"Slices are missing.*1 picture of the series did not belong"):
        scan_of_files(files)


def test_a_picture_without_a_place_is_set_aside():
    capture = dataset((0.0, 0.0, 0.0), np.zeros((48, 52)), number=900, ImagePositionPatient=None)
    scan = scan_of_files([*series(), packed(capture)])
    assert "no_place" in codes(scan)


def test_copies_of_slices_are_used_once():
    files = series()
    again = pydicom.dcmread(BytesIO(files[7]))
    again.SOPInstanceUID += ".1"
    scan = scan_of_files([*files, files[3], packed(again)])
    assert "doubled" in codes(scan)
    assert wrong_share(scan) < 1e-3
    assert "2 slices" in next(f.says for f in scan.findings if f.code == "doubled")


def test_two_different_slices_at_one_place_are_refused():
    files = series()
    position, values = planes()[9]
    other = packed(dataset(position, values + 7.0, number=99))
    with pytest.raises(ImageError, match="1 slice lies at the level of another one with a different picture"):
        scan_of_files([*files, other])


@pytest.mark.parametrize(
    ("keyword", "values"),
    [("EchoTime", ("4.5", "9")), ("TemporalPositionIdentifier", ("1", "2")), ("AcquisitionNumber", ("1", "2"))],
)
def test_sets_that_their_headers_tell_apart_become_scans_of_their_own(keyword, values):
    files = series(elements={keyword: values[0]}) + series(
        first_number=100, elements={keyword: values[1]}, field=lambda p: solid_hu(p) + 5
    )
    random.Random(1).shuffle(files)
    found = scans_of_files(files)
    assert not found.refused
    assert sorted(int(scan.values.max()) for scan in found.scans) == [1200, 1205]
    assert all("split" in codes(scan) for scan in found.scans)
    with pytest.raises(ImageError, match="2 sets of slices"):
        scan_of_files(files)


def test_two_kernels_are_two_scans():
    files = series(elements={"ConvolutionKernel": "SOFT"}) + series(first_number=100)
    found = scans_of_files(files)
    assert sorted(scan.header.kernel for scan in found.scans) == ["BONE", "SOFT"]
    with pytest.raises(ImageError, match=r"kernel SOFT.*kernel BONE|kernel BONE.*kernel SOFT"):
        scan_of_files(files)


def test_each_hip_reconstructed_by_itself_under_one_number_is_a_scan_of_its_own():
    files = series(centre=(-20.0, 0.0, 0.0)) + series(first_number=100, centre=(20.0, 0.0, 0.0))
    found = scans_of_files(files)
    assert sorted(float(scan.grid.origin_mm[0]) for scan in found.scans) == pytest.approx([-58.25, -18.25])
    assert all(wrong_share(scan) < 1e-3 for scan in found.scans)


# Refused, because the volume would be stretched, mixed or unplaced


@pytest.mark.parametrize(("gone", "holes"), [([20], 1), ([5, 6, 7], 1), ([10, 30], 2)])
def test_missing_slices_are_refused_where_another_reader_stretches_the_volume(gone, holes, tmp_path):
    import SimpleITK

    files = [data for i, data in enumerate(series()) if i not in gone]
    with pytest.raises(ImageError, match=r"Slices are missing: they follow every 2 mm") as refusal:
        scan_of_files(files)
    assert ("2 such gaps" in str(refusal.value)) == (holes == 2)
    for i, data in enumerate(files):
        (tmp_path / f"{i:03d}.dcm").write_bytes(data)
    SimpleITK.ProcessObject.SetGlobalWarningDisplay(False)
    names = SimpleITK.ImageSeriesReader.GetGDCMSeriesFileNames(str(tmp_path))
    theirs = SimpleITK.ReadImage(list(names))
    # 40 slices of 2 mm are 80 mm high; a volume of fewer, evenly spaced, cannot be right.
    top = theirs.TransformIndexToPhysicalPoint((0, 0, theirs.GetSize()[2] - 1))
    true_place = pydicom.dcmread(BytesIO(files[-1])).ImagePositionPatient[2]
    middle = theirs.TransformIndexToPhysicalPoint((0, 0, gone[0]))[2]
    true_middle = pydicom.dcmread(BytesIO(files[gone[0]])).ImagePositionPatient[2]
    assert abs(top[2] - true_place) > 0.02 or abs(middle - true_middle) > 0.02


def test_a_step_that_changes_half_way_is_refused():
    steps = np.concatenate([np.arange(20) * 1.0, 20 + np.arange(20) * 2.0])
    with pytest.raises(ImageError, match="missing"):
        scan_of_files(series(step=steps))


def test_slight_unevenness_is_evened_out_and_said():
    rng = np.random.default_rng(4)
    steps = np.cumsum(2.0 + rng.uniform(-0.35, 0.35, 40)) - 40.0

    def ramp(points):
        return 3.0 * points[..., 0] + 5.0 * points[..., 1] - 4.0 * points[..., 2]

    scan = scan_of_files(series(step=steps, field=ramp))
    assert "uneven" in codes(scan)
    index = np.moveaxis(np.indices(scan.grid.shape), 0, -1)[..., ::-1]
    # A linear field is kept by linear interpolation: what is left is rounding, twice.
    assert np.abs(scan.values - ramp(scan.grid.points(index))).max() <= 1.001


def test_positions_rounded_to_a_tenth_of_a_millimetre_are_even():
    files = []
    for i, (position, values) in enumerate(planes(step=1.25, n=30)):
        files.append(packed(dataset(np.round(position, 1), values, number=i)))
    scan = scan_of_files(files)
    assert "uneven" not in codes(scan)
    assert scan.grid.spacing_mm[2] == pytest.approx(1.25, abs=0.003)


def test_unevenness_beyond_a_quarter_step_is_refused():
    places = np.arange(30) * 2.0
    places[15:] += 0.7
    with pytest.raises(ImageError, match="unevenly spaced"):
        scan_of_files(series(step=places))


def test_a_sideways_jump_is_refused():
    files = series()
    position, values = planes()[25]
    files[25] = packed(dataset(position + np.array([3.0, 0.0, 0.0]), values, number=26))
    with pytest.raises(ImageError, match=r"one is .* mm to the side"):
        scan_of_files(files)


@pytest.mark.parametrize("tilt_deg", [-18.0, 6.0, 25.0])
def test_a_tilted_gantry_gives_a_square_volume_of_the_same_patient(tilt_deg):
    turn = np.radians(tilt_deg)
    along = ((1.0, 0.0, 0.0), (0.0, np.cos(turn), np.sin(turn)))
    # The table moves along z while each slice leans.
    scan = scan_of_files(series(along, n=60, step=1.2, slope=(0.0, 0.0, 1.0), field=_smooth))
    assert "tilted" in codes(scan)
    assert f"{abs(tilt_deg):.1f} degrees" in next(f.says for f in scan.findings if f.code == "tilted")
    assert scan.grid.spacing_mm[2] == pytest.approx(1.2 * np.cos(turn), abs=1e-4)
    index = np.moveaxis(np.indices(scan.grid.shape), 0, -1)[..., ::-1]
    truth = _smooth(scan.grid.points(index))
    inside = scan.values > -900
    assert inside.mean() > 0.5
    # Linear between pixels of 1.7 mm: the error is at most a^2/8 of the second derivative, here 1000/15^2; at the
    # edge of what was scanned the nearest pixel, at most half of one away on a slope of 1000/15 exp(-1/2).
    assert np.abs(scan.values - truth)[inside].max() < 0.5 * 1.7 * 1000 / 15 * np.exp(-0.5)
    core = inside & _inner(inside)
    assert np.abs(scan.values - truth)[core].max() < 1.7**2 / 8 * 1000 / 15**2 + 1
    # A ball keeps its volume and its centre: a sheared one would be off by centimetres.
    voxels = np.argwhere(scan.values > 500)[:, ::-1]
    assert scan.grid.points(voxels).mean(axis=0) == pytest.approx([4.0, -3.0, 5.0], abs=0.1)
    radius = 15.0 * np.sqrt(2 * np.log(2))
    assert len(voxels) * scan.grid.voxel_mm3 == pytest.approx(4 / 3 * np.pi * radius**3, rel=0.02)


def test_no_slice_of_a_tilted_stack_is_lost_to_rounded_positions():
    turn = np.radians(12.0)
    along = ((1.0, 0.0, 0.0), (0.0, np.cos(turn), np.sin(turn)))
    for n in range(20, 30):
        found = planes(along, n=n, step=1.4, slope=(0.0, 0.0, 1.0), rows=9, columns=9)
        files = [packed(dataset(np.round(p, 2), v, along, number=i)) for i, (p, v) in enumerate(found)]
        assert scan_of_files(files).grid.shape[0] == n


def _inner(mask):
    """The mask without its outermost two voxels along rows and columns."""
    out = mask.copy()
    for axis in (1, 2):
        for by in (-2, -1, 1, 2):
            out &= np.roll(mask, by, axis)
    return out


def _smooth(points):
    """A bell of width 15 mm about (4, -3, 5): above 500 it is a ball of known size."""
    return 1000.0 * np.exp(-((np.asarray(points) - [4.0, -3.0, 5.0]) ** 2).sum(-1) / (2 * 15.0**2))


def test_another_reader_shears_the_patient_under_a_tilted_gantry(tmp_path):
    import SimpleITK

    turn = np.radians(18.0)
    along = ((1.0, 0.0, 0.0), (0.0, np.cos(turn), np.sin(turn)))
    for i, data in enumerate(series(along, n=60, step=1.2, slope=(0.0, 0.0, 1.0), field=_smooth)):
        (tmp_path / f"{i:03d}.dcm").write_bytes(data)
    SimpleITK.ProcessObject.SetGlobalWarningDisplay(False)
    names = SimpleITK.ImageSeriesReader.GetGDCMSeriesFileNames(str(tmp_path))
    image = SimpleITK.ReadImage(list(names))
    top = image.TransformIndexToPhysicalPoint((0, 0, 59))
    true_top = planes(along, n=60, step=1.2, slope=(0.0, 0.0, 1.0))[-1][0]
    assert np.linalg.norm(np.array(top) - true_top) > 5.0


def test_directions_that_are_not_square_are_refused():
    files = series(elements={"ImageOrientationPatient": ["1", "0", "0", "0.2", "0.98", "0"]})
    with pytest.raises(ImageError, match="square to each other"):
        scan_of_files(files)


def test_a_single_slice_and_slices_without_a_place_are_refused():
    with pytest.raises(ImageError, match="no two of them parallel"):
        scan_of_files(series()[:1])
    with pytest.raises(ImageError, match="Image Position Patient"):
        scan_of_files(series(elements={"ImagePositionPatient": None}))
    with pytest.raises(ImageError, match="pixel spacing"):
        scan_of_files(series(elements={"PixelSpacing": None}))
    with pytest.raises(ImageError, match="only overview pictures"):
        scan_of_files(series(elements={"ImageType": ["ORIGINAL", "PRIMARY", "LOCALIZER"]}))
    with pytest.raises(ImageError, match="There is no slice"):
        scan_of_files([])


def test_numbers_that_are_no_hounsfield_units_are_refused():
    with pytest.raises(ImageError, match="scaled to “US”"):
        scan_of_files(series(elements={"RescaleType": "US"}))
    with pytest.raises(ImageError, match=r"do.*not say how its numbers become Hounsfield"):
        scan_of_files(series(elements={"RescaleSlope": None}))


@pytest.mark.parametrize(
    ("elements", "words"),
    [
        ({"PatientID": "DEMO-0004"}, "different patient numbers"),
        ({"SeriesInstanceUID": "1.2.9"}, "different series"),
        ({"FrameOfReferenceUID": "1.2.9"}, "different frames of reference"),
    ],
)
def test_slices_of_two_patients_series_or_frames_are_never_mixed(elements, words):
    files = series()
    files[4] = series(elements=elements)[4]
    with pytest.raises(ImageError, match=words):
        scan_of_files(files)


def test_what_is_no_slice_is_refused(make_film):
    with pytest.raises(ImageError, match="not a slice of a CT or MR"):
        scan_of_files([*series(), make_film()])
    with pytest.raises(ImageError, match="not an image"):
        scan_of_files([b"dear colleague, " * 20])


# Limits


# Positions are written with six decimals, so 2.9999999 and 3.0000001 reach the file as rounding of 3.
@pytest.mark.parametrize(
    ("step", "weight"),
    [
        (1.5, None), (1.5000001, None), (1.51, "warn"), (2.9999999, "warn"), (3.0, "warn"), (3.0000001, "warn"),
        (3.01, "refuse"), (3.1, "refuse"),
    ],
)  # fmt: skip
def test_slices_too_far_apart_warn_then_forbid_planning(step, weight):
    scan = scan_of_files(series(step=step, n=12, pixel=(1.0, 1.0), elements={"SliceThickness": str(step)}))
    found = [f.weight for f in scan.findings if f.code == "coarse_step"]
    assert found == ([] if weight is None else [weight])
    assert scan.plannable == (weight != "refuse")


# An oblique volume's spacing is a length worked out from rounded numbers: a rounding above or below what was set.
@pytest.mark.parametrize("off", [-1e-7, 0.0, 1e-7])
@pytest.mark.parametrize(
    ("spacing", "weight"), [(1.5, None), (1.51, "warn"), (3.0, "warn"), (3.01, "refuse"), (3.0015, "refuse")]
)
def test_a_spacing_at_the_bound_is_not_above_it_whatever_rounding_does(spacing, weight, off):
    for spacings in ([1.0, 1.0, spacing + off], [1.0, spacing + off, 1.0], [spacing + off, 1.0, 1.0]):
        grid = Grid(np.zeros(3), np.eye(3), np.array(spacings), (4, 4, 4))
        found = coarse_findings(grid, COMMON)
        assert [one.weight for one in found] == ([] if weight is None else [weight])
        # What is above the bound reads as more than the bound.
        bound = {"warn": 1.5, "refuse": 3.0}
        assert all(float(re.search(r"every ([\d.]+) mm", one.says)[1]) > bound[one.weight] for one in found)


def test_pixels_are_judged_like_steps_and_limits_are_the_callers():
    scan = scan_of_files(series(pixel=(1.0, 3.5), step=1.0, n=8, elements={"SliceThickness": "1"}))
    assert [(f.code, f.weight) for f in scan.findings if f.code.startswith("coarse")] == [("coarse_pixel", "refuse")]
    strict = ScanLimits(step_warned_mm=0.5, step_refused_mm=0.8)
    files = series(pixel=(1.0, 1.0), step=1.0, n=8, elements={"SliceThickness": "1"})
    assert [f.weight for f in scan_of_files(files, limits=strict).findings if f.code == "coarse_step"] == ["refuse"]


def test_a_volume_larger_than_the_bound_is_refused_before_it_is_made():
    with pytest.raises(ImageError, match="would fill 40 by 48 by 52"):
        scan_of_files(series(), limits=ScanLimits(megavoxels=0.05))
    assert COMMON.megavoxels * 1e6 > 400 * 512 * 512


# The field


def test_padding_becomes_air_and_a_field_smaller_than_the_patient_is_said():
    r, c = np.mgrid[:48, :52]
    circle = np.hypot((r - 23.5) * 1.7, (c - 25.5) * 1.5) < 25.0

    def cut(elements):
        files = []
        for i, (position, values) in enumerate(planes()):
            stored = np.where(circle, values, -2024.0)
            files.append(
                packed(
                    dataset(
                        position,
                        stored + 3000,
                        number=i,
                        BitsStored=16,
                        HighBit=15,
                        RescaleIntercept="-4024",
                        PixelPaddingValue=2000,
                        **elements,
                    )
                )
            )
        return scan_of_files(files)

    plain = cut({})
    assert plain.values.min() == -1024
    assert [f.weight for f in plain.findings if f.code == "field_cropped"] == ["note"]
    truncated = cut({"ReconstructionDiameter": "500", "DataCollectionDiameter": "500"})
    assert [f.weight for f in truncated.findings if f.code == "field_truncated"] == ["warn"]
    cropped = cut({"ReconstructionDiameter": "250", "DataCollectionDiameter": "500"})
    assert [f.weight for f in cropped.findings if f.code == "field_cropped"] == ["note"]


def test_a_field_wider_than_the_patient_says_nothing():
    scan = scan_of_files(series())
    assert not {"field_cropped", "field_truncated"} & set(codes(scan))


# Folders, archives, damage


def test_a_folder_and_a_zip_give_their_series(tmp_path, make_film):
    folder = tmp_path / "export"
    folder.mkdir()
    (folder / "film.dcm").write_bytes(make_film())
    (folder / "letter.txt").write_text("dear colleague")
    for i, data in enumerate(series()):
        (folder / f"a{i}").write_bytes(data)
    for i, data in enumerate(series(elements={"SeriesInstanceUID": "1.2.3", "SeriesDescription": "HOLED"})):
        if i != 12:
            (folder / f"b{i}").write_bytes(data)
    archive = tmp_path / "export.zip"
    with ZipFile(archive, "w") as packed_up:
        for path in folder.iterdir():
            packed_up.write(path, f"x/{path.name}")
    for source in (folder, archive):
        found = open_scans([source])
        assert len(found.scans) == 1
        assert wrong_share(found.scans[0]) < 1e-3
        assert any("HOLED" in what and "missing" in why for what, why in found.refused)
    sent = open_scan_uploads([(p.name, p.read_bytes()) for p in sorted(folder.iterdir())])
    assert len(sent.scans) == 1


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(which=st.integers(0, 5), keep=st.floats(0.0, 0.999))
def test_a_file_cut_short_anywhere_is_refused_and_never_fails_otherwise(which, keep):
    files = series(n=6, rows=16, columns=16)
    files[which] = files[which][: int(len(files[which]) * keep)]
    with pytest.raises(ImageError):
        scan_of_files(files)


@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(seed=st.integers(0, 10**6), many=st.booleans())
def test_damaged_bytes_give_a_scan_or_a_refusal(seed, many):
    rng = np.random.default_rng(seed)
    files = [enhanced(n=5, rows=12, columns=12)] if many else series(n=5, rows=12, columns=12)
    which = int(rng.integers(len(files)))
    data = bytearray(files[which])
    for at in rng.integers(0, len(data), 6):
        data[at] = int(rng.integers(256))
    files[which] = bytes(data)
    with suppress(ImageError):
        scan_of_files(files)

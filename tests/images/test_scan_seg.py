"""A segmentation saved as DICOM and opened again is the same, voxel for voxel."""

import shutil
import subprocess
from dataclasses import replace
from io import BytesIO
from pathlib import Path

import numpy as np
import pydicom
import pytest
from pydicom.sr.codedict import codes

from headstock.errors import ImageError
from headstock.frames import Side
from headstock.images.labels_out import write_labels_nifti
from headstock.images.scan import Scan
from headstock.images.scan_read import scan_of_files
from headstock.images.seg import read_seg, write_seg
from headstock.phantom.scan import phantom_ct
from headstock.phantom.scan_spec import ScanSpec
from headstock.phantom.series import series_files, tilted_files
from headstock.phantom.spec import Cyst, HipSpec, PhantomSpec

_SMALL = ScanSpec(
    above_mm=26.0, below_mm=30.0, across_mm=(28.0, 28.0), deep_mm=(26.0, 26.0), spacing_mm=(1.0, 1.1, 1.4), cells=2
)


@pytest.fixture(scope="module")
def read() -> tuple[list[bytes], Scan, np.ndarray]:
    found = phantom_ct(PhantomSpec(side=Side.LEFT, left=HipSpec(cysts=(Cyst(),))), _SMALL)
    files = [data for _, data in series_files(found)]
    return files, scan_of_files(files), found.labels


def test_what_is_written_is_read_again(read: tuple[list[bytes], Scan, np.ndarray]) -> None:
    files, scan, labels = read
    grid, again = read_seg(write_seg(files, scan, scan.grid, labels, Side.LEFT, version="0"))
    assert grid.same_as(scan.grid)
    assert np.array_equal(again, labels)


def test_labels_of_a_crop_land_on_the_scan_where_they_belong(read: tuple[list[bytes], Scan, np.ndarray]) -> None:
    files, scan, labels = read
    first, shape = (4, 6, 5), (20, 30, 31)
    crop = labels[4:24, 6:36, 5:36]
    _, again = read_seg(write_seg(files[::-1], scan, scan.grid.cropped(first, shape), crop, Side.LEFT, version="0"))
    want = np.zeros_like(labels)
    want[4:24, 6:36, 5:36] = crop
    assert np.array_equal(again, want)


@pytest.mark.skipif(shutil.which("dciodvfy") is None, reason="needs dciodvfy of Debian's dicom3tools")
@pytest.mark.parametrize("tilt_deg", [0.0, 12.0])
def test_an_independent_checker_finds_no_error(
    read: tuple[list[bytes], Scan, np.ndarray], tmp_path: Path, tilt_deg: float
) -> None:
    files, scan, labels = read
    if tilt_deg:
        files = [data for _, data in tilted_files(phantom_ct(PhantomSpec(side=Side.LEFT), _SMALL), tilt_deg)]
        scan = scan_of_files(files)
        labels = np.pad(np.ones((9, 9, 9), np.uint8), [(0, n - 9) for n in scan.grid.shape])
    path = tmp_path / "seg.dcm"
    path.write_bytes(write_seg(files, scan, scan.grid, labels, Side.LEFT, version="0"))
    said = subprocess.run(["dciodvfy", str(path)], capture_output=True, text=True, check=False)
    assert not [line for line in said.stderr.splitlines() if line.startswith("Error")]


def test_a_scan_put_onto_its_own_grid_keeps_it_in_the_segmentation(tmp_path: Path) -> None:
    found = phantom_ct(PhantomSpec(side=Side.LEFT), _SMALL)
    files = [data for _, data in tilted_files(found, 12.0)]
    scan = scan_of_files(files)
    labels = np.zeros(scan.grid.shape, np.uint8)
    labels[3:20, 5:-7, 4:-3] = 1
    labels[25:30, 8:20, 6:18] = 2
    data = write_seg(files, scan, scan.grid, labels, Side.RIGHT, version="0")
    grid, again = read_seg(data)
    assert grid.same_as(scan.grid)
    assert np.array_equal(again, labels)
    written = pydicom.dcmread(BytesIO(data))
    assert "squared" in written.ContentDescription
    assert written.FrameOfReferenceUID == scan.header.frame_of_reference_uid


def test_segments_carry_the_standards_codes_and_the_side(read: tuple[list[bytes], Scan, np.ndarray]) -> None:
    # PS3.16: CID 7150 (category), CID 7304 and 6335 (type), CID 244 (side), as pydicom's copy of the tables has them.
    files, scan, labels = read
    written = pydicom.dcmread(BytesIO(write_seg(files, scan, scan.grid, labels, Side.LEFT, version="0")))
    kinds = [codes.SCT.Femur, codes.SCT.BoneStructureOfPelvis, codes.SCT.Lesion]
    for segment, kind in zip(written.SegmentSequence, kinds, strict=True):
        item = segment.SegmentedPropertyTypeCodeSequence[0]
        assert item.CodeValue == kind.value
        assert item.SegmentedPropertyTypeModifierCodeSequence[0].CodeValue == codes.SCT.Left.value
    assert written.SegmentSequence[0].SegmentedPropertyCategoryCodeSequence[0].CodeValue == (
        codes.SCT.AnatomicalStructure.value
    )


def test_a_lesion_is_a_segment_of_its_own_and_stays_part_of_the_femur(
    read: tuple[list[bytes], Scan, np.ndarray],
) -> None:
    import highdicom

    files, scan, labels = read
    assert np.any(labels == 3)
    data = write_seg(files, scan, scan.grid, labels, Side.LEFT, version="0")
    segments = highdicom.seg.segread(BytesIO(data)).get_volume().array
    # In whichever order the reader stacks the slices.
    assert np.count_nonzero(segments[..., 0]) == np.count_nonzero((labels == 1) | (labels == 3))
    assert np.count_nonzero(segments[..., 2]) == np.count_nonzero(labels == 3)


def test_files_of_another_series_are_refused(read: tuple[list[bytes], Scan, np.ndarray]) -> None:
    files, scan, labels = read
    other = replace(scan, header=replace(scan.header, series_uid="1.2.3"))
    with pytest.raises(ImageError, match="None of these files"):
        write_seg(files, other, scan.grid, labels, Side.LEFT, version="0")


def test_nothing_to_write_and_nothing_to_read_are_refused(read: tuple[list[bytes], Scan, np.ndarray]) -> None:
    files, scan, labels = read
    with pytest.raises(ImageError, match="no bone"):
        write_seg(files, scan, scan.grid, np.zeros_like(labels), Side.LEFT, version="0")
    with pytest.raises(ImageError, match="no DICOM segmentation"):
        read_seg(b"something else")


def test_labels_written_as_nifti_lie_where_an_independent_reader_finds_them(
    read: tuple[list[bytes], Scan, np.ndarray], tmp_path: Path
) -> None:
    import SimpleITK

    _, scan, labels = read
    path = tmp_path / "labels.nii.gz"
    write_labels_nifti(scan.grid, scan.grid, labels, path)
    image = SimpleITK.ReadImage(str(path))
    assert np.array_equal(SimpleITK.GetArrayFromImage(image), labels)
    point = scan.grid.points(np.array([3.0, 5.0, 7.0]))
    assert image.TransformPhysicalPointToIndex([float(v) for v in point]) == (3, 5, 7)
    with pytest.raises(ImageError, match=r"nii\.gz"):
        write_labels_nifti(scan.grid, scan.grid, labels, tmp_path / "labels.mha")

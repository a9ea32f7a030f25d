"""Enhanced objects of the phantom read back: by headstock, by pydicom's words, by GDCM through SimpleITK."""

import copy
import io
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pydicom
import pytest
import SimpleITK

from headstock.errors import FrameError
from headstock.frames import Side
from headstock.images.scan_read import scan_of_files
from headstock.phantom import MrSpec, PhantomMr, PhantomScan, PhantomSpec, ScanSpec, Sender, phantom_ct, phantom_mr
from headstock.phantom.enhanced import enhanced_file

_CT = ScanSpec(
    above_mm=28.0, below_mm=28.0, across_mm=(30.0, 30.0), deep_mm=(30.0, 30.0), spacing_mm=(1.0, 1.2, 1.5), cells=2
)
_MR = MrSpec(above_mm=30.0, below_mm=26.0, across_mm=(40.0, 36.0), deep_mm=(25.0, 25.0))


@pytest.fixture(scope="module", params=["CT", "MR"])
def found(request: pytest.FixtureRequest) -> PhantomScan | PhantomMr:
    spec = PhantomSpec(side=Side.LEFT)
    return phantom_ct(spec, _CT) if request.param == "CT" else phantom_mr(spec, _MR)


def _modality(found: PhantomScan | PhantomMr) -> str:
    return "MR" if isinstance(found, PhantomMr) else "CT"


def test_the_object_is_valid_dicom(found: PhantomScan | PhantomMr, tmp_path: Path) -> None:
    """Debian's `dciodvfy` (dicom3tools) knows the enhanced objects of PS3.3 and finds nothing to say."""
    tool = shutil.which("dciodvfy")
    assert tool, "dciodvfy is missing: install Debian's dicom3tools, or valid DICOM is not being checked."
    path = tmp_path / "enhanced.dcm"
    path.write_bytes(enhanced_file(found)[1])
    done = subprocess.run([tool, "-new", str(path)], capture_output=True, text=True, check=False)
    said = (done.stdout + done.stderr).splitlines()
    assert said[0] == f"Enhanced{_modality(found)}Image"
    assert not [line for line in said if line.startswith(("Error", "Warning"))]


@pytest.mark.parametrize("order", ["as on the grid", "last first", "shuffled"])
def test_it_comes_back_as_the_same_volume_in_whatever_order_its_frames_lie(
    found: PhantomScan | PhantomMr, order: str
) -> None:
    count = found.grid.shape[0]
    frames = {
        "as on the grid": None,
        "last first": range(count)[::-1],
        "shuffled": np.random.default_rng(4).permutation(count).tolist(),
    }[order]
    name, data = enhanced_file(found, Sender(number="PH-009", name="PHANTOM^NINE", taken="20261103"), order=frames)
    scan = scan_of_files([data])
    assert name == f"{_modality(found).lower()}/enhanced.dcm"
    assert scan.modality == _modality(found)
    assert scan.grid.same_as(found.grid)
    assert np.array_equal(scan.values, found.values)
    header = scan.header
    assert (header.patient_number, header.patient_name) == ("PH-009", "PHANTOM^NINE")
    assert header.taken is not None
    assert header.taken.isoformat() == "2026-11-03"
    # The side stands in each frame's anatomy, voltage and kernel in groups of their own.
    assert header.side is Side.LEFT
    assert (header.kernel, header.kvp) == (("BONE", 120.0) if scan.modality == "CT" else ("", None))


def test_every_frame_states_its_own_place_and_number_as_pydicom_reads_them(found: PhantomScan | PhantomMr) -> None:
    order = np.random.default_rng(5).permutation(found.grid.shape[0]).tolist()
    ds = pydicom.dcmread(io.BytesIO(enhanced_file(found, order=order)[1]))
    (shared,) = ds.SharedFunctionalGroupsSequence
    along = np.array(shared.PlaneOrientationSequence[0].ImageOrientationPatient, float).reshape(2, 3)
    down, across = np.array(shared.PixelMeasuresSequence[0].PixelSpacing, float)
    assert int(ds.NumberOfFrames) == len(ds.PerFrameFunctionalGroupsSequence) == len(order)
    rng = np.random.default_rng(6)
    for frame, (k, groups) in enumerate(zip(order, ds.PerFrameFunctionalGroupsSequence, strict=True)):
        content = groups.FrameContentSequence[0]
        assert content.InStackPositionNumber == content.DimensionIndexValues[1] == k + 1
        place = np.array(groups.PlanePositionSequence[0].ImagePositionPatient, float)
        row, column = rng.integers(0, ds.Rows), rng.integers(0, ds.Columns)
        # PS3.3 C.7.6.2.1.1, equation C.7.6.2.1-1.
        at = place + column * across * along[0] + row * down * along[1]
        assert at == pytest.approx(found.grid.points(np.array([column, row, k], float)), abs=2e-3)
        assert ds.pixel_array[frame, row, column] == found.values[k, row, column]


@pytest.mark.parametrize("last_first", [False, True])
def test_gdcm_puts_every_voxel_where_the_phantom_has_it(
    found: PhantomScan | PhantomMr, last_first: bool, tmp_path: Path
) -> None:
    count = found.grid.shape[0]
    path = tmp_path / "enhanced.dcm"
    path.write_bytes(enhanced_file(found, order=range(count)[::-1] if last_first else None)[1])
    image = SimpleITK.ReadImage(str(path), imageIO="GDCMImageIO")
    values = SimpleITK.GetArrayFromImage(image)
    rng = np.random.default_rng(7)
    for column, row, k in zip(*(rng.integers(0, n, 40) for n in found.grid.shape[::-1]), strict=True):
        frame = int(count - 1 - k if last_first else k)
        point = image.TransformIndexToPhysicalPoint((int(column), int(row), frame))
        # Positions are written to a micrometre; over 40 slices the step that is worked out from two adds up to 40.
        assert point == pytest.approx(found.grid.points(np.array([column, row, k], float)), abs=0.05)
        assert values[frame, row, column] == found.values[k, row, column]


def test_an_order_that_leaves_a_slice_out_is_refused(found: PhantomScan | PhantomMr) -> None:
    with pytest.raises(FrameError, match="each of the"):
        enhanced_file(found, order=[0, 0, *range(2, found.grid.shape[0])])


def test_frames_of_two_sides_leave_the_side_to_be_asked_for(found: PhantomScan | PhantomMr) -> None:
    ds = pydicom.dcmread(io.BytesIO(enhanced_file(found)[1]))
    anatomy = ds.SharedFunctionalGroupsSequence[0].FrameAnatomySequence[0]
    del ds.SharedFunctionalGroupsSequence[0].FrameAnatomySequence
    for k, groups in enumerate(ds.PerFrameFunctionalGroupsSequence):
        groups.FrameAnatomySequence = [copy.deepcopy(anatomy)]
        groups.FrameAnatomySequence[0].FrameLaterality = "R" if k else "L"
    out = io.BytesIO()
    ds.save_as(out)
    assert scan_of_files([out.getvalue()]).header.side is None

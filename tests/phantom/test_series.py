"""The phantom's series read back: whole ones give the volume again, broken ones a refusal in words."""

import json
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from headstock.errors import ImageError
from headstock.frames import Side
from headstock.images.scan_read import scan_of_files
from headstock.phantom.case import write_cases
from headstock.phantom.scan import PhantomScan, phantom_ct
from headstock.phantom.scan_spec import ScanSpec
from headstock.phantom.series import Fault, series_files, tilted_files
from headstock.phantom.spec import PhantomSpec

_SMALL = ScanSpec(
    above_mm=28.0, below_mm=28.0, across_mm=(30.0, 30.0), deep_mm=(30.0, 30.0), spacing_mm=(1.0, 1.2, 1.5), cells=2
)


@pytest.fixture(scope="module")
def found() -> PhantomScan:
    return phantom_ct(PhantomSpec(side=Side.LEFT), _SMALL)


def test_every_kind_of_file_is_valid_dicom(found: PhantomScan, tmp_path: Path) -> None:
    """Debian's `dciodvfy` (dicom3tools) finds nothing; a missing checker is a failure, not a pass."""
    tool = shutil.which("dciodvfy")
    assert tool, "dciodvfy is missing: install Debian's dicom3tools, or valid DICOM is not being checked."
    localizer, first, *_ = series_files(found, fault="localizer")
    for name, data in (localizer, first, tilted_files(found, 12.0)[3]):
        path = tmp_path / "one.dcm"
        path.write_bytes(data)
        done = subprocess.run([tool, "-new", str(path)], capture_output=True, text=True, check=False)
        said = (done.stdout + done.stderr).splitlines()
        assert not [line for line in said if line.startswith(("Error", "Warning"))], name


@pytest.mark.parametrize("fault", ["none", "localizer", "reversed", "doubled", "feet_first"])
def test_what_can_be_put_right_gives_the_volume_again(found: PhantomScan, fault: Fault) -> None:
    files = [data for _, data in series_files(found, fault=fault)]
    scan = scan_of_files(files)
    assert scan.grid.same_as(found.grid)
    assert np.array_equal(scan.values, found.values)
    assert scan.header.side is Side.LEFT


@pytest.mark.parametrize(
    ("fault", "words"),
    [("missing", "missing"), ("doubled_differing", "level of another one"), ("uneven", "uneven|missing|spac")],
)
def test_what_would_stretch_or_mix_the_volume_is_refused(found: PhantomScan, fault: Fault, words: str) -> None:
    with pytest.raises(ImageError, match=rf"(?i){words}"):
        scan_of_files([data for _, data in series_files(found, fault=fault)])


def test_two_reconstructions_under_one_number_are_not_mixed(found: PhantomScan) -> None:
    with pytest.raises(ImageError, match=r"(?i)kernel|reconstruction"):
        scan_of_files([data for _, data in series_files(found, fault="mixed_kernel")])


def test_a_tilted_gantry_is_resampled_to_where_things_are(found: PhantomScan) -> None:
    scan = scan_of_files([data for _, data in tilted_files(found, 14.0)])
    assert scan.grid.axes == pytest.approx(np.eye(3), abs=1e-4) or np.allclose(
        scan.grid.axes.T @ scan.grid.axes, np.eye(3), atol=1e-5
    )
    points = found.truth["head_centre_lps_mm"] + np.random.default_rng(1).uniform(-9.0, 9.0, (400, 3))
    from scipy.ndimage import map_coordinates

    def seen(values: np.ndarray, grid: object) -> np.ndarray:
        return map_coordinates(values.astype(float), grid.index(points).T[::-1], order=1)  # type: ignore[attr-defined]

    assert np.abs(seen(scan.values, scan.grid) - seen(found.values, found.grid)).mean() < 25.0


def test_a_finer_scan_of_the_same_patient_has_the_same_femur() -> None:
    coarse = phantom_ct(PhantomSpec(side=Side.LEFT), replace(_SMALL, spacing_mm=(2.0, 2.0, 2.0)))
    fine = phantom_ct(PhantomSpec(side=Side.LEFT), _SMALL)
    volumes = [np.count_nonzero(one.femur) * one.grid.voxel_mm3 for one in (coarse, fine)]
    assert volumes[0] == pytest.approx(volumes[1], rel=0.03)


@pytest.mark.slow
def test_a_commissioning_case_comes_with_its_ct_and_its_true_labels(tmp_path: Path) -> None:
    (case,) = write_cases(1, 5, tmp_path, scans=True)
    folder = tmp_path / case.number
    scan = scan_of_files(sorted((folder / "ct").glob("*.dcm")))
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    with np.load(folder / "labels.npz") as labels:
        assert labels["femur"].shape == scan.grid.shape
        c, r, s = np.round(scan.grid.index(np.array(truth["head_centre_lps_mm"]))).astype(int)
        assert labels["femur"][s, r, c]
    assert scan.header.patient_number == case.number
    assert scan.header.side is case.side

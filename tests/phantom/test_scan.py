"""The phantom's CT against its own surfaces, closed forms and independent counting."""

from dataclasses import replace

import numpy as np
import pytest

from headstock.errors import FrameError
from headstock.frames import Side
from headstock.phantom.scan import PhantomScan, fine_ct, phantom_ct
from headstock.phantom.scan_spec import Rods, ScanSpec
from headstock.phantom.spec import Cyst, HipSpec, PhantomSpec, PlateAndScrews

_SMALL = ScanSpec(
    above_mm=34.0,
    below_mm=40.0,
    across_mm=(33.75, 33.75),
    deep_mm=(34.0, 34.0),
    noise_HU=0.0,
    spacing_mm=(1.5, 1.5, 1.5),
)
_CYST = PhantomSpec(side=Side.LEFT, left=HipSpec(cysts=(Cyst(diameter_mm=14.0),)))


@pytest.fixture(scope="module")
def found() -> PhantomScan:
    return phantom_ct(_CYST, _SMALL)


def test_the_same_specs_give_the_same_scan(found: PhantomScan) -> None:
    again = phantom_ct(_CYST, _SMALL)
    assert np.array_equal(found.values, again.values)
    assert np.array_equal(found.labels, again.labels)


def test_the_head_centre_lies_in_the_femur_and_the_lesion_inside_it(found: PhantomScan) -> None:
    c, r, s = np.round(found.grid.index(found.truth["head_centre_lps_mm"])).astype(int)
    assert found.femur[s, r, c]
    c, r, s = np.round(found.grid.index(found.truth["lesion"]["centre_lps_mm"])).astype(int)
    assert found.lesion[s, r, c]


@pytest.mark.parametrize(("step", "within"), [(2.0, 0.06), (1.0, 0.02)])
def test_a_cyst_counted_in_voxels_approaches_the_volume_of_its_ball_as_voxels_shrink(
    step: float, within: float
) -> None:
    scan = phantom_ct(_CYST, replace(_SMALL, spacing_mm=(step, step, step)))
    counted = float(np.count_nonzero(scan.lesion)) * scan.grid.voxel_mm3
    assert counted == pytest.approx(scan.truth["lesion"]["volume_mm3"], rel=within)
    assert scan.truth["lesion"]["volume_mm3"] == pytest.approx(4 / 3 * np.pi * 7.0**3, rel=0.03)


def test_the_other_side_is_the_mirror_image() -> None:
    right = phantom_ct(_CYST.mirror(), _SMALL)
    left = phantom_ct(_CYST, _SMALL)
    assert right.grid.shape == left.grid.shape
    assert np.mean(right.femur[:, :, ::-1] == left.femur) > 0.9995
    assert right.truth["neck_shaft_angle_deg"] == pytest.approx(left.truth["neck_shaft_angle_deg"], abs=0.01)


def test_bone_is_where_the_labels_say_and_soft_tissue_between(found: PhantomScan) -> None:
    assert found.values[found.femur & ~found.lesion].mean() > 250.0
    assert found.values[found.lesion].mean() < 150.0
    elsewhere = (found.labels == 0) & (found.values > -50)
    assert abs(float(np.median(found.values[elsewhere])) - 52.0) < 15.0


def test_a_joint_without_space_touches_and_one_with_space_does_not() -> None:
    from scipy.ndimage import binary_dilation

    def touching(space: float) -> int:
        spec = PhantomSpec(side=Side.LEFT, left=HipSpec(joint_space_mm=space))
        scan = phantom_ct(spec, replace(_SMALL, spacing_mm=(1.0, 1.0, 1.0)))
        return int(np.count_nonzero(binary_dilation(scan.femur) & scan.pelvis))

    assert touching(0.4) > 10
    assert touching(4.0) == 0


def test_noise_has_the_stated_standard_deviation_and_none_is_none() -> None:
    noisy = phantom_ct(_CYST, replace(_SMALL, noise_HU=25.0, seed=3))
    noise = noisy.values.astype(float) - noisy.clean
    assert float(noise[np.abs(noisy.clean) < 2000].std()) == pytest.approx(25.0, rel=0.02)
    assert np.array_equal(phantom_ct(_CYST, _SMALL).values, phantom_ct(_CYST, _SMALL).clean)


def test_scanned_again_on_a_shifted_grid_it_is_the_same_patient() -> None:
    fine = fine_ct(_CYST, _SMALL)
    first, shifted = fine.scan(), fine.scan(offset_mm=(0.6, -0.4, 0.5), seed=8)
    assert np.abs(shifted.grid.origin_mm - first.grid.origin_mm - [0.6, -0.4, 0.5]).max() < 1e-9
    assert np.count_nonzero(shifted.femur) == pytest.approx(np.count_nonzero(first.femur), rel=0.02)
    assert not np.array_equal(shifted.clean, first.clean)
    assert first.truth["head_diameter_mm"] == shifted.truth["head_diameter_mm"]
    with pytest.raises(FrameError, match="fraction of a voxel"):
        fine.scan(offset_mm=(5.0, 0.0, 0.0))


def test_rods_show_the_HU_of_their_densities() -> None:
    scan = phantom_ct(_CYST, replace(_SMALL, rods=Rods(slope=0.0008, offset=0.01), deep_mm=None))
    for rod in scan.truth["rods"]:
        assert rod["density_g_cm3"] == pytest.approx(0.0008 * rod["HU"] + 0.01, abs=1e-4)
        c, r, s = np.round(scan.grid.index(rod["middle_lps_mm"])).astype(int)
        if 0 <= c < scan.grid.shape[2]:
            seen = scan.values[s - 3 : s + 4, r - 1 : r + 2, c - 1 : c + 2].mean()
            assert seen == pytest.approx(rod["HU"], abs=12.0)


def test_metal_is_bright_and_throws_streaks() -> None:
    spec = PhantomSpec(side=Side.LEFT, left=HipSpec(metal=PlateAndScrews(neck_screws=1)))
    with_streaks = phantom_ct(spec, _SMALL)
    without = phantom_ct(spec, replace(_SMALL, streaks=0.0))
    assert with_streaks.values.max() == 3071
    assert np.abs(with_streaks.clean.astype(int) - without.clean).max() > 100


def test_a_scan_that_cannot_be_is_refused() -> None:
    with pytest.raises(FrameError, match=r"at least 0\.2 mm"):
        ScanSpec(spacing_mm=(0.05, 1.0, 1.0))
    with pytest.raises(FrameError, match="thinner than four voxels"):
        phantom_ct(_CYST, replace(_SMALL, above_mm=1.0, below_mm=1.0))

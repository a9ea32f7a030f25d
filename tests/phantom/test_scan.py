"""The phantom's CT against its own surfaces, closed forms and independent counting."""

from dataclasses import replace

import numpy as np
import pytest

from headstock.errors import FrameError
from headstock.frames import Side
from headstock.phantom.lesion import ball
from headstock.phantom.patient import make_hip_patient
from headstock.phantom.scan import PhantomScan, fine_ct, phantom_ct
from headstock.phantom.scan_spec import Rods, ScanSpec
from headstock.phantom.scan_truth import condyles_lps_mm, version_deg
from headstock.phantom.spec import Cyst, HipSpec, PhantomSpec, PlateAndScrews
from headstock.phantom.tissue import texture
from headstock.phantom.voxels import averaged, paint

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


def test_a_bone_kernel_overshoots_edges_within_slices_and_keeps_the_mean(found: PhantomScan) -> None:
    sharp = phantom_ct(_CYST, replace(_SMALL, overshoot=0.5))
    change = sharp.values.astype(np.float64) - found.values
    assert abs(change.mean()) < 0.01 * np.abs(change).mean() + 0.5
    # Unsharp masking: proportional to the difference from the blurred slice, so twice the share changes twice as much.
    twice = phantom_ct(_CYST, replace(_SMALL, overshoot=1.0)).values.astype(np.float64) - found.values
    clear = (np.abs(found.values) < 2000) & (np.abs(sharp.values) < 2000)
    np.testing.assert_allclose(twice[clear], 2.0 * change[clear], atol=2.0)
    cortex = found.values > 800
    assert change[cortex].mean() > 20.0


def test_scanned_again_on_a_shifted_grid_it_is_the_same_patient() -> None:
    fine = fine_ct(_CYST, _SMALL)
    first, shifted = fine.scan(), fine.scan(offset_mm=(0.6, -0.4, 0.5), seed=8)
    assert np.abs(shifted.grid.origin_mm - first.grid.origin_mm - [0.6, -0.4, 0.5]).max() < 1e-9
    assert np.count_nonzero(shifted.femur) == pytest.approx(np.count_nonzero(first.femur), rel=0.02)
    assert not np.array_equal(shifted.clean, first.clean)
    assert first.truth["head_diameter_mm"] == shifted.truth["head_diameter_mm"]
    with pytest.raises(FrameError, match="fraction of a voxel"):
        fine.scan(offset_mm=(5.0, 0.0, 0.0))


def test_kept_cells_and_slabs_give_the_same_scan(found: PhantomScan) -> None:
    # The cells of a kept patient lie on a wider block than those of a scan made slab by slab.
    again = fine_ct(_CYST, _SMALL).scan()
    assert np.array_equal(again.values, found.values)
    assert np.array_equal(again.labels, found.labels)


def test_texture_belongs_to_the_patient_not_to_the_grid() -> None:
    points = np.random.default_rng(2).uniform(-80.0, 80.0, (500, 3)).astype(np.float32)
    whole = texture(points, 0.9, 7)
    assert np.array_equal(texture(points[::-1].copy(), 0.9, 7)[::-1], whole)
    assert not np.allclose(texture(points, 0.9, 8), whole)


@pytest.mark.parametrize("step", [2.0, 1.0, 0.5])
def test_a_ball_in_cells_approaches_its_volume_and_never_leaks(step: float) -> None:
    centre, radius = np.array([20.3, 18.7, 21.1]), 15.2
    surface = ball(centre, radius, rounds=5)
    size = int(44 / step)
    codes = np.zeros((size, size, size), np.uint8)
    paint(codes, surface.vertices / step, surface.faces, 1)
    # Cells cut by the surface err either way and independently of each other: their sum falls as step^2.
    assert codes.sum() * step**3 == pytest.approx(4 / 3 * np.pi * radius**3, rel=0.004 * step**2 + 0.002)
    index = np.moveaxis(np.indices(codes.shape), 0, -1)[..., ::-1] * step
    away = np.linalg.norm(index - centre, axis=-1)
    assert codes[away < radius - 0.03].all()
    assert not codes[away > radius].any()


def test_a_mean_over_voxels_keeps_what_was_there_and_moves_with_the_grid() -> None:
    # A plane edge across one axis: box and Gaussian have mass 1, so the blurred edge passes its half height on it.
    cells = np.zeros((30, 30, 60), np.int16)
    cells[:, :, 30:] = 1000
    place = np.array([10.0, 10.0, 10.0])
    seen = averaged(cells, (3, 3, 14), (3, 3, 3), place, np.full(3, 3.0), np.full(3, 1.5))
    moved = averaged(cells, (3, 3, 14), (3, 3, 3), place + np.array([0.4, 0.0, 0.0]), np.full(3, 3.0), np.full(3, 1.5))
    # Voxel i stands at cell 10 + 3 i; the edge lies between cells 29 and 30.
    at = 10.0 + 3.0 * np.arange(14)
    assert np.interp(500.0, seen[1, 1], at) == pytest.approx(29.5, abs=0.1)
    assert np.interp(500.0, moved[1, 1], at + 0.4) == pytest.approx(29.5, abs=0.1)
    # Mass to the right of the edge is kept: the last voxel centre is 49, half a voxel on it ends at 50.5.
    assert seen[1, 1].sum() * 3.0 == pytest.approx(1000.0 * (50.5 - 29.5), rel=1e-3)


def test_version_turns_with_nothing_but_the_neck_and_condyles() -> None:
    still = make_hip_patient(PhantomSpec(side=Side.LEFT, left=HipSpec(internal_rotation_deg=0.0)))
    turned = make_hip_patient(PhantomSpec(side=Side.LEFT, left=HipSpec(internal_rotation_deg=14.0)))
    assert version_deg(still.hip) == pytest.approx(version_deg(turned.hip), abs=1e-9)
    medial, lateral = condyles_lps_mm(turned.hip)
    # Left hip in LPS: internal rotation takes the lateral condyle forward (smaller y).
    plain = np.subtract(*condyles_lps_mm(still.hip))
    line = np.subtract(medial, lateral)
    turn = np.degrees(np.arctan2(line[1], line[0]) - np.arctan2(plain[1], plain[0]))
    assert abs((turn + 180.0) % 360.0 - 180.0) == pytest.approx(14.0, abs=0.5)


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
    with pytest.raises(FrameError, match="no kernel's"):
        ScanSpec(overshoot=-0.1)
    with pytest.raises(FrameError, match=r"at least 0\.2 mm"):
        ScanSpec(spacing_mm=(0.05, 1.0, 1.0))
    with pytest.raises(FrameError, match="thinner than four voxels"):
        phantom_ct(_CYST, replace(_SMALL, above_mm=1.0, below_mm=1.0))

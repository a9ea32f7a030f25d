"""Dead bone is found by its edge, its rim lies between voxels, and its interval holds the truth."""

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from headstock.anatomy.scan._lesion_find import dead_regions
from headstock.anatomy.scan._lesion_grid import on_grid, work_grid
from headstock.anatomy.scan.hip import head_sphere
from headstock.anatomy.scan.lesion import find_lesion, volume_batch_cm3
from headstock.anatomy.scan.segment import segment
from headstock.errors import FrameError
from headstock.frames import Side
from headstock.geometry.grid import Grid
from headstock.images.scan import Scan, ScanHeader

from .lesion_cases import CENTRE, RADIUS, Ball, ball_cm3, head_scan, thinned
from .scan_cases import grid_points, supplied

REAL = Path(__file__).parents[2] / "data" / "real-ct"


@dataclass(frozen=True)
class Painted:
    added: NDArray[np.bool_]
    removed: NDArray[np.bool_]


def found(case, **options):  # type: ignore[no-untyped-def]
    return find_lesion(case.scan, case.seg, CENTRE + np.array([0.6, -0.5, 0.4]), RADIUS + 0.3, n_draws=400, **options)


# The volume of a ball goes with the cube of its radius: 0.12 mm of the rim are 7 % of a ball of 5 mm, 2 % of
# one of 16 mm.
@pytest.mark.parametrize(
    ("ball", "blur", "noise"),
    [
        (Ball((2.0, 3.0, 9.0), 5.0, 10.0), 0.5, 15.0),
        (Ball((0.0, 3.0, 6.0), 9.0, 90.0), 0.8, 40.0),
        (Ball((1.0, -2.0, 4.0), 16.0, 30.0), 0.6, 5.0),
        (Ball((3.0, 0.0, 6.0), 8.0, 230.0), 0.6, 15.0),
    ],
)
def test_a_ball_of_dead_bone_is_found_with_its_volume(ball: Ball, blur: float, noise: float) -> None:
    lesion = found(head_scan(ball, blur=blur, noise=noise))
    assert len(lesion.parts) == 1
    volume = lesion.parts[0].volume_cm3
    assert volume.number == pytest.approx(ball_cm3(ball.radius), rel=0.07)
    assert volume.low < ball_cm3(ball.radius) < volume.high
    assert lesion.parts[0].centre_hip_mm == pytest.approx(np.array(ball.at), abs=1.2)  # of the sphere given: 0.9 mm off


def test_a_lesion_under_the_plate_ends_at_the_plate() -> None:
    ball = Ball((0.0, 0.0, 14.0), 9.0)  # reaches 1 mm past the sphere
    case = head_scan(ball)
    truth = np.clip(0.5 - np.maximum(case.to_ball_mm(ball), case.seg.femur_mm + 1.2), 0.0, 1.0).sum() / 1000.0
    lesion = found(case)
    assert lesion.measures["volume_cm3"].number == pytest.approx(truth, rel=0.06)
    assert not ((lesion.best_mm < 0.0) & (case.seg.femur_mm > 0.0)).any()


def test_a_thin_dense_seam_does_not_hide_the_edge_of_dead_bone() -> None:
    ball = Ball((0.0, 2.0, 7.0), 7.0, 25.0, seam_mm=1.2)
    lesion = found(head_scan(ball, blur=0.6))
    assert lesion.measures["volume_cm3"].number == pytest.approx(ball_cm3(7.0), rel=0.08)


def test_several_lesions_are_told_apart_and_numbered_by_size() -> None:
    lesion = found(head_scan(Ball((9.0, 0.0, 5.0), 5.0), Ball((-6.0, 2.0, 8.0), 7.0, 150.0)))
    assert [part.number for part in lesion.parts] == [1, 2]
    assert [part.kind for part in lesion.parts] == ["dead", "cyst"]
    sizes = [part.volume_cm3.number for part in lesion.parts]
    assert sizes == pytest.approx([ball_cm3(7.0), ball_cm3(5.0)], rel=0.1)
    assert lesion.measures["volume_cm3"].number == pytest.approx(sum(sizes), rel=1e-6)


@pytest.mark.parametrize("noise", [5.0, 40.0])
def test_bone_that_grows_thinner_without_an_edge_is_no_lesion_and_that_is_said(noise: float) -> None:
    lesion = found(head_scan(noise=noise, neck_HU=60.0))
    assert lesion.parts == ()
    assert [finding.code for finding in lesion.findings] == ["no_lesion"]
    assert lesion.best_mm.min() > 20.0


@pytest.mark.parametrize("HU", [100.0, 140.0])
def test_a_lesion_that_takes_most_of_its_head_is_not_lost_in_its_own_rim(HU: float) -> None:
    ball = Ball((0.3, 0.3, 0.3), 16.0, HU, seam_mm=1.5, seam_HU=800.0)
    lesion = found(head_scan(ball, blur=0.8, noise=10.0))
    assert [part.number for part in lesion.parts] == [1]
    assert lesion.measures["volume_cm3"].number == pytest.approx(ball_cm3(16.0), rel=0.08)


def test_marrow_spaces_as_deep_as_this_bones_own_texture_are_no_lesions() -> None:
    assert found(head_scan(texture=60.0, noise=8.0)).parts == ()


def test_inner_and_outer_estimate_enclose_the_best_one() -> None:
    lesion = found(head_scan(Ball((0.0, 3.0, 6.0), 9.0)))
    near = np.abs(lesion.best_mm) < 4.0
    assert np.all(lesion.inner_mm[near] >= lesion.outer_mm[near])
    assert np.median((lesion.inner_mm - lesion.outer_mm)[near]) > 0.5
    assert lesion.t[0] == 0.5


def test_softer_rims_have_a_wider_band() -> None:
    def band(blur: float) -> float:
        lesion = found(head_scan(Ball((0.0, 3.0, 6.0), 9.0), blur=blur))
        return float(np.median((lesion.inner_mm - lesion.outer_mm)[np.abs(lesion.best_mm) < 2.0]))

    assert band(1.2) > 1.3 * band(0.5)


def test_the_mirror_image_gives_the_same_lesion() -> None:
    ball = Ball((3.0, 4.0, 7.0), 8.0)
    case = head_scan(ball, noise=10.0)
    grid = case.scan.grid
    first = grid.origin_mm.copy()
    first[0] = -(first[0] + (grid.shape[2] - 1) * grid.spacing_mm[0])
    mirror = Grid(first, grid.axes, grid.spacing_mm, grid.shape)
    flip = np.array([-1.0, 1.0, 1.0])
    scan = replace(case.scan, values=case.scan.values[:, :, ::-1], grid=mirror)
    seg = replace(
        case.seg,
        grid=mirror,
        side=Side.LEFT,
        bones=case.seg.bones[:, :, ::-1],
        tissue=case.seg.tissue[:, :, ::-1],
        femur_mm=case.seg.femur_mm[:, :, ::-1],
    )
    here = find_lesion(case.scan, case.seg, CENTRE, RADIUS, n_draws=100)
    there = find_lesion(scan, seg, CENTRE * flip, RADIUS, n_draws=100)
    # Nodes along the rim are chosen in the order of voxels, which a mirror turns round.
    assert there.parts[0].volume_cm3.number == pytest.approx(here.parts[0].volume_cm3.number, rel=2e-3)
    assert there.parts[0].centre_hip_mm == pytest.approx(here.parts[0].centre_hip_mm, abs=0.02)


def test_a_turned_patient_has_the_same_lesion() -> None:
    case = head_scan(Ball((3.0, 4.0, 7.0), 8.0), noise=10.0)
    from headstock.geometry import rotation_about

    turn = rotation_about(np.array([0.3, 1.0, 0.4]), 25.0)
    grid = replace(case.scan.grid, origin_mm=turn @ case.scan.grid.origin_mm, axes=turn @ case.scan.grid.axes)
    here = find_lesion(case.scan, case.seg, CENTRE, RADIUS, n_draws=100)
    there = find_lesion(replace(case.scan, grid=grid), replace(case.seg, grid=grid), turn @ CENTRE, RADIUS, n_draws=100)
    assert there.parts[0].volume_cm3.number == pytest.approx(here.parts[0].volume_cm3.number, rel=1e-6)


def test_voxels_of_uneven_sides_give_the_same_volume() -> None:
    ball = Ball((0.0, 3.0, 6.0), 9.0)
    thick = thinned(head_scan(ball), (2, 1, 1))
    lesion = find_lesion(thick.scan, thick.seg, CENTRE, RADIUS, n_draws=100)
    assert lesion.parts[0].volume_cm3.number == pytest.approx(ball_cm3(9.0), rel=0.08)


def test_the_mask_measured_by_simpleitk_has_the_volume_stated() -> None:
    import SimpleITK as sitk

    lesion = found(head_scan(Ball((0.0, 3.0, 6.0), 10.0)))
    image = sitk.GetImageFromArray((lesion.best_mm < 0.0).astype(np.uint8))
    statistics = sitk.LabelShapeStatisticsImageFilter()
    statistics.Execute(image)
    # Whole voxels against partial ones: 0.4 % at this size.
    assert statistics.GetPhysicalSize(1) / 1000.0 == pytest.approx(lesion.measures["volume_cm3"].number, rel=0.01)


def test_volume_by_the_rim_converges_to_the_ball_with_the_square_of_the_step() -> None:
    errors = []
    for step in (2.0, 1.0, 0.5):
        ticks = np.arange(-14.0, 14.0 + 1e-9, step) + 0.3 * step
        distance = np.linalg.norm(np.stack(np.meshgrid(ticks, ticks, ticks)), axis=0) - 10.0
        t = np.array([0.5, 0.0, 1.0])
        volume = volume_batch_cm3(distance + 1.0, distance - 1.0, t, step**3, step)
        assert volume == pytest.approx([ball_cm3(10.0), ball_cm3(9.0), ball_cm3(11.0)], rel=0.02)
        # A ramp of width h across the surface adds pi h^2 r / 3 to a ball (derived).
        errors.append(volume[0] - ball_cm3(10.0))
    order = np.log2(np.array(errors[:-1]) / errors[1:])
    assert order == pytest.approx([2.0, 2.0], abs=0.35)


def test_a_look_up_on_a_turned_grid_gives_back_a_linear_field() -> None:
    from headstock.geometry import rotation_about

    of = Grid(np.array([1.0, 2.0, 3.0]), np.eye(3), np.array([1.0, 1.5, 2.0]), (20, 25, 30))
    onto = Grid(
        np.array([8.0, 12.0, 14.0]), rotation_about(np.array([1.0, 2.0, 0.5]), 20.0), np.full(3, 0.8), (8, 9, 10)
    )
    field = grid_points(of) @ np.array([1.0, -2.0, 0.5])
    assert on_grid(field, of, onto, 0.0) == pytest.approx(grid_points(onto) @ np.array([1.0, -2.0, 0.5]), abs=1e-3)


@pytest.mark.parametrize("name", ["alder", "birch", "cedar"])
def test_the_supplied_hips_give_their_lesion_within_ten_percent(name: str) -> None:
    seg, truth, grid, hu = supplied(name)
    centre = np.array(truth["head_centre_lps_mm"])
    lesion = find_lesion(Scan(hu, grid, "CT", ScanHeader()), seg, centre, truth["head_diameter_mm"] / 2.0, n_draws=200)
    at, radius = np.array(truth["lesion"]["centre_lps_mm"]), truth["lesion"]["radius_mm"]
    ball = np.linalg.norm(grid_points(grid) - at, axis=-1) - radius
    expected = np.clip(0.5 - np.maximum(ball, seg.femur_mm), 0.0, 1.0).sum() / 1000.0
    assert len(lesion.parts) == 1
    assert lesion.measures["volume_cm3"].number == pytest.approx(expected, rel=0.10)
    assert np.mean((lesion.best_mm < 0.0)[ball < -1.5]) > 0.95


def test_the_real_crop_gives_its_cyst_and_none_of_its_marrow_spaces() -> None:
    # No spacing is recorded: voxels stand for lengths, 1.5 across slices is what makes the head round. No mm is read.
    values = np.load(REAL / "hip_cyst_crop.npy").astype(np.int16)
    scan = Scan(values, Grid(np.zeros(3), np.eye(3), np.array([1.5, 1.0, 1.0]), values.shape), "CT", ScanHeader())
    seg = segment(scan, Side.LEFT, np.array([49.5, 21.0, 27.0]))
    sphere = head_sphere(seg)
    work = work_grid(scan, seg, sphere.centre_lps_mm, sphere.radius_mm)
    regions = dead_regions(work)
    assert len(regions) == 1
    middle = seg.grid.index(work.grid.points(np.argwhere(regions[0].mask).mean(axis=0)[::-1]))
    # By eye: a hole of about 5 voxels with a dense rim around column 36, row 26, slice 43.
    assert middle == pytest.approx([36.0, 26.0, 43.0], abs=1.5)


def test_the_same_scan_gives_the_same_answer() -> None:
    case = head_scan(Ball((0.0, 3.0, 6.0), 6.0))
    one, two = found(case), found(case)
    assert np.array_equal(one.inner_mm, two.inner_mm)
    assert np.array_equal(one.t, two.t)


def test_what_a_reader_takes_away_is_gone_and_what_is_painted_is_there() -> None:
    ball = Ball((0.0, 3.0, 6.0), 8.0)
    case = head_scan(ball, Ball((10.0, -8.0, 0.0), 5.0))
    to_other = case.to_ball_mm(Ball((-10.0, -6.0, 0.0), 5.0))
    nothing = np.zeros(case.scan.grid.shape, bool)
    taken = found(case, drawn=Painted(nothing, case.to_ball_mm(Ball((10.0, -8.0, 0.0), 7.0)) < 0.0))
    assert [p.number for p in taken.parts] == [1]
    assert taken.measures["volume_cm3"].number == pytest.approx(ball_cm3(8.0), rel=0.07)
    added = found(case, drawn=Painted(to_other < 0.0, nothing))
    assert sorted(p.kind for p in added.parts) == ["cyst", "cyst", "drawn"]
    drawn = next(p for p in added.parts if p.kind == "drawn")
    assert drawn.volume_cm3.number == pytest.approx(ball_cm3(5.0), rel=0.05)
    width = drawn.volume_cm3.high - drawn.volume_cm3.low  # a hand is less sure than an edge
    assert width > (added.parts[1].volume_cm3.high - added.parts[1].volume_cm3.low)


def test_painting_outside_the_femur_is_refused() -> None:
    case = head_scan()
    outside = np.zeros(case.scan.grid.shape, bool)
    outside[:3, :3, :3] = True
    with pytest.raises(FrameError, match="another scan"):
        found(case, drawn=Painted(outside[:5], outside[:5]))
    away = case.seg.femur_mm > 2.0
    near_head = np.linalg.norm(grid_points(case.scan.grid) - CENTRE, axis=-1) < 26.0
    with pytest.raises(FrameError, match="outside the femur"):
        found(case, drawn=Painted(away & near_head, np.zeros_like(away)))


def test_a_head_sphere_beside_the_femur_is_refused() -> None:
    case = head_scan(Ball((0.0, 3.0, 6.0), 6.0))
    with pytest.raises(FrameError, match="Less than a third"):
        find_lesion(case.scan, case.seg, CENTRE + np.array([0.0, 30.0, 0.0]), RADIUS)

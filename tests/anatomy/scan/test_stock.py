"""The stock profile of solids against closed forms: ball, cone, tube wall; and the numbers of a cut."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from headstock.anatomy.scan._stock_stack import neck_frame
from headstock.anatomy.scan._stock_wall import wall_mm
from headstock.anatomy.scan.lesion import no_lesion
from headstock.anatomy.scan.stock import cut_numbers, stock_profile
from headstock.anatomy.scan.values import Density, Lesion, ScanHip, StockProfile
from headstock.errors import TooFewError
from headstock.frames import LPS_TO_HIP, Side
from headstock.geometry import rotation_about
from headstock.images.scan import Scan, ScanHeader

from .lesion_cases import CENTRE, NECK, NECK_RADIUS, RADIUS, Ball, HeadScan, exact_lesion, head_scan, plain_hip
from .scan_cases import grid_points, segmentation_of, straight_grid

Floats = NDArray[np.float64]
BALL = Ball((1.0, 0.0, 6.0), 9.0)
BALL_DEPTH = RADIUS - float(np.array(BALL.at) @ NECK)  # of the ball's middle below the pole


def law(n: int = 400, sd: float = 0.0) -> Density:
    slope = np.full(n + 1, 0.0008)
    slope[1:] *= 1.0 + sd * np.random.default_rng(4).standard_normal(n)
    return Density(slope, np.zeros(n + 1), "known")


def profile_of(
    case: HeadScan, lesion: Lesion | None = None, hip: ScanHip | None = None, **options: float
) -> StockProfile:
    dead = no_lesion(case.seg, case.scan, n_draws=400) if lesion is None else lesion
    return stock_profile(case.scan, case.seg, hip or plain_hip(case.side), dead, law(), last_depth_mm=58.0, **options)


def at(profile: StockProfile, depth: float) -> int:
    return int(np.argmin(np.abs(profile.depth_mm - depth)))


@pytest.fixture(scope="module")
def case() -> HeadScan:
    return head_scan(BALL, noise=0.0, below=50.0)


@pytest.fixture(scope="module")
def profile(case: HeadScan) -> StockProfile:
    return profile_of(case, exact_lesion(case, BALL, sd=0.2), plain_hip(sds=(0.2, 0.2, 1.0)))


@pytest.mark.parametrize("depth", [5.0, 12.0, 22.0, 30.0])
def test_a_section_of_a_ball_has_its_area(profile: StockProfile, depth: float) -> None:
    expected = np.pi * depth * (2.0 * RADIUS - depth)
    assert profile.section_mm2[0, at(profile, depth)] == pytest.approx(expected, rel=0.004)


def test_a_section_of_the_neck_is_that_of_its_tube(profile: StockProfile) -> None:
    assert profile.section_mm2[0, at(profile, 48.0)] == pytest.approx(np.pi * NECK_RADIUS**2, rel=0.006)


@pytest.mark.parametrize("off", [-6.0, 0.0, 5.0])
def test_dead_area_is_the_section_of_the_ball_of_dead_bone(profile: StockProfile, off: float) -> None:
    k = at(profile, BALL_DEPTH + off)
    off = profile.depth_mm[k] - BALL_DEPTH
    dead = np.pi * (BALL.radius**2 - off**2)
    # Between planes 0.75 mm apart a circle's edge is met with 0.1 mm: 1 % of the dead area.
    assert profile.section_mm2[0, k] - profile.sound_mm2[0, k] == pytest.approx(dead, rel=0.015)
    inner = np.pi * ((BALL.radius - 0.5) ** 2 - off**2)
    assert profile.section_mm2[0, k] - profile.sound_inner_mm2[k] == pytest.approx(inner, rel=0.03)
    assert profile.sound_outer_mm2[k] < profile.sound_mm2[0, k] < profile.sound_inner_mm2[k]


def test_sections_converge_with_the_square_of_the_voxel() -> None:
    # A cone of half-angle 20 degrees about a slanted axis, known by its distance at voxel centres: pi (s tan a)^2.
    axis = rotation_about(np.array([1.0, 2.0, 0.3]), 33.0) @ np.array([0.0, 0.0, 1.0])
    tip, slope = CENTRE + 30.0 * axis, np.tan(np.radians(20.0))
    errors = []
    for spacing in (2.0, 1.0, 0.5):
        grid = straight_grid(CENTRE - 32.0, CENTRE + 32.0, spacing)
        off = grid_points(grid) - tip
        down = -(off @ axis)
        across = np.sqrt(np.maximum((off**2).sum(axis=-1) - down**2, 0.0))
        distance = (across - down * slope) * np.cos(np.radians(20.0))
        seg = segmentation_of(distance, grid, Side.RIGHT)
        into = LPS_TO_HIP[Side.RIGHT]
        rows = np.ones((101, 1))
        hip = replace(
            plain_hip(n=100),
            neck_axis=rows * (into @ axis),
            head_radius=np.full(101, 30.0),
            neck_point=rows * np.zeros(3),
        )
        hip = replace(hip, neck_point=rows * (-8.0 * (into @ axis)), head_radius=np.full(101, 24.0))
        scan = Scan(np.zeros(grid.shape, np.int16), grid, "CT", ScanHeader())
        found = stock_profile(scan, seg, hip, no_lesion(seg, scan, n_draws=100), law(100), last_depth_mm=40.0)
        # Depth 0 is 24 mm up the axis from the centre, 6 mm below the tip.
        s = found.depth_mm + 6.0
        some = (found.depth_mm > 10.0) & (found.depth_mm < 36.0)
        errors.append(float(np.mean(found.section_mm2[0, some] / (np.pi * (s[some] * slope) ** 2) - 1.0)))
    # Trilinear look-up of a field bent across the axis: of order h^2, beside what the plane's own step leaves.
    assert abs(errors[2]) < 0.004
    assert np.log2(abs(errors[0] - errors[2]) / abs(errors[1] - errors[2])) == pytest.approx(2.3, abs=0.7)


def test_bone_above_a_cut_is_the_cap_of_the_ball(profile: StockProfile) -> None:
    for depth in (8.3, 21.0):
        cut = cut_numbers(profile, depth)
        assert cut.bone_above_cm3.number == pytest.approx(np.pi * depth**2 * (3.0 * RADIUS - depth) / 3000.0, rel=0.01)


def test_sound_bone_starts_where_the_dead_ball_ends(profile: StockProfile) -> None:
    # The last section with 1 % of it dead lies a little above the ball's lowest point: A = 2 pi r s.
    lowest = BALL_DEPTH + BALL.radius
    section = np.pi * lowest * (2.0 * RADIUS - lowest)
    above = 0.01 * section / (2.0 * np.pi * BALL.radius)
    found = profile.sound_from_mm
    assert found.number == pytest.approx(lowest - above, abs=0.15)
    assert found.low < found.number < found.high
    # Rim 0.2, centre along the axis 0.2 and radius 0.2 mm: 0.35 mm; the tilt of 1 degree moves the ball's end by 0.1.
    assert (found.high - found.low) / (2 * 1.96) == pytest.approx(0.36, rel=0.2)


def test_a_stricter_share_puts_sound_bone_deeper(case: HeadScan) -> None:
    lesion = exact_lesion(case, BALL)
    loose, strict = (profile_of(case, lesion, sound_section_percent=p).sound_from_mm.number for p in (90.0, 99.0))
    assert strict > loose + 0.5


def test_no_dead_bone_leaves_every_section_sound(case: HeadScan) -> None:
    whole = profile_of(case)
    assert whole.sound_from_mm.number == 0.0
    assert np.array_equal(whole.sound_mm2, whole.section_mm2)


def test_dead_bone_down_to_the_end_leaves_the_depth_missing_with_its_reason(case: HeadScan) -> None:
    deep = Ball(tuple(float(v) for v in -36.0 * NECK), 9.0)
    lost = profile_of(case, exact_lesion(case, deep))
    assert lost.sound_from_mm.kind == "missing"
    assert "dead bone goes deeper" in (lost.sound_from_mm.reason or "")


def test_the_first_order_tilt_is_the_section_square_to_the_turned_axis(case: HeadScan) -> None:
    # Of 2.5 degrees: the draw of row 1 against a profile read along the turned axis.
    hip = plain_hip(n=60)
    turned = NECK + np.radians(2.5) * np.array([-0.5, 0.7, 0.5])
    turned /= np.linalg.norm(turned)
    lesion = exact_lesion(case, Ball((-7.0, 7.0, 7.0), 7.0), n=60)
    axes = hip.neck_axis.copy()
    axes[1] = turned
    one = stock_profile(case.scan, case.seg, replace(hip, neck_axis=axes), lesion, law(60), last_depth_mm=58.0)
    other_hip = replace(hip, neck_axis=np.tile(turned, (61, 1)))
    other = stock_profile(case.scan, case.seg, other_hip, lesion, law(60), last_depth_mm=58.0)
    here, there = (slice(at(p, 4.0), at(p, 30.0)) for p in (one, other))
    moved = other.draws[0, there] - one.draws[0, here]
    predicted = one.draws[1, here] - one.draws[0, here]
    assert np.abs(moved).max() > 0.01  # the tilt does something
    # What is left is of second order in the tilt, and the dead ball's ends, where no line goes through.
    assert np.sqrt(np.mean((predicted - moved) ** 2)) < 0.15 * np.sqrt(np.mean(moved**2))


def test_density_is_the_mean_of_sound_bone_by_the_law(case: HeadScan) -> None:
    # Bone of 360 HU in the head's middle, the dead ball left out: 0.288 g/cm3, cortex adds where it is cut.
    hip, lesion = plain_hip(), exact_lesion(case, BALL)
    flat = replace(case.scan, values=np.where(case.to_ball_mm(BALL) < 0.0, -500, 360).astype(np.int16))
    found = stock_profile(flat, case.seg, hip, lesion, law(sd=0.02), last_depth_mm=58.0)
    k = at(found, 30.0)
    assert found.density_unit == "g/cm3"
    assert found.density[0, k] == pytest.approx(0.288, rel=0.03)
    assert (found.density[2, k] - found.density[1, k]) / (2 * 1.96) == pytest.approx(0.02 * 0.288, rel=0.2)


def test_without_a_law_density_is_a_ratio_that_says_so(case: HeadScan) -> None:
    lesion = exact_lesion(case, BALL)
    found = stock_profile(case.scan, case.seg, plain_hip(), lesion, Density(None, None, ""), last_depth_mm=58.0)
    assert found.density_unit == "1"
    assert (
        found.density[0, at(found, 20.0)] > 1.0 > found.density[0, at(found, 50.0)]
    )  # the head is denser than the neck
    assert np.all(found.density[2, 20:60] > found.density[1, 20:60])


@pytest.mark.parametrize("thickness", [1.2, 2.0, 3.0, 5.0])
def test_the_wall_of_a_tube_has_its_thickness(thickness: float) -> None:
    from scipy.special import ndtr

    grid = straight_grid(np.full(3, -18.0), np.full(3, 18.0), 1.0, np.array([0.2, 0.4, 0.1]))
    points = grid_points(grid)
    away = np.linalg.norm(points[..., :2], axis=-1)
    blur = 0.55
    hu = 45.0 + (1100.0 - 45.0) * ndtr((13.0 - away) / blur) + (250.0 - 1100.0) * ndtr((13.0 - thickness - away) / blur)
    angle = np.linspace(0.0, 2.0 * np.pi, 40, endpoint=False)
    out = np.stack([np.cos(angle), np.sin(angle), np.zeros(40)], axis=1)
    found = wall_mm(hu, grid, 13.0 * out, -out, 1100.0)
    # Half levels of a wall thicker than twice the blur are exact; of a thinner one its mass is.
    assert float(np.mean(found)) == pytest.approx(thickness, abs=0.2)
    assert np.all(np.isfinite(found))


def test_no_wall_is_told_where_there_is_none() -> None:
    grid = straight_grid(np.full(3, -10.0), np.full(3, 10.0), 1.0)
    found = wall_mm(np.full(grid.shape, 45.0), grid, np.zeros((3, 3)), np.tile([1.0, 0.0, 0.0], (3, 1)), 1100.0)
    assert np.all(np.isnan(found))


def test_the_wall_round_a_section_is_the_cortex_put_there() -> None:
    found = profile_of(head_scan(noise=10.0, below=50.0, cortex_mm=2.6))
    some = slice(at(found, 8.0), at(found, 28.0))
    assert found.wall_mm[0, some] == pytest.approx(2.6, abs=0.25)
    assert np.all(found.least_wall_mm[0, some] <= found.wall_mm[0, some] + 1e-9)


def test_a_wall_thinner_than_the_blur_is_kept_thin_by_the_level_of_thick_cortex() -> None:
    # A scan of 1.2 mm of cortex in the head that shows thick cortex elsewhere (a shaft) knows what cortex is.
    thin = head_scan(noise=0.0, below=50.0)
    femur = thin.seg.femur_mm
    deep = (femur < 0.0) & (femur > -3.0) & (grid_points(thin.scan.grid)[..., 2] < CENTRE[2] - 25.0)
    shaft = replace(thin.scan, values=np.where(deep, 1100, thin.scan.values).astype(np.int16))
    known, unknown = (profile_of(replace(thin, scan=scan)) for scan in (shaft, thin.scan))
    k = at(known, 15.0)
    assert known.wall_mm[0, k] == pytest.approx(1.2, abs=0.25)
    # Without thick cortex in the scan the wall can only be said to be at most this thick.
    assert 1.2 < known.wall_mm[0, k] + 0.1 < unknown.wall_mm[0, k] < 2.2


@pytest.mark.parametrize("side", [Side.LEFT, Side.RIGHT])
def test_across_is_medial_and_front_is_anterior_on_both_sides(side: Side) -> None:
    frame = neck_frame(plain_hip(side))
    medial = -1.0 if side is Side.LEFT else 1.0  # LPS: +x is the patient's left
    assert frame.across[0] * medial > 0.5
    assert frame.front[1] < -0.9
    assert frame.down @ frame.across == pytest.approx(0.0, abs=1e-12)
    assert frame.lps(0.0, 0.0, RADIUS) == pytest.approx(CENTRE)


def test_both_sides_give_the_same_profile() -> None:
    rows = []
    for side in (Side.LEFT, Side.RIGHT):
        one = head_scan(BALL, side=side, noise=0.0, below=50.0)
        rows.append(profile_of(one, exact_lesion(one, BALL)))
    assert rows[0].depth_mm == pytest.approx(rows[1].depth_mm)
    # The grids of the two sides do not mirror voxel on voxel.
    assert rows[0].sound_mm2[0] == pytest.approx(rows[1].sound_mm2[0], abs=4.0)


def test_a_trochanter_is_cut_off_by_the_necks_side_plane() -> None:
    # A block lateral of the neck from 46 mm down, reaching the axis' side.
    case = head_scan(noise=0.0, below=50.0)
    into = LPS_TO_HIP[case.side]
    off = (grid_points(case.scan.grid) - CENTRE) @ into.T
    depth = RADIUS - off @ NECK
    across = off @ np.array([1.0, 0.0, -1.0]) / np.sqrt(2.0)  # medial and distal
    block = np.maximum(np.maximum(across + 8.0, -26.0 - across), np.maximum(np.abs(off[..., 1]) - 10.0, 46.0 - depth))
    seg = segmentation_of(np.minimum(case.seg.femur_mm, block), case.scan.grid, case.side)
    hip = replace(plain_hip(), neck_point=np.tile(-20.0 * NECK, (401, 1)))
    found = stock_profile(case.scan, seg, hip, no_lesion(seg, case.scan, n_draws=400), law(), last_depth_mm=56.0)
    assert not found.joined[: at(found, 45.0)].any()
    assert found.joined[at(found, 47.5) : at(found, 52.0)].all()
    # Cut off 3 mm outside the narrowest section: the tube, and the block's strip between the two.
    k = at(found, 50.0)
    strip = found.section_mm2[0, k] - np.pi * NECK_RADIUS**2
    assert 0.0 < strip < 0.4 * (18.0 * 20.0)


def test_a_cut_outside_the_profile_is_refused(profile: StockProfile) -> None:
    with pytest.raises(TooFewError, match="is not in it"):
        cut_numbers(profile, 200.0)


def test_numbers_of_a_cut_follow_it_between_depths(profile: StockProfile) -> None:
    low, middle, high = (cut_numbers(profile, d, plain_hip()) for d in (20.0, 20.25, 20.5))
    assert middle.section_mm2.number == pytest.approx(0.5 * (low.section_mm2.number + high.section_mm2.number))
    assert middle.section_sound_percent.number == pytest.approx(
        0.5 * (low.section_sound_percent.number + high.section_sound_percent.number)
    )
    assert low.section_mm2.unit == "mm2"
    assert low.head_kept_percent.number == pytest.approx(100.0 * (1.0 - 20.0 / 33.0))


def test_a_scan_that_ends_in_the_head_is_refused(case: HeadScan) -> None:
    down = -(grid_points(case.scan.grid) - CENTRE) @ (LPS_TO_HIP[case.side].T @ NECK)
    keep = np.flatnonzero((down < 2.0).any(axis=(1, 2)))
    first = int(keep[0]) + 45
    grid = case.scan.grid.cropped((first, 0, 0), (case.scan.grid.shape[0] - first, *case.scan.grid.shape[1:]))
    scan = replace(case.scan, values=case.scan.values[first:], grid=grid)
    seg = replace(
        case.seg,
        grid=grid,
        bones=case.seg.bones[first:],
        tissue=case.seg.tissue[first:],
        femur_mm=case.seg.femur_mm[first:],
    )
    with pytest.raises(TooFewError):
        stock_profile(scan, seg, plain_hip(), no_lesion(seg, scan, n_draws=400), law(), last_depth_mm=58.0)


def test_the_same_input_gives_the_same_profile(case: HeadScan, profile: StockProfile) -> None:
    again = profile_of(case, exact_lesion(case, BALL, sd=0.2), plain_hip(sds=(0.2, 0.2, 1.0)))
    assert np.array_equal(again.draws, profile.draws)


def test_a_scan_wider_than_the_outlines_gives_the_same_profile(case: HeadScan, profile: StockProfile) -> None:
    grid = case.scan.grid
    wider = np.pad(case.scan.values, ((3, 5), (7, 2), (4, 6)), constant_values=-1000)
    origin = grid.points(np.array([-4.0, -7.0, -3.0]))
    whole = Scan(wider, replace(grid, origin_mm=origin, shape=wider.shape), "CT", ScanHeader())
    lesion, hip = exact_lesion(case, BALL, sd=0.2), plain_hip(sds=(0.2, 0.2, 1.0))
    found = stock_profile(whole, case.seg, hip, lesion, law(), last_depth_mm=58.0)
    for name in ("section_mm2", "sound_mm2", "density", "wall_mm", "least_wall_mm"):
        np.testing.assert_allclose(getattr(found, name), getattr(profile, name), atol=1e-3, equal_nan=True)

"""MR onto CT: known motions are found again, the error is said, lesions are carried with it, nonsense is refused."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from headstock.anatomy.scan.lesion import find_lesion
from headstock.anatomy.scan.lesion_measures import lesion_measures
from headstock.anatomy.scan.lesion_mr import outline_from_click, sphere_hip, sphere_segmentation
from headstock.anatomy.scan.register import Registration, carried, register
from headstock.errors import FrameError, TooFewError
from headstock.frames import LPS_TO_HIP, Side
from headstock.geometry import rotation_about
from headstock.geometry.grid import Grid
from headstock.geometry.sections3d import sample
from headstock.images.scan import Scan, ScanHeader
from headstock.measured import normal

from .hip_of_solids import CENTRE as HIP_CENTRE
from .hip_of_solids import hip_of_solids
from .lesion_cases import CENTRE, RADIUS, Ball, head_scan, plain_hip
from .scan_cases import grid_points, supplied

Floats = NDArray[np.float64]


def as_mr(values: NDArray[np.generic], seed: int = 1) -> NDArray[np.float32]:
    """Grey values as a T1 picture has them: fat marrow bright, cortex and air black, muscle grey."""
    table = ([-1000, -300, -100, 40, 150, 320, 700, 1300], [0, 5, 240, 110, 190, 230, 90, 10])
    noise = 6.0 * np.random.default_rng(seed).standard_normal(values.shape)
    return np.asarray(np.interp(values, *table) + noise, np.float32)


def moved_grid(grid: Grid, turn: Floats, about: Floats, shift: Floats) -> Grid:
    """The grid of a patient who lay turned and shifted."""
    origin = turn @ (grid.origin_mm - about) + about + shift
    return replace(grid, origin_mm=origin, axes=turn @ grid.axes)


@pytest.mark.parametrize(
    ("axis", "deg", "shift", "spacing"),
    [
        ((1.0, 0.3, 0.2), 6.0, (4.0, -3.0, 2.0), (1.0, 1.0, 1.0)),
        ((0.1, -0.4, 1.0), -9.0, (-2.0, 6.0, -5.0), (0.9, 0.9, 1.5)),  # slices thicker than pixels, as MR has them
    ],
)
def test_a_known_motion_is_found_again(
    axis: tuple[float, ...], deg: float, shift: tuple[float, ...], spacing: tuple[float, ...]
) -> None:
    _, truth, grid, hu = supplied("alder")
    centre, radius = np.array(truth["head_centre_lps_mm"]), truth["head_diameter_mm"] / 2.0
    ct = Scan(hu, grid, "CT", ScanHeader())
    turn = rotation_about(np.array(axis), deg)
    step = np.array(spacing)
    count = np.round(112.0 / step).astype(int)
    there = Grid(centre - 0.5 * step * count, np.eye(3), step, (int(count[2]), int(count[1]), int(count[0])))
    # The patient lay turned and shifted: what an MR voxel shows lies elsewhere on the CT.
    on_ct = (grid_points(there) - centre) @ turn.T + centre + np.array(shift)
    mr = Scan(as_mr(sample(hu, grid, on_ct, outside=-1000.0)), there, "MR", ScanHeader())
    found = register(ct, mr, centre, radius, starts=3)
    targets = centre + radius * np.random.default_rng(8).uniform(-1, 1, (200, 3)) / np.sqrt(3.0)
    on_mr = (targets - centre - np.array(shift)) @ turn + centre
    error = float(np.sqrt(np.mean(np.sum((found.to_ct(on_mr) - targets) ** 2, axis=1))))
    assert error < 0.4  # the error that the method states for itself
    assert found.target_error_mm.high >= error
    assert found.target_error_mm.unit == "mm"
    assert found.to_mr(found.to_ct(on_mr)) == pytest.approx(on_mr, abs=1e-9)


def test_the_same_scans_give_the_same_motion() -> None:
    ct_hip = hip_of_solids(2.5)
    mr = Scan(as_mr(ct_hip.scan.values), ct_hip.scan.grid, "MR", ScanHeader())
    one, two = (register(ct_hip.scan, mr, HIP_CENTRE, ct_hip.radius_mm, starts=2) for _ in range(2))
    assert np.array_equal(one.rotation, two.rotation)
    assert np.array_equal(one.translation_mm, two.translation_mm)


def test_an_mr_of_another_place_is_refused() -> None:
    ct_hip = hip_of_solids(2.5)
    grid = moved_grid(ct_hip.scan.grid, np.eye(3), HIP_CENTRE, np.array([180.0, 0.0, 0.0]))
    with pytest.raises(FrameError, match="does not hold the femoral head"):
        register(ct_hip.scan, Scan(as_mr(ct_hip.scan.values), grid, "MR", ScanHeader()), HIP_CENTRE, 23.0)


BALL = Ball((0.0, 2.0, 7.0), 8.0)
CLICK = CENTRE + LPS_TO_HIP[Side.RIGHT].T @ np.array(BALL.at)


def mr_scan(noise: float = 0.0) -> Scan:
    """A T1 picture in which dead bone is dark and sound marrow bright."""
    case = head_scan(BALL, noise=noise)
    return Scan(as_mr(case.scan.values), case.scan.grid, "MR", ScanHeader())


def outlined(scan: Scan, click: Floats = CLICK):  # type: ignore[no-untyped-def]
    seg = sphere_segmentation(scan, Side.RIGHT, CENTRE, RADIUS)
    return seg, outline_from_click(scan, seg, click, CENTRE, RADIUS, n_draws=200)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_one_click_outlines_a_lesion_darker_or_brighter_than_its_head(sign: float) -> None:
    scan = mr_scan()
    _, lesion = outlined(replace(scan, values=(sign * scan.values).astype(np.float32)))
    assert lesion.modality == "MR"
    assert [part.kind for part in lesion.parts] == ["drawn"]
    # 4/3 pi 8^3 = 2.145 cm3; the picture's greys are bent, so that halfway lies a little aside: 0.3 mm of rim are 11 %.
    assert lesion.measures["volume_cm3"].number == pytest.approx(2.145, rel=0.12)
    assert [finding.code for finding in lesion.findings] == ["lesion_by_click"]


def test_a_lesion_on_mr_alone_is_measured_with_the_head_sphere_given_by_hand() -> None:
    scan = mr_scan()
    seg, lesion = outlined(scan)
    measured = lesion_measures(lesion, scan, seg, sphere_hip(Side.RIGHT, CENTRE, RADIUS, n_draws=200))
    # The ball holds the head centre and nowhere reaches the joint surface: no arc, as on films.
    assert measured.measures["necrotic_arc_coronal_deg"].number == 0.0
    h = 1.45 * RADIUS
    share = 100.0 * measured.measures["volume_cm3"].number * 1000.0 / (np.pi * h**2 * (3.0 * RADIUS - h) / 3.0)
    assert measured.measures["share_of_head_percent"].number == pytest.approx(share, rel=0.02)
    assert measured.measures["share_of_head_percent"].high > measured.measures["share_of_head_percent"].number


def test_a_click_outside_the_head_is_refused() -> None:
    with pytest.raises(FrameError, match="outside the head"):
        outlined(mr_scan(), CENTRE + np.array([0.0, 40.0, 0.0]))


def test_a_head_of_one_grey_has_no_lesion_to_click() -> None:
    scan = mr_scan()
    with pytest.raises(TooFewError, match="like the rest of the head"):
        outlined(replace(scan, values=np.full(scan.values.shape, 100.0, np.float32)))


def test_a_sphere_outside_the_scan_is_refused() -> None:
    with pytest.raises(FrameError, match="does not lie in this scan"):
        sphere_segmentation(mr_scan(), Side.RIGHT, CENTRE + np.array([400.0, 0.0, 0.0]), RADIUS)


def known_motion(error_mm: float) -> Registration:
    turn = rotation_about(np.array([0.2, 1.0, 0.4]), 7.0)
    shift = np.array([3.0, -2.0, 4.0])
    return Registration(turn, shift, normal(error_mm, 0.1, "mm", "known"), np.zeros(2))


def test_a_carried_lesion_keeps_its_volume_and_takes_the_error_into_its_band() -> None:
    ct = head_scan(BALL)
    scan = mr_scan()
    _, lesion = outlined(scan)
    motion = known_motion(1.2)
    # The same patient, lying as the motion says: MR points are those of the CT moved back.
    grid = replace(
        lesion.grid, origin_mm=motion.to_mr(lesion.grid.origin_mm), axes=motion.rotation.T @ lesion.grid.axes
    )
    into = LPS_TO_HIP[Side.RIGHT]
    offset = into @ motion.rotation.T @ into.T @ lesion.parts[0].centre_hip_mm
    there = replace(lesion, grid=grid, parts=(replace(lesion.parts[0], centre_hip_mm=offset),))
    found = carried(there, motion, ct.seg)
    step = 1.0
    volume = float(np.clip(0.5 - found.best_mm / step, 0.0, 1.0).sum() / 1000.0)
    assert volume == pytest.approx(lesion.measures["volume_cm3"].number, rel=0.02)
    assert np.mean((found.best_mm < 0.0)[ct.to_ball_mm(BALL) < -1.5]) > 0.98
    near = np.abs(found.best_mm) < 2.0
    before = np.abs(lesion.best_mm) < 2.0
    wider = np.median((found.inner_mm - found.outer_mm)[near])
    assert wider > np.hypot(np.median((lesion.inner_mm - lesion.outer_mm)[before]), 2.0 * 1.2) * 0.9
    assert found.modality == "MR"
    measured = lesion_measures(found, ct.scan, ct.seg, plain_hip(n=200))
    assert measured.parts[0].centre_hip_mm == pytest.approx(np.array(BALL.at), abs=0.6)


def test_a_carried_lesion_and_one_found_on_ct_become_one() -> None:
    ct = head_scan(BALL)
    _, lesion = outlined(mr_scan())
    still = Registration(np.eye(3), np.zeros(3), normal(0.5, 0.1, "mm", "known"), np.zeros(2))
    both = find_lesion(ct.scan, ct.seg, CENTRE, RADIUS, other=carried(lesion, still, ct.seg), n_draws=200)
    assert len(both.parts) == 1
    assert both.modality == "MR"
    assert both.measures["volume_cm3"].number == pytest.approx(2.145, rel=0.12)


def test_a_lesion_carried_out_of_the_femur_is_refused() -> None:
    ct = head_scan(BALL)
    _, lesion = outlined(mr_scan())
    away = Registration(np.eye(3), np.array([60.0, 0.0, 0.0]), normal(0.5, 0.1, "mm", "known"), np.zeros(2))
    with pytest.raises(FrameError, match="outside the femur"):
        carried(lesion, away, ct.seg)

"""The rim of dead bone near the plate of the head: layers drawn with known places are told apart."""

import numpy as np
import pytest
from scipy import ndimage
from scipy.special import ndtr

from headstock.anatomy.scan._lesion_plate import PlateLevels, near_plate, plate_over_mm
from headstock.anatomy.scan.lesion import find_lesion

from .lesion_cases import CENTRE, RADIUS, Ball, HeadScan, ball_cm3, head_scan, thinned

CORTEX, SOFT, DEAD, SOUND, BLUR = 1150.0, 60.0, 60.0, 350.0, 0.7
LEVELS = PlateLevels(CORTEX, SOFT, 40.0, 1.0)


@pytest.mark.parametrize("plate", [0.8, 1.6])
@pytest.mark.parametrize("rim", [-0.6, 0.0, 0.5])
@pytest.mark.parametrize("gap", [1.5, 2.5])
def test_rim_and_plate_a_little_apart_are_told_apart(plate: float, rim: float, gap: float) -> None:
    ticks = np.arange(-3.0, 5.01, 0.2)
    deep = plate + gap + rim - ticks  # the profile runs straight at the surface
    inner = ndtr((deep - plate) / BLUR)
    layers = DEAD + (SOUND - DEAD) * ndtr((ticks - rim) / BLUR)
    bone = ndtr(deep / BLUR)
    profile = SOFT * (1.0 - bone) + CORTEX * (bone - inner) + layers * inner
    # Thirty places of one head: their plates are one.
    many = [np.tile(row, (30, 1)) for row in (profile, deep)]
    found = near_plate(many[0], many[1], ticks, np.full(30, DEAD), np.full(30, SOUND), LEVELS, BLUR)
    # Drawn without noise; what is left is the pull of the first rim, which lies at 0.
    assert found == pytest.approx(np.full(30, rim), abs=0.2)
    assert found.std() == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("joint", [1.2, 3.0, 9.0])
@pytest.mark.parametrize(("plate", "surface"), [(0.9, 0.0), (0.9, 0.15), (1.8, -0.15)])
def test_the_plate_over_dead_bone_is_measured_from_the_surface_given(
    plate: float, surface: float, joint: float
) -> None:
    depth = np.tile(np.arange(-6.0, 12.0, 0.31), (14, 14, 1)) + np.linspace(0.0, 0.3, 14)[:, None, None]
    outside = SOFT + (CORTEX - SOFT) * ndtr((-depth - joint) / BLUR)  # the socket's plate beyond the joint
    bone, inner = ndtr((depth - surface) / BLUR), ndtr((depth - surface - plate) / BLUR)
    values = outside * (1.0 - bone) + CORTEX * (bone - inner) + DEAD * inner
    best = np.full(depth.shape, -3.0)
    found = plate_over_mm(values, depth, best, DEAD, LEVELS)
    assert found == pytest.approx(plate + surface, abs=0.06)
    # On another scale of grey values nothing changes: MR has no HU.
    other = PlateLevels(0.2 * CORTEX + 5.0, 0.2 * SOFT + 5.0, 8.0, 0.2)
    assert plate_over_mm(0.2 * values + 5.0, depth, best, 0.2 * DEAD + 5.0, other) == pytest.approx(found, abs=1e-3)


def test_where_no_plate_lies_over_dead_bone_the_usual_one_is_taken() -> None:
    depth = np.full((8, 8, 8), 9.0)
    assert plate_over_mm(np.full(depth.shape, DEAD), depth, np.full(depth.shape, -3.0), DEAD, LEVELS) == 1.2


# A layer of 2 to 3 mm of sound bone all round, then the plate: rim and plate blur into each other.
@pytest.mark.parametrize(
    ("radius", "HU", "cortex_mm"),
    [(18.0, 230.0, 0.9), (18.0, 100.0, 1.9), (17.0, 30.0, 1.6)],
)
def test_a_lesion_that_nearly_fills_its_head_keeps_its_volume(radius: float, HU: float, cortex_mm: float) -> None:
    case = head_scan(Ball((0.2, 0.2, 0.2), radius, HU), blur=0.7, cortex_mm=cortex_mm)
    lesion = find_lesion(case.scan, case.seg, CENTRE, RADIUS, n_draws=400)
    volume = lesion.measures["volume_cm3"]
    assert [part.number for part in lesion.parts] == [1]
    assert volume.number == pytest.approx(ball_cm3(radius), rel=0.07)
    assert volume.low < ball_cm3(radius) < volume.high


@pytest.mark.parametrize(("at", "radius", "HU", "cortex_mm"), [(16.0, 9.0, 100.0, 1.6), (19.0, 11.0, 150.0, 1.9)])
def test_dead_bone_under_a_thick_blurred_plate_ends_at_its_inner_face(
    at: float, radius: float, HU: float, cortex_mm: float
) -> None:
    ball = Ball((0.0, 0.0, at), radius, HU)
    case = head_scan(ball, blur=0.8, cortex_mm=cortex_mm)
    inner = np.maximum(case.to_ball_mm(ball), case.seg.femur_mm + cortex_mm)
    truth = np.clip(0.5 - inner, 0.0, 1.0).sum() / 1000.0
    lesion = find_lesion(case.scan, case.seg, CENTRE, RADIUS, n_draws=400)
    assert lesion.measures["volume_cm3"].number == pytest.approx(truth, rel=0.05)


def test_a_cyst_close_under_a_thick_plate_does_not_take_it_for_a_seam() -> None:
    ball = Ball((0.0, 0.0, RADIUS - 1.9 - 1.6 - 5.8), 5.8, 36.0)
    case = head_scan(ball, blur=0.7, cortex_mm=1.9)
    lesion = find_lesion(case.scan, case.seg, CENTRE, RADIUS, n_draws=400)
    assert lesion.measures["volume_cm3"].number == pytest.approx(ball_cm3(5.8), rel=0.10)


def blurred(case: HeadScan, sigma_mm: float, every: int) -> HeadScan:
    """A fine scan blurred in space, as a scanner does, on every n-th voxel."""
    values = ndimage.gaussian_filter(case.scan.values.astype(float), sigma_mm / case.scan.grid.spacing_mm[0])
    return thinned(case, (every, every, every), np.round(values).astype(np.int16))


def test_a_small_cyst_keeps_its_volume_under_the_blur_of_a_scanner() -> None:
    # The half level of a blurred ball lies sigma^2 / r too far in: 0.13 mm here, 8 % of the volume.
    ball = Ball((0.0, 2.0, 4.0), 5.0, 60.0)
    case = blurred(head_scan(ball, spacing=0.5, blur=0.15, noise=0.0), 0.8, 2)
    lesion = find_lesion(case.scan, case.seg, CENTRE, RADIUS, n_draws=400)
    assert lesion.measures["volume_cm3"].number == pytest.approx(ball_cm3(5.0), rel=0.05)

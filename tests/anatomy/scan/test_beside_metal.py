"""Metal beside a measure: the share of what it rests on, in closed form; what lies clear of metal says nothing."""

import re
from dataclasses import replace

import numpy as np
import pytest

from headstock.anatomy.scan._sphere import HEAD_REGION_DEG
from headstock.anatomy.scan.beside_metal import HIP_RESTS_ON, lesion_beside_metal, note_of
from headstock.anatomy.scan.density import density_from_rods
from headstock.anatomy.scan.hip import scan_hip
from headstock.anatomy.scan.lesion import no_lesion
from headstock.anatomy.scan.lesion_measures import lesion_measures
from headstock.anatomy.scan.segmentation import Segmentation
from headstock.anatomy.scan.stock import cut_numbers, stock_profile
from headstock.errors import FrameError
from headstock.frames import LPS_TO_HIP, Side
from headstock.geometry.grid import Grid
from headstock.images.scan import Scan, ScanHeader
from headstock.images.scan_metal import MarkedShare, Metal, marked_share
from headstock.measured import Measured, difference, missing, normal

from .lesion_cases import CENTRE, NECK, Ball, exact_lesion, head_scan, plain_hip
from .scan_cases import grid_points, plain_femur
from .test_density import HU_of, slab
from .test_stock import law


def beyond(grid: Grid, place, way, *, inside: float = np.inf) -> Metal:
    """Marked: all that lies beyond a plane through `place`, up the unit vector `way`; metal beyond `inside` mm more."""
    along = (grid_points(grid) - place) @ np.asarray(way)
    mask, streaks = along > inside, along > 0.0
    mask.flat[0] |= not mask.any()  # a scan without metal has no streaks either
    return Metal(mask, streaks, 1.0, (), ())


def hip_beside(seg: Segmentation, metal: Metal | None):
    scan = Scan(np.zeros(seg.grid.shape, np.int16), seg.grid, "CT", ScanHeader())
    return scan_hip(scan, seg, version=(14.5, 8.1), n_draws=60, metal=metal)


def percents(one: Measured) -> list[float]:
    """Every share that a note gives."""
    return [float(x) for x in re.findall(r"(\d+) %", one.note or "")]


@pytest.mark.parametrize("side", [Side.LEFT, Side.RIGHT])
def test_the_share_of_a_spheres_points_is_that_of_its_cap(side):
    seg, truth = plain_femur(1.6, side=side)
    hip = hip_beside(seg, beyond(seg.grid, truth["centre"], truth["neck"]))
    # Of a cap that reaches 125 degrees from the pole, the half sphere about the pole.
    cap = 1.0 / (1.0 - np.cos(np.radians(HEAD_REGION_DEG)))
    note = hip.measures["head_diameter_mm"].note
    assert percents(hip.measures["head_diameter_mm"])[0] == pytest.approx(100.0 * cap, abs=1.5)
    assert note.endswith("within reach of the streaks of metal, which may falsify this beyond its interval.")
    # The neck lies beyond the plane, away from the marked space; the shaft too.
    assert hip.measures["smallest_neck_section_mm2"].note is None
    assert "the head's sphere" in hip.measures["femoral_offset_mm"].note
    assert "shaft" not in hip.measures["femoral_offset_mm"].note


def test_what_rests_on_the_shaft_alone_or_with_others_names_it():
    seg, truth = plain_femur(1.6)
    down = -truth["shaft"]
    # 85 to 130 mm below the centre the shaft is read: the lower two thirds of that are marked.
    hip = hip_beside(seg, beyond(seg.grid, truth["centre"] + 100.0 * down, down))
    assert percents(hip.measures["femoral_offset_mm"]) == [pytest.approx(100.0 * 30.0 / 45.0, abs=3.0)]
    assert "the shaft's surface" in hip.measures["neck_shaft_angle_deg"].note
    assert hip.measures["head_diameter_mm"].note is None


def test_metal_itself_is_told_from_its_streaks():
    seg, truth = plain_femur(1.6)
    hip = hip_beside(seg, beyond(seg.grid, truth["centre"], truth["neck"], inside=11.5))
    streaks, metal = percents(hip.measures["head_diameter_mm"])
    whole = 1.0 - np.cos(np.radians(HEAD_REGION_DEG))
    assert (streaks, metal) == (pytest.approx(100.0 / whole, abs=1.5), pytest.approx(100.0 * 0.5 / whole, abs=1.5))
    assert "in metal itself" in hip.measures["head_diameter_mm"].note


def test_every_measure_of_a_hip_knows_what_it_rests_on_and_all_of_it_in_metal_is_said_of_all():
    seg, truth = plain_femur(1.6)
    everywhere = beyond(seg.grid, truth["centre"] + np.array([0.0, 0.0, -999.0]), np.array([0.0, 0.0, 1.0]))
    hip = hip_beside(seg, everywhere)
    stated = {"assumed_femoral_version_deg"}
    assert set(hip.measures) - stated == set(HIP_RESTS_ON)
    known = {name: one for name, one in hip.measures.items() if one.known and name not in stated}
    assert len(known) > 20
    assert {name for name, one in known.items() if set(percents(one)) != {100.0}} == set()
    assert hip.measures["assumed_femoral_version_deg"].note is None


def test_without_metal_and_beside_metal_that_reaches_nothing_the_numbers_stand_as_they_are():
    seg, truth = plain_femur(2.0)
    far = beyond(seg.grid, truth["centre"] + np.array([0.0, 0.0, 999.0]), np.array([0.0, 0.0, 1.0]))
    plain, beside = hip_beside(seg, None), hip_beside(seg, far)
    for name, one in plain.measures.items():
        assert one.note is None
        assert beside.measures[name].to_json() == one.to_json()


def test_a_note_changes_no_number():
    seg, truth = plain_femur(2.0)
    plain, beside = hip_beside(seg, None), hip_beside(seg, beyond(seg.grid, truth["centre"], truth["neck"]))
    for name, one in plain.measures.items():
        assert {**beside.measures[name].to_json(), "note": None} == one.to_json()


def test_a_difference_says_what_both_its_numbers_say_each_once():
    a, b = replace(normal(5.0, 1.0, "mm", "a"), note="By a."), replace(normal(3.0, 1.0, "mm", "b"), note="By b.")
    assert difference(a, b, "c").note == "By a. By b."
    assert difference(a, a, "c").note == "By a."
    assert difference(a, missing("mm", "b", "none"), "c").note == "By a."
    assert difference(normal(1.0, 1.0, "mm", "d"), normal(1.0, 1.0, "mm", "e"), "c").note is None


@pytest.mark.parametrize(
    ("share", "words"),
    [(0.0004, "less than 1 %"), (0.18, "18 %"), (0.994, "more than 99 %"), (1.0, "100 %")],
)
def test_a_small_share_is_not_said_to_be_none_nor_a_large_one_all(share, words):
    assert note_of([("the neck's outline", MarkedShare(0.0, share))]).startswith(f"{words} of the neck's outline lies")


def test_points_outside_the_scan_do_not_count_and_metal_of_another_scan_is_refused():
    grid = Grid(np.zeros(3), np.eye(3), np.ones(3), (10, 10, 10))
    metal = beyond(grid, np.array([0.0, 0.0, 4.5]), np.array([0.0, 0.0, 1.0]), inside=3.0)
    points = np.array([[5.0, 5.0, z] for z in (1.0, 2.0, 6.0, 8.0, 40.0, -9.0)])
    assert marked_share(metal, grid, points) == MarkedShare(0.25, 0.5)
    assert marked_share(metal, grid, points[4:]) == MarkedShare(0.0, 0.0)
    other = Grid(np.zeros(3), np.eye(3), np.ones(3), (9, 10, 10))
    with pytest.raises(FrameError, match="another grid"):
        marked_share(metal, other, points)


# Dead bone


BALL = Ball((1.0, 0.0, 6.0), 9.0)


def dead(metal_at: float, *, found: bool = True):
    """A lesion measured beside metal whose streaks reach all above a plane `metal_at` mm above the ball's middle."""
    case = head_scan(BALL, noise=0.0, below=50.0)
    lesion = exact_lesion(case, BALL) if found else no_lesion(case.seg, case.scan, n_draws=400)
    hip = plain_hip()
    lesion = lesion_measures(lesion, case.scan, case.seg, hip)
    up = LPS_TO_HIP[Side.RIGHT].T @ np.array([0.0, 0.0, 1.0])
    middle = CENTRE + LPS_TO_HIP[Side.RIGHT].T @ np.array(BALL.at)
    metal = beyond(case.scan.grid, middle + metal_at * up, up)
    return lesion_beside_metal(lesion, case.seg, hip, metal, case.scan.grid)


@pytest.mark.parametrize("above", [-4.5, 0.0, 4.5])
def test_the_share_of_dead_bone_is_that_of_the_balls_cap(above):
    lesion = dead(above)
    # Cap of height h of a ball of radius r: pi h^2 (3 r - h) / 3, of 4 pi r^3 / 3; the outer rim is half a mm outside.
    r = BALL.radius + 0.5
    h = r - above
    share = 100.0 * h * h * (3.0 * r - h) / (4.0 * r**3)
    assert percents(lesion.measures["volume_cm3"]) == [pytest.approx(share, abs=2.5)]
    assert percents(lesion.parts[0].volume_cm3) == [pytest.approx(share, abs=2.5)]
    both = percents(lesion.measures["share_of_head_percent"])
    assert both[0] == pytest.approx(share, abs=2.5)
    assert "the head's bone" in lesion.measures["share_of_head_percent"].note


def test_a_lesion_clear_of_metal_says_nothing():
    assert {one.note for one in dead(60.0).measures.values()} == {None}


def test_where_streaks_may_hide_dead_bone_none_found_is_said_with_that():
    lesion = dead(0.0, found=False)
    assert ("lesion_beside_metal", "warn") in [(one.code, one.weight) for one in lesion.findings]
    # The head's ball above its junction, 33 mm below the pole; of that the cap 6 mm above the centre. Caps of height h:
    # pi h^2 (3 r - h) / 3, r = 22 mm.
    share = 100.0 * (16.0**2 * (66.0 - 16.0)) / (33.0**2 * (66.0 - 33.0))
    assert percents(lesion.measures["share_of_head_percent"]) == [pytest.approx(share, abs=1.5)]
    assert "interval" not in lesion.measures["share_of_head_percent"].note
    assert "lesion_beside_metal" not in [one.code for one in dead(60.0, found=False).findings]


# Density and stock


def test_of_the_stock_profile_each_section_says_its_own_share():
    case = head_scan(BALL, noise=0.0, below=50.0)
    turn = LPS_TO_HIP[Side.RIGHT].T
    pole = CENTRE + 22.0 * (turn @ NECK)
    # Marked: all within 20 mm of the pole along the neck axis.
    metal = beyond(case.scan.grid, pole - 20.0 * (turn @ NECK), turn @ NECK)
    lesion = exact_lesion(case, BALL, sd=0.2)
    found = stock_profile(case.scan, case.seg, plain_hip(), lesion, law(), last_depth_mm=58.0, metal=metal)
    assert found.marked[(found.depth_mm > 0.5) & (found.depth_mm < 18.5)] == pytest.approx(1.0)
    assert found.marked[found.depth_mm > 21.5] == pytest.approx(0.0)
    above, below = cut_numbers(found, 12.0, plain_hip()), cut_numbers(found, 40.0, plain_hip())
    for name in ("section_mm2", "section_sound_percent", "density", "wall_mm", "least_wall_mm"):
        assert percents(getattr(above, name)) == [100.0], name
        assert getattr(below, name).note is None, name
    # Bone above 40 mm: a ball's cap of 20 mm, marked, of all down to 40 mm.
    r, n = 22.0, 13.0
    meet = r + np.sqrt(r * r - n * n)
    cap = np.pi * 20.0**2 * (3 * r - 20.0) / 3.0
    whole = np.pi * meet**2 * (3 * r - meet) / 3.0 + np.pi * n * n * (40.0 - meet)
    assert percents(below.bone_above_cm3) == [pytest.approx(100.0 * cap / whole, abs=2.0)]
    assert found.sound_from_mm.note is not None
    clean = stock_profile(case.scan, case.seg, plain_hip(), lesion, law(), last_depth_mm=58.0)
    assert (clean.marked == 0.0).all()
    assert clean.sound_from_mm.note is None
    assert clean.sound_from_mm.value == found.sound_from_mm.value


def test_rods_within_the_streaks_of_metal_are_said_with_the_calibration():
    known = (0.0, 0.1, 0.2, 0.4, 0.8)
    scan = slab(HU_of(known, 0.0008, 0.0), noise=5.0)
    upper = beyond(scan.grid, np.array([0.0, 0.0, 60.0]), np.array([0.0, 0.0, 1.0]))  # of 90 mm
    note = density_from_rods(scan, known, metal=upper).note
    assert float(re.match(r"(\d+) %", note)[1]) == pytest.approx(100.0 * 30.0 / 90.0, abs=2.0)
    assert density_from_rods(scan, known).note is None

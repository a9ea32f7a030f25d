"""Cup in the socket: cover and depth in closed form."""

import numpy as np
import pytest
from invented_hip import make_hip

from headstock.implants import Cup, CupPlacement
from headstock.planning.prepared import prepare
from headstock.planning.socket import cup_outline, socket

approx = pytest.approx
EXACT = {"centre": 0, "radius": 0, "angle": 0, "scale": 0, "outline": 0, "rim": 0}
HIP = prepare(make_hip(sds=EXACT, draws=50)).nominal()
CUP = Cup("invented", "1", 0, 54.0, (46.0,), 180.0)


def at(x=0.0, z=0.0, inclination=40.0):
    return CupPlacement("invented", "1", x, z, inclination, 15.0)


def test_cover_is_the_share_of_the_upper_width_under_the_roof():
    # Roof's edge 20 mm lateral of the centre; rim reaches 27 cos 40 = 20.68; width 27 (1 + cos 40) = 47.68.
    reach = 27 * np.cos(np.radians(40))
    assert socket(HIP, CUP, at())["cup_cover_percent"][0] == approx(100 * (1 - (reach - 20) / (27 + reach)))


def test_a_cup_wholly_under_the_roof_is_covered_and_a_lateral_one_less():
    assert socket(HIP, CUP, at(x=5.0))["cup_cover_percent"][0] == 100.0
    covers = [socket(HIP, CUP, at(x=-shift))["cup_cover_percent"][0] for shift in (2.0, 6.0, 12.0)]
    assert np.all(np.diff(covers) < 0)


def test_a_steeper_cup_reaches_less_far_out():
    assert (
        socket(HIP, CUP, at(x=-6, inclination=60))["cup_cover_percent"]
        > socket(HIP, CUP, at(x=-6))["cup_cover_percent"]
    )


def test_depth_and_height_are_taken_from_the_teardrops():
    found = socket(HIP, CUP, at(x=1.0, z=2.0))
    assert found["cup_depth_mm"][0] == approx(30.0 - 1.0 - 27.0)
    assert found["cup_centre_height_mm"][0] == approx(19.0)
    assert found["cup_centre_lateral_mm"][0] == approx(29.0)


def test_without_a_pelvis_nothing_is_claimed():
    assert socket(prepare(make_hip(pelvis=False)).nominal(), CUP, at()) == {}


def test_the_outline_opens_lateral_and_down_by_its_inclination():
    outline = cup_outline(CUP, at(), 46.0, np.array([1.0, 0.0]), np.array([0.0, 1.0]))
    rim = outline[40] - outline[0]
    assert np.linalg.norm(rim) == approx(54.0)
    # The line across the mouth makes the inclination with the inter-teardrop line.
    assert abs(np.degrees(np.arctan2(rim[1], rim[0]))) % 180 == approx(140.0) or abs(
        np.degrees(np.arctan2(rim[1], rim[0]))
    ) % 180 == approx(40.0)
    lateral = outline[[0, 40]][np.argmin(outline[[0, 40], 0])]
    assert lateral[1] > 0  # the lateral rim stands higher than the medial one

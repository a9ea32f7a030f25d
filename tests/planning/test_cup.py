"""Cup orientation against Murray (J Bone Joint Surg Br 1993;75:228), by formula and by vectors."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from headstock.errors import FrameError
from headstock.planning import cup

approx = pytest.approx

# Murray's definitions worked out by vectors: RI, RA, OI, OA, AI, AA.
TABLE = [
    (40, 15, 38.38, 19.28, 42.27, 22.63),
    (45, 20, 41.64, 27.24, 48.36, 27.24),
    (30, 5, 29.87, 5.77, 30.38, 9.92),
    (50, 25, 43.97, 35.96, 54.37, 31.33),
    (40, 20, 37.16, 25.41, 43.96, 29.52),
    (50, 10, 48.97, 15.34, 50.73, 12.96),
]


def close(pair, abs):
    return approx(tuple(map(float, pair)), abs=abs)


angles = st.tuples(st.floats(5, 80), st.floats(-45, 60))


@pytest.mark.parametrize(("ri", "ra", "oi", "oa", "ai", "aa"), TABLE)
def test_the_three_definitions_agree_with_murray(ri, ra, oi, oa, ai, aa):
    assert cup.radiographic_to_operative(ri, ra) == approx((oi, oa), abs=0.006)
    assert cup.radiographic_to_anatomical(ri, ra) == approx((ai, aa), abs=0.006)


@settings(deadline=None)
@given(angles)
def test_every_conversion_has_its_inverse(pair):
    assert cup.operative_to_radiographic(*cup.radiographic_to_operative(*pair)) == close(pair, abs=1e-9)
    assert cup.anatomical_to_radiographic(*cup.radiographic_to_anatomical(*pair)) == close(pair, abs=1e-9)
    operative = cup.radiographic_to_operative(*pair)
    assert cup.anatomical_to_operative(*cup.operative_to_anatomical(*operative)) == close(operative, abs=1e-9)


@settings(deadline=None)
@given(angles, st.floats(-40, 40))
def test_pelvic_tilt_is_a_rotation_about_the_transverse_axis(pair, tilt):
    # In (lateral, anterior, inferior) of a right hip posterior tilt carries inferior toward anterior.
    turned = Rotation.from_rotvec(np.radians(-tilt) * np.array([1.0, 0.0, 0.0])).apply(cup.opening_axis(*pair))
    expected = cup.radiographic_of_axis(turned)
    assert cup.pelvic_tilt(*pair, tilt) == close(expected, abs=1e-9)


def test_ten_degrees_of_posterior_tilt_open_a_cup_as_derived():
    assert cup.pelvic_tilt(40, 15, 10) == approx((42.24, 22.54), abs=0.006)


def test_a_batch_gives_what_each_row_gives_alone():
    ri, ra = np.array([35.0, 40.0, 50.0]), np.array([5.0, 15.0, 25.0])
    together = np.stack(cup.radiographic_to_operative(ri, ra))
    alone = np.array([np.ravel(cup.radiographic_to_operative(i, a)) for i, a in zip(ri, ra, strict=True)]).T
    assert together == approx(alone, abs=1e-12)


def test_version_from_the_rim_ellipse_is_an_arcsine():
    # asin(minor / major): Lewinnek et al. J Bone Joint Surg Am 1978;60:217.
    assert cup.ellipse_version_deg(8.0, 50.0) == approx(9.207, abs=1e-3)
    assert cup.ellipse_version_deg(25.0, 50.0) == approx(30.0)


def test_an_ellipse_with_its_axes_swapped_is_refused():
    with pytest.raises(FrameError, match="short and the long axis"):
        cup.ellipse_version_deg(50.0, 8.0)


def test_the_edges_belong_to_lewinneks_zone():
    assert [cup.lewinnek_zone(*p) for p in ((30, 5), (50, 25), (50.01, 15), (40, 25.01), (40, 15))] == [
        "inside",
        "inside",
        "outside",
        "outside",
        "inside",
    ]

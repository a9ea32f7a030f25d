"""Head height, neck and base of the neck on an invented hip of known geometry."""

import numpy as np
import pytest
from invented_hip import NECK_HALF, OFFSET, RADIUS, make_hip
from scipy.optimize import brentq

from headstock.errors import TooFewError
from headstock.planning.prepared import prepare

approx = pytest.approx
EXACT = {"centre": 0, "radius": 0, "angle": 0, "scale": 0, "outline": 0, "rim": 0}


def test_the_junction_lies_where_the_neck_edge_leaves_the_circle_by_one_mm():
    # Below the head's arc the edge runs from (s0, half) to (s0 + 12 or 17, half + 1): find |distance - R| = 1 on it.
    s0 = RADIUS + np.sqrt(RADIUS**2 - NECK_HALF**2)

    def off(s, run):
        return RADIUS - np.hypot(s - RADIUS, NECK_HALF + (s - s0) / run) + 1.0

    def inward(run):
        # The distance first grows (the edge runs off the circle outward), so the leaving is outward by 1 mm.
        return brentq(lambda s: np.hypot(s - RADIUS, NECK_HALF + (s - s0) / run) - RADIUS - 1.0, s0, s0 + 8)

    expected = 0.5 * (inward(12.0) + inward(17.0))
    assert prepare(make_hip(sds=EXACT)).ap.head_height[0] == approx(expected, abs=0.3)


def test_without_errors_every_draw_equals_the_reading():
    ap = prepare(make_hip(sds=EXACT, draws=60)).ap
    for array in (ap.head_height, ap.neck_width, ap.base_depth):
        assert array is not None
        assert np.ptp(array) == approx(0.0, abs=1e-9)


def test_the_base_of_the_neck_is_where_both_axes_meet():
    base = prepare(make_hip(sds=EXACT)).ap.base_depth
    assert base is not None
    assert base[0] == approx(RADIUS + OFFSET / np.cos(np.radians(36.0)), abs=1e-6)


def test_the_narrowest_neck_is_found_below_the_head():
    ap = prepare(make_hip(sds=EXACT)).ap
    assert ap.neck_width[0] == approx(2 * NECK_HALF, abs=0.3)


def test_an_error_of_the_circle_does_not_move_the_junction_to_the_equator():
    wide = prepare(make_hip(sds={**EXACT, "radius": 0.8, "centre": 0.6}, draws=500)).ap.head_height
    assert wide.std() < 2.0
    assert wide.min() > RADIUS + 10.0


def test_length_grows_with_the_scale():
    one, two = (prepare(make_hip(sds=EXACT, size=size)) for size in (1.0, 1.2))
    assert two.ap.neck_width[0] == approx(1.2 * one.ap.neck_width[0], rel=0.01)
    assert two.ap.head_height[0] == approx(1.2 * one.ap.head_height[0], abs=0.6)  # the 1 mm of the junction stays 1 mm


def test_sound_bone_starts_below_the_deepest_outlined_point():
    # The lesion's centre lies 13 mm below the pole, its radius is 9 mm.
    start = prepare(make_hip(sds=EXACT)).sound_bone_start
    assert start is not None
    assert start[0] == approx(22.0, abs=0.05)
    assert prepare(make_hip(lesion=False)).sound_bone_start is None


def test_the_nominal_hip_is_row_zero():
    prepared = prepare(make_hip())
    nominal = prepared.nominal()
    assert nominal.rows == 1
    assert nominal.ap.head_height[0] == prepared.ap.head_height[0]
    assert nominal.pelvis is not None
    assert nominal.pelvis.leg_length_difference_mm.shape == (1,)


def test_an_outline_that_does_not_pass_the_head_is_refused():
    hip = make_hip()
    from dataclasses import replace

    shaft = np.array([[-60.0, -60.0], [-60.0, -100.0], [-28.0, -100.0], [-28.0, -60.0]])
    with pytest.raises(TooFewError, match="equator"):
        prepare(replace(hip, ap=replace(hip.ap, outer_mm=shaft)))

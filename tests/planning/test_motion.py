"""Motion before contact: closed form against stepping, and derived values."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from headstock.errors import LimitError, TooFewError
from headstock.planning import motion

approx = pytest.approx

AXES = {
    "flexion": (1, 0, 0),
    "extension": (-1, 0, 0),
    "abduction": (0, -1, 0),
    "adduction": (0, 1, 0),
    "internal": (0, 0, 1),
    "external": (0, 0, -1),
}


def stepped(ri, ra, nsa, version, theta, axis, first=None):
    """Turn the neck in steps of 0.01 degree until it leaves the cone: knows nothing of the closed form."""
    i, a = np.radians(ri), np.radians(ra)
    c = np.array([np.sin(i) * np.cos(a), np.sin(a), -np.cos(i) * np.cos(a)])
    n = motion.neck_direction(nsa, version)
    phi = np.arange(0.0, 180.0, 0.01)
    turned = Rotation.from_rotvec(np.radians(phi)[:, None] * np.array(axis, float)).apply(n)
    if first is not None:
        turned = first.apply(turned)
    free = np.degrees(np.arccos(np.clip(turned @ c, -1, 1))) <= theta / 2
    return 180.0 if free.all() else 0.0 if not free[0] else phi[np.argmin(free)]


@pytest.mark.parametrize(
    ("ratio", "arc", "theta"),
    # θ = 2(180 - arc/2 - asin(1/HNR)); a hemisphere gives 2 acos(1/HNR).
    [(2.0, 180, 120.0), (2.2047, 180, 126.05), (1.2, 180, 67.11), (1.2, 160, 87.11), (1.3, 180, 79.43)],
)
def test_oscillation_follows_the_derived_values(ratio, arc, theta):
    assert motion.oscillation_deg(ratio, arc) == approx(theta, abs=0.01)


def test_a_neck_thicker_than_its_head_is_refused():
    with pytest.raises(TooFewError, match="thicker"):
        motion.oscillation_deg(0.9)


@pytest.mark.parametrize(
    ("case", "limits"),
    # Cone condition of Yoshimine & Ginbayashi (J Biomech 2002;35:989) stepped numerically.
    [
        ((45, 20, 135, 15, 120), (126.90, 43.40, 53.48, 51.49, 128.97, 44.49, 37.14)),
        ((40, 15, 130, 12, 87.1), (93.20, 26.81, 27.18, 45.93, 95.71, 26.46, 3.01)),
    ],
)
def test_all_seven_movements_agree_with_derived_values(case, limits):
    got = [motion.motion_limit_deg(*case, move) for move in (*motion.MOVES, "internal_at_90_flexion")]
    assert got == approx(limits, abs=0.02)


@settings(max_examples=40, deadline=None)
@given(
    st.floats(20, 65), st.floats(-10, 40), st.floats(110, 150), st.floats(-15, 45), st.floats(70, 150),
    st.sampled_from(sorted(AXES)),
)  # fmt: skip
def test_closed_form_agrees_with_stepping_everywhere(ri, ra, nsa, version, theta, move):
    expected = stepped(ri, ra, nsa, version, theta, AXES[move])
    assert min(float(motion.motion_limit_deg(ri, ra, nsa, version, theta, move)), 180.0) == approx(expected, abs=0.011)


@pytest.mark.parametrize(
    ("move", "axis"), [("internal_at_90_flexion", (0, 0, 1)), ("external_at_45_flexion", (0, 0, -1))]
)
def test_rotation_in_flexion_agrees_with_stepping(move, axis):
    flexed = Rotation.from_euler("x", float(move.split("_")[2]), degrees=True)
    case = (42.0, 18.0, 128.0, 10.0, 118.0)
    assert motion.motion_limit_deg(*case, move) == approx(stepped(*case, axis, flexed), abs=0.011)


def test_a_bigger_oscillation_angle_never_costs_motion():
    theta = np.linspace(60, 150, 91)
    for move in motion.MOVES:
        assert np.all(np.diff(motion.motion_limit_deg(40, 15, 130, 12, theta, move)) >= -1e-9)


def test_more_cup_version_trades_extension_for_flexion():
    version = np.array([5.0, 15.0, 25.0])
    assert np.all(np.diff(motion.motion_limit_deg(40, version, 130, 12, 110, "flexion")) > 0)
    assert np.all(np.diff(motion.motion_limit_deg(40, version, 130, 12, 110, "extension")) < 0)


def test_a_neck_that_touches_at_rest_has_no_motion():
    assert motion.motion_limit_deg(40, 15, 130, 12, 5.0, "flexion") == 0.0


def test_the_standards_angles_say_that_they_are_from_memory():
    assert motion.iso_21535_minimum_deg("flexion-extension") == 100
    assert motion.iso_21535_minimum_deg("abduction-adduction") == 60
    assert motion.iso_21535_minimum_deg("internal-external rotation") == 90
    assert {row.status for row in motion.ISO_21535_MOTION} == {"from memory"}


def test_unknown_movements_are_named():
    with pytest.raises(LimitError, match="circumduction"):
        motion.motion_limit_deg(40, 15, 130, 12, 110, "circumduction")
    with pytest.raises(LimitError, match="wiggle"):
        motion.iso_21535_minimum_deg("wiggle")

"""Angles and rigid motions against scipy's rotations, closed forms, outside check rows and refusals."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from headstock.errors import FrameError
from headstock.geometry import (
    angle_between_deg,
    anterior_pelvic_plane_tilt_deg,
    apply,
    arc_angle_deg,
    femoral_version_deg,
    fit_sphere,
    rotation_2d,
    rotation_about,
    signed_angle_deg,
    wrapped_deg,
)

approx = pytest.approx

unit = st.tuples(*[st.floats(-1, 1)] * 3).filter(lambda v: np.linalg.norm(v) > 0.1)


@given(axis=unit, deg=st.floats(-720, 720))
def test_rotation_about_an_axis_equals_scipy(axis, deg):
    expected = Rotation.from_rotvec(np.radians(deg) * np.array(axis) / np.linalg.norm(axis)).as_matrix()
    assert rotation_about(axis, deg) == approx(expected, abs=1e-12)


def test_rotations_broadcast_over_axes_and_angles():
    many = rotation_about([[1, 0, 0], [0, 1, 0], [0, 0, 2]], [10.0, 20.0, 30.0])
    for i in range(3):
        expected = Rotation.from_euler("xyz"[i], (10, 20, 30)[i], degrees=True).as_matrix()
        assert many[i] == approx(expected, abs=1e-12)
    assert rotation_about([0, 0, 1], np.arange(5.0)).shape == (5, 3, 3)


def test_plane_rotation_turns_the_first_axis_toward_the_second():
    assert rotation_2d(90) @ [1, 0] == approx([0, 1], abs=1e-15)
    assert rotation_2d([0.0, 30.0])[1] @ [1, 0] == approx([np.sqrt(3) / 2, 0.5])


def test_apply_turns_about_the_pivot_and_then_shifts():
    moved = apply([[2, 1], [1, 1]], rotation_2d(90), about=[1, 1], translation=[10, 0])
    assert moved == approx(np.array([[11, 2], [11, 1]]))
    back = apply(moved, rotation_2d(-90), about=[11, 1], translation=[-10, 0])
    assert back == approx(np.array([[2, 1], [1, 1]]))


def test_apply_moves_a_batch_of_points_each_by_its_own_motion():
    rng = np.random.default_rng(1)
    points, pivot, shift = rng.normal(size=(4, 7, 3)), rng.normal(size=(4, 3)), rng.normal(size=(4, 3))
    rotation = rotation_about([0, 0, 1], [0.0, 10.0, 20.0, 30.0])
    moved = apply(points, rotation, about=pivot, translation=shift)
    for i in range(4):
        expected = (rotation[i] @ (points[i] - pivot[i]).T).T + pivot[i] + shift[i]
        assert moved[i] == approx(expected, abs=1e-12)


def test_a_rotation_axis_without_length_is_refused():
    with pytest.raises(FrameError, match="length 0"):
        rotation_about([0, 0, 0], 10)


@pytest.mark.parametrize("deg", [0.0, 1e-7, 45.0, 127.0, 180.0 - 1e-7, 180.0])
def test_angle_between_keeps_its_digits_even_near_0_and_180(deg):
    u = np.array([3.0, 0.0])
    v = 0.2 * rotation_2d(deg) @ [1, 0]
    assert float(angle_between_deg(u, v)) == approx(deg, abs=2e-14 * 180)


def test_angle_between_works_in_space_and_broadcasts():
    assert angle_between_deg([1, 1, 0], [[1, 0, 0], [0, 0, 1], [-1, -1, 0]]) == approx([45, 90, 180])


@given(st.floats(-179.9, 179.9), st.floats(-180, 180))
def test_signed_angle_undoes_a_rotation_and_flips_in_a_mirror(turn, start):
    u = rotation_2d(start) @ [1, 0]
    v = rotation_2d(turn) @ u
    assert float(signed_angle_deg(u, v)) == approx(turn, abs=1e-9)
    mirror = np.array([-1.0, 1.0])
    assert float(signed_angle_deg(u * mirror, v * mirror)) == approx(-turn, abs=1e-9)


def test_wrapping_keeps_the_direction():
    assert wrapped_deg([-180, 180, 190, -190, 540, 0]) == approx([180, 180, -170, 170, 180, 0])


def test_arc_angle_of_a_chord():
    # Closed forms: a chord of one radius spans 60 deg, sqrt 2 radii 90 deg, two radii 180 deg.
    assert arc_angle_deg([24, 24 * np.sqrt(2), 48], 24) == approx([60, 90, 180])
    # tests/data/trade_checks.csv row C281 (derived).
    assert float(arc_angle_deg(30, 24)) == approx(77.364, abs=0.001)


def test_a_chord_longer_than_the_diameter_is_refused():
    with pytest.raises(FrameError, match="longer than the diameter"):
        arc_angle_deg(50, 24)


@given(st.floats(-60, 60), st.floats(30, 150), unit, st.floats(-90, 90))
def test_femoral_version_is_recovered_in_any_pose_of_the_femur(version, inclination, axis, turn):
    v, i = np.radians(version), np.radians(inclination)
    neck = np.array([np.sin(i) * np.cos(v), np.sin(i) * np.sin(v), -np.cos(i)])
    r = rotation_about(axis, turn)
    assert float(femoral_version_deg(r @ neck, r @ [1, 0, 0.3], r @ [0, 0, 2])) == approx(version, abs=1e-7)


def test_femoral_version_is_refused_when_the_neck_runs_along_the_shaft():
    with pytest.raises(FrameError, match="along the shaft"):
        femoral_version_deg([0, 0, 1], [1, 0, 0], [0, 0, 1])


def test_version_tilt_and_sphere_agree_with_the_outside_check_rows():
    # tests/data/trade_checks.csv rows C277 to C279 (derived; Murphy 1987 for version).
    assert float(femoral_version_deg([0.70, 0.20, 0.6856], [1, 0, 0], [0, 0, 1])) == approx(15.945, abs=0.001)
    assert float(anterior_pelvic_plane_tilt_deg(0, 0, -8, -85)) == approx(5.377, abs=0.001)
    points = [[34, -5, 20], [10, 19, 20], [10, -5, 44], [-14, -5, 20], [10, -29, 20], [23.8564, 8.8564, 33.8564]]
    fit = fit_sphere(points)
    assert np.append(fit.centre, fit.radius) == approx([10, -5, 20, 24], abs=0.001)


def test_a_pelvis_with_the_pubis_in_front_is_tilted_backwards():
    assert float(anterior_pelvic_plane_tilt_deg(0, 0, 8, -85)) == approx(-5.377, abs=0.001)

"""Magnification, marker error and central projection: published rows, closed form, invariance, refusal."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from headstock.errors import CalibrationError
from headstock.images.projection import (
    central_projection,
    depth_size_error_percent,
    magnification,
    magnification_at,
    marker_magnification,
    marker_size_error_percent,
    off_axis_ball_ratio,
    true_size_mm,
)

# A film of 1720 x 1720 pixels of 0.25 mm, 1150 mm below the source; LPS, mm, patient on the back: columns to the left.
SOURCE = np.array([0.0, -900.0, 0.0])
AXES = np.array([[1.0, 0.0, 0.0], [0.0, 0.0, -1.0]])
ORIGIN = np.array([-214.875, 250.0, 214.875])
PIXEL = np.array([0.25, 0.25])


@pytest.mark.parametrize(
    ("sid_mm", "oid_mm", "expected"),
    [(1150, 150, 1.15), (1000, 1000 / 6, 1.2), (1000, 0, 1.0)],  # similar triangles
)
def test_magnification_is_source_detector_over_source_object(sid_mm, oid_mm, expected):
    assert magnification(sid_mm, oid_mm) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(("sid_mm", "oid_mm"), [(1000, 1000), (1000, 1200), (1000, -1), (float("nan"), 100)])
def test_an_object_outside_the_beam_path_has_no_magnification(sid_mm, oid_mm):
    with pytest.raises(CalibrationError, match="between the source and the detector"):
        magnification(sid_mm, oid_mm)


def test_a_marker_shows_its_magnification_and_takes_it_off_again():
    assert marker_magnification(29.8, 25) == pytest.approx(1.192)  # definition
    assert true_size_mm(60.0, 1.20) == pytest.approx(50.0)
    with pytest.raises(CalibrationError, match="true size of the marker"):
        marker_magnification(29.8, 0)


def test_one_centimetre_of_depth_costs_one_percent_at_a_metre():
    # Agrees with a 2021 marker study in Vet Comp Orthop Traumatol, which gives about 1 % a centimetre.
    assert marker_size_error_percent(1000, 10) == pytest.approx(-1.0)
    assert marker_size_error_percent(1000, -50) == pytest.approx(5.0)
    np.testing.assert_allclose(depth_size_error_percent(1000, [10, -50]), [-1.0, 5.0])


@given(st.floats(700, 1500), st.floats(-80, 80), st.floats(120, 250))
def test_the_marker_error_is_what_projecting_both_shows(sod_mm, toward_mm, oid_mm):
    sid_mm = sod_mm + oid_mm
    by_marker = 100 * (magnification(sid_mm, oid_mm) / magnification(sid_mm, oid_mm + toward_mm) - 1)
    assert marker_size_error_percent(sod_mm, toward_mm) == pytest.approx(by_marker, abs=1e-9)


def test_a_marker_beyond_the_source_is_refused():
    with pytest.raises(CalibrationError, match="nearer to a source"):
        marker_size_error_percent(100, 100)


def test_the_central_ray_meets_the_middle_of_the_film():
    np.testing.assert_allclose(central_projection([0, 0, 0], SOURCE, ORIGIN, AXES, PIXEL), [859.5, 859.5], atol=1e-9)


def test_a_step_across_the_beam_is_magnified_and_a_step_along_a_ray_is_not_seen():
    points = np.array([[0.0, 0.0, 0.0], [10.0, 0.0, 0.0], [0.0, 0.0, 10.0]])
    centre, left, up = central_projection(points, SOURCE, ORIGIN, AXES, PIXEL)
    m = float(magnification_at([0, 0, 0], SOURCE, ORIGIN, AXES))
    assert m == pytest.approx(magnification(1150, 250))
    np.testing.assert_allclose(left - centre, [10 * m / 0.25, 0], atol=1e-9)
    np.testing.assert_allclose(up - centre, [0, -10 * m / 0.25], atol=1e-9)
    farther = SOURCE + 1.2 * (points[1] - SOURCE)
    np.testing.assert_allclose(central_projection(farther, SOURCE, ORIGIN, AXES, PIXEL), left, atol=1e-9)


def test_moving_patient_and_equipment_together_leaves_the_image():
    rng = np.random.default_rng(3)
    turn, _ = np.linalg.qr(rng.normal(size=(3, 3)))
    shift = rng.normal(size=3) * 100
    points = rng.normal(size=(20, 3)) * 80
    here = central_projection(points, SOURCE, ORIGIN, AXES, PIXEL)
    there = central_projection(
        points @ turn.T + shift, turn @ SOURCE + shift, turn @ ORIGIN + shift, AXES @ turn.T, PIXEL
    )
    np.testing.assert_allclose(there, here, atol=1e-8)


def test_a_batch_of_geometries_gives_each_its_own_image():
    sources = np.array([SOURCE, SOURCE + np.array([50.0, 0.0, 0.0])])
    both = central_projection(np.zeros((2, 3)), sources, ORIGIN, AXES, PIXEL)
    for i in (0, 1):
        np.testing.assert_allclose(both[i], central_projection([0, 0, 0], sources[i], ORIGIN, AXES, PIXEL))


def test_a_point_behind_the_source_has_no_image():
    with pytest.raises(CalibrationError, match="behind it"):
        central_projection([0, -1000, 0], SOURCE, ORIGIN, AXES, PIXEL)


@pytest.mark.parametrize("x_mm", [0.0, 120.0, 250.0])
def test_an_off_axis_ball_is_as_much_longer_as_its_tangent_cone_says(x_mm):
    # Closed form: the outline of a sphere is where its tangent cone from the source meets the detector.
    radius, distance = 12.5, np.hypot(900.0, x_mm)
    angle, half = np.arctan2(x_mm, 900.0), np.arcsin(radius / distance)
    radial = 1150 * (np.tan(angle + half) - np.tan(angle - half)) / 2
    across = 1150 * np.tan(half) / np.cos(angle) / np.sqrt(1 - (np.tan(half) * np.tan(angle)) ** 2)
    expected = (radial + across) / 2 / (radius * 1150 / 900)
    # 0.02 %: the ratio leaves out second order in radius over distance.
    assert float(off_axis_ball_ratio(np.degrees(angle))) == pytest.approx(expected, rel=2e-4)

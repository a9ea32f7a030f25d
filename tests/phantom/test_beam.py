"""The cone beam held against closed forms: chords of a sphere, magnification at a depth."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from headstock.phantom import Beam, FilmSpec, PhantomSpec, beam_of, make_hip_patient, path_length_mm
from headstock.phantom.lesion import ball
from headstock.phantom.metal import box


def plain_beam(rows=81, columns=101, pixel=2.0, distance=1000.0):
    first = np.array([-(columns - 1) / 2 * pixel, distance, (rows - 1) / 2 * pixel])
    return Beam(np.zeros(3), first, np.array([1.0, 0, 0]), np.array([0, 0, -1.0]), pixel, rows, columns)


def chord(beam, centre, radius):
    """Length of each ray inside a sphere: 2 sqrt(r^2 - d^2), d the distance of the ray from the centre."""
    u = np.arange(beam.columns) * beam.pixel_mm
    v = np.arange(beam.rows) * beam.pixel_mm
    spot = beam.first + u[None, :, None] * beam.along_row + v[:, None, None] * beam.along_column
    ray = spot - beam.source
    ray /= np.linalg.norm(ray, axis=-1, keepdims=True)
    off = np.linalg.norm(np.cross(centre - beam.source, ray), axis=-1)
    return 2.0 * np.sqrt(np.maximum(radius**2 - off**2, 0.0))


def test_path_through_a_ball_is_the_chord_of_each_ray():
    beam = plain_beam()
    centre = np.array([20.0, 820.0, -9.0])
    got = path_length_mm(beam, (ball(centre, 24.0, rounds=5),))
    want = chord(beam, centre, 24.0)
    # 20,480 flat faces: the surface lies at most 0.02 mm inside; a grazing ray feels it most.
    assert np.abs(got - want)[want > 8.0].max() < 0.25
    assert got[want == 0.0].max() < 1.2
    assert got.sum() == pytest.approx(want.sum(), rel=3e-3)


def test_no_pixel_on_a_shared_edge_is_counted_twice_or_not_at_all():
    # A box face-on, corners on pixel centres: every ray inside crosses exactly its depth over the cosine.
    beam = plain_beam(pixel=1.0, rows=41, columns=41)
    block = box(np.array([0.0, 500.0, 0.0]), np.eye(3), np.array([10.0, 30.0, 10.0]))
    got = path_length_mm(beam, (block,))
    inside = got[13:28, 13:28]
    assert inside.min() > 29.9
    assert inside.max() < 30.1
    assert got[:8].max() == 0.0


def test_a_hole_is_what_is_left_when_its_surface_is_taken_off():
    beam = plain_beam()
    outer, inner = ball(np.array([0.0, 800.0, 0.0]), 25.0), ball(np.array([0.0, 800.0, 0.0]), 20.0)
    shell = path_length_mm(beam, (outer,)) - path_length_mm(beam, (inner,))
    assert shell[40, 50] == pytest.approx(10.0, abs=0.1)


@given(depth=st.floats(400.0, 980.0), across=st.floats(-40.0, 40.0), up=st.floats(-30.0, 30.0))
@settings(max_examples=60)
def test_a_point_projects_by_similar_triangles(depth, across, up):
    beam = plain_beam(distance=1000.0)
    column, row = beam.project(np.array([across, depth, up]))
    m = 1000.0 / depth
    assert column == pytest.approx((across * m + 100.0) / 2.0, abs=1e-9)
    assert row == pytest.approx((80.0 - up * m) / 2.0, abs=1e-9)
    assert float(beam.magnification(np.array([across, depth, up]))) == pytest.approx(m)


def test_back_to_plane_undoes_the_projection():
    beam = beam_of(make_hip_patient(PhantomSpec()), FilmSpec())
    through = np.array([12.0, 40.0, -70.0])
    points = through + np.array([[0.0, 0.0, 0.0], [80.0, 0.0, 30.0], [-120.0, 0.0, -60.0]])
    assert beam.back_to_plane(beam.project(points), through) == pytest.approx(points, abs=1e-9)


def test_the_head_is_magnified_by_source_distance_over_what_lies_before_it():
    spec = FilmSpec(source_detector_mm=1100.0, hip_to_detector_mm=165.0)
    patient = make_hip_patient(PhantomSpec())
    for view in ("ap_pelvis", "ap_hip", "lateral_hip"):
        beam = beam_of(patient, FilmSpec(view=view, source_detector_mm=1100.0, hip_to_detector_mm=165.0))
        # DICOM PS3.3 C.8.7.1: SID / (SID - OID); the head lies in the plane the spec speaks of.
        assert float(beam.magnification(patient.hip.centre_lps_mm)) == pytest.approx(1100.0 / 935.0)
        assert beam.source_detector_mm == pytest.approx(spec.source_detector_mm)


def test_a_lateral_film_looks_at_right_angles_to_the_neck_from_between_the_legs():
    for spec in (PhantomSpec(), PhantomSpec().mirror()):
        patient = make_hip_patient(spec)
        beam = beam_of(patient, FilmSpec(view="lateral_hip", rows=1000, columns=1000))
        neck = patient.hip.direction_lps(patient.hip.femur.axes.neck_axis)
        assert beam.normal @ np.array([neck[0], 0.0, neck[2]]) == pytest.approx(0.0, abs=1e-12)
        assert beam.normal[1] == 0.0
        outward = np.sign(patient.hip.centre_lps_mm[0])
        assert beam.normal[0] * outward > 0.0  # outward
        assert beam.source[2] < patient.hip.centre_lps_mm[2]  # from below
        assert beam.along_row @ neck > 0.5  # columns grow proximally

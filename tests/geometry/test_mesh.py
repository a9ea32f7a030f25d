"""Measures of meshes: closed forms with the order they converge at, sections, motions, refusals."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from headstock.errors import TooFewError
from headstock.geometry.mesh import Mesh, surface_of
from headstock.geometry.motion import rotation_about

approx = pytest.approx


def turned(profile, around):
    """A profile of (radius, height) from the axis to the axis, turned about z: faces outward."""
    angle = np.linspace(0, 2 * np.pi, around, endpoint=False)
    rings = [np.array([[0.0, 0.0, profile[0][1]]])]
    rings += [np.column_stack([r * np.cos(angle), r * np.sin(angle), np.full(around, z)]) for r, z in profile[1:-1]]
    rings.append(np.array([[0.0, 0.0, profile[-1][1]]]))
    faces, start = [], 0
    for upper, lower in pairwise(rings):
        a, b, below = start, start, start + len(upper)
        for i in range(around):
            j = (i + 1) % around
            p, q = (a + i, b + j) if len(upper) > 1 else (a, a)
            r, s = (below + i, below + j) if len(lower) > 1 else (below, below)
            faces += [[p, r, s]] if p == q else [[p, r, q]] if r == s else [[p, r, q], [q, r, s]]
        start += len(upper)
    return Mesh(np.vstack(rings), np.array(faces))


def ball(radius, n):
    angle = np.linspace(np.pi / 2, -np.pi / 2, n)
    return turned([(max(radius * np.cos(a), 0.0), radius * np.sin(a)) for a in angle], 2 * n)


def order(errors, steps):
    return np.polyfit(np.log(steps), np.log(np.abs(errors)), 1)[0]


# Closed forms: volume, area, height of the centroid; n points around converge with the square of the angle between.
TUBE = [(0, 0), (8.0, 0), (8.0, -30.0), (0, -30.0)]
FRUSTUM = [(0, 0), (12.0, 0), (7.0, -20.0), (0, -20.0)]
CONE = [(0, 0), (12.0, 0), (0.0, -20.0)]
FORMS = {
    "tube": (TUBE, np.pi * 64 * 30, 2 * np.pi * 64 + np.pi * 16 * 30, -15.0),
    "frustum": (
        FRUSTUM,
        np.pi * 20 / 3 * (144 + 84 + 49),
        np.pi * (144 + 49) + np.pi * 19 * np.hypot(5, 20),
        -20.0 / 4 * (144 + 2 * 84 + 3 * 49) / (144 + 84 + 49),
    ),
    "cone": (CONE, np.pi * 144 * 20 / 3, np.pi * 144 + np.pi * 12 * np.hypot(12, 20), -5.0),
}


@pytest.mark.parametrize("name", FORMS)
def test_volume_and_area_of_turned_bodies_converge_with_the_square_of_the_step(name):
    profile, volume, area, middle = FORMS[name]
    counts = np.array([24, 48, 96, 192])
    meshes = [turned(profile, n) for n in counts]
    assert all(mesh.is_closed for mesh in meshes)
    assert order([m.volume_mm3 - volume for m in meshes], 1 / counts) == approx(2.0, abs=0.05)
    assert order([m.area_mm2 - area for m in meshes], 1 / counts) == approx(2.0, abs=0.1)
    assert meshes[-1].volume_mm3 == approx(volume, rel=3e-4)
    assert meshes[-1].centroid_mm == approx([0, 0, middle], abs=1e-6)


def test_a_ball_converges_with_the_square_of_the_step():
    counts = np.array([12, 24, 48])
    meshes = [ball(24.0, n) for n in counts]
    assert order([m.volume_mm3 - 4 / 3 * np.pi * 24.0**3 for m in meshes], 1 / counts) == approx(2.0, abs=0.15)
    assert order([m.area_mm2 - 4 * np.pi * 24.0**2 for m in meshes], 1 / counts) == approx(2.0, abs=0.15)


@settings(deadline=None, max_examples=30)
@given(
    st.floats(-180, 180), st.lists(st.floats(-1, 1), min_size=3, max_size=3).filter(lambda v: np.linalg.norm(v) > 0.1)
)
def test_turning_moves_the_centroid_and_changes_no_measure(angle, axis):
    mesh = turned(FRUSTUM, 24)
    moved = mesh.moved(rotation_about(axis, angle), [100.0, -30.0, 7.0])
    assert moved.volume_mm3 == approx(mesh.volume_mm3)
    assert moved.area_mm2 == approx(mesh.area_mm2)
    assert moved.centroid_mm == approx(rotation_about(axis, angle) @ mesh.centroid_mm + [100.0, -30.0, 7.0], abs=1e-9)


def test_a_mirror_keeps_faces_outward():
    mesh = turned(FRUSTUM, 24)
    assert mesh.moved(np.diag([-1.0, 1.0, 1.0]), np.zeros(3)).volume_mm3 == approx(mesh.volume_mm3)


def test_an_open_or_wrongly_turned_mesh_is_not_closed():
    mesh = turned(TUBE, 12)
    assert not Mesh(mesh.vertices, mesh.faces[1:]).is_closed
    flipped = mesh.faces.copy()
    flipped[0] = flipped[0, ::-1]
    assert not Mesh(mesh.vertices, flipped).is_closed


def test_faces_the_wrong_way_give_a_negative_volume():
    mesh = turned(TUBE, 12)
    assert Mesh(mesh.vertices, mesh.faces[:, ::-1]).volume_mm3 == approx(-mesh.volume_mm3)


def test_vertex_normals_of_a_ball_point_away_from_its_centre():
    mesh = ball(10.0, 40)
    away = mesh.vertices / np.linalg.norm(mesh.vertices, axis=1, keepdims=True)
    assert np.einsum("ij,ij->i", away, mesh.vertex_normals).min() > 0.99


def test_a_plane_cuts_a_ball_in_a_closed_circle():
    (ring,) = ball(10.0, 60).section([0, 0, 6.0], [0, 0, 2.0])
    assert np.array_equal(ring[0], ring[-1])
    # Radius sqrt(100 - 36); chords lie within a sagitta of 10 (1 - cos(1.5 deg)) below it.
    assert np.linalg.norm(ring[:, :2], axis=1) == approx(8.0, abs=0.02)
    assert ring[:, 2] == approx(6.0)


def test_a_plane_meets_a_tilted_tube_in_an_ellipse():
    mesh = turned([(0, 40.0), (8.0, 40.0), (8.0, -40.0), (0, -40.0)], 192)
    tilt = np.radians(50.0)
    (ring,) = mesh.section([0, 0, 0], [np.sin(tilt), 0, np.cos(tilt)])
    assert np.ptp(ring[:, 1]) / 2 == approx(8.0, abs=0.01)
    assert np.hypot(np.ptp(ring[:, 0]), np.ptp(ring[:, 2])) / 2 == approx(8.0 / np.cos(tilt), abs=0.02)


def test_a_plane_through_two_bodies_gives_two_rings_the_longer_first():
    small, large = ball(5.0, 24), ball(9.0, 24).moved(np.eye(3), [40.0, 0, 0])
    both = Mesh(
        np.vstack([small.vertices, large.vertices]), np.vstack([small.faces, large.faces + len(small.vertices)])
    )
    rings = both.section([0, 0, 0.1], [0, 0, 1])
    assert [ring[:, 0].mean() > 20 for ring in rings] == [True, False]


def test_an_open_mesh_is_cut_in_an_open_line():
    mesh = turned(TUBE, 24)
    half = Mesh(mesh.vertices, mesh.faces[mesh.corners[..., 1].mean(axis=1) > 0])
    (line,) = half.section([0, 0, -10.0], [0, 0, 1])
    assert not np.array_equal(line[0], line[-1])


def test_a_plane_beside_the_body_cuts_nothing():
    assert ball(5.0, 12).section([0, 0, 9.0], [0, 0, 1]) == ()


@pytest.mark.parametrize("step", [2.0, 1.0])
def test_the_surface_of_a_field_lies_outward_and_closed(step):
    at = np.arange(-14, 14 + step, step)
    x, y, z = np.meshgrid(at, at, at, indexing="ij")
    mesh = surface_of(np.sqrt(x**2 + y**2 + z**2) - 10.0, [-14.0] * 3, step)
    assert mesh.is_closed
    # The longest chord, across a cell's face, is sqrt(2) h and lies h^2 / (4 R) inside: in volume three times that.
    assert mesh.volume_mm3 == approx(4 / 3 * np.pi * 1000.0, rel=0.75 * (step / 10.0) ** 2)


def test_the_surface_of_a_field_converges_with_the_square_of_the_step():
    errors, steps = [], np.array([2.0, 1.0, 0.5])
    for step in steps:
        at = np.arange(-12, 12 + step, step)
        x, y, z = np.meshgrid(at, at, at, indexing="ij")
        errors.append(surface_of(np.sqrt(x**2 + y**2 + z**2) - 10.0, [-12.0] * 3, step).volume_mm3 - 4e3 / 3 * np.pi)
    assert order(errors, steps) == approx(2.0, abs=0.2)


def test_what_runs_out_of_the_field_is_closed_along_its_edge():
    at = np.arange(-5.0, 5.5, 0.5)
    x, y, z = np.meshgrid(at, at, at, indexing="ij")
    mesh = surface_of(np.hypot(x, y) - 3.0 + 0.0 * z, [-5.0] * 3, 0.5)
    assert mesh.is_closed


def test_a_field_above_its_level_has_no_surface():
    with pytest.raises(TooFewError, match="nowhere below"):
        surface_of(np.ones((4, 4, 4)), np.zeros(3), 1.0)


def test_a_lighter_mesh_stays_near_the_surface():
    mesh = ball(20.0, 120)
    light = mesh.simplified(2.0)
    assert len(light.faces) < len(mesh.faces) / 4
    assert np.abs(np.linalg.norm(light.vertices, axis=1) - 20.0).max() < 1.0

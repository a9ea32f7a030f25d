"""Signed distance on a grid: closed forms, an independent library, the look-up, what holds beyond the grid."""

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from headstock.errors import TooFewError
from headstock.geometry.distance import Sampled, mask_distance, mesh_distance
from headstock.geometry.mesh import Mesh
from headstock.geometry.motion import rotation_about

approx = pytest.approx
RNG = np.random.default_rng(5)


def mesh_of(body):
    return Mesh(np.asarray(body.vertices, float), np.asarray(body.faces, np.int64))


BALL = mesh_of(trimesh.creation.icosphere(subdivisions=5, radius=15.0))
BOX = mesh_of(trimesh.creation.box([20.0, 12.0, 30.0]))


def box_distance(p):
    q = np.abs(p) - np.array([10.0, 6.0, 15.0])
    return np.linalg.norm(np.maximum(q, 0), axis=-1) + np.minimum(q.max(axis=-1), 0)


def linear(shape, way, start):
    i, j, k = np.indices(shape)
    return (start + way[0] * i + way[1] * j + way[2] * k).astype(np.float32)


def test_samples_around_a_ball_hold_its_closed_form():
    field = mesh_distance(BALL, 0.5, 6.0)
    truth = np.linalg.norm(field.points(), axis=-1) - 15.0
    error = np.abs(field.values - truth)
    # The mesh itself lies up to 0.005 mm inside the ball.
    assert error[np.abs(truth) < 0.9].max() < 0.006
    # Beyond the band of two steps the surface point used is up to sqrt(3)/2 steps aside: 0.75 / (2 * 2) of a step off.
    assert error.max() < 0.1


def test_samples_around_a_box_hold_its_closed_form_also_at_edges_and_corners():
    field = mesh_distance(BOX, 0.5, 6.0)
    assert np.abs(field.values - box_distance(field.points())).max() < 1e-3


def test_the_look_up_agrees_with_an_independent_library():
    field = mesh_distance(BALL, 0.5, 6.0)
    points = RNG.uniform(-20, 20, (3000, 3))
    other = -trimesh.proximity.signed_distance(trimesh.Trimesh(BALL.vertices, BALL.faces, process=False), points)
    away = np.linalg.norm(points, axis=1) > 2.0  # at the centre the distance has a kink
    assert np.abs(field.at(points) - other)[away].max() < 0.1


def test_between_samples_the_error_falls_with_the_square_of_the_step():
    points = RNG.uniform(-1, 1, (4000, 3))
    points *= (RNG.uniform(14.2, 15.8, 4000) / np.linalg.norm(points, axis=1))[:, None]
    fine = mesh_of(trimesh.creation.icosphere(subdivisions=6, radius=15.0))
    steps = np.array([2.0, 1.0, 0.5])
    errors = [
        np.sqrt(np.mean((mesh_distance(fine, s, 4.0).at(points) - np.linalg.norm(points, axis=1) + 15.0) ** 2))
        for s in steps
    ]
    assert np.polyfit(np.log(steps), np.log(errors), 1)[0] == approx(2.0, abs=0.25)


def test_the_sign_is_right_on_both_sides_of_a_hollow_body():
    outer, inner = trimesh.creation.icosphere(3, 12.0), trimesh.creation.icosphere(3, 7.0)
    inner.invert()
    shell = mesh_of(trimesh.util.concatenate([outer, inner]))
    field = mesh_distance(shell, 1.0, 3.0)
    assert field.at([[0.0, 0, 0], [8.5, 0, 0], [10.5, 0, 0], [14.0, 0, 0]]) == approx([7.0, -1.5, -1.5, 2.0], abs=0.15)


@pytest.mark.parametrize("turned", [0, 1, 2])
def test_faces_with_two_corners_in_one_place_change_nothing(turned):
    # A surface found between samples has them wherever it runs through a sample exactly.
    a, b, c = BOX.faces[0]
    twin = len(BOX.vertices)  # a second corner where `a` is: the faces between the two have an edge of no length
    split = np.array([[twin, b, c], np.roll([a, b, twin], turned), np.roll([a, twin, c], turned)])
    doubled = Mesh(np.vstack([BOX.vertices, BOX.vertices[a]]), np.vstack([split, BOX.faces[1:]]))
    field = mesh_distance(doubled, 0.7, 6.0)
    assert np.abs(field.values - box_distance(field.points())).max() < 1e-3
    np.testing.assert_allclose(field.values, mesh_distance(BOX, 0.7, 6.0).values, atol=1e-5)


def test_a_body_with_faces_on_the_samples_keeps_its_sign():
    # Vertices, edges and faces fall exactly on samples: parity must not leak along a column.
    field = mesh_distance(BOX, 1.0, 4.0)
    truth = box_distance(field.points())
    clear = np.abs(truth) > 1e-6
    assert np.array_equal(np.sign(field.values[clear]), np.sign(truth[clear]))


@settings(deadline=None, max_examples=25)
@given(st.integers(0, 10_000), st.floats(-180, 180))
def test_a_moved_body_is_as_far_as_the_body_from_the_points_moved_back(seed, angle):
    rng = np.random.default_rng(seed)
    turn, shift = rotation_about(rng.normal(size=3), angle), rng.uniform(-30, 30, 3)
    field = Sampled(linear((9, 8, 7), (0.7, -0.2, 0.4), 1.0), np.array([-2.0, 1.0, 3.0]), 0.5)
    local = rng.uniform([-2, 1, 3], [2, 4.5, 6], (50, 3))
    assert field.at(local @ turn.T + shift, origin=shift, axes=turn) == approx(field.at(local), abs=1e-4)


@settings(deadline=None, max_examples=25)
@given(st.integers(0, 10_000))
def test_a_linear_field_is_read_exactly_with_its_gradient(seed):
    rng = np.random.default_rng(seed)
    way, step = rng.uniform(-1, 1, 3), rng.uniform(0.3, 2.0)
    origin, shape = rng.uniform(-5, 5, 3), tuple(rng.integers(2, 9, 3))
    field = Sampled(linear(shape, way * step, 2.0), origin, step)
    points = origin + rng.uniform(0, 1, (40, 3)) * step * (np.array(shape) - 1)
    turn = rotation_about(rng.normal(size=3), 40.0)
    value, gradient = field.with_gradient(points @ turn.T, axes=turn)
    assert value == approx(2.0 + (points - origin) @ way, abs=1e-4)
    assert gradient == approx(np.broadcast_to(turn @ way, (40, 3)), abs=1e-4)
    assert field.at(points) == approx(2.0 + (points - origin) @ way, abs=1e-4)


def test_the_gradient_of_a_distance_points_away_from_the_body():
    field = mesh_distance(BALL, 0.5, 6.0)
    points = RNG.normal(size=(200, 3))
    points *= 16.0 / np.linalg.norm(points, axis=1, keepdims=True)
    _, gradient = field.with_gradient(points)
    assert np.einsum("ij,ij->i", gradient, points / 16.0).min() > 0.99


def test_beyond_the_grid_a_distance_grows_by_the_way_to_it():
    field = mesh_distance(BALL, 1.0, 3.0)
    end = field.origin_mm + field.step_mm * (np.array(field.values.shape) - 1)
    far = np.array([[end[0] + 10.0, 0.0, 0.0]])
    value, gradient = field.with_gradient(far)
    assert field.at(far) == approx(end[0] + 10.0 - 15.0, abs=0.1)
    assert value == approx(field.at(far))
    assert gradient[0] == approx([1.0, 0.0, 0.0], abs=0.05)
    everywhere = RNG.uniform(-60, 60, (2000, 3))
    error = field.at(everywhere) - (np.linalg.norm(everywhere, axis=1) - 15.0)
    away = np.linalg.norm(everywhere, axis=1) > 3.0
    # Never too small, and the way is drawn to the surface that the edge of the grid points to.
    assert error[away].min() > -0.3
    assert error[away].max() < 0.5


def test_beside_a_thin_part_a_distance_beyond_the_grid_is_that_to_the_part():
    # Going round by the corner of the grid would be 0.7 mm too far here.
    peg = mesh_of(trimesh.creation.cylinder(5.0, 60.0, sections=256))
    field = mesh_distance(peg, 0.5, 4.0)
    turn = np.linspace(0, 2 * np.pi, 50)
    points = np.column_stack([15.0 * np.cos(turn), 15.0 * np.sin(turn), np.linspace(-20, 20, 50)])
    value, gradient = field.with_gradient(points)
    assert value == approx(10.0, abs=0.15)
    assert np.einsum("ij,ij->i", gradient[:, :2], points[:, :2] / 15.0).min() > 0.98


def test_beyond_the_grid_a_grey_value_stays_that_of_its_edge():
    field = Sampled(linear((3, 3, 3), (10.0, 0, 0), 0.0), np.zeros(3), 1.0, distance=False)
    assert field.at([[50.0, 1.0, 1.0], [-50.0, 1.0, 1.0]]) == approx([20.0, 0.0])


def test_points_keep_their_shape():
    field = Sampled(linear((3, 3, 3), (1.0, 0, 0), 0.0), np.zeros(3), 1.0)
    assert field.at(np.zeros((4, 5, 3))).shape == (4, 5)
    assert field.with_gradient(np.zeros((4, 5, 3)))[1].shape == (4, 5, 3)


def test_the_grid_of_another_field_may_be_used():
    like = mesh_distance(BALL, 1.0, 9.0)
    field = mesh_distance(BOX, 0.1, 0.0, like=like)
    assert field.values.shape == like.values.shape
    assert np.abs(field.values - box_distance(like.points())).max() < 0.02


def test_a_mask_is_measured_from_the_faces_between_its_voxels():
    mask = np.zeros((20, 20, 20), bool)
    mask[5:15, 6:14, 7:13] = True
    distance = mask_distance(mask, (1.0, 1.0, 1.0))
    # Straight above the middle of a face: the face lies at 4.5.
    assert distance[[4, 5, 2], 10, 10] == approx([0.5, -0.5, 2.5])
    assert np.array_equal(distance < 0, mask)


def test_a_mask_of_long_voxels_is_measured_in_mm():
    mask = np.zeros((10, 20, 20), bool)
    mask[3:7] = True
    distance = mask_distance(mask, (3.0, 1.0, 1.0))
    assert distance[8, 10, 10] - distance[7, 10, 10] == approx(3.0)


def test_a_mask_without_a_surface_is_refused():
    for mask in (np.zeros((4, 4, 4), bool), np.ones((4, 4, 4), bool)):
        with pytest.raises(TooFewError, match="no surface"):
            mask_distance(mask, (1.0, 1.0, 1.0))


def test_a_surface_in_the_wrong_unit_is_refused_before_it_fills_the_memory():
    with pytest.raises(TooFewError, match="units"):
        mesh_distance(Mesh(BALL.vertices * 100.0, BALL.faces), 0.5, 4.0)


def test_a_field_of_one_layer_is_refused():
    with pytest.raises(TooFewError, match="two at least"):
        Sampled(np.zeros((1, 5, 5), np.float32), np.zeros(3), 1.0)

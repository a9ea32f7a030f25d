"""A narrow and a touching joint: bone never stands in bone, and the truth says how near they come."""

import numpy as np
import pytest
import trimesh
from scipy.spatial import cKDTree

from headstock.errors import FrameError
from headstock.frames import Side
from headstock.geometry.grid import Grid
from headstock.phantom import Cyst, DeadSector, HipSpec, PhantomPatient, PhantomSpec, ScanSpec, phantom_ct
from headstock.phantom.joint import divided, laid_on, least_gap_mm, overlap_mm3
from headstock.phantom.lesion import ball
from headstock.phantom.patient import make_hip_patient
from headstock.phantom.shape import Surface
from headstock.phantom.truth import truth_of_patient
from headstock.phantom.voxels import paint

ORIGIN = np.zeros(3)


def patient(space_mm: float, *, spherical: bool = False, **hip: object) -> PhantomPatient:
    left = HipSpec(joint_space_mm=space_mm, **hip)  # type: ignore[arg-type]
    return make_hip_patient(PhantomSpec(side=Side.LEFT, left=left, spherical_heads=spherical))


def femur_of(one: PhantomPatient) -> Surface:
    return one.hip.surface_lps(one.hip.femur.outer)


def filled(surface: Surface, grid: Grid) -> np.ndarray:
    cells = np.zeros(grid.shape, np.uint8)
    paint(cells, grid.index(surface.vertices), surface.faces, 1)
    return cells > 0


def head_gaps(one: PhantomPatient) -> tuple[np.ndarray, float]:
    """Distances from points of the head to the pelvis, by trimesh, and the area that one point stands for."""
    femur = femur_of(one)
    mine = np.isin(femur.faces, one.hip.femur.head_vertices).all(axis=1)
    head = trimesh.Trimesh(femur.vertices, femur.faces[mine], process=False)
    points, _ = trimesh.sample.sample_surface(head, 3000, seed=4)
    pelvis = trimesh.Trimesh(one.pelvis.vertices, one.pelvis.faces, process=False)
    _, distance, _ = trimesh.proximity.closest_point(pelvis, points)
    return distance, float(head.area) / len(points)


@pytest.mark.parametrize(
    ("space_mm", "hip"),
    [
        (0.0, {}),
        (0.5, {}),
        (0.0, {"sector": DeadSector(half_angle_deg=50.0, depth_mm=18.0, collapse_mm=3.0)}),
        (0.0, {"cysts": (Cyst(cover_mm=1.0),), "abduction_deg": 6.0, "flexion_deg": 8.0}),
    ],
)
def test_no_cell_lies_in_both_bones_however_narrow_the_joint(space_mm: float, hip: dict[str, object]) -> None:
    one = patient(space_mm, **hip)
    corner = one.hip.centre_lps_mm - np.array([30.0, 30.0, 12.0])
    grid = Grid(corner, np.eye(3), np.full(3, 0.3), (150, 200, 200))
    femur, pelvis = filled(femur_of(one), grid), filled(one.pelvis, grid)
    assert femur.sum() * 0.3**3 > 20_000.0
    assert pelvis.sum() * 0.3**3 > 5_000.0
    assert not (femur & pelvis).any()


def test_heads_of_real_shape_touch_the_socket_over_part_of_the_dome_and_spheres_over_nearly_all() -> None:
    areas = {}
    for spherical in (False, True):
        one = patient(0.0, spherical=spherical)
        distance, each = head_gaps(one)
        # Facets of 3 mm on a head of 25 mm radius leave up to 0.1 mm between two surfaces that meet.
        areas[spherical] = float((distance < 0.12).sum()) * each
        assert truth_of_patient(one)["least_joint_gap_mm"] == pytest.approx(0.0, abs=0.005)
    assert 300.0 < areas[False] < 0.7 * areas[True]
    assert areas[True] > 1500.0


@pytest.mark.parametrize("space_mm", [0.3, 0.8, 1.19])
def test_below_the_usual_floor_the_space_asked_for_is_the_least_gap_and_the_truth_says_so(space_mm: float) -> None:
    one = patient(space_mm)
    said = truth_of_patient(one)["least_joint_gap_mm"]
    # Kept along rays from the head's centre; across them, at the rim, surfaces come a little nearer.
    assert space_mm - 0.03 < said < space_mm + 0.02
    distance, _ = head_gaps(one)
    assert said - 0.001 < distance.min() < said + 0.1


def test_the_truth_says_the_gap_of_a_wide_joint_and_none_where_the_joint_is_replaced() -> None:
    from headstock.phantom import MetalHip

    one = patient(3.2, spherical=True)
    distance, _ = head_gaps(one)
    assert truth_of_patient(one)["least_joint_gap_mm"] == pytest.approx(distance.min(), abs=0.1)
    assert truth_of_patient(patient(3.2, metal=MetalHip()))["least_joint_gap_mm"] is None


def test_a_touching_joint_shows_in_the_scan_as_neighbours_with_one_label_each() -> None:
    small = ScanSpec(above_mm=34.0, below_mm=40.0, across_mm=(34.0, 34.0), deep_mm=(34.0, 34.0), noise_HU=0.0, cells=2)
    scan = phantom_ct(PhantomSpec(side=Side.LEFT, left=HipSpec(joint_space_mm=0.0)), small)
    assert scan.truth["least_joint_gap_mm"] < 0.01
    away = cKDTree(np.argwhere(scan.femur)).query(np.argwhere(scan.pelvis))[0]
    assert away.min() == 1.0
    assert (away < 1.5).sum() > 300  # neighbours across a face or an edge: mm2, roughly


def test_the_mirror_image_touches_in_the_same_places() -> None:
    spec = PhantomSpec(side=Side.LEFT, left=HipSpec(joint_space_mm=0.2))
    one, other = make_hip_patient(spec), make_hip_patient(spec.mirror())
    assert other.pelvis.vertices == pytest.approx(one.pelvis.vertices * [-1.0, 1.0, 1.0], abs=1e-6)
    assert overlap_mm3(femur_of(other), other.pelvis) < 1e-3


def test_halved_edges_keep_a_surface_closed_and_its_volume() -> None:
    whole = ball(np.array([3.0, -2.0, 1.0]), 20.0, rounds=3)
    marked = whole.vertices[:, 2] > 6.0
    finer, parents = divided(whole, marked)
    assert finer.volume_mm3() == pytest.approx(whole.volume_mm3(), rel=1e-12)
    assert np.array_equal(finer.vertices[: len(whole.vertices)], whole.vertices)
    assert finer.vertices[len(whole.vertices) :] == pytest.approx(whole.vertices[parents].mean(axis=1))
    # Closed: every edge is walked once each way.
    edges = finer.faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    there = {tuple(edge) for edge in edges.tolist()}
    assert len(there) == len(edges)
    assert there == {(b, a) for a, b in there}
    assert len(finer.faces) > len(whole.faces) + 3 * marked.sum()


def test_a_shell_is_laid_on_a_ball_at_the_space_asked_for() -> None:
    head = ball(ORIGIN, 24.0, rounds=3)
    inner = ball(ORIGIN, 22.0, rounds=4)
    shell = Surface(inner.vertices * np.array([1.0, 1.05, 1.2]), inner.faces[:, ::-1])
    radius = np.linalg.norm(shell.vertices, axis=1)
    laid = laid_on(shell, np.ones(len(radius), bool), head, 0.4)
    found = np.linalg.norm(laid, axis=1)
    # Where the shell stood clear it stays; elsewhere it comes to 24.4 mm, and its facets sag by 0.05 mm at most.
    assert np.allclose(found[radius > 24.6], radius[radius > 24.6])
    low = radius < 24.0
    assert (found[low] > 24.4 - 0.08).all()  # a vertex of the shell over the middle of a facet of the head
    assert (found[low] < 24.4 + 0.12).all()
    assert least_gap_mm(head, Surface(laid, shell.faces[:, ::-1])) == 0.0  # solid within solid
    distance = trimesh.proximity.closest_point(
        trimesh.Trimesh(laid, shell.faces, process=False),
        trimesh.sample.sample_surface(trimesh.Trimesh(head.vertices, head.faces, process=False), 2000, seed=1)[0],
    )[1]
    assert distance.min() > 0.39


def test_gap_and_overlap_of_two_balls_are_those_of_spheres() -> None:
    one, other = ball(ORIGIN, 10.0, rounds=4), ball(np.array([23.0, 0.0, 0.0]), 12.0, rounds=4)
    assert least_gap_mm(one, other) == pytest.approx(1.0, abs=0.04)  # facets of 5,120 sag by 0.02 mm
    assert overlap_mm3(one, other) == 0.0
    near = ball(np.array([21.0, 0.0, 0.0]), 12.0, rounds=4)
    # The lens of two spheres (closed form): pi (R + r - d)^2 (d^2 + 2 d (r + R) - 3 (r - R)^2) / (12 d).
    lens = np.pi * 1.0**2 * (21.0**2 + 2.0 * 21.0 * 22.0 - 3.0 * 2.0**2) / (12.0 * 21.0)
    assert least_gap_mm(one, near) == 0.0
    assert overlap_mm3(one, near) == pytest.approx(lens, rel=0.1)


def test_a_pose_that_drives_the_neck_of_a_touching_hip_into_the_rim_is_refused() -> None:
    with pytest.raises(FrameError, match="mm³ of bone"):
        patient(0.0, abduction_deg=75.0)


@pytest.mark.parametrize("space_mm", [-0.5, 30.0])
def test_a_joint_space_that_cannot_be_is_refused(space_mm: float) -> None:
    with pytest.raises(FrameError, match="0 \\(touching\\) to 12 mm"):
        HipSpec(joint_space_mm=space_mm)

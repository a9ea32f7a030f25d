"""Fields of a hip in space: closed forms on an invented bone, mirror and rotation, the end of the scan, refusals.

The bone: a ball of 24 mm, a neck and a shaft as round rods, with a cortex of 2 mm and a canal, on a scan's grid.
"""

from types import MappingProxyType

import numpy as np
import pytest

from headstock.anatomy.scan.segmentation import CORTEX, FEMUR, MARROW, PELVIS, TRABECULAR, Segmentation
from headstock.anatomy.scan.values import Density, Lesion, LesionPart, ScanHip
from headstock.errors import FrameError, TooFewError
from headstock.frames import LPS_TO_HIP, Side
from headstock.geometry.grid import Grid
from headstock.geometry.motion import rotation_about
from headstock.images.scan import Scan, ScanHeader
from headstock.implants import Catalogue, SpacePose
from headstock.implants.solid import solid
from headstock.measured import normal
from headstock.planning.space import fields
from headstock.planning.space.fields import bone_meshes, prepare_space
from headstock.planning.space.wall_map import wall_left_mm

approx = pytest.approx
RNG = np.random.default_rng(4)
RADIUS, NECK, SHAFT, CANAL = 24.0, 15.0, 14.0, 7.0
AXIS = np.array([np.cos(np.radians(40.0)), 0.0, np.sin(np.radians(40.0))])
MEET = -55.0 * AXIS  # where neck and shaft axis meet
END = -75.0  # the scan ends here: z, hip frame
DEAD, DEAD_RADIUS = np.array([2.0, 3.0, 10.0]), 9.0
SOCKET = np.array([20.4, 0.0, 27.2])
RATED = Density(np.array([0.001, 0.0011]), np.array([0.01, 0.02]), "rods")
UNRATED = Density(None, None, "no rods")


def ball(p, centre=(0.0, 0.0, 0.0), radius=RADIUS):
    return np.linalg.norm(p - np.asarray(centre), axis=-1) - radius


def rod(p, start, axis, radius, first, last):
    along = (p - start) @ axis
    beside = np.linalg.norm(p - start - along[..., None] * axis, axis=-1) - radius
    end = np.maximum(first - along, along - last)
    return np.minimum(np.maximum(beside, end), 0) + np.hypot(np.maximum(beside, 0), np.maximum(end, 0))


def femur(p):
    neck, shaft = (
        rod(p, np.zeros(3), AXIS, NECK, -55.0, 0.0),
        rod(p, MEET, np.array([0.0, 0.0, 1.0]), SHAFT, -500.0, 0.0),
    )
    return np.min([ball(p), neck, shaft, ball(p, MEET, SHAFT)], axis=0)


def make(side=Side.LEFT, step=1.0, bone=femur, turned=0.0, draws=0, lesion=True, shaft=True, tissue=True, reach=None):
    """A scan of the bone, its outlines, its hip and its lesion, as they come from the rooms below."""
    hip_axes = LPS_TO_HIP[side].T
    grid_axes = rotation_about([0.3, 1.0, 0.2], turned)
    low, high = np.array([-74.0, -30.0, END]), np.array([32.0, 30.0, 38.0])
    if reach is not None:
        low[2] = reach
    centre = np.array([80.0, -30.0, 900.0])
    corners = (
        np.array(np.meshgrid(*zip(low, high, strict=True), indexing="ij")).reshape(3, -1).T @ hip_axes.T @ grid_axes
    )
    first, last = corners.min(axis=0), corners.max(axis=0)
    shape = np.ceil((last - first) / step).astype(int) + 1
    grid = Grid(centre + grid_axes @ first, grid_axes, np.full(3, step), (int(shape[2]), int(shape[1]), int(shape[0])))
    index = np.moveaxis(np.indices(grid.shape), 0, -1)[..., ::-1]
    p = (grid.points(index) - centre) @ hip_axes
    distance = bone(p)
    mask = distance < 0
    kinds = np.where(mask, TRABECULAR, 0).astype(np.uint8)
    if tissue:
        kinds[mask & (distance > -2.0)] = CORTEX
        kinds[rod(p, MEET, np.array([0, 0, 1.0]), CANAL, -500.0, -5.0) < 0] = MARROW
        kinds[(ball(p, np.array([-20.0, 0, -15.0]), 4.0) < 0) & mask] = CORTEX  # a dense island
    pelvis = ball(p, SOCKET, 8.0) < 0
    bones = np.where(mask, FEMUR, np.where(pelvis, PELVIS, 0)).astype(np.uint8)
    n = 1 + draws

    def rows(value):
        return np.tile(np.asarray(value, float), (n, 1))

    hip = ScanHip(
        side=side, centre_lps_mm=centre, to_lps=hip_axes, head_centre=rows([0, 0, 0]),
        head_radius=np.full(n, RADIUS), neck_axis=rows(AXIS), neck_point=rows(-30 * AXIS),
        shaft_axis=rows([0, 0, 1]) if shaft else None, shaft_point=rows(MEET) if shaft else None,
        head_height=np.full(n, 42.0), base_depth=np.full(n, RADIUS + 55.0) if shaft else None,
        edge=np.concatenate([[0.0], RNG.normal(0, 0.2, draws)]), measures=MappingProxyType({}), frame_words="invented",
    )  # fmt: skip
    found = None
    if lesion:
        inner, outer = (ball(p, DEAD, DEAD_RADIUS + by).astype(np.float32) for by in (-1.0, 1.0))
        part = LesionPart(1, "dead", DEAD, normal(4 / 3 * np.pi * 0.729, 0.1, "cm3", "invented"))
        found = Lesion(grid, inner, outer, np.full(n, 0.5), (part,), "CT", MappingProxyType({}))
    seg = Segmentation(grid, side, bones, kinds, distance.astype(np.float32), 0.2, centre)
    scan = Scan((200.0 + 10.0 * p[..., 0]).astype(np.float32), grid, "CT", ScanHeader())
    return scan, seg, hip, found


@pytest.fixture(scope="module")
def left():
    return prepare_space(*make(draws=1), RATED)


@pytest.fixture(scope="module")
def right():
    return prepare_space(*make(Side.RIGHT), UNRATED)


def bone_points(count=3000, away=8.0):
    points = RNG.uniform([-80, -36, -70], [34, 36, 34], (4 * count, 3))
    near = np.abs(femur(points)) < away
    return points[near][:count]


def test_the_distance_to_the_femur_is_its_closed_form_inside_and_out(left):
    points = bone_points(away=6.0)
    error = np.abs(left.femur.at(points) - femur(points))
    # Inside, where ball, neck and shaft overlap, the true distance is larger than that of each part: outside only.
    outside = femur(points) > -0.2
    assert np.percentile(error[outside], 99) < 0.15
    assert error[outside].max() < 0.4  # in the creases between the parts


def test_far_from_the_bone_the_distance_is_that_of_the_bone_whatever_the_outlines_held_there():
    scan, seg, hip, lesion = make()
    far = np.abs(seg.femur_mm) > 5.0
    seg.femur_mm[far] = np.sign(seg.femur_mm[far]) * 5.0  # reliable within 5 mm of the surface only
    space = prepare_space(scan, seg, hip, lesion, UNRATED)
    points = np.array([[5.0, -26.0, 10.0], [-20.0, 30.0, 10.0], [31.0, 0.0, 31.0]])
    assert space.femur.at(points) == approx(femur(points), abs=0.25)
    assert space.femur.at([[0.0, 0.0, 0.0]])[0] < -RADIUS + 0.5


def test_a_right_hip_is_the_mirror_of_a_left_one(left, right):
    points = bone_points(1000)
    assert right.femur.at(points) == approx(left.femur.at(points), abs=0.12)
    assert right.hu.at(points) == approx(left.hu.at(points), abs=0.5)
    assert right.voxels.volume().sum() == approx(left.voxels.volume().sum(), rel=2e-3)
    low, high = right.pelvis_mesh.vertices.min(axis=0), right.pelvis_mesh.vertices.max(axis=0)
    assert low[0] == approx(left.pelvis_mesh.vertices.min(axis=0)[0], abs=0.8)
    assert high[0] == approx(left.pelvis_mesh.vertices.max(axis=0)[0], abs=0.8)


def test_a_patient_turned_in_the_scanner_changes_nothing(left):
    turned = prepare_space(*make(turned=25.0), UNRATED)
    points = bone_points(1000, away=4.0)
    points = points[turned.in_scan(points) & left.in_scan(points)]
    outside = femur(points) > -1.0
    assert turned.femur.at(points)[outside] == approx(left.femur.at(points)[outside], abs=0.2)
    assert turned.hu.at(points) == approx(left.hu.at(points), abs=0.5)
    assert turned.lesion_at(points) == approx(left.lesion_at(points), abs=0.3)


def test_grey_values_and_density_are_those_of_the_scan(left):
    points = bone_points(500, away=4.0)
    points = points[left.in_scan(points)]
    hu = left.hu.at(points)
    assert hu == approx(200.0 + 10.0 * points[:, 0], abs=5.01)  # half a voxel at the edge
    assert left.density_of(hu, 1) == approx(np.maximum(0.0011 * hu + 0.02, 0.0), abs=1e-5)
    assert left.voxels.hu == approx(200.0 + 10.0 * left.voxels.points[:, 0], abs=0.5)


def test_without_calibration_there_is_no_density(right):
    assert right.density_of(right.hu.at(np.zeros((1, 3)))) is None


@pytest.mark.parametrize("radius", [24.0, 18.5])
def test_the_volume_of_voxels_cut_in_part_converges_with_the_square_of_the_step(radius):
    truth, steps = 4 / 3 * np.pi * radius**3, np.array([2.0, 1.0])
    made = make(bone=lambda p: ball(p, radius=radius), lesion=False, tissue=False)
    errors = [
        abs(float(prepare_space(*made, UNRATED, step_mm=step).voxels.volume().sum(dtype=np.float64)) / truth - 1)
        for step in steps
    ]
    assert errors[1] < 2e-3
    assert errors[0] < 8e-3


def test_the_surface_further_out_adds_its_area_times_the_way():
    space = prepare_space(*make(bone=ball, lesion=False, tissue=False), UNRATED)
    more = float(space.voxels.volume(0.3).sum() - space.voxels.volume(-0.3).sum())
    assert more == approx(4 * np.pi * RADIUS**2 * 0.6, rel=0.01)


def test_dead_bone_has_its_volume_and_its_rim_moves_between_inner_and_outer(left):
    for t, radius in ((0.0, 8.0), (0.5, 9.0), (1.0, 10.0)):
        dead = (left.voxels.dead_share(t) * left.voxels.volume()).sum(dtype=np.float64)
        assert dead == approx(4 / 3 * np.pi * radius**3, rel=0.01)
        on_rim = DEAD + radius * np.array([[0.6, 0.0, 0.8], [0.0, -1.0, 0.0]])
        assert left.lesion_at(on_rim, t) == approx(0.0, abs=0.05)


def test_without_a_lesion_nothing_is_dead():
    space = prepare_space(*make(lesion=False), UNRATED)
    assert space.lesion_inner is None
    assert space.voxels.dead_share().max() == 0.0
    assert space.lesion_at(np.zeros((2, 3))).min() > 100.0
    assert "lesion" not in bone_meshes(space)


def test_the_inner_face_of_the_cortex_lies_under_the_surface_and_dense_islands_are_no_cortex(left):
    # Points on the neck's outside, away from head and shaft: the cortex is 2 mm, known to half a voxel.
    turn = np.linspace(0, 2 * np.pi, 12)
    around = np.outer(np.cos(turn), [0, 1.0, 0]) + np.outer(np.sin(turn), np.cross(AXIS, [0, 1.0, 0]))
    wall = left.inner.at(-29.0 * AXIS + NECK * around)
    assert wall == approx(2.0, abs=0.6)
    assert wall.mean() == approx(2.0, abs=0.25)
    island = np.array([[-20.0, 0.0, -15.0]])
    assert left.inner.at(island)[0] < -3.0


def test_the_canal_is_the_marrow_of_the_shaft(left):
    heights = np.array([-58.0, -64.0, -70.0])
    middle = np.column_stack([np.full(3, MEET[0]), np.zeros(3), heights])
    aside = middle + np.array([10.0, 0.0, 0.0])
    # Known to half a voxel of the scan.
    assert left.canal.at(middle) == approx(-CANAL, abs=0.8)
    assert left.canal.at(aside) == approx(10.0 - CANAL, abs=0.6)
    assert left.canal.at([[0.0, 0.0, 0.0]])[0] > 30.0


def test_without_a_shaft_axis_or_marrow_no_canal_is_known():
    assert prepare_space(*make(shaft=False), UNRATED).canal is None
    assert prepare_space(*make(tissue=False), UNRATED).canal is None


def test_past_the_end_of_the_scan_the_bone_is_carried_on_but_not_counted(left):
    inside, past = np.array([[MEET[0], 0.0, END + 4.0]]), np.array([[MEET[0], 0.0, END - 10.0]])
    assert list(left.in_scan(np.vstack([inside, past]))) == [True, False]
    # Near the end the wall is that of the shaft, not the end of the scan.
    assert left.femur.at(inside)[0] == approx(-SHAFT, abs=0.3)
    assert left.femur.at(past)[0] < -9.0  # what is carried on ends 20 mm past the scan
    assert left.canal.at(inside)[0] == approx(-CANAL, abs=0.8)
    assert left.inner.at(inside)[0] < -11.0
    assert left.voxels.points[:, 2].min() >= END - 0.51
    truth = prepare_space(*make(reach=-60.0), UNRATED).voxels.volume().sum()
    assert left.voxels.volume().sum() - truth == approx(np.pi * SHAFT**2 * 15.0, rel=0.01)


def test_depth_is_counted_from_the_pole_along_the_neck_axis(left):
    at = int(np.argmin(np.linalg.norm(left.voxels.points - 10.0 * AXIS, axis=1)))
    assert left.voxels.depth_mm[at] == approx(RADIUS - left.voxels.points[at] @ AXIS, abs=1e-3)


def test_row_0_alone_is_the_reading(left):
    one = left.nominal()
    assert (one.rows, len(one.edge), len(one.t), len(one.hip.head_centre)) == (1, 1, 1, 1)
    assert one.femur is left.femur
    assert len(one.density.slope) == 1


def test_the_meshes_are_closed_outward_and_light_enough_to_draw(left):
    meshes = bone_meshes(left)
    assert set(meshes) == {"femur", "lesion", "lesion_outer", "pelvis"}
    assert all(mesh.is_closed and mesh.volume_mm3 > 0 for mesh in meshes.values())
    assert sum(len(mesh.faces) for mesh in meshes.values()) < 60_000
    assert meshes["femur"].volume_mm3 == approx(left.voxels.volume().sum(), rel=0.01)
    assert meshes["femur"].vertices[:, 2].min() == approx(END - 0.5, abs=0.1)
    assert meshes["lesion"].volume_mm3 == approx(4 / 3 * np.pi * DEAD_RADIUS**3, rel=0.02)
    assert meshes["lesion_outer"].volume_mm3 >= meshes["lesion"].volume_mm3
    assert meshes["pelvis"].volume_mm3 == approx(4 / 3 * np.pi * 8.0**3, rel=0.08)


def test_a_grid_too_large_for_memory_takes_a_wider_step(monkeypatch):
    monkeypatch.setattr(fields, "_MOST_SAMPLES", 300_000)
    space = prepare_space(*make(), UNRATED)
    assert space.femur.values.size < 400_000
    assert 1.2 < space.step_mm < 2.0


def test_outlines_of_the_other_side_are_refused():
    scan, seg, _, lesion = make()
    _, _, other, _ = make(Side.RIGHT)
    with pytest.raises(FrameError, match="left hip and the axes of the right"):
        prepare_space(scan, seg, other, lesion, UNRATED)


def test_without_a_femur_there_is_nothing_to_plan_on():
    scan, seg, hip, lesion = make()
    seg.bones[:] = 0
    with pytest.raises(TooFewError, match="nothing to plan on"):
        prepare_space(scan, seg, hip, lesion, UNRATED)


CONE = """
schema = 1
id = "peg"
name = "A peg"
kind = "seated"
level = "mid_head"
impinges_on = "bone"
canal = "closed"
made_by = "invented for this test"
seat_wall_aim_mm = 4.0
head_diameters_mm = [46.0]
[[sizes]]
id = "a"
nominal_mm = 10.0
seat_top_width_mm = 10.0
seat_bottom_width_mm = 10.0
seat_depth_mm = 12.0
tail_length_mm = 10.0
tail_top_width_mm = 10.0
tail_tip_width_mm = 10.0
head_height_mm = 5.0
neck_diameter_mm = 8.0
"""
PEG = solid(Catalogue.from_texts({"peg.toml": CONE}).family("peg").component("a"))
# In the middle of the neck, along it: the wall is that of a tube.
POSE = SpacePose(*(-24.0 * AXIS), 40.0, 0.0)


def places_about(depth, radius, count=24):
    """(count, 3) points round the neck axis, this far below the peg's origin and from the axis."""
    turn = np.linspace(0.0, 2.0 * np.pi, count, endpoint=False)
    across, front = np.cross([0.0, 1.0, 0.0], AXIS), np.array([0.0, 1.0, 0.0])
    ring = np.cos(turn)[:, None] * across + np.sin(turn)[:, None] * front
    return POSE.origin_mm - depth * AXIS + radius * ring


def test_the_wall_around_a_peg_in_the_neck_is_that_of_a_tube(left):
    mesh = bone_meshes(left)["femur"]
    wall = wall_left_mm(left, PEG, POSE.origin_mm, POSE.matrix, mesh.vertices)
    along = (mesh.vertices - POSE.origin_mm) @ AXIS
    beside = np.linalg.norm(mesh.vertices - POSE.origin_mm - along[:, None] * AXIS, axis=1)
    tube = (along < -4.0) & (along > -9.0) & (np.abs(beside - NECK) < 0.3)
    assert tube.sum() > 20
    assert wall[tube] == approx(NECK - 5.0, abs=0.3)
    # Inside the wall, and on the hole's own face, the way out and the way in together are the same.
    for radius in (5.2, 8.0, 12.0):
        within = wall_left_mm(left, PEG, POSE.origin_mm, POSE.matrix, places_about(6.0, radius))
        assert within == approx(NECK - 5.0, abs=0.5)


def test_the_wall_is_nothing_where_the_hole_breaks_through_and_unknown_on_bone_that_goes_away(left):
    aside = POSE.origin_mm + 13.0 * np.array([0.0, 1.0, 0.0])
    vertices = bone_meshes(left)["femur"].vertices
    wall = wall_left_mm(left, PEG, aside, POSE.matrix, vertices)
    height = (vertices - aside) @ AXIS
    assert np.nanmin(wall) == approx(0.0, abs=0.05)
    assert np.isnan(wall[height > 1.0]).all()
    assert np.isfinite(wall[height < 0.5]).all()


def test_bone_beyond_the_side_plane_stays(left):
    low = SpacePose(*(-45.0 * AXIS), 40.0, 0.0)
    side = (MEET + np.array([5.0, 0, 0]), np.array([1.0, 0.0, 0.0]))
    vertices = bone_meshes(left)["femur"].vertices
    without = wall_left_mm(left, PEG, low.origin_mm, low.matrix, vertices)
    wall = wall_left_mm(left, PEG, low.origin_mm, low.matrix, vertices, side)
    beyond = (vertices - side[0]) @ side[1] < 0.0
    assert np.isnan(without[beyond]).any()
    assert np.isfinite(wall[beyond]).all()
    assert (np.isnan(wall) == (np.isnan(without) & ~beyond))[np.abs((vertices - side[0]) @ side[1]) > 1.0].all()

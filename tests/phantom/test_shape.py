"""The shape model: closed surfaces, and axes held against an independent generator's truth."""

import json
import zipfile
from pathlib import Path

import numpy as np
import pytest

from headstock.errors import FrameError, TooFewError
from headstock.phantom import shape
from headstock.phantom.femur import axes_of
from headstock.phantom.lesion import ball
from headstock.phantom.metal import box, cylinder
from headstock.phantom.section import loop_nearest, sections
from headstock.phantom.shape import HEAD_ELEMENTS, NECK_ELEMENTS, Surface, subject

HIPS = Path(__file__).parents[1] / "data" / "hips"
# (case, number of the subject in the model, scale of the femur as the truth states it)
SUPPLIED = [("alder", 0, 1.0), ("birch", 7, 1.0), ("cedar", 15, 0.88)]


def truth_of(name):
    with zipfile.ZipFile(HIPS / f"{name}.zip") as archive:
        member = next(n for n in archive.namelist() if n.endswith("truth.json"))
        return json.loads(archive.read(member))


def edges_of(surface):
    f = surface.faces
    return np.concatenate([f[:, [0, 1]], f[:, [1, 2]], f[:, [2, 0]]])


@pytest.mark.parametrize("bone", ["pelvis", "femur"])
def test_every_edge_belongs_to_two_faces_that_run_it_opposite_ways(bone):
    surface = getattr(subject((0.7, -1.2, 0.4)), bone).surface
    directed = edges_of(surface)
    assert len(np.unique(directed, axis=0)) == len(directed)
    _, counts = np.unique(np.sort(directed, axis=1), axis=0, return_counts=True)
    assert set(counts) == {2}
    assert surface.volume_mm3() > 0.0


@pytest.mark.parametrize(("name", "number", "scale"), SUPPLIED)
def test_axes_agree_with_the_truth_of_an_independent_generator(name, number, scale):
    # tests/data/hips: made from the same model by another program, with the same definitions of the axes.
    # Left: the patch sampling differs (0.5 mm on birch's flat head), all 25 modes are used.
    truth = truth_of(name)
    model = shape._model()
    nodes = model["mean"].astype(float) + (model["modes"].astype(float) @ model["scores"][:, number]).reshape(3, -1).T
    bone = shape._lattice("femur").bone(nodes * scale)
    up = np.array([0.0, 0.0, 1.0])
    axes = axes_of(bone.surface, bone.members(HEAD_ELEMENTS), bone.members(NECK_ELEMENTS), up)
    assert 2.0 * axes.head.radius == pytest.approx(truth["head_diameter_mm"], abs=0.6)
    assert axes.neck_section_mm2 == pytest.approx(truth["smallest_neck_section_mm2"], rel=0.005)
    assert axes.neck_shaft_angle_deg == pytest.approx(truth["neck_shaft_angle_deg"], abs=0.5)
    assert axes.femoral_offset_mm == pytest.approx(truth["femoral_offset_mm"], abs=0.5)


def test_the_landmarks_of_the_pelvis_are_those_of_the_independent_generator():
    # Distances between points do not depend on the frame either program chose.
    truth = truth_of("alder")
    model = shape._model()
    nodes = model["mean"].astype(float) + (model["modes"].astype(float) @ model["scores"][:, 0]).reshape(3, -1).T
    bone = shape._lattice("pelvis").bone(nodes)
    at = {name: bone.surface.vertices[k] for name, k in bone.landmark_vertices.items()}
    theirs = {s: np.array(truth["ischial_tuberosity_lps_mm"][s]) for s in "LR"}
    low = {s: np.array(truth["lowest_medial_acetabulum_lps_mm"][s]) for s in "LR"}
    assert np.linalg.norm(at["left.ischium"] - at["right.ischium"]) == pytest.approx(
        np.linalg.norm(theirs["L"] - theirs["R"]), abs=0.01
    )
    for letter, side in (("L", "left"), ("R", "right")):
        mine = np.linalg.norm(at[f"{side}.ischium"] - at[f"{side}.lowest_medial_acetabulum"])
        assert mine == pytest.approx(np.linalg.norm(theirs[letter] - low[letter]), abs=0.01)


def test_solids_enclose_their_volume():
    assert ball(np.zeros(3), 10.0).volume_mm3() == pytest.approx(4.0 / 3.0 * np.pi * 1000.0, rel=5e-3)
    assert box(np.ones(3), np.eye(3), np.array([2.0, 3.0, 4.0])).volume_mm3() == pytest.approx(24.0)
    rod = cylinder(np.zeros(3), np.array([0.0, 30.0, 40.0]), 6.0)
    # Chamfered ends and 48 sides take less than 3 % of pi r^2 h.
    assert np.pi * 9.0 * 50.0 * 0.97 < rod.volume_mm3() < np.pi * 9.0 * 50.0


def test_a_section_of_a_ball_is_the_circle_that_pythagoras_gives():
    sphere = ball(np.array([5.0, -3.0, 2.0]), 20.0, rounds=5)
    normal = np.array([0.6, 0.0, 0.8])
    at = np.array([5.0, -3.0, 2.0]) + 12.0 * normal
    (loop,) = sections(sphere, at, normal)
    assert loop.area_mm2 == pytest.approx(np.pi * (20.0**2 - 12.0**2), rel=5e-3)
    assert loop.centroid == pytest.approx(at, abs=0.02)


def test_a_plane_that_misses_the_bone_is_refused_by_name():
    with pytest.raises(TooFewError, match="missed the bone"):
        loop_nearest(
            sections(ball(np.zeros(3), 1.0), np.array([0.0, 0.0, 5.0]), np.array([0.0, 0.0, 1.0])), np.zeros(3)
        )


def test_a_mirrored_surface_still_faces_outward():
    surface = subject(()).femur.surface
    assert surface.mirrored_x().volume_mm3() == pytest.approx(surface.volume_mm3())
    turned_inside_out = Surface(surface.vertices, surface.faces[:, ::-1])
    assert turned_inside_out.volume_mm3() < 0.0


def test_shape_weights_outside_the_subjects_are_refused():
    with pytest.raises(FrameError, match="beyond 3 standard deviations"):
        subject((0.0, 3.5))
    with pytest.raises(FrameError, match="beyond 3 standard deviations"):
        subject((float("nan"),))
    with pytest.raises(TooFewError, match="modes are used"):
        subject((0.0,) * 26)

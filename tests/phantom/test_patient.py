"""The articulated patient: nothing overlaps, mirror images are mirror images, pose and deformity do what they say."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import least_squares

from headstock.errors import FrameError
from headstock.frames import Side
from headstock.phantom import Cyst, DeadSector, HipSpec, MetalHip, PhantomSpec, PlateAndScrews, make_hip_patient
from headstock.phantom.femur import make_femur

ILL = PhantomSpec(
    shape_sd=(0.6, -0.9, 0.5, 0.2, -0.3),
    side=Side.LEFT,
    right=HipSpec(internal_rotation_deg=14.0),
    left=HipSpec(varus_deg=8.0, neck_shortening_mm=5.0, trochanter_rise_mm=8.0, head_scale=0.95, abduction_deg=3.0),
    pelvis_tilt_deg=5.0,
    pelvis_rotation_deg=3.0,
    pelvis_obliquity_deg=-2.0,
)
SPECS = [
    PhantomSpec(),
    ILL,
    PhantomSpec(spherical_heads=True, shape_sd=(-1.0, 0.8, -0.6)),
    # A worn joint: bumps of a real head stand 1.5 mm above its sphere. Touching joints: test_joint.py.
    PhantomSpec(shape_sd=(0.9, 0.3, 1.2), right=HipSpec(joint_space_mm=0.6), left=HipSpec(joint_space_mm=0.6)),
    PhantomSpec(shape_sd=(1.5, 1.5, -1.5), pelvis_tilt_deg=-8.0, right=HipSpec(femur_scale=0.9, flexion_deg=8.0)),
]


def winding_number(points, surface):
    """How often a surface goes around each point (van Oosterom & Strackee, IEEE Trans Biomed Eng 1983;30:125)."""
    a, b, c = (surface.vertices[surface.faces[:, i]] for i in range(3))
    out = np.zeros(len(points))
    for i in range(0, len(points), 20):
        p = points[i : i + 20, None]
        u, v, w = a - p, b - p, c - p
        lu, lv, lw = (np.linalg.norm(x, axis=-1) for x in (u, v, w))
        top = np.einsum("ijk,ijk->ij", u, np.cross(v, w))
        bottom = lu * lv * lw + (u * v).sum(-1) * lw + (v * w).sum(-1) * lu + (w * u).sum(-1) * lv
        out[i : i + 20] = 2.0 * np.arctan2(top, bottom).sum(axis=1)
    return out / (4.0 * np.pi)


@pytest.mark.parametrize("spec", SPECS)
def test_no_femur_stands_in_the_pelvis_nor_the_pelvis_in_a_femur(spec):
    from scipy.spatial import cKDTree

    patient = make_hip_patient(spec)
    for hip in patient.hips.values():
        femur = hip.surface_lps(hip.femur.outer)
        assert femur.volume_mm3() > 0.0
        for points, solid in ((femur.vertices, patient.pelvis), (patient.pelvis.vertices, femur)):
            near, _ = cKDTree(solid.vertices).query(points)
            assert (near > 0.55).all()
            candidates = points[np.argsort(near)[:30]]
            assert near.min() < 4.0  # the joint: a test of nothing would pass too
            assert winding_number(candidates, solid).max() < 0.5


def test_a_pose_that_drives_the_neck_into_the_socket_is_refused():
    with pytest.raises(FrameError, match="in the pelvis"):
        make_hip_patient(PhantomSpec(right=HipSpec(abduction_deg=75.0)))


def test_the_joint_space_is_the_one_asked_for():
    # Spherical heads: the distance between head and joint surface is then the same everywhere.
    for space in (2.2, 3.6):
        spec = PhantomSpec(spherical_heads=True, right=HipSpec(joint_space_mm=space))
        hip = make_hip_patient(spec).hip
        away = np.linalg.norm(hip.socket_lps_mm - hip.centre_lps_mm, axis=1)
        gap = away - hip.femur.axes.head.radius
        assert gap.min() == pytest.approx(space, abs=0.05)
        # Most of the roof lies at that distance; the fossa lies deeper.
        roof = hip.socket_lps_mm[:, 2] - hip.centre_lps_mm[2] > 0.75 * hip.femur.axes.head.radius
        assert np.median(gap[roof]) == pytest.approx(space, abs=0.25)


def test_the_head_centre_and_radius_are_those_of_an_independent_fit():
    patient = make_hip_patient(ILL)
    for hip in patient.hips.values():
        points = hip.to_lps(hip.femur.whole.vertices[hip.femur.head_vertices])
        start = np.array([*points.mean(axis=0), 20.0])
        fit = least_squares(lambda x, p=points: np.linalg.norm(p - x[:3], axis=1) - x[3], start)
        assert fit.x[:3] == pytest.approx(hip.centre_lps_mm, abs=0.01)
        assert fit.x[3] == pytest.approx(hip.femur.axes.head.radius, abs=0.01)


def test_a_spherical_head_is_a_sphere_and_stays_joined_to_its_neck():
    femur = make_femur((0.5, -0.5), HipSpec(), spherical_head=True)
    away = np.linalg.norm(femur.outer.vertices[femur.head_vertices], axis=1)
    assert np.ptp(away) < 1e-8
    edges = np.concatenate([femur.outer.faces[:, [0, 1]], femur.outer.faces[:, [1, 2]]])
    length = np.linalg.norm(np.diff(femur.outer.vertices[edges], axis=1)[:, 0], axis=1)
    plain = make_femur((0.5, -0.5), HipSpec())
    usual = np.linalg.norm(np.diff(plain.outer.vertices[edges], axis=1)[:, 0], axis=1)
    assert length.max() < 1.3 * usual.max()  # no tear


def test_the_mirror_image_is_the_same_patient_on_the_other_side():
    one, other = make_hip_patient(ILL), make_hip_patient(ILL.mirror())
    flip = np.array([-1.0, 1.0, 1.0])
    assert other.spec.side is Side.RIGHT
    for side in Side:
        a, b = one.hips[side], other.hips[side.other]
        assert b.centre_lps_mm == pytest.approx(a.centre_lps_mm * flip, abs=1e-9)
        assert b.to_lps(b.femur.outer.vertices) == pytest.approx(a.to_lps(a.femur.outer.vertices) * flip, abs=1e-9)
        assert other.landmarks[f"{side.other}.teardrop"] == pytest.approx(one.landmarks[f"{side}.teardrop"] * flip)
    assert other.pelvis.vertices == pytest.approx(one.pelvis.vertices * flip, abs=1e-9)
    assert ILL.mirror().mirror() == ILL


def test_equal_specs_give_equal_surfaces_without_the_cache():
    one = make_hip_patient(ILL)
    make_hip_patient.cache_clear()
    again = make_hip_patient(replace(ILL))
    assert np.array_equal(one.pelvis.vertices, again.pelvis.vertices)
    assert np.array_equal(one.hip.femur.canal.vertices, again.hip.femur.canal.vertices)


def test_tilt_rotation_and_obliquity_turn_the_pelvis_the_way_their_signs_say():
    still = make_hip_patient(PhantomSpec()).landmarks
    tilted = make_hip_patient(PhantomSpec(pelvis_tilt_deg=8.0)).landmarks
    assert tilted["left.asis"][1] < still["left.asis"][1] - 5.0  # spines forward (anterior is -y)
    turned = make_hip_patient(PhantomSpec(pelvis_rotation_deg=5.0)).landmarks
    middle = 0.5 * (turned["left.pubic_tubercle"] + turned["right.pubic_tubercle"])
    before = 0.5 * (still["left.pubic_tubercle"] + still["right.pubic_tubercle"])
    assert middle[0] > before[0] + 2.0  # the front toward the left (+x)
    lifted = make_hip_patient(PhantomSpec(pelvis_obliquity_deg=4.0)).landmarks
    rise = lifted["left.asis"][2] - lifted["right.asis"][2]
    span = np.linalg.norm(lifted["left.asis"] - lifted["right.asis"])
    assert np.degrees(np.arcsin(rise / span)) == pytest.approx(4.0, abs=0.01)


def test_femoral_pose_turns_the_bone_about_the_head_centre_by_the_stated_angle():
    plain = make_hip_patient(PhantomSpec(right=HipSpec(internal_rotation_deg=0.0))).hip
    for name, axis in (("internal_rotation_deg", 2), ("flexion_deg", 0), ("abduction_deg", 1)):
        posed = make_hip_patient(PhantomSpec(right=HipSpec(**{"internal_rotation_deg": 0.0, name: 6.0}))).hip
        turn = posed.matrix @ plain.matrix.T
        assert np.degrees(np.arccos((np.trace(turn) - 1.0) / 2.0)) == pytest.approx(6.0)
        assert abs(np.linalg.eig(turn)[1][axis].real).max() == pytest.approx(1.0)
    knee = np.array([0.0, 0.0, -400.0])
    assert make_hip_patient(PhantomSpec(right=HipSpec(abduction_deg=6.0))).hip.to_lps(knee)[0] < -100.0  # right: -x
    assert make_hip_patient(PhantomSpec(right=HipSpec(flexion_deg=6.0))).hip.to_lps(knee)[1] < 10.0  # forward: -y


def test_varus_lowers_the_neck_shaft_angle_by_what_was_asked():
    before = make_femur((), HipSpec()).axes.neck_shaft_angle_deg
    for varus in (-8.0, 6.0, 12.0):
        after = make_femur((), HipSpec(varus_deg=varus)).axes.neck_shaft_angle_deg
        # The waist of the neck, which defines the axis, moves a little with the turn.
        assert before - after == pytest.approx(varus, rel=0.15)


def test_a_short_neck_a_small_head_and_a_high_trochanter_change_that_and_little_else():
    plain = make_femur((), HipSpec())
    short = make_femur((), HipSpec(neck_shortening_mm=8.0))
    to_base = [np.linalg.norm(f.landmarks["lesser_trochanter"]) for f in (plain, short)]
    assert to_base[0] - to_base[1] > 4.0
    assert short.axes.head.radius == pytest.approx(plain.axes.head.radius, abs=0.1)
    assert short.axes.femoral_offset_mm < plain.axes.femoral_offset_mm - 4.0
    small = make_femur((), HipSpec(head_scale=0.85))
    assert small.axes.head.radius / plain.axes.head.radius == pytest.approx(0.85, abs=0.02)
    high = make_femur((), HipSpec(trochanter_rise_mm=12.0))
    rise = (high.landmarks["greater_trochanter"] - plain.landmarks["greater_trochanter"]) @ plain.axes.shaft_axis
    assert rise == pytest.approx(12.0, abs=0.5)
    assert high.landmarks["lesser_trochanter"] == pytest.approx(plain.landmarks["lesser_trochanter"], abs=0.2)


def test_a_collapse_sinks_the_surface_by_the_stated_depth_and_nowhere_else():
    for depth in (1.0, 3.0, 5.0):
        sector = DeadSector(half_angle_deg=50.0, depth_mm=20.0, anterior_deg=10.0, collapse_mm=depth)
        femur = make_femur((), HipSpec(sector=sector), spherical_head=True)
        radius = femur.axes.head.radius
        axis = np.array([np.tan(np.radians(5.0)), np.tan(np.radians(10.0)), 1.0])
        axis /= np.linalg.norm(axis)
        head = femur.outer.vertices[femur.head_vertices]
        sunk = radius - np.linalg.norm(head, axis=1)
        # Vertices lie up to 1.5 mm from the pole, where a flat face is 0.05 mm shallower.
        assert sunk.max() == pytest.approx(depth, abs=0.08)
        # Flat: the sunk vertices well inside the sector lie on one plane.
        inside = (sunk > 0.2) & (np.degrees(np.arccos(head @ axis / np.linalg.norm(head, axis=1))) < 45.0)
        assert np.ptp(head[inside] @ axis) < 1e-6
        assert (head[inside] @ axis)[0] == pytest.approx(radius - depth, abs=1e-6)
        far = head @ axis < radius * np.cos(np.radians(55.0))
        assert np.abs(sunk[far]).max() < 1e-8


def test_lesions_lie_inside_the_head_where_they_were_put():
    hip = HipSpec(
        sector=DeadSector(half_angle_deg=40.0, depth_mm=14.0, anterior_deg=20.0, medial_deg=0.0),
        cysts=(Cyst(diameter_mm=8.0, cover_mm=12.0, anterior_deg=-30.0, medial_deg=-20.0),),
    )
    placed = make_hip_patient(PhantomSpec(right=hip, spherical_heads=True)).hip
    sector, cyst = placed.bodies
    radius = placed.femur.axes.head.radius
    reach = np.linalg.norm(sector.rim.vertices, axis=1)
    assert reach.max() < radius - 0.5  # under the subchondral plate
    axis = np.array([0.0, np.tan(np.radians(20.0)), 1.0]) / np.hypot(1.0, np.tan(np.radians(20.0)))
    assert (sector.rim.vertices @ axis).min() == pytest.approx(radius - 14.0, abs=0.1)  # the stated depth
    angle = np.degrees(np.arccos(sector.rim.vertices @ axis / reach))
    edge = angle[reach > reach.max() - 0.3]
    assert edge.max() == pytest.approx(40.0, abs=2.5)  # the stated angle, a millimetre below the surface
    assert cyst.body.volume_mm3() == pytest.approx(np.pi / 6.0 * 8.0**3, rel=0.1)
    assert np.linalg.norm(cyst.body.vertices, axis=1).max() < radius - 11.0
    for body in (sector, cyst):
        assert body.rim.volume_mm3() > body.body.volume_mm3() > 0.0


def test_a_replaced_hip_has_metal_and_no_head_left():
    patient = make_hip_patient(PhantomSpec(left=HipSpec(metal=MetalHip()), side=Side.RIGHT))
    hip = patient.hips[Side.LEFT]
    assert hip.replaced
    assert all(part.volume_mm3() > 0.0 for part in hip.metal_hip_frame)
    depth = -(hip.femur.outer.vertices @ hip.femur.axes.neck_axis)
    beside = np.linalg.norm(hip.femur.outer.vertices + depth[:, None] * hip.femur.axes.neck_axis, axis=1)
    assert depth[beside < 20.0].min() >= 1.4 * hip.femur.axes.head.radius


def test_plate_and_screws_are_solid_and_the_screws_end_in_bone():
    hip = make_hip_patient(
        PhantomSpec(right=HipSpec(metal=PlateAndScrews(neck_screws=3, plate_mm=80.0, shaft_screws=2)))
    ).hip
    assert len(hip.metal_hip_frame) == 6
    assert all(part.volume_mm3() > 0.0 for part in hip.metal_hip_frame)
    tip = hip.metal_hip_frame[0].vertices[-1]
    assert winding_number(tip[None], hip.femur.outer)[0] == pytest.approx(1.0, abs=1e-6)


@pytest.mark.parametrize(
    ("hip", "words"),
    [
        (HipSpec(femur_scale=2.0), "Scale the femur"),
        (HipSpec(varus_deg=50.0), "at most 35 degrees"),
        (HipSpec(sector=DeadSector(half_angle_deg=60.0, depth_mm=5.0)), "does not fit a head"),
        (HipSpec(sector=DeadSector(collapse_mm=20.0)), "leaves no head"),
        (HipSpec(cysts=(Cyst(diameter_mm=60.0),)), "does not fit a head"),
    ],
)
def test_impossible_hips_are_refused_with_what_would_be_possible(hip, words):
    with pytest.raises(FrameError, match=words):
        make_hip_patient(PhantomSpec(right=hip))

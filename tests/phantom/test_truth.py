"""The truth of a film: closed forms, limits in which perspective vanishes, and the room that measures films."""

import json
import zipfile
from pathlib import Path

import numpy as np
import pytest

from headstock.anatomy import Reading, measure
from headstock.frames import Side
from headstock.phantom import (
    DeadSector,
    FilmSpec,
    HipSpec,
    PhantomSpec,
    beam_of,
    make_hip_patient,
    perfect_reading_json,
    project_truth,
    random_case,
    truth_of_film,
)
from headstock.phantom.truth import ball_centre_lps_mm, sphere_outline_px

ILL = PhantomSpec(
    shape_sd=(0.6, -0.9, 0.5, 0.2, -0.3),
    side=Side.LEFT,
    left=HipSpec(varus_deg=8.0, neck_shortening_mm=5.0, sector=DeadSector(half_angle_deg=40.0, depth_mm=14.0)),
    pelvis_tilt_deg=5.0,
    pelvis_rotation_deg=3.0,
    pelvis_obliquity_deg=-2.0,
)


HIPS = Path(__file__).parents[1] / "data" / "hips"
# Of the supplied scans and of the program that made them, and the film of the other view.
NOT_OF_THIS_FILM = {"density_law", "ct", "options", "subject", "lateral_film"}


class KnownScale:
    """The scale at the head, known exactly."""

    source = "the phantom's truth"
    row_factor = 1.0

    def __init__(self, mm_per_px):
        self.mm_per_px = mm_per_px

    def draws(self, rng, n):
        return np.full(n + 1, self.mm_per_px)


def test_the_names_are_those_of_the_supplied_cases():
    with zipfile.ZipFile(HIPS / "alder.zip") as archive:
        supplied = json.loads(archive.read(next(n for n in archive.namelist() if n.endswith("truth.json"))))
    truth = project_truth(ILL)
    assert set(supplied) - NOT_OF_THIS_FILM <= set(truth)
    for part in ("film", "film_measures"):
        assert set(supplied[part]) <= set(truth[part])
    lateral = project_truth(ILL, FilmSpec(view="lateral_hip", rows=1000, columns=1000))["lateral_film"]
    assert set(supplied["lateral_film"]) <= set(lateral)
    assert set(supplied["film"]["marker_ball"]) <= set(truth["film"]["marker_ball"])
    json.dumps(truth)


def test_without_perspective_the_film_gives_the_parallel_projection():
    # A source 1,000 km away: what remains of perspective is below the rounding of the truth.
    far = FilmSpec(source_detector_mm=1e9, hip_to_detector_mm=175.0)
    truth = project_truth(ILL, far)
    measures = truth["film_measures"]
    assert measures["neck_shaft_angle_deg"] == pytest.approx(
        truth["parallel_projection_neck_shaft_angle_deg"], abs=2e-3
    )
    assert measures["femoral_offset_mm"] == pytest.approx(truth["parallel_projection_femoral_offset_mm"], abs=2e-3)
    assert measures["head_diameter_mm"] == pytest.approx(truth["head_diameter_mm"], abs=2e-3)


def test_a_neck_out_of_the_film_plane_follows_the_projection_formula():
    # NSA' = 90 + atan(tan(NSA - 90) / cos d), offset' = offset cos d (derived; plane trigonometry), d the turn of
    # the neck out of the plane of the shaft and the film, shaft lying in that plane.
    patient = make_hip_patient(PhantomSpec(spherical_heads=True))
    axes = patient.hip.femur.axes
    shaft = patient.hip.direction_lps(axes.shaft_axis)
    neck = patient.hip.direction_lps(axes.neck_axis)
    offset_direction = neck - (neck @ shaft) * shaft
    truth = project_truth(PhantomSpec(spherical_heads=True), FilmSpec(source_detector_mm=1e9))
    lean = np.arcsin(abs(shaft[1]))
    turn = np.arcsin(abs(offset_direction[1]) / np.linalg.norm(offset_direction))
    want = 90.0 + np.degrees(np.arctan(np.tan(np.radians(truth["neck_shaft_angle_deg"] - 90.0)) / np.cos(turn)))
    # The shaft itself leans out of the plane, which the formula leaves out: first order in lean times turn.
    slack = np.degrees(np.sin(lean) * np.sin(turn)) + 0.5
    assert truth["parallel_projection_neck_shaft_angle_deg"] == pytest.approx(want, abs=slack)


def test_the_ball_is_magnified_by_its_own_depth():
    for toward in (-30.0, 0.0, 25.0):
        spec = FilmSpec(source_detector_mm=1150.0, hip_to_detector_mm=175.0, ball_mm=30.0, ball_toward_source_mm=toward)
        ball = project_truth(ILL, spec)["film"]["marker_ball"]
        m = 1150.0 / (975.0 - toward)
        assert ball["magnification"] == pytest.approx(m, abs=6e-5)
        assert ball["image_diameter_px"] == pytest.approx(30.0 * m / 0.25, abs=2e-3)


def test_a_ball_beside_a_broad_hip_still_lies_wholly_on_the_film():
    for number in (98, 128):  # the broadest of 150 drawn patients
        case = random_case(number, 2026, spherical_heads=True)
        for mirrored in (False, True):
            spec = case.studies[0].spec.mirror() if mirrored else case.studies[0].spec
            column, row, radius = project_truth(spec, case.studies[0].films[0].film)["film"]["marker_ball"][
                "fitted_circle_px"
            ]
            assert radius < column < 1719.0 - radius
            assert radius < row < 1719.0 - radius


def test_a_ball_on_the_central_ray_casts_a_circle_of_the_tangent_cone():
    patient = make_hip_patient(PhantomSpec())
    beam = beam_of(patient, FilmSpec())
    centre = beam.source + 900.0 * beam.normal
    outline = sphere_outline_px(beam, centre, 12.5)
    middle = beam.project(centre)
    # Radius on the detector: SID tan(asin(r / d)), closed form of the tangent cone.
    want = 1150.0 * np.tan(np.arcsin(12.5 / 900.0)) / 0.25
    assert np.linalg.norm(outline - middle, axis=1) == pytest.approx(np.full(len(outline), want), abs=1e-9)


def test_a_ball_off_the_central_ray_casts_the_longer_ellipse():
    patient = make_hip_patient(PhantomSpec())
    beam = beam_of(patient, FilmSpec())
    centre = ball_centre_lps_mm(patient, FilmSpec())
    outline = sphere_outline_px(beam, centre, 12.5)
    reach = np.linalg.norm(outline - outline.mean(axis=0), axis=1)
    ray = centre - beam.source
    cosine = ray @ beam.normal / np.linalg.norm(ray)
    assert reach.max() / reach.min() == pytest.approx(1.0 / cosine, rel=2e-3)


@pytest.mark.parametrize("view", ["ap_pelvis", "lateral_hip"])
def test_the_mirror_image_has_the_same_measures_and_mirrored_points(view):
    size = {"rows": 1000, "columns": 1000}
    spec = FilmSpec(view=view, **size)
    one, other = project_truth(ILL, spec), project_truth(ILL.mirror(), spec)
    film = "lateral_film" if view == "lateral_hip" else "film"
    for name, (column, row) in one[film]["points"].items():
        exchanged = name.replace("left.", "X.").replace("right.", "left.").replace("X.", "right.")
        got = other[film]["points"][exchanged]
        # An AP film turns over; a lateral film shows proximal to the right on both sides.
        want = (999.0 - column, row) if view == "ap_pelvis" else (column, row)
        assert got == pytest.approx(want, abs=2e-3), name
    if view == "ap_pelvis":
        a, b = one["film_measures"], other["film_measures"]
        assert b["right_minus_left_mm"] == pytest.approx(-a["right_minus_left_mm"], abs=2e-3)
        assert b["neck_shaft_angle_deg"] == pytest.approx(a["neck_shaft_angle_deg"], abs=2e-3)
        assert b["each_side"]["R"]["centre_edge_angle_deg"] == pytest.approx(
            a["each_side"]["L"]["centre_edge_angle_deg"], abs=2e-2
        )
    sign = "leg_length_difference_right_minus_left_mm"
    assert other[sign] == pytest.approx(-one[sign], abs=2e-3)


def test_a_shorter_left_leg_makes_the_difference_positive():
    level = project_truth(PhantomSpec())
    short = project_truth(PhantomSpec(left=HipSpec(femur_scale=0.9)))
    name = "leg_length_difference_right_minus_left_mm"
    assert short[name] - level[name] > 4.0
    assert short["film_measures"]["right_minus_left_mm"] - level["film_measures"]["right_minus_left_mm"] > 4.0


@pytest.mark.parametrize("number", [1, 2, 3, 4])
def test_the_room_that_measures_films_finds_what_the_truth_says(number):
    case = random_case(number, 77)
    study = case.studies[0]
    truth = project_truth(study.spec, study.films[0].film)
    measures = truth["film_measures"]
    reading = Reading.from_json(perfect_reading_json(truth, "ap_pelvis"))
    found = measure(reading, KnownScale(measures["mm_per_pixel_at_head"]), n_draws=50)
    for letter, side in (("R", "right"), ("L", "left")):
        for name, want in measures["each_side"][letter].items():
            if name == "collapse_depth_mm" and want == 0.0:
                continue
            # Pixels are rounded to 1e-4, measures to 1e-3.
            assert found[f"{side}.{name}"].number == pytest.approx(want, abs=2e-3), (side, name)
    assert found["leg_length_difference_mm"].number == pytest.approx(measures["right_minus_left_mm"], abs=2e-3)


def test_landmarks_lie_where_anatomy_puts_them():
    film = project_truth(PhantomSpec())["film"]
    p = {name: np.array(at) for name, at in film["points"].items()}
    for side, medial in (("right", 1.0), ("left", -1.0)):
        head = p[f"{side}.head_centre"]

        def from_head(name, side=side, head=head, medial=medial):
            return (p[f"{side}.{name}"] - head) * np.array([medial, -1.0])  # x medial, z proximal

        assert from_head("teardrop")[0] > 60.0
        assert from_head("teardrop")[1] < 0.0
        assert from_head("greater_trochanter")[0] < -120.0
        assert from_head("lesser_trochanter")[1] < -200.0
        assert from_head("sourcil_lateral")[0] < 0.0 < from_head("sourcil_medial")[0]
        assert from_head("sourcil_lateral")[1] > 60.0
        assert from_head("neck_superior")[1] > from_head("neck_inferior")[1]
        assert from_head("neck_axis_point")[0] < 0.0
        assert from_head("canal_20_medial")[0] > from_head("canal_20_lateral")[0]
        canal = np.linalg.norm(from_head("isthmus_medial") - from_head("isthmus_lateral"))
        shaft = np.linalg.norm(from_head("shaft_100_medial") - from_head("shaft_100_lateral"))
        assert canal < shaft
        assert from_head("ischium")[1] < from_head("teardrop")[1]
        # The junction is where the outline has left the head's circle by one millimetre (0.212 mm a pixel).
        radius = film["circles"][f"{side}.head"][2]
        for where in ("superior", "inferior"):
            off = abs(np.linalg.norm(from_head(f"head_neck_junction_{where}")) - radius) * 0.212
            assert 1.0 <= off < 2.0


def test_the_outline_of_a_spherical_head_lies_on_its_circle():
    film = project_truth(PhantomSpec(spherical_heads=True))["film"]
    outline = np.array(film["outlines"]["right.head"])
    column, row, radius = film["circles"]["right.head"]
    off = np.hypot(outline[:, 0] - column, outline[:, 1] - row) - radius
    # The ellipse of an off-centre sphere departs from a circle by 0.3 % of the radius.
    assert np.abs(off[12:-12]).max() < 0.6


def test_the_lesion_of_a_centred_sector_shows_its_own_arc():
    # Sector straight up, spherical head: its outline on an AP film spans twice the half-angle, less the cortex.
    sector = DeadSector(half_angle_deg=45.0, depth_mm=16.0, anterior_deg=0.0, medial_deg=0.0)
    hip = HipSpec(sector=sector, internal_rotation_deg=0.0)
    truth = project_truth(PhantomSpec(right=hip, spherical_heads=True))
    assert truth["film"]["necrotic_arcs_deg"][0] == pytest.approx(90.0, abs=8.0)


def test_collapse_is_seen_on_the_film_that_looks_along_its_edge():
    sector = DeadSector(half_angle_deg=50.0, depth_mm=18.0, anterior_deg=0.0, medial_deg=0.0, collapse_mm=3.0)
    flat = PhantomSpec(right=HipSpec(sector=sector), spherical_heads=True)
    patient = make_hip_patient(flat)
    film = truth_of_film(patient, FilmSpec())["film"]
    # A plane seen nearly along itself: the ray through the head dips by half a degree over 20 mm.
    assert film["collapse_depth_on_film_mm"] == pytest.approx(3.0, abs=0.35)
    assert "right.collapse" in film["outlines"]
    assert project_truth(PhantomSpec())["film"]["collapse_depth_on_film_mm"] == 0.0

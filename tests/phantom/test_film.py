"""The picture agrees with the truth beside it, and is the same for the same seed."""

from dataclasses import replace

import numpy as np
import pytest

from headstock.errors import FrameError
from headstock.frames import Side
from headstock.phantom import (
    Cyst,
    DeadSector,
    FilmSpec,
    HipSpec,
    PhantomSpec,
    beam_of,
    make_hip_patient,
    path_length_mm,
    render,
)

SMALL = FilmSpec(rows=860, columns=860, pixel_mm=0.5, seed=4)
LATERAL = FilmSpec(view="lateral_hip", rows=500, columns=500, pixel_mm=0.5, seed=5)
PLAIN = PhantomSpec(spherical_heads=True)


@pytest.fixture(scope="module")
def film():
    return render(make_hip_patient(PLAIN), SMALL)


def along(film, start, end, count=400):
    """Grey values on a line, interpolated."""
    from scipy.ndimage import map_coordinates

    points = np.linspace(start, end, count)
    return map_coordinates(film.pixels.astype(float), [points[:, 1], points[:, 0]], order=1)


def test_the_same_seed_makes_the_same_film_and_another_seed_another(film):
    again = render(make_hip_patient(replace(PLAIN)), replace(SMALL))
    assert np.array_equal(film.pixels, again.pixels)
    assert film.truth == again.truth
    other = render(make_hip_patient(PLAIN), replace(SMALL, seed=6))
    assert not np.array_equal(film.pixels, other.pixels)


def test_pixels_are_twelve_bits_with_air_dark_and_metal_bright(film):
    assert film.pixels.dtype == np.uint16
    assert film.pixels.shape == (860, 860)
    assert film.pixels.max() <= 4095
    assert film.pixels[-3:, :3].mean() < 150  # air beside the thigh
    ball = film.truth["film"]["marker_ball"]["centre"]
    row, column = round(ball["row"]), round(ball["col"])
    assert film.pixels[row - 5 : row + 5, column - 5 : column + 5].min() > 3600


@pytest.mark.parametrize("spec", [SMALL, LATERAL])
def test_the_marker_ball_on_the_picture_is_where_and_as_large_as_the_truth_says(spec):
    picture = render(make_hip_patient(PLAIN), spec)
    ball = picture.truth["lateral_film" if spec.view == "lateral_hip" else "film"]["marker_ball"]
    column, row, radius = ball["fitted_circle_px"]
    r0, c0 = round(row), round(column)
    reach = round(1.4 * radius)
    part = picture.pixels[r0 - reach : r0 + reach + 1, max(c0 - reach, 0) : c0 + reach + 1].astype(float)
    bright = part > 0.5 * (np.median(part[part > 3400]) + np.percentile(part, 10))
    # Area and centroid of the bright disc: an independent reading, good to a few tenths of a pixel.
    assert np.sqrt(bright.sum() / np.pi) == pytest.approx(radius, abs=0.6)
    rows, columns = np.nonzero(bright)
    assert rows.mean() + r0 - reach == pytest.approx(row, abs=0.25)
    assert columns.mean() + max(c0 - reach, 0) == pytest.approx(column, abs=0.25)


def test_the_joint_space_is_a_dark_line_between_two_bright_edges(film):
    circle = film.truth["film"]["circles"]["right.head"]
    centre, radius = np.array(circle[:2]), circle[2]
    for degrees in (-15.0, 0.0, 15.0):
        up = np.array([np.sin(np.radians(degrees)), -np.cos(np.radians(degrees))])
        reach = np.linspace(radius - 6.0, radius + 22.0, 300)
        grey = along(film, centre + reach[0] * up, centre + reach[-1] * up, 300)
        edge = reach[:110][grey[:110].argmax()]
        gap = grey[110:200].min()
        roof = grey[150:].max()
        assert edge == pytest.approx(radius, abs=3.5)  # bright just inside the circle of the head
        assert gap < grey[:110].max() - 100.0
        assert gap < roof - 200.0


def test_the_cortex_of_the_shaft_is_brighter_than_canal_and_muscle(film):
    points = {name: np.array(at) for name, at in film.truth["film"]["points"].items()}
    outer = [points[f"right.shaft_edge_{w}"] for w in ("lateral", "medial")]
    middle = 0.5 * (outer[0] + outer[1])
    outward = (outer[0] - middle) / np.linalg.norm(outer[0] - middle)
    width = np.linalg.norm(outer[0] - middle)
    grey = along(film, middle, middle + (width + 14.0) * outward)
    at = np.linspace(0.0, width + 14.0, 400)
    cortex = grey[(at > width - 9.0) & (at < width)].max()
    assert cortex > grey[:40].mean() + 200.0
    assert cortex > grey[-40:].mean() + 800.0
    # The outer edge: the steepest fall lies where the truth puts it.
    fall = at[:-1][np.diff(np.convolve(grey, np.ones(9) / 9.0, mode="same"))[:-12].argmin()]
    assert fall == pytest.approx(width, abs=2.5)


def test_the_lesion_is_darker_than_the_same_place_of_a_sound_head():
    ill = replace(PLAIN, right=HipSpec(cysts=(Cyst(diameter_mm=14.0),)))
    quiet = replace(SMALL, noise=0.0)
    sick, sound = render(make_hip_patient(ill), quiet), render(make_hip_patient(PLAIN), quiet)
    outline = np.array(sick.truth["film"]["outlines"]["right.lesion"])
    column, row = np.round(outline.mean(axis=0)).astype(int)
    change = sick.pixels.astype(int) - sound.pixels.astype(int)
    assert change[row - 3 : row + 4, column - 3 : column + 4].mean() < -60.0
    # The sclerotic rim shows as a brighter line on the outline; nothing changes far from it.
    on_rim = [change[round(r), round(c)] for c, r in outline]
    assert np.mean(on_rim) > change[row, column] + 80.0
    away = np.hypot(*np.meshgrid(np.arange(860) - column, np.arange(860) - row)) > 60.0
    assert np.abs(change[away]).max() <= 2  # scattered light only


def test_a_collapsed_head_is_really_flat_on_the_picture():
    sector = DeadSector(half_angle_deg=50.0, depth_mm=18.0, anterior_deg=0.0, medial_deg=0.0)
    quiet = replace(SMALL, noise=0.0)
    pictures = [
        render(make_hip_patient(replace(PLAIN, right=HipSpec(sector=replace(sector, collapse_mm=mm)))), quiet)
        for mm in (0.0, 4.0)
    ]
    column, row, radius = pictures[0].truth["film"]["circles"]["right.head"]
    edges = []
    for picture in pictures:
        grey = along(picture, np.array([column, row - radius - 6.0]), np.array([column, row - radius + 16.0]), 220)
        edges.append(np.linspace(-6.0, 16.0, 220)[1:][np.diff(grey)[20:].argmax() + 20])
    mm_per_px = pictures[0].truth["film_measures"]["mm_per_pixel_at_head"]
    assert (edges[1] - edges[0]) * mm_per_px == pytest.approx(4.0, abs=0.7)


def test_bone_of_the_mirror_image_is_the_mirror_image_of_the_bone():
    spec = PhantomSpec(shape_sd=(0.5, -0.5), pelvis_rotation_deg=2.0, right=HipSpec(varus_deg=6.0))
    shadows = []
    for each in (spec, spec.mirror()):
        patient = make_hip_patient(each)
        beam = beam_of(patient, replace(SMALL, rows=215, columns=215, pixel_mm=2.0))
        bones = [patient.pelvis, *(h.surface_lps(h.femur.outer) for h in patient.hips.values())]
        shadows.append(path_length_mm(beam, tuple(bones)))
    assert np.abs(shadows[0] - shadows[1][:, ::-1]).max() < 1e-5


def test_the_letter_can_be_the_wrong_one():
    patient = make_hip_patient(PLAIN)
    quiet = replace(SMALL, rows=430, columns=430, pixel_mm=1.0, noise=0.0)
    none, both, left = (
        render(patient, spec).pixels
        for spec in (replace(quiet, letters=False), quiet, replace(quiet, letter_side=Side.LEFT))
    )
    changed = both != none
    assert changed[:, :215].any()  # R on the patient's right, which is the left of the film
    assert changed[:, 215:].any()
    only = left != none
    assert not only[:, :215].any()
    assert only[:, 215:].any()


def test_noise_grows_with_its_scale_and_vanishes_at_zero():
    patient = make_hip_patient(PLAIN)
    quiet, usual, poor = (
        render(patient, replace(SMALL, rows=430, columns=430, pixel_mm=1.0, noise=n)).pixels.astype(float)
        for n in (0.0, 1.0, 4.0)
    )
    spread = [np.std((picture - quiet)[150:250, 150:250]) for picture in (usual, poor)]
    assert spread[0] > 0.3
    assert spread[1] == pytest.approx(4.0 * spread[0], rel=0.15)


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"hip_to_detector_mm": 1200.0}, "no ray can reach it"),
        ({"hip_to_detector_mm": 0.0}, "no ray can reach it"),
        ({"pixel_mm": 0.0}, "shows nothing"),
        ({"rows": 2}, "shows nothing"),
    ],
)
def test_impossible_films_are_refused(values, words):
    with pytest.raises(FrameError, match=words):
        FilmSpec(**values)

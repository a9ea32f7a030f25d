"""The marker ball: drawn balls, the supplied films, polarity, company of bone, refusals."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from headstock.anatomy.snap import snap_ball
from headstock.anatomy.snap.ball import _shadow
from headstock.errors import FrameError, ImageError

from .drawn_films import ball_film, path_mm
from .supplied import films


@pytest.mark.parametrize("strength", [0.02, 0.12, 0.6])
@pytest.mark.parametrize(("blur_px", "allowed_px"), [(0.5, 0.2), (1.2, 0.2), (2.0, 0.5)])
def test_a_drawn_ball_of_any_density_and_blur_is_found_to_a_fifth_of_a_pixel_and_to_half_a_pixel_when_very_blurred(
    strength, blur_px, allowed_px
):
    # Blur, density and scatter stand in for each other; beyond a pixel of blur the outline is known less well.
    rng = np.random.default_rng(1)
    for k in range(3):
        centre, diameter = 90 + rng.uniform(-3, 3, 2), rng.uniform(45, 75)
        found = snap_ball(ball_film(centre, diameter, blur_px, strength, seed=k), centre + rng.uniform(-12, 12, 2))
        assert not found.ambiguous
        assert np.hypot(*(np.array(found.circle[:2]) - centre)) < 0.2
        assert abs(found.diameter_px - diameter) < allowed_px
        assert abs(found.diameter_px - diameter) < 2 * found.diameter_sd_px + 0.05


@pytest.mark.parametrize(("blur", "density", "scatter"), [(0.6, 0.5, 0.05), (1.0, 4.0, 0.1), (2.0, 12.0, 0.02)])
def test_the_shadow_across_the_edge_is_that_of_a_ball_blurred_in_the_plane(blur, density, scatter):
    # Outside check: the light behind a disc of 30 px, blurred in two dimensions on a grid of 0.1 px.
    radius, fine = 30.0, 10
    at = (np.arange(int(2 * (radius + 10) * fine)) + 0.5) / fine - (radius + 10)
    distance = np.hypot(at[:, None], at[None])
    strength = density / (2 * np.sqrt(0.19) * radius)
    light = gaussian_filter(np.exp(-strength * path_mm(distance, radius)), blur * fine, truncate=6.0)
    row = light[len(at) // 2]
    place = np.linspace(-5, 4, 37)
    drawn = -np.log((np.interp(radius + place, at, row) + scatter) / (1 + scatter))
    ours = _shadow(place, np.array([0.0, *np.log([blur, density, scatter])]), radius)
    assert np.abs(ours - drawn).max() < 0.02 * np.ptp(drawn)


@pytest.mark.parametrize("name", ["alder", "birch", "cedar"])
def test_marker_balls_of_the_supplied_films_are_within_a_fifth_of_a_pixel(name):
    # Truth: film.marker_ball of truth.json (diameter x magnification / pixel), from an independent generator.
    image, truth = films(name)
    ball = truth["film"]["marker_ball"]
    centre = np.array([ball["centre"]["col"], ball["centre"]["row"]])
    for click in ([0.0, 0.0], [25.0, -20.0], [-40.0, 5.0]):
        found = snap_ball(image, centre + click)
        assert np.hypot(*(np.array(found.circle[:2]) - centre)) < 0.2
        assert abs(found.diameter_px - ball["image_diameter_px"]) < 0.2
        # Off the central ray the shadow is an ellipse; its long axis would give a scale 1 to 2 % wrong.
        assert found.long_axis_px > found.diameter_px + 0.5


def test_a_dark_ball_is_found_and_said_to_be_dark():
    film = ball_film()
    bright, dark = snap_ball(film, (90, 86)), snap_ball(film.max() - film, (90, 86))
    assert bright.bright
    assert not dark.bright
    assert dark.diameter_px == pytest.approx(bright.diameter_px, abs=0.02)


def test_mirroring_the_film_mirrors_the_ball():
    film = ball_film(bone=False)
    a, b = snap_ball(film, (88, 85)), snap_ball(film[:, ::-1], (179 - 88, 85))
    assert b.circle[0] == pytest.approx(179 - a.circle[0], abs=0.02)
    assert b.diameter_px == pytest.approx(a.diameter_px, abs=0.02)


def test_grey_values_in_another_unit_give_the_same_ball():
    film = ball_film()
    a, b = snap_ball(film, (88, 85)), snap_ball(film * 0.01 - 7, (88, 85))
    assert b.circle == pytest.approx(a.circle, abs=1e-3)


def test_without_a_ball_it_says_so_and_asks():
    rng = np.random.default_rng(2)
    found = snap_ball(rng.normal(0, 1, (200, 200)), (100, 100))
    assert found.ambiguous
    assert "Click inside the marker ball" in str(found.ask)


def test_a_square_marker_is_not_taken_for_a_ball():
    film = np.zeros((160, 160))
    film[50:110, 40:120] = 900
    assert snap_ball(film, (80, 80)).ambiguous


def test_a_click_beside_the_film_and_a_film_without_contrast_are_refused():
    with pytest.raises(FrameError, match="beside the film"):
        snap_ball(ball_film(), (500, 20))
    with pytest.raises(ImageError, match="one grey value"):
        snap_ball(np.ones((200, 200)), (100, 100))
    with pytest.raises(ImageError, match="one plane"):
        snap_ball(np.ones((200, 200, 3)), (100, 100))

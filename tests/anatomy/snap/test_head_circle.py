"""The head's circle: drawn heads with and without a socket, the supplied films, flattening, doubt, refusals."""

import numpy as np
import pytest

from headstock.anatomy.snap import snap_head
from headstock.anatomy.snap.bench import HeadTruth, score_heads
from headstock.errors import CalibrationError, FrameError, ImageError, TooFewError
from headstock.geometry import fit_circle

from .drawn_films import HEAD, MM_PER_PX, head_film
from .supplied import films


def errors_mm(found, centre=HEAD, radius_mm=24.0, mm_per_px=MM_PER_PX):
    c, r, radius = found.circle
    return np.hypot(c - centre[0], r - centre[1]) * mm_per_px, 2 * (radius * mm_per_px - radius_mm)


@pytest.mark.parametrize("socket", [0.0, 1.0])
@pytest.mark.parametrize("radius_mm", [20.0, 24.0, 28.0])
def test_a_click_up_to_8_mm_off_finds_a_spherical_head_within_half_a_millimetre(radius_mm, socket):
    film = head_film(radius_mm, socket=socket)
    for turn in np.radians([10, 100, 190, 280]):
        click = np.array(HEAD) + 7.9 / MM_PER_PX * np.array([np.cos(turn), np.sin(turn)])
        found = snap_head(film, click, MM_PER_PX)
        centre, diameter = errors_mm(found, radius_mm=radius_mm)
        assert not found.ambiguous
        assert centre < 0.5
        assert abs(diameter) < 0.5


def test_the_socket_does_not_draw_the_circle_outward():
    # A socket 2.5 mm outside the head: a circle on it would be 5 mm too large.
    found = snap_head(head_film(joint_mm=2.5, socket=1.6), HEAD, MM_PER_PX)
    assert abs(errors_mm(found)[1]) < 0.5


def test_the_neck_is_left_out_and_named():
    found = snap_head(head_film(socket=0.0), HEAD, MM_PER_PX)
    # The neck leaves toward lower left: 225 deg clockwise from 12 o'clock.
    arcs = [a for a in found.left_out if a.from_deg <= 225 <= a.to_deg or a.from_deg <= 225 + 360 <= a.to_deg]
    assert len(arcs) == 1
    assert found.used_arc_deg < 330


def test_a_flattened_dome_is_left_out_and_reported_and_the_circle_stays():
    flat = head_film(flat_mm=3.0, socket=0.0)
    found = snap_head(flat, (HEAD[0] + 10, HEAD[1] + 15), MM_PER_PX)
    centre, diameter = errors_mm(found)
    assert centre < 0.5
    assert abs(diameter) < 0.6
    sunken = [a for a in found.left_out if "flattened" in a.why and a.to_deg > 270]
    # 3 mm off a 24 mm head cuts a chord of 2 acos(21/24) = 58 deg about 12 o'clock.
    assert len(sunken) == 1
    middle = (sunken[0].from_deg + sunken[0].to_deg) / 2 % 360
    assert min(middle, 360 - middle) < 15
    assert 15 < sunken[0].to_deg - sunken[0].from_deg < 75
    # A plain circle through the whole line would be pulled down.
    plain = fit_circle(found.outline)
    assert abs(errors_mm(found)[1]) < abs(2 * (float(plain.radius) * MM_PER_PX - 24.0))


def test_used_points_lie_on_the_circle_and_the_residual_is_theirs():
    found = snap_head(head_film(), HEAD, MM_PER_PX)
    off = np.linalg.norm(found.used - found.circle[:2], axis=1) - found.circle[2]
    assert np.sqrt(np.mean(off**2)) == pytest.approx(found.residual_px, rel=0.02)
    assert found.residual_mm == pytest.approx(found.residual_px * MM_PER_PX)
    assert found.used_arc_deg == pytest.approx(3.0 * len(found.used))


def test_neighbouring_outline_points_do_not_count_as_independent():
    found = snap_head(head_film(), HEAD, MM_PER_PX)
    # Independent every 24 deg: on a full circle the radius would be known to residual / sqrt(15).
    assert found.covariance[2, 2] > found.residual_px**2 / (360 / 24)
    assert np.all(np.linalg.eigvalsh(found.covariance) > 0)


def test_three_clicks_on_the_outline_find_the_head_beside_a_strong_socket():
    film = head_film(joint_mm=4.0, socket=1.5)
    turn = np.radians([20.0, 60.0, 100.0])
    on_head = np.array(HEAD) + 24.0 / MM_PER_PX * np.stack([np.cos(turn), -np.sin(turn)], -1)
    found = snap_head(film, on_head, MM_PER_PX)
    assert errors_mm(found)[0] < 0.6
    assert not found.ambiguous


def test_a_mirrored_film_gives_the_mirrored_circle():
    film = head_film()
    click = (HEAD[0] + 12.0, HEAD[1] - 9.0)
    a = snap_head(film, click, MM_PER_PX)
    last = film.shape[1] - 1
    b = snap_head(np.ascontiguousarray(film[:, ::-1]), (last - click[0], click[1]), MM_PER_PX)
    assert b.circle[0] == pytest.approx(last - a.circle[0], abs=0.4)
    assert b.circle[1:] == pytest.approx(a.circle[1:], abs=0.4)


def test_another_grey_unit_changes_nothing_and_a_finer_film_keeps_the_millimetres():
    film = head_film()
    a = snap_head(film, HEAD, MM_PER_PX)
    b = snap_head(film * 0.004 + 11.0, HEAD, MM_PER_PX)
    assert b.circle == pytest.approx(a.circle, abs=0.05)
    fine = head_film(size=(1080, 1080), centre=(3 * HEAD[0] + 1, 3 * HEAD[1] + 1), mm_per_px=MM_PER_PX / 3, blur_px=4.2)
    c = snap_head(fine, (3 * HEAD[0] + 1, 3 * HEAD[1] + 1), MM_PER_PX / 3)
    assert c.circle[2] / 3 == pytest.approx(a.circle[2], abs=0.8)


def test_without_a_scale_the_head_is_still_found_and_no_millimetres_are_claimed():
    found = snap_head(head_film(), (HEAD[0] + 14, HEAD[1] - 10))
    centre, diameter = errors_mm(found)
    assert centre < 0.5
    assert abs(diameter) < 0.7
    assert found.residual_mm is None


def test_on_an_even_noise_it_says_that_it_does_not_know():
    noise = np.random.default_rng(3).normal(0, 1, (420, 420))
    found = snap_head(noise, (210, 210), MM_PER_PX)
    assert found.ambiguous
    assert "three or more points" in str(found.ask)


@pytest.mark.parametrize("name", ["alder", "birch", "cedar"])
def test_supplied_heads_are_within_a_millimetre_or_it_asks(name):
    """Truth: film.head_centre and head_diameter_mm of truth.json (operated side), an independent generator."""
    image, truth = films(name)
    letter = truth["side"][0].upper()
    spot = truth["film"]["head_centre"][letter]
    mm = truth["film"]["pixel_mm_at_detector"] / spot["magnification"]
    rng = np.random.default_rng(4)
    for _ in range(4):
        turn, reach = rng.uniform(0, 2 * np.pi), 8.0 * np.sqrt(rng.uniform())
        click = np.array([spot["col"], spot["row"]]) + reach / mm * np.array([np.cos(turn), np.sin(turn)])
        found = snap_head(image, click, mm)
        centre = np.hypot(found.circle[0] - spot["col"], found.circle[1] - spot["row"]) * mm
        diameter = 2 * found.circle[2] * mm - truth["head_diameter_mm"]
        assert found.ambiguous or (centre < 1.0 and abs(diameter) < 1.0)


def test_intervals_of_drawn_heads_hold_the_truth():
    def drawn():
        for seed in range(12):
            rng = np.random.default_rng(seed)
            centre = np.array(HEAD) + rng.uniform(-3, 3, 2)
            radius = rng.uniform(20, 28)
            film = head_film(
                radius, joint_mm=rng.uniform(2.5, 4.5), blur_px=rng.uniform(0.8, 2), seed=seed, centre=centre
            )
            yield film, HeadTruth((*centre, radius / MM_PER_PX), MM_PER_PX)

    score = score_heads(drawn(), limit_mm=0.5, outline_clicks=False, rng=np.random.default_rng(1))
    assert score.heads == 12
    assert score.within >= 11 / 12
    assert score.covered >= 11 / 12
    assert score.wrong <= 1 / 12


def test_scores_of_no_film_are_refused():
    with pytest.raises(TooFewError, match="no film"):
        score_heads([], limit_mm=1.0, outline_clicks=True, rng=np.random.default_rng(1))


def test_two_clicks_a_click_beside_the_film_and_an_impossible_scale_are_refused():
    film = head_film()
    with pytest.raises(TooFewError, match="Two clicks"):
        snap_head(film, [HEAD, (200, 200)], MM_PER_PX)
    with pytest.raises(FrameError, match="beside the film"):
        snap_head(film, (900, 10), MM_PER_PX)
    with pytest.raises(CalibrationError, match="cannot be the scale"):
        snap_head(film, HEAD, 25.0)
    with pytest.raises(TooFewError, match="straight line"):
        snap_head(film, [(100, 100), (150, 150), (200, 200)], MM_PER_PX)
    with pytest.raises(CalibrationError, match="no femoral head"):
        snap_head(film, [(100, 100), (110, 100), (105, 108)], MM_PER_PX)
    with pytest.raises(ImageError, match="one plane"):
        snap_head(film[None], HEAD, MM_PER_PX)

"""The circle through an outline whose points err together: spread against a plain fit, its own covariance, clicks."""

import numpy as np
import pytest

from headstock.anatomy.snap._trace import ANGLES, steady_circles
from headstock.anatomy.snap.head import _best_circle

MM = 0.2
RADIUS_PX = 120.0
ANGLE = np.arange(ANGLES) * (2 * np.pi / ANGLES)
UNIT = np.stack([np.cos(ANGLE), np.sin(ANGLE)], axis=-1)
# Away from a neck that takes the arc from 90 to 200 degrees, as on an AP film.
SEEN = ((np.radians(75) > ANGLE) | (np.radians(200) < ANGLE)).astype(np.float64)


def out_of_round(rng, together_mm=0.4, over_deg=12.0, alone_mm=0.1):
    apart = np.abs((np.degrees(ANGLE)[:, None] - np.degrees(ANGLE)[None] + 180.0) % 360.0 - 180.0)
    covariance = together_mm**2 * np.exp(-0.5 * (apart / over_deg) ** 2) + alone_mm**2 * np.eye(ANGLES)
    return rng.multivariate_normal(np.zeros(ANGLES), covariance)


def drawn(seed, **kinds):
    return UNIT * (RADIUS_PX + out_of_round(np.random.default_rng(seed), **kinds)[:, None] / MM)


NONE = np.zeros((0, 2))
START = np.array([3.0, -2.0])


def test_an_exact_circle_is_found_exactly():
    centre, radius, _ = _best_circle(UNIT * RADIUS_PX, SEEN, NONE, START, RADIUS_PX + 2, MM)
    assert centre == pytest.approx([0.0, 0.0], abs=1e-3)
    assert radius == pytest.approx(RADIUS_PX, abs=1e-3)


def test_on_heads_out_of_round_the_circle_strays_less_than_one_through_points_taken_one_by_one():
    ours, plain = [], []
    for seed in range(120):
        points = drawn(seed)
        centre, radius, _ = _best_circle(points, SEEN, NONE, START, RADIUS_PX, MM)
        ours.append([*centre, radius - RADIUS_PX])
        c, r, _ = steady_circles(points[None], SEEN[None], START[None], np.array([RADIUS_PX]), 0.8 / MM, 0.65 / MM)
        plain.append([*c[0], r[0] - RADIUS_PX])
    spread = np.sqrt(np.mean(np.square(ours), axis=0)) / np.sqrt(np.mean(np.square(plain), axis=0))
    assert (spread < 1.0).all()
    assert spread.mean() < 0.96


def test_the_covariance_it_gives_is_no_smaller_than_the_spread_of_repeated_heads():
    fits = [_best_circle(drawn(seed), SEEN, NONE, START, RADIUS_PX, MM) for seed in range(150)]
    spread = np.std([[*c, r] for c, r, _ in fits], axis=0) * MM
    given = np.sqrt(np.mean([np.diag(np.linalg.inv(normal)) for _, _, normal in fits], axis=0))
    assert (given > 0.9 * spread).all()
    assert (given < 2.5 * spread).all()


def test_an_edge_three_millimetres_outside_over_a_quarter_of_the_outline_has_no_say():
    points = UNIT * RADIUS_PX
    points[:30] *= 1 + 3.0 / MM / RADIUS_PX
    centre, radius, _ = _best_circle(points, np.ones(ANGLES), NONE, np.zeros(2), RADIUS_PX, MM)
    assert centre == pytest.approx([0.0, 0.0], abs=0.05)
    assert radius == pytest.approx(RADIUS_PX, abs=0.05)


def test_clicks_count_most_where_the_film_shows_little():
    # Two clicks where the outline is seen, one where it is not: all 1 mm outside.
    turn = np.radians([20.0, 250.0, 140.0])
    clicks = np.stack([np.cos(turn), np.sin(turn)], axis=-1) * (RADIUS_PX + 1.0 / MM)
    few = np.where((np.radians(230) < ANGLE) & (np.radians(310) > ANGLE), 1.0, 0.0)
    _, from_little, _ = _best_circle(UNIT * RADIUS_PX, few, clicks, np.zeros(2), RADIUS_PX, MM)
    _, from_much, _ = _best_circle(UNIT * RADIUS_PX, SEEN, clicks, np.zeros(2), RADIUS_PX, MM)
    assert RADIUS_PX + 0.05 < from_much < from_little < RADIUS_PX + 1.0 / MM

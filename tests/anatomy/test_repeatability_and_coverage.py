"""How well readers repeat, and whether the stated intervals hold the truth as often as they say."""

import numpy as np
import pytest

from headstock.anatomy.coverage import NormalScale, TrueFilm, simulate_coverage
from headstock.anatomy.measures import measure
from headstock.anatomy.repeatability import limits_of_agreement, point_sd_px, within_reader
from headstock.errors import TooFewError

from .hips import drawn_pelvis

# Bland and Altman, Lancet 1986;1:307, table: peak expiratory flow by two meters, large and mini, 17 subjects, l/min
# (from memory; their text gives bias -2.1, sd 38.8 for large minus mini).
LARGE = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
MINI = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]


def test_limits_of_agreement_reproduce_the_peak_flow_example() -> None:
    found = limits_of_agreement(MINI, LARGE, "1")
    assert found.bias.number == pytest.approx(-2.1, abs=0.05)
    assert found.sd_of_differences == pytest.approx(38.8, abs=0.05)
    assert found.lower_limit.number == pytest.approx(-2.12 - 1.96 * 38.77, abs=0.1)
    # Their standard error of the bias is 9.4 and t(16) is 2.12: -22.0 to 17.8.
    assert found.bias.low == pytest.approx(-22.0, abs=0.1)
    assert found.bias.high == pytest.approx(17.8, abs=0.1)
    # Approximate error of a limit, sqrt(3 s² / n) = 16.3; the exact form is a little smaller.
    assert found.upper_limit.high is not None
    assert (found.upper_limit.high - found.upper_limit.number) / 2.12 == pytest.approx(16.3, abs=0.6)


def test_within_reader_sd_is_the_pooled_sd_by_hand() -> None:
    # Pairs differ by 2, 0, 2: sum of squares 2 + 0 + 2 = 4 on 3 degrees of freedom; sd sqrt(4/3).
    found = within_reader([[1, 3], [5, 5], [4, 2]], "mm")
    assert found.within_subject_sd.number == pytest.approx((4 / 3) ** 0.5)
    assert found.coefficient.number == pytest.approx(2.7718 * (4 / 3) ** 0.5, rel=1e-4)
    assert found.degrees_of_freedom == 3
    # chi-square 97.5 % and 2.5 % with 3 degrees of freedom: 9.348 and 0.2158.
    assert found.within_subject_sd.low == pytest.approx((4 / 9.3484) ** 0.5, rel=1e-4)
    assert found.within_subject_sd.high == pytest.approx((4 / 0.215795) ** 0.5, rel=1e-4)


def test_films_read_once_say_nothing_and_unequal_repeats_are_pooled() -> None:
    found = within_reader([[1.0, 2.0, 3.0], [9.0], [4.0, 4.0]], "deg")
    assert found.films == 2
    assert found.degrees_of_freedom == 3
    assert found.within_subject_sd.number == pytest.approx((2 / 3) ** 0.5)


def test_the_repeatability_coefficient_holds_95_percent_of_repeat_differences() -> None:
    rng = np.random.default_rng(4)
    pairs = rng.normal(0.0, 1.5, (4000, 2)) + rng.normal(50.0, 9.0, (4000, 1))
    limit = within_reader(list(pairs), "mm").coefficient.number
    assert np.mean(np.abs(pairs[:, 0] - pairs[:, 1]) < limit) == pytest.approx(0.95, abs=0.012)


def test_a_readers_own_scatter_of_a_point_is_recovered() -> None:
    rng = np.random.default_rng(9)
    films = [rng.normal((100.0 * k, 50.0), 3.0, (4, 2)) for k in range(300)]
    assert point_sd_px(films) == pytest.approx(3.0, rel=0.04)


def test_too_little_to_judge_by_is_refused() -> None:
    with pytest.raises(TooFewError, match="at least two"):
        within_reader([[1.0, 2.0], [3.0]], "mm")
    with pytest.raises(TooFewError, match="no number"):
        within_reader([[1.0, float("nan")], [3.0, 4.0]], "mm")
    with pytest.raises(TooFewError, match="at least three"):
        limits_of_agreement([1.0, 2.0], [1.0, 2.0], "mm")
    with pytest.raises(TooFewError, match="same order"):
        limits_of_agreement([1.0, 2.0, 3.0], [1.0, 2.0], "mm")
    with pytest.raises(TooFewError, match="placed twice"):
        point_sd_px([[(1.0, 2.0)]])


NAMES = (
    "leg_length_difference_mm",
    "right.femoral_offset_mm",
    "right.neck_shaft_angle_deg",
    "right.head_diameter_mm",
)


def true_films(count: int) -> list[TrueFilm]:
    rng = np.random.default_rng(11)
    films = []
    for _ in range(count):
        mm = float(rng.uniform(0.15, 0.3))
        shorter = float(rng.uniform(-12.0, 12.0))
        reading = drawn_pelvis(mm_per_px=mm, shorter_left_mm=shorter, turn_deg=float(rng.uniform(-4, 4)))
        perfect = measure(reading, NormalScale(mm, 0.0), n_draws=40)
        films.append(TrueFilm(reading, mm, {name: perfect[name].number for name in NAMES}))
    return films


def test_intervals_hold_the_truth_in_95_percent_of_readings() -> None:
    found = simulate_coverage(true_films(10), readings_per_film=40, scale_sd_percent=1.5, names=NAMES, n_draws=400)
    for entry in found:
        assert entry.readings == 400
        assert entry.monte_carlo_error == pytest.approx(0.0109, abs=1e-4)
        # 400 readings: three Monte Carlo errors.
        assert entry.share == pytest.approx(0.95, abs=3 * entry.monte_carlo_error), entry.name
        assert abs(entry.bias) < 0.25 * entry.mean_width


def test_readers_twice_as_careless_as_stated_are_caught() -> None:
    found = simulate_coverage(
        true_films(5), readings_per_film=40, scale_sd_percent=1.5, names=NAMES[:3], n_draws=200, click_sd_factor=2.0
    )
    for entry in found:
        assert entry.share < 0.85, entry.name


def test_coverage_refuses_what_it_cannot_judge() -> None:
    films = true_films(1)
    with pytest.raises(TooFewError, match="at least one film"):
        simulate_coverage([], readings_per_film=2, scale_sd_percent=1.0, names=NAMES)
    with pytest.raises(TooFewError, match="No measure is called"):
        simulate_coverage(films, readings_per_film=1, scale_sd_percent=1.0, names=["length_mm"])
    with pytest.raises(TooFewError, match="No film has a truth"):
        simulate_coverage(films, readings_per_film=1, scale_sd_percent=1.0, names=["left.mpfa_deg"], n_draws=40)

"""Numbers with intervals: construction, differences, coverage by simulation."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from headstock.errors import FrameError, TooFewError
from headstock.measured import Measured, count, difference, exact, measured, missing, normal


def _batch(value, sd, n=4000, seed=0):
    return np.concatenate([[value], value + sd * np.random.default_rng(seed).standard_normal(n)])


def test_the_interval_of_normal_draws_is_196_standard_deviations():
    # Standard normal quantile 0.975 = 1.959964 (Abramowitz & Stegun 1964, table 26.5, from memory).
    number = measured(_batch(10.0, 2.0, 200_000), "mm", "x")
    # 200,000 draws: the 2.5 % quantile has a standard error of about 0.6 % of the sd.
    assert number.low == pytest.approx(10 - 1.959964 * 2, abs=0.05)
    assert number.high == pytest.approx(10 + 1.959964 * 2, abs=0.05)


def test_percentile_intervals_cover_the_truth_95_percent_of_the_time():
    rng = np.random.default_rng(3)
    hits = 0
    for _ in range(2000):
        reading = 5.0 + rng.standard_normal()
        number = measured(np.concatenate([[reading], reading + rng.standard_normal(500)]), "mm", "x")
        hits += number.low <= 5.0 <= number.high
    # Binomial standard error sqrt(.95 * .05 / 2000) = 0.5 %; three of them.
    assert hits / 2000 == pytest.approx(0.95, abs=0.015)


def test_a_number_without_interval_cannot_be_built():
    """Guard: number shown without interval."""
    with pytest.raises(TooFewError, match="interval"):
        Measured(1.0, "mm", "a guess")


def test_a_failed_computation_is_not_a_number():
    with pytest.raises(TooFewError, match="missing"):
        Measured(float("nan"), "mm", "0/0", 0.0, 1.0)
    with pytest.raises(TooFewError, match="draws"):
        measured(np.full(101, np.nan), "mm", "0/0")


def test_a_missing_number_gives_its_reason_and_refuses_to_be_used():
    gone = missing("mm", "offset", "needs a scale")
    assert not gone.known
    with pytest.raises(TooFewError, match="needs a scale"):
        _ = gone.number
    with pytest.raises(TooFewError):
        Measured(None, "mm", "offset", kind="missing")


def test_few_unusable_draws_are_left_out_and_many_refuse():
    batch = _batch(1.0, 0.1, 1000)
    batch[5] = np.nan
    assert measured(batch, "mm", "x").draws.size == 999
    batch[5:40] = np.nan
    with pytest.raises(TooFewError):
        measured(batch, "mm", "x")


def test_a_difference_of_correlated_numbers_uses_their_shared_draws():
    a = _batch(10.0, 3.0)
    number = difference(measured(a, "mm", "a"), measured(a - 4.0, "mm", "b"), "a - b")
    # Everything is shared: the difference is exact however wide each is.
    assert (number.value, number.low, number.high) == pytest.approx((4.0, 4.0, 4.0))


def test_a_difference_of_independent_numbers_adds_variances():
    number = difference(normal(5.0, 3.0, "mm", "a"), normal(1.0, 4.0, "mm", "b"), "a - b")
    assert number.value == pytest.approx(4.0)
    assert number.high - number.value == pytest.approx(1.959964 * 5.0, abs=1e-5)


def test_units_are_not_mixed():
    with pytest.raises(FrameError, match="deg"):
        difference(normal(1.0, 1.0, "mm", "a"), normal(1.0, 1.0, "deg", "b"), "x")


def test_counts_and_definitions_say_so_instead_of_an_interval():
    assert count(4, "hips").kind == "counted"
    assert exact(48.0, "mm", "family file", "by_family").kind == "by_family"
    assert difference(exact(48, "mm", "a"), exact(46, "mm", "b"), "d").kind == "by_definition"


def test_draws_cannot_be_changed_afterwards():
    number = measured(_batch(1.0, 0.1, 100), "mm", "x")
    with pytest.raises(ValueError, match="read-only"):
        number.draws[0] = 7.0


@given(st.floats(-100, 100), st.floats(0.1, 10), st.floats(-50, 50))
def test_changing_the_unit_by_a_factor_changes_value_and_interval_alike(value, sd, shift):
    one = measured(_batch(value, sd, 200), "mm", "x")
    ten = measured(_batch(value, sd, 200) * 10.0 + shift, "mm", "x")
    assert (ten.value, ten.low, ten.high) == pytest.approx(
        tuple(v * 10 + shift for v in (one.value, one.low, one.high)), abs=1e-6
    )

"""A scale that cannot be true shows in the head's size."""

import dataclasses

import pytest

from headstock.anatomy import measure
from headstock.anatomy.plausible import head_size_warnings
from headstock.measured import missing, normal

from .hips import PlainScale, drawn_pelvis


def test_a_true_scale_raises_nothing_and_a_coin_taken_for_a_ball_does_on_both_sides():
    # The drawn heads are 48 mm. A 12.5 mm marker typed as 25 mm doubles every length.
    right = measure(drawn_pelvis(), PlainScale(0.2, 0.003))
    assert head_size_warnings(right, 30.0, 70.0) == ()
    doubled = measure(drawn_pelvis(), PlainScale(0.4, 0.006))
    said = head_size_warnings(doubled, 30.0, 70.0)
    assert len(said) == 2
    assert "left head measures 96 mm across, too large" in said[0]
    assert "Check the marker's diameter" in said[0]
    halved = measure(drawn_pelvis(), PlainScale(0.1, 0.0015))
    assert "too small" in head_size_warnings(halved, 30.0, 70.0)[0]


@pytest.mark.parametrize(("value", "warned"), [(29.0, False), (27.9, True), (71.9, False), (72.1, True)])
def test_only_a_whole_interval_outside_warns(value, warned):
    size = normal(value, 1.0, "mm", "a test")
    assert bool(head_size_warnings({"left.head_diameter_mm": size}, 30.0, 70.0)) is warned


def test_what_is_not_known_or_not_bounded_is_passed_over():
    gone = missing("mm", "a test", "not placed")
    assert head_size_warnings({"left.head_diameter_mm": gone}, 30.0, 70.0) == ()
    huge = {"right.head_diameter_mm": normal(200.0, 1.0, "mm", "a test")}
    assert head_size_warnings(huge, None, None) == ()
    assert len(head_size_warnings(huge, None, 70.0)) == 1


def test_a_film_without_scale_gives_no_size_and_no_warning():
    assert head_size_warnings(measure(dataclasses.replace(drawn_pelvis()), None), 30.0, 70.0) == ()

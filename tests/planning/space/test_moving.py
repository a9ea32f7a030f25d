"""Values under a hand: those of the whole appraisal, judged by themselves, with the limit that binds."""

import tomllib
from dataclasses import replace
from pathlib import Path

import pytest
from invented_space import AXIS, FRONT, RADIUS, catalogue, make_space, placed

import headstock
from headstock.errors import FrameError
from headstock.planning import State, parse_limits
from headstock.planning.search import binding_words
from headstock.planning.space import appraise_space
from headstock.planning.space.moving import moved

CATALOGUE = catalogue()
LIMITS = parse_limits(tomllib.loads((Path(headstock.__file__).parent / "desk" / "limits.toml").read_text("utf-8")))
SPACE = make_space(lesion=((RADIUS - 16.0) * AXIS + 6.0 * FRONT, 9.0))


@pytest.mark.parametrize(("family", "size", "depth"), [("peg", "1", 30.0), ("surface-cap", "5", 6.0)])
def test_what_a_hand_sees_is_the_value_of_every_line_and_its_side_of_the_limit(family, size, depth):
    placement = placed(family, size, depth, head=48.5)
    found = moved(SPACE, placement, CATALOGUE, LIMITS)
    whole = appraise_space(SPACE, placement, CATALOGUE, LIMITS)
    measured = {line.name: line for line in whole.lines if line.measured.kind == "measured"}
    assert set(measured) <= set(found.values)
    for name, line in measured.items():
        # Single precision in the fields.
        assert found.values[name] == pytest.approx(line.measured.number, rel=1e-5, abs=1e-6), name
        if line.limit is None or not line.limit.is_set:
            assert name not in found.states
            continue
        low = -float("inf") if line.limit.low is None else line.limit.low
        high = float("inf") if line.limit.high is None else line.limit.high
        inside = low <= found.values[name] <= high
        assert found.states[name] is (State.WITHIN if inside else State.OUTSIDE), name


def test_the_limit_that_binds_is_named_and_changes_with_the_place():
    level = CATALOGUE.family("peg").level
    middle = moved(SPACE, placed("peg", "1", 30.0), CATALOGUE, LIMITS)
    aside = moved(SPACE, placed("peg", "1", 30.0, medial=12.0), CATALOGUE, LIMITS)
    assert "notch in the neck" in aside.binding
    assert "notch" not in middle.binding
    assert [middle.binding, aside.binding] == [binding_words(at.values, level, LIMITS) for at in (middle, aside)]


def test_a_placement_from_films_is_refused():
    with pytest.raises(FrameError, match="made on films"):
        moved(SPACE, replace(placed("peg", "1", 30.0), space=None), CATALOGUE, LIMITS)

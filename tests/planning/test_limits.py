"""Limits are data: what the table may say, and how a value lies to a limit."""

import tomllib
from pathlib import Path

import numpy as np
import pytest

import headstock
from headstock.errors import LimitError
from headstock.implants import CutLevel
from headstock.measured import exact, measured, missing
from headstock.planning.limits import Limit, State, limit_state, margin, parse_limits

approx = pytest.approx

TABLE = tomllib.loads((Path(headstock.__file__).parent / "desk" / "limits.toml").read_text(encoding="utf-8"))


def between(low, value, high):
    draws = np.linspace(low, high, 4001)
    return measured(np.concatenate([[value], draws]), "mm", "test")


def bound(low=None, high=None):
    return Limit("w", "w", "wall", "mm", low=low, high=high, status="published", source="a paper")


def test_every_limit_that_ships_with_a_number_names_a_source():
    for limit in parse_limits(TABLE):
        assert bool(limit.source) == limit.is_set, limit.name


def test_limits_without_a_source_ship_unset():
    limits = parse_limits(TABLE)
    for name in ("least_wall_mm", "seat_on_sound_bone_percent", "lesion_left_cm3", "reserve_mm", "cup_cover_percent"):
        assert not limits.named(name).is_set
        assert limits.named(name).in_words() == "hospital decides"


def test_the_marker_depth_sd_is_at_least_fifteen_mm():
    assert parse_limits(TABLE).setting("marker_depth_sd_mm") >= 15.0


def test_working_magnification_is_the_trades_prior():
    limit = parse_limits(TABLE).named("magnification")
    assert (limit.low, limit.high) == (1.10, 1.25)


def test_lewinneks_zone_bounds_nothing():
    limits = parse_limits(TABLE)
    assert not limits.named("cup_inclination_deg").is_set
    assert not limits.named("cup_version_deg").is_set


@pytest.mark.parametrize(
    ("interval", "limit", "state"),
    [
        ((2.5, 3.0, 3.5), bound(low=2.0), State.WITHIN),
        ((1.5, 2.4, 3.5), bound(low=2.0), State.NEAR),
        ((0.5, 1.0, 1.5), bound(low=2.0), State.OUTSIDE),
        ((-6.0, -5.5, -5.2), bound(-5.0, 5.0), State.OUTSIDE),
        ((-6.0, 0.0, 6.0), bound(-5.0, 5.0), State.NEAR),
        ((-1.0, 0.0, 1.0), bound(high=-2.0), State.OUTSIDE),
    ],
)
def test_the_whole_interval_decides_the_state(interval, limit, state):
    assert limit_state(between(*interval), limit) is state


def test_a_value_on_its_bound_is_within():
    assert limit_state(exact(2.0, "mm", "family"), bound(high=2.0)) is State.WITHIN


def test_a_missing_value_is_not_known_and_an_unset_limit_is_no_limit():
    assert limit_state(missing("mm", "wall", "no lateral film"), bound(low=2.0)) is State.NOT_KNOWN
    assert limit_state(exact(2.0, "mm", "x"), parse_limits(TABLE).bound("least_wall_mm")) is State.NO_LIMIT


def test_a_limit_of_one_level_goes_before_the_general_one():
    limits = parse_limits(TABLE)
    cap = limits.bound("valgus_to_neck_deg", CutLevel.HEAD_SURFACE)
    inside = limits.bound("valgus_to_neck_deg", CutLevel.MID_HEAD)
    assert cap is not None
    assert inside is not None
    assert (cap.low, cap.high, inside.is_set) == (0.0, 10.0, False)
    assert limits.bound("valgus_to_neck_deg", CutLevel.LOW_NECK) is None


def test_a_target_moves_both_ends():
    moved = bound(-5.0, 5.0).moved(3.0)
    assert (moved.low, moved.high) == (-2.0, 8.0)
    assert margin(7.0, moved) == approx(1.0)
    assert margin(-3.0, moved) == approx(-1.0)


def test_a_change_keeps_who_and_why():
    limits = parse_limits(TABLE).edited("least_wall_mm", "surgeon 1", "consensus of this department", low=2.0)
    wall = limits.named("least_wall_mm")
    assert (wall.status, wall.edited_by, wall.in_words()) == ("local", "surgeon 1", "at least 2 mm")
    with pytest.raises(LimitError, match="who changed it"):
        limits.edited("least_wall_mm", " ", "because", low=2.0)


@pytest.mark.parametrize(
    ("entry", "words"),
    [
        ({"status": "published", "low": 1.0}, "names no source"),
        ({"status": "unset", "low": 1.0}, "unset but holds a number"),
        ({"status": "published", "source": "x"}, "holds no number"),
        ({"status": "published", "source": "x", "low": 3.0, "high": 1.0}, "contradicts itself"),
        ({"status": "guessed", "low": 1.0}, "status is 'guessed'"),
        ({"status": "published", "source": "x", "lowest": 1.0}, "unknown keys"),
        ({"status": "published", "source": "x", "low": "1"}, "must be a number"),
        ({"status": "published", "source": "x", "low": 1.0, "levels": ["knee"]}, "head_surface"),
        ({"status": "published", "source": "x", "low": 1.0, "value": 2.0}, "both a bound and a setting"),
    ],
)
def test_a_bad_entry_is_refused_with_its_name(entry, words):
    with pytest.raises(LimitError, match=words):
        parse_limits({"limit": {"odd_mm": entry}})


def test_an_unset_setting_says_that_the_hospital_decides():
    limits = parse_limits({"limit": {"odd_mm": {"status": "unset", "says": "an odd length"}}})
    with pytest.raises(LimitError, match="an odd length"):
        limits.setting("odd_mm")

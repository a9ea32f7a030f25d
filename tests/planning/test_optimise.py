"""The first placement of a level: bounded, repeatable, honest, and better than what lies around it."""

import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from invented_hip import make_hip

import headstock
from headstock.implants import Catalogue, CutLevel
from headstock.planning.appraise import Targets, point_values
from headstock.planning.limits import parse_limits
from headstock.planning.optimise import best_placement, bindings
from headstock.planning.prepared import prepare
from headstock.planning.quantities import level_end

approx = pytest.approx
LIMITS = parse_limits(tomllib.loads((Path(headstock.__file__).parent / "desk" / "limits.toml").read_text("utf-8")))
CATALOGUE = Catalogue.load()
HIP = prepare(make_hip(draws=60))
BEST = {level: best_placement(HIP, level, CATALOGUE, LIMITS) for level in CutLevel}
VALUES = {level: point_values(HIP, best.placement, CATALOGUE, LIMITS) for level, best in BEST.items()}


def test_every_level_gets_a_part_of_its_own_inside_its_own_range():
    for level, best in BEST.items():
        assert CATALOGUE.family(best.placement.family).level is level
        low, high = level_end(HIP.nominal(), level)
        assert low[0] - 0.01 <= VALUES[level]["cut_depth_mm"] <= high[0] + 0.01


def test_the_search_gives_the_same_answer_twice():
    assert best_placement(HIP, CutLevel.MID_HEAD, CATALOGUE, LIMITS) == BEST[CutLevel.MID_HEAD]


def test_no_part_leaves_the_bone_on_a_plain_hip():
    for level, values in VALUES.items():
        assert values["least_wall_mm"] > 1.0, level
        assert values["seat_on_sound_bone_percent"] > 85.0, level


def test_legs_come_out_nearer_to_equal_than_they_were():
    for level, values in VALUES.items():
        assert abs(values["leg_length_remaining_mm"]) < abs(values["leg_length_now_mm"]), level


def test_a_target_is_followed_where_neck_lengths_allow_it():
    longer = best_placement(HIP, CutLevel.LOW_NECK, CATALOGUE, LIMITS, Targets(leg_length_difference_mm=6.0))
    values = point_values(HIP, longer.placement, CATALOGUE, LIMITS)
    assert values["leg_length_remaining_mm"] == approx(6.0, abs=2.5)


def test_a_dead_bone_pushes_the_mid_head_cut_below_it():
    hip = prepare(make_hip(draws=60, lesion_radius=11.0, lesion_depth=16.0))
    best = best_placement(hip, CutLevel.MID_HEAD, CATALOGUE, LIMITS)
    values = point_values(hip, best.placement, CATALOGUE, LIMITS)
    assert values["seat_on_sound_bone_percent"] > 95.0


def test_when_nothing_meets_the_limits_it_says_which_one_stops_it_and_still_shows_the_nearest():
    absurd = LIMITS.edited("least_wall_mm", "surgeon 1", "a test", low=30.0)
    best = best_placement(HIP, CutLevel.MID_HEAD, CATALOGUE, absurd)
    assert best.placement is not None
    assert not best.meets_limits
    assert "The placement found breaks a limit that is set" in best.reason
    assert best.binding[0].measure == "least_wall_mm"
    assert best.binding[0].margin < 0
    assert "against at least 30 mm" in best.binding[0].words


def test_broken_limits_come_first_and_margins_are_distances_to_the_bound():
    values = {"notch_distance_mm": -0.5, "leg_length_remaining_mm": 4.0, "flexion_deg": 120.0}
    found = bindings(values, CutLevel.MID_HEAD, LIMITS)
    assert [b.measure for b in found] == ["notch_distance_mm", "leg_length_remaining_mm", "flexion_deg"]
    assert [b.margin for b in found] == approx([-0.5, 1.0, 13.0])


def test_a_wall_limit_makes_the_search_choose_a_part_that_keeps_it():
    strict = LIMITS.edited("least_wall_mm", "surgeon 1", "a test", low=5.5)
    best = best_placement(HIP, CutLevel.MID_HEAD, CATALOGUE, strict)
    assert point_values(HIP, best.placement, CATALOGUE, strict)["least_wall_mm"] >= 5.3


def test_a_choice_already_made_is_held():
    best = best_placement(HIP, CutLevel.MID_HEAD, CATALOGUE, LIMITS, family_id="mid-head-bowl", size_id="2")
    assert best.placement.size == "2"


def test_without_a_shaft_axis_stems_are_not_placed_and_the_reason_is_given():
    hip = prepare(make_hip(draws=60, shaft=False))
    for level in (CutLevel.HIGH_NECK, CutLevel.LOW_NECK):
        best = best_placement(hip, level, CATALOGUE, LIMITS)
        assert best.placement is None
        assert "shaft" in best.reason
    assert best_placement(hip, CutLevel.MID_HEAD, CATALOGUE, LIMITS).placement is not None


def test_a_catalogue_without_a_level_says_so():
    empty = Catalogue({k: f for k, f in CATALOGUE.families.items() if f.level is not CutLevel.MID_HEAD}, {})
    assert "no family for the mid-head level" in best_placement(HIP, CutLevel.MID_HEAD, empty, LIMITS).reason


def test_without_a_lateral_film_the_pose_has_no_lateral_part():
    hip = prepare(make_hip(draws=60, lateral=False))
    pose = best_placement(hip, CutLevel.MID_HEAD, CATALOGUE, LIMITS).placement.pose
    assert pose.y_mm is None
    assert pose.lateral_angle_deg is None


@pytest.mark.parametrize("level", [CutLevel.MID_HEAD, CutLevel.LOW_NECK])
def test_a_nudge_of_the_found_pose_gains_no_wall_without_losing_elsewhere(level):
    # The part is centred: moving it 2 mm either way across the neck costs wall on one side or fit on the other.
    best, values = BEST[level].placement, VALUES[level]
    turn = np.radians(best.pose.ap_angle_deg)
    across = np.array([np.sin(turn), -np.cos(turn)])
    for way in (-3.0, 3.0):
        x, z = np.array([best.pose.x_mm, best.pose.z_mm]) + way * across
        moved = point_values(HIP, replace(best, pose=replace(best.pose, x_mm=x, z_mm=z)), CATALOGUE, LIMITS)
        worse_wall = moved["least_wall_mm"] < values["least_wall_mm"]
        worse_leg = abs(moved["leg_length_remaining_mm"]) > abs(values["leg_length_remaining_mm"])
        worse_offset = abs(moved["offset_remaining_mm"]) > abs(values["offset_remaining_mm"])
        assert worse_wall or worse_leg or worse_offset


def test_a_larger_hip_gets_larger_parts():
    large = prepare(make_hip(draws=60, size=1.15))
    for level in CutLevel:
        a = CATALOGUE.component(BEST[level].placement).size_index
        b = CATALOGUE.component(best_placement(large, level, CATALOGUE, LIMITS).placement).size_index
        assert b >= a, level


@pytest.mark.parametrize("level", list(CutLevel))
@pytest.mark.parametrize("lesion", [True, False])
def test_two_thousand_random_poses_of_every_size_find_nothing_better(level, lesion):
    """The search is bounded, so it may miss the very best: by no more than 0.1 of its own cost, which is 0.3 mm of
    wall or 0.8 mm of leg against what was wanted. A size was given up too early once."""
    from headstock.planning import optimise

    hip = (HIP if lesion else prepare(make_hip(draws=60, lesion=False))).nominal()
    low, high = level_end(hip, level)
    span = (float(low[0]), float(high[0]))
    best = best_placement(hip, level, CATALOGUE, LIMITS)
    rng = np.random.default_rng(11)
    found, random = np.inf, np.inf
    for family in CATALOGUE.at_level(level):
        for component in family.components:
            search = optimise._Search(hip, family, component, CATALOGUE, LIMITS, Targets(), span)
            start = search.best.copy()
            # The same bounds, from scratch, about the same start.
            box = search.box / 0.6
            rows = start + box * rng.uniform(-1.0, 1.0, (2000, 5))
            rows[:, 0] = np.clip(rows[:, 0], *span)
            places = optimise._places(hip, rows)
            cost, _ = optimise._cost(hip, family, component, places, LIMITS, Targets(), search.head)
            random = min(random, float(cost.min()))
            if component.size_id == best.placement.size:
                places = optimise.Places.of(best.placement, hip.lateral is not None)
                at, _ = optimise._cost(hip, family, component, places, LIMITS, Targets(), search.head)
                found = float(at[0])
    assert found < random + 0.1


def test_no_number_in_words_reads_minus_zero():
    found = bindings({"leg_length_remaining_mm": -0.04, "notch_distance_mm": -0.0003}, CutLevel.MID_HEAD, LIMITS)
    assert all("−0.0" not in b.words and "-0.0" not in b.words for b in found)

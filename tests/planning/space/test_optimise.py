"""The search in six degrees of freedom: where it must end on a plain shape, and what it says when nothing fits."""

import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from invented_space import ACROSS, AXIS, FRONT, RADIUS, catalogue, make_space, placed

import headstock
from headstock.frames import Side
from headstock.implants import Catalogue, CutLevel
from headstock.implants.solid import solid
from headstock.planning import Targets, parse_limits
from headstock.planning.quantities import level_ends
from headstock.planning.search import bindings
from headstock.planning.space import at_cut, best_in_space, compare_space, space_point_values
from headstock.planning.space.optimise import _coordinates, _places, _Search
from headstock.planning.space.places import Rows

approx = pytest.approx
CATALOGUE = catalogue()
OWN = Catalogue.load()
LIMITS = parse_limits(tomllib.loads((Path(headstock.__file__).parent / "desk" / "limits.toml").read_text("utf-8")))
# Two sizes a family: what a comparison says does not need them all.
FEW = Catalogue(
    {name: replace(family, components=family.components[2:4]) for name, family in OWN.families.items()},
    OWN.cup_families,
    OWN.head_families,
)
LESION = ((RADIUS - 12.0) * AXIS, 8.0)
SPACE = make_space(lesion=LESION)


def limited(**bounds):
    """The table with some bounds set by a named person."""
    found = LIMITS
    for name, low in bounds.items():
        found = found.edited(name, "surgeon", "test", low=low)
    return found


def across_neck(placement):
    """How far the part's origin lies beside the neck axis: medial, front."""
    origin = placement.space.origin_mm
    return origin @ ACROSS, origin @ FRONT


@pytest.mark.parametrize("level", list(CutLevel))
def test_every_level_gets_a_placement_within_its_own_range_of_depth(level):
    best = best_in_space(SPACE, level, OWN, LIMITS)
    values = space_point_values(SPACE, best.placement, OWN, LIMITS)
    rows = Rows.of(SPACE, reading=True)
    low, high = level_ends(level, rows.head_height, rows.base_depth)
    assert low[0] - 0.01 <= values["cut_depth_mm"] <= high[0] + 0.01
    assert OWN.family(best.placement.family).level is level
    assert best.reason
    assert best.binding == bindings(values, level, LIMITS)
    assert best.meets_limits == all(b.margin >= 0.0 for b in best.binding)


@pytest.mark.parametrize("level", [CutLevel.HEAD_SURFACE, CutLevel.MID_HEAD])
def test_on_a_shape_that_is_round_about_its_neck_the_part_stays_in_the_plane_of_neck_and_shaft(level):
    best = best_in_space(make_space(), level, OWN, LIMITS)
    _, front = across_neck(best.placement)
    values = space_point_values(SPACE, best.placement, OWN, LIMITS)
    assert front == approx(0.0, abs=0.4)
    assert values["anterior_to_neck_deg"] == approx(0.0, abs=1.0)


def test_a_part_moves_away_from_dead_bone_on_one_side():
    """Dead bone in front of the seat: the seat goes deeper or back, and stands better than where it began."""
    space = make_space(lesion=((RADIUS - 30.0) * AXIS + 9.0 * FRONT, 7.0))
    best = best_in_space(space, CutLevel.MID_HEAD, CATALOGUE, LIMITS, family_id="peg")
    found = space_point_values(space, best.placement, CATALOGUE, LIMITS)
    middle = space_point_values(space, placed("peg", best.placement.size, 30.0), CATALOGUE, LIMITS)
    assert found["seat_on_sound_bone_percent"] > middle["seat_on_sound_bone_percent"] + 4.0


def test_the_search_is_the_same_every_time_and_on_both_sides():
    first = best_in_space(SPACE, CutLevel.HIGH_NECK, FEW, LIMITS)
    again = best_in_space(make_space(lesion=LESION), CutLevel.HIGH_NECK, FEW, LIMITS)
    right = best_in_space(make_space(lesion=LESION, side=Side.RIGHT), CutLevel.HIGH_NECK, FEW, LIMITS)
    assert first == again == right


def test_a_held_size_is_kept():
    best = best_in_space(SPACE, CutLevel.MID_HEAD, OWN, LIMITS, family_id="mid-head-bowl", size_id="6")
    assert (best.placement.family, best.placement.size) == ("mid-head-bowl", "6")


def test_no_place_found_near_the_best_one_costs_less():
    """A fresh look of many places about the result in a small box finds nothing clearly better."""
    best = best_in_space(SPACE, CutLevel.HIGH_NECK, OWN, LIMITS).placement
    rows = Rows.of(SPACE, reading=True)
    family, component = OWN.family(best.family), OWN.component(best)
    search = _Search(
        SPACE, rows, family, component, solid(component), LIMITS, Targets(), (0.0, 90.0), best.head_diameter_mm, None
    )
    here = _coordinates(rows, best.space)
    own = float(search._cost(_places(rows, here[None]))[0][0])
    rng = np.random.default_rng(4)
    near = here + rng.uniform(-1.0, 1.0, (3000, 6)) * np.array([0.0, 1.0, 1.0, 1.5, 1.5, 3.0])
    assert float(search._cost(_places(rows, near))[0].min()) > own - 0.1


def test_a_limit_that_no_size_can_meet_is_named_with_the_nearest_value():
    best = best_in_space(SPACE, CutLevel.MID_HEAD, CATALOGUE, limited(least_wall_mm=25.0), family_id="peg")
    assert not best.meets_limits
    assert best.placement is not None
    assert "least wall" in best.reason
    assert "No place of 2 sizes that was tried meets it" in best.reason
    assert "is the nearest to at least 25 mm" in best.reason
    assert best.binding[0].measure == "least_wall_mm"


def test_limits_that_only_clash_are_not_called_impossible():
    """All dead but a shell: near the surface the wall is thin, away from it the seat is dead."""
    space = make_space(lesion=((RADIUS - 33.0) * AXIS, 12.0), rim=0.1)
    limits = limited(head_kept_percent=25.0, seat_on_sound_bone_percent=99.0, least_wall_mm=2.0)
    best = best_in_space(space, CutLevel.MID_HEAD, CATALOGUE, limits, family_id="peg", size_id="2")
    assert not best.meets_limits
    assert best.reason.startswith("The placement found breaks a limit that is set")


def test_limits_that_can_be_met_are_met():
    limits = limited(least_wall_mm=4.0, seat_on_sound_bone_percent=95.0)
    best = best_in_space(SPACE, CutLevel.MID_HEAD, CATALOGUE, limits, family_id="peg")
    values = space_point_values(SPACE, best.placement, CATALOGUE, limits)
    assert values["least_wall_mm"] >= 4.0
    assert values["seat_on_sound_bone_percent"] >= 95.0


def test_without_a_shaft_the_neck_levels_say_why_they_have_no_placement():
    space = make_space(shaft=False)
    best = best_in_space(space, CutLevel.LOW_NECK, OWN, LIMITS)
    assert best.placement is None
    assert "does not show the shaft" in best.reason
    assert best_in_space(space, CutLevel.MID_HEAD, OWN, LIMITS).placement is not None


def test_a_level_without_a_family_says_so():
    nothing = Catalogue({}, OWN.cup_families, OWN.head_families)
    assert "no family for the mid-head level" in best_in_space(SPACE, CutLevel.MID_HEAD, nothing, LIMITS).reason


@pytest.mark.parametrize("depth", [20.0, 27.5, 39.0])
def test_a_dragged_cut_lies_where_it_was_dragged_with_the_same_part(depth):
    start = best_in_space(SPACE, CutLevel.MID_HEAD, FEW, LIMITS).placement
    moved = at_cut(SPACE, CutLevel.MID_HEAD, depth, OWN, LIMITS, start=start)
    values = space_point_values(SPACE, moved, OWN, LIMITS)
    assert values["cut_depth_mm"] == approx(depth, abs=0.002)
    assert (moved.family, moved.size, moved.head_diameter_mm) == (start.family, start.size, start.head_diameter_mm)
    assert moved.cup == start.cup
    # Fitted again: its wall is no thinner than that of the same part merely slid, or what the family was drawn for.
    axis = start.space.matrix[:, 2]
    slide = (space_point_values(SPACE, start, OWN, LIMITS)["cut_depth_mm"] - depth) / float(axis @ AXIS)
    o = start.space.origin_mm + slide * axis
    slid = start.in_space(replace(start.space, x_mm=float(o[0]), y_mm=float(o[1]), z_mm=float(o[2])))
    plain = space_point_values(SPACE, slid, OWN, LIMITS)["least_wall_mm"]
    assert values["least_wall_mm"] > min(plain, OWN.family(start.family).seat_wall_aim_mm) - 0.3


def test_a_cut_without_a_start_begins_from_the_levels_best():
    best = best_in_space(SPACE, CutLevel.MID_HEAD, CATALOGUE, LIMITS)
    alone = at_cut(SPACE, CutLevel.MID_HEAD, 28.0, CATALOGUE, LIMITS)
    assert alone == at_cut(SPACE, CutLevel.MID_HEAD, 28.0, CATALOGUE, LIMITS, start=best.placement)


def test_the_comparison_has_four_levels_and_says_from_where_down_seats_stand():
    found = compare_space(SPACE, None, None, FEW, limited(seat_on_sound_bone_percent=40.0))
    assert [entry.level for entry in found.levels] == list(CutLevel)
    assert found.sound_bone_start.number == approx(20.0, abs=0.2)
    assert found.finding == "At every cut level the seat stands on sound bone."
    assert any("read an AP film" in note for note in found.notes)
    assert all(entry.drawing is not None and entry.guide is not None for entry in found.levels)
    # All of every seat is more than this shape's shaft, without a trochanter, can give the deepest part.
    whole = compare_space(SPACE, None, None, FEW, LIMITS)
    assert whole.finding.startswith("Sound bone starts 20.0 mm below the top of the head; ")
    assert any("99 % of the seat's area" in note for note in whole.notes)


def test_a_comparison_without_dead_bone_says_that_none_was_found_on_the_scan():
    found = compare_space(make_space(), None, None, FEW, LIMITS)
    assert found.finding.startswith("No dead bone was found on this scan")
    assert found.to_json()["sound_bone_start_mm"]["value"] is None

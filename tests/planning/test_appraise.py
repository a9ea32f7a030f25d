"""An appraisal: intervals, states, reasons for what is missing, and what must not change it."""

import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from invented_hip import make_hip

import headstock
from headstock.errors import CatalogueError
from headstock.frames import Side
from headstock.implants import Catalogue, CupPlacement, CutLevel, Placement, Pose
from headstock.planning.appraise import Targets, appraise, point_values
from headstock.planning.limits import State, parse_limits
from headstock.planning.prepared import prepare

approx = pytest.approx
LIMITS = parse_limits(tomllib.loads((Path(headstock.__file__).parent / "desk" / "limits.toml").read_text("utf-8")))
CATALOGUE = Catalogue.load()
CUP = CupPlacement("large-head-cup", "4", 0.0, 0.0, 40.0, 15.0)
EXACT = {"centre": 0, "radius": 0, "angle": 0, "scale": 0, "outline": 0, "rim": 0}


def placement(
    hip, depth=28.0, valgus=3.0, family="mid-head-bowl", size="4", head=46.0, neck=0.0, cup=CUP, lateral=True
):
    x, z = hip.ap.from_neck([[depth, 0.0]])[0]
    side = (0.0, 0.0) if lateral else (None, None)
    return Placement(family, size, head, neck, Pose(x, z, 36.0 + valgus, *side), cup)


HIP = make_hip(draws=2000)
PREPARED = prepare(HIP)
FOUND = appraise(PREPARED, placement(HIP), CATALOGUE, LIMITS)


def test_every_known_number_has_an_interval_or_says_why_it_has_none():
    for line in FOUND.lines:
        if line.measured.kind == "measured":
            assert line.measured.low <= line.measured.value <= line.measured.high, line.name
        else:
            assert line.measured.kind in ("by_family", "by_definition", "counted", "missing"), line.name


def test_point_values_are_row_zero_of_the_appraisal():
    values = point_values(PREPARED, placement(HIP), CATALOGUE, LIMITS)
    for line in FOUND.lines:
        if line.name in values and line.measured.known:
            assert values[line.name] == approx(line.measured.value, abs=1e-6), line.name
    assert values["reserve_longer_mm"] == approx(FOUND.reserve.longer.leg_mm.number, abs=1e-6)


def test_the_other_side_of_the_body_changes_nothing():
    other = appraise(make_hip(draws=2000, side=Side.LEFT), placement(HIP), CATALOGUE, LIMITS)
    for mine, theirs in zip(FOUND.lines, other.lines, strict=True):
        assert mine.measured.value == theirs.measured.value
        assert mine.measured.low == theirs.measured.low


def test_the_same_seed_gives_the_same_intervals_and_another_only_nearly():
    again = appraise(prepare(HIP), placement(HIP), CATALOGUE, LIMITS)
    other = appraise(prepare(HIP, seed=9), placement(HIP), CATALOGUE, LIMITS, seed=9)
    wall, same, near = (a.line("least_wall_mm").measured for a in (FOUND, again, other))
    assert (wall.low, wall.high) == (same.low, same.high)
    assert (wall.low, wall.high) != (near.low, near.high)
    assert near.low == approx(wall.low, abs=0.25)


@pytest.mark.parametrize(
    ("name", "sds", "expected"),
    [
        # One source of error at a time; the sd that first-order propagation gives for each.
        ("valgus_to_neck_deg", {"angle": 1.5}, 1.5),
        ("cut_depth_mm", {"radius": 0.5}, 0.5),
        ("least_wall_mm", {"outline": 0.6}, 0.6),
        # The scale carries every length from the head centre: 28 - R along the neck stays on the film, times the scale.
        ("leg_length_remaining_mm", {"scale": 0.02}, None),
    ],
)
def test_intervals_agree_with_first_order_propagation(name, sds, expected):
    hip = make_hip(draws=4000, lateral=False, sds=EXACT | sds)
    where = placement(hip, lateral=False)
    found = appraise(hip, where, CATALOGUE, LIMITS).line(name).measured
    if expected is None:
        component = CATALOGUE.component(where)
        # remaining = now·r + (origin·r + height·axis)·up - centre; d/dr = now + origin_z
        assert component.level is CutLevel.MID_HEAD
        expected = 0.02 * abs(-6.0 + where.pose.z_mm)
    half = 0.5 * (found.high - found.low)
    # 4000 draws know a 95 % half width to about 2 %.
    assert half == approx(1.96 * expected, rel=0.06)


def test_the_leg_line_splits_into_now_femur_and_cup():
    line = FOUND.line("leg_length_remaining_mm")
    assert sum(part.number for part in line.parts.values()) == approx(line.measured.number)
    assert set(line.parts) == {"now", "femur", "cup"}


def test_the_limit_lies_on_what_remains_never_on_the_change():
    assert FOUND.line("leg_length_change_mm").limit is None
    assert FOUND.line("offset_change_mm").limit is None
    assert FOUND.line("leg_length_remaining_mm").limit is not None


def test_a_target_moves_the_limit_not_the_value():
    aimed = appraise(PREPARED, placement(HIP), CATALOGUE, LIMITS, Targets(leg_length_difference_mm=-6.0))
    line, plain = aimed.line("leg_length_remaining_mm"), FOUND.line("leg_length_remaining_mm")
    assert line.measured.number == plain.measured.number
    assert (line.limit.low, line.limit.high) == (-11.0, -1.0)
    assert plain.state in (State.NEAR, State.OUTSIDE)
    assert line.state is State.WITHIN


def test_a_limit_that_a_hospital_sets_is_compared_and_an_unset_one_is_not():
    line = FOUND.line("least_wall_mm")
    assert line.state is State.NO_LIMIT
    strict = LIMITS.edited("least_wall_mm", "surgeon 1", "department rule", low=4.0)
    changed = appraise(PREPARED, placement(HIP), CATALOGUE, strict).line("least_wall_mm")
    low, high = changed.measured.low, changed.measured.high
    assert changed.state is (State.WITHIN if low >= 4.0 else State.NEAR if high >= 4.0 else State.OUTSIDE)
    assert changed.limit.edited_by == "surgeon 1"


def test_the_least_wall_says_where_it_is():
    assert FOUND.line("least_wall_mm").where.endswith("mm below the cut")


def test_lewinnek_is_a_reference_and_no_state():
    assert "a reference" in FOUND.cup_reference
    assert FOUND.line("cup_inclination_deg").state is State.NO_LIMIT


def test_sizes_come_with_their_neighbours():
    assert FOUND.neighbours == {"femoral": ("3", "5"), "head": ("43.5", "48.5"), "cup": ("3", "5")}


def test_without_a_lateral_film_its_lines_say_so_and_the_rest_stands():
    hip = make_hip(lateral=False)
    found = appraise(hip, placement(hip, lateral=False), CATALOGUE, LIMITS)
    assert "lateral film" in found.line("anterior_to_neck_deg").measured.reason
    assert found.line("lesion_left_cm3").state is State.NOT_KNOWN
    assert "AP film alone" in found.line("seat_on_sound_bone_percent").measured.source
    assert found.line("least_wall_mm").measured.known


def test_without_a_lesion_nothing_is_left_and_the_reason_is_given():
    found = appraise(make_hip(lesion=False), placement(HIP), CATALOGUE, LIMITS)
    for name in ("lesion_left_percent", "lesion_left_cm3", "lesion_share_of_head_percent", "sound_bone_start_mm"):
        assert found.line(name).state is State.NOT_KNOWN
        assert "No dead bone is outlined" in found.line(name).measured.reason
    assert found.line("seat_on_sound_bone_percent").measured.number == approx(100.0)


def test_without_the_other_side_only_the_change_is_known():
    found = appraise(make_hip(pelvis=False), placement(HIP), CATALOGUE, LIMITS)
    assert found.line("leg_length_change_mm").measured.known
    for name in ("leg_length_remaining_mm", "offset_remaining_mm", "cup_cover_percent"):
        assert found.line(name).state is State.NOT_KNOWN, name
    assert "Place the teardrops" in found.line("leg_length_remaining_mm").measured.reason


def test_without_a_shaft_motion_and_what_is_left_are_not_known():
    found = appraise(make_hip(shaft=False), placement(HIP), CATALOGUE, LIMITS)
    for name in ("flexion_deg", "axis_to_shaft_deg", "neck_left_for_revision_mm", "levels_left_for_revision"):
        assert found.line(name).state is State.NOT_KNOWN, name
        assert "shaft" in found.line(name).measured.reason
    assert found.levels_left is None


def test_without_a_cup_motion_waits_for_one():
    found = appraise(PREPARED, placement(HIP, cup=None), CATALOGUE, LIMITS)
    assert "No cup" in found.line("flexion_deg").measured.reason
    assert found.line("leg_length_remaining_mm").measured.known
    assert found.cup_reference is None


def test_a_line_without_meaning_at_a_level_says_that_it_does_not_apply():
    assert FOUND.line("tail_to_shaft_deg").state is State.DOES_NOT_APPLY
    low = placement(HIP, 60.0, 0.0, "standard-stem", "4", 38.0, 0.0, CupPlacement("lined-cup", "4", 0, 0, 40, 15))
    assert appraise(PREPARED, low, CATALOGUE, LIMITS).line("notch_distance_mm").state is State.DOES_NOT_APPLY


def test_a_deeper_seat_leaves_fewer_levels_for_later():
    assert FOUND.levels_left == (CutLevel.HIGH_NECK, CutLevel.LOW_NECK)
    low = placement(HIP, 60.0, 0.0, "standard-stem", "4", 38.0, 0.0, None)
    assert appraise(PREPARED, low, CATALOGUE, LIMITS).levels_left == ()


def test_reserve_ends_where_the_level_ends_and_says_so():
    reserve = FOUND.reserve
    assert reserve.longer.leg_mm.number > 0 > reserve.shorter.leg_mm.number
    assert reserve.longer.stopped_by == "the cut reaches the head-surface level"
    # The level begins at half the head height; the slide runs 3 degrees off the neck axis.
    depth, height = FOUND.line("cut_depth_mm").measured.number, PREPARED.ap.head_height[0]
    expected = (depth - height / 2) / np.cos(np.radians(3.0))
    assert reserve.longer.slide_mm.number == approx(expected, abs=0.02)
    assert reserve.longer.leg_mm.number == approx(expected * np.sin(np.radians(39.0)), abs=0.02)


def test_the_wall_ends_the_reserve_at_its_limit_once_one_is_set():
    here = FOUND.line("least_wall_mm").measured.number
    strict = LIMITS.edited("least_wall_mm", "surgeon 1", "rule", low=here - 0.4)
    end = appraise(PREPARED, placement(HIP), CATALOGUE, strict).reserve.shorter
    assert end.stopped_by == "the least wall reaches its limit"
    there = placement(HIP)
    axis = np.array([np.cos(np.radians(39.0)), np.sin(np.radians(39.0))])
    x, z = np.array([there.pose.x_mm, there.pose.z_mm]) + end.slide_mm.number * axis
    moved = replace(there, pose=replace(there.pose, x_mm=x, z_mm=z))
    assert point_values(PREPARED, moved, CATALOGUE, strict)["least_wall_mm"] == approx(here - 0.4, abs=0.05)


def test_reserve_draws_agree_with_solving_each_draw():
    strict = LIMITS.edited("least_wall_mm", "surgeon 1", "rule", low=3.0)
    hip = make_hip(draws=60, sds=EXACT | {"outline": 0.4}, lateral=False)
    where = placement(hip, lateral=False)
    prepared = prepare(hip)
    end = appraise(prepared, where, CATALOGUE, strict).reserve.shorter
    solved = []
    for row in range(1, 16):
        # A draw of the outline is the reading with its limit moved by as much.
        shifted = strict.edited("least_wall_mm", "s", "r", low=3.0 - float(prepared.ap.outline_error[row]))
        solved.append(point_values(prepared, where, CATALOGUE, shifted)["reserve_shorter_mm"])
    # One Newton step from the reading's end: a tenth of a mm.
    assert end.leg_mm.draws[:15] == approx(np.array(solved), abs=0.15)


def test_parts_that_do_not_exist_together_are_refused():
    with pytest.raises(CatalogueError, match="no head of 45 mm"):
        appraise(PREPARED, placement(HIP, head=45.0), CATALOGUE, LIMITS)


def test_json_holds_every_line_with_value_and_interval():
    import json

    text = json.loads(json.dumps(FOUND.to_json()))
    assert {line["name"] for line in text["lines"]} == {line.name for line in FOUND.lines}
    assert text["reserve"]["longer"]["leg_mm"]["low"] is not None


def test_the_femoral_version_that_films_do_not_show_widens_motion_by_its_sd():
    hip = make_hip(draws=2000, sds=EXACT)
    known = LIMITS.edited("assumed_femoral_version_deg", "surgeon 1", "a scan", value=14.5, sd=0.0)
    sure, unsure = (
        appraise(hip, placement(hip), CATALOGUE, limits).line("flexion_deg").measured for limits in (known, LIMITS)
    )
    assert sure.high - sure.low == approx(0.0, abs=1e-6)
    steps = [
        appraise(
            hip, placement(hip), CATALOGUE, LIMITS.edited("assumed_femoral_version_deg", "s", "r", value=v, sd=0.0)
        )
        .line("flexion_deg")
        .measured.number
        for v in (13.5, 15.5)
    ]
    slope = (steps[1] - steps[0]) / 2.0
    assert unsure.high - unsure.low == approx(
        2 * 1.96 * 8.1 * abs(slope), rel=0.12
    )  # first order; the rest is curvature


class _Scale:
    mm_per_px, source, row_factor = 0.2, "a test", 1.0

    def draws(self, rng, n):
        return self.mm_per_px * np.concatenate([[1.0], 1.0 + rng.normal(0.0, 0.015, n)])


def _read(side, flip):
    """The same bones read on a film, or on its mirror image as the other side."""
    from headstock.anatomy import Reading, View, film_hip

    def px(x, z):
        column = 400.0 + x / 0.2
        return (3000.0 - column if flip else column, 700.0 - z / 0.2)

    own, far = side.value, side.other.value
    points = {
        f"{own}.head_centre": px(0, 0), f"{own}.neck_axis_point": px(-24.0, -17.5),
        f"{own}.shaft_proximal": px(-43, -80),
        f"{own}.shaft_distal": px(-43, -140), f"{own}.lesser_trochanter": px(-19, -52),
        f"{own}.greater_trochanter": px(-55, -2),
        f"{own}.teardrop": px(30, -17), f"{far}.teardrop": px(140, -17), f"{far}.lesser_trochanter": px(189, -58),
        f"{far}.head_centre": px(170, 0), f"{own}.sourcil_lateral": px(-20, 21),
    }  # fmt: skip
    head = {f"{own}.head": (*px(0, 0), 23.5 / 0.2)}
    turn = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    lesion = {f"{own}.lesion": np.array([px(8 + 8 * np.cos(t), 8 + 8 * np.sin(t)) for t in turn])}
    return film_hip(Reading(View.AP_PELVIS, side, points, head, lesion), _Scale(), n_draws=300)


def test_a_left_hip_is_appraised_as_its_mirror_image_on_the_right():
    right, left = _read(Side.RIGHT, flip=False), _read(Side.LEFT, flip=True)
    where = placement(right, lateral=False)
    mine, theirs = (appraise(hip, where, CATALOGUE, LIMITS) for hip in (right, left))
    for a, b in zip(mine.lines, theirs.lines, strict=True):
        assert a.measured.kind == b.measured.kind, a.name
        if a.measured.known:
            assert a.measured.number == approx(b.measured.number, abs=1e-6), a.name
            if a.measured.low is not None:  # drawn with other errors, so alike, not equal
                assert a.measured.high - a.measured.low == approx(b.measured.high - b.measured.low, rel=0.5, abs=0.5)


# --- reserve


def _rooms(prepared, where, strict, way):
    """Slide by slide (0.05 mm) on the reading, each stop asked of `point_values`, nothing of the reserve's own code."""
    turn = np.radians(where.pose.ap_angle_deg)
    axis = np.array([np.cos(turn), np.sin(turn)])
    for slide in np.arange(0.0, 16.0, 0.05):
        x, z = np.array([where.pose.x_mm, where.pose.z_mm]) + way * slide * axis
        yield slide, point_values(prepared, replace(where, pose=replace(where.pose, x_mm=x, z_mm=z)), CATALOGUE, strict)


def test_length_bought_by_standing_on_dead_bone_is_no_reserve():
    hip = make_hip(draws=60, lesion_radius=15.5, lesion_depth=15.0, lateral=False)
    prepared, where = prepare(hip), placement(hip, depth=32.0, lateral=False)
    end = appraise(prepared, where, CATALOGUE, LIMITS).reserve.longer
    assert end.stopped_by == "the seat loses sound bone"
    start = point_values(prepared, where, CATALOGUE, LIMITS)["seat_on_sound_bone_percent"]
    lost = LIMITS.setting("reserve_seat_loss_percent")
    expected = next(
        slide
        for slide, values in _rooms(prepared, where, LIMITS, 1.0)
        if values["seat_on_sound_bone_percent"] < start - lost
    )
    # Samples of the seat 4 mm apart tell its share to a few per cent.
    assert end.slide_mm.number == approx(expected, abs=0.6)
    generous = LIMITS.edited("reserve_seat_loss_percent", "surgeon 1", "a test", value=100.0)
    free = appraise(prepared, where, CATALOGUE, generous).reserve.longer
    assert free.stopped_by == "the cut reaches the head-surface level"
    assert free.leg_mm.number > end.leg_mm.number + 0.2


def test_a_cut_on_the_border_of_its_level_has_no_room_one_way_and_all_the_other():
    hip = make_hip(draws=60, sds=EXACT, lateral=False, lesion=False)
    prepared = prepare(hip)
    border = float(prepared.ap.head_height[0]) / 2.0
    found = appraise(
        prepared, placement(hip, depth=border - 0.002, valgus=0.0, lateral=False), CATALOGUE, LIMITS
    ).reserve
    assert found.longer.leg_mm.number == approx(0.0, abs=0.02)
    assert found.shorter.leg_mm.number < -4.0
    assert not found.shorter.stopped_by.startswith("already here")


def test_the_shorter_end_keeps_its_interval_when_the_wall_hardly_changes():
    """One Newton step along a wall that hardly thins sent draws to 0: “−9.3 (−9.9 to 0.0)”."""
    found = appraise(PREPARED, placement(HIP), CATALOGUE, LIMITS)
    wall = found.line("least_wall_mm").measured
    assert wall.low > 1.0  # in no draw does the planned place touch the cortex
    end = found.reserve.shorter.leg_mm
    assert end.high < -1.0
    assert end.low <= end.number <= end.high


def test_reserve_draws_agree_with_solving_each_draw_where_several_stops_compete():
    strict = LIMITS.edited("least_wall_mm", "surgeon 1", "rule", low=2.5)
    hip = make_hip(draws=60, sds=EXACT | {"outline": 0.7}, lateral=False)
    where = placement(hip, lateral=False)
    prepared = prepare(hip)
    for end, name in (("longer", "reserve_longer_mm"), ("shorter", "reserve_shorter_mm")):
        draws = getattr(appraise(prepared, where, CATALOGUE, strict).reserve, end).leg_mm.draws[:12]
        solved = []
        for row in range(1, 13):
            error = float(prepared.ap.outline_error[row])
            shifted = strict.edited("least_wall_mm", "s", "r", low=2.5 - error)
            shifted = shifted.edited("notch_distance_mm", "s", "r", low=-error)
            solved.append(point_values(prepared, where, CATALOGUE, shifted)[name])
        assert draws == approx(np.array(solved), abs=0.3)


def test_no_place_is_minus_zero_below_the_cut():
    from headstock.planning.appraise import _where

    where = placement(HIP)
    words = _where(PREPARED, where, CATALOGUE.component(where), "ap", np.array([14.0, 0.0]))
    assert words == "medial side, AP film, 0 mm below the cut"


def test_no_end_of_a_reserve_is_minus_zero():
    for level_placement in (placement(HIP), placement(HIP, 60.0, 0.0, "standard-stem", "4", 38.0, 0.0, None)):
        found = appraise(PREPARED, level_placement, CATALOGUE, LIMITS).reserve
        for end in (found.longer, found.shorter):
            for number in (end.leg_mm, end.slide_mm, end.neck_mm):
                for value in (number.value, number.low, number.high):
                    assert not (value == 0.0 and np.signbit(value))

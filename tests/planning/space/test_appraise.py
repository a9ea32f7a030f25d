"""An appraisal in space: the lines, their reasons, their intervals; against films of the same shape."""

import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from invented_hip import circle_points, make_hip
from invented_space import (
    ACROSS,
    AXIS,
    BASE_DEPTH,
    FRONT,
    NECK,
    NSA,
    OFFSET,
    RADIUS,
    VERSION,
    ball_mm,
    catalogue,
    femur_mm,
    make_space,
    placed,
)

import headstock
from headstock.anatomy.filmhip import FilmHip, FilmView
from headstock.anatomy.scan.segmentation import Segmentation
from headstock.anatomy.scan.values import Density, Lesion, LesionPart
from headstock.errors import FrameError
from headstock.frames import Side
from headstock.geometry.grid import Grid
from headstock.images.scan import Scan
from headstock.implants import CutLevel, Pose
from headstock.measured import measured
from headstock.planning import LINES, State, parse_limits, point_values, prepare
from headstock.planning.appraise import Targets
from headstock.planning.lines import SPACE_LINES
from headstock.planning.motion import motion_limit_deg
from headstock.planning.space import appraise_space, prepare_space, space_point_values

approx = pytest.approx
CATALOGUE = catalogue()
LIMITS = parse_limits(tomllib.loads((Path(headstock.__file__).parent / "desk" / "limits.toml").read_text("utf-8")))
EXACT = {"edge": 0, "centre": 0, "radius": 0, "axis": 0, "shaft": 0, "rim": 0, "height": 0}
LESION = ((RADIUS - 16.0) * AXIS + 6.0 * FRONT, 9.0)
SPACE = make_space(lesion=LESION)
PEG = placed("peg", "1", 30.0)
FOUND = appraise_space(SPACE, PEG, CATALOGUE, LIMITS)


def test_an_appraisal_in_space_has_the_lines_of_films_in_their_order_and_more_between():
    names = [line.name for line in FOUND.lines]
    assert names == [*SPACE_LINES, "reserve_mm", "levels_left_for_revision"]
    assert [name for name in names if name in LINES] == list(LINES)
    for name, spec in LINES.items():
        assert (SPACE_LINES[name].group, SPACE_LINES[name].unit) == (spec.group, spec.unit)


def test_every_line_has_a_value_with_an_interval_or_a_reason_with_a_way_out():
    for line in FOUND.lines:
        m = line.measured
        if m.known:
            assert m.kind != "measured" or m.low <= m.number <= m.high, line.name
        else:
            assert len(m.reason) > 20, line.name
            assert line.state in (State.NOT_KNOWN, State.DOES_NOT_APPLY)


@pytest.mark.parametrize(
    ("family", "size", "depth", "head"),
    [("peg", "1", 30.0, 48.5), ("surface-cap", "5", 6.0, 48.5), ("standard-stem", "2", 66.0, 34.0)],
)
def test_point_values_are_the_values_of_the_appraisal(family, size, depth, head):
    placement = placed(family, size, depth, head=head, medial=0.7, front=-0.4)
    values = space_point_values(SPACE, placement, CATALOGUE, LIMITS)
    found = appraise_space(SPACE, placement, CATALOGUE, LIMITS)
    for line in found.lines:
        if line.name in values and line.measured.known:
            assert line.measured.number == approx(values[line.name], rel=1e-5, abs=1e-6), line.name  # single precision
    assert values["reserve_longer_mm"] == approx(found.reserve.longer.leg_mm.number, abs=1e-9)
    assert values["reserve_shorter_mm"] == approx(found.reserve.shorter.leg_mm.number, abs=1e-9)
    nominal = space_point_values(SPACE.nominal(), placement, CATALOGUE, LIMITS)
    for name, value in values.items():
        assert nominal[name] == approx(value, rel=1e-4, abs=1e-6), name


def test_the_same_scan_and_seed_give_the_same_appraisal():
    again = appraise_space(make_space(lesion=LESION), PEG, CATALOGUE, LIMITS)
    assert again.to_json() == FOUND.to_json()


def test_left_and_right_hips_of_one_shape_give_the_same_numbers():
    """A right hip is mirrored into the hip frame; only what follows the body's own axes may look at the side."""
    right = appraise_space(make_space(lesion=LESION, side=Side.RIGHT), PEG, CATALOGUE, LIMITS)
    for line, other in zip(FOUND.lines, right.lines, strict=True):
        assert other.measured.value == line.measured.value, line.name
        assert other.where == line.where


def test_how_the_patient_lay_changes_nothing_but_the_cups_cover():
    turn = np.array([[0.0, -1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])
    turned = appraise_space(make_space(lesion=LESION, turn=turn), PEG, CATALOGUE, LIMITS)
    for line, other in zip(FOUND.lines, turned.lines, strict=True):
        if line.name != "cup_cover_percent":
            assert other.measured.value == line.measured.value, line.name


def test_the_reserve_of_a_peg_that_only_its_level_stops_is_the_way_to_the_levels_ends():
    plain = make_space(sds=EXACT)
    found = appraise_space(plain, placed("peg", "1", 34.0), CATALOGUE, LIMITS).reserve
    up = np.sin(np.radians(NSA - 90.0))
    assert found.longer.stop == "level"
    assert found.shorter.stop == "level"
    assert found.longer.leg_mm.number == approx((34.0 - 22.0) * up, abs=0.02)
    assert found.shorter.leg_mm.number == approx(-(44.0 - 34.0) * up, abs=0.02)
    assert found.longer.neck_mm.number == approx(4.0 * up, abs=1e-6)


def test_the_reserve_ends_where_the_seat_loses_sound_bone_and_its_interval_holds_that():
    # Dead bone just above the seat: 5 % of a seat of 12 mm are 0.6 mm.
    space = make_space(lesion=((RADIUS - 18.0) * AXIS, 11.0), sds={"rim": 0.2})
    found = appraise_space(space, placed("peg", "1", 30.0), CATALOGUE, LIMITS).reserve.longer
    assert found.stop == "seat"
    assert found.slide_mm.low <= found.slide_mm.number <= found.slide_mm.high
    # Where the ball's rim meets the wall of 8 mm: √(11² − 8²) = 7.55 below its centre at 18.
    free = 30.0 - (18.0 + np.sqrt(11.0**2 - 8.0**2))
    assert found.slide_mm.number == approx(free + 0.6, abs=0.5)


def test_where_the_seat_does_not_stand_is_said():
    space = make_space(lesion=((RADIUS - 34.0) * AXIS + 12.0 * FRONT, 8.0))
    line = appraise_space(space, PEG, CATALOGUE, LIMITS).line("seat_on_sound_bone_percent")
    assert line.where.startswith("dead bone under ")
    assert "anterior side" in line.where
    off = appraise_space(SPACE, placed("peg", "1", 47.0, medial=11.0), CATALOGUE, LIMITS)
    assert off.line("seat_on_sound_bone_percent").where.startswith("no bone under ")


def test_levels_left_and_what_the_next_of_them_would_find():
    line = FOUND.line("levels_left_for_revision")
    assert FOUND.levels_left == (CutLevel.HIGH_NECK, CutLevel.LOW_NECK)
    assert line.where == "High neck, Low neck"
    found = FOUND.line("next_cut_sound_percent")
    assert found.measured.number == approx(100.0, abs=0.1)
    # The seat ends at 42 mm, the next level begins at the junction, 44 mm deep: a neck of 15 mm.
    assert found.where.startswith("high neck level, 44 mm below")
    assert float(found.where.split(": ")[1].split(" ")[0]) == approx(np.pi * NECK**2, rel=0.01)
    deep = appraise_space(SPACE, placed("peg", "1", BASE_DEPTH + 1.0), CATALOGUE, LIMITS)
    assert deep.levels_left == ()


def test_a_part_in_the_marrow_cavity_opens_the_canal():
    low = SPACE.femur.points()
    space = replace(SPACE, canal=replace(SPACE.femur, values=np.linalg.norm(low, axis=-1).astype(np.float32) - 8.0))
    assert appraise_space(space, PEG, CATALOGUE, LIMITS).canal == "closed"
    assert appraise_space(space, placed("peg", "1", 14.0), CATALOGUE, LIMITS).canal == "opened"
    assert appraise_space(SPACE, placed("standard-stem", "2", 66.0, head=34.0), CATALOGUE, LIMITS).canal == "opened"


def test_motion_takes_the_version_of_the_scan_with_its_own_interval():
    swing = FOUND.line("oscillation_deg").measured.number
    own = motion_limit_deg(40.0, 15.0, NSA, VERSION, swing, "flexion")
    assert FOUND.line("flexion_deg").measured.number == approx(float(own), abs=1e-6)
    # Measured along condyles: narrower than with the version that is only assumed.
    version = measured(np.concatenate([[12.0], np.random.default_rng(2).normal(12.0, 1.5, 200)]), "deg", "condyles")
    known = replace(SPACE, hip=replace(SPACE.hip, measures={"femoral_version_deg": version}))
    told = appraise_space(known, PEG, CATALOGUE, LIMITS).line("flexion_deg").measured
    assumed = FOUND.line("flexion_deg").measured
    assert told.high - told.low < 0.5 * (assumed.high - assumed.low)


def test_a_part_that_impinges_on_its_own_neck_swings_about_its_own_version_and_inclination():
    stem = placed(
        "standard-stem", "2", 66.0, head=34.0, axis=np.array([0.6, 0.25, 0.76]) / np.linalg.norm([0.6, 0.25, 0.76])
    )
    values = space_point_values(SPACE, stem, CATALOGUE, LIMITS)
    cup = stem.cup
    own = motion_limit_deg(
        cup.inclination_deg,
        cup.version_deg,
        values["axis_to_shaft_deg"],
        np.degrees(np.arctan2(0.25, 0.6)),
        values["oscillation_deg"],
        "extension",
    )
    assert values["extension_deg"] == approx(float(own), abs=1e-6)


def test_a_scan_without_a_shaft_says_so_and_still_measures_the_rest():
    found = appraise_space(make_space(shaft=False), PEG, CATALOGUE, LIMITS)
    assert found.levels_left is None
    for name in ("axis_to_shaft_deg", "flexion_deg", "neck_left_for_revision_mm", "levels_left_for_revision"):
        assert "does not show the shaft" in found.line(name).measured.reason, name
    assert found.line("least_wall_mm").measured.known
    assert found.line("leg_length_change_mm").measured.known


def test_a_scan_without_dead_bone_says_so():
    found = appraise_space(make_space(), PEG, CATALOGUE, LIMITS)
    for name in ("sound_bone_start_mm", "lesion_left_cm3", "lesion_share_of_head_percent"):
        assert "No dead bone was found" in found.line(name).measured.reason


def test_what_only_films_know_is_asked_of_films_and_added_to_what_the_scan_changes():
    assert "AP film of the whole pelvis" in FOUND.line("leg_length_remaining_mm").measured.reason
    film = prepare(make_hip(draws=200))
    found = appraise_space(make_space(lesion=LESION, film=film), PEG, CATALOGUE, LIMITS, Targets(2.0, 0.0))
    for stem in ("leg_length", "offset"):
        change, remaining = (found.line(f"{stem}_{what}_mm") for what in ("change", "remaining"))
        now = remaining.parts["now"].number
        assert remaining.measured.number == approx(now + change.measured.number, abs=1e-9)
        width = remaining.measured.high - remaining.measured.low
        assert width > 0.9 * (remaining.parts["now"].high - remaining.parts["now"].low)
    assert found.line("leg_length_remaining_mm").limit.low == -3.0  # about the surgeon's target
    assert found.line("cup_depth_mm").measured.known


def test_leg_length_is_measured_along_the_films_vertical_where_one_is_read():
    """The invented film's shaft stands square to its teardrops: the same vertical; turned by 6°, another."""
    film = prepare(make_hip(draws=200))
    lean = np.radians(6.0)
    leaning = replace(film, up=np.tile([np.sin(lean), np.cos(lean)], (film.rows, 1)))
    placement = placed("peg", "1", 30.0, medial=3.0)
    plain, turned = (
        space_point_values(make_space(film=f, sds=EXACT), placement, CATALOGUE, LIMITS) for f in (film, leaning)
    )
    moved = placement.space.origin_mm + 5.0 * AXIS
    assert plain["leg_length_change_mm"] == approx(moved[2], abs=1e-6)
    assert turned["leg_length_change_mm"] == approx(np.cos(lean) * moved[2] + np.sin(lean) * moved[0], abs=1e-6)


def film_of_the_shape():
    """Films square to the neck of the invented hip: the plane of neck and shaft, and the plane square to it."""
    tilt, half = np.radians(NSA - 90.0), NECK
    axis, across = np.array([np.cos(tilt), np.sin(tilt)]), np.array([np.sin(tilt), -np.cos(tilt)])
    leave = np.degrees(np.arcsin(half / RADIUS))
    rows = 60
    views = []
    for view, a, b, reach in (
        ("ap", axis, across, 56.0),
        ("lateral", np.array([1.0, 0.0]), np.array([0.0, 1.0]), 66.0),
    ):
        head = circle_points(RADIUS, np.zeros(2), a, b, -(180.0 - leave), 180.0 - leave)
        outline = np.vstack([-reach * a - half * b, head, -reach * a + half * b])
        shaft = view == "ap"
        views.append(
            FilmView(
                view=view,
                head_centre_mm=np.zeros((rows, 2)),
                head_radius_mm=np.full(rows, RADIUS),
                neck_axis=np.tile(a, (rows, 1)),
                shaft_point_mm=np.tile([-OFFSET, -100.0], (rows, 1)) if shaft else None,
                shaft_axis=np.tile([0.0, 1.0], (rows, 1)) if shaft else None,
                outer_mm=outline,
                outline_sd_mm=0.0,
                canal_mm=None,
                lesions_mm=(),
                lesion_rim_sd_mm=0.0,
                scale_ratio=np.ones(rows),
            )
        )
    return prepare(FilmHip(Side.LEFT, views[0], views[1], None))


@pytest.mark.parametrize(("medial", "front", "valgus"), [(0.0, 0.0, 0.0), (2.0, 0.0, 4.0), (0.0, -2.5, 0.0)])
def test_scan_and_films_of_one_shape_agree_where_they_measure_the_same(medial, front, valgus):
    """Films in the neck's own planes show the walls of a round neck truly while the part moves within one of them."""
    lean = np.radians(valgus)
    axis = np.cos(lean) * AXIS - np.sin(lean) * ACROSS
    in_space = placed("peg", "1", 40.0, medial=medial, front=front, axis=axis)
    tilt = np.radians(NSA - 90.0)
    on_axis = (RADIUS - 40.0) * np.array([np.cos(tilt), np.sin(tilt)])
    place = on_axis + medial * np.array([np.sin(tilt), -np.cos(tilt)])
    pose = Pose(float(place[0]), float(place[1]), NSA - 90.0 + valgus, front, 0.0)
    flat = point_values(film_of_the_shape(), replace(in_space, pose=pose, space=None), CATALOGUE, LIMITS)
    deep = space_point_values(make_space(sds=EXACT), in_space, CATALOGUE, LIMITS)
    for name, tolerance in (
        ("cut_depth_mm", 1e-6),
        ("valgus_to_neck_deg", 1e-6),
        ("anterior_to_neck_deg", 1e-6),
        ("axis_to_shaft_deg", 1e-6),
        ("least_wall_mm", 0.1),  # 1 mm field against 0.5 mm field and polyline
        ("notch_distance_mm", 0.1),
        ("leg_length_change_mm", 1e-6),
        ("neck_left_for_revision_mm", 0.8),  # rings of seat points
        ("neck_diameter_mm", 0.1),
        ("flexion_extension_arc_deg", 3.0),  # films assume the version: 14.5 against 12 degrees
    ):
        assert deep[name] == approx(flat[name], abs=tolerance), name


def test_between_the_films_planes_the_scan_sees_a_thinner_wall():
    tilt = np.radians(NSA - 90.0)
    both = placed("peg", "1", 40.0, medial=2.5, front=2.5)
    place = (RADIUS - 40.0) * np.array([np.cos(tilt), np.sin(tilt)]) + 2.5 * np.array([np.sin(tilt), -np.cos(tilt)])
    pose = Pose(float(place[0]), float(place[1]), NSA - 90.0, 2.5, 0.0)
    flat = point_values(film_of_the_shape(), replace(both, pose=pose, space=None), CATALOGUE, LIMITS)["least_wall_mm"]
    deep = space_point_values(make_space(sds=EXACT), both, CATALOGUE, LIMITS)["least_wall_mm"]
    assert flat == approx(NECK - 8.0 - 2.5, abs=0.1)
    assert deep == approx(NECK - 8.0 - np.hypot(2.5, 2.5), abs=0.05)


def test_a_placement_from_films_is_refused():
    with pytest.raises(FrameError, match="no place in space"):
        appraise_space(SPACE, replace(PEG, space=None), CATALOGUE, LIMITS)
    with pytest.raises(FrameError, match="no place in space"):
        space_point_values(SPACE, replace(PEG, space=None), CATALOGUE, LIMITS)


def test_intervals_widen_with_the_error_that_makes_them():
    lines = {"least_wall_mm": "edge", "seat_on_sound_bone_percent": "rim", "cut_depth_mm": "centre"}
    near = ((RADIUS - 20.0) * AXIS, 12.5)
    for name, source in lines.items():
        widths = []
        for size in (0.1, 0.6):
            space = make_space(lesion=near, sds=EXACT | {source: size})
            m = appraise_space(space, PEG, CATALOGUE, LIMITS).line(name).measured
            widths.append(m.high - m.low)
        assert widths[1] > 1.3 * widths[0], name


def scanned(side, turn=None):
    """The invented hip as a scan would bring it: voxels of 1.5 mm in LPS, outlines, a ball of dead bone, a pelvis."""
    plain = make_space(side=side, draws=50, sds=EXACT, turn=turn)
    hip = plain.hip
    shape, spacing = (104, 64, 88), np.full(3, 1.5)
    axes = np.eye(3) if turn is None else turn
    # The middle of the grid lies a little below and beside the head: mirrored on the other side.
    middle = hip.lps(np.array([-20.0, 0.0, -22.0]))
    grid = Grid(middle - axes @ (spacing * (np.array(shape[::-1]) - 1) / 2.0), axes, spacing, shape)
    index = np.moveaxis(np.indices(shape), 0, -1)[..., ::-1]
    points = hip.hip(grid.points(index))
    femur = femur_mm(points).astype(np.float32)
    socket = ball_mm(points, np.zeros(3), RADIUS + 4.0)
    bones = np.where(femur < 0.0, 1, np.where((socket > 0.0) & (points[..., 2] > 5.0), 2, 0)).astype(np.uint8)
    tissue = np.where(femur < -2.0, 2, np.where(femur < 0.0, 1, 0)).astype(np.uint8)
    dead = ball_mm(points, *LESION).astype(np.float32)
    scan = Scan(np.where(tissue == 1, 1000.0, np.where(tissue == 2, 250.0, 40.0)).astype(np.int16), grid, "CT", None)
    part = LesionPart(1, "drawn", LESION[0], measured(np.full(51, 3.0), "cm3", "drawn"))
    lesion = Lesion(grid, dead + 0.5, dead - 0.5, np.full(51, 0.5), (part,), "drawn", {})
    seg = Segmentation(grid, side, bones, tissue, femur, 0.1, hip.lps(np.zeros(3)))
    return prepare_space(scan, seg, hip, lesion, Density(None, None, "none"))


def test_a_scan_of_the_other_side_or_of_a_turned_patient_gives_the_same_numbers():
    """The right hip is the mirror image of the left; turned, the scanner's axes turn with the patient."""
    turn = np.array([[0.96, -0.28, 0.0], [0.28, 0.96, 0.0], [0.0, 0.0, 1.0]])
    left, right, turned = scanned(Side.LEFT), scanned(Side.RIGHT), scanned(Side.LEFT, turn)
    values = space_point_values(left, PEG, CATALOGUE, LIMITS)
    for other, name_of in ((right, "right"), (turned, "turned")):
        found = space_point_values(other, PEG, CATALOGUE, LIMITS)
        assert found.keys() == values.keys()
        for name, value in values.items():
            if name == "cup_cover_percent" and name_of == "turned":
                continue  # the cup's angles are about the scanner's axes
            assert found[name] == approx(value, rel=2e-3, abs=2e-3), (name, name_of)
    # And voxels of 1.5 mm say what the closed forms say.
    assert values["cut_depth_mm"] == approx(30.0, abs=1e-9)
    assert values["lesion_cm3"] == approx(4.0 / 3.0 * np.pi * 0.9**3, rel=0.03)
    assert values["least_wall_mm"] == approx(NECK - 8.0, abs=0.15)


@pytest.mark.parametrize("depth", [30.0, 26.0])
def test_while_a_hand_drags_values_and_words_are_the_same_and_intervals_nearly(depth):
    space = make_space(lesion=((RADIUS - 24.0) * AXIS, 11.0), draws=1500)
    placement = placed("peg", "1", depth)
    whole = appraise_space(space, placement, CATALOGUE, LIMITS)
    live = appraise_space(space, placement, CATALOGUE, LIMITS, live=True)
    assert live.levels_left == whole.levels_left
    for line, quick in zip(whole.lines, live.lines, strict=True):
        assert quick.measured.value == (
            approx(line.measured.value, rel=1e-5, abs=1e-5) if line.measured.known else None
        )
        assert quick.where == line.where
        if line.measured.kind != "measured":
            continue
        width, seen = (m.high - m.low for m in (line.measured, quick.measured))
        # 160 draws know the ends of an interval to about an eighth of its width, a coarse grid of errors as well.
        assert seen == approx(width, rel=0.35, abs=0.05), line.name
        if line.measured.unit == "%" and line.name.startswith(("seat", "cut_face")):
            assert 0.0 <= quick.measured.low <= quick.measured.high <= 100.0 + 1e-9

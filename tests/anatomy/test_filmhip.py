"""The hip handed to planning: frames, shared draws, outline, and what it refuses."""

import dataclasses

import numpy as np
import pytest

from headstock.anatomy import FilmView, Reading, View, film_hip, measure
from headstock.anatomy.filmhip import lateral_axes
from headstock.anatomy.outline import (
    ASSUMED_NECK_SD_MM,
    ASSUMED_SD_MM,
    INTERPOLATED_SD_MM,
    TRACED_SD_MM,
    smooth_through,
)
from headstock.errors import CalibrationError, FrameError, TooFewError
from headstock.frames import Side
from headstock.geometry import distance_to_polyline

from .hips import DRAWN_MM, PlainScale, drawn_pelvis, truth_of
from .test_measures import lateral

SCALE = PlainScale(0.2, 0.003)


@pytest.mark.parametrize("side", [Side.RIGHT, Side.LEFT])
@pytest.mark.parametrize("columns_to_left", [True, False])
def test_a_hip_of_either_side_has_medial_positive_and_the_drawn_coordinates(side: Side, columns_to_left: bool) -> None:
    hip = film_hip(drawn_pelvis(side=side, columns_to_left=columns_to_left), SCALE)
    assert hip.side is side
    assert np.allclose(hip.ap.head_centre_mm[0], 0.0)
    assert hip.ap.shaft_point_mm is not None
    assert hip.ap.shaft_axis is not None
    assert np.allclose(hip.ap.shaft_point_mm[0], DRAWN_MM["shaft_proximal"])
    assert np.allclose(hip.ap.shaft_axis[0], (0.0, 1.0))
    assert np.allclose(hip.ap.neck_axis[0], (np.sin(np.radians(50)), np.cos(np.radians(50))))
    assert hip.ap.head_radius_mm[0] == pytest.approx(24.0)
    pelvis = hip.pelvis
    assert pelvis is not None
    assert pelvis.teardrop_mm is not None
    assert pelvis.other_head_centre_mm is not None
    assert np.allclose(pelvis.teardrop_mm[0], DRAWN_MM["teardrop"])
    assert np.allclose(pelvis.other_head_centre_mm[0], (180.0, 0.0))


def test_the_neck_frame_counts_depth_from_the_pole_and_medial_positive() -> None:
    view = film_hip(drawn_pelvis(), SCALE).ap
    pole = 24.0 * view.neck_axis[0]
    marks = np.array([pole, (0.0, 0.0), -30.0 * view.neck_axis[0], (10.0, -10.0)])
    st = view.to_neck(marks, nominal=True)
    assert np.allclose(st[:3, 0], [0.0, 24.0, 54.0])
    assert np.allclose(st[:3, 1], 0.0)
    assert st[3, 1] > 0  # medial and below
    assert np.allclose(view.from_neck(st), marks)
    assert view.to_neck(marks).shape == (2001, 4, 2)
    assert np.allclose(view.to_neck(marks)[0], st)


def test_an_outline_is_brought_to_each_draws_scale() -> None:
    view = film_hip(drawn_pelvis(), PlainScale(0.2, 0.01)).ap
    far = np.array([DRAWN_MM["shaft_distal"], DRAWN_MM["neck_axis_point"]])
    apart = np.linalg.norm(np.diff(view.to_neck(far), axis=1)[:, 0], axis=1)
    assert np.allclose(apart / apart[0], view.scale_ratio)
    assert view.scale_ratio[0] == 1.0
    assert np.std(view.scale_ratio) == pytest.approx(0.05, rel=0.1)


def test_the_lateral_neck_frame_counts_anterior_positive() -> None:
    hip = film_hip(drawn_pelvis(), SCALE, lateral(), SCALE)
    assert hip.lateral is not None
    st = hip.lateral.to_neck(np.array([(-30.0, 13.0), (0.0, -24.0)]), nominal=True)
    assert np.allclose(st, [(54.0, 13.0), (24.0, -24.0)])
    assert hip.notes == ()


def test_draws_of_the_hip_and_of_its_measures_are_the_same_draws() -> None:
    reading = drawn_pelvis(shorter_left_mm=5.0, side=Side.LEFT)
    pelvis = film_hip(reading, SCALE).pelvis
    found = measure(reading, SCALE)
    assert pelvis is not None
    assert pelvis.leg_length_difference_mm is not None
    assert pelvis.other_femoral_offset_mm is not None
    # This side (left) minus the other: the left is 5 mm shorter.
    assert pelvis.leg_length_difference_mm[0] == pytest.approx(-5.0)
    draws = found["leg_length_difference_mm"].draws
    assert draws is not None
    assert np.allclose(pelvis.leg_length_difference_mm[1:], -draws)
    other = found["right.femoral_offset_mm"].draws
    assert other is not None
    assert np.allclose(pelvis.other_femoral_offset_mm[1:], other)


def test_points_go_to_the_image_and_back() -> None:
    reading = drawn_pelvis(side=Side.LEFT, row_factor=1.25)
    hip = film_hip(reading, dataclasses.replace(SCALE, row_factor=1.25))
    axes = hip.ap.axes
    assert axes is not None
    for name, place in DRAWN_MM.items():
        assert np.allclose(axes.to_px(place), reading.points[f"left.{name}"]), name
        assert np.allclose(axes.to_mm(reading.points[f"left.{name}"]), place), name


def test_the_outline_runs_round_the_head_and_through_the_landmarks() -> None:
    view = film_hip(drawn_pelvis(), SCALE).ap
    assert view.outline_kind == "interpolated"
    assert view.outline_sd_mm == INTERPOLATED_SD_MM
    on_it = [DRAWN_MM[n] for n in ("neck_superior", "neck_inferior", "greater_trochanter", "lesser_trochanter")]
    on_it += [DRAWN_MM[n] for n in ("shaft_edge_medial", "shaft_edge_lateral")]
    assert distance_to_polyline(np.array(on_it), view.outer_mm).max() < 0.05
    angles = np.radians(np.arange(-40.0, 140.0, 5.0))
    rim = 24.0 * np.stack([np.cos(angles), np.sin(angles)], axis=1)
    assert distance_to_polyline(rim, view.outer_mm).max() < 0.05
    # From the lateral shaft up and over to the medial shaft.
    assert view.outer_mm[0] == pytest.approx((-55.0, -160.0))
    assert view.outer_mm[-1] == pytest.approx((-25.0, -160.0))


def traced(reading: Reading) -> Reading:
    """The drawn hip with its four edges traced: neck lines parallel to the axis, shaft lines upright."""
    hip = film_hip(reading, SCALE)
    axes = hip.ap.axes
    assert axes is not None
    depth = np.linspace(40.0, 62.0, 12)

    def neck(t: float) -> np.ndarray:
        return axes.to_px(hip.ap.from_neck(np.stack([depth, np.full_like(depth, t)], axis=1)))

    def shaft(x: float) -> np.ndarray:
        z = np.linspace(-80.0, -160.0, 9)
        return axes.to_px(np.stack([np.full_like(z, x), z], axis=1))

    lines = {
        "right.neck_superior": neck(-15.0),
        "right.neck_inferior": neck(15.0),
        "right.shaft_lateral": shaft(-56.0),
        "right.shaft_medial": shaft(-24.0),
        "right.canal_lateral": shaft(-48.0),
        "right.canal_medial": shaft(-32.0)[::-1],
    }
    return dataclasses.replace(reading, outlines={**reading.outlines, **lines})


def test_traced_edges_are_used_as_they_are() -> None:
    view = film_hip(traced(drawn_pelvis()), SCALE).ap
    assert view.outline_kind == "traced"
    assert view.outline_sd_mm == TRACED_SD_MM
    assert view.notes == ()
    st = view.to_neck(view.outer_mm, nominal=True)
    neck = st[(st[:, 0] > 45.0) & (st[:, 0] < 58.0) & (np.abs(st[:, 1]) < 16.0)]
    assert np.allclose(np.abs(neck[:, 1]), 15.0, atol=1e-6)
    assert view.canal_mm is not None
    assert view.canal_mm.shape == (18, 2)
    x, z = view.canal_mm.T
    area = 0.5 * abs(np.sum(x * np.roll(z, -1) - z * np.roll(x, -1)))
    assert area == pytest.approx(16.0 * 80.0)


def test_a_bare_reading_gets_an_assumed_outline_with_a_larger_error_and_says_so() -> None:
    full = drawn_pelvis()
    few = {"head_centre", "neck_axis_point", "shaft_proximal", "shaft_distal"}
    bare = dataclasses.replace(full, points={k: v for k, v in full.points.items() if k.split(".")[-1] in few})
    view = film_hip(bare, SCALE).ap
    assert view.outline_sd_mm == ASSUMED_NECK_SD_MM
    assert view.outline_sd_along_mm is not None
    assert view.outline_sd_along_mm.max() == ASSUMED_SD_MM
    assert any("usual proportion" in note for note in view.notes)
    assert np.isfinite(view.outer_mm).all()


def test_a_collapsed_dome_flattens_the_outline() -> None:
    reading = drawn_pelvis()
    axes = film_hip(reading, SCALE).ap.axes
    assert axes is not None
    sunk = np.array([(-8.0, 20.5), (0.0, 20.0), (8.0, 20.5)])
    flat = dataclasses.replace(reading, outlines={"right.collapse": axes.to_px(sunk)})
    before, after = film_hip(reading, SCALE).ap.outer_mm, film_hip(flat, SCALE).ap.outer_mm
    top = np.array([(0.0, 24.0)])
    assert distance_to_polyline(top, before)[0] < 0.05
    assert distance_to_polyline(top, after)[0] > 3.0


def test_a_smooth_curve_passes_through_its_knots_and_stays_straight_on_a_line() -> None:
    knots = np.array([(0.0, 0.0), (1.0, 0.0), (4.0, 0.0), (9.0, 0.0)])
    line = smooth_through(knots)
    assert np.allclose(line[:, 1], 0.0)
    assert (np.diff(line[:, 0]) > 0).all()
    bent = smooth_through(np.array([(0.0, 0.0), (5.0, 5.0), (10.0, 0.0)]))
    assert any(np.allclose(p, (5.0, 5.0)) for p in bent)


@pytest.mark.parametrize("name", ["alder", "birch", "cedar"])
def test_the_supplied_patients_become_hips(name: str) -> None:
    from .hips import perfect_reading

    truth = truth_of(name)
    side, mm = truth["side"], truth["film_measures"]["mm_per_pixel_at_head"]
    base = perfect_reading(truth)
    centre = base.points[f"{side}.head_centre"]
    reading = dataclasses.replace(base, circles={f"{side}.head": (*centre, truth["head_diameter_mm"] / 2 / mm)})
    hip = film_hip(reading, PlainScale(mm))
    assert 2 * hip.ap.head_radius_mm[0] == pytest.approx(truth["head_diameter_mm"])
    assert hip.ap.neck_axis[0, 0] > 0
    assert hip.ap.neck_axis[0, 1] > 0
    want = truth["film_measures"]["right_minus_left_mm"] * (1 if side == "right" else -1)
    assert hip.pelvis is not None
    assert hip.pelvis.leg_length_difference_mm is not None
    assert hip.pelvis.leg_length_difference_mm[0] == pytest.approx(want, abs=0.1)


def test_where_the_front_is_comes_from_the_reader_or_from_the_marks_and_must_agree() -> None:
    marked = lateral()
    assert np.allclose(lateral_axes(marked, Side.RIGHT), [[1, 0], [0, -1]])
    unmarked = dataclasses.replace(
        marked, points={k: v for k, v in marked.points.items() if "ior" not in k or "junction" in k}
    )
    with pytest.raises(TooFewError, match="which way the front is"):
        lateral_axes(unmarked, Side.RIGHT)
    assert np.allclose(lateral_axes(dataclasses.replace(unmarked, anterior="down"), Side.RIGHT), [[1, 0], [0, 1]])
    with pytest.raises(FrameError, match="contradicts itself"):
        lateral_axes(dataclasses.replace(marked, anterior="down"), Side.RIGHT)
    with pytest.raises(FrameError, match="the neck runs that way"):
        lateral_axes(dataclasses.replace(marked, anterior="left"), Side.RIGHT)


def test_a_lateral_film_that_cannot_be_used_is_left_out_and_says_why() -> None:
    hip = film_hip(drawn_pelvis(), SCALE, lateral(), None)
    assert hip.lateral is None
    assert "lateral film is not used" in hip.notes[0]
    assert "no scale" in hip.notes[0]


def test_a_hip_is_refused_without_scale_without_neck_or_on_the_wrong_side() -> None:
    full = drawn_pelvis()
    with pytest.raises(CalibrationError, match="needs millimetres"):
        film_hip(full, None)
    no_neck = dataclasses.replace(full, points={k: v for k, v in full.points.items() if "neck_axis" not in k})
    with pytest.raises(TooFewError, match="right neck axis point"):
        film_hip(no_neck, SCALE)
    with pytest.raises(TooFewError, match="head circle"):
        film_hip(dataclasses.replace(full, circles={}), SCALE)
    with pytest.raises(FrameError, match="lateral film was read as the right hip, but the left"):
        film_hip(full, SCALE, lateral(), SCALE, Side.LEFT)
    with pytest.raises(FrameError, match="Swap the two"):
        film_hip(lateral(), SCALE)
    with pytest.raises(FrameError, match="Choose the lateral"):
        film_hip(full, SCALE, full, SCALE)


def test_a_view_whose_draws_do_not_match_is_refused() -> None:
    view = film_hip(drawn_pelvis(), SCALE, n_draws=50).ap
    with pytest.raises(FrameError, match="one row a draw"):
        dataclasses.replace(view, head_radius_mm=view.head_radius_mm[:-1])
    with pytest.raises(FrameError, match="a point and an axis"):
        dataclasses.replace(view, shaft_axis=None)
    with pytest.raises(ValueError):
        view.outer_mm[0, 0] = 1.0


def test_a_hip_film_gives_a_hip_without_the_other_side() -> None:
    base = drawn_pelvis()
    keep = {"head_centre", "neck_axis_point", "shaft_proximal", "shaft_distal", "greater_trochanter"}
    points = {k: v for k, v in base.points.items() if k.startswith("right.") and k.split(".")[1] in keep}
    one = Reading(view=View.AP_HIP, side=Side.RIGHT, points=points, circles={"right.head": base.circles["right.head"]})
    hip = film_hip(one, SCALE)
    assert isinstance(hip.ap, FilmView)
    assert hip.pelvis is not None
    assert hip.pelvis.leg_length_difference_mm is None
    assert hip.pelvis.femoral_offset_mm is not None

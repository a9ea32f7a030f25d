"""A reading refuses what it cannot stand for, and its JSON reads back exactly."""

import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from headstock.anatomy import CIRCLES, LANDMARKS, OUTLINES, Reading, View, anterior_direction, landmarks_for
from headstock.errors import FrameError, HeadstockError, TooFewError
from headstock.frames import Side

from .hips import drawn_pelvis

GOOD = {"view": "ap_pelvis", "side": "right", "points": {"right.teardrop": [10.0, 20.5]}}


def test_every_landmark_has_a_picture_and_a_default_error_on_each_of_its_views() -> None:
    for landmark in LANDMARKS.values():
        assert landmark.default_sd_mm > 0
        assert landmark.between_reader_sd_mm > 0
        assert landmark.says.endswith(".")
        for view in landmark.views:
            x, y = landmark.picture(view)
            assert 0 < x < 1
            assert 0 < y < 1
    assert all(mark.views for mark in (*CIRCLES.values(), *OUTLINES.values()))


def test_a_landmark_is_not_shown_on_a_view_it_does_not_belong_to() -> None:
    with pytest.raises(FrameError, match="not placed on the lateral hip view"):
        LANDMARKS["teardrop"].picture(View.LATERAL_HIP)
    assert LANDMARKS["teardrop"] not in landmarks_for(View.LATERAL_HIP)


def test_component_edges_are_asked_for_on_later_films_only() -> None:
    first = {m.name for m in landmarks_for(View.AP_PELVIS)}
    later = {m.name for m in landmarks_for(View.AP_PELVIS, later_films=True)}
    assert "cup_rim_medial" in later - first


def test_json_reads_back_exactly() -> None:
    reading = drawn_pelvis(
        outlines={"right.lesion": [[1, 2], [3, 4.5], [5, 1]]},
        sd_px={"right.teardrop": 2.5},
        covariances_px={"right.head": np.diag([1.0, 2.0, 0.5])},
        signs={"crescent": True, "depression_mm": 1.5, "modality": "mri"},
        reader="second reader",
        film_sha256="ab" * 32,
    )
    again = Reading.from_json(json.dumps(reading.to_json()))
    assert again.to_json() == reading.to_json()
    assert again.points == reading.points


@settings(max_examples=40, deadline=None)
@given(
    st.sampled_from(sorted(LANDMARKS)),
    st.floats(-1e5, 1e5, allow_nan=False),
    st.floats(-1e5, 1e5, allow_nan=False),
    st.sampled_from(["left", "right"]),
)
def test_any_point_survives_the_round_trip(name: str, column: float, row: float, side: str) -> None:
    mark = LANDMARKS[name]
    view = sorted(mark.views)[0]
    full = f"{side}.{name}" if mark.sided else name
    reading = Reading(view=view, side=Side(side), points={full: (column, row)})
    assert Reading.from_json(json.dumps(reading.to_json())).points == {full: (column, row)}


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"points": {"right.teardrp": [1, 2]}}, "Did you mean teardrop"),
        ({"points": {"teardrop": [1, 2]}}, "must be given as right.teardrop or left.teardrop"),
        ({"points": {"right.pubic_symphysis": [1, 2]}}, "must be given as pubic_symphysis"),
        ({"points": {"R.teardrop": [1, 2]}}, "spelt left or right"),
        ({"points": {"right.teardrop": [1]}}, "a column and a row"),
        ({"points": {"right.teardrop": [1, None]}}, "a column and a row"),
        ({"points": {"right.teardrop": "12"}}, "a column and a row"),
        ({"points": {"right.teardrop": [1, float("nan")]}}, "a column and a row"),
        ({"points": {"right.neck_anterior": [1, 2]}}, "not placed on the AP pelvis view"),
        ({"points": [1, 2]}, "must be an object"),
        ({"view": "oblique"}, "must be one of ap_pelvis"),
        ({"side": "R"}, "must be one of left, right"),
        ({"circles": {"right.head": [1, 2, 0]}}, "more than zero"),
        ({"circles": {"head": [1, 2, 3]}}, "No circle is called"),
        ({"outlines": {"right.lesion": [[1, 2], [3, 4]]}}, "at least 3 points"),
        ({"outlines": {"right.lesion": [[1, 2], [3]]}}, "at least 3 points"),
        ({"outlines": {"right.lump": [[1, 2], [3, 4], [5, 6]]}}, "No outline is called"),
        ({"sd_px": {"left.teardrop": 2.0}}, "nothing of that name"),
        ({"sd_px": {"right.teardrop": -2.0}}, "zero or more"),
        ({"covariances_px": {"right.teardrop": [[1, 2], [2, 1]]}}, "negative variance"),
        ({"covariances_px": {"right.teardrop": [[1, 0, 0]]}}, "symmetric 2 × 2"),
        ({"signs": {"collapsed": True}}, "No sign is called"),
        ({"signs": {"crescent": "yes"}}, "it is bool"),
        ({"signs": {"depression_mm": -1}}, "it is number"),
        ({"anterior": "front"}, "up, down, left or right"),
        ({"columns_to_left": "yes"}, "true or false"),
        ({"colour": "red"}, "no field “colour”"),
        ({"headstock_reading": 99}, "reads form 1"),
    ],
)
def test_a_reading_refuses_and_says_what_to_do(change: dict[str, object], words: str) -> None:
    with pytest.raises(HeadstockError, match=words):
        Reading.from_json({**GOOD, **change})


def test_a_file_without_a_side_is_refused_because_a_side_cannot_be_guessed() -> None:
    with pytest.raises(FrameError, match="lacks side"):
        Reading.from_json({"view": "ap_pelvis", "points": {}})
    with pytest.raises(FrameError, match="not JSON"):
        Reading.from_json("view: ap")
    with pytest.raises(FrameError, match="one JSON object"):
        Reading.from_json("[1]")


def test_a_film_turned_over_is_refused_because_it_would_swap_the_hips() -> None:
    reading = drawn_pelvis()
    with pytest.raises(FrameError, match="turned over or the sides were mixed up"):
        Reading(view=reading.view, side=reading.side, points=reading.points, columns_to_left=False)


def test_a_reading_cannot_be_changed_after_it_was_made() -> None:
    reading = drawn_pelvis()
    with pytest.raises(TypeError):
        reading.points["right.teardrop"] = (0.0, 0.0)  # type: ignore[index]


def test_too_few_outline_points_are_named() -> None:
    with pytest.raises(TooFewError, match=r"right\.head"):
        Reading(view=View.AP_PELVIS, side=Side.RIGHT, points={}, outlines={"right.head": np.array([[1.0, 2.0]])})


def test_the_front_of_a_lateral_film_is_read_from_its_header() -> None:
    # DICOM PS3.3 C.7.6.1.1.1: direction of the columns, then of the rows.
    assert anterior_direction(("H", "P")) == "up"
    assert anterior_direction(("H", "A")) == "down"
    assert anterior_direction(("A", "F")) == "right"
    assert anterior_direction(("PL", "F")) == "left"
    assert anterior_direction(()) is None
    assert anterior_direction(("L", "F")) is None

"""Frames and sides. DICOM PS3.3 C.7.6.1.1.1 (Patient Orientation), C.7.6.2.1.1 (LPS)."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from headstock.frames import LPS_TO_HIP, Side, columns_point_left, film_to_image, image_to_film, medial_column_sign

COORD = st.floats(-4000, 4000, allow_nan=False)


def test_medial_is_toward_the_midline_on_both_sides_of_a_usual_film():
    # A usual AP film shows the patient's right on the picture's left, so the midline lies at larger columns for it.
    assert image_to_film([110.0, 50.0], [100.0, 50.0], 0.2, Side.RIGHT).tolist() == pytest.approx([2.0, 0.0])
    assert image_to_film([110.0, 50.0], [100.0, 50.0], 0.2, Side.LEFT).tolist() == pytest.approx([-2.0, 0.0])


def test_proximal_is_up_the_film():
    assert image_to_film([0.0, 40.0], [0.0, 50.0], 0.2, Side.LEFT)[1] == pytest.approx(2.0)


@given(COORD, COORD, st.floats(0.05, 0.5), st.sampled_from(list(Side)), st.booleans())
def test_film_and_image_frames_are_inverse(column, row, scale, side, to_left):
    there = image_to_film([column, row], [12.0, 34.0], scale, side, to_left)
    assert film_to_image(there, [12.0, 34.0], scale, side, to_left).tolist() == pytest.approx([column, row], abs=1e-6)


@given(COORD, COORD, st.booleans())
def test_mirroring_the_film_and_the_side_changes_nothing(column, row, to_left):
    one = image_to_film([column, row], [0.0, 0.0], 0.2, Side.LEFT, to_left)
    other = image_to_film([-column, row], [0.0, 0.0], 0.2, Side.RIGHT, to_left)
    assert one.tolist() == pytest.approx(other.tolist())


def test_the_hip_frame_is_right_handed_on_the_left_and_mirrored_on_the_right():
    assert np.linalg.det(LPS_TO_HIP[Side.LEFT]) == pytest.approx(1.0)
    assert np.linalg.det(LPS_TO_HIP[Side.RIGHT]) == pytest.approx(-1.0)
    # The patient's left is lateral on a left hip.
    assert (LPS_TO_HIP[Side.LEFT] @ [1.0, 0.0, 0.0])[0] == -1.0


@pytest.mark.parametrize(
    ("orientation", "expected"),
    [(("L", "F"), True), (("R", "F"), False), (("LA", "F"), True), (("H", "P"), None), ((), None)],
)
def test_the_header_says_where_columns_point_or_stays_silent(orientation, expected):
    assert columns_point_left(orientation) is expected


def test_a_film_seen_from_behind_reverses_medial():
    assert medial_column_sign(Side.RIGHT, True) == -medial_column_sign(Side.RIGHT, False)

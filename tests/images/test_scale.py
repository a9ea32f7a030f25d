"""Scale from every source: closed forms, what the intervals cover, order, contradictions, refusals."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from headstock.errors import CalibrationError
from headstock.images.film import FilmHeader
from headstock.images.projection import magnification, marker_size_error_percent
from headstock.images.scale import (
    BallMark,
    RulerMark,
    Scale,
    ScaleKind,
    ScaleSettings,
    TypedMagnification,
    candidates,
    contradictions,
    scale_from_ball,
    scale_from_calibrated_header,
    scale_from_detector,
    scale_from_ruler,
    scale_from_typed_magnification,
    settle,
    source_to_hip,
    spacing_refusal,
    square_points,
)

SETTINGS = ScaleSettings(
    marker_depth_sd_mm=15.0,
    hip_above_table_mm=100.0,
    hip_above_table_sd_mm=25.0,
    hip_above_detector_mm=180.0,
    hip_above_detector_sd_mm=30.0,
    assumed_source_detector_mm=1150.0,
    magnification_low=1.10,
    magnification_high=1.25,
    smallest_spacing_mm=0.02,
    largest_spacing_mm=0.9,
)
DX = FilmHeader(modality="DX", imager_pixel_spacing_mm=(0.25, 0.25), source_detector_mm=1150.0)
ORDER = ["ball", "ruler", "calibrated_header", "detector_and_distance", "typed_magnification", "none"]


def by_kind(header, **marks):
    return {c.kind: c for c in candidates(header, SETTINGS, **marks)}


# Ball and ruler


def test_a_ball_in_the_plane_of_the_hip_gives_the_scale_of_that_plane():
    m = magnification(1150, 180)
    scale = scale_from_ball(25 * m / 0.25, 0.0, 25.0, 970.0, 0.0, detector_spacing_mm=0.25)
    assert scale.mm_per_px == pytest.approx(0.25 / m)
    assert scale.magnification == pytest.approx(m)
    assert scale.sd_mm_per_px == 0.0


@given(st.floats(-60, 60), st.floats(800, 1200))
def test_a_ball_off_the_plane_errs_by_exactly_its_depth_over_the_distance(e_mm, sod_mm):
    image_px = 25 * (sod_mm + 180) / (sod_mm - e_mm) / 0.25
    truth = 0.25 * sod_mm / (sod_mm + 180)
    unknowing = scale_from_ball(image_px, 0.1, 25.0, sod_mm, 15.0)
    error_percent = 100 * (unknowing.mm_per_px / truth - 1)
    assert error_percent == pytest.approx(marker_size_error_percent(sod_mm, e_mm), abs=1e-9)
    knowing = scale_from_ball(image_px, 0.1, 25.0, sod_mm, 15.0, toward_source_mm=e_mm)
    assert knowing.mm_per_px == pytest.approx(truth)


def test_the_interval_holds_the_true_scale_for_nineteen_films_of_twenty():
    # 20,000 films whose balls lie off the plane by N(0, 15) mm and are read to 0.3 px: Monte Carlo error 0.15 %.
    rng = np.random.default_rng(5)
    sod, truth = 970.0, 0.25 * 970.0 / 1150.0
    held = 0
    for e, noise in rng.normal(0.0, [15.0, 0.3], (20_000, 2)):
        scale = scale_from_ball(25 * 1150 / (sod - e) / 0.25 + noise, 0.3, 25.0, sod, 15.0)
        m = scale.measured()
        held += m.low <= truth <= m.high
    assert held / 20_000 == pytest.approx(0.95, abs=0.005)


def test_depth_and_edge_errors_add_in_squares_and_are_both_named():
    scale = scale_from_ball(120.0, 1.2, 25.0, 1000.0, 15.0)
    assert dict(scale.parts) == pytest.approx({"edge of the ball": 1.0, "depth": 1.5})
    assert scale.sd_percent == pytest.approx(np.hypot(1.0, 1.5))


def test_a_deeper_uncertainty_is_a_wider_interval():
    narrow, wide = (scale_from_ball(120.0, 0.3, 25.0, 1000.0, sd).sd_percent for sd in (15.0, 30.0))
    assert wide == pytest.approx(2 * narrow, rel=0.02)


def test_the_stretching_of_a_ball_off_the_central_ray_is_taken_off():
    straight = scale_from_ball(120.0, 0.3, 25.0, 1000.0, 15.0)
    # 7 degrees: the long axis is 1/cos 7 = 1.0075 of the short one, a fitted circle half of that.
    stretched = scale_from_ball(
        120.0 * (1 + 1 / np.cos(np.radians(7.0))) / 2, 0.3, 25.0, 1000.0, 15.0, off_axis_deg=7.0
    )
    assert stretched.mm_per_px == pytest.approx(straight.mm_per_px)


def test_a_ruler_and_a_ball_of_the_same_length_agree():
    ball = scale_from_ball(240.0, 0.5, 50.0, 1000.0, 15.0, toward_source_mm=10.0)
    ruler = scale_from_ruler(240.0, 0.5, 50.0, 1000.0, 15.0, toward_source_mm=10.0)
    assert (ruler.mm_per_px, ruler.sd_percent) == pytest.approx((ball.mm_per_px, ball.sd_percent))
    assert ruler.kind is ScaleKind.RULER


@given(st.floats(0.1, 20.0))
def test_the_unit_of_the_marker_cancels(factor):
    a = scale_from_ruler(240.0, 0.5, 50.0, 1000.0, 15.0)
    b = scale_from_ruler(240.0 * factor, 0.5 * factor, 50.0, 1000.0, 15.0)
    assert b.mm_per_px * factor == pytest.approx(a.mm_per_px)
    assert b.sd_percent == pytest.approx(a.sd_percent)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"diameter_px": 0.0}, "size on the film"),
        ({"diameter_mm": -25.0}, "true size"),
        ({"source_hip_mm": 0.0}, "source to hip"),
        ({"sd_px": -1.0}, "cannot be negative"),
        ({"depth_error_sd_mm": float("nan")}, "error of its depth"),
        ({"toward_source_mm": 900.0}, "nearer to a source"),
        ({"sd_px": 80.0}, "too uncertain"),
    ],
)
def test_a_marker_that_cannot_be_is_refused(change, words):
    given_ = {
        "diameter_px": 120.0,
        "sd_px": 0.3,
        "diameter_mm": 25.0,
        "source_hip_mm": 970.0,
        "depth_error_sd_mm": 15.0,
    }
    with pytest.raises(CalibrationError, match=words):
        scale_from_ball(**(given_ | change))


# What the header may and may not give


@pytest.mark.parametrize(
    ("spacing", "words"),
    [
        ((0.0, 0.0), "never filled in"),
        ((0.25, 0.0), "never filled in"),
        ((-0.25, -0.25), "negative"),
        ((1.0, 1.0), "filler of converting programs"),
        ((25.4 / 96, 25.4 / 96), "96 dots per inch"),
        ((0.352778, 0.352778), "72 dots per inch"),
        ((2.26, 2.26), "film detectors have"),
        ((0.001, 0.001), "film detectors have"),
        ((0.1, 0.4), "oblong"),
        ((float("nan"), 0.2), "not a number"),
    ],
)
def test_a_spacing_that_cannot_be_true_is_refused_with_the_reason(spacing, words):
    assert words in spacing_refusal(spacing, SETTINGS)
    header = FilmHeader(modality="DX", pixel_spacing_mm=spacing, pixel_spacing_calibration_type="FIDUCIAL")
    assert words in by_kind(header)[ScaleKind.CALIBRATED_HEADER].refused
    header = replace(DX, imager_pixel_spacing_mm=spacing)
    assert words in by_kind(header)[ScaleKind.DETECTOR_AND_DISTANCE].refused
    typed = by_kind(header, typed=TypedMagnification(1.2, 0.03))[ScaleKind.TYPED_MAGNIFICATION]
    assert typed.scale is None
    assert words in typed.refused


@pytest.mark.parametrize("spacing", [(0.143, 0.143), (0.1, 0.1), (0.2, 0.2), (0.168, 0.148)])
def test_spacings_of_film_detectors_are_believed(spacing):
    assert spacing_refusal(spacing, SETTINGS) is None


def test_detector_spacing_alone_is_never_millimetres_in_the_patient():
    found = by_kind(FilmHeader(modality="DX", imager_pixel_spacing_mm=(0.25, 0.25)))
    assert all(c.scale is None for c in found.values())
    assert "never millimetres in the patient" in found[ScaleKind.DETECTOR_AND_DISTANCE].refused
    assert settle(tuple(found.values()), 3.0) is None


def test_a_spacing_equal_to_the_detectors_is_not_at_the_patient_whatever_it_calls_itself():
    for kind in ("", "GEOMETRY", "FIDUCIAL"):
        header = replace(DX, pixel_spacing_mm=(0.25, 0.25), pixel_spacing_calibration_type=kind)
        assert "same as at the detector" in by_kind(header)[ScaleKind.CALIBRATED_HEADER].refused


def test_a_spacing_without_type_and_without_another_to_compare_is_refused():
    header = FilmHeader(modality="CR", pixel_spacing_mm=(0.15, 0.15))
    assert "does not say whether" in by_kind(header)[ScaleKind.CALIBRATED_HEADER].refused


def test_a_spacing_larger_than_the_detectors_cannot_be_magnified():
    header = replace(DX, pixel_spacing_mm=(0.3, 0.3), pixel_spacing_calibration_type="GEOMETRY")
    assert "cannot be" in by_kind(header)[ScaleKind.CALIBRATED_HEADER].refused


@pytest.mark.parametrize(
    ("kind", "sd_mm", "words"),
    [("FIDUCIAL", 15.0, "known size"), ("GEOMETRY", 30.0, "magnification"), ("", 30.0, "unstated")],
)
def test_a_calibrated_spacing_carries_the_depth_error_of_its_kind(kind, sd_mm, words):
    header = replace(DX, pixel_spacing_mm=(0.21, 0.21), pixel_spacing_calibration_type=kind)
    scale = scale_from_calibrated_header(header, SETTINGS)
    assert scale.mm_per_px == 0.21
    assert scale.sd_percent == pytest.approx(100 * sd_mm / 970)
    assert scale.magnification == pytest.approx(0.25 / 0.21)
    assert words in scale.source


def test_distances_alone_put_the_hip_at_the_stated_height_above_the_detector():
    scale = by_kind(DX)[ScaleKind.DETECTOR_AND_DISTANCE].scale
    assert scale.mm_per_px == pytest.approx(0.25 / magnification(1150, 180))
    assert scale.sd_percent == pytest.approx(100 * 30 / 970)


@pytest.mark.parametrize(
    "stated", [{"estimated_magnification": 1150 / 1070}, {"source_patient_mm": 1070.0}], ids=["factor", "distances"]
)
def test_a_digital_radiographs_factor_reaches_to_the_table_and_the_hip_lies_above_it(stated):
    where = source_to_hip(replace(DX, **stated), SETTINGS)
    assert where.magnification_known
    assert where.source_hip_mm == pytest.approx(970.0)
    assert "table" in where.in_words
    elsewhere = source_to_hip(replace(DX, modality="RF", **stated), SETTINGS)
    assert elsewhere.source_hip_mm == pytest.approx(1070.0)
    assert "middle of the patient" in elsewhere.in_words


def test_a_factor_without_distances_uses_the_assumed_distance_and_says_so():
    where = source_to_hip(replace(DX, source_detector_mm=None, estimated_magnification=1.1), SETTINGS)
    assert where.magnification_known
    assert where.source_hip_mm == pytest.approx(1150 / 1.1 - 100)
    assert "assumed" in where.in_words


@pytest.mark.parametrize(
    ("stated", "words"),
    [
        ({"estimated_magnification": 1.0}, "that of the detector itself"),
        ({"estimated_magnification": 0.0}, "magnification factor is 0"),
        ({"source_patient_mm": 1200.0}, "does not fit"),
        ({"source_patient_mm": 0.0}, "does not fit"),
        ({"source_detector_mm": 0.0}, "source-to-detector distance is 0"),
        ({"source_detector_mm": 115.0}, "too short to be true"),
    ],
)
def test_an_entry_that_cannot_be_is_left_out_and_named(stated, words):
    where = source_to_hip(replace(DX, **stated), SETTINGS)
    assert words in " ".join(where.cautions)
    assert where.source_hip_mm == pytest.approx(970.0)
    if "source_detector_mm" in stated:
        assert not where.magnification_known


def test_disagreeing_factor_and_distances_are_named():
    where = source_to_hip(replace(DX, estimated_magnification=1.2, source_patient_mm=1070.0), SETTINGS)
    assert "disagree" in " ".join(where.cautions)


def test_a_typed_magnification_divides_the_detectors_spacing():
    scale = scale_from_typed_magnification(1.2, 0.03, (0.25, 0.25), SETTINGS)
    assert scale.mm_per_px == pytest.approx(0.25 / 1.2)
    assert scale.sd_percent == pytest.approx(2.5)


@pytest.mark.parametrize(
    ("m", "sd", "words"),
    [(1.0, 0.03, "above 1"), (115.0, 0.03, "1.15 for 115"), (0.8, 0.03, "above 1"), (1.2, 0.0, "known exactly")],
)
def test_a_typed_magnification_that_cannot_be_is_refused(m, sd, words):
    with pytest.raises(CalibrationError, match=words):
        scale_from_typed_magnification(m, sd, (0.25, 0.25), SETTINGS)


def test_a_scanned_film_has_its_scanners_spacing_at_the_detector():
    header = FilmHeader(nominal_scanned_pixel_spacing_mm=(0.175, 0.175))
    scale = by_kind(header, typed=TypedMagnification(1.2, 0.03))[ScaleKind.TYPED_MAGNIFICATION].scale
    assert scale.mm_per_px == pytest.approx(0.175 / 1.2)


def test_a_typed_magnification_needs_a_spacing():
    found = by_kind(FilmHeader(), typed=TypedMagnification(1.2, 0.03))
    assert "needs the spacing at the detector" in found[ScaleKind.TYPED_MAGNIFICATION].refused


# All together


def test_candidates_come_in_the_order_of_belief_and_none_is_left_out():
    assert [c.kind.value for c in candidates(DX, SETTINGS)] == ORDER
    for found in candidates(DX, SETTINGS):
        assert found.in_words
        assert (found.scale is None) == (found.refused is not None) or found.kind is ScaleKind.NONE


def test_a_ball_on_the_film_is_believed_before_the_header_and_explains_its_depth():
    found = candidates(DX, SETTINGS, ball=BallMark(119.0, 0.3, 25.0))
    scale = settle(found, 3.0)
    assert scale.kind is ScaleKind.BALL
    assert "each have a depth" in found[0].in_words
    assert "970 mm" in found[0].in_words


def test_without_a_mark_the_header_is_used_where_it_states_the_depth_and_without_a_header_nothing():
    for stated in ({"estimated_magnification": 1.06}, {"source_patient_mm": 1080.0}):
        (header,) = (c for c in candidates(replace(DX, **stated), SETTINGS) if c.scale is not None)
        assert not header.assumed
        assert settle(candidates(replace(DX, **stated), SETTINGS), 3.0) == header.scale
    assert settle(candidates(FilmHeader(), SETTINGS), 3.0) is None


def test_a_depth_that_nobody_stated_is_offered_and_measures_nothing_before_it_is_chosen():
    found = candidates(DX, SETTINGS)
    (offered,) = (c for c in found if c.scale is not None)
    assert (offered.kind, offered.assumed) == (ScaleKind.DETECTOR_AND_DISTANCE, True)
    assert "used only when a reader chooses it" in offered.in_words
    assert settle(found, 3.0) is None
    assert settle(found, 3.0, ScaleKind.DETECTOR_AND_DISTANCE) == offered.scale
    ball = candidates(DX, SETTINGS, ball=BallMark(117.0, 0.3, 25.0))
    assert settle(ball, 10.0).kind is ScaleKind.BALL


def test_contradicting_sources_stand_side_by_side_until_the_reader_chooses():
    header = replace(DX, pixel_spacing_mm=(0.24, 0.24), pixel_spacing_calibration_type="GEOMETRY")
    found = candidates(header, SETTINGS, ball=BallMark(119.0, 0.3, 25.0), ruler=RulerMark(238.0, 0.5, 50.0))
    pairs = {(c.first.value, c.second.value): c for c in contradictions(found, 5.0)}
    assert set(pairs) == {
        ("ball", "calibrated_header"),
        ("ruler", "calibrated_header"),
        ("calibrated_header", "detector_and_distance"),
    }
    first = pairs["ball", "calibrated_header"]
    assert first.difference_percent == pytest.approx(100 * (0.24 / (25 / 119) - 1))
    assert "0.2101 mm/px" in first.in_words
    assert "0.2400 mm/px" in first.in_words
    assert "explain only" in first.in_words
    with pytest.raises(CalibrationError, match="contradict each other"):
        settle(found, 5.0)
    assert settle(found, 5.0, ScaleKind.CALIBRATED_HEADER).mm_per_px == 0.24
    assert settle(found, 5.0, ScaleKind.NONE) is None
    with pytest.raises(CalibrationError, match="gives no scale"):
        settle(found, 5.0, ScaleKind.TYPED_MAGNIFICATION)


def test_the_limit_decides_what_contradicts():
    found = candidates(DX, SETTINGS, typed=TypedMagnification(1.25, 0.03))
    percent = 100 * abs(magnification(1150, 180) / 1.25 - 1)
    assert contradictions(found, percent + 0.01) == ()
    assert len(contradictions(found, percent - 0.01)) == 1


def test_an_unusual_magnification_is_a_caution_and_not_a_refusal():
    found = by_kind(DX, ball=BallMark(99.0, 0.3, 25.0))[ScaleKind.BALL]  # 0.25 / (25/99) = 0.99: no ball lies there
    assert found.scale is not None
    assert "outside the usual 1.1 to 1.25" in found.cautions[0]
    assert by_kind(DX, ball=BallMark(119.0, 0.3, 25.0))[ScaleKind.BALL].cautions == ()


# The value itself


def test_row_zero_of_the_draws_is_the_scale_and_the_rest_has_its_sd():
    scale = Scale(0.21, 0.0042, ScaleKind.BALL, "a test")
    drawn = scale.draws(np.random.default_rng(1), 20_000)
    assert drawn.shape == (20_001,)
    assert drawn[0] == 0.21
    assert drawn[1:].std() == pytest.approx(0.0042, rel=0.02)
    np.testing.assert_array_equal(drawn, scale.draws(np.random.default_rng(1), 20_000))
    m = scale.measured()
    assert (m.low, m.high) == pytest.approx((0.21 - 1.96 * 0.0042, 0.21 + 1.96 * 0.0042), abs=1e-6)
    assert m.unit == "mm/px"


def test_pixels_that_are_not_square_keep_angles_true_after_squaring():
    header = replace(DX, imager_pixel_spacing_mm=(0.3, 0.2))
    scale = by_kind(header)[ScaleKind.DETECTOR_AND_DISTANCE].scale
    assert scale.row_factor == pytest.approx(1.5)
    corner = square_points([[0, 0], [30, 0], [30, 20]], scale.row_factor)  # 6 mm across, 6 mm down at the detector
    assert np.degrees(np.arctan2(*(corner[2] - corner[0])[::-1])) == pytest.approx(45.0)


def test_a_scale_that_cannot_be_is_refused():
    with pytest.raises(CalibrationError, match="cannot be"):
        Scale(0.0, 0.0, ScaleKind.BALL, "a test")
    with pytest.raises(CalibrationError, match="as high as wide"):
        Scale(0.2, 0.001, ScaleKind.BALL, "a test", row_factor=0.0)


def test_detector_geometry_that_is_only_assumed_gives_no_scale():
    where = source_to_hip(FilmHeader(modality="DX"), SETTINGS)
    with pytest.raises(CalibrationError, match="never millimetres"):
        scale_from_detector((0.25, 0.25), where, SETTINGS)

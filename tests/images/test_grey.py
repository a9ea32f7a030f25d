"""From values to what is seen: the standard's formulas, pixel for pixel against dcm2pnm, invariance, refusal."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from PIL import Image
from pydicom.dataset import Dataset
from pydicom.pixels.processing import apply_windowing

from headstock.errors import ImageError
from headstock.images.film import Film, FilmHeader, VoiTable, VoiWindow
from headstock.images.grey import apply_voi, bright_is_dense, full_range, presentation, shown_uint16
from headstock.images.read import read_film


def film(values, **more):
    given_ = {"photometric": "MONOCHROME2", "quantum": 1.0} | more
    return Film(np.asarray(values, np.float32), FilmHeader(), "0" * 64, "0" * 64, **given_)


# The formulas


def test_a_linear_window_meets_the_values_the_standard_tells():
    # PS3.3 C.11.2.1.2.1, note: centre 2048, width 4096 takes 0 to black and 4095 to white and changes nothing between.
    x = np.array([-5.0, 0.0, 1.0, 2047.0, 4095.0, 5000.0])
    np.testing.assert_allclose(
        apply_voi(x, VoiWindow(2048, 4096)), np.array([0, 0, 1, 2047, 4095, 4095]) / 4095, atol=1e-6
    )


def test_a_linear_window_of_width_one_is_a_threshold():
    # The same note: centre C, width 1: below or at C - 0.5 black, above white.
    np.testing.assert_array_equal(apply_voi(np.array([9.4, 9.5, 9.6]), VoiWindow(10, 1)), [0, 0, 1])


def test_an_exact_window_reaches_black_and_white_at_half_its_width():
    # PS3.3 C.11.2.1.3.2.
    x = np.array([49.0, 50.0, 75.0, 100.0, 150.0, 151.0])
    np.testing.assert_allclose(apply_voi(x, VoiWindow(100, 100, "LINEAR_EXACT")), [0, 0, 0.25, 0.5, 1, 1], atol=1e-6)


def test_a_sigmoid_has_its_middle_at_the_centre_and_its_slope_from_the_width():
    # PS3.3 C.11.2.1.3.1: y = 1 / (1 + exp(-4 (x - c) / w)); the slope at the centre is 1 / w.
    window = VoiWindow(1000, 400, "SIGMOID")
    assert float(apply_voi(np.array([1000.0]), window)[0]) == pytest.approx(0.5)
    low, high = apply_voi(np.array([999.0, 1001.0]), window)
    assert (high - low) / 2 == pytest.approx(1 / 400, rel=1e-3)
    ends = apply_voi(np.array([-1e7, 1e7]), window)
    np.testing.assert_allclose(ends, [0, 1], atol=1e-6)


@given(
    st.sampled_from(["LINEAR", "LINEAR_EXACT", "SIGMOID"]),
    st.floats(-500, 5000),
    st.floats(1.5, 6000),
    hnp.arrays(np.int16, 20, elements=st.integers(-2000, 6000)),
)
def test_windows_agree_with_an_independent_implementation(function, centre, width, values):
    ds = Dataset()
    ds.PhotometricInterpretation = "MONOCHROME2"
    ds.WindowCenter, ds.WindowWidth = f"{centre:.9g}", f"{width:.9g}"
    ds.VOILUTFunction = function
    ds.BitsStored, ds.PixelRepresentation = 16, 1
    with np.errstate(over="ignore"):  # theirs lets exp overflow far outside a narrow sigmoid
        theirs = (apply_windowing(values, ds) + 32768.0) / 65535.0
    ours = apply_voi(values.astype(np.float32), VoiWindow(float(ds.WindowCenter), float(ds.WindowWidth), function))
    np.testing.assert_allclose(ours, theirs, atol=2e-3 if width < 10 else 2e-4)  # float32 against double


def test_a_table_holds_its_ends_beyond_them():
    table = VoiTable(100, np.array([0.1, 0.5, 0.9], np.float32))
    np.testing.assert_allclose(apply_voi(np.array([-3.0, 100, 101, 102, 900]), table), [0.1, 0.1, 0.5, 0.9, 0.9])


@pytest.mark.parametrize(
    ("width", "function"), [(0.5, "LINEAR"), (0.0, "LINEAR_EXACT"), (-1.0, "SIGMOID"), (float("nan"), "LINEAR")]
)
def test_a_window_without_width_is_refused(width, function):
    with pytest.raises(ImageError, match="has no meaning"):
        VoiWindow(100, width, function)


# Pixel for pixel against dcmtk's dcm2pnm


def assert_cut_off(levels, theirs):
    """`theirs` is `levels` (0..1) in 256 steps with the fraction cut off, as dcm2pnm does it.

    A level within 1e-4 of a whole step may fall to either side: float32 here, double there.
    """
    over = levels.astype(np.float64) * 255 - theirs
    assert over.min() >= -1e-4
    assert over.max() <= 1 + 1e-4


@pytest.mark.parametrize(
    ("name", "option"),
    [
        ("RG1_UNCR.dcm", ("+Wi", "1")),  # MONOCHROME1, 15 bits, a window
        ("RG3_UNCR.dcm", ("+Wi", "1")),  # MONOCHROME1, 10 bits, a window
        ("vlut_04.dcm", ("+Wl", "1")),  # a VOI LUT
    ],
)
def test_a_film_is_shown_as_dcm2pnm_shows_it(run, public_file, tmp_path, name, option):
    path = public_file(name)
    run("dcm2pnm", "-q", *option, "+on", path, tmp_path / "theirs.png")
    theirs = np.asarray(Image.open(tmp_path / "theirs.png"))
    assert_cut_off(presentation(read_film(Path(path).read_bytes())), theirs)


def test_a_modality_table_is_applied_as_dcm2pnm_applies_it(run, public_file, tmp_path):
    path = public_file("mlut_18.dcm")
    run("dcm2pnm", "-q", "-W", "+on2", path, tmp_path / "theirs.png")
    theirs = np.asarray(Image.open(tmp_path / "theirs.png"))
    whole = VoiWindow(65535 / 2, 65535, "LINEAR_EXACT")
    ours = np.rint(presentation(read_film(Path(path).read_bytes()), whole) * 65535).astype(np.uint16)
    np.testing.assert_array_equal(ours, theirs)


@pytest.mark.parametrize("function", ["LINEAR", "SIGMOID"])
@pytest.mark.parametrize("photometric", ["MONOCHROME1", "MONOCHROME2"])
def test_rescale_then_window_then_polarity_is_the_order_of_dcm2pnm(run, make_film, tmp_path, function, photometric):
    data = make_film(
        form={"photometric": photometric},
        RescaleSlope="2",
        RescaleIntercept="-1000",
        WindowCenter="3000",
        WindowWidth="2500",
        VOILUTFunction=function,
    )
    (tmp_path / "film.dcm").write_bytes(data)
    run("dcm2pnm", "-q", "+Wi", "1", "+on", tmp_path / "film.dcm", tmp_path / "theirs.png")
    assert_cut_off(presentation(read_film(data)), np.asarray(Image.open(tmp_path / "theirs.png")))


# Polarity and ranges


def test_the_smallest_value_is_white_in_monochrome1_and_black_in_monochrome2():
    values = [[0.0, 100.0]]
    np.testing.assert_array_equal(presentation(film(values)), [[0, 1]])
    np.testing.assert_array_equal(presentation(film(values, photometric="MONOCHROME1")), [[1, 0]])


def test_inverting_twice_changes_nothing_and_once_turns_everything_over():
    for photometric in ("MONOCHROME1", "MONOCHROME2"):
        shown = film(np.arange(12.0).reshape(3, 4), photometric=photometric)
        np.testing.assert_allclose(presentation(shown, invert=True), 1 - presentation(shown), atol=1e-6)


def test_a_typed_window_takes_the_place_of_the_films_own():
    shown = film(np.arange(12.0).reshape(3, 4), voi=(VoiWindow(6, 12, "LINEAR_EXACT"),))
    np.testing.assert_allclose(presentation(shown)[0, 3], 0.25, atol=1e-6)
    np.testing.assert_allclose(presentation(shown, VoiWindow(3, 6, "LINEAR_EXACT"))[0, 3], 0.5, atol=1e-6)


def test_pixels_outside_the_image_do_not_set_the_range():
    shown = film([[-2000.0, 10.0, 20.0]], padding=(-2000.0, -2000.0))
    window = full_range(shown)
    assert (window.centre, window.width) == (15.0, 10.0)
    assert full_range(replace(shown, padding=None)).width == 2020.0


def test_an_even_grey_film_can_still_be_shown():
    levels = presentation(film(np.full((3, 3), 7.0)))
    assert np.isfinite(levels).all()
    stored, slope, intercept = shown_uint16(film(np.full((3, 3), 7.0)))
    np.testing.assert_array_equal(stored * slope + intercept, 7.0)


@given(
    st.sampled_from([(0, 255), (0, 4095), (-2048, 2047), (0, 65535), (-32768, 32767)]),
    st.sampled_from([(1.0, 0.0), (2.0, -1000.0), (0.25, 3.0), (-1.0, 4095.0)]),
    st.integers(0, 2**31),
)
def test_the_viewers_form_gives_every_value_back(ends, rescale, seed):
    stored = np.random.default_rng(seed).integers(ends[0], ends[1] + 1, (7, 9))
    slope, intercept = rescale
    values = (stored * slope + intercept).astype(np.float32)
    shown, a, b = shown_uint16(film(values, quantum=abs(slope)))
    assert shown.dtype == np.uint16
    np.testing.assert_array_equal((shown * a + b).astype(np.float32), values)


def test_values_without_a_step_are_kept_to_half_a_step_of_the_range():
    values = np.random.default_rng(2).normal(100, 30, (50, 50)).astype(np.float32)
    shown, a, b = shown_uint16(film(values, quantum=None))
    assert np.abs(shown * a + b - values).max() <= 0.5 * a * 1.01  # 1 %: float32 of the values against the step


def test_bone_is_bright_in_both_polarities_and_turned_by_hand_in_a_negative():
    bone_high = film([[10.0, 250.0]])
    bone_low = film([[250.0, 10.0]], photometric="MONOCHROME1")
    np.testing.assert_array_equal(bright_is_dense(bone_high), bright_is_dense(bone_low))
    np.testing.assert_array_equal(bright_is_dense(bone_high, inverted=True), [[250.0, 10.0]])
    np.testing.assert_array_equal(bright_is_dense(bone_low, inverted=True), [[250.0, 10.0]])


def test_a_films_values_cannot_be_changed_by_accident():
    with pytest.raises(ValueError, match="read-only"):
        film([[1.0]]).values[0, 0] = 2.0
    with pytest.raises(ImageError, match="one plane"):
        Film(np.zeros((2, 2, 2), np.float32), FilmHeader(), "", "", "MONOCHROME2")

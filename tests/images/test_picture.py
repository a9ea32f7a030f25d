"""JPEG, PNG and TIFF pictures of films."""

from io import BytesIO

import numpy as np
import pytest
import tifffile
from PIL import Image

from headstock.errors import ImageError
from headstock.images.limits import ReadLimits
from headstock.images.read import read_film, read_frames

GREY8 = np.random.default_rng(3).integers(0, 256, (40, 30)).astype(np.uint8)
GREY16 = np.random.default_rng(4).integers(0, 65536, (40, 30)).astype(np.uint16)


def packed(pixels, kind, **options):
    out = BytesIO()
    Image.fromarray(pixels).save(out, kind, **options)
    return out.getvalue()


def tiff(pixels, **options):
    out = BytesIO()
    tifffile.imwrite(out, pixels, **options)
    return out.getvalue()


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        (packed(GREY8, "PNG"), GREY8),
        (packed(GREY16, "PNG"), GREY16),
        (packed(np.repeat(GREY8[..., None], 3, 2), "PNG"), GREY8),
        (packed(GREY8, "TIFF"), GREY8),
        (packed(GREY8, "TIFF", compression="tiff_lzw"), GREY8),
        (packed(GREY16, "TIFF", compression="tiff_lzw"), GREY16),
        (packed(GREY8, "TIFF", compression="tiff_deflate"), GREY8),
        (packed(GREY8, "TIFF", compression="packbits"), GREY8),
        (tiff(GREY16, photometric="minisblack"), GREY16),
        (tiff(GREY16, photometric="minisblack", byteorder=">"), GREY16),
        (tiff(GREY16, photometric="minisblack", bigtiff=True), GREY16),
        (tiff(GREY16, photometric="minisblack", tile=(16, 16)), GREY16),
        (tiff(GREY16, photometric="miniswhite"), 65535 - GREY16),
        (tiff(np.repeat(GREY8[..., None], 3, 2), photometric="rgb", planarconfig="contig"), GREY8),
    ],
    ids=lambda v: None,
)
def test_a_lossless_picture_keeps_every_value(data, expected):
    film = read_film(data)
    np.testing.assert_array_equal(film.values, expected)
    assert film.photometric == "MONOCHROME2"
    assert film.header.is_picture
    assert film.pixel_aspect == 1.0
    assert "patient, side, date or scale" in film.notes[0]


def test_a_jpeg_is_near_its_original_and_said_to_be_lossy():
    smooth = np.tile(np.linspace(0, 255, 64).astype(np.uint8), (64, 1))
    film = read_film(packed(smooth, "JPEG", quality=95))
    assert np.abs(film.values - smooth).max() <= 4
    assert film.lossy


def test_a_cameras_rotation_is_applied():
    exif = Image.Exif()
    exif[0x0112] = 6  # turn a quarter clockwise to see it upright (Exif 2.3, Orientation)
    film = read_film(packed(np.repeat(GREY8[..., None], 3, 2), "PNG", exif=exif.tobytes()))
    np.testing.assert_array_equal(film.values, np.rot90(GREY8, -1))


def test_the_printing_resolution_of_a_picture_is_no_scale():
    header = read_film(packed(GREY8, "PNG", dpi=(300, 300))).header
    assert header.pixel_spacing_mm is None
    assert header.imager_pixel_spacing_mm is None


def test_transparency_and_palettes_do_not_change_the_grey():
    with_alpha = np.dstack([np.repeat(GREY8[..., None], 3, 2), np.full_like(GREY8, 255)])
    np.testing.assert_array_equal(read_film(packed(with_alpha, "PNG")).values, GREY8)
    out = BytesIO()
    Image.fromarray(GREY8).convert("P").save(out, "PNG")
    np.testing.assert_array_equal(read_film(out.getvalue()).values, GREY8)


def test_a_black_and_white_scan_has_two_values():
    out = BytesIO()
    Image.fromarray(GREY8 > 100).save(out, "PNG")
    assert set(np.unique(read_film(out.getvalue()).values)) == {0.0, 1.0}


def test_the_first_page_of_several_is_taken():
    np.testing.assert_array_equal(
        read_film(tiff(np.stack([GREY8, 255 - GREY8]), photometric="minisblack")).values, GREY8
    )
    assert len(list(read_frames(packed(GREY8, "PNG")))) == 1


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF"])
@pytest.mark.parametrize("share", [0.02, 0.5])
def test_a_picture_cut_short_is_refused(kind, share):
    data = packed(GREY8, kind)
    with pytest.raises(ImageError, match=f"{kind} picture is damaged or cut short"):
        read_film(data[: max(int(len(data) * share), 10)])


def test_a_picture_beyond_the_bound_is_refused():
    for kind in ("PNG", "TIFF"):
        with pytest.raises(ImageError, match="megapixels"):
            read_film(packed(GREY8, kind), limits=ReadLimits(megapixels=0.001))


def test_floating_values_are_refused():
    with pytest.raises(ImageError, match="float32 values"):
        read_film(tiff(GREY8.astype(np.float32), photometric="minisblack"))

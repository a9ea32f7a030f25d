"""Reading a film: every compression, depth and colour model, and what stands in the way of reading one."""

import warnings
import zlib
from datetime import date
from io import BytesIO
from pathlib import Path

import numpy as np
import pydicom
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydicom.dataset import Dataset
from pydicom.encaps import encapsulate
from pydicom.sequence import Sequence
from pydicom.uid import JPEG2000Lossless, JPEGLSLossless, RLELossless

from headstock.errors import ImageError
from headstock.frames import Side
from headstock.images._codestream import codestream_size
from headstock.images.film import VoiTable, VoiWindow
from headstock.images.limits import ReadLimits
from headstock.images.read import read_dataset, read_film, read_frames
from headstock.images.write import DxFacts, write_dx


def saved(ds):
    out = BytesIO()
    ds.save_as(out, enforce_file_format=True)
    return out.getvalue()


# Compression: what dcmtk and others packed comes out as it went in


@pytest.mark.parametrize(
    ("program", "options"),
    [
        ("dcmconv", ("+ti",)),  # implicit little endian
        ("dcmconv", ("+tb",)),  # explicit big endian
        ("dcmconv", ("+td",)),  # deflated
        ("dcmconv", ("-F", "+ti")),  # without preamble and meta group
        ("dcmconv", ("-F", "+te")),  # codespell:ignore te
        ("dcmcjpeg", ("+e1",)),  # JPEG lossless, first-order prediction
        ("dcmcjpeg", ("+el",)),  # JPEG lossless
        ("dcmcrle", ()),
        ("dcmcjpls", ()),  # JPEG-LS lossless
    ],
)
def test_a_lossless_form_gives_every_pixel_back(run, make_film, plain_pixels, tmp_path, program, options):
    (tmp_path / "plain.dcm").write_bytes(make_film())
    run(program, *options, tmp_path / "plain.dcm", tmp_path / "packed.dcm")
    film = read_film((tmp_path / "packed.dcm").read_bytes())
    np.testing.assert_array_equal(film.values, plain_pixels)
    assert film.pixels_sha256 == read_film(make_film()).pixels_sha256
    assert film.content_sha256 != read_film(make_film()).content_sha256
    assert not film.lossy


@pytest.mark.parametrize("syntax", [JPEG2000Lossless, JPEGLSLossless, RLELossless], ids=lambda u: u.name)
def test_what_the_openjpeg_and_charls_encoders_packed_comes_out_again(make_film, plain_pixels, syntax):
    ds = pydicom.dcmread(BytesIO(make_film()))
    ds.compress(syntax)
    np.testing.assert_array_equal(read_film(saved(ds)).values, plain_pixels)


@pytest.mark.parametrize("option", ["+ee", "+es", "+ep"], ids=["extended", "spectral selection", "full progression"])
def test_lossy_jpeg_with_twelve_bits_decodes_as_dcmdjpeg_decodes_it(run, make_film, plain_pixels, tmp_path, option):
    (tmp_path / "plain.dcm").write_bytes(make_film())
    run("dcmcjpeg", option, tmp_path / "plain.dcm", tmp_path / "packed.dcm")
    run("dcmdjpeg", tmp_path / "packed.dcm", tmp_path / "theirs.dcm")
    film = read_film((tmp_path / "packed.dcm").read_bytes())
    np.testing.assert_array_equal(film.values, pydicom.dcmread(tmp_path / "theirs.dcm").pixel_array)
    # It was lossy; dcmcjpeg also moves the smallest value to zero.
    assert 0 < np.ptp(film.values - plain_pixels) < 200
    assert film.lossy


def test_near_lossless_jpeg_ls_stays_within_its_deviation(run, make_film, plain_pixels, tmp_path):
    (tmp_path / "plain.dcm").write_bytes(make_film())
    run("dcmcjpls", "+en", "+md", "3", tmp_path / "plain.dcm", tmp_path / "packed.dcm")
    film = read_film((tmp_path / "packed.dcm").read_bytes())
    assert 0 < np.abs(film.values - plain_pixels).max() <= 3


@pytest.mark.parametrize(
    ("packed", "plain"),
    [("RG1_J2KR.dcm", "RG1_UNCR.dcm"), ("RG3_J2KR.dcm", "RG3_UNCR.dcm"), ("RG3_J2KI.dcm", "RG3_UNCI.dcm")],
)
def test_real_films_in_jpeg_2000_equal_their_uncompressed_twins(public_file, packed, plain):
    ours, theirs = (read_film(Path(public_file(name)).read_bytes()) for name in (packed, plain))
    # Both twins were made by one encoder; the irreversible one is decoded in floating point, hence one level.
    np.testing.assert_allclose(ours.values, theirs.values, atol=0 if packed.endswith("R.dcm") else 1)


@pytest.mark.parametrize("name", ["JPGExtended.dcm", "JPEG-lossy.dcm"])
def test_public_twelve_bit_jpeg_decodes_as_dcmdjpeg_decodes_it(run, public_file, tmp_path, name):
    ds = pydicom.dcmread(public_file(name))
    ds.Modality = "DX"
    ds.save_as(tmp_path / "packed.dcm")
    run("dcmdjpeg", "--conv-never", tmp_path / "packed.dcm", tmp_path / "theirs.dcm")
    theirs = pydicom.dcmread(tmp_path / "theirs.dcm")
    np.testing.assert_array_equal(
        read_film((tmp_path / "packed.dcm").read_bytes()).values,
        theirs.pixel_array * float(theirs.get("RescaleSlope", 1)) + float(theirs.get("RescaleIntercept", 0)),
    )


# Depth, sign, tables


@pytest.mark.parametrize("bits", [8, 10, 12, 14, 16])
def test_every_depth_keeps_its_largest_value(make_film, bits):
    pixels = np.array([[0, (1 << bits) - 1], [1, 2]], np.uint8 if bits == 8 else np.uint16)
    np.testing.assert_array_equal(read_film(make_film(pixels, form={"bits_stored": bits})).values, pixels)


def test_bits_beside_the_stored_ones_are_left_out_and_signs_extended(make_film):
    # An overlay in bits 12 to 15 of old files (PS3.5 8.1.1), over the 12-bit values -1, 5, -2048, 2047.
    stored = np.array([[0xFFF, 5], [0x800, 0x7FF]], np.uint16)
    data = make_film(stored)
    ds = pydicom.dcmread(BytesIO(data))
    ds.PixelRepresentation = 1
    ds.PixelData = (stored | 0x5000).tobytes()
    np.testing.assert_array_equal(read_film(saved(ds)).values, [[-1, 5], [-2048, 2047]])
    ds.PixelRepresentation = 0
    np.testing.assert_array_equal(read_film(saved(ds)).values, stored)


def test_values_in_the_upper_bits_are_moved_down(make_film):
    stored = np.array([[1, 4095], [2, 3]], np.uint16)
    ds = pydicom.dcmread(BytesIO(make_film(stored)))
    ds.HighBit = 15
    ds.PixelData = (stored << 4).tobytes()
    np.testing.assert_array_equal(read_film(saved(ds)).values, stored)


def test_rescale_comes_before_everything_and_a_zero_slope_is_left_out(make_film, plain_pixels):
    film = read_film(make_film(RescaleSlope="0.5", RescaleIntercept="-100"))
    np.testing.assert_allclose(film.values, plain_pixels * 0.5 - 100)
    assert film.quantum == 0.5
    film = read_film(make_film(RescaleSlope="0", RescaleIntercept="3"))
    np.testing.assert_allclose(film.values, plain_pixels + 3.0)
    assert "slope is zero" in film.notes[0]


def lut(descriptor, data, vr="US"):
    item = Dataset()
    item.add_new("LUTDescriptor", "SS" if min(descriptor) < 0 else "US", descriptor)
    item.add_new("LUTData", vr, data)
    return Sequence([item])


def test_a_modality_table_takes_the_place_of_rescale(make_film):
    pixels = np.array([[0, 10, 11], [12, 13, 4000]], np.uint16)
    film = read_film(make_film(pixels, ModalityLUTSequence=lut([3, 10, 16], [700, 50, 9]), RescaleSlope="5"))
    np.testing.assert_array_equal(film.values, [[700, 700, 50], [9, 9, 9]])


@pytest.mark.parametrize(
    ("data", "vr"), [([0, 128, 255], "US"), (np.array([0, 128, 255], "<u2").tobytes(), "OW")], ids=["US", "OW"]
)
def test_a_table_of_interest_is_read_from_either_form(make_film, data, vr):
    film = read_film(make_film(VOILUTSequence=lut([3, 100, 8], data, vr)))
    table = film.voi[0]
    assert isinstance(table, VoiTable)
    assert table.first == 100
    np.testing.assert_allclose(table.levels, np.array([0, 128, 255]) / 255, atol=1e-6)
    assert isinstance(film.voi[1], VoiWindow)


def test_eight_bit_entries_packed_two_in_a_word_are_taken_apart(make_film):
    film = read_film(make_film(VOILUTSequence=lut([4, 0, 8], np.array([0, 85, 170, 255], "u1").tobytes(), "OW")))
    np.testing.assert_allclose(film.voi[0].levels, [0, 1 / 3, 2 / 3, 1], atol=1e-6)


def test_a_table_that_says_65536_entries_writes_zero(make_film):
    ramp = np.arange(65536, dtype="<u2")
    film = read_film(make_film(VOILUTSequence=lut([0, 0, 16], ramp.tobytes(), "OW")))
    assert film.voi[0].levels.size == 65536


def test_several_windows_come_in_order_with_their_explanations(make_film):
    film = read_film(
        make_film(
            WindowCenter=["100", "200", "300"],
            WindowWidth=["10", "0", "30"],
            WindowCenterWidthExplanation=["BONE", "FAULT", "SOFT"],
            VOILUTFunction="SIGMOID",
        )
    )
    assert film.voi == (VoiWindow(100, 10, "SIGMOID", "BONE"), VoiWindow(300, 30, "SIGMOID", "SOFT"))
    assert "width 0" in " ".join(film.notes)


def test_damaged_tables_are_left_out_or_refused(make_film):
    short = lut([9, 0, 16], [1, 2, 3])
    assert "damaged" in " ".join(read_film(make_film(VOILUTSequence=short)).notes)
    with pytest.raises(ImageError, match="modality table is damaged"):
        read_film(make_film(ModalityLUTSequence=short))


# Colour


def colour(make_film, pixels, photometric="RGB", **more):
    ds = pydicom.dcmread(BytesIO(make_film(np.zeros(pixels.shape[:2], np.uint8), form={"bits_stored": 8})))
    ds.SOPClassUID = ds.file_meta.MediaStorageSOPClassUID = "1.2.840.10008.5.1.4.1.1.7"
    ds.Modality = "OT"  # codespell:ignore ot
    ds.SamplesPerPixel, ds.PhotometricInterpretation, ds.PlanarConfiguration = 3, photometric, 0
    ds.PixelData = pixels.tobytes()
    for keyword, value in more.items():
        setattr(ds, keyword, value)
    return saved(ds)


def test_colour_becomes_its_luminance(make_film):
    pixels = np.array([[[255, 0, 0], [0, 255, 0], [0, 0, 255], [255, 255, 255]]], np.uint8)
    film = read_film(colour(make_film, pixels))
    np.testing.assert_allclose(film.values, [[76.245, 149.685, 29.07, 255.0]], atol=1e-3)  # PS3.3 C.7.6.3.1.2
    assert film.photometric == "MONOCHROME2"
    assert "luminance" in " ".join(film.notes)


def test_grey_stored_as_colour_keeps_its_values_exactly(make_film):
    grey = np.random.default_rng(1).integers(0, 256, (9, 8)).astype(np.uint8)
    film = read_film(colour(make_film, np.repeat(grey[..., None], 3, axis=2)))
    np.testing.assert_array_equal(film.values, grey)
    assert film.quantum == 1.0


def test_brightness_and_colour_difference_give_the_brightness(make_film):
    grey = np.arange(64, dtype=np.uint8).reshape(8, 8) * 3
    ybr = np.stack([grey, np.full_like(grey, 128), np.full_like(grey, 128)], axis=2)
    np.testing.assert_array_equal(read_film(colour(make_film, ybr, "YBR_FULL")).values, grey)


@pytest.mark.parametrize(
    "name", ["SC_rgb_small_odd.dcm", "SC_rgb.dcm", "SC_rgb_rle.dcm", "SC_ybr_full_uncompressed.dcm"]
)
def test_a_colour_picture_is_as_grey_as_dcm2pnm_makes_it(run, public_file, tmp_path, name):
    from PIL import Image

    path = public_file(name)
    run("dcm2pnm", "-q", "+G", "-S", "+on", path, tmp_path / "theirs.png")
    theirs = np.asarray(Image.open(tmp_path / "theirs.png")).astype(float)
    # One level: dcmtk cuts the fraction of each of the three products off.
    assert np.abs(read_film(Path(path).read_bytes()).values - theirs).max() <= 2


def test_a_palette_is_looked_up_before_it_turns_grey(run, public_file, tmp_path):
    from PIL import Image

    path = public_file("OT-PAL-8-face.dcm")
    run("dcm2pnm", "-q", "-f", "+G", "-S", "+on", path, tmp_path / "theirs.png")
    theirs = np.asarray(Image.open(tmp_path / "theirs.png")).astype(float)
    film = read_film(Path(path).read_bytes())
    scaled = film.values * (255 / 65535 if film.values.max() > 255 else 1)
    assert np.abs(scaled - theirs).max() <= 2


def test_every_frame_of_a_run_is_read_and_numbered(make_film, plain_pixels):
    run_of_three = np.stack([plain_pixels, plain_pixels[::-1], plain_pixels // 2])
    ds = pydicom.dcmread(BytesIO(make_film()))
    ds.SOPClassUID = ds.file_meta.MediaStorageSOPClassUID = "1.2.840.10008.5.1.4.1.1.12.2"
    ds.Modality, ds.NumberOfFrames = "RF", 3
    ds.PixelData = run_of_three.tobytes()
    data = saved(ds)
    films = list(read_frames(data))
    assert [(f.frame, f.frames) for f in films] == [(0, 3), (1, 3), (2, 3)]
    for film, pixels in zip(films, run_of_three, strict=True):
        np.testing.assert_array_equal(film.values, pixels)
    np.testing.assert_array_equal(read_film(data, frame=2).values, run_of_three[2])
    ds.compress(RLELossless)
    np.testing.assert_array_equal(read_film(saved(ds), frame=1).values, run_of_three[1])
    with pytest.raises(ImageError, match="Picture 4 was asked for"):
        read_film(data, frame=3)


# The header


@pytest.mark.parametrize(
    ("entries", "side"),
    [
        ({"ImageLaterality": "L"}, Side.LEFT),
        ({"ImageLaterality": "R"}, Side.RIGHT),
        ({"ImageLaterality": "U"}, None),
        ({"ImageLaterality": "B"}, None),
        ({"ImageLaterality": None}, None),
        ({"ImageLaterality": None, "Laterality": "L"}, Side.LEFT),
        ({"ImageLaterality": "L", "Laterality": "L"}, Side.LEFT),
        ({"ImageLaterality": "L", "Laterality": "R"}, None),
        ({"ImageLaterality": "U", "Laterality": "R"}, None),
        ({"ImageLaterality": "X"}, None),
    ],
)
def test_a_side_is_only_taken_where_the_header_speaks_with_one_voice(make_film, entries, side):
    header = read_film(make_film(**entries)).header
    assert header.laterality is side
    for entry, value in entries.items():
        assert value is None or f"{entry} {value}" in header.laterality_text


@pytest.mark.parametrize("stored", ["19880412", "1988.04.12"])
def test_dates_are_read_in_their_new_and_old_form(make_film, stored):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # pydicom warns of the value we mean to write
        data = make_film(PatientBirthDate=stored)
    assert read_film(data).header.birth_date.isoformat() == "1988-04-12"


@pytest.mark.parametrize("stored", ["", "19881399", "1988"])
def test_a_date_that_is_none_is_absent(make_film, stored):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # pydicom warns of the value we mean to write
        data = make_film(PatientBirthDate=stored)
    assert read_film(data).header.birth_date is None


def test_raw_detector_values_are_named_as_such(make_film):
    assert "raw values" in " ".join(read_film(make_film(PresentationIntentType="FOR PROCESSING")).notes)
    assert read_film(make_film()).notes == ()


def test_a_number_that_is_none_is_absent_and_does_not_stop_the_film(make_film):
    # Written byte by byte: no library writes such a value.
    data = make_film(form={"source_detector_mm": 1150.0}).replace(b"1150", b"11x0")
    film = read_film(data)
    assert film.header.source_detector_mm is None
    assert film.header.modality == "DX"


@pytest.mark.parametrize(
    ("elements", "aspect"),
    [
        ({}, 1.0),
        ({"ImagerPixelSpacing": [0.3, 0.2]}, 1.5),
        ({"ImagerPixelSpacing": None, "PixelAspectRatio": [3, 4]}, 0.75),
        ({"ImagerPixelSpacing": [0, 0], "PixelAspectRatio": [1, 1]}, 1.0),
        ({"PixelSpacing": [0.2, 0.1]}, 2.0),
    ],
)
def test_pixels_may_be_oblong_and_the_film_says_how_much(make_film, elements, aspect):
    assert read_film(make_film(**elements)).pixel_aspect == pytest.approx(aspect)


# What stands in the way


def test_a_slice_and_a_report_are_no_films(public_file):
    with pytest.raises(ImageError, match=r"slice of a scan .CT.*whole series"):
        read_film(Path(public_file("CT_small.dcm")).read_bytes())
    with pytest.raises(ImageError, match="structured report"):
        read_film(Path(public_file("test-SR.dcm")).read_bytes())


@pytest.mark.parametrize("kept", [200, 2000, 12000])
def test_a_film_cut_short_is_refused_as_such(make_film, kept):
    data = make_film()
    with pytest.raises(ImageError, match="cut short"):
        read_film(data[:kept] if kept < 12000 else data[:-kept])


@pytest.mark.parametrize(
    ("elements", "words"),
    [
        ({"PixelData": None}, "no picture"),
        ({"Rows": None}, "how many rows"),
        ({"Columns": 0}, "how many rows"),
        ({"BitsStored": 17}, "17 bits in 16"),
        ({"PhotometricInterpretation": "CMYK"}, "CMYK"),
        ({"PhotometricInterpretation": None}, "unstated"),
    ],
)
def test_a_header_that_does_not_describe_its_picture_is_refused(make_film, elements, words):
    with pytest.raises(ImageError, match=words):
        read_film(make_film(**elements))


def test_a_film_beyond_the_bound_is_refused_before_it_is_decoded(make_film):
    with pytest.raises(ImageError, match="megapixels"):
        read_film(make_film(Rows=60000, Columns=60000))
    with pytest.raises(ImageError, match=r"up to 0\.01 are read"):
        read_film(make_film(), limits=ReadLimits(megapixels=0.01))


def test_a_compressed_picture_of_another_size_than_the_header_is_refused(make_film):
    ds = pydicom.dcmread(BytesIO(make_film()))
    ds.compress(JPEG2000Lossless)
    ds.Rows = 119
    with pytest.raises(ImageError, match="contradicts itself"):
        read_film(saved(ds))


@pytest.mark.parametrize(
    ("pack", "expected"),
    [("dcmcjpeg", (120, 96)), ("dcmcjpls", (120, 96))],
)
def test_the_size_in_a_compressed_stream_is_found(run, make_film, tmp_path, pack, expected):
    (tmp_path / "plain.dcm").write_bytes(make_film())
    run(pack, tmp_path / "plain.dcm", tmp_path / "packed.dcm")
    frame = next(pydicom.encaps.generate_frames(pydicom.dcmread(tmp_path / "packed.dcm").PixelData, number_of_frames=1))
    assert codestream_size(frame) == expected


@given(st.binary(max_size=60))
def test_any_bytes_have_a_size_or_none(data):
    for start in (b"\xff\xd8", b"\xff\x4f\xff\x51", b""):
        found = codestream_size(start + data)
        assert found is None or len(found) == 2


def test_a_deflated_file_that_unpacks_without_end_is_refused(make_film):
    ds = pydicom.dcmread(BytesIO(make_film()))
    ds.file_meta.TransferSyntaxUID = "1.2.840.10008.1.2.1.99"
    out = BytesIO()
    pydicom.dcmwrite(out, ds, enforce_file_format=True)
    packed = out.getvalue()
    assert read_film(packed).rows == 120
    with pytest.raises(ImageError, match="would unpack to more"):
        read_film(packed, limits=ReadLimits(inflated_bytes=4096))


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "empty"),
        (b"hello, this is a letter", "not an image"),
        (b"%PDF-1.7 ...", "PDF"),
        (b"PK\x03\x04....", "zip archive"),
        (b"\x1f\x8b....", "gzip"),
        (b"7z\xbc\xaf\x27\x1c", "7z"),
        (b"Rar!\x1a\x07", "rar"),
        (b"\x30\x82\x01\x00\x06\x09\x2a\x86\x48\x86\xf7\x0d\x01\x07\x03", "encrypted"),
        (zlib.compress(bytes(range(256))), "encrypted or damaged"),
        (b"\x08\x00\x05\x00" + b"\xff" * 40, "begins like DICOM"),
    ],
)
def test_what_is_no_image_is_named_in_one_line(data, words):
    with pytest.raises(ImageError, match=words) as found:
        read_film(data)
    assert "\n" not in str(found.value)


def test_an_encrypted_picture_is_refused(make_film):
    item = Dataset()
    item.EncryptedContent = b"\0" * 16
    with pytest.raises(ImageError, match="encrypted"):
        read_film(make_film(PixelData=None, EncryptedAttributesSequence=Sequence([item])))


def test_no_message_names_the_patient(make_film):
    for elements in ({"Rows": 0}, {"PixelData": None}, {"PhotometricInterpretation": "CMYK"}):
        with pytest.raises(ImageError) as found:
            read_film(make_film(**elements))
        assert "DEMO" not in str(found.value)


@pytest.fixture(scope="module")
def base_films(plain_pixels):
    form = DxFacts("DEMO^ONE", "DEMO-0001", date(1988, 4, 12), "F", date(2026, 11, 9), "AP PELVIS")
    films = [write_dx(plain_pixels[:40, :40], form)]
    for syntax in (JPEG2000Lossless, JPEGLSLossless, RLELossless):
        ds = pydicom.dcmread(BytesIO(films[0]))
        ds.compress(syntax, generate_instance_uid=False)
        films.append(saved(ds))
    return films


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("form", range(4), ids=["plain", "JPEG 2000", "JPEG-LS", "run length"])
def test_a_damaged_file_gives_a_film_or_one_refusal_and_nothing_else(base_films, form, seed):
    rng = np.random.default_rng(seed)
    refused = 0
    for _ in range(50):
        damaged = bytearray(base_films[form])
        for _ in range(rng.integers(1, 7)):
            # Half of the damage falls on the header and the first bytes of the picture, where it matters most.
            upto = len(damaged) if rng.random() < 0.5 else min(1800, len(damaged))
            damaged[rng.integers(128, upto)] = rng.integers(256)
        if rng.random() < 0.4:
            damaged = damaged[: rng.integers(1, len(damaged))]
        try:
            assert read_film(bytes(damaged), limits=ReadLimits(megapixels=1.0)).rows >= 1
        except ImageError:
            refused += 1
    assert 0 < refused < 50


@pytest.mark.parametrize(
    ("at", "value"), [(3, 0), (11, 255), (24, 255), (34, 0)], ids=["marker", "density", "sampling", "table"]
)
def test_a_frame_that_ends_gdcm_is_refused_and_the_program_goes_on(run, make_film, tmp_path, at, value):
    # Found by trying: GDCM aborts (SIGABRT) or crashes (SIGSEGV) on each of these.
    (tmp_path / "plain.dcm").write_bytes(make_film())
    run("dcmcjpeg", tmp_path / "plain.dcm", tmp_path / "packed.dcm")
    data = bytearray((tmp_path / "packed.dcm").read_bytes())
    data[data.rindex(b"\xff\xd8\xff") + at] = value
    with pytest.raises(ImageError, match="damaged"):
        read_film(bytes(data))


@pytest.mark.parametrize("syntax", ["1.2.3", "1.2.840.10008.1.2.4.92"], ids=["unknown", "JPEG 2000 part 2"])
def test_a_compression_that_is_not_read_is_refused(make_film, syntax):
    ds = pydicom.dcmread(BytesIO(make_film()))
    ds.PixelData = encapsulate([b"\0" * 100])
    ds["PixelData"].VR = "OB"
    ds.file_meta.TransferSyntaxUID = JPEG2000Lossless
    data = saved(ds).replace(JPEG2000Lossless.encode(), syntax.encode().ljust(len(JPEG2000Lossless), b"\0"))
    with pytest.raises(ImageError, match="not read" if "8" in syntax else "not a DICOM one"):
        read_film(data)


def test_a_directory_of_a_medium_is_told_from_a_picture(public_file):
    with pytest.raises(ImageError, match="directory of a DICOM medium"):
        read_dataset(Path(public_file("DICOMDIR-nopatient")).read_bytes())


def test_a_file_that_begins_like_a_tiff_but_is_dicom_is_read_as_dicom(make_film, plain_pixels):
    # PS3.10 7.1: the preamble may hold another format's head, as pydicom-data's *_UNCR.dcm do.
    data = b"II*\0" + make_film()[4:]
    film = read_film(data)
    assert film.header.patient_number == "DEMO-0001"
    np.testing.assert_array_equal(film.values, plain_pixels)


def test_encapsulated_frames_without_offsets_are_still_found(make_film, plain_pixels):
    ds = pydicom.dcmread(BytesIO(make_film()))
    ds.compress(JPEGLSLossless)
    frame = next(pydicom.encaps.generate_frames(ds.PixelData, number_of_frames=1))
    ds.PixelData = encapsulate([frame], fragments_per_frame=3, has_bot=False)
    np.testing.assert_array_equal(read_film(saved(ds)).values, plain_pixels)

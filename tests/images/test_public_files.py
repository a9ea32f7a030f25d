"""Every file of pydicom's own tests and of pydicom-data: a film, a slice set aside, or refused for the right reason.

The table was checked against each file's header (SOP class, modality, pixel
description) as dcmdump shows it, not only against what the importer answered.
"""

import warnings
from fnmatch import fnmatch
from pathlib import Path

import pydicom
import pytest

from headstock.images.importing import Accepted, Directory, NotAFilm, Refused, open_uploads
from headstock.images.read import read_frames

# (pattern, what becomes of it, words of the reason); the first pattern that fits counts.
EXPECTED = [
    # Media
    ("DICOMDIR*", Directory, "DICOM medium"),
    ("README*", Refused, "not an image"),
    # Not DICOM
    ("*.txt", Refused, "not an image"),
    ("*.dump", Refused, "not an image"),
    ("*.json", Refused, "not an image"),
    ("*.icc", Refused, "not an image"),
    ("*.gz", Refused, "gzip"),
    ("no_meta.dcm", Refused, "not an image"),  # its first byte is lost: the tags are shifted
    # DICOM, but incomplete
    ("UN_sequence.dcm", Refused, "incomplete"),  # one private sequence
    ("empty_charset_LEI.dcm", Refused, "incomplete"),  # a character set and a name
    ("no_meta_group_length.dcm", Refused, "incomplete"),  # a few elements
    ("priv_SQ.dcm", Refused, "incomplete"),  # one private sequence
    ("chrSQEncoding*.dcm", Refused, "incomplete"),  # one sequence
    ("emri_small_jpeg_2k_lossless_too_short.dcm", Refused, "incomplete"),  # cut in its first element
    ("meta_missing_tsyntax.dcm", Refused, "does not say what it holds"),
    ("nested_priv_SQ.dcm", Refused, "does not say what it holds"),
    ("chrJapMulti*.dcm", Refused, "no picture"),  # a film's header without a picture
    ("chrKoreanMulti.dcm", Refused, "no picture"),
    ("MR_truncated.dcm", Refused, "cut short"),
    # DICOM of other kinds
    ("rtplan*", Refused, "radiotherapy plan"),
    ("ExplVR_*NoMeta.dcm", Refused, "radiotherapy plan"),
    ("rtdose*", Refused, "radiotherapy dose"),
    ("badVR.dcm", Refused, "radiotherapy dose"),
    ("rtstruct.dcm", Refused, "radiotherapy outlines"),
    ("reportsi*.dcm", Refused, "structured report"),
    ("test-SR.dcm", Refused, "structured report"),
    ("waveform_ecg.dcm", Refused, "waveform"),
    ("liver*.dcm", Refused, "segmentation"),
    ("ExplVR_BigEnd.dcm", Refused, "ultrasound"),
    ("examples_overlay.dcm", NotAFilm, "MR"),
    ("examples_*.dcm", Refused, "ultrasound"),
    ("JPGLosslessP14SV1_1s_1f_8b.dcm", Refused, "ultrasound"),
    ("OBXXXX1A*.dcm", Refused, "ultrasound"),
    ("US1_*.dcm", Refused, "ultrasound"),
    ("color*.dcm", Refused, "ultrasound"),
    ("gdcm-US-*.dcm", Refused, "ultrasound"),
    ("JPEG-lossy.dcm", Refused, "nuclear medicine"),
    ("JPEG-LL.dcm", Refused, "nuclear medicine"),
    ("JPEG2000*.dcm", Refused, "nuclear medicine"),
    ("JPGExtended.dcm", Refused, "nuclear medicine"),
    # Colour pictures of 32 bits a sample
    ("SC_rgb*32bit*.dcm", Refused, "32 bits"),
    # Slices
    ("693_*.dcm", NotAFilm, "CT"),
    ("CT_small.dcm", NotAFilm, "CT"),
    ("J2K_pixelrep_mismatch.dcm", NotAFilm, "CT"),
    ("bad_sequence.dcm", NotAFilm, "CT"),
    ("eCT_Supplemental.dcm", NotAFilm, "CT"),
    ("explicit_VR-UN.dcm", NotAFilm, "CT"),
    ("*/CT[0-9]*/*", NotAFilm, "CT"),
    ("*/TINY_ALPHA/*/IM*", NotAFilm, "CT"),
    ("MR_small*.dcm", NotAFilm, "MR"),
    ("MR2_*.dcm", NotAFilm, "MR"),
    ("MR-SIEMENS-*.dcm", NotAFilm, "MR"),
    ("emri_small*.dcm", NotAFilm, "MR"),
    ("*/MR[0-9]*/*", NotAFilm, "MR"),
    # Films and captured pictures
    ("*/CR[0-9]*/*", Accepted, ""),
    ("RG[13]_*.dcm", Accepted, ""),
    ("SC_*.dcm", Accepted, ""),
    ("chr*.dcm", Accepted, ""),
    ("GDCMJ2K_TextGBR.dcm", Accepted, ""),
    ("JPEGLSNearLossless_*.dcm", Accepted, ""),
    ("OT-PAL-8-face.dcm", Accepted, ""),
    ("image_dfl.dcm", Accepted, ""),
    ("mlut_18.dcm", Accepted, ""),
    ("vlut_04.dcm", Accepted, ""),
]


def files():
    import data_store

    data = Path(pydicom.__file__).parent / "data"
    roots = [data / "test_files", data / "charset_files", Path(data_store.__file__).parent / "data"]
    return [path for root in roots for path in sorted(root.rglob("*")) if path.is_file() and path.suffix != ".pyc"]


FILES = files()


def expectation(path):
    for pattern, kind, words in EXPECTED:
        if fnmatch(path.as_posix() if "/" in pattern else path.name, pattern):
            return kind, words
    pytest.fail(f"{path.name} is not in the table: read its header and add it.")


def test_both_collections_are_there():
    assert len(FILES) > 250
    assert any(path.name == "vlut_04.dcm" for path in FILES)


@pytest.mark.parametrize("path", FILES, ids=lambda path: "/".join(path.parts[-2:]))
def test_the_file_becomes_what_its_header_says(path):
    kind, words = expectation(path)
    items = list(open_uploads([(path.name, path.read_bytes())]))
    item = items[0]
    assert type(item) is kind
    if isinstance(item, Refused):
        assert words in item.reason
        assert "\n" not in item.reason
    elif isinstance(item, NotAFilm):
        assert item.modality == words
        assert item.file_bytes == path.read_bytes()
    elif isinstance(item, Directory):
        assert words in item.in_words
    else:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # pydicom warns of the header's defects
            ds = pydicom.dcmread(path, force=True, stop_before_pixels=True)
        assert (item.film.rows, item.film.cols) == (ds.Rows, ds.Columns)
        assert item.film.frames == int(ds.get("NumberOfFrames", 1))
        assert len(list(read_frames(path.read_bytes()))) == item.film.frames


@pytest.mark.parametrize(
    ("name", "written"),
    [
        ("chrFren.dcm", "Buc^Jérôme"),  # ISO 8859-1
        ("chrRuss.dcm", "Люкceмбypг"),  # ISO 8859-5, with Latin letters inside, as the file has it
        ("chrGreek.dcm", "Διονυσιος"),  # ISO 8859-7
        ("chrH31.dcm", "Yamada^Tarou=山田^太郎=やまだ^たろう"),  # PS3.5 H.3.1
        ("chrI2.dcm", "Hong^Gildong=洪^吉洞=홍^길동"),  # PS3.5 I.2
    ],
)
def test_names_are_read_in_their_own_script(name, written):
    (path,) = [p for p in FILES if p.name == name]
    (item,) = open_uploads([(name, path.read_bytes())])
    assert item.film.header.patient_name == written

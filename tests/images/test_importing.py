"""Import: everything a hospital may hand over is sorted, nothing is lost, nothing escapes."""

import os
import shutil
import struct
import warnings
import zipfile
from io import BytesIO
from pathlib import Path

import numpy as np
import pydicom
import pytest
from PIL import Image

from headstock.images.importing import (
    Accepted,
    Directory,
    Duplicate,
    KnownFilm,
    NotAFilm,
    Refused,
    open_sources,
    open_uploads,
    scans_in_words,
)
from headstock.images.limits import ImportLimits

HIPS = Path(__file__).parents[1] / "data" / "hips"


def names(items, kind):
    return [item.name for item in items if isinstance(item, kind)]


def reasons(items):
    return {item.name: item.reason for item in items if isinstance(item, Refused)}


def zipped(entries, **options):
    out = BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in entries:
            archive.writestr(zipfile.ZipInfo(name) if options.get("raw") else name, data)
    return out.getvalue()


@pytest.mark.parametrize("patient", ["alder", "birch", "cedar"])
def test_a_hospitals_zip_gives_its_two_films_and_keeps_its_scan(patient):
    items = list(open_sources([HIPS / f"{patient}.zip"]))
    films = [item for item in items if isinstance(item, Accepted)]
    assert sorted(Path(f.name).name for f in films) == ["ap_pelvis.dcm", "lateral_hip.dcm"]
    assert {f.film.header.modality for f in films} == {"DX"}
    slices = [item for item in items if isinstance(item, NotAFilm)]
    assert len(slices) > 100
    assert all(s.file_bytes[128:132] == b"DICM" for s in slices)
    assert len({s.series_uid for s in slices}) == 1
    (line,) = scans_in_words(items)
    assert line.startswith("CT series")
    assert f"{len(slices)} files" in line
    assert {Path(name).name for name in reasons(items)} == {"truth.json", "labels.npz"}


def test_every_file_of_a_folder_gets_exactly_one_line(tmp_path, make_film):
    (tmp_path / "a" / "b").mkdir(parents=True)
    (tmp_path / "a" / "film.dcm").write_bytes(make_film())
    (tmp_path / "a" / "b" / "letter.txt").write_text("dear colleague")
    (tmp_path / "a" / "b" / "short.dcm").write_bytes(make_film()[:-9000])
    (tmp_path / "picture.png").write_bytes(_png(np.eye(30, dtype=np.uint8) * 9))
    (tmp_path / "empty.dcm").write_bytes(b"")
    items = list(open_sources([tmp_path]))
    assert sorted(item.name for item in items) == [
        "a/b/letter.txt",
        "a/b/short.dcm",
        "a/film.dcm",
        "empty.dcm",
        "picture.png",
    ]
    assert names(items, Accepted) == ["picture.png", "a/film.dcm"]
    assert "cut short" in reasons(items)["a/b/short.dcm"]
    assert "empty" in reasons(items)["empty.dcm"]
    assert "not an image" in reasons(items)["a/b/letter.txt"]


def _png(pixels):
    out = BytesIO()
    Image.fromarray(pixels).save(out, "PNG")
    return out.getvalue()


def test_single_files_missing_files_and_uploads_are_taken_alike(tmp_path, make_film):
    (tmp_path / "film.dcm").write_bytes(make_film())
    (first,) = open_sources([tmp_path / "film.dcm"])
    (second,) = open_uploads([("folder\\film.dcm", make_film())])
    assert first.film.content_sha256 == second.film.content_sha256
    assert second.name == "folder/film.dcm"
    (absent,) = open_sources([tmp_path / "nowhere.dcm"])
    assert "no such file" in absent.reason


# The same film twice


def test_the_same_file_twice_is_kept_once(make_film):
    first, second = open_uploads([("a.dcm", make_film()), ("b.dcm", make_film())])
    assert isinstance(first, Accepted)
    assert isinstance(second, Duplicate)
    assert second.same_as == "a.dcm"


def test_the_same_film_in_another_compression_is_kept_once(make_film):
    ds = pydicom.dcmread(BytesIO(make_film()))
    ds.compress(pydicom.uid.RLELossless)
    out = BytesIO()
    ds.save_as(out)
    items = list(open_uploads([("a.dcm", make_film()), ("b.dcm", out.getvalue())]))
    assert isinstance(items[1], Duplicate)
    assert "stored in another way" in items[1].in_words


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"PatientID": "OTHER"}, "patient number"),
        ({"StudyDate": "20200101"}, "examination date"),
        ({"ImageLaterality": "L"}, "side"),
        ({"PatientOrientation": ["R", "F"]}, "orientation"),
        ({"PixelSpacing": [0.2, 0.2]}, "pixel spacing"),
    ],
)
def test_the_same_picture_under_another_header_is_kept_and_named(make_film, change, words):
    items = list(open_uploads([("a.dcm", make_film()), ("b.dcm", make_film(**change))]))
    assert [type(i) for i in items] == [Accepted, Accepted]
    assert f"headers differ in: {words}" in items[1].notes[-1]
    assert "OTHER" not in items[1].notes[-1]


def test_empty_pictures_and_runs_are_only_the_same_byte_by_byte(make_film):
    black = np.zeros((50, 50), np.uint16)
    items = list(open_uploads([("a", make_film(black)), ("b", make_film(black, SeriesDescription="second"))]))
    assert [type(i) for i in items] == [Accepted, Accepted]


def test_a_film_kept_already_is_recognised(make_film):
    (item,) = open_uploads([("a.dcm", make_film())])
    kept = KnownFilm("AP pelvis of 9 Nov 2026", item.film.content_sha256, item.film.pixels_sha256, item.film.header)
    (again,) = open_uploads([("c.dcm", make_film())], known=[kept])
    assert isinstance(again, Duplicate)
    assert again.same_as == "AP pelvis of 9 Nov 2026"
    (moved,) = open_uploads([("c.dcm", make_film(SeriesDescription="re-exported"))], known=[kept])
    assert isinstance(moved, Duplicate)


# Zips


@pytest.mark.parametrize("name", ["../evil.dcm", "a/../../evil.dcm", "/etc/evil.dcm", "C:\\evil.dcm", "..\\evil.dcm"])
def test_an_entry_that_leads_outside_is_refused_and_nothing_is_written(tmp_path, make_film, name):
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "x.zip").write_bytes(zipped([(name, make_film()), ("good.dcm", make_film())], raw=True))
    before = sorted(p for p in tmp_path.rglob("*"))
    items = list(open_sources([tmp_path / "in" / "x.zip"]))
    assert names(items, Accepted) == ["x.zip/good.dcm"]
    assert "points outside" in next(iter(reasons(items).values()))
    assert sorted(p for p in tmp_path.rglob("*")) == before


def test_a_zip_in_a_zip_is_opened_and_a_third_is_not(make_film):
    inner = zipped([("film.dcm", make_film())])
    items = list(open_uploads([("outer.zip", zipped([("inner.zip", inner)]))]))
    assert names(items, Accepted) == ["outer.zip/inner.zip/film.dcm"]
    deep = zipped([("c.zip", zipped([("b.zip", inner)]))])
    (item,) = open_uploads([("d.zip", deep)])
    assert "zip within a zip within a zip" in item.reason


def test_an_encrypted_entry_is_named_and_the_rest_imported(make_film):
    data = bytearray(zipped([("locked.dcm", b"x" * 500), ("film.dcm", make_film())]))
    # Bit 0 of the general purpose flags: encrypted (APPNOTE 4.4.4), in the local and the central header.
    data[6] |= 1
    central = data.index(b"PK\x01\x02")
    data[central + 8] |= 1
    items = list(open_uploads([("x.zip", bytes(data))]))
    assert names(items, Accepted) == ["x.zip/film.dcm"]
    assert "encrypted with a password" in reasons(items)["x.zip/locked.dcm"]


def test_a_damaged_entry_is_named_and_the_rest_imported(make_film):
    out = BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_STORED) as archive:
        archive.writestr("broken.dcm", make_film())
        archive.writestr("film.dcm", make_film())
    data = bytearray(out.getvalue())
    data[2000] ^= 0xFF  # inside the first entry: its checksum no longer fits
    items = list(open_uploads([("x.zip", bytes(data))]))
    assert names(items, Accepted) == ["x.zip/film.dcm"]
    assert "damaged inside the archive" in reasons(items)["x.zip/broken.dcm"]


def test_a_zip_cut_short_or_empty_is_one_line(make_film):
    data = zipped([("film.dcm", make_film())])
    (item,) = open_uploads([("x.zip", data[: len(data) // 2])])
    assert "damaged or cut short" in item.reason
    (item,) = open_uploads([("x.zip", zipped([]))])
    assert "empty" in item.reason


def test_an_entry_that_claims_to_be_small_is_held_to_the_bound():
    data = bytearray(zipped([("bomb.dcm", b"\0" * 5_000_000)]))
    for mark, at in ((b"PK\x03\x04", 22), (b"PK\x01\x02", 24)):
        start = data.index(mark)
        data[start + at : start + at + 4] = struct.pack("<I", 100)
    (item,) = open_uploads([("x.zip", bytes(data))], limits=ImportLimits(file_bytes=1_000_000))
    assert isinstance(item, Refused)


def test_the_bounds_of_one_import_hold_and_say_what_was_left(make_film):
    many = zipped([(f"{i}.bin", os.urandom(1000)) for i in range(20)])
    items = list(open_uploads([("x.zip", many)], limits=ImportLimits(unpacked_bytes=5_500)))
    assert len(items) < 20
    assert "of its files were not read" in items[-1].reason
    items = list(open_uploads([("x.zip", many)], limits=ImportLimits(files=5)))
    assert "more files than one import takes" in items[-1].reason
    big = list(open_uploads([("x.zip", zipped([("film.dcm", make_film())]))], limits=ImportLimits(file_bytes=100)))
    assert "larger than this import takes" in big[0].reason


def test_documents_of_other_programs_are_one_line_each():
    docx = zipped([("[Content_Types].xml", "<x/>"), ("word/document.xml", "<x/>")])
    npz = BytesIO()
    np.savez(npz, a=np.eye(2), b=np.eye(3))
    items = list(open_uploads([("letter.docx", docx), ("numbers.npz", npz.getvalue())]))
    assert "office document" in reasons(items)["letter.docx"]
    assert "number arrays" in reasons(items)["numbers.npz"]
    assert len(items) == 2


def test_helper_files_of_computers_are_named_as_such(make_film):
    items = list(open_uploads([("x.zip", zipped([("__MACOSX/._film.dcm", b"helper"), ("film.dcm", make_film())]))]))
    assert "helper file" in reasons(items)["x.zip/__MACOSX/._film.dcm"]


# Folders and media


def test_a_link_out_of_the_folder_is_not_followed(tmp_path, make_film):
    (tmp_path / "secret.dcm").write_bytes(make_film())
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "link.dcm").symlink_to(tmp_path / "secret.dcm")
    (tmp_path / "in" / "dead.dcm").symlink_to(tmp_path / "in" / "nothing")
    items = list(open_sources([tmp_path / "in"]))
    assert "link that leads out" in reasons(items)["link.dcm"]
    assert "not an ordinary file" in reasons(items)["dead.dcm"]


@pytest.fixture
def medium(tmp_path, public_file):
    """A copy of pydicom's test medium with three films and slices of CT and MR."""
    root = tmp_path / "medium"
    source = Path(public_file("DICOMDIR")).parent
    for part in ("77654033", "98892001", "98892003"):
        shutil.copytree(source / part, root / part)
    shutil.copy(source / "DICOMDIR", root / "DICOMDIR")
    return root


def test_a_mediums_directory_alone_brings_the_files_it_lists(medium):
    (medium / "unlisted.txt").write_text("not on the list")
    items = list(open_sources([medium / "DICOMDIR"]))
    assert len(names(items, Accepted)) == 3
    assert len(names(items, NotAFilm)) == 28
    (directory,) = [i for i in items if isinstance(i, Directory)]
    assert (directory.listed, directory.missing) == (31, 0)
    assert reasons(items) == {}


def test_a_medium_as_a_folder_gives_the_same_films_and_every_other_file(medium):
    alone = list(open_sources([medium / "DICOMDIR"]))
    (medium / "readme.txt").write_text("a viewer's advertisement")
    folder = list(open_sources([medium]))
    assert set(names(folder, Accepted)) == set(names(alone, Accepted))
    assert set(reasons(folder)) == {"readme.txt"}


def test_what_a_medium_lists_but_does_not_hold_is_named(medium):
    (medium / "77654033" / "CR1" / "6154").unlink()
    for source in (medium, medium / "DICOMDIR"):
        items = list(open_sources([source]))
        (directory,) = [i for i in items if isinstance(i, Directory)]
        assert directory.missing == 1
        assert "it is not there" in reasons(items)["77654033/CR1/6154"]


def test_a_medium_inside_a_zip_is_held_against_its_own_folder(medium):
    entries = [(f"export/{p.relative_to(medium)}", p.read_bytes()) for p in medium.rglob("*") if p.is_file()]
    items = list(open_uploads([("x.zip", zipped(entries))]))
    (directory,) = [i for i in items if isinstance(i, Directory)]
    assert (directory.listed, directory.missing) == (31, 0)
    assert len(names(items, Accepted)) == 3


def test_a_medium_copied_in_lower_case_is_still_found(medium):
    (medium / "77654033" / "CR1").rename(medium / "77654033" / "cr1")
    items = list(open_sources([medium / "DICOMDIR"]))
    assert len(names(items, Accepted)) == 3
    assert reasons(items) == {}


def test_a_medium_that_points_outside_its_folder_is_not_followed(medium):
    (medium.parent / "OUT").write_bytes((medium / "77654033" / "CR1" / "6154").read_bytes())
    ds = pydicom.dcmread(medium / "DICOMDIR")
    record = next(r for r in ds.DirectoryRecordSequence if "ReferencedFileID" in r)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # pydicom warns of the value we mean to write
        record.ReferencedFileID = ["..", "OUT"]
        ds.save_as(medium / "DICOMDIR")
    items = list(open_sources([medium / "DICOMDIR"]))
    assert "points outside" in " ".join(reasons(items).values())
    assert not any("OUT" in name for name in names(items, (Accepted, NotAFilm)))


def test_a_slice_cut_short_is_refused_and_not_set_aside(public_file):
    (item,) = open_sources([public_file("MR_truncated.dcm")])
    assert "cut short" in item.reason

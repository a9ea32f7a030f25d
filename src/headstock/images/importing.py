"""What a hospital exported, sorted: films, duplicates, slices of scans, and everything else with its reason.

In: paths (files, folders, zips, a DICOMDIR), or names and bytes. Out: one item
for each file, as it is read; nothing is written and nothing is left out
silently. Archives are read in memory: their entries' names are labels and are
never used as paths. A DICOMDIR's references are followed inside its folder only.
Source: media storage, DICOM PS3.10 8 and PS3.3 F; zip, APPNOTE 4.4.4.
Decision: docs/decisions/0101-same-film-twice.md
"""

import hashlib
import os
import re
import zipfile
import zlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from io import BytesIO
from pathlib import Path, PurePosixPath
from typing import BinaryIO, Final

from pydicom.dataset import FileDataset

from headstock.errors import ImageError
from headstock.images._decode import missing_bytes
from headstock.images._header import raw, text
from headstock.images._kind import kind_of
from headstock.images._picture import picture_kind
from headstock.images.film import Film, FilmHeader
from headstock.images.limits import ImportLimits
from headstock.images.nifti import is_nifti
from headstock.images.read import film_of, is_directory, parse, quiet, read_film

__all__ = [
    "Accepted",
    "Directory",
    "Duplicate",
    "ImportItem",
    "KnownFilm",
    "NotAFilm",
    "Refused",
    "open_sources",
    "open_uploads",
    "scans_in_words",
]

_ZIP: Final = (b"PK\x03\x04", b"PK\x05\x06")
_HELPERS: Final = re.compile(r"(^|/)(__MACOSX/|\.DS_Store$|\._|Thumbs\.db$|desktop\.ini$)", re.IGNORECASE)
_OUTSIDE: Final = "Its name points outside the archive or medium, as no honest export does. It was not read."
_ENCRYPTED: Final = "It is encrypted with a password. Unpack it with the password and import what it holds."
_DAMAGED_ENTRY: Final = "It is damaged inside the archive. Pack or export it again."


@dataclass(frozen=True, slots=True, eq=False)
class Accepted:
    """A film, with the bytes of its file for keeping. `notes` say what to look at."""

    name: str
    film_bytes: bytes
    film: Film
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Duplicate:
    """The same film as `same_as`: not imported a second time."""

    name: str
    same_as: str
    in_words: str


@dataclass(frozen=True, slots=True, eq=False)
class NotAFilm:
    """A slice of a CT or MR scan, or a whole NIfTI volume (modality ""): set aside by series, with its bytes."""

    name: str
    file_bytes: bytes
    modality: str
    study_uid: str
    series_uid: str
    series_description: str
    in_words: str


@dataclass(frozen=True, slots=True)
class Directory:
    """The directory of a DICOM medium: how many files it lists; those not there follow as `Refused`."""

    name: str
    listed: int
    missing: int
    in_words: str


@dataclass(frozen=True, slots=True)
class Refused:
    """A file that was not imported, and why, in one line."""

    name: str
    reason: str


ImportItem = Accepted | Duplicate | NotAFilm | Directory | Refused


@dataclass(frozen=True, slots=True)
class KnownFilm:
    """A film that is kept already: what is needed to recognise it when it comes again."""

    name: str
    content_sha256: str
    pixels_sha256: str
    header: FilmHeader
    frames: int = 1


def open_sources(
    paths: Iterable[str | os.PathLike[str]], *, known: Iterable[KnownFilm] = (), limits: ImportLimits | None = None
) -> Iterator[ImportItem]:
    """Every file under `paths`, one item each, in the order of their names.

    `known` are films kept already, so that they come back as duplicates.
    """
    job = _Job(limits or ImportLimits(), known)
    for path in paths:
        yield from job.source(_walk_path(Path(path), job))


def open_uploads(
    files: Iterable[tuple[str, bytes]], *, known: Iterable[KnownFilm] = (), limits: ImportLimits | None = None
) -> Iterator[ImportItem]:
    """As `open_sources`, for (name, bytes) as a browser sends them."""
    job = _Job(limits or ImportLimits(), known)
    yield from job.source(_Found(_label(name), data) for name, data in files)


def scans_in_words(items: Iterable[ImportItem]) -> tuple[str, ...]:
    """One sentence for each series of slices that was set aside."""
    series: dict[str, list[NotAFilm]] = {}
    for item in items:
        if isinstance(item, NotAFilm):
            series.setdefault(item.series_uid, []).append(item)
    lines = []
    for slices in series.values():
        first, n = slices[0], len(slices)
        called = f" “{first.series_description}”" if first.series_description else ""
        lines.append(f"{first.modality or 'NIfTI'} series{called}, {n} file{'s' if n > 1 else ''}: kept as a scan.")
    return tuple(lines)


@dataclass(frozen=True, slots=True, eq=False)
class _Found:
    """A file that was found: its label, its bytes, and how many zips it lay in."""

    name: str
    data: bytes
    depth: int = 0


@dataclass(slots=True, eq=False)
class _Source:
    """What is known of one source while it is walked: names seen, and what its directories list."""

    names: set[str] = field(default_factory=set)
    listed: list[tuple[str, tuple[str, ...]]] = field(default_factory=list)


class _Job:
    """State of one import: bounds used up, films seen."""

    def __init__(self, limits: ImportLimits, known: Iterable[KnownFilm]) -> None:
        self.limits = limits
        self.files = 0
        self.unpacked = 0
        self.by_content: dict[str, str] = {}
        self.by_pixels: dict[str, list[KnownFilm]] = {}
        for film in known:
            self._remember(film)

    def source(self, found: Iterable[_Found | Refused]) -> Iterator[ImportItem]:
        """Items of one source; its directories are held against its files when all have been seen."""
        seen = _Source()
        for file in found:
            yield from self._sort(file, seen)
        for name, listed in seen.listed:
            absent = [entry for entry in listed if entry.casefold() not in seen.names]
            words = f"Directory of a DICOM medium; files listed: {len(listed)}, of which missing: {len(absent)}."
            yield Directory(name, len(listed), len(absent), words)
            for entry in absent:
                yield Refused(
                    entry, "The medium's directory lists it, but it is not there. Copy the whole medium again."
                )

    def _sort(self, file: _Found | Refused, seen: _Source) -> Iterator[ImportItem]:
        seen.names.add(file.name.casefold())
        self.files += 1
        if isinstance(file, Refused):
            yield file
        elif self.files > self.limits.files:
            yield Refused(file.name, f"More than {self.limits.files} files in one import. Import the rest separately.")
        elif _HELPERS.search(file.name):
            yield Refused(file.name, "A helper file of the computer that made the export, not an image.")
        elif file.data[:4] in _ZIP:
            if file.depth >= self.limits.zip_depth:
                yield Refused(file.name, "It is a zip within a zip within a zip. Unpack it and import it by itself.")
            else:
                for entry in _walk_zip(BytesIO(file.data), file.name, file.depth, self):
                    yield from self._sort(entry, seen)
        else:
            yield from self._judge(file, seen)

    def _judge(self, file: _Found, seen: _Source) -> Iterator[ImportItem]:
        """The item of one file; none for a directory, which is reported when its files have been seen."""
        try:
            if picture_kind(file.data) is not None:
                yield self._film(file, read_film(file.data, limits=self.limits.reading))
                return
            if is_nifti(file.data):
                yield _volume(file)
                return
            ds = parse(file.data, self.limits.reading)
            if is_directory(ds):
                seen.listed.append((file.name, tuple(f"{_folder(file.name)}{e}" for e in _references(ds))))
                return
            with quiet():
                kind = kind_of(ds)
            if kind.kind == "slice":
                yield _set_aside(file, ds, kind.words)
            else:
                yield self._film(file, film_of(ds, file.data, 0, self.limits.reading))
        except ImageError as why:
            yield Refused(file.name, str(why))

    def _film(self, file: _Found, film: Film) -> Accepted | Duplicate:
        """A film, recognised when it was seen before."""
        same = self.by_content.get(film.content_sha256)
        if same is not None:
            return Duplicate(file.name, same, "The same file as one already here; it is kept once.")
        notes = list(film.notes)
        # A run's frames are not all compared, and an empty picture is like every other: both only count byte by byte.
        comparable = film.frames == 1 and float(film.values.min()) < float(film.values.max())
        for other in self.by_pixels.get(film.pixels_sha256, ()) if comparable else ():
            differs = _differing(film.header, other.header) if other.frames == 1 else ["number of pictures"]
            if not differs:
                return Duplicate(
                    file.name,
                    other.name,
                    "The same picture with the same patient and examination as one already here, stored in another "
                    "way; it is kept once.",
                )
            notes.append(
                f"The same picture as {other.name}, but the headers differ in: {', '.join(differs)}. "
                "Both are kept; find out which header is right."
            )
        self._remember(KnownFilm(file.name, film.content_sha256, film.pixels_sha256, film.header, film.frames))
        return Accepted(file.name, file.data, film, tuple(notes))

    def _remember(self, film: KnownFilm) -> None:
        self.by_content.setdefault(film.content_sha256, film.name)
        self.by_pixels.setdefault(film.pixels_sha256, []).append(film)


def _differing(a: FilmHeader, b: FilmHeader) -> list[str]:
    """What two headers of one picture disagree on that could make it another person's, day's or side's."""
    compared = {
        "patient number": (a.patient_number, b.patient_number),
        "patient name": (a.patient_name, b.patient_name),
        "birth date": (a.birth_date, b.birth_date),
        "examination date": (a.study_date, b.study_date),
        "side": (a.laterality_text, b.laterality_text),
        "orientation": (a.patient_orientation, b.patient_orientation),
        "pixel spacing": (
            (a.pixel_spacing_mm, a.imager_pixel_spacing_mm, a.pixel_spacing_calibration_type),
            (b.pixel_spacing_mm, b.imager_pixel_spacing_mm, b.pixel_spacing_calibration_type),
        ),
        "kind of file": (a.is_picture, b.is_picture),
    }
    return [what for what, (mine, theirs) in compared.items() if mine != theirs]


def _set_aside(file: _Found, ds: FileDataset, modality: str) -> NotAFilm:
    """A slice of a scan, kept as it is. One that was cut short is refused, for it would leave a hole unseen."""
    with quiet():
        if missing_bytes(ds) > 0:
            raise ImageError(
                f"It is a slice of a scan ({modality}) that was cut short before its picture ended. "
                "Copy or export it again."
            )
        description = text(ds, "SeriesDescription")
        called = f" “{description}”" if description else ""
        return NotAFilm(
            file.name,
            file.data,
            modality,
            text(ds, "StudyInstanceUID"),
            text(ds, "SeriesInstanceUID"),
            description,
            f"Slice of the {modality} series{called}: kept with its series as a scan.",
        )


def _volume(file: _Found) -> NotAFilm:
    """A NIfTI volume, a series of its own; whether it is CT or MR is not in the file."""
    mark = hashlib.sha256(file.data).hexdigest()[:16]
    words = "A NIfTI volume: kept as a scan. It names no patient, which must be entered."
    return NotAFilm(file.name, file.data, "", "", f"nifti-{mark}", "", words)


def _references(ds: FileDataset) -> tuple[str, ...]:
    """Files a medium's directory lists, relative to it, with forward slashes; those leading outside are left in,
    and are then never found."""
    with quiet():
        found = []
        for record in raw(ds, "DirectoryRecordSequence") or ():
            parts = text(record, "ReferencedFileID").replace("\\", "/").strip("/")
            if parts:
                found.append(parts)
    return tuple(dict.fromkeys(found))


def _folder(name: str) -> str:
    """The folder part of a label, with its slash."""
    return name[: name.rfind("/") + 1]


def _label(name: str) -> str:
    """A name as a label: forward slashes, no control characters."""
    return re.sub(r"[\x00-\x1f\x7f]", "?", name.replace("\\", "/"))


def _leads_outside(name: str) -> bool:
    """Whether a name inside a container would leave it if it were used as a path."""
    return name.startswith("/") or bool(re.match(r"[A-Za-z]:", name)) or ".." in name.split("/")


def _walk_path(path: Path, job: _Job) -> Iterator[_Found | Refused]:
    """Files under a path: a folder's, a medium's, a zip's, or the file itself."""
    if path.is_dir():
        yield from _walk_folder(path, job)
    elif not path.exists():
        yield Refused(_label(path.name), "There is no such file or folder. Check the path.")
    elif path.name.upper() == "DICOMDIR":
        yield from _walk_medium(path, job)
    else:
        yield from _read_file(path, _label(path.name), job)


def _walk_folder(root: Path, job: _Job) -> Iterator[_Found | Refused]:
    inside = root.resolve()
    for here, folders, files in os.walk(root):
        folders.sort()
        for name in sorted(files):
            path = Path(here) / name
            label = _label(path.relative_to(root).as_posix())
            if not path.resolve().is_relative_to(inside):
                yield Refused(label, "It is a link that leads out of the folder. Import what it points to by itself.")
            else:
                yield from _read_file(path, label, job)


def _walk_medium(directory: Path, job: _Job) -> Iterator[_Found | Refused]:
    """A medium's directory and the files it lists, which must lie in its folder."""
    yield from _read_file(directory, "DICOMDIR", job)
    try:
        ds = parse(directory.read_bytes(), job.limits.reading)
    except (ImageError, OSError):
        return  # the line for the directory itself has said so already
    root = directory.parent
    inside = root.resolve()
    for entry in _references(ds):
        if _leads_outside(entry):
            yield Refused(entry, _OUTSIDE)
            continue
        path = _without_case(root, entry)
        if path is None:
            continue  # named as missing at the end
        if not path.resolve().is_relative_to(inside):
            yield Refused(entry, _OUTSIDE)
        else:
            yield from _read_file(path, entry, job)


def _without_case(root: Path, entry: str) -> Path | None:
    """The file an entry means, whatever case a copy gave its name (media are upper case, copies often not)."""
    path = root
    for part in PurePosixPath(entry).parts:
        exact = path / part
        if not exact.exists():
            try:
                exact = next(p for p in path.iterdir() if p.name.casefold() == part.casefold())
            except (StopIteration, OSError):
                return None
        path = exact
    return path if path.is_file() else None


def _read_file(path: Path, label: str, job: _Job) -> Iterator[_Found | Refused]:
    """One file of the disk, or the entries of a zip without loading all of it."""
    try:
        if not path.is_file():
            yield Refused(label, "It is not an ordinary file (a device or a broken link), so it was not opened.")
            return
        with path.open("rb") as file:
            start = file.read(4)
            file.seek(0)
            if start in _ZIP:
                yield from _walk_zip(file, label, 0, job)
                return
            data = file.read(job.limits.file_bytes + 1)
    except OSError:
        yield Refused(label, "It could not be opened or read. Check its permissions and the disk.")
        return
    yield Refused(label, _too_large(job)) if len(data) > job.limits.file_bytes else _Found(label, data)


def _walk_zip(file: BinaryIO, label: str, depth: int, job: _Job) -> Iterator[_Found | Refused]:
    """Entries of a zip, each read up to the bounds whatever size it claims."""
    try:
        archive = zipfile.ZipFile(file)
    except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError, EOFError):
        yield Refused(label, "The zip is damaged or cut short. Copy or pack it again.")
        return
    with archive:
        entries = [entry for entry in archive.infolist() if not entry.is_dir()]
        if not entries:
            yield Refused(label, "The zip is empty.")
        other = _container_of_another_program([entry.filename for entry in entries])
        if other:
            yield Refused(label, f"It is {other}, not an export of images. Export the films themselves as DICOM.")
            return
        for n, entry in enumerate(entries):
            name = f"{label}/{_label(entry.filename)}"
            if job.files > job.limits.files:
                yield Refused(
                    label, f"It holds {len(entries) - n} more files than one import takes. Unpack and split it."
                )
                return
            if _leads_outside(_label(entry.filename)):
                yield Refused(name, _OUTSIDE)
            elif entry.flag_bits & 0x1:
                yield Refused(name, _ENCRYPTED)
            elif job.unpacked > job.limits.unpacked_bytes:
                yield Refused(
                    label,
                    f"It unpacks to more than {job.limits.unpacked_bytes >> 20} MB; {len(entries) - n} of its files "
                    "were not read. Unpack it and import it in parts.",
                )
                return
            else:
                yield _read_entry(archive, entry, name, depth, job)


def _container_of_another_program(names: list[str]) -> str | None:
    """What a zip is when it is one file of another program, in words; None for an ordinary archive."""
    if "[Content_Types].xml" in names or "mimetype" in names:
        return "an office document"
    if "META-INF/MANIFEST.MF" in names:
        return "a program"
    if names and all(name.endswith(".npy") for name in names):
        return "a file of number arrays"
    return None


def _read_entry(archive: zipfile.ZipFile, entry: zipfile.ZipInfo, name: str, depth: int, job: _Job) -> _Found | Refused:
    limit = min(job.limits.file_bytes, max(job.limits.unpacked_bytes - job.unpacked, 0))
    try:
        with archive.open(entry) as packed:
            data = packed.read(limit + 1)
            # The checksum is only compared at the end of an entry: ask for the end.
            ended = not packed.read(1) if len(data) <= limit else False
    except NotImplementedError:
        return Refused(name, "It is packed by a method that is not read. Pack it again as an ordinary zip.")
    except (zipfile.BadZipFile, zlib.error, OSError, EOFError, RuntimeError, ValueError):
        return Refused(name, _DAMAGED_ENTRY)
    job.unpacked += len(data)
    if not ended:
        return Refused(name, _too_large(job))
    return _Found(name, data, depth + 1)


def _too_large(job: _Job) -> str:
    return f"It is larger than this import takes ({job.limits.file_bytes >> 20} MB a file). No film is that large."

"""A film from the bytes of a file: DICOM, or a JPEG, PNG or TIFF picture of one.

In: bytes. Out: `Film`, or one clear refusal. Nothing is written, no path is
opened, no identity appears in a message.
"""

import hashlib
import logging
import warnings
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from io import BytesIO
from typing import Final

import numpy as np
from numpy.typing import NDArray
from pydicom import dcmread
from pydicom.dataset import FileDataset
from pydicom.filereader import read_preamble
from pydicom.uid import DeflatedExplicitVRLittleEndian

from headstock.errors import ImageError
from headstock.images._decode import frame_count, stored_frame
from headstock.images._guard import refusing
from headstock.images._header import film_header, numbers, pixel_aspect, text
from headstock.images._kind import kind_of
from headstock.images._lut import modality_values, voi_choices
from headstock.images._picture import picture_kind, picture_values
from headstock.images.film import Film, FilmHeader, Photometric
from headstock.images.limits import ReadLimits

__all__ = ["read_dataset", "read_film", "read_frames"]

# Group and element of the first tag of a plausible data set without its meta group: (0002,xxxx) or (0008,xxxx).
_FIRST_GROUPS: Final = (b"\x02\x00", b"\x08\x00", b"\x00\x02", b"\x00\x08")
_ENVELOPED: Final = b"\x06\x09\x2a\x86\x48\x86\xf7\x0d\x01\x07"  # PKCS #7 content types, RFC 5652
_ARCHIVES: Final = (
    (b"PK\x03\x04", "a zip archive"),
    (b"PK\x05\x06", "an empty zip archive"),
    (b"\x1f\x8b", "a gzip archive"),
    (b"7z\xbc\xaf\x27\x1c", "a 7z archive"),
    (b"Rar!", "a rar archive"),
    (b"BZh", "a bzip2 archive"),
    (b"\xfd7zXZ", "an xz archive"),
)

# pydicom logs a header's defective values, which may be a patient's: they must not reach a server's log.
logging.getLogger("pydicom").setLevel(logging.CRITICAL)


def read_film(data: bytes, *, name: str = "", frame: int = 0, limits: ReadLimits | None = None) -> Film:
    """The film in a file, one frame of it (the first unless `frame` says otherwise).

    `name` is not used for deciding anything; it is accepted so that a caller
    can pass what it has.

    Raises
    ------
    ImageError
        Not a film, damaged, encrypted, too large, or of a form that is not read.
    """
    limits = limits or ReadLimits()
    kind = picture_kind(data)
    if kind is not None:
        return _picture_film(data, kind, limits)
    ds = read_dataset(data, limits=limits)
    return film_of(ds, data, frame, limits)


def read_frames(data: bytes, *, limits: ReadLimits | None = None) -> Iterator[Film]:
    """Every frame of a file in order, one at a time, so that a long run need not fit in memory.

    Raises
    ------
    ImageError
        As `read_film`.
    """
    limits = limits or ReadLimits()
    kind = picture_kind(data)
    if kind is not None:
        yield _picture_film(data, kind, limits)
        return
    ds = read_dataset(data, limits=limits)
    for frame in range(frame_count(ds)):
        yield film_of(ds, data, frame, limits)


def read_dataset(data: bytes, *, headers_only: bool = False, limits: ReadLimits | None = None) -> FileDataset:
    """The DICOM data set in a file's bytes, with or without the standard's preamble.

    Raises
    ------
    ImageError
        Not DICOM, encrypted as a whole, too damaged to parse, or the directory of a medium.
    """
    ds = parse(data, limits or ReadLimits(), headers_only=headers_only)
    if is_directory(ds):
        raise ImageError("This is the directory of a DICOM medium, not a picture. Import the folder that holds it.")
    return ds


def is_directory(ds: FileDataset) -> bool:
    """Whether a data set is the directory of a medium (DICOMDIR, PS3.3 F)."""
    return "DirectoryRecordSequence" in ds


def parse(data: bytes, limits: ReadLimits, *, headers_only: bool = False) -> FileDataset:
    """`read_dataset`, directories of media included."""
    if not data:
        raise ImageError("The file is empty. Copy or export it again.")
    with_preamble = data[128:132] == b"DICM"
    if not with_preamble and data[:2] not in _FIRST_GROUPS:
        raise ImageError(_what_instead(data))
    with quiet(), refusing("The file begins like DICOM but is damaged or cut short. Copy or export it again."):
        if with_preamble:
            _check_deflated(data, limits)
        ds = dcmread(BytesIO(data), force=True, stop_before_pixels=headers_only)
        known = any(
            keyword in ds for keyword in ("SOPClassUID", "Modality", "PixelData", "Rows", "DirectoryRecordSequence")
        )
    if not known:
        raise ImageError(
            "The file begins like DICOM but neither says what it holds nor has a picture: it is incomplete or cut "
            "short. Copy or export it again."
        )
    return ds


def film_of(ds: FileDataset, data: bytes, frame: int, limits: ReadLimits) -> Film:
    """`Film` of a data set already parsed from `data`."""
    with quiet(), refusing():
        kind = kind_of(ds)
        if kind.kind == "slice":
            raise ImageError(f"This is a slice of a scan ({kind.words}), not a film. Open its whole series as a scan.")
        if kind.kind == "other":
            raise ImageError(f"This is {kind.words}, not a film. Give radiographs, or pictures of them.")
        if "EncryptedAttributesSequence" in ds and "PixelData" not in ds:
            raise ImageError("The picture in this file is encrypted. Ask the sender for an open copy.")
        stored = stored_frame(ds, frame, limits)
        values, quantum, notes = modality_values(stored.numbers, stored.quantum, ds)
        choices, more = voi_choices(ds, values)
        photometric: Photometric = "MONOCHROME2"
        if not stored.colour and text(ds, "PhotometricInterpretation").upper() == "MONOCHROME1":
            photometric = "MONOCHROME1"
        if stored.colour:
            more = (*more, "The picture was stored in colour and is shown as its luminance.")
        if text(ds, "PresentationIntentType").upper() == "FOR PROCESSING":
            more = (*more, "The film holds the detector's raw values (FOR PROCESSING): bone may be dark; invert if so.")
        return Film(
            values=values,
            header=film_header(ds),
            content_sha256=hashlib.sha256(data).hexdigest(),
            pixels_sha256=_pixels_sha256(stored.numbers),
            photometric=photometric,
            voi=choices,
            pixel_aspect=pixel_aspect(ds),
            frames=frame_count(ds),
            frame=frame,
            quantum=quantum,
            padding=_padding(ds, values, quantum),
            lossy=text(ds, "LossyImageCompression") == "01",
            notes=notes + more,
        )


@contextmanager
def quiet() -> Iterator[None]:
    """Keep warnings about a header's defects to ourselves: they are judged here, and reported as notes or refusals."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        yield


def _picture_film(data: bytes, kind: str, limits: ReadLimits) -> Film:
    with quiet():
        grey, quantum = picture_values(data, kind, limits)
    return Film(
        values=grey.astype(np.float32),
        header=FilmHeader(is_picture=True),
        content_sha256=hashlib.sha256(data).hexdigest(),
        pixels_sha256=_pixels_sha256(grey),
        photometric="MONOCHROME2",
        quantum=quantum,
        lossy=kind == "JPEG",
        notes=(f"A {kind} picture says nothing of patient, side, date or scale: all must be entered.",),
    )


def _pixels_sha256(pixels: NDArray[np.generic]) -> str:
    """Hash of shape and numbers, the same for the same numbers in 8 or 16 bits, signed or not."""
    plain = pixels.astype("<f4" if pixels.dtype.kind == "f" else "<i4", copy=False)
    found = hashlib.sha256(f"{pixels.shape}".encode())
    found.update(np.ascontiguousarray(plain).data)
    return found.hexdigest()


def _padding(ds: FileDataset, values: NDArray[np.float32], quantum: float | None) -> tuple[float, float] | None:
    """Range of values that mark pixels outside the image (PS3.3 C.7.5.1.1.2), where no table changed them."""
    if "ModalityLUTSequence" in ds or quantum is None:
        return None
    ends = numbers(ds, "PixelPaddingValue")[:1] + numbers(ds, "PixelPaddingRangeLimit")[:1]
    if not ends:
        return None
    slope, intercept = (numbers(ds, "RescaleSlope") or (1.0,))[0], (numbers(ds, "RescaleIntercept") or (0.0,))[0]
    mapped = sorted(end * slope + intercept for end in ends)
    return mapped[0], mapped[-1]


def _check_deflated(data: bytes, limits: ReadLimits) -> None:
    """Refuse a deflated data set that unpacks to more than the bound (PS3.5 A.5)."""
    from pydicom.filereader import _read_file_meta_info

    stream = BytesIO(data)
    read_preamble(stream, force=False)
    meta = _read_file_meta_info(stream)
    if meta.get("TransferSyntaxUID") != DeflatedExplicitVRLittleEndian:
        return
    unpacker = zlib.decompressobj(-zlib.MAX_WBITS)
    unpacker.decompress(data[stream.tell() :], limits.inflated_bytes)
    if unpacker.unconsumed_tail:
        raise ImageError(
            f"The file would unpack to more than {limits.inflated_bytes >> 20} MB, which no film needs. "
            "Export it again without compression."
        )


def _what_instead(data: bytes) -> str:
    """One line for a file that is neither DICOM nor a picture."""
    for magic, words in _ARCHIVES:
        if data.startswith(magic):
            return f"This is {words}, not an image. Unpack it and import what it holds."
    if data[:1] == b"\x30" and _ENVELOPED in data[:64]:
        return "This file is encrypted (a secure DICOM envelope). Ask the sender for an open copy."
    if data[:5] == b"%PDF-":
        return "This is a PDF document, not an image. Export the film itself as DICOM."
    return "This is not an image that can be read (neither DICOM nor JPEG, PNG or TIFF), or it is encrypted or damaged."

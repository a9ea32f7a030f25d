"""The slices a file holds, as plain facts: where each lies, what it was made with, how its numbers are scaled.

In: the bytes or the path of a classic or an enhanced CT or MR object. Out: one
`Slice` a frame; the pixels are left where they are until the stack is known to be sound.
Source: image plane, DICOM PS3.3 C.7.6.2; functional groups, C.7.6.16.2; CT and MR image, C.8.2.1, C.8.3.1,
C.8.15, C.8.13. SliceThickness is kept for words only: it is not the distance between slices (C.7.6.2.1.1).
"""

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray
from pydicom.dataset import Dataset, FileDataset
from pydicom.uid import (
    DeflatedExplicitVRLittleEndian,
    ExplicitVRBigEndian,
    ExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
)

from headstock.errors import ImageError
from headstock.images._decode import ensure_syntax, frame_count
from headstock.images._guard import refusing
from headstock.images._header import number, numbers, raw, text, whole
from headstock.images._kind import kind_of
from headstock.images.limits import ReadLimits
from headstock.images.read import is_directory, parse, quiet
from headstock.images.scan import ScanModality

__all__ = ["Slice", "SliceFile", "slices_of"]

Floats = NDArray[np.float64]

# What may tell two slices at one place apart, in the order in which it is tried; words as they are shown.
_APART: Final = (
    ("time point", "TemporalPositionIdentifier"),
    ("time point", "TemporalPositionIndex"),
    ("stack", "StackID"),
    ("trigger time", "TriggerTime"),
    ("echo", "EchoNumbers"),
    ("echo time", "EchoTime"),
    ("echo time", "EffectiveEchoTime"),
    ("inversion time", "InversionTime"),
    ("diffusion value", "DiffusionBValue"),
    ("acquisition", "AcquisitionNumber"),
    ("acquisition", "FrameAcquisitionNumber"),
    ("tube voltage", "KVP"),
    ("kind of picture", "ImageType"),
    ("slice thickness", "SliceThickness"),
    ("acquisition time", "AcquisitionTime"),
    ("acquisition time", "FrameAcquisitionDateTime"),
)


# What makes two reconstructions of one measurement different volumes.
_MADE: Final = (
    ("kernel", "ConvolutionKernel"),
    ("diameter of reconstruction", "ReconstructionDiameter"),
)


@dataclass(frozen=True, slots=True, eq=False)
class SliceFile:
    """A file of the scan: its header without pixels, and where its pixels begin.

    `begins` is the byte at which uncompressed samples start, None where a decoder must be asked.
    """

    source: bytes | Path
    header: FileDataset
    modality: ScanModality
    begins: int | None

    def read(self) -> bytes:
        """All bytes of the file."""
        return _read(self.source)


@dataclass(frozen=True, slots=True, eq=False)
class Slice:
    """One plane. `position` (3,), LPS, mm: centre of its first pixel; `along` (2, 3): the directions in which
    column and row number grow; both None where the file does not say. `spacing_mm`: between columns, between rows.

    `made`: what a reconstruction is made with, (name, value); slices that differ in it are no one volume.
    `apart`: what may tell slices at one place apart. `stored_padding`: range of stored numbers outside the picture.
    `laterality`: the side a frame of an enhanced object states for itself ("L", "R", "B", "U"; "" where it is silent).
    """

    file: SliceFile
    frame: int
    position: Floats | None
    along: Floats | None
    spacing_mm: tuple[float, float] | None
    rows: int
    columns: int
    slope: float | None
    intercept: float | None
    scale_words: str
    stored_padding: tuple[float, float] | None
    thickness_mm: float | None
    image_type: tuple[str, ...]
    laterality: str
    kvp: float | None
    made: tuple[tuple[str, str], ...]
    apart: tuple[tuple[str, str], ...]


def slices_of(source: bytes | Path, limits: ReadLimits) -> tuple[Slice, ...]:
    """The slices of one file, in the order it stores them.

    Raises
    ------
    ImageError
        Not a slice of a CT or MR scan, damaged, cut short, or without pixels.
    """
    data = _read(source)
    header = parse(data, limits, headers_only=True)
    with quiet(), refusing("The header of a slice is damaged. Export the series again."):
        if is_directory(header):
            raise ImageError("This is the directory of a DICOM medium, not a slice. Open the folder that holds it.")
        kind = kind_of(header)
        if kind.kind != "slice":
            raise ImageError(f"This is {kind.words}, not a slice of a CT or MR scan. Give the slices of one series.")
        modality: ScanModality = "CT" if kind.words == "CT" else "MR"
        rows, columns = whole(header, "Rows") or 0, whole(header, "Columns") or 0
        if rows < 1 or columns < 1:
            raise ImageError(
                "A slice does not say how many rows and columns it has: it is a header alone, or was cut short. "
                "Export the series again."
            )
        limits.check_size(rows, columns)
        file = SliceFile(source, header, modality, _pixels_begin(header, data))
        if "PerFrameFunctionalGroupsSequence" in header or "SharedFunctionalGroupsSequence" in header:
            return _enhanced(file, rows, columns)
        if frame_count(header) > 1:
            raise ImageError(
                f"A file of this {modality} series holds {frame_count(header)} pictures but not where each lies. "
                "Export the series as single slices or as an enhanced multi-frame object."
            )
        return (_slice(file, 0, (header,), rows, columns),)


def _read(source: bytes | Path) -> bytes:
    if isinstance(source, bytes):
        return source
    try:
        return source.read_bytes()
    except OSError as why:
        raise ImageError("A slice could not be opened or read. Check its permissions and the disk.") from why


def _pixels_begin(header: FileDataset, data: bytes) -> int | None:
    """First byte of the samples of an uncompressed 16-bit grey picture, checked for length; else None.

    Raises
    ------
    ImageError
        There are no pixels, or fewer than the header promises.
    """
    syntax = ensure_syntax(header)
    stopped = header.buffer.tell() if header.buffer is not None else 0
    header.buffer = None  # it would keep every file of a series in memory
    if syntax == DeflatedExplicitVRLittleEndian:
        return None  # the header was read from the unpacked stream, whose places are not the file's
    tag = b"\x7f\xe0\x00\x10" if syntax == ExplicitVRBigEndian else b"\xe0\x7f\x10\x00"
    if data[stopped : stopped + 4] != tag:
        raise ImageError("A slice holds no picture: it is a header alone, or was cut short. Export the series again.")
    plain = (
        syntax in (ExplicitVRLittleEndian, ImplicitVRLittleEndian)
        and whole(header, "BitsAllocated") == 16
        and (whole(header, "SamplesPerPixel") or 1) == 1
        and text(header, "PhotometricInterpretation").upper() in ("MONOCHROME1", "MONOCHROME2")
    )
    if not plain:
        return None
    begins = stopped + (8 if syntax == ImplicitVRLittleEndian else 12)
    needed = 2 * (whole(header, "Rows") or 0) * (whole(header, "Columns") or 0) * frame_count(header)
    if len(data) - begins < needed:
        raise ImageError("A slice ends before its picture does: it was cut short. Copy or export the series again.")
    return begins


def _enhanced(file: SliceFile, rows: int, columns: int) -> tuple[Slice, ...]:
    """Frames of an enhanced object: what a frame does not say itself, it shares with all."""
    header = file.header
    shared = list(raw(header, "SharedFunctionalGroupsSequence") or ())[:1]
    frames = list(raw(header, "PerFrameFunctionalGroupsSequence") or ())
    stated = frame_count(header)
    if not frames:
        frames = [Dataset()] * stated
    if len(frames) != stated:
        raise ImageError(
            f"The file says it holds {stated} slices but describes {len(frames)}, so which lies where is not known. "
            "Export the series again."
        )
    common = _flat(shared[0]) if shared else ()
    return tuple(_slice(file, i, (*_flat(frame), *common, header), rows, columns) for i, frame in enumerate(frames))


def _flat(groups: Dataset) -> tuple[Dataset, ...]:
    """The items of functional groups, each of which holds one kind of fact."""
    return tuple(element.value[0] for element in groups if element.VR == "SQ" and element.value)


def _slice(file: SliceFile, frame: int, places: tuple[Dataset, ...], rows: int, columns: int) -> Slice:
    """A slice's facts, each from the first of `places` that states it."""

    def stated(keyword: str) -> Dataset:
        return next((place for place in places if keyword in place), places[-1])

    position = numbers(stated("ImagePositionPatient"), "ImagePositionPatient")
    along = numbers(stated("ImageOrientationPatient"), "ImageOrientationPatient")
    spacing = numbers(stated("PixelSpacing"), "PixelSpacing")
    scaled = stated("RescaleSlope")
    padding = numbers(file.header, "PixelPaddingValue")[:1] + numbers(file.header, "PixelPaddingRangeLimit")[:1]
    words = _scale_words(file, scaled)
    return Slice(
        file=file,
        frame=frame,
        position=np.array(position) if len(position) == 3 else None,
        along=np.array(along).reshape(2, 3) if len(along) == 6 else None,
        spacing_mm=(spacing[1], spacing[0]) if len(spacing) == 2 and min(spacing) > 0.0 else None,
        rows=rows,
        columns=columns,
        slope=number(scaled, "RescaleSlope"),
        intercept=number(scaled, "RescaleIntercept"),
        scale_words=words,
        stored_padding=(min(padding), max(padding)) if padding else None,
        thickness_mm=number(stated("SliceThickness"), "SliceThickness"),
        image_type=tuple(text(stated("FrameType"), "FrameType").upper().split("\\"))
        if "FrameType" in stated("FrameType")
        else tuple(text(file.header, "ImageType").upper().split("\\")),
        laterality=text(stated("FrameLaterality"), "FrameLaterality").upper(),
        kvp=number(stated("KVP"), "KVP"),
        made=tuple((words, text(stated(keyword), keyword)) for words, keyword in _MADE),
        apart=tuple((words, text(stated(keyword), keyword)) for words, keyword in _APART),
    )


def _scale_words(file: SliceFile, scaled: Dataset) -> str:
    """What the numbers are after scaling: "HU", another word of the file, "" where it is silent."""
    if "ModalityLUTSequence" in file.header:
        return "a table"
    return text(scaled, "RescaleType").upper()

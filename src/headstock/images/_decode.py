"""Stored numbers of one frame of a DICOM image: decompressed, unused bits removed, colour turned to grey.

In: a dataset with pixel data. Out: (rows, cols) whole numbers and what is
known of them. Every compression is given to one decoder by name; those that
only GDCM knows (lossless JPEG, lossy JPEG with 12 bits) run in a process apart.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import islice
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from pydicom.dataset import Dataset
from pydicom.encaps import generate_frames
from pydicom.pixels.processing import apply_color_lut, convert_color_space
from pydicom.pixels.utils import pixel_array
from pydicom.uid import (
    HTJ2K,
    JPEG2000,
    ExplicitVRBigEndian,
    ExplicitVRLittleEndian,
    HTJ2KLossless,
    HTJ2KLosslessRPCL,
    ImplicitVRLittleEndian,
    JPEG2000Lossless,
    JPEGBaseline8Bit,
    JPEGExtended12Bit,
    JPEGLossless,
    JPEGLosslessSV1,
    JPEGLSLossless,
    JPEGLSNearLossless,
    RLELossless,
)

from headstock.errors import ImageError
from headstock.images._apart import frames_apart
from headstock.images._codestream import codestream_size
from headstock.images._guard import DAMAGED, refusing
from headstock.images._header import text, whole
from headstock.images.limits import ReadLimits

__all__ = [
    "Stored",
    "ensure_syntax",
    "frame_count",
    "missing_bytes",
    "stored_frame",
    "stored_frames",
    "to_grey",
    "used_bits",
]

_MONO: Final = ("MONOCHROME1", "MONOCHROME2")
_COLOUR: Final = (
    "RGB",
    "PALETTE COLOR",
    "YBR_FULL",
    "YBR_FULL_422",
    "YBR_PARTIAL_422",
    "YBR_PARTIAL_420",
    "YBR_ICT",
    "YBR_RCT",
)
# One named decoder for each compression, so that none falls back to GDCM in this process (see decision 0103).
_PLUGINS: Final[dict[str, str]] = {
    JPEGBaseline8Bit: "pillow",
    JPEGExtended12Bit: "pillow",  # with 8 bits only
    JPEGLSLossless: "pyjpegls",
    JPEGLSNearLossless: "pyjpegls",
    JPEG2000Lossless: "pylibjpeg",
    JPEG2000: "pylibjpeg",
    HTJ2KLossless: "pylibjpeg",
    HTJ2KLosslessRPCL: "pylibjpeg",
    HTJ2K: "pylibjpeg",
    RLELossless: "pylibjpeg",
}
# Lossless JPEG, and the retired spectral selection and full progression that old archives hold (PS3.5 A.4.1).
_APART: Final = (JPEGLossless, JPEGLosslessSV1, "1.2.840.10008.1.2.4.53", "1.2.840.10008.1.2.4.55")


@dataclass(frozen=True, slots=True, eq=False)
class Stored:
    """One frame as stored: `numbers` (rows, cols); `quantum` their step; `colour` where it was colour before."""

    numbers: NDArray[Any]
    quantum: float
    colour: bool


def frame_count(ds: Dataset) -> int:
    """Number of frames; an absent or senseless entry means one (PS3.3 C.7.6.6)."""
    return max(whole(ds, "NumberOfFrames") or 1, 1)


def stored_frame(ds: Dataset, frame: int, limits: ReadLimits) -> Stored:
    """Frame `frame` (from 0) of the dataset's pixel data.

    Raises
    ------
    ImageError
        There are no pixels, too many, of a depth or colour model that is not
        read, or they cannot be decoded.
    """
    photometric = _check(ds, frame, limits)
    decoded = _decoded(ds, frame, photometric)
    if photometric in _MONO:
        if decoded.ndim != 2:
            raise ImageError(
                f"The header says grey, but a frame has shape {decoded.shape}. The file contradicts itself; "
                "export it again."
            )
        return Stored(used_bits(decoded, ds), 1.0, colour=False)
    if photometric == "PALETTE COLOR":
        with refusing(
            "The palette that gives this picture its colours is missing or damaged. Export it again as grey values."
        ):
            decoded = apply_color_lut(decoded, ds)
    grey, quantum = to_grey(decoded)
    return Stored(grey, quantum, colour=True)


def stored_frames(datasets: Sequence[Dataset], limits: ReadLimits) -> list[NDArray[Any]]:
    """Stored numbers (rows, cols) of the one grey frame of each of several datasets of one form, such as slices.

    Those that only GDCM decodes go to one process together.

    Raises
    ------
    ImageError
        As `stored_frame`, or they hold colours.
    """
    if any(text(ds, "PhotometricInterpretation").upper() not in _MONO for ds in datasets):
        raise ImageError("A slice holds colours, not measured values. Export the series itself, not a picture of it.")
    first = datasets[0]
    if ensure_syntax(first) not in _APART or (whole(first, "SamplesPerPixel") or 1) != 1:
        return [stored_frame(ds, 0, limits).numbers for ds in datasets]
    streams = []
    form = _form(first, _check(first, 0, limits))
    for ds in datasets:
        if _form(ds, _check(ds, 0, limits)) != form:
            return [stored_frame(one, 0, limits).numbers for one in datasets]
        with refusing():
            stream = next(iter(generate_frames(ds.PixelData, number_of_frames=1)))
        said = codestream_size(stream)
        if said is not None and said != (form["rows"], form["columns"]):
            raise ImageError(DAMAGED)
        streams.append(stream)
    return [used_bits(found, first) for found in frames_apart(streams, samples=1, **form)]


def to_grey(rgb: NDArray[Any]) -> tuple[NDArray[Any], float]:
    """Luminance of (rows, cols, 3) colours, and its smallest step.

    0.299 R + 0.587 G + 0.114 B, the Y of PS3.3 C.7.6.3.1.2 (ITU-R BT.601).
    Where the three agree everywhere, as in a picture of a film, the value itself.
    """
    if rgb.ndim != 3 or rgb.shape[2] < 3:
        raise ImageError(
            f"A colour picture needs three values a pixel; this one has shape {rgb.shape}. Export it again as grey."
        )
    red, green, blue = (rgb[..., i] for i in range(3))
    if np.array_equal(red, green) and np.array_equal(red, blue):
        return np.ascontiguousarray(red), 1.0
    weighted = red.astype(np.float32) * np.float32(299.0)
    weighted += green.astype(np.float32) * np.float32(587.0)
    weighted += blue.astype(np.float32) * np.float32(114.0)
    weighted *= np.float32(0.001)
    return weighted, 0.001


def _check(ds: Dataset, frame: int, limits: ReadLimits) -> str:
    """Refuse what cannot or must not be decoded; return the photometric interpretation."""
    if "PixelData" not in ds:
        raise ImageError(
            "This DICOM file holds no picture: it is a header alone, or was cut short. Export the image itself."
        )
    rows, cols = whole(ds, "Rows") or 0, whole(ds, "Columns") or 0
    if rows < 1 or cols < 1:
        raise ImageError("The header does not say how many rows and columns the picture has. Export it again.")
    limits.check_size(rows, cols)
    allocated, stored = whole(ds, "BitsAllocated") or 0, whole(ds, "BitsStored") or whole(ds, "BitsAllocated") or 0
    if allocated not in (8, 16) or not 1 <= stored <= allocated:
        raise ImageError(
            f"Its pixels have {stored} bits in {allocated}. Films have 8 to 16 bits, so this is something else or "
            "damaged. Export the film itself."
        )
    photometric = text(ds, "PhotometricInterpretation").upper()
    if photometric not in (*_MONO, *_COLOUR):
        raise ImageError(
            f"The header says its grey values are “{photometric or 'unstated'}”, which cannot be shown safely. "
            "Export it as MONOCHROME2."
        )
    if not 0 <= frame < frame_count(ds):
        raise ImageError(f"Picture {frame + 1} was asked for, but the file has {frame_count(ds)}. Choose one of them.")
    return photometric


def _decoded(ds: Dataset, frame: int, photometric: str) -> NDArray[Any]:
    """The frame as pydicom or GDCM decodes it: (rows, cols) or (rows, cols, 3)."""
    syntax = ensure_syntax(ds)
    shape = (int(ds.Rows), int(ds.Columns))
    if syntax.is_encapsulated:
        stream = next(islice(generate_frames(ds.PixelData, number_of_frames=frame_count(ds)), frame, None))
        said = codestream_size(stream)
        if said is not None and said != shape:
            raise ImageError(
                f"The header says {shape[0]} by {shape[1]} pixels, the compressed picture {said[0]} by {said[1]}. "
                "The file contradicts itself; export it again."
            )
        plugin = _PLUGINS.get(syntax)
        if syntax in _APART or (plugin == "pillow" and (whole(ds, "BitsStored") or 8) > 8):
            return _apart(ds, stream, photometric)
        if plugin is None:
            raise ImageError(f"Its picture is compressed as {syntax.name}, which is not read. Export it uncompressed.")
    else:
        plugin = ""
    with refusing(_TRUNCATED if missing_bytes(ds) else DAMAGED):
        # Unused bits are left to `used_bits`: pydicom would clear those of values stored in the upper bits.
        return np.asarray(pixel_array(ds, index=frame, correct_unused_bits=False, decoding_plugin=plugin))


_TRUNCATED: Final = "The file ends before its picture does: it was cut short. Copy or export it again."


def missing_bytes(ds: Dataset) -> int:
    """How many bytes an uncompressed picture is short of what its header promises; 0 where that cannot be told."""
    sizes = [whole(ds, keyword) for keyword in ("Rows", "Columns", "BitsAllocated")]
    if "PixelData" not in ds or not all(sizes) or ensure_syntax(ds).is_encapsulated:
        return 0
    rows, cols, bits = (size or 0 for size in sizes)
    samples = whole(ds, "SamplesPerPixel") or 1
    if text(ds, "PhotometricInterpretation").endswith("_422"):
        samples = 2  # two brightnesses share one pair of colours
    return max(rows * cols * frame_count(ds) * samples * bits // 8 - len(ds.PixelData), 0)


def ensure_syntax(ds: Dataset) -> Any:
    """The transfer syntax; for a file without its meta group, the one it was parsed by."""
    syntax = getattr(ds.file_meta, "TransferSyntaxUID", None)
    if syntax is not None:
        if not syntax.is_transfer_syntax:
            raise ImageError("The file names a compression that is not a DICOM one. Export it again, uncompressed.")
        return syntax
    implicit, little = ds.original_encoding
    if implicit is None or little is None:
        raise ImageError(DAMAGED)
    if implicit:
        ds.file_meta.TransferSyntaxUID = ImplicitVRLittleEndian
    else:
        ds.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian if little else ExplicitVRBigEndian
    return ds.file_meta.TransferSyntaxUID


def _apart(ds: Dataset, stream: bytes, photometric: str) -> NDArray[Any]:
    """A frame that only GDCM decodes, in a process of its own."""
    samples = whole(ds, "SamplesPerPixel") or 1
    if samples not in (1, 3):
        raise ImageError(DAMAGED)
    found = frames_apart([stream], samples=samples, **_form(ds, photometric))[0]
    if photometric.startswith("YBR"):
        return np.asarray(convert_color_space(found, photometric, "RGB"))
    return found


def _form(ds: Dataset, photometric: str) -> dict[str, Any]:
    """What the decoder of another process is told of a frame."""
    return {
        "rows": int(ds.Rows),
        "columns": int(ds.Columns),
        "bits_allocated": int(ds.BitsAllocated),
        "bits_stored": whole(ds, "BitsStored") or int(ds.BitsAllocated),
        "signed": bool(whole(ds, "PixelRepresentation")),
        "photometric": photometric,
        "transfer_syntax": str(ensure_syntax(ds)),
    }


def used_bits(stored: NDArray[Any], ds: Dataset) -> NDArray[Any]:
    """Stored values without the bits around them (overlays of old files), sign extended: PS3.5 8.1.1."""
    allocated, bits = int(ds.BitsAllocated), whole(ds, "BitsStored") or int(ds.BitsAllocated)
    high = whole(ds, "HighBit")
    high = bits - 1 if high is None else high
    signed = bool(whole(ds, "PixelRepresentation"))
    native = np.dtype(f"{'i' if signed else 'u'}{stored.dtype.itemsize}")
    numbers = stored.astype(native, copy=False)
    if bits == allocated or stored.dtype.itemsize * 8 != allocated or not bits - 1 <= high < allocated:
        return numbers
    if high > bits - 1 and ensure_syntax(ds).is_encapsulated and int(numbers.max()) < 1 << bits:
        return numbers  # the compressed stream held only the stored bits, already moved down
    return np.asarray((numbers << (allocated - 1 - high)) >> (allocated - bits))

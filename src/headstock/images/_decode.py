"""Stored numbers of one frame of a DICOM image: decompressed, unused bits removed, colour turned to grey.

In: a dataset with pixel data. Out: (rows, cols) whole numbers and what is
known of them. Every compression that pydicom's plug-ins decode, and JPEG
Extended with 12 bits through GDCM itself, which those plug-ins refuse.
"""

from dataclasses import dataclass
from importlib import import_module
from itertools import islice
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from pydicom.dataset import Dataset
from pydicom.encaps import generate_frames
from pydicom.pixels.processing import apply_color_lut
from pydicom.pixels.utils import pixel_array
from pydicom.uid import ExplicitVRBigEndian, ExplicitVRLittleEndian, ImplicitVRLittleEndian, JPEGExtended12Bit

from headstock.errors import ImageError
from headstock.images._codestream import codestream_size
from headstock.images._header import text, whole
from headstock.images.limits import ReadLimits

__all__ = ["Stored", "frame_count", "missing_bytes", "stored_frame", "to_grey"]

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
# Extended, and the retired spectral selection and full progression that old archives hold (PS3.5 A.4.1).
_BY_GDCM_ALONE: Final = (JPEGExtended12Bit, "1.2.840.10008.1.2.4.53", "1.2.840.10008.1.2.4.55")


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
        return Stored(_used_bits(decoded, ds), 1.0, colour=False)
    if photometric == "PALETTE COLOR":
        try:
            decoded = apply_color_lut(decoded, ds)
        except (ValueError, AttributeError, KeyError, IndexError, TypeError) as why:
            raise ImageError(
                "The palette that gives this picture its colours is missing or damaged. Export it again as grey values."
            ) from why
    grey, quantum = to_grey(decoded)
    return Stored(grey, quantum, colour=True)


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
        raise ImageError("This DICOM file holds no picture (no pixel data). Export the image itself.")
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
    syntax = _ensure_syntax(ds)
    shape = (int(ds.Rows), int(ds.Columns))
    if syntax.is_encapsulated:
        try:
            stream = next(islice(generate_frames(ds.PixelData, number_of_frames=frame_count(ds)), frame, None))
        except (StopIteration, ValueError, TypeError, IndexError, EOFError) as why:
            raise ImageError(_DAMAGED) from why
        said = codestream_size(stream)
        if said is not None and said != shape:
            raise ImageError(
                f"The header says {shape[0]} by {shape[1]} pixels, the compressed picture {said[0]} by {said[1]}. "
                "The file contradicts itself; export it again."
            )
        if syntax in _BY_GDCM_ALONE and (whole(ds, "BitsStored") or 8) > 8:
            return _by_gdcm(ds, stream, shape)
    try:
        return np.asarray(pixel_array(ds, index=frame, correct_unused_bits=False))  # `_used_bits` does it
    except Exception as why:  # decoders written in C raise every type there is on damaged input; one refusal serves all
        raise ImageError(_TRUNCATED if missing_bytes(ds) else _DAMAGED) from why


_DAMAGED: Final = "Its picture is damaged or compressed in a way that cannot be read. Export it again, uncompressed."
_TRUNCATED: Final = "The file ends before its picture does: it was cut short. Copy or export it again."


def missing_bytes(ds: Dataset) -> int:
    """How many bytes an uncompressed picture is short of what its header promises; 0 where that cannot be told."""
    sizes = [whole(ds, keyword) for keyword in ("Rows", "Columns", "BitsAllocated")]
    if "PixelData" not in ds or not all(sizes) or _ensure_syntax(ds).is_encapsulated:
        return 0
    rows, cols, bits = (size or 0 for size in sizes)
    samples = whole(ds, "SamplesPerPixel") or 1
    if text(ds, "PhotometricInterpretation").endswith("_422"):
        samples = 2  # two brightnesses share one pair of colours
    return max(rows * cols * frame_count(ds) * samples * bits // 8 - len(ds.PixelData), 0)


def _ensure_syntax(ds: Dataset) -> Any:
    """The transfer syntax; for a file without its meta group, the one it was parsed by."""
    syntax = getattr(ds.file_meta, "TransferSyntaxUID", None)
    if syntax is not None:
        return syntax
    implicit, little = ds.original_encoding
    if implicit is None or little is None:
        raise ImageError(_DAMAGED)
    if implicit:
        ds.file_meta.TransferSyntaxUID = ImplicitVRLittleEndian
    else:
        ds.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian if little else ExplicitVRBigEndian
    return ds.file_meta.TransferSyntaxUID


def _by_gdcm(ds: Dataset, stream: bytes, shape: tuple[int, int]) -> NDArray[Any]:
    """Lossy JPEG with more than 8 bits, by GDCM's own decoder."""
    # Loaded here: 0.1 s, needed by this one compression. Its wrapper has no types.
    gdcm: Any = import_module("gdcm")

    gdcm.Trace.WarningOff()
    gdcm.Trace.ErrorOff()
    fragment = gdcm.Fragment()
    fragment.SetByteStringValue(stream)
    fragments = gdcm.SequenceOfFragments.New()
    fragments.AddFragment(fragment)
    element = gdcm.DataElement(gdcm.Tag(0x7FE0, 0x0010))
    element.SetValue(fragments.__ref__())
    image = gdcm.Image()
    image.SetNumberOfDimensions(2)
    image.SetDimensions((shape[1], shape[0], 1))
    image.SetDataElement(element)
    kind = gdcm.PhotometricInterpretation.GetPIType(text(ds, "PhotometricInterpretation"))
    image.SetPhotometricInterpretation(gdcm.PhotometricInterpretation(kind))
    image.SetTransferSyntax(gdcm.TransferSyntax(gdcm.TransferSyntax.GetTSType(str(_ensure_syntax(ds)))))
    bits, signed = whole(ds, "BitsStored") or 12, whole(ds, "PixelRepresentation") or 0
    image.SetPixelFormat(gdcm.PixelFormat(1, int(ds.BitsAllocated), bits, bits - 1, signed))
    try:
        # GDCM hands a char pointer over as text; this is its way back to bytes.
        found = image.GetBuffer().encode("utf-8", "surrogateescape")
        return np.frombuffer(found, np.dtype("<i2" if signed else "<u2")).reshape(shape)
    except (ValueError, TypeError, AttributeError, RuntimeError, UnicodeError, SystemError) as why:
        raise ImageError(_DAMAGED) from why


def _used_bits(stored: NDArray[Any], ds: Dataset) -> NDArray[Any]:
    """Stored values without the bits around them (overlays of old files), sign extended: PS3.5 8.1.1."""
    allocated, bits = int(ds.BitsAllocated), whole(ds, "BitsStored") or int(ds.BitsAllocated)
    high = whole(ds, "HighBit")
    high = bits - 1 if high is None else high
    signed = bool(whole(ds, "PixelRepresentation"))
    native = np.dtype(f"{'i' if signed else 'u'}{stored.dtype.itemsize}")
    numbers = stored.astype(native, copy=False)
    if bits == allocated or stored.dtype.itemsize * 8 != allocated or not bits - 1 <= high < allocated:
        return numbers
    if high > bits - 1 and _ensure_syntax(ds).is_encapsulated and int(numbers.max()) < 1 << bits:
        return numbers  # the compressed stream held only the stored bits, already moved down
    return np.asarray((numbers << (allocated - 1 - high)) >> (allocated - bits))

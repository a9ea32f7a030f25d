"""JPEG, PNG and TIFF pictures of films.

A picture carries no patient, side, date or scale that could be trusted: its
resolution entry says how to print it, not how the film was taken, so it is
ignored. A camera's rotation entry is applied, for otherwise the picture lies
on its side.
"""

import logging
from io import BytesIO
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from headstock.errors import ImageError
from headstock.images._decode import to_grey
from headstock.images._guard import refusing
from headstock.images.limits import ReadLimits

__all__ = ["PICTURE_KINDS", "picture_kind", "picture_values"]

PICTURE_KINDS: Final = ("JPEG", "PNG", "TIFF")
_BROKEN: Final = "The {} picture is damaged or cut short. Copy or export it again."


def picture_kind(data: bytes) -> str | None:
    """JPEG, PNG or TIFF by the file's first bytes; None for anything else.

    A DICOM file may begin like a TIFF: its preamble is free for another format
    to use (PS3.10 7.1). Then it is DICOM, for only that says whose film it is.
    """
    if data[128:132] == b"DICM":
        return None
    if data[:3] == b"\xff\xd8\xff":
        return "JPEG"
    if data[:8] == b"\x89PNG\r\n\x1a\n":
        return "PNG"
    if data[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
        return "TIFF"
    return None


def picture_values(data: bytes, kind: str, limits: ReadLimits) -> tuple[NDArray[Any], float]:
    """Grey values (rows, cols) of a picture, bright is bright, and their smallest step.

    Raises
    ------
    ImageError
        Damaged, too large, or of a form that is not read.
    """
    pixels = _tiff(data, limits) if kind == "TIFF" else None
    if pixels is None:
        pixels = _by_pillow(data, kind, limits)
    if pixels.ndim == 3 and pixels.shape[2] in (3, 4):
        return to_grey(pixels)
    if pixels.ndim == 3 and pixels.shape[2] in (1, 2):  # grey, or grey with transparency
        pixels = pixels[..., 0]
    if pixels.ndim != 2:
        raise ImageError(f"The {kind} picture has shape {pixels.shape}, not one plane. Export a single picture.")
    if pixels.dtype == np.bool_:
        pixels = pixels.astype(np.uint8)
    if pixels.dtype.kind not in "ui" or pixels.dtype.itemsize > 2:
        raise ImageError(
            f"The {kind} picture has {pixels.dtype} values. Films have whole numbers of 8 to 16 bits; export it so."
        )
    return np.ascontiguousarray(pixels), 1.0


def _by_pillow(data: bytes, kind: str, limits: ReadLimits) -> NDArray[Any]:
    from PIL import Image, ImageOps

    with refusing(_BROKEN.format(kind)), Image.open(BytesIO(data), formats=(kind,)) as picture:
        limits.check_size(picture.height, picture.width)
        turned: Image.Image = ImageOps.exif_transpose(picture)
        if turned.mode in ("P", "CMYK", "YCbCr", "LAB", "PA"):
            turned = turned.convert("RGB")
        pixels = np.asarray(turned)
    # 16-bit PNG comes as 32-bit integers from some versions.
    if pixels.dtype == np.int32 and pixels.size and pixels.min() >= 0 and pixels.max() <= 65535:
        pixels = pixels.astype(np.uint16)
    return pixels.astype(pixels.dtype.newbyteorder("="), copy=False)


def _tiff(data: bytes, limits: ReadLimits) -> NDArray[Any] | None:
    """First page by tifffile, which keeps 16 bits; None for compressions that only Pillow decodes."""
    import tifffile

    # It logs what it finds wrong with a file; the refusal says it already.
    logging.getLogger("tifffile").addHandler(logging.NullHandler())
    with refusing(_BROKEN.format("TIFF")), tifffile.TiffFile(BytesIO(data)) as tiff:
        page = tiff.pages.first
        limits.check_size(int(page.imagelength), int(page.imagewidth))
        if page.photometric not in (0, 1, 2) or page.samplesperpixel > 4:
            return None
        if page.compression not in (1, 8, 32946):  # none, deflate
            return None
        pixels = np.asarray(page.asarray())
        if page.samplesperpixel > 1 and page.planarconfig == 2:
            pixels = np.moveaxis(pixels, 0, -1)
        if page.photometric == 0 and pixels.dtype.kind == "u":  # 0 is white
            pixels = np.asarray(((1 << int(page.bitspersample)) - 1) - pixels).astype(pixels.dtype)
        return pixels

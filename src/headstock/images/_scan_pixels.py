"""The numbers of slices: read where they lie or decoded, scaled to Hounsfield units on CT, gathered into a volume.

Source: rescale, DICOM PS3.3 C.11.1 and C.7.6.16.2.9; CT Rescale Type, C.8.2.1.1.2; padding, C.7.5.1.1.2.
"""

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from itertools import islice
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from pydicom.dataset import FileDataset
from pydicom.encaps import encapsulate, generate_frames

from headstock.errors import ImageError
from headstock.images._decode import ensure_syntax, frame_count, stored_frame, stored_frames, used_bits
from headstock.images._guard import refusing
from headstock.images._scan_slice import Slice, SliceFile
from headstock.images.limits import ReadLimits
from headstock.images.read import parse, quiet

__all__ = ["AIR_HU", "check_scales", "scaled_picture", "volume_of"]

AIR_HU: Final = -1024  # definition: what voxels hold that no slice measured
_PADDING_BELOW_HU: Final = -950.0  # definition: a padding value that would be tissue is not believed
_AT_ONCE: Final = 24  # slices decoded by one process: some 12 MB
_INT16: Final = np.iinfo(np.int16)

Volume = NDArray[np.int16] | NDArray[np.float32]
Progress = Callable[[float, str], None]


def check_scales(slices: Sequence[Slice]) -> None:
    """Refuse CT slices whose numbers cannot be turned into Hounsfield units.

    Raises
    ------
    ImageError
        A slice states no scaling, or one to something else.
    """
    if slices[0].file.modality != "CT":
        return
    for s in slices:
        if s.scale_words not in ("", "HU"):
            raise ImageError(
                f"The CT's numbers are scaled to “{s.scale_words}”, not to Hounsfield units: it is a derived picture, "
                "and bone cannot be told by its values. Open the series it was made from."
            )
        if s.slope is None or s.intercept is None or s.slope == 0.0:
            raise ImageError(
                "The CT does not say how its numbers become Hounsfield units (Rescale Slope and Intercept). "
                "Export the original series."
            )


def scaled_picture(s: Slice, limits: ReadLimits) -> NDArray[Any]:
    """The scaled numbers (rows, columns) of one slice, float64: for comparing two."""
    return next(_stored([s], limits)) * (1.0 if s.slope is None else s.slope) + (s.intercept or 0.0)


def volume_of(
    slices: Sequence[Slice], limits: ReadLimits, progress: Progress | None = None
) -> tuple[Volume, NDArray[np.bool_] | None]:
    """Scaled numbers (slices, rows, columns) in the order given, and where a CT holds padding (None: nowhere).

    Whole numbers in range stay int16; anything else is float32.

    Raises
    ------
    ImageError
        A slice cannot be decoded.
    """
    shape = (len(slices), slices[0].rows, slices[0].columns)
    whole = all(float(v or 0.0).is_integer() for s in slices for v in (s.slope, s.intercept))
    out: Volume = np.empty(shape, np.int16) if whole else np.empty(shape, np.float32)
    padded: NDArray[np.bool_] | None = None
    for i, (s, stored) in enumerate(zip(slices, _stored(slices, limits), strict=True)):
        slope, intercept = 1.0 if s.slope is None else s.slope, s.intercept or 0.0
        mask = _padding(s, stored, slope, intercept)
        if out.dtype == np.int16:
            wide = stored.astype(np.int32)
            if slope != 1.0:
                wide *= int(slope)
            wide += int(intercept)
            if mask is not None:
                wide[mask] = AIR_HU
            if wide.min() < _INT16.min or wide.max() > _INT16.max:
                out = out.astype(np.float32)
            out[i] = wide
        else:
            out[i] = stored * np.float32(slope) + np.float32(intercept)
            if mask is not None:
                out[i][mask] = AIR_HU
        if mask is not None:
            if padded is None:
                padded = np.zeros(shape, np.bool_)
            padded[i] = mask
        if progress is not None and i % 16 == 0:
            progress(i / len(slices), "reading slices")
    return out, padded


def _padding(s: Slice, stored: NDArray[Any], slope: float, intercept: float) -> NDArray[np.bool_] | None:
    """Pixels outside the picture of a CT slice; None when there are none."""
    if s.file.modality != "CT" or s.stored_padding is None:
        return None
    low, high = s.stored_padding
    if max(low * slope, high * slope) + intercept > _PADDING_BELOW_HU:
        return None
    mask = (stored >= low) & (stored <= high)
    return mask if mask.any() else None


def _stored(slices: Sequence[Slice], limits: ReadLimits) -> Iterator[NDArray[Any]]:
    """Stored numbers of each slice, in order."""
    frames: dict[int, list[NDArray[Any]]] = {}
    at = 0
    while at < len(slices):
        s = slices[at]
        if s.file.begins is not None:
            yield _plain(s.file, s)
            at += 1
        elif frame_count(s.file.header) > 1:
            if id(s.file) not in frames:
                frames = {id(s.file): _all_frames(s.file, limits)}
            yield frames[id(s.file)][s.frame]
            at += 1
        else:
            run = [t for t in islice(slices, at, at + 2 * _AT_ONCE) if t.file.begins is None]
            run = run if all(frame_count(t.file.header) == 1 for t in run) else run[:1]
            # Both halves at once: each waits for a process, or for a library that lets the other run.
            halves = [half for half in (run[: len(run) // 2], run[len(run) // 2 :]) if half]
            with ThreadPoolExecutor(2) as pool:
                for part in pool.map(lambda half: _decoded([t.file for t in half], limits), halves):
                    yield from part
            at += len(run)


def _plain(file: SliceFile, s: Slice) -> NDArray[Any]:
    """Samples that lie in the file as they are."""
    assert file.begins is not None
    size = 2 * s.rows * s.columns
    begins = file.begins + s.frame * size
    if isinstance(file.source, bytes):
        data = file.source[begins : begins + size]
    else:
        try:
            with file.source.open("rb") as stream:
                stream.seek(begins)
                data = stream.read(size)
        except OSError as why:
            raise ImageError("A slice could not be read. Check the disk.") from why
    if len(data) < size:
        raise ImageError("A slice ends before its picture does: it was cut short. Copy or export the series again.")
    signed = int(file.header.get("PixelRepresentation", 0) or 0) == 1
    return used_bits(np.frombuffer(data, "<i2" if signed else "<u2").reshape(s.rows, s.columns), file.header)


def _decoded(files: Sequence[SliceFile], limits: ReadLimits) -> list[NDArray[Any]]:
    """The single frame of each file."""
    with quiet(), refusing():
        return stored_frames([parse(file.read(), limits) for file in files], limits)


def _all_frames(file: SliceFile, limits: ReadLimits) -> list[NDArray[Any]]:
    """Every frame of an enhanced object that a decoder must be asked for."""
    with quiet(), refusing():
        ds = parse(file.read(), limits)
        count = frame_count(ds)
        if not ensure_syntax(ds).is_encapsulated:
            return [stored_frame(ds, i, limits).numbers for i in range(count)]
        # Each frame as a file of its own, so that none is searched for again and again among the others.
        single = []
        for stream in generate_frames(ds.PixelData, number_of_frames=count):
            one = FileDataset("", {}, file_meta=ds.file_meta)
            for keyword in _PICTURE:
                if keyword in ds:
                    setattr(one, keyword, ds[keyword].value)
            one.NumberOfFrames = 1
            one.PixelData = encapsulate([stream])
            single.append(one)
        if len(single) != count:
            raise ImageError(
                f"The file says it holds {count} slices, but has pictures of {len(single)}. Export the series again."
            )
        found: list[NDArray[Any]] = []
        for at in range(0, count, _AT_ONCE):
            found += stored_frames(single[at : at + _AT_ONCE], limits)
        return found


_PICTURE: Final = (
    "Rows",
    "Columns",
    "BitsAllocated",
    "BitsStored",
    "HighBit",
    "PixelRepresentation",
    "SamplesPerPixel",
    "PhotometricInterpretation",
    "PlanarConfiguration",
)

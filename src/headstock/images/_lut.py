"""Look-up tables and windows of a header: the modality transformation, and the choices of interest.

Source: DICOM PS3.3 C.11.1 (modality), C.11.2 (VOI). Order: PS3.4 N.2.
"""

from typing import Any, Final, cast

import numpy as np
from numpy.typing import NDArray
from pydicom.dataset import Dataset

from headstock.errors import ImageError
from headstock.images._header import number, numbers, raw, text
from headstock.images.film import VoiChoice, VoiFunction, VoiTable, VoiWindow

__all__ = ["modality_values", "voi_choices"]

_FUNCTIONS: Final = ("LINEAR", "LINEAR_EXACT", "SIGMOID")


def modality_values(
    stored: NDArray[Any], quantum: float, ds: Dataset
) -> tuple[NDArray[np.float32], float | None, tuple[str, ...]]:
    """Values after modality LUT or rescale, their smallest step, and notes.

    A modality LUT and a rescale exclude each other (C.11.1); where a file has
    both the table is taken. A slope of zero would erase the film and is left out.
    """
    items = _items(ds, "ModalityLUTSequence")
    if items:
        table = _table(items[0], signed=bool(number(ds, "PixelRepresentation")))
        if table is None:
            raise ImageError(
                "The film's modality table is damaged, so its grey values cannot be trusted. Export it again."
            )
        first, entries, _ = table
        index = np.clip(stored.astype(np.int32) - first, 0, entries.size - 1)
        return entries.astype(np.float32)[index], 1.0, ()
    slope, intercept = number(ds, "RescaleSlope"), number(ds, "RescaleIntercept")
    notes: tuple[str, ...] = ()
    if slope == 0.0:
        slope, notes = None, ("The header's rescale slope is zero, which cannot be meant; it was left out.",)
    slope = 1.0 if slope is None else slope
    values = stored.astype(np.float32)
    if slope != 1.0:
        values *= np.float32(slope)
    if intercept:
        values += np.float32(intercept)
    return values, abs(slope) * quantum, notes


def voi_choices(ds: Dataset, values: NDArray[np.float32]) -> tuple[tuple[VoiChoice, ...], tuple[str, ...]]:
    """Tables first, then windows, in the header's order, and notes on those that had to be left out."""
    choices: list[VoiChoice] = []
    notes: list[str] = []
    signed = bool(values.size) and float(values.min()) < 0
    for item in _items(ds, "VOILUTSequence"):
        table = _table(item, signed=signed)
        if table is None:
            notes.append("A look-up table of the film is damaged and was left out.")
            continue
        first, entries, bits = table
        # Some makers state 16 bits for tables that end at 4095 or the other way round; never clip the table.
        top = max((1 << bits) - 1, int(entries.max()))
        choices.append(VoiTable(first, (entries / np.float32(top)).astype(np.float32), text(item, "LUTExplanation")))
    centres, widths = numbers(ds, "WindowCenter"), numbers(ds, "WindowWidth")
    says = text(ds, "WindowCenterWidthExplanation").split("\\")
    function = text(ds, "VOILUTFunction").upper() or "LINEAR"
    if function not in _FUNCTIONS:
        notes.append(f"The film asks for an unknown curve ({function}); a straight one is used.")
        function = "LINEAR"
    for i, (centre, width) in enumerate(zip(centres, widths, strict=False)):
        try:
            choices.append(VoiWindow(centre, width, cast("VoiFunction", function), says[i] if i < len(says) else ""))
        except ImageError:
            notes.append(f"A window of width {width:g} has no meaning and was left out.")
    return tuple(choices), tuple(notes)


def _items(ds: Dataset, keyword: str) -> list[Dataset]:
    found = raw(ds, keyword)
    return list(found) if found else []


def _table(item: Dataset, *, signed: bool) -> tuple[int, NDArray[np.uint32], int] | None:
    """(first value mapped, entries, bits) of a LUT item; None when it contradicts itself (C.11.1.1, C.11.2.1.1)."""
    descriptor = numbers(item, "LUTDescriptor")
    data = raw(item, "LUTData")
    if len(descriptor) != 3 or data is None:
        return None
    count, first, bits = (int(v) for v in descriptor)
    count = count & 0xFFFF or 65536  # 0 means 65536; some writers sign it
    if signed and first > 32767:  # written as US where SS was meant
        first -= 65536
    if isinstance(data, bytes | bytearray):
        width = "<u1" if len(data) in (count, count + 1) and bits <= 8 else "<u2"
        entries = np.frombuffer(bytes(data)[: len(data) // np.dtype(width).itemsize * np.dtype(width).itemsize], width)
    else:
        entries = np.atleast_1d(np.asarray(data, dtype=np.int64) & 0xFFFF)
        if entries.size == (count + 1) // 2 and bits <= 8 and count > 1:  # two 8-bit entries in a word
            entries = entries.astype("<u2").view("<u1")
    if entries.size < count or not 1 <= bits <= 16:
        return None
    return first, entries[:count].astype(np.uint32), bits

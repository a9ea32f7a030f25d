"""A phantom's scan as a DICOM series, whole or broken in one of the ways that exports are broken.

In: a `PhantomScan`. Out: (name, bytes) of every file, in the order they would be sent. `Fault` names what is wrong.
Source: CT Image IOD, DICOM PS3.3 A.3; image plane, C.7.6.2. As one object: `enhanced.py`.
"""

import io
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from headstock.geometry.grid import Grid
from headstock.phantom.scan import PhantomScan

__all__ = ["Fault", "Sender", "bytes_of", "cosines", "numbers", "sent_by", "series_files", "tilted_files", "uid"]

Fault = Literal[
    "none", "localizer", "missing", "doubled", "doubled_differing", "reversed", "feet_first", "mixed_kernel", "uneven"
]
_CT: Final = "1.2.840.10008.5.1.4.1.1.2"
_ROOT: Final = "1.2.826.0.1.3680043.8.498."


@dataclass(frozen=True, slots=True)
class Sender:
    """Who the files say the patient is; invented."""

    number: str = "PH-001"
    name: str = "PHANTOM^SIMULATED"
    born: str = "19880412"
    sex: str = "M"
    taken: str = "20261109"
    uid: int = 1


def series_files(found: PhantomScan, sender: Sender | None = None, fault: Fault = "none") -> list[tuple[str, bytes]]:
    """One file a slice; with a fault, one thing is wrong."""
    sender = sender or Sender()
    count = found.grid.shape[0]
    order = list(range(count))
    if fault == "reversed":
        order = order[::-1]
    if fault == "missing":
        order.remove(count // 2)
    files = []
    for number, k in enumerate(order):
        place = found.grid.points(np.array([0.0, 0.0, float(k)]))
        if fault == "uneven" and k > count // 2:
            place = place + np.array([0.0, 0.0, 0.4 * found.grid.spacing_mm[2] * (k % 2)])
        data = _slice(found, found.values[k], place, found.grid.axes[:, 0], found.grid.axes[:, 1], number, sender)
        if fault == "mixed_kernel" and k % 2:
            data.ConvolutionKernel = "SHARP"
        if fault == "feet_first":
            data.PatientPosition = "FFS"
        files.append((f"ct/{number + 1:03d}.dcm", bytes_of(data)))
        if fault in ("doubled", "doubled_differing") and k == count // 2:
            twin = found.values[k] if fault == "doubled" else np.roll(found.values[k], 3, axis=0)
            again = _slice(found, twin, place, found.grid.axes[:, 0], found.grid.axes[:, 1], count + 7, sender)
            files.append((f"ct/{number + 1:03d}-again.dcm", bytes_of(again)))
    if fault == "localizer":
        files.insert(0, ("ct/000.dcm", bytes_of(_localizer(found, sender))))
    return files


def tilted_files(found: PhantomScan, tilt_deg: float, sender: Sender | None = None) -> list[tuple[str, bytes]]:
    """The same patient with the gantry tilted about x: slices lean, the table still moves along z."""
    sender = sender or Sender()
    grid, turn = found.grid, np.radians(tilt_deg)
    down = np.array([0.0, np.cos(turn), np.sin(turn)])  # rows lean out of the axial plane
    files = []
    for k in range(grid.shape[0]):
        place = grid.points(np.array([0.0, 0.0, float(k)]))
        # (row, column) of the leaning slice to (slice, row, column) of the volume.
        step = down * grid.spacing_mm[1]
        first = grid.index(place)
        along = grid.index(place + step) - first
        matrix = np.array([[along[2], 0.0], [along[1], 0.0], [0.0, 1.0]])
        values = _leaning(found.values, matrix, first[::-1], grid)
        data = _slice(found, values, place, grid.axes[:, 0], down, k, sender)
        data.GantryDetectorTilt = f"{tilt_deg:g}"
        files.append((f"ct/{k + 1:03d}.dcm", bytes_of(data)))
    return files


def _leaning(values: NDArray[np.int16], matrix: Any, first: Any, grid: Grid) -> NDArray[np.int16]:
    """One leaning slice of the volume; air where the volume ends."""
    from scipy.ndimage import map_coordinates

    rows, columns = grid.shape[1:]
    index = np.indices((rows, columns)).reshape(2, -1)
    at = matrix @ index + np.asarray(first)[:, None]
    seen = map_coordinates(values.astype(np.float32), at, order=1, mode="constant", cval=-1000.0)
    return np.asarray(np.rint(seen).reshape(rows, columns), np.int16)


def uid(sender: Sender, *parts: int) -> str:
    """An identifier that follows from the sender's own number."""
    return _ROOT + ".".join(str(part) for part in (sender.uid, *parts))


def numbers(values: Any) -> list[str]:
    """Decimal strings of six digits: to a micrometre below a metre."""
    return [f"{float(v):.6g}" if abs(v) < 1e5 else f"{float(v):.0f}" for v in values]


def cosines(values: Any) -> list[str]:
    """Decimal strings of direction cosines, within the 16 letters that the standard allows."""
    return [f"{float(v):.8f}"[:16] for v in values]


def sent_by(sender: Sender, kind: str, *, series: int, instance: int) -> Any:
    """A data set of one class with what its files say of patient, study, series and equipment."""
    from pydicom.dataset import Dataset, FileMetaDataset
    from pydicom.uid import ExplicitVRLittleEndian

    data = Dataset()
    data.file_meta = FileMetaDataset()
    data.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    data.SpecificCharacterSet = "ISO_IR 192"
    data.SOPClassUID, data.SOPInstanceUID = kind, uid(sender, 1, series, instance)
    data.StudyInstanceUID, data.SeriesInstanceUID = uid(sender, 1), uid(sender, 1, series)
    data.FrameOfReferenceUID = uid(sender, 2)
    data.PatientID, data.PatientName = sender.number, sender.name
    data.PatientBirthDate, data.PatientSex = sender.born, sender.sex
    data.StudyDate = data.SeriesDate = data.ContentDate = sender.taken
    data.StudyTime, data.AccessionNumber, data.ReferringPhysicianName = "101500", "", ""
    data.StudyID, data.SeriesNumber, data.InstanceNumber = "1", str(series), str(instance)
    data.Manufacturer = "simulated"
    data.PatientPosition, data.BodyPartExamined, data.PositionReferenceIndicator = "HFS", "HIP", ""
    return data


def _common(found: PhantomScan, number: int, sender: Sender) -> Any:
    data = sent_by(sender, _CT, series=1, instance=number + 1)
    data.AcquisitionDate, data.AcquisitionNumber = sender.taken, "1"
    data.Modality, data.SeriesDescription = "CT", "CT HIP"
    data.Laterality = found.side.value[0].upper()
    data.KVP, data.ConvolutionKernel = "120", "BONE"
    data.SamplesPerPixel, data.PhotometricInterpretation = 1, "MONOCHROME2"
    data.BitsAllocated, data.BitsStored, data.HighBit, data.PixelRepresentation = 16, 16, 15, 1
    data.RescaleIntercept, data.RescaleSlope, data.RescaleType = "0", "1", "HU"
    return data


def _slice(
    found: PhantomScan, values: NDArray[np.int16], place: Any, across: Any, down: Any, number: int, sender: Sender
) -> Any:
    data = _common(found, number, sender)
    data.ImageType = ["ORIGINAL", "PRIMARY", "AXIAL"]
    data.ImagePositionPatient = numbers(place)
    data.ImageOrientationPatient = cosines((*across, *down))
    data.PixelSpacing = numbers(found.grid.spacing_mm[1::-1])
    data.SliceThickness = numbers(found.grid.spacing_mm[2:])[0]
    data.Rows, data.Columns = values.shape
    data.PixelData = np.ascontiguousarray(values, "<i2").tobytes()
    return data


def _localizer(found: PhantomScan, sender: Sender) -> Any:
    """A frontal overview of another size, under the same series number."""
    data = _common(found, 990, sender)
    data.ImageType = ["ORIGINAL", "PRIMARY", "LOCALIZER"]
    del data.RescaleType  # an overview has no HU
    picture = found.values.max(axis=1)[::-1, ::2]
    data.ImagePositionPatient = numbers(found.grid.points(np.array([0.0, 0.0, found.grid.shape[0] - 1.0])))
    data.ImageOrientationPatient = ["1", "0", "0", "0", "0", "-1"]
    data.PixelSpacing = numbers([found.grid.spacing_mm[2], 2.0 * found.grid.spacing_mm[0]])
    data.SliceThickness = "1"
    data.Rows, data.Columns = picture.shape
    data.PixelData = np.ascontiguousarray(picture, "<i2").tobytes()
    return data


def bytes_of(data: Any) -> bytes:
    """The data set as a file."""
    out = io.BytesIO()
    data.save_as(out, enforce_file_format=True)
    return out.getvalue()

"""CT and MR series made for the tests: analytic solids sampled in any orientation, classic or enhanced."""

from io import BytesIO

import numpy as np
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.sequence import Sequence
from pydicom.uid import ExplicitVRLittleEndian

CT = "1.2.840.10008.5.1.4.1.1.2"
MR = "1.2.840.10008.5.1.4.1.1.4"
ENHANCED_CT = "1.2.840.10008.5.1.4.1.1.2.1"

# Rows of pixels, then columns of pixels, as Image Orientation (Patient) has them.
AXIAL = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0))
CORONAL = ((1.0, 0.0, 0.0), (0.0, 0.0, -1.0))
SAGITTAL = ((0.0, 1.0, 0.0), (0.0, 0.0, -1.0))
FEET_FIRST = ((-1.0, 0.0, 0.0), (0.0, 1.0, 0.0))
_C, _S = np.cos(0.4), np.sin(0.4)
OBLIQUE = ((_C, _S, 0.0), (-_S * 0.8, _C * 0.8, 0.6))


def solid_hu(points):
    """HU of a scene without symmetry: two balls of bone of different size and an oblong, in soft tissue, in air."""
    x, y, z = np.moveaxis(np.asarray(points, np.float64), -1, 0)
    out = np.full(x.shape, -1000.0)
    out[(x / 34) ** 2 + (y / 30) ** 2 + (z / 40) ** 2 < 1] = 40.0
    out[(x - 12) ** 2 + (y + 5) ** 2 + (z - 8) ** 2 < 9.0**2] = 900.0
    out[(x + 14) ** 2 + (y - 9) ** 2 + (z + 10) ** 2 < 5.0**2] = 1200.0
    out[(np.abs(x - 2) < 4) & (np.abs(y - 12) < 3) & (np.abs(z - 18) < 7)] = 600.0
    return out


def planes(
    along=AXIAL,
    *,
    n=40,
    step=2.0,
    rows=48,
    columns=52,
    pixel=(1.5, 1.7),
    centre=(0.0, 0.0, 0.0),
    slope=None,
    field=solid_hu,
):
    """(position, values) of each plane, sorted along the normal; `step` a number or the places along it.

    `slope` (3,): direction in which the planes are stacked, the normal unless given (a tilted gantry).
    """
    row, column = (np.array(v) / np.linalg.norm(v) for v in along)
    normal = np.cross(row, column)
    stacked = normal if slope is None else np.asarray(slope, np.float64)
    places = (np.arange(n) - (n - 1) / 2) * step if np.isscalar(step) else np.asarray(step, np.float64)
    c, r = np.meshgrid(np.arange(columns), np.arange(rows))
    found = []
    for at in places:
        first = (
            np.asarray(centre) + at * stacked - row * pixel[0] * (columns - 1) / 2 - column * pixel[1] * (rows - 1) / 2
        )
        points = first + c[..., None] * pixel[0] * row + r[..., None] * pixel[1] * column
        found.append((first, field(points)))
    return found


def dataset(position, values, along=AXIAL, *, number=1, pixel=(1.5, 1.7), sop=CT, **elements):
    """One slice as a data set; elements set to None are left out."""
    row, column = (np.array(v) / np.linalg.norm(v) for v in along)
    ds = Dataset()
    ds.file_meta = FileMetaDataset()
    ds.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    ds.SOPClassUID, ds.SOPInstanceUID = sop, f"1.2.826.0.1.3680043.8.498.7.{number}"
    ds.Modality = "MR" if sop == MR else "CT"
    ds.ImageType = ["ORIGINAL", "PRIMARY", "AXIAL"]
    ds.PatientID, ds.PatientName = "DEMO-0003", "DEMO^THREE"
    ds.StudyInstanceUID, ds.SeriesInstanceUID = "1.2.826.0.1.3680043.8.498.5", "1.2.826.0.1.3680043.8.498.6"
    ds.FrameOfReferenceUID = "1.2.826.0.1.3680043.8.498.8"
    ds.SeriesDescription, ds.InstanceNumber = "HIP", str(number)
    ds.ConvolutionKernel, ds.SliceThickness = "BONE", "2"
    ds.ImagePositionPatient = [f"{v:.6f}" for v in position]
    ds.ImageOrientationPatient = [f"{v:.9f}"[:16] for v in (*row, *column)]
    ds.PixelSpacing = [str(pixel[1]), str(pixel[0])]
    ds.SamplesPerPixel, ds.PhotometricInterpretation = 1, "MONOCHROME2"
    ds.BitsAllocated, ds.BitsStored, ds.HighBit, ds.PixelRepresentation = 16, 12, 11, 0
    ds.Rows, ds.Columns = values.shape
    if sop == CT:
        ds.RescaleIntercept, ds.RescaleSlope, ds.RescaleType = "-1024", "1", "HU"
        stored = np.rint(values).astype(int) + 1024
    else:
        stored = np.rint(values).astype(int) + 1000
    ds.PixelData = np.ascontiguousarray(stored, "<u2").tobytes()
    for keyword, value in elements.items():
        if value is None:
            if keyword in ds:
                delattr(ds, keyword)
        else:
            setattr(ds, keyword, value)
    return ds


def packed(ds):
    """Bytes of a data set as a file."""
    out = BytesIO()
    ds.save_as(out, enforce_file_format=True)
    return out.getvalue()


def series(along=AXIAL, *, first_number=1, elements=None, **form):
    """Bytes of each slice of a whole series, sorted along its normal."""
    pixel = form.get("pixel", (1.5, 1.7))
    return [
        packed(dataset(position, values, along, number=first_number + i, pixel=pixel, **(elements or {})))
        for i, (position, values) in enumerate(planes(along, **form))
    ]


_PER_FRAME = (
    "ImagePositionPatient",
    "ImageOrientationPatient",
    "PixelSpacing",
    "SliceThickness",
    "RescaleSlope",
    "RescaleIntercept",
    "RescaleType",
    "ConvolutionKernel",
)


def enhanced(along=AXIAL, *, order=None, per_frame_scale=False, **form):
    """One enhanced CT object of the same planes, its frames in `order`."""
    found = planes(along, **form)
    order = list(range(len(found))) if order is None else order
    pixel = form.get("pixel", (1.5, 1.7))
    ds = dataset(*found[0], along, pixel=pixel)
    for keyword in _PER_FRAME:
        delattr(ds, keyword)
    ds.SOPClassUID = ds.file_meta.MediaStorageSOPClassUID = ENHANCED_CT
    ds.NumberOfFrames = len(found)
    row, column = (np.array(v) / np.linalg.norm(v) for v in along)

    def item(**elements):
        one = Dataset()
        for keyword, value in elements.items():
            setattr(one, keyword, value)
        return Sequence([one])

    shared = Dataset()
    shared.PlaneOrientationSequence = item(ImageOrientationPatient=[f"{v:.9f}"[:16] for v in (*row, *column)])
    shared.PixelMeasuresSequence = item(PixelSpacing=[str(pixel[1]), str(pixel[0])], SliceThickness="2")
    if not per_frame_scale:
        shared.PixelValueTransformationSequence = item(RescaleIntercept="-1024", RescaleSlope="1", RescaleType="HU")
    ds.SharedFunctionalGroupsSequence = Sequence([shared])
    frames, stored = [], []
    for k, i in enumerate(order):
        position, values = found[i]
        frame = Dataset()
        frame.PlanePositionSequence = item(ImagePositionPatient=[f"{v:.6f}" for v in position])
        offset = 1024 + (k % 3 if per_frame_scale else 0)
        if per_frame_scale:
            frame.PixelValueTransformationSequence = item(
                RescaleIntercept=str(-offset), RescaleSlope="1", RescaleType="HU"
            )
        frames.append(frame)
        stored.append(np.rint(values).astype(int) + offset)
    ds.PerFrameFunctionalGroupsSequence = Sequence(frames)
    ds.PixelData = np.ascontiguousarray(stored, "<u2").tobytes()
    return packed(ds)

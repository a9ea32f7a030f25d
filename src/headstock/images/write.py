"""A projection radiograph as a DICOM file: Digital X-Ray Image, For Presentation.

In: stored pixels (rows, cols) and the facts of the film. Out: the file's bytes,
the same for the same input (no clock, no random identifier).
Source: DICOM PS3.3 A.26 (DX IOD), C.8.11 (DX modules); held against
`dciodvfy` in the tests.
"""

import hashlib
from dataclasses import dataclass
from datetime import date
from io import BytesIO
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray
from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
from pydicom.sequence import Sequence
from pydicom.uid import UID, DigitalXRayImageStorageForPresentation, ExplicitVRLittleEndian

from headstock.errors import ImageError
from headstock.frames import Side

__all__ = ["DxFacts", "uid_from", "write_dx"]

# Code Meaning by Body Part Examined: DICOM PS3.16 CID 4009 (DX Anatomy Imaged), SNOMED CT codes.
_REGION: Final = {
    "PELVIS": ("816092008", "Pelvis"),
    "HIP": ("24136001", "Hip joint"),
    "FEMUR": ("71341001", "Femur"),
}
# View codes: DICOM PS3.16 CID 4010 (DX View).
_VIEW: Final = {
    "AP": ("399348003", "antero-posterior"),
    "PA": ("272479007", "postero-anterior"),
    "LL": ("399173006", "left lateral"),
    "RL": ("399198007", "right lateral"),
    "LATERAL": ("399067008", "lateral"),
}


@dataclass(frozen=True, slots=True)
class DxFacts:
    """What a film's header says besides its pixels.

    Spacings are (between rows, between columns), mm at the detector. A missing
    identifier is derived from the patient number, the dates and the pixels, so
    that the same film always gets the same one. `laterality` None writes an
    unpaired structure ("U"), as a pelvis film has it.
    """

    patient_name: str
    patient_number: str
    birth_date: date | None
    sex: Literal["M", "F", "O", ""]
    study_date: date
    series_description: str
    body_part: Literal["PELVIS", "HIP", "FEMUR"] = "PELVIS"
    view_position: Literal["AP", "PA", "LL", "RL", "LATERAL"] = "AP"
    laterality: Side | None = None
    patient_orientation: tuple[str, str] = ("L", "F")
    imager_pixel_spacing_mm: tuple[float, float] = (0.25, 0.25)
    source_detector_mm: float | None = None
    source_patient_mm: float | None = None
    estimated_magnification: float | None = None
    photometric: Literal["MONOCHROME1", "MONOCHROME2"] = "MONOCHROME2"
    bits_stored: int = 12
    window: tuple[float, float] | None = None
    study_time: str = "101500"
    series_number: int = 1
    instance_number: int = 1
    accession_number: str = ""
    study_uid: str | None = None
    series_uid: str | None = None
    sop_uid: str | None = None
    image_comments: str = ""


def uid_from(*words: str) -> str:
    """A UID that is the same for the same words.

    Form: "2.25." and a UUID as an integer, DICOM PS3.5 B.2; the 128 bits come
    from SHA-256 of the words, marked as a version 8 (own scheme) UUID, RFC 9562.
    """
    digest = bytearray(hashlib.sha256("\x1f".join(words).encode()).digest()[:16])
    digest[6] = (digest[6] & 0x0F) | 0x80
    digest[8] = (digest[8] & 0x3F) | 0x80
    return f"2.25.{int.from_bytes(digest, 'big')}"


def write_dx(pixels: NDArray[np.unsignedinteger], facts: DxFacts) -> bytes:
    """The bytes of a DX For Presentation file.

    Parameters
    ----------
    pixels
        (rows, cols), unsigned, as stored: for MONOCHROME1 small values are bright.
    facts
        The header.

    Raises
    ------
    ImageError
        The pixels are not one plane of unsigned numbers that fit `bits_stored`.
    """
    bits = facts.bits_stored
    if pixels.ndim != 2 or pixels.dtype.kind != "u" or pixels.size == 0:
        raise ImageError(
            f"A film is one plane of whole numbers from 0 up; this is {pixels.ndim}-dimensional {pixels.dtype}. "
            "Give unsigned pixels (rows, cols)."
        )
    if not 8 <= bits <= 16 or int(pixels.max()) >= 1 << bits:
        raise ImageError(
            f"The largest pixel is {int(pixels.max())}, which does not fit {bits} bits (8 to 16 are possible). "
            "Scale the pixels, or say more bits."
        )
    content = hashlib.sha256(np.ascontiguousarray(pixels).tobytes()).hexdigest()
    study_uid = facts.study_uid or uid_from("study", facts.patient_number, facts.study_date.isoformat())
    series_uid = facts.series_uid or uid_from("series", study_uid, str(facts.series_number))
    sop_uid = facts.sop_uid or uid_from("film", series_uid, str(facts.instance_number), content)

    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = DigitalXRayImageStorageForPresentation
    meta.MediaStorageSOPInstanceUID = UID(sop_uid)
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    meta.ImplementationClassUID = UID(uid_from("headstock"))
    meta.ImplementationVersionName = "HEADSTOCK"
    ds = FileDataset("", {}, file_meta=meta, preamble=b"\0" * 128)
    _identify(ds, facts, study_uid, series_uid, sop_uid)
    _describe_exposure(ds, facts)
    _put_pixels(ds, pixels, facts)
    out = BytesIO()
    ds.save_as(out, enforce_file_format=True)
    return out.getvalue()


def _identify(ds: Dataset, facts: DxFacts, study_uid: str, series_uid: str, sop_uid: str) -> None:
    """Patient, study, series, equipment and general image modules."""
    day = facts.study_date.strftime("%Y%m%d")
    ds.SpecificCharacterSet = "ISO_IR 192"
    ds.ImageType = ["ORIGINAL", "PRIMARY", ""]
    ds.SOPClassUID = DigitalXRayImageStorageForPresentation
    ds.SOPInstanceUID = sop_uid
    ds.StudyDate = ds.SeriesDate = ds.AcquisitionDate = ds.ContentDate = day
    ds.StudyTime = ds.SeriesTime = ds.AcquisitionTime = ds.ContentTime = facts.study_time
    ds.AccessionNumber = facts.accession_number
    ds.Modality = "DX"
    ds.PresentationIntentType = "FOR PRESENTATION"
    ds.Manufacturer = "simulated"
    ds.ReferringPhysicianName = ""
    ds.SeriesDescription = facts.series_description
    ds.PatientName = facts.patient_name
    ds.PatientID = facts.patient_number
    ds.PatientBirthDate = facts.birth_date.strftime("%Y%m%d") if facts.birth_date else ""
    ds.PatientSex = facts.sex
    ds.StudyInstanceUID = study_uid
    ds.SeriesInstanceUID = series_uid
    ds.StudyID = "1"
    ds.SeriesNumber = str(facts.series_number)
    ds.InstanceNumber = str(facts.instance_number)
    if facts.image_comments:
        ds.ImageComments = facts.image_comments


def _describe_exposure(ds: Dataset, facts: DxFacts) -> None:
    """DX anatomy, positioning and detector modules."""
    code, meaning = _REGION[facts.body_part]
    ds.AnatomicRegionSequence = Sequence([_code(code, meaning)])
    ds.BodyPartExamined = facts.body_part
    code, meaning = _VIEW[facts.view_position]
    view = _code(code, meaning)
    view.ViewModifierCodeSequence = Sequence([])
    ds.ViewCodeSequence = Sequence([view])
    # View Position has defined terms without "lateral" alone (PS3.3 C.8.11.5); the code above carries it.
    ds.ViewPosition = "" if facts.view_position == "LATERAL" else facts.view_position
    ds.PatientOrientation = list(facts.patient_orientation)
    ds.ImageLaterality = {Side.LEFT: "L", Side.RIGHT: "R", None: "U"}[facts.laterality]
    ds.ImagerPixelSpacing = [_decimal(v) for v in facts.imager_pixel_spacing_mm]
    if facts.source_detector_mm is not None:
        ds.DistanceSourceToDetector = _decimal(facts.source_detector_mm)
    if facts.source_patient_mm is not None:
        ds.DistanceSourceToPatient = _decimal(facts.source_patient_mm)
    if facts.estimated_magnification is not None:
        ds.EstimatedRadiographicMagnificationFactor = _decimal(facts.estimated_magnification)
    ds.PositionerType = ""
    ds.DetectorType = ""
    ds.AcquisitionContextSequence = Sequence([])


def _put_pixels(ds: Dataset, pixels: NDArray[np.unsignedinteger], facts: DxFacts) -> None:
    """Image pixel, DX image, VOI LUT modules."""
    inverse = facts.photometric == "MONOCHROME1"
    bits = facts.bits_stored
    wide = bits > 8
    ds.SamplesPerPixel = 1
    ds.PhotometricInterpretation = facts.photometric
    ds.Rows, ds.Columns = pixels.shape
    ds.BitsAllocated = 16 if wide else 8
    ds.BitsStored = bits
    ds.HighBit = bits - 1
    ds.PixelRepresentation = 0
    ds.PixelIntensityRelationship = "LOG"
    # PS3.3 C.8.11.3.1.2: -1 when larger values mean less X-ray, as bright bone does.
    ds.PixelIntensityRelationshipSign = 1 if inverse else -1
    ds.RescaleIntercept = "0"
    ds.RescaleSlope = "1"
    ds.RescaleType = "US"
    ds.PresentationLUTShape = "INVERSE" if inverse else "IDENTITY"
    ds.LossyImageCompression = "00"
    ds.BurnedInAnnotation = "NO"
    centre, width = facts.window or (float(1 << (bits - 1)), float(1 << bits))
    ds.WindowCenter = _decimal(centre)
    ds.WindowWidth = _decimal(width)
    data = np.ascontiguousarray(pixels.astype("<u2" if wide else "u1", copy=False)).tobytes()
    ds.PixelData = data + b"\0" * (len(data) % 2)
    ds["PixelData"].VR = "OW" if wide else "OB"


def _code(value: str, meaning: str) -> Dataset:
    item = Dataset()
    item.CodeValue = value
    item.CodingSchemeDesignator = "SCT"
    item.CodeMeaning = meaning
    return item


def _decimal(value: float) -> str:
    """A decimal string of at most 16 characters, DICOM PS3.5 6.2."""
    for digits in range(15, 0, -1):
        text = f"{value:.{digits}g}"
        if len(text) <= 16:
            return text
    return f"{value:.9g}"

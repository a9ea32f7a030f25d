"""Whether a DICOM object is a film, a slice of a scan, or something else, in words.

Source: SOP classes, DICOM PS3.4 B.5; modalities, PS3.3 C.7.3.1.1.1.
"""

from dataclasses import dataclass
from typing import Final, Literal

from pydicom.dataset import Dataset
from pydicom.uid import UID

from headstock.images._header import text

__all__ = ["ObjectKind", "kind_of"]

_IMAGE: Final = "1.2.840.10008.5.1.4.1.1."
# Storage classes that hold one or more projection radiographs, or a picture of anything.
_FILM_CLASSES: Final = {
    _IMAGE + end: words
    for end, words in {
        "1": "computed radiography",
        "1.1": "digital radiograph",
        "1.1.1": "digital radiograph, for processing",
        "12.1": "fluoroscopy",
        "12.1.1": "fluoroscopy",
        "12.2": "fluoroscopy",
        "12.2.1": "fluoroscopy",
    }.items()
}
_CAPTURE_CLASSES: Final = {_IMAGE + "7", *(_IMAGE + f"7.{n}" for n in (1, 2, 3, 4)), _IMAGE + "77.1.4"}
_SLICE_CLASSES: Final = {
    **dict.fromkeys((_IMAGE + "2", _IMAGE + "2.1", _IMAGE + "2.2"), "CT"),
    **dict.fromkeys((_IMAGE + "4", _IMAGE + "4.1", _IMAGE + "4.3", _IMAGE + "4.4"), "MR"),
}
_FILM_MODALITIES: Final = {"DX", "CR", "RF", "RG", "XA", "DR"}
# What a captured or scanned picture may call itself and still be a picture of a film.
_CAPTURE_MODALITIES: Final = _FILM_MODALITIES | {"", "OT", "SC", "XC", "GP", "DG"}  # codespell:ignore ot
_OTHER_MODALITIES: Final = {
    "CT": "a CT picture",
    "MR": "an MR picture",
    "US": "an ultrasound picture",
    "NM": "a nuclear medicine picture",
    "PT": "a positron emission picture",
    "MG": "a mammogram",
    "IO": "a dental film",
    "PX": "a dental panorama",
    "RTDOSE": "a radiotherapy dose",
    "RTPLAN": "a radiotherapy plan",
    "RTSTRUCT": "a set of radiotherapy outlines",
    "SR": "a structured report",
    "SEG": "a segmentation",
    "ECG": "a recorded waveform",
    "PR": "a presentation state",
    "KO": "a list of selected images",
    "DOC": "a document",
}


@dataclass(frozen=True, slots=True)
class ObjectKind:
    """`kind`, and what to call it ("a structured report")."""

    kind: Literal["film", "slice", "other"]
    words: str


def kind_of(ds: Dataset) -> ObjectKind:
    """What this object is. A file without SOP class is judged by its modality, as old exports need."""
    sop_class = text(ds, "SOPClassUID")
    modality = text(ds, "Modality").upper()
    if sop_class in _FILM_CLASSES:
        return ObjectKind("film", _FILM_CLASSES[sop_class])
    if sop_class in _SLICE_CLASSES:
        return ObjectKind("slice", _SLICE_CLASSES[sop_class])
    if sop_class in _CAPTURE_CLASSES:
        if modality in _CAPTURE_MODALITIES:
            return ObjectKind("film", "secondary capture")
        return ObjectKind("other", f"{_other(modality, sop_class)}, stored as a captured picture")
    if not sop_class and modality in _FILM_MODALITIES:
        return ObjectKind("film", "radiograph")
    if not sop_class and modality in ("CT", "MR"):
        return ObjectKind("slice", modality)
    return ObjectKind("other", _other(modality, sop_class))


def _other(modality: str, sop_class: str) -> str:
    if modality in _OTHER_MODALITIES:
        return _OTHER_MODALITIES[modality]
    name = UID(sop_class).name if sop_class else ""
    if name and name != sop_class:
        return f"a DICOM object of another kind ({name})"
    return "a DICOM object that does not say what it holds"

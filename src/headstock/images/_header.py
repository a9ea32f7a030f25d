"""The facts of a DICOM header as plain values, whatever state the header is in.

A defective entry reads as absent and leaves a note; it never stops the film.
"""

import math
import re
from datetime import date
from typing import Any, Final

from pydicom.dataset import Dataset

from headstock.frames import Side
from headstock.images.film import FilmHeader

__all__ = ["SIDES", "film_header", "number", "numbers", "pixel_aspect", "text", "whole"]

SIDES: Final = {"L": Side.LEFT, "R": Side.RIGHT}
_SECONDARY: Final = "1.2.840.10008.5.1.4.1.1.7"


def raw(ds: Dataset, keyword: str) -> Any:
    """The value of an element, or None when it is absent or cannot be parsed."""
    try:
        return ds.get(keyword)
    except Exception:  # pydicom parses lazily and raises many types on malformed values; absent is the safe reading
        return None


def text(ds: Dataset, keyword: str) -> str:
    """A text element without padding; several values are joined by a backslash, as stored."""
    value = raw(ds, keyword)
    if value is None:
        return ""
    if isinstance(value, str | bytes):
        return str(value).strip(" \0")
    if hasattr(value, "__iter__") and not hasattr(value, "components"):  # a person's name has components
        return "\\".join(str(v).strip(" \0") for v in value)
    return str(value).strip(" \0")


def numbers(ds: Dataset, keyword: str) -> tuple[float, ...]:
    """All numbers of an element; empty when absent or not numbers."""
    value = raw(ds, keyword)
    if value is None or value == "":
        return ()
    try:
        if isinstance(value, str):
            found = tuple(float(v) for v in value.split("\\"))
        elif hasattr(value, "__iter__"):
            found = tuple(float(v) for v in value)
        else:
            found = (float(value),)
    except (TypeError, ValueError):
        return ()
    return found if all(math.isfinite(v) for v in found) else ()


def number(ds: Dataset, keyword: str) -> float | None:
    """The first number of an element, or None."""
    found = numbers(ds, keyword)
    return found[0] if found else None


def whole(ds: Dataset, keyword: str) -> int | None:
    """The first number of an element as a whole number, or None."""
    found = number(ds, keyword)
    return int(found) if found is not None and found == int(found) else None


def film_header(ds: Dataset) -> FilmHeader:
    """`FilmHeader` of a dataset."""
    laterality, laterality_text = _laterality(ds)
    sop_class = text(ds, "SOPClassUID")
    return FilmHeader(
        patient_name=text(ds, "PatientName"),
        patient_number=text(ds, "PatientID"),
        birth_date=_date(ds, "PatientBirthDate"),
        sex=text(ds, "PatientSex"),
        study_date=_date(ds, "StudyDate") or _date(ds, "AcquisitionDate") or _date(ds, "ContentDate"),
        study_uid=text(ds, "StudyInstanceUID"),
        series_uid=text(ds, "SeriesInstanceUID"),
        sop_uid=text(ds, "SOPInstanceUID"),
        sop_class_uid=sop_class,
        modality=text(ds, "Modality"),
        view_position=text(ds, "ViewPosition"),
        body_part=text(ds, "BodyPartExamined"),
        series_description=text(ds, "SeriesDescription"),
        laterality=laterality,
        laterality_text=laterality_text,
        patient_orientation=tuple(v for v in text(ds, "PatientOrientation").split("\\") if v),
        pixel_spacing_mm=_pair(ds, "PixelSpacing"),
        pixel_spacing_calibration_type=text(ds, "PixelSpacingCalibrationType").upper(),
        pixel_spacing_calibration_description=text(ds, "PixelSpacingCalibrationDescription"),
        imager_pixel_spacing_mm=_pair(ds, "ImagerPixelSpacing"),
        nominal_scanned_pixel_spacing_mm=_pair(ds, "NominalScannedPixelSpacing"),
        estimated_magnification=number(ds, "EstimatedRadiographicMagnificationFactor"),
        source_detector_mm=number(ds, "DistanceSourceToDetector"),
        source_patient_mm=number(ds, "DistanceSourceToPatient"),
        burned_in_annotation=text(ds, "BurnedInAnnotation"),
        is_secondary_capture=sop_class == _SECONDARY or sop_class.startswith(_SECONDARY + "."),
    )


def pixel_aspect(ds: Dataset) -> float:
    """Distance between rows over distance between columns, 1 where the header does not say.

    From the first spacing that can be true, else Pixel Aspect Ratio (PS3.3
    C.7.6.3.1.7: vertical over horizontal size).
    """
    for keyword in ("PixelSpacing", "ImagerPixelSpacing", "NominalScannedPixelSpacing", "PixelAspectRatio"):
        pair = _pair(ds, keyword)
        if pair is not None and pair[0] > 0 and pair[1] > 0:
            ratio = pair[0] / pair[1]
            # A spacing is a decimal string; its last digit is no reason to call a pixel oblong.
            return 1.0 if abs(ratio - 1.0) < 1e-4 else ratio
    return 1.0


def _pair(ds: Dataset, keyword: str) -> tuple[float, float] | None:
    found = numbers(ds, keyword)
    return (found[0], found[1]) if len(found) == 2 else None


def _laterality(ds: Dataset) -> tuple[Side | None, str]:
    """The side both entries agree on; what was written."""
    written = [(name, text(ds, name).upper()) for name in ("ImageLaterality", "Laterality")]
    stated = [(name, value) for name, value in written if value]
    words = ", ".join(f"{name} {value}" for name, value in stated)
    sides = {SIDES[value] for _, value in stated if value in SIDES}
    # "B" (both) or "U" (unpaired) in one entry beside a side in the other is a disagreement too.
    if len(sides) == 1 and all(value in SIDES for _, value in stated):
        return sides.pop(), words
    return None, words


def _date(ds: Dataset, keyword: str) -> date | None:
    """A date, in today's form or the old one with points (PS3.5 6.2, DA)."""
    found = re.fullmatch(r"(\d{4})\.?(\d{2})\.?(\d{2})", text(ds, keyword))
    if not found:
        return None
    try:
        return date(*(int(part) for part in found.groups()))
    except ValueError:
        return None

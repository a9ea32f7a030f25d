"""A film's header as the record keeps it, and back; what view and side it speaks of.

In: `FilmHeader`. Out: plain JSON, or `FilmHeader` again, field for field.
"""

from collections.abc import Mapping
from dataclasses import fields
from datetime import date
from typing import Any, Final

from headstock.frames import Side, columns_point_left
from headstock.images.film import FilmHeader

__all__ = ["header_columns_to_left", "header_from_json", "header_rows", "header_to_json", "view_of"]

# View Position (0018,5101), DICOM PS3.3 C.8.1.1.1 and what exports write there; compared without blanks, in capitals.
_LATERAL: Final = {"LL", "RL", "LLD", "RLD", "LLO", "RLO", "LAT", "LATERAL", "ML", "LM", "AXIAL", "XTABLE"}
_AP: Final = {"AP", "PA"}


def header_to_json(header: FilmHeader) -> dict[str, Any]:
    """Plain fields; dates as ISO text."""
    plain: dict[str, Any] = {}
    for field in fields(header):
        value = getattr(header, field.name)
        plain[field.name] = (
            value.isoformat() if isinstance(value, date) else list(value) if isinstance(value, tuple) else value
        )
    return plain


def header_from_json(plain: Mapping[str, Any]) -> FilmHeader:
    """The header that `header_to_json` wrote; fields of a later version are left out."""
    known = {field.name for field in fields(FilmHeader)}
    values: dict[str, Any] = {}
    for name, value in plain.items():
        if name not in known:
            continue
        if name in ("birth_date", "study_date") and value:
            values[name] = date.fromisoformat(value)
        elif name == "laterality":
            values[name] = Side(value) if value else None
        elif isinstance(value, list):
            values[name] = tuple(value)
        else:
            values[name] = value
    return FilmHeader(**values)


def header_columns_to_left(header: FilmHeader) -> bool | None:
    """Whether the header says that columns grow toward the patient's left."""
    return columns_point_left(header.patient_orientation)


def view_of(header: FilmHeader) -> str | None:
    """The view the header speaks of; None when it does not say enough, and a reader must."""
    says = f"{header.body_part} {header.series_description}".upper()
    position = header.view_position.upper().replace("-", "").replace(" ", "")
    lateral = position in _LATERAL or any(word in says for word in ("LATERAL", "AXIAL", "DUNN", "FROG"))
    if lateral and "PELVIS" not in header.body_part.upper():
        return "lateral_hip"
    if position in _AP or " AP" in f" {says}":
        if "PELV" in says:
            return "ap_pelvis"
        if "HIP" in says:
            return "ap_hip"
    return None


def header_rows(header: FilmHeader) -> list[tuple[str, str]]:
    """What the header says, in words, for a person to read beside the film."""

    def spacing(pair: tuple[float, float] | None) -> str:
        return "" if pair is None else f"{pair[0]:g} mm between rows, {pair[1]:g} mm between columns"

    def millimetres(value: float | None) -> str:
        return "" if value is None else f"{value:g} mm"

    rows = [
        ("study date", "" if header.study_date is None else header.study_date.isoformat()),
        ("modality", header.modality),
        ("body part", header.body_part),
        ("view position", header.view_position),
        ("series", header.series_description),
        ("laterality", header.laterality_text or "silent"),
        ("patient orientation", " ".join(header.patient_orientation) or "silent"),
        ("pixel spacing", spacing(header.pixel_spacing_mm)),
        (
            "calibration",
            " ".join(
                text
                for text in (header.pixel_spacing_calibration_type, header.pixel_spacing_calibration_description)
                if text
            ),
        ),
        ("imager pixel spacing", spacing(header.imager_pixel_spacing_mm)),
        (
            "magnification factor",
            "" if header.estimated_magnification is None else f"{header.estimated_magnification:g}",
        ),
        ("source to detector", millimetres(header.source_detector_mm)),
        ("source to patient", millimetres(header.source_patient_mm)),
        ("burned-in annotation", header.burned_in_annotation),
    ]
    return [(name, text) for name, text in rows if text]

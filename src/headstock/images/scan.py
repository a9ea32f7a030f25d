"""A scan: a CT or MR volume on a square grid in the patient's frame, with what was found wrong with it.

Values are Hounsfield units on CT (rescaled), and have no unit on MR. The grid is
LPS, mm, right-handed (DICOM PS3.3 C.7.6.2.1.1): it comes from the position and
orientation of every slice, never from SliceThickness or the order of files.
"""

from dataclasses import dataclass
from datetime import date
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from headstock.frames import Side
from headstock.geometry.grid import Grid

__all__ = ["Finding", "Scan", "ScanHeader", "ScanModality"]

ScanModality = Literal["CT", "MR"]


@dataclass(frozen=True, slots=True)
class Finding:
    """Something found in a scan. `code` is a word of docs/scans.md; `says` what was found, why it matters, what to do.

    `weight`: "note" changes nothing; "warn" is said beside every number; "refuse" lets the scan be
    looked at and measured where possible, but not planned on. What cannot even be opened is an `ImageError`.
    """

    code: str
    weight: Literal["note", "warn", "refuse"]
    says: str


@dataclass(frozen=True, slots=True)
class ScanHeader:
    """What the files said. "" and None: they did not say. `side` is None for both hips or silence."""

    series_uid: str = ""
    study_uid: str = ""
    frame_of_reference_uid: str = ""
    patient_number: str = ""
    patient_name: str = ""
    birth_date: date | None = None
    sex: str = ""
    taken: date | None = None
    side: Side | None = None
    description: str = ""
    kernel: str = ""
    kvp: float | None = None
    slice_thickness_mm: float | None = None
    files: int = 0


@dataclass(frozen=True, slots=True, eq=False)
class Scan:
    """A volume. `values` (slices, rows, columns) int16 or float32, read-only; `grid` in LPS."""

    values: NDArray[np.int16] | NDArray[np.float32]
    grid: Grid
    modality: ScanModality
    header: ScanHeader
    findings: tuple[Finding, ...] = ()

    @property
    def plannable(self) -> bool:
        """False when a finding forbids planning on this scan."""
        return all(finding.weight != "refuse" for finding in self.findings)

"""Where source and detector stand for each view.

In: a patient and a `FilmSpec`. Out: the `Beam`, LPS, mm.
AP: the detector behind the patient, columns toward the patient's left, rows
toward the feet. Lateral (across the table): the central ray lies in the frontal plane at
right angles to the neck, from between the legs upward and outward; columns grow
proximally along the neck, rows grow posteriorly.
"""

from typing import Final

import numpy as np

from headstock.frames import Side
from headstock.phantom.beam import Beam, Floats
from headstock.phantom.patient import PhantomPatient
from headstock.phantom.spec import FilmSpec

__all__ = ["beam_of", "patient_orientation"]

_BELOW_HEADS_MM: Final = 12.0  # the central ray of a pelvis film meets the midline a little below the heads
_TOWARD_SHAFT_MM: Final = 24.0  # a lateral film is centred on the neck, so that the shaft shows


def beam_of(patient: PhantomPatient, spec: FilmSpec) -> Beam:
    """Source and detector of this view of this patient."""
    hip = patient.hip
    head = hip.centre_lps_mm
    if spec.view == "lateral_hip":
        neck = hip.direction_lps(hip.femur.axes.neck_axis)
        along_row = np.array([neck[0], 0.0, neck[2]]) / np.hypot(neck[0], neck[2])
        along_column = np.array([0.0, 1.0, 0.0])
        ray = np.cross(along_row, along_column)
        outward = 1.0 if hip.side is Side.LEFT else -1.0
        ray = ray * np.sign(ray[0] * outward)
        centre = head - _TOWARD_SHAFT_MM * along_row
    else:
        along_row, along_column, ray = np.array([1.0, 0.0, 0.0]), np.array([0.0, 0.0, -1.0]), np.array([0.0, 1.0, 0.0])
        both = 0.5 * (patient.hips[Side.LEFT].centre_lps_mm + patient.hips[Side.RIGHT].centre_lps_mm)
        centre = np.array([both[0], head[1], both[2] - _BELOW_HEADS_MM])
        if spec.view == "ap_hip":
            outward = 1.0 if hip.side is Side.LEFT else -1.0
            centre = np.array([head[0] + outward * 10.0, head[1], head[2] - 35.0])
    return _through(centre, ray, along_row, along_column, spec)


def _through(centre: Floats, ray: Floats, along_row: Floats, along_column: Floats, spec: FilmSpec) -> Beam:
    """The beam whose central ray passes `centre` and meets the middle of the detector."""
    source = centre - (spec.source_detector_mm - spec.hip_to_detector_mm) * ray
    middle = centre + spec.hip_to_detector_mm * ray
    first = middle - 0.5 * spec.pixel_mm * ((spec.columns - 1) * along_row + (spec.rows - 1) * along_column)
    return Beam(source, first, along_row, along_column, spec.pixel_mm, spec.rows, spec.columns)


def patient_orientation(spec: FilmSpec) -> tuple[str, str]:
    """Patient Orientation (0020,0020): where columns and rows grow to."""
    return ("H", "P") if spec.view == "lateral_hip" else ("L", "F")

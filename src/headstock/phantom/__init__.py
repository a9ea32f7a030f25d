"""Invented patients: articulated hips from an open shape model, and films of them with their truth."""

from headstock.phantom.beam import Beam, path_length_mm
from headstock.phantom.film import PhantomFilm, render, render_ap, render_lateral
from headstock.phantom.patient import PhantomHip, PhantomPatient, make_hip_patient
from headstock.phantom.spec import (
    Cyst,
    DeadSector,
    FilmSpec,
    HipSpec,
    MetalHip,
    PhantomSpec,
    PlateAndScrews,
    View,
)
from headstock.phantom.truth import project_truth, truth_of_film, truth_of_patient
from headstock.phantom.views import beam_of, patient_orientation

__all__ = [
    "Beam",
    "Cyst",
    "DeadSector",
    "FilmSpec",
    "HipSpec",
    "MetalHip",
    "PhantomFilm",
    "PhantomHip",
    "PhantomPatient",
    "PhantomSpec",
    "PlateAndScrews",
    "View",
    "beam_of",
    "make_hip_patient",
    "path_length_mm",
    "patient_orientation",
    "project_truth",
    "render",
    "render_ap",
    "render_lateral",
    "truth_of_film",
    "truth_of_patient",
]

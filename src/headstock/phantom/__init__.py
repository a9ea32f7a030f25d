"""Invented patients: articulated hips from an open shape model, and films and scans of them with their truth."""

from headstock.phantom.beam import Beam, path_length_mm
from headstock.phantom.case import (
    CaseFile,
    CaseFilm,
    PhantomCase,
    PhantomStudy,
    case_files,
    dicom_bytes,
    perfect_reading_json,
    random_case,
    scan_files,
    write_case,
    write_cases,
)
from headstock.phantom.demo import DEMO_DAY, demo_patients, write_patient
from headstock.phantom.enhanced import enhanced_file
from headstock.phantom.film import PhantomFilm, render, render_ap, render_lateral
from headstock.phantom.mr import PhantomMr, phantom_mr
from headstock.phantom.patient import PhantomHip, PhantomPatient, make_hip_patient
from headstock.phantom.scan import FineScan, PhantomScan, fine_ct, phantom_ct
from headstock.phantom.scan_spec import MrSpec, Rods, ScanSpec, Tissue
from headstock.phantom.series import Fault, Sender, series_files, tilted_files
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
    "DEMO_DAY",
    "Beam",
    "CaseFile",
    "CaseFilm",
    "Cyst",
    "DeadSector",
    "Fault",
    "FilmSpec",
    "FineScan",
    "HipSpec",
    "MetalHip",
    "MrSpec",
    "PhantomCase",
    "PhantomFilm",
    "PhantomHip",
    "PhantomMr",
    "PhantomPatient",
    "PhantomScan",
    "PhantomSpec",
    "PhantomStudy",
    "PlateAndScrews",
    "Rods",
    "ScanSpec",
    "Sender",
    "Tissue",
    "View",
    "beam_of",
    "case_files",
    "demo_patients",
    "dicom_bytes",
    "enhanced_file",
    "fine_ct",
    "make_hip_patient",
    "path_length_mm",
    "patient_orientation",
    "perfect_reading_json",
    "phantom_ct",
    "phantom_mr",
    "project_truth",
    "random_case",
    "render",
    "render_ap",
    "render_lateral",
    "scan_files",
    "series_files",
    "tilted_files",
    "truth_of_film",
    "truth_of_patient",
    "write_case",
    "write_cases",
    "write_patient",
]

"""Landmarks, readings, measures, osteonecrosis and the hip that films show. Knows nothing of implants."""

from headstock.anatomy.drawn import Drawn, FilmScale, draw_reading
from headstock.anatomy.filmhip import FilmAxes, FilmHip, FilmView, PelvisView, film_hip
from headstock.anatomy.landmarks import (
    CIRCLES,
    LANDMARKS,
    OUTLINES,
    CircleMark,
    Landmark,
    OutlineMark,
    View,
    key,
    landmark_of,
    landmarks_for,
    split_key,
)
from headstock.anatomy.measures import MEASURES, Measure, Reference, measure, needed_by, pelvis_warnings
from headstock.anatomy.reading import SIGNS, Reading, anterior_direction

__all__ = [
    "CIRCLES",
    "LANDMARKS",
    "MEASURES",
    "OUTLINES",
    "SIGNS",
    "CircleMark",
    "Drawn",
    "FilmAxes",
    "FilmHip",
    "FilmScale",
    "FilmView",
    "Landmark",
    "Measure",
    "OutlineMark",
    "PelvisView",
    "Reading",
    "Reference",
    "View",
    "anterior_direction",
    "draw_reading",
    "film_hip",
    "key",
    "landmark_of",
    "landmarks_for",
    "measure",
    "needed_by",
    "pelvis_warnings",
    "split_key",
]

"""Films and pictures of films: reading, import, grey levels, scale, central projection, writing."""

from headstock.images.film import Film, FilmHeader, VoiChoice, VoiTable, VoiWindow
from headstock.images.grey import apply_voi, bright_is_dense, full_range, presentation, shown_uint16
from headstock.images.limits import ImportLimits, ReadLimits
from headstock.images.projection import (
    central_projection,
    depth_size_error_percent,
    magnification,
    magnification_at,
    marker_magnification,
    marker_size_error_percent,
    off_axis_ball_ratio,
    true_size_mm,
)
from headstock.images.read import read_dataset, read_film, read_frames
from headstock.images.write import DxFacts, uid_from, write_dx

__all__ = [
    "DxFacts",
    "Film",
    "FilmHeader",
    "ImportLimits",
    "ReadLimits",
    "VoiChoice",
    "VoiTable",
    "VoiWindow",
    "apply_voi",
    "bright_is_dense",
    "central_projection",
    "depth_size_error_percent",
    "full_range",
    "magnification",
    "magnification_at",
    "marker_magnification",
    "marker_size_error_percent",
    "off_axis_ball_ratio",
    "presentation",
    "read_dataset",
    "read_film",
    "read_frames",
    "shown_uint16",
    "true_size_mm",
    "uid_from",
    "write_dx",
]

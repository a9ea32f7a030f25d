"""A projection radiograph as read: grey values, the facts of its header, and how it asks to be shown.

Values are what the stored pixels mean after the modality transformation
(rescale or modality LUT), before any window and with polarity not applied:
DICOM PS3.3 C.11.1 has been done, C.11.2 and the presentation have not.
Image points on it are (column, row), zero-based, centre of pixel.
"""

from dataclasses import dataclass
from datetime import date
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from headstock.errors import ImageError
from headstock.frames import Side

__all__ = ["Film", "FilmHeader", "Photometric", "VoiChoice", "VoiFunction", "VoiTable", "VoiWindow"]

Photometric = Literal["MONOCHROME1", "MONOCHROME2"]
VoiFunction = Literal["LINEAR", "LINEAR_EXACT", "SIGMOID"]


@dataclass(frozen=True, slots=True)
class VoiWindow:
    """A window of interest: centre and width in units of the values, and its curve (PS3.3 C.11.2.1.2-3).

    `says` is the maker's explanation of it, where there is one.
    """

    centre: float
    width: float
    function: VoiFunction = "LINEAR"
    says: str = ""

    def __post_init__(self) -> None:
        smallest_ok = self.width >= 1 if self.function == "LINEAR" else self.width > 0
        if not (np.isfinite(self.centre) and np.isfinite(self.width) and smallest_ok):
            raise ImageError(
                f"A {self.function} window of centre {self.centre:g} and width {self.width:g} has no meaning "
                "(the width must be at least 1 for LINEAR, above 0 otherwise). Type another window."
            )


@dataclass(frozen=True, slots=True, eq=False)
class VoiTable:
    """A table of interest (VOI LUT): `levels` (n,), 0 to 1, for values `first`, `first` + 1, ... (PS3.3 C.11.2.1.1)."""

    first: float
    levels: NDArray[np.float32]
    says: str = ""

    def __post_init__(self) -> None:
        if self.levels.ndim != 1 or self.levels.size == 0:
            raise ImageError("The film's look-up table is empty, so it cannot be shown by it. Use a window instead.")
        self.levels.flags.writeable = False


VoiChoice = VoiWindow | VoiTable


@dataclass(frozen=True, slots=True)
class FilmHeader:
    """What the file says about the film. Nothing here is corrected; None or "" means the file is silent.

    Spacings are (between rows, between columns), mm, exactly as stored, even
    when they cannot be true: `scale.py` judges them. `laterality` is the side
    the header states for the whole film; a pelvis film, an absent, "U" or "B"
    entry, and two entries that disagree all give None (silence is never
    consent); `laterality_text` keeps what was written.
    """

    patient_name: str = ""
    patient_number: str = ""
    birth_date: date | None = None
    sex: str = ""
    study_date: date | None = None
    study_uid: str = ""
    series_uid: str = ""
    sop_uid: str = ""
    sop_class_uid: str = ""
    modality: str = ""
    view_position: str = ""
    body_part: str = ""
    series_description: str = ""
    laterality: Side | None = None
    laterality_text: str = ""
    patient_orientation: tuple[str, ...] = ()
    pixel_spacing_mm: tuple[float, float] | None = None
    pixel_spacing_calibration_type: str = ""
    pixel_spacing_calibration_description: str = ""
    imager_pixel_spacing_mm: tuple[float, float] | None = None
    nominal_scanned_pixel_spacing_mm: tuple[float, float] | None = None
    estimated_magnification: float | None = None
    source_detector_mm: float | None = None
    source_patient_mm: float | None = None
    burned_in_annotation: str = ""
    is_secondary_capture: bool = False
    is_picture: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Film:
    """One frame of a film.

    Attributes
    ----------
    values
        (rows, cols) float32, read-only; see the file's head.
    content_sha256
        Of the file's bytes: the name under which the file is kept.
    pixels_sha256
        Of the frame's stored numbers and shape, whatever the compression: two
        exports of one film share it.
    pixel_aspect
        Distance between rows over distance between columns. A film whose
        pixels are not square is kept as it is (resampling would blur edges
        that are later fitted); multiply row coordinates by this before
        measuring angles or lengths, as `scale.square_points` does.
    quantum
        Smallest step between two values, None where there is no fixed step.
    padding
        Value of pixels outside the image, where the header names one.
    lossy
        The film was compressed with loss at some time.
    notes
        What had to be assumed while reading, in words.
    """

    values: NDArray[np.float32]
    header: FilmHeader
    content_sha256: str
    pixels_sha256: str
    photometric: Photometric
    voi: tuple[VoiChoice, ...] = ()
    pixel_aspect: float = 1.0
    frames: int = 1
    frame: int = 0
    quantum: float | None = None
    padding: tuple[float, float] | None = None
    lossy: bool = False
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if self.values.ndim != 2 or self.values.size == 0 or self.values.dtype != np.float32:
            raise ImageError("A film is one plane of grey values, (rows, cols) float32. Read the file again.")
        self.values.flags.writeable = False

    @property
    def rows(self) -> int:
        """Number of rows."""
        return int(self.values.shape[0])

    @property
    def cols(self) -> int:
        """Number of columns."""
        return int(self.values.shape[1])

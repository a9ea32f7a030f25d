"""Scale: millimetres at the hip per pixel, with its standard deviation and where it comes from.

In: what the header says, what the reader marked or typed, and settings. Out:
one candidate for each source, in the order in which they are believed, each a
`Scale` or the reason why it is none; and the pairs that contradict each other.

Why depth matters: a film magnifies everything in proportion to its distance
from the detector. A marker gives the scale of the plane it lies in; the hip
lies in its own plane. When the marker is e nearer to the source than the hip,
lengths at the hip come out e / SOD too small (SOD: source to hip): 1 % for
each centimetre at one metre. Nobody sees e on a film, so it enters as a
standard deviation; see docs/scale.md.

Sources: similar triangles (projection.py); DICOM PS3.3 10.7.1 for what each
spacing means; C.8.11.5 and C.8.7.1 for distances and magnification.
Decision: docs/decisions/0100-which-scale-is-believed.md
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import hypot
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from headstock.errors import CalibrationError
from headstock.images.film import FilmHeader
from headstock.images.projection import magnification, off_axis_ball_ratio
from headstock.measured import DRAWS, Measured, normal
from headstock.units import MM_PER_PX

__all__ = [
    "BallMark",
    "Contradiction",
    "RulerMark",
    "Scale",
    "ScaleCandidate",
    "ScaleKind",
    "ScaleSettings",
    "SourceToHip",
    "TypedMagnification",
    "candidates",
    "contradictions",
    "scale_from_ball",
    "scale_from_calibrated_header",
    "scale_from_detector",
    "scale_from_ruler",
    "scale_from_typed_magnification",
    "settle",
    "source_to_hip",
    "spacing_refusal",
    "square_points",
]

Spacing = tuple[float, float]

_SAME: Final = 1e-3  # relative: two spacings written with three digits are the same number
_SCREEN_DPI: Final = (72.0, 96.0)
_HALF_WAY: Final = 2.0  # a hip half way to the tube: no set-up for people reaches it
_MARKER_PLANE: Final = (
    "The marker and the hip each have a depth in the beam, and the film shows neither: a marker 10 mm nearer to the "
    "tube than the hip makes every length at the hip 1 % too small at one metre, one nearer to the detector too "
    "large. That they differ by {sd:g} mm (standard deviation) is part of the interval: {percent:.1f} %."
)


class ScaleKind(StrEnum):
    """Where a scale comes from, in the order in which the sources are believed."""

    BALL = "ball"
    RULER = "ruler"
    CALIBRATED_HEADER = "calibrated_header"
    DETECTOR_AND_DISTANCE = "detector_and_distance"
    TYPED_MAGNIFICATION = "typed_magnification"
    NONE = "none"


_NAMES: Final = {
    ScaleKind.BALL: "Marker ball",
    ScaleKind.RULER: "Ruler",
    ScaleKind.CALIBRATED_HEADER: "Calibrated pixel spacing of the header",
    ScaleKind.DETECTOR_AND_DISTANCE: "Detector spacing and magnification of the header",
    ScaleKind.TYPED_MAGNIFICATION: "Typed magnification",
    ScaleKind.NONE: "No scale",
}


@dataclass(frozen=True, slots=True)
class ScaleSettings:
    """What a hospital sets about its films; handed down, never assumed here.

    Attributes
    ----------
    marker_depth_sd_mm
        Sd of the marker's depth against the hip's, along the beam.
    hip_above_table_mm, hip_above_table_sd_mm
        Centre of the hip above the table or bucky the patient lies on.
    hip_above_detector_mm, hip_above_detector_sd_mm
        Centre of the hip above the detector, used when the header has no
        distance to the table: it holds the table's gap as well.
    assumed_source_detector_mm
        Source to detector when the header is silent. It only turns a depth
        error into a percentage then; no scale is made from it alone.
    magnification_low, magnification_high
        Outside this range a source is shown with a caution.
    smallest_spacing_mm, largest_spacing_mm
        Pixel spacings outside this range are refused.
    """

    marker_depth_sd_mm: float
    hip_above_table_mm: float
    hip_above_table_sd_mm: float
    hip_above_detector_mm: float
    hip_above_detector_sd_mm: float
    assumed_source_detector_mm: float
    magnification_low: float
    magnification_high: float
    smallest_spacing_mm: float
    largest_spacing_mm: float


@dataclass(frozen=True, slots=True)
class Scale:
    """Millimetres at the hip per pixel.

    Attributes
    ----------
    mm_per_px
        Between columns, in the hip's plane.
    sd_mm_per_px
        Its standard deviation, everything named in `parts` together.
    source
        In words.
    magnification
        Spacing at the detector over `mm_per_px`, where the header gives the
        former.
    row_factor
        Distance between rows over distance between columns (1 for square
        pixels). Points pass through `square_points` before they are measured.
    parts
        (what, percent) of each part of the sd.
    """

    mm_per_px: float
    sd_mm_per_px: float
    kind: ScaleKind
    source: str
    magnification: float | None = None
    row_factor: float = 1.0
    parts: tuple[tuple[str, float], ...] = ()

    def __post_init__(self) -> None:
        if not (np.isfinite(self.mm_per_px) and self.mm_per_px > 0):
            raise CalibrationError(f"A scale of {self.mm_per_px:g} mm per pixel cannot be. Set the scale again.")
        if not (np.isfinite(self.sd_mm_per_px) and 0 <= self.sd_mm_per_px < self.mm_per_px / 2):
            raise CalibrationError(
                f"The scale is {self.mm_per_px:g} mm per pixel with a standard deviation of {self.sd_mm_per_px:g}: too "
                "uncertain to measure with. Mark the ball again, or use another source."
            )
        if not (np.isfinite(self.row_factor) and self.row_factor > 0):
            raise CalibrationError(f"A pixel cannot be {self.row_factor:g} times as high as wide. Read the film again.")

    @property
    def sd_percent(self) -> float:
        """Standard deviation in percent of the scale."""
        return 100.0 * self.sd_mm_per_px / self.mm_per_px

    def draws(self, rng: np.random.Generator, n: int = DRAWS) -> NDArray[np.float64]:
        """(1 + n,) mm per pixel: row 0 the scale itself, then draws of it (normal)."""
        return np.concatenate([[self.mm_per_px], rng.normal(self.mm_per_px, self.sd_mm_per_px, n)])

    def measured(self) -> Measured:
        """The scale with its 95 % interval."""
        return normal(self.mm_per_px, self.sd_mm_per_px, MM_PER_PX, self.source)


@dataclass(frozen=True, slots=True)
class BallMark:
    """A marker ball found on the film.

    `diameter_px` and its sd in pixels between columns; `off_axis_deg` its angle
    off the central ray where that is known; `toward_source_mm` how much nearer
    to the source than the hip it is known to lie.
    """

    diameter_px: float
    sd_px: float
    diameter_mm: float
    off_axis_deg: float = 0.0
    toward_source_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class RulerMark:
    """Two marks of a ruler on the film, `length_mm` apart; else as `BallMark`."""

    length_px: float
    sd_px: float
    length_mm: float
    toward_source_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class TypedMagnification:
    """A magnification at the hip that the reader knows, with its sd."""

    magnification: float
    sd: float


@dataclass(frozen=True, slots=True)
class SourceToHip:
    """Where the hip lies in the beam.

    `magnification_known` is False when only an assumed source-to-detector
    distance was left; `depth_stated` is False when nobody said where the hip lies
    between tube and detector, so that a usual height was put in; `sd_mm` is of the
    hip's depth; `cautions` name entries of the header that could not be used.
    """

    source_detector_mm: float
    source_hip_mm: float
    sd_mm: float
    magnification_known: bool
    in_words: str
    cautions: tuple[str, ...] = ()
    depth_stated: bool = True

    @property
    def magnification(self) -> float:
        """SID / SOD at the hip."""
        return magnification(self.source_detector_mm, self.source_detector_mm - self.source_hip_mm)


@dataclass(frozen=True, slots=True)
class ScaleCandidate:
    """One source of scale: the scale it gives, or why it gives none; both in words a reader can act on.

    `assumed`: the scale rests on a distance that nobody stated. It is offered, but
    measures nothing before a reader chose it.
    """

    kind: ScaleKind
    scale: Scale | None
    refused: str | None
    in_words: str
    cautions: tuple[str, ...] = ()
    assumed: bool = False


@dataclass(frozen=True, slots=True)
class Contradiction:
    """Two sources that differ by more than the limit: `difference_percent` is second against first."""

    first: ScaleKind
    second: ScaleKind
    difference_percent: float
    in_words: str


def square_points(points_px: ArrayLike, row_factor: float) -> NDArray[np.float64]:
    """(..., 2) points with rows in units of the distance between columns, so that angles and lengths are true."""
    return np.asarray(np.asarray(points_px, dtype=np.float64) * np.array([1.0, row_factor]))


def spacing_refusal(spacing_mm: Spacing, settings: ScaleSettings) -> str | None:
    """Why a stored pixel spacing cannot be true, or None when it can."""
    rows, cols = spacing_mm
    shown = f"{rows:g} by {cols:g} mm"
    if not (np.isfinite(rows) and np.isfinite(cols)):
        return "The pixel spacing is not a number, so it says nothing. Mark a ball or ruler, or type a magnification."
    if rows == 0 or cols == 0:
        return f"The pixel spacing is {shown}; zero means that it was never filled in. Mark a ball or ruler."
    if rows < 0 or cols < 0:
        return f"The pixel spacing is {shown}; a negative distance cannot be. Mark a ball or ruler."
    if abs(rows - 1.0) < 1e-9 and abs(cols - 1.0) < 1e-9:
        return (
            f"The pixel spacing is {shown}, the filler of converting programs; no film detector has it. "
            "Mark a ball or ruler."
        )
    for dpi in _SCREEN_DPI:
        if abs(rows * dpi / 25.4 - 1) < 2e-4 and abs(cols * dpi / 25.4 - 1) < 2e-4:
            return (
                f"The pixel spacing is {shown}, which is {dpi:g} dots per inch: the resolution of a screen or printer, "
                "not of a detector. Mark a ball or ruler."
            )
    low, high = settings.smallest_spacing_mm, settings.largest_spacing_mm
    if not (low <= rows <= high and low <= cols <= high):
        return (
            f"The pixel spacing is {shown}; film detectors have {low:g} to {high:g} mm, so it cannot be theirs. "
            "Mark a ball or ruler."
        )
    if not 0.5 <= rows / cols <= 2.0:
        return f"The pixel spacing is {shown}; pixels that oblong are a fault of the export. Mark a ball or ruler."
    return None


def source_to_hip(header: FilmHeader, settings: ScaleSettings) -> SourceToHip:
    """Distance from source to hip, from the best the header offers.

    For digital radiographs the header's distance and factor reach to the table
    (PS3.3 C.8.11.5), so the hip lies `hip_above_table_mm` nearer to the source;
    in other objects they are to the middle of the patient (C.8.7.1) and are
    taken as the hip's own.
    """
    sid, sod, factor = header.source_detector_mm, header.source_patient_mm, header.estimated_magnification
    cautions: list[str] = []
    if sid is not None and sid <= 0:
        cautions.append(f"The header's source-to-detector distance is {sid:g} mm, so it was left out.")
        sid = None
    if factor is not None and not 1.0 < factor < _HALF_WAY:
        cautions.append(
            f"The header's magnification factor is {factor:g}"
            + (", which is that of the detector itself" if factor == 1.0 else "")
            + ", so it was left out."
        )
        factor = None
    if sod is not None and (sid is None or not sid / _HALF_WAY < sod < sid):
        cautions.append(
            f"The header's source-to-patient distance is {sod:g} mm, which "
            + (
                "means nothing without source to detector"
                if sid is None
                else f"does not fit {sid:g} mm to the detector"
            )
            + ", so it was left out."
        )
        sod = None
    if factor is not None and sod is not None and sid is not None and abs(factor * sod / sid - 1) > 0.01:
        cautions.append(
            f"The header's magnification factor {factor:g} and its distances ({sid / sod:.3f}) disagree; the factor "
            "was used."
        )
    assumed = settings.assumed_source_detector_mm
    known = factor or (sid / sod if sid is not None and sod is not None else None)
    distance = sid if sid is not None else assumed
    to_detector = f"{distance:g} mm source to detector" + ("" if sid is not None else " (assumed)")
    if known is not None:
        said = "magnification factor" if factor is not None else "distances"
        to_table = header.modality.upper() == "DX"
        up = settings.hip_above_table_mm if to_table else 0.0
        where = (
            f"the table, and the hip lies {up:g} ± {settings.hip_above_table_sd_mm:g} mm (sd) above it"
            if to_table
            else f"the middle of the patient, taken as the hip's ± {settings.hip_above_table_sd_mm:g} mm (sd)"
        )
        return SourceToHip(
            distance,
            distance / known - up,
            settings.hip_above_table_sd_mm,
            True,
            f"the header's {said} give {known:.3f} at {where}; {to_detector}",
            tuple(cautions),
        )
    hip = distance - settings.hip_above_detector_mm
    if hip < distance / _HALF_WAY:
        cautions.append(f"The header's source-to-detector distance is {distance:g} mm, too short to be true; left out.")
        sid, distance = None, assumed
        hip = assumed - settings.hip_above_detector_mm
        to_detector = f"{distance:g} mm source to detector (assumed)"
    return SourceToHip(
        distance,
        hip,
        settings.hip_above_detector_sd_mm,
        sid is not None,
        f"{to_detector}, and the hip {settings.hip_above_detector_mm:g} ± {settings.hip_above_detector_sd_mm:g} mm "
        "(sd) above the detector (assumed)",
        tuple(cautions),
        depth_stated=False,
    )


def scale_from_ball(
    diameter_px: float,
    sd_px: float,
    diameter_mm: float,
    source_hip_mm: float,
    depth_error_sd_mm: float,
    *,
    toward_source_mm: float = 0.0,
    off_axis_deg: float = 0.0,
    row_factor: float = 1.0,
    detector_spacing_mm: float | None = None,
) -> Scale:
    """Scale at the hip from a marker ball.

    Parameters
    ----------
    diameter_px, sd_px
        Diameter of the circle fitted to the ball and its sd, in pixels between
        columns (rows made square first).
    diameter_mm
        True diameter, as the ball's maker states it.
    source_hip_mm, depth_error_sd_mm
        Source to hip; sd of the ball's depth against the hip's, along the beam.
    toward_source_mm
        How much nearer to the source than the hip the ball is known to lie;
        taken off.
    off_axis_deg
        The ball's angle off the central ray; its stretching is taken off.
    detector_spacing_mm
        Between columns at the detector, for stating the magnification.

    Raises
    ------
    CalibrationError
        A size or distance that cannot be.
    """
    size_px = diameter_px / float(off_axis_ball_ratio(off_axis_deg))
    return _from_marker(
        ScaleKind.BALL,
        f"marker ball of {diameter_mm:g} mm",
        size_px,
        sd_px,
        diameter_mm,
        source_hip_mm,
        depth_error_sd_mm,
        toward_source_mm,
        row_factor,
        detector_spacing_mm,
    )


def scale_from_ruler(
    length_px: float,
    sd_px: float,
    length_mm: float,
    source_hip_mm: float,
    depth_error_sd_mm: float,
    *,
    toward_source_mm: float = 0.0,
    row_factor: float = 1.0,
    detector_spacing_mm: float | None = None,
) -> Scale:
    """Scale at the hip from two marks of a ruler, as `scale_from_ball`.

    The ruler must lie across the beam: tilted by t it looks shorter by cos t
    (1.5 % at 10 degrees) and the scale comes out too large.
    """
    return _from_marker(
        ScaleKind.RULER,
        f"ruler, {length_mm:g} mm between marks",
        length_px,
        sd_px,
        length_mm,
        source_hip_mm,
        depth_error_sd_mm,
        toward_source_mm,
        row_factor,
        detector_spacing_mm,
    )


def _from_marker(
    kind: ScaleKind,
    words: str,
    size_px: float,
    sd_px: float,
    size_mm: float,
    source_hip_mm: float,
    depth_error_sd_mm: float,
    toward_source_mm: float,
    row_factor: float,
    detector_spacing_mm: float | None,
) -> Scale:
    for what, value in (("size on the film", size_px), ("true size", size_mm), ("source to hip", source_hip_mm)):
        if not (np.isfinite(value) and value > 0):
            raise CalibrationError(f"The {words} has {value:g} for {what}; it must be above zero. Give it again.")
    for what, value in (("error of its size on the film", sd_px), ("error of its depth", depth_error_sd_mm)):
        if not (np.isfinite(value) and value >= 0):
            raise CalibrationError(f"The {words} has {value:g} for the {what}; it cannot be negative. Give it again.")
    if not toward_source_mm < source_hip_mm / _HALF_WAY:
        raise CalibrationError(
            f"The marker is said to lie {toward_source_mm:g} mm nearer to a source {source_hip_mm:g} mm away. "
            "Check both distances (mm)."
        )
    # The marker's plane is SOD - e from the source, the hip's SOD: its scale is larger by SOD / (SOD - e).
    at_hip = size_mm / size_px * source_hip_mm / (source_hip_mm - toward_source_mm)
    parts = ((f"edge of the {kind.value}", 100 * sd_px / size_px), ("depth", 100 * depth_error_sd_mm / source_hip_mm))
    return Scale(
        at_hip,
        at_hip * hypot(*(p for _, p in parts)) / 100,
        kind,
        words,
        None if detector_spacing_mm is None else detector_spacing_mm / at_hip,
        row_factor,
        parts,
    )


def scale_from_calibrated_header(header: FilmHeader, settings: ScaleSettings) -> Scale:
    """Scale from Pixel Spacing that the header states as calibrated (PS3.3 10.7.1).

    GEOMETRY means corrected for a known or assumed magnification, FIDUCIAL
    measured on an object of known size. Without a type it counts as calibrated
    only when Imager Pixel Spacing is there and differs: the same number, or no
    other number, may as well be the detector's, and is refused. The depth error
    stays in all of them: the header names no plane.

    Raises
    ------
    CalibrationError
        There is none, it cannot be true, or it is not said to be calibrated.
    """
    spacing, imager, kind = (
        header.pixel_spacing_mm,
        header.imager_pixel_spacing_mm,
        header.pixel_spacing_calibration_type,
    )
    if spacing is None:
        raise CalibrationError("The header has no pixel spacing at the patient. Mark a ball or ruler.")
    why = spacing_refusal(spacing, settings)
    if why is not None:
        raise CalibrationError(why)
    shown = f"{spacing[0]:g} by {spacing[1]:g} mm"
    imager_usable = imager is not None and spacing_refusal(imager, settings) is None
    known_kind = kind in ("GEOMETRY", "FIDUCIAL")
    if imager is not None and imager_usable:
        ratio = imager[1] / spacing[1]
        if abs(ratio - 1) < _SAME:
            raise CalibrationError(
                f"The pixel spacing ({shown}) is the same as at the detector"
                + (f", although it is said to be calibrated ({kind})" if known_kind else "")
                + ", so it is not in millimetres of the patient. Mark a ball or ruler, or type the magnification."
            )
        if not 1 < ratio < _HALF_WAY:
            raise CalibrationError(
                f"The pixel spacing ({shown}) against that of the detector ({imager[1]:g} mm) would be a "
                f"magnification of {ratio:.3f}, which cannot be. Mark a ball or ruler."
            )
    elif not known_kind:
        raise CalibrationError(
            f"The header has a pixel spacing ({shown}) but does not say whether it is at the detector or at the "
            "patient, which differ by a tenth to a quarter. Mark a ball or ruler, or type the magnification."
        )
    where = source_to_hip(header, settings)
    marker, geometry = settings.marker_depth_sd_mm, where.sd_mm
    depth_sd = {"FIDUCIAL": marker, "GEOMETRY": geometry}.get(kind, max(marker, geometry))
    percent = 100 * depth_sd / where.source_hip_mm
    how = {"FIDUCIAL": "by an object of known size", "GEOMETRY": "for a magnification"}.get(kind, "in an unstated way")
    return Scale(
        spacing[1],
        spacing[1] * percent / 100,
        ScaleKind.CALIBRATED_HEADER,
        f"pixel spacing of the header, calibrated {how}",
        imager[1] / spacing[1] if imager is not None and imager_usable else None,
        spacing[0] / spacing[1],
        (("depth", percent),),
    )


def scale_from_detector(detector_spacing_mm: Spacing, where: SourceToHip, settings: ScaleSettings) -> Scale:
    """Scale at the hip from the spacing at the detector and the hip's place in the beam.

    Raises
    ------
    CalibrationError
        The spacing cannot be true, or the beam's geometry is only assumed:
        detector spacing alone is never millimetres in the patient.
    """
    why = spacing_refusal(detector_spacing_mm, settings)
    if why is not None:
        raise CalibrationError(why)
    if not where.magnification_known:
        raise CalibrationError(
            "The header gives the spacing at the detector but neither a magnification nor distances. Spacing at the "
            "detector alone is never millimetres in the patient. Mark a ball or ruler, or type the magnification."
        )
    m = where.magnification
    percent = 100 * where.sd_mm / where.source_hip_mm
    at_hip = detector_spacing_mm[1] / m
    return Scale(
        at_hip,
        at_hip * percent / 100,
        ScaleKind.DETECTOR_AND_DISTANCE,
        f"detector spacing {detector_spacing_mm[1]:g} mm and magnification {m:.3f}: {where.in_words}",
        m,
        detector_spacing_mm[0] / detector_spacing_mm[1],
        (("depth", percent),),
    )


def scale_from_typed_magnification(m: float, sd: float, detector_spacing_mm: Spacing, settings: ScaleSettings) -> Scale:
    """Scale at the hip from a magnification that the reader types, and the spacing at the detector.

    Raises
    ------
    CalibrationError
        A magnification not between 1 and 2, an error that is not positive, or a
        spacing that cannot be true.
    """
    if not (np.isfinite(m) and 1.0 < m < _HALF_WAY):
        raise CalibrationError(
            f"The typed magnification is {m:g}. The hip lies between tube and detector, so it is above 1 and below 2 "
            "(1.15 for 115 %). Type it again."
        )
    if not (np.isfinite(sd) and sd > 0):
        raise CalibrationError(
            f"The typed magnification has a standard deviation of {sd:g}. No magnification is known exactly; "
            "give its error (0.03 when in doubt)."
        )
    why = spacing_refusal(detector_spacing_mm, settings)
    if why is not None:
        raise CalibrationError(why)
    at_hip = detector_spacing_mm[1] / m
    return Scale(
        at_hip,
        at_hip * sd / m,
        ScaleKind.TYPED_MAGNIFICATION,
        f"typed magnification {m:g} ± {sd:g} (sd) and detector spacing {detector_spacing_mm[1]:g} mm",
        m,
        detector_spacing_mm[0] / detector_spacing_mm[1],
        (("typed magnification", 100 * sd / m),),
    )


def candidates(
    header: FilmHeader,
    settings: ScaleSettings,
    *,
    ball: BallMark | None = None,
    ruler: RulerMark | None = None,
    typed: TypedMagnification | None = None,
    pixel_aspect: float = 1.0,
) -> tuple[ScaleCandidate, ...]:
    """Every source of scale, always all of them, in the order in which they are believed.

    Ball, ruler, calibrated header, detector and distance, typed magnification,
    none. `pixel_aspect` is the film's (rows over columns), for the markers.
    """
    where = source_to_hip(header, settings)
    detector = _detector_spacing(header, settings)
    detector_px = detector[0][1] if isinstance(detector, tuple) else None

    def from_ball() -> Scale:
        if ball is None:
            raise CalibrationError("No ball is marked. Click on the marker ball, and give its diameter (mm).")
        return scale_from_ball(
            ball.diameter_px,
            ball.sd_px,
            ball.diameter_mm,
            where.source_hip_mm,
            settings.marker_depth_sd_mm,
            toward_source_mm=ball.toward_source_mm,
            off_axis_deg=ball.off_axis_deg,
            row_factor=pixel_aspect,
            detector_spacing_mm=detector_px,
        )

    def from_ruler() -> Scale:
        if ruler is None:
            raise CalibrationError("No ruler is marked. Click on two marks of it, and give the length between (mm).")
        return scale_from_ruler(
            ruler.length_px,
            ruler.sd_px,
            ruler.length_mm,
            where.source_hip_mm,
            settings.marker_depth_sd_mm,
            toward_source_mm=ruler.toward_source_mm,
            row_factor=pixel_aspect,
            detector_spacing_mm=detector_px,
        )

    def from_detector() -> Scale:
        if not isinstance(detector, tuple):
            raise CalibrationError(detector)
        return scale_from_detector(detector[0], where, settings)

    def from_typed() -> Scale:
        if typed is None:
            raise CalibrationError("No magnification is typed.")
        spacing = detector
        if not isinstance(spacing, tuple) and header.imager_pixel_spacing_mm is None and header.pixel_spacing_mm:
            spacing = (header.pixel_spacing_mm, "the header's only spacing, taken as the detector's")
        if not isinstance(spacing, tuple):
            raise CalibrationError(f"A magnification needs the spacing at the detector. {spacing}")
        return scale_from_typed_magnification(typed.magnification, typed.sd, spacing[0], settings)

    makers = {
        ScaleKind.BALL: from_ball,
        ScaleKind.RULER: from_ruler,
        ScaleKind.CALIBRATED_HEADER: lambda: scale_from_calibrated_header(header, settings),
        ScaleKind.DETECTOR_AND_DISTANCE: from_detector,
        ScaleKind.TYPED_MAGNIFICATION: from_typed,
    }
    found: list[ScaleCandidate] = []
    for kind, make in makers.items():
        try:
            scale = make()
        except CalibrationError as why:
            found.append(ScaleCandidate(kind, None, str(why), f"{_NAMES[kind]}: {why}"))
        else:
            found.append(_usable(scale, where, settings))
    found.append(
        ScaleCandidate(
            ScaleKind.NONE, None, None, "No scale: angles and ratios only; lengths in millimetres are not given."
        )
    )
    return tuple(found)


def contradictions(found: Sequence[ScaleCandidate], limit_percent: float) -> tuple[Contradiction, ...]:
    """Pairs of usable sources that differ by more than `limit_percent`, in the order of belief."""
    usable = [c.scale for c in found if c.scale is not None]
    pairs: list[Contradiction] = []
    for i, first in enumerate(usable):
        for second in usable[i + 1 :]:
            percent = 100 * (second.mm_per_px / first.mm_per_px - 1)
            if abs(percent) <= limit_percent:
                continue
            joint = 1.959963984540054 * hypot(first.sd_percent, second.sd_percent)
            pairs.append(
                Contradiction(
                    first.kind,
                    second.kind,
                    percent,
                    f"{_NAMES[first.kind]}: {first.mm_per_px:.4f} mm/px. {_NAMES[second.kind]}: "
                    f"{second.mm_per_px:.4f} mm/px, {abs(percent):.1f} % {'larger' if percent > 0 else 'smaller'}. "
                    + (
                        "Their stated errors could explain it"
                        if abs(percent) <= joint
                        else f"Their stated errors together explain only {joint:.1f} %"
                    )
                    + "; choose the one that is right for this film.",
                )
            )
    return tuple(pairs)


def settle(found: Sequence[ScaleCandidate], limit_percent: float, chosen: ScaleKind | None = None) -> Scale | None:
    """The scale to measure with: the first source that gives one without assuming, unless the reader chose another.

    Returns None when there is no scale, or when the reader chose none.

    Raises
    ------
    CalibrationError
        Sources contradict each other and the reader has not chosen, or the
        chosen source gives no scale.
    """
    if chosen is ScaleKind.NONE:
        return None
    if chosen is not None:
        picked = next((c for c in found if c.kind is chosen), None)
        if picked is None or picked.scale is None:
            raise CalibrationError(
                f"{_NAMES[chosen]} gives no scale on this film: "
                + (picked.refused if picked is not None and picked.refused else "it was not looked for.")
            )
        return picked.scale
    conflicts = contradictions(found, limit_percent)
    if conflicts:
        raise CalibrationError("The sources of scale contradict each other. " + " ".join(c.in_words for c in conflicts))
    return next((c.scale for c in found if c.scale is not None and not c.assumed), None)


def _detector_spacing(header: FilmHeader, settings: ScaleSettings) -> tuple[Spacing, str] | str:
    """Spacing at the detector and what it is, or why there is none."""
    for spacing, words in (
        (header.imager_pixel_spacing_mm, "imager pixel spacing"),
        (header.nominal_scanned_pixel_spacing_mm, "spacing of the scanned film"),
    ):
        if spacing is not None:
            why = spacing_refusal(spacing, settings)
            return why if why is not None else (spacing, words)
    return "The header has no pixel spacing at the detector."


def _usable(scale: Scale, where: SourceToHip, settings: ScaleSettings) -> ScaleCandidate:
    """A candidate with its words and cautions."""
    measured = scale.measured()
    words = (
        f"{_NAMES[scale.kind]}: {scale.mm_per_px:.4f} mm per pixel at the hip (95 % {measured.low:.4f} to "
        f"{measured.high:.4f}), from {scale.source}."
    )
    marker = scale.kind in (ScaleKind.BALL, ScaleKind.RULER)
    if marker:
        depth = dict(scale.parts)["depth"]
        words += " " + _MARKER_PLANE.format(sd=settings.marker_depth_sd_mm, percent=depth)
        words += f" Source to hip {where.source_hip_mm:.0f} mm: {where.in_words}."
    cautions: list[str] = []
    low, high = settings.magnification_low, settings.magnification_high
    if scale.magnification is not None:
        words += f" Magnification {scale.magnification:.3f}."
        if not low <= scale.magnification <= high:
            cautions.append(
                f"{_NAMES[scale.kind]} implies a magnification of {scale.magnification:.3f}, outside the usual "
                f"{low:g} to {high:g}. "
                + ("Check the typed size of the marker and where it lay." if marker else "Check the header's entries.")
            )
    if scale.kind is not ScaleKind.TYPED_MAGNIFICATION:
        cautions.extend(where.cautions)
    assumed = scale.kind is ScaleKind.DETECTOR_AND_DISTANCE and not where.depth_stated
    if assumed:
        words += " The hip's depth is assumed, not measured: this scale is used only when a reader chooses it."
    return ScaleCandidate(scale.kind, scale, None, words, tuple(cautions), assumed)

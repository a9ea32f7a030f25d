"""A reading and its draws: every point, circle and scale with its error, shared by all measures.

In: a reading, a scale (or none). Out: `Drawn`, batches in square pixels (row 0 the
reading itself, rows 1.. its draws). Error of a point: one reader's scatter (the
landmark's default, the reader's own sd, or the snap's covariance) and, on top of it,
what readers differ by. The scale is drawn once, so all lengths of a film share it.
Decision: docs/decisions/0130-what-an-interval-holds.md
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Protocol
from zlib import crc32

import numpy as np
from numpy.typing import NDArray

from headstock.anatomy.landmarks import CIRCLES, LANDMARKS, OUTLINES, split_key
from headstock.anatomy.reading import Reading
from headstock.errors import CalibrationError, TooFewError
from headstock.geometry import fit_circle
from headstock.measured import DRAWS

__all__ = ["NO_SCALE", "Drawn", "FilmScale", "draw_reading", "working_mm_per_px"]

Floats = NDArray[np.float64]

NO_SCALE: Final = (
    "This film has no scale, so lengths are not known; angles and ratios are. Mark the ball or ruler, "
    "or type the magnification."
)
# Only to turn a default sd in mm into pixels on a film without a scale: 48 mm is a usual adult head diameter and
# 0.2 mm a usual pixel at the hip (common practice). No length is ever computed from them.
_USUAL_HEAD_DIAMETER_MM: Final = 48.0
_USUAL_MM_PER_PX: Final = 0.2


class FilmScale(Protocol):
    """What a scale must offer; headstock.images.scale.Scale does.

    `row_factor`: mm per row over mm per column.
    """

    @property
    def mm_per_px(self) -> float:
        """mm at the hip per column."""
        ...

    @property
    def source(self) -> str:
        """Where the scale comes from, in words."""
        ...

    @property
    def row_factor(self) -> float:
        """mm per row over mm per column; 1 for square pixels."""
        ...

    def draws(self, rng: np.random.Generator, n: int) -> Floats:
        """(1 + n,) mm per column, row 0 the scale itself."""
        ...


@dataclass(frozen=True, slots=True, eq=False)
class Drawn:
    """A reading's points and circles with their draws. B = 1 + n.

    `points` key → (B, 2), **square pixels**: rows are multiplied by `row_factor`.
    `radii` key → (B,) in columns. `outlines` key → (K, 2) square pixels, nominal, and
    `outline_error_px` key → (B,) one error of the whole line along its normal, row 0
    is 0. `mm_per_px` (B,) per column, None without a scale.
    """

    reading: Reading
    points: Mapping[str, Floats]
    radii: Mapping[str, Floats]
    outlines: Mapping[str, Floats]
    outline_error_px: Mapping[str, Floats]
    mm_per_px: Floats | None
    scale_source: str
    row_factor: float

    @property
    def rows(self) -> int:
        """1 + the number of draws."""
        return next(iter(self.points.values())).shape[0] if self.points else 0


def working_mm_per_px(reading: Reading, scale: FilmScale | None) -> float:
    """mm per column, only for turning a default sd into pixels; without a scale a rough guess from the head."""
    if scale is not None:
        return scale.mm_per_px
    radii = [c[2] for name, c in reading.circles.items() if split_key(name)[1] == "head"]
    return _USUAL_HEAD_DIAMETER_MM / (2.0 * float(np.mean(radii))) if radii else _USUAL_MM_PER_PX


def _circles(reading: Reading, squeeze: Floats) -> dict[str, tuple[float, float, float]]:
    """Circles in square pixels; a head outlined by points but without a circle gets the circle through them."""
    found = {name: (c[0], c[1] * float(squeeze[1]), c[2]) for name, c in reading.circles.items()}
    for name, line in reading.outlines.items():
        if split_key(name)[1] == "head" and name not in found and len(line) >= 3:
            fit = fit_circle(line * squeeze)
            found[name] = (float(fit.centre[0]), float(fit.centre[1]), float(fit.radius))
    return found


def _stream(seed: int, *names: str) -> np.random.Generator:
    # One stream a name: placing another point never moves the draws of those already there.
    return np.random.default_rng([seed, *(crc32(name.encode()) for name in names)])


def _normals(seed: int, view: str, name: str, n: int, sds: Floats, covariance: Floats | None) -> Floats:
    """(1 + n, k) errors: within one reader (`covariance`, or `sds` row 0) plus between readers (`sds` row 1)."""
    rng = _stream(seed, view, name)
    k = sds.shape[1]
    errors = np.zeros((1 + n, k))
    within = rng.standard_normal((n, k))
    between = rng.standard_normal((n, k))
    if covariance is not None:
        values, vectors = np.linalg.eigh(covariance)
        errors[1:] = within @ (vectors * np.sqrt(np.clip(values, 0.0, None))).T
    else:
        errors[1:] = within * sds[0]
    errors[1:] += between * sds[1]
    return errors


def draw_reading(reading: Reading, scale: FilmScale | None, *, n_draws: int = DRAWS, seed: int = 1) -> Drawn:
    """Points, circles and scale of a reading with `n_draws` draws.

    Raises
    ------
    CalibrationError
        The scale is not a positive finite number.
    TooFewError
        Nothing is placed, or fewer than 40 draws are asked for.
    """
    if n_draws < 40:
        raise TooFewError(f"{n_draws} draws are too few for a 95 % interval; ask for at least 40.")
    if not reading.points and not reading.circles:
        raise TooFewError("Nothing is placed on this film yet. Place the first point.")
    row_factor, mm_per_px, source = 1.0, None, NO_SCALE
    if scale is not None:
        if not (np.isfinite(scale.mm_per_px) and scale.mm_per_px > 0):
            raise CalibrationError(f"A scale of {scale.mm_per_px} mm per pixel cannot be. Set the scale again.")
        row_factor, source = float(scale.row_factor), scale.source
        mm_per_px = np.asarray(scale.draws(_stream(seed, reading.view.value, "scale"), n_draws), dtype=np.float64)
        if mm_per_px.shape != (1 + n_draws,) or not (mm_per_px > 0).all():
            raise CalibrationError("The scale is too uncertain to measure with: some of its draws are not above zero.")
    pixel_mm = working_mm_per_px(reading, scale)
    squeeze = np.array([1.0, row_factor])
    view = reading.view.value

    points: dict[str, Floats] = {}
    radii: dict[str, Floats] = {}
    for name, circle in _circles(reading, squeeze).items():
        mark = CIRCLES[split_key(name)[1]]
        within = reading.sd_px.get(name)
        # A typed sd speaks of the centre; the radius is known better in the same proportion as by default.
        share = mark.radius_sd_mm / mark.centre_sd_mm
        own = (
            np.array([mark.centre_sd_mm, mark.centre_sd_mm, mark.radius_sd_mm]) / pixel_mm
            if within is None
            else np.array([within, within, within * share])
        )
        others = np.array([mark.between_centre_sd_mm] * 2 + [mark.between_radius_sd_mm]) / pixel_mm
        errors = _normals(seed, view, name, n_draws, np.stack([own, others]), reading.covariances_px.get(name))
        points[name] = np.array(circle[:2]) + errors[:, :2]
        radii[name] = np.maximum(circle[2] + errors[:, 2], 1e-6)
        if split_key(name)[1] == "head":
            points[name.removesuffix("head") + "head_centre"] = points[name]
    for name, point in reading.points.items():
        landmark = LANDMARKS[split_key(name)[1]]
        circle_name = name.replace("head_centre", "head")
        if landmark.name == "head_centre" and circle_name in radii:
            # The reader moved the centre by hand: his point, with the errors of the circle it belongs to.
            moved = points[circle_name] - points[circle_name][0]
            points[name] = np.array(point) * squeeze + moved
            continue
        within_px = reading.sd_px.get(name, landmark.default_sd_mm / pixel_mm)
        sds = np.array([[within_px] * 2, [landmark.between_reader_sd_mm / pixel_mm] * 2])
        errors = _normals(seed, view, name, n_draws, sds, reading.covariances_px.get(name))
        points[name] = np.array(point) * squeeze + errors
    outlines: dict[str, Floats] = {}
    outline_errors: dict[str, Floats] = {}
    for name, line in reading.outlines.items():
        outlines[name] = line * squeeze
        bare = split_key(name)[1]
        line_mark = OUTLINES["lesion" if bare.startswith("lesion") else bare]
        error = np.zeros(1 + n_draws)
        error[1:] = _stream(seed, view, name).standard_normal(n_draws) * (line_mark.sd_mm / pixel_mm)
        outline_errors[name] = error
    for batch in (*points.values(), *radii.values(), *outlines.values(), *outline_errors.values()):
        batch.flags.writeable = False
    return Drawn(reading, points, radii, outlines, outline_errors, mm_per_px, source, row_factor)

"""Scan and film of one hip side by side, and what explains their difference.

In: `ScanHip`, `FilmHip`, and how the film was taken. Out: `Agreement`: neck-shaft angle, offset and head
diameter from both, their difference draw by draw, the part that projection, rotation and scale explain,
the rest, and words.
A film is the central projection of axes that the scan knows in space. How the femur lay under the tube is not known:
the angle of the neck out of the film's plane and the flexion of the shaft are found so that the film's angle and its
offset as a share of the head (which no scale touches) are met best, each held by a prior. Two unknowns with priors
cannot explain everything, so what is left over says something.
Source: in parallel projection offset' = offset cos(delta) and NSA' = 90 + atan(tan(NSA - 90) / cos(delta)) (derived).
Decision: docs/decisions/0223-why-scan-and-film-differ.md
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from headstock.anatomy.filmhip import FilmHip
from headstock.anatomy.scan.values import ScanHip
from headstock.errors import CalibrationError, FrameError, TooFewError
from headstock.geometry import angle_between_deg, distance_to_line, rotation_about
from headstock.images.projection import central_projection, off_axis_ball_ratio
from headstock.measured import Measured, measured, missing
from headstock.units import Unit

__all__ = ["Agreement", "AgreementRow", "FilmGeometry", "agreement", "seen_on_film"]

Floats = NDArray[np.float64]

# Prior (mean, sd), degrees: a neck on a film lies out of its plane by version less the inward turn of the foot; a thigh
# lies flat on the table within a few degrees.
OUT_OF_PLANE_PRIOR_DEG: Final = (0.0, 25.0)
FLEXION_PRIOR_DEG: Final = (0.0, 6.0)
_SHAFT_MM: Final = (-60.0, -130.0)  # heights of the two places of the shaft axis that are projected
_ROUNDS: Final = 12
_START_DEG: Final = (20.0, -20.0)
_LEAST_ROWS: Final = 41


@dataclass(frozen=True, slots=True)
class FilmGeometry:
    """How an AP film was taken.

    `source_detector_mm`; `magnification` at the hip; the central ray's place beside the head, mm at the hip:
    `ray_medial_mm` (about 90 on a film of the pelvis), `ray_proximal_mm` (negative: the ray lies below the head).
    """

    source_detector_mm: float
    magnification: float
    ray_medial_mm: float = 0.0
    ray_proximal_mm: float = 0.0

    def __post_init__(self) -> None:
        if not (np.isfinite(self.source_detector_mm) and self.source_detector_mm > 300.0):
            raise CalibrationError(
                f"A film taken at {self.source_detector_mm:g} mm from source to detector cannot be. Give it in mm."
            )
        if not 1.0 <= self.magnification < 2.0:
            raise CalibrationError(
                f"A magnification of {self.magnification:g} cannot be that of a hip film: 1 to 2. Check the scale."
            )


@dataclass(frozen=True, slots=True, eq=False)
class AgreementRow:
    """One measure. `difference` is film minus scan; `explained` its part by projection, rotation and scale together.

    `by_projection` (with rotation) and `by_scale` are its two parts, `left` what neither explains.
    """

    key: str
    label: str
    scan: Measured
    film: Measured
    difference: Measured
    explained: Measured
    by_projection: Measured
    by_scale: Measured
    left: Measured
    says: str


@dataclass(frozen=True, slots=True, eq=False)
class Agreement:
    """Rows of the comparison; the pose that explains the film; what to make of it."""

    rows: tuple[AgreementRow, ...]
    out_of_plane_deg: Measured
    flexion_deg: Measured
    scale_percent: Measured
    says: str


def seen_on_film(
    hip: ScanHip, geometry: FilmGeometry, out_of_plane_deg: Floats, flexion_deg: Floats, rows: NDArray[np.intp]
) -> tuple[Floats, Floats, Floats]:
    """(neck-shaft angle deg, femoral offset mm, head diameter mm), each (n,), as the film has them, at the hip's scale.

    `out_of_plane_deg`, `flexion_deg` (n,): neck against the film's plane, forward positive, seen along the shaft;
    shaft against it, knee forward positive. `rows` (n,): which draws of the hip.

    Raises
    ------
    TooFewError
        The scan has no shaft.
    """
    if hip.shaft_axis is None or hip.shaft_point is None:
        raise TooFewError("The scan has no shaft axis, so it cannot say what a film would show. Use a longer scan.")
    neck, shaft, at = hip.neck_axis[rows], hip.shaft_axis[rows], hip.shaft_point[rows] - hip.head_centre[rows]
    # A frame of the femur itself: z the shaft, x the neck's direction across it.
    z = shaft
    x = neck - np.sum(neck * z, axis=1, keepdims=True) * z
    x = x / np.linalg.norm(x, axis=1, keepdims=True)
    own = np.stack([x, np.cross(z, x), z], axis=1)

    def place(v: Floats) -> Floats:
        return np.asarray(np.einsum("nij,nj->ni", own, v))

    neck_at = place(hip.neck_point[rows] - hip.head_centre[rows])
    foot = place(at)
    points = np.stack(
        [
            np.zeros_like(foot),
            neck_at,
            *(np.stack([foot[:, 0], foot[:, 1], np.full(len(foot), h)], 1) for h in _SHAFT_MM),
        ],
        axis=1,
    )
    turn = rotation_about(np.array([0.0, 0.0, 1.0]), out_of_plane_deg)
    bend = rotation_about(np.array([1.0, 0.0, 0.0]), flexion_deg)
    lie = np.einsum("nij,njk,npk->npi", bend, turn, points)  # x medial, y anterior, z proximal, head at the origin
    to_source = geometry.source_detector_mm / geometry.magnification
    source = np.array([geometry.ray_medial_mm, to_source, geometry.ray_proximal_mm])
    detector = np.array([0.0, to_source - geometry.source_detector_mm, 0.0])
    axes = np.array([[1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])
    image = central_projection(lie, source, detector, axes, np.ones(2)) / geometry.magnification
    head, neck_image, upper, lower = (image[:, k] for k in range(4))
    angle = angle_between_deg(head - neck_image, lower - upper)
    offset = np.abs(distance_to_line(head, lower, upper))
    off_axis = np.degrees(np.arctan2(np.hypot(geometry.ray_medial_mm, geometry.ray_proximal_mm), to_source))
    return angle, offset, np.asarray(2.0 * hip.head_radius[rows] * off_axis_ball_ratio(off_axis))


def agreement(hip: ScanHip, film: FilmHip, geometry: FilmGeometry, *, seed: int = 3) -> Agreement:
    """Scan against AP film of one hip.

    Raises
    ------
    FrameError
        They are of different sides.
    TooFewError
        No shaft on one of them, or too few draws.
    """
    if hip.side is not film.side:
        raise FrameError(
            f"The scan is of the {hip.side} hip and the film of the {film.side} one: comparing them says nothing. "
            "Choose the film of this hip."
        )
    view = film.ap
    if hip.shaft_axis is None or view.shaft_axis is None or view.shaft_point_mm is None:
        where = "scan" if hip.shaft_axis is None else "film"
        raise TooFewError(f"The shaft axis is missing on the {where}, so angle and offset cannot be compared.")
    n = min(view.rows, len(hip.head_radius))
    if n < _LEAST_ROWS:
        raise TooFewError(f"{n} draws are too few to compare two readings; read both with at least {_LEAST_ROWS}.")
    rng = np.random.default_rng(seed)
    # The two readings erred apart, though their random numbers may have come from one seed.
    rows = np.concatenate([[0], 1 + rng.permutation(len(hip.head_radius) - 1)[: n - 1]]).astype(np.intp)
    shaft, at = view.shaft_axis[:n], view.shaft_point_mm[:n]
    film_angle = 180.0 - angle_between_deg(view.neck_axis[:n], shaft)
    film_offset = np.abs(distance_to_line(view.head_centre_mm[:n], at, at + shaft))
    film_head = 2.0 * view.head_radius_mm[:n]
    scan_shaft, scan_at = hip.shaft_axis[rows], hip.shaft_point[rows] if hip.shaft_point is not None else None
    assert scan_at is not None
    scan_angle = 180.0 - angle_between_deg(hip.neck_axis[rows], scan_shaft)
    scan_offset = np.linalg.norm(np.cross(hip.head_centre[rows] - scan_at, scan_shaft), axis=1)
    scan_head = 2.0 * hip.head_radius[rows]
    delta, flexion = _pose(hip, geometry, rows, film_angle, film_offset / film_head, rng)
    angle, offset, head = seen_on_film(hip, geometry, delta, flexion, rows)
    scale = film_head / head
    out = measured(delta, "deg", "Angle of the neck out of the film's plane that explains the film best.")
    scale_out = measured(
        100.0 * (scale - 1.0), "%", "How much larger the film's head is than the scan's, perspective allowed for."
    )
    enlarged = scale - 1.0
    lines = (
        _row(
            "neck_shaft_angle_deg",
            "Neck-shaft angle",
            "deg",
            scan_angle,
            film_angle,
            angle - scan_angle,
            np.zeros(n),
            out,
            scale_out,
        ),
        _row(
            "femoral_offset_mm",
            "Femoral offset",
            "mm",
            scan_offset,
            film_offset,
            offset - scan_offset,
            offset * enlarged,
            out,
            scale_out,
        ),
        _row(
            "head_diameter_mm",
            "Head diameter",
            "mm",
            scan_head,
            film_head,
            head - scan_head,
            head * enlarged,
            out,
            scale_out,
        ),
    )
    return Agreement(
        lines,
        out,
        measured(flexion, "deg", "Flexion of the shaft out of the film's plane that explains the film best."),
        scale_out,
        _summary(lines, out, scale_out),
    )


def _pose(
    hip: ScanHip, geometry: FilmGeometry, rows: NDArray[np.intp], angle: Floats, share: Floats, rng: np.random.Generator
) -> tuple[Floats, Floats]:
    """(n,), (n,) neck out of plane and flexion, by damped least squares in every draw at once.

    Each draw also draws its prior means, so that the scatter of the answers is that of what data and prior leave open.
    """
    n = len(rows)
    mean = np.stack([np.full(n, OUT_OF_PLANE_PRIOR_DEG[0]), np.full(n, FLEXION_PRIOR_DEG[0])], axis=1)
    prior_sd = np.array([OUT_OF_PLANE_PRIOR_DEG[1], FLEXION_PRIOR_DEG[1]])
    mean[1:] += prior_sd * rng.standard_normal((n - 1, 2))
    at_rest = seen_on_film(hip, geometry, np.zeros(n), np.zeros(n), rows)
    sd = np.array(
        [
            max(float(np.hypot(angle[1:].std(), at_rest[0][1:].std())), 0.2),
            max(float(np.hypot(share[1:].std(), (at_rest[1] / at_rest[2])[1:].std())), 0.003),
        ]
    )

    def off(pose: Floats) -> Floats:
        a, o, d = seen_on_film(hip, geometry, pose[:, 0], pose[:, 1], rows)
        return np.stack([(a - angle) / sd[0], (o / d - share) / sd[1], *((pose - mean) / prior_sd).T], axis=1)

    best, least = np.zeros((n, 2)), np.full(n, np.inf)
    for start in _START_DEG:
        pose = np.stack([np.full(n, start), np.zeros(n)], axis=1)
        value = off(pose)
        cost, damping = np.sum(value**2, axis=1), np.full(n, 1e-2)
        for _ in range(_ROUNDS):
            slope = np.stack([(off(pose + 0.5 * e) - off(pose - 0.5 * e)) for e in np.eye(2)], axis=2)
            normal = np.einsum("nri,nrj->nij", slope, slope)
            normal = normal + np.eye(2) * (damping[:, None] * np.einsum("nii->ni", normal))[:, None, :]
            step = -np.linalg.solve(normal, np.einsum("nri,nr->ni", slope, value)[..., None])[..., 0]
            tried = np.clip(pose + step, -75.0, 75.0)
            after = off(tried)
            new = np.sum(after**2, axis=1)
            better = new <= cost
            pose, value = np.where(better[:, None], tried, pose), np.where(better[:, None], after, value)
            cost, damping = np.where(better, new, cost), np.where(better, damping * 0.2, damping * 8.0)
        # Forward and backward look nearly alike: the first (forward) stands unless the other is clearly better.
        win = cost < least - 1e-3
        best, least = np.where(win[:, None], pose, best), np.where(win, cost, least)
    return best[:, 0], best[:, 1]


def _row(
    key: str,
    label: str,
    unit: Unit,
    scan: Floats,
    film: Floats,
    projection: Floats,
    scale: Floats,
    out: Measured,
    scale_out: Measured,
) -> AgreementRow:
    difference = film - scan
    explained = projection + scale
    left = measured(difference - explained, unit, f"{label}: what neither projection, rotation nor scale explains.")
    said = measured(difference, unit, f"{label}: film minus scan.")
    by_scale = (
        measured(scale, unit, f"{label}: by the film's scale, as its head tells.")
        if unit == "mm"
        else missing(unit, f"{label}: by scale.", "An angle does not depend on the scale.")
    )
    return AgreementRow(
        key,
        label,
        measured(scan, unit, f"{label} in space, from the scan."),
        measured(film, unit, f"{label} on the film, at its scale."),
        said,
        measured(explained, unit, f"{label}: by projection, rotation and scale."),
        measured(projection, unit, f"{label}: by projection, with the neck turned out of the film's plane."),
        by_scale,
        left,
        _words(key, said, left, float(projection[0]), float(scale[0]), out, scale_out, unit),
    )


def _inside(m: Measured) -> bool:
    return m.low is not None and m.high is not None and m.low <= 0.0 <= m.high


def _words(
    key: str,
    difference: Measured,
    left: Measured,
    projection: float,
    scale: float,
    out: Measured,
    scale_out: Measured,
    unit: Unit,
) -> str:
    if key == "head_diameter_mm":
        if _inside(scale_out):
            return "Both see a head of one size, within their errors: the film's scale is confirmed by the scan."
        return (
            f"The film's head is {abs(scale_out.number):.1f} % {'larger' if scale_out.number > 0 else 'smaller'} than "
            "the scan's: the film's scale, or the circle on it, is off by that. Lengths on the film share it."
        )
    parts = [f"{projection:+.1f} {unit} by a neck {abs(out.number):.0f} deg out of the film's plane"]
    if unit == "mm":
        parts.append(f"{scale:+.1f} {unit} by the film's scale")
    known = f"Film minus scan {difference.number:+.1f} {unit}: {' and '.join(parts)}."
    if _inside(left):
        return f"{known} What is left is within the errors of both readings."
    return (
        f"{known} {left.number:+.1f} {unit} stay unexplained, more than both readings' errors: look at the axis points "
        "on the film and at the outline in the scan, and whether both show the same state of this hip."
    )


def _summary(rows: tuple[AgreementRow, ...], out: Measured, scale: Measured) -> str:
    odd = [row.label.lower() for row in rows if not _inside(row.left)]
    pose = (
        f"The film is explained best by a neck {abs(out.number):.0f} deg out of its plane (forward or backward, which "
        f"a film cannot tell; 95 % {out.low:.0f} to {out.high:.0f}) and a scale {scale.number:+.1f} % from the scan's."
    )
    return pose + (f" Not explained: {', '.join(odd)}." if odd else " Nothing is left beyond the readings' errors.")

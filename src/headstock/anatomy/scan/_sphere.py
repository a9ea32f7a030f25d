"""The sphere of a femoral head in space, with dead, flattened or overgrown surface left out.

In: a segmented hip; a signed distance to a lesion, if one is known. Out: `SphereReading`, LPS, mm.
Rays leave a first centre, the femur's outer surface is found on each between
voxels, and a least-squares sphere goes through the points of the head's own
surface. The neck is left out by angle, damage by its distance from the sphere.
Decision: docs/decisions/0220-sphere-of-a-real-head.md
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from headstock.anatomy.scan.segmentation import Segmentation
from headstock.errors import TooFewError
from headstock.frames import LPS_TO_HIP
from headstock.geometry import fit_sphere, fit_sphere_robust
from headstock.geometry.sections3d import sample

__all__ = ["HEAD_REGION_DEG", "SphereReading", "even_directions", "sphere_of_head", "surface_along"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Definition: the head's surface reaches this far from the pole of the neck axis. The articular patches of the open
# shape model of 26 femora (docs/decisions/0110) end 118 to 132 degrees from it.
HEAD_REGION_DEG: Final = 125.0
_RAYS: Final = 4000  # one ray for every 3 degrees, 1.3 mm on a head of 46 mm
_TOP_MM: Final = 90.0  # the head lies in the uppermost 90 mm of a femur, however varus
# Definition: surface over a lesion has sunk when it lies further below the sphere than this, or than what the rest of
# this head strays from it. Heads of the shape model stray by 0.4 to 0.9 mm rms without any lesion.
_SUNK_MM: Final = 1.0
_SUNK_SD: Final = 2.5
_LIMIT_SD: Final = 3.5
_LEAST_SD_MM: Final = 0.25  # a perfect head is still known to a quarter of a voxel only
_LEAST_SHARE: Final = 0.35  # of the head's surface; below it a sphere hangs on a rim
# Residuals of real heads keep their sign over about this many degrees (docs/decisions/0220): points nearer than that
# are one piece of evidence, not many.
_PATCH_DEG: Final = 30.0
_ROUNDS: Final = 8
# A head has one neck, much narrower than itself; a piece of neck, shaft or trochanter has bone on two sides. Over 50
# femora of the shape model bone goes on one way by at least 0.92 and takes at most 0.08 of all ways.
_ONE_WAY: Final = 0.87
_NECK_SHARE: Final = 0.13
_NO_NECK: Final = (
    "The roundest place of the upper femur has no single neck, so it is not a head: the head is cut off by the scan's "
    "edge, or the outline runs into other bone. Check the femur's outline, or use a scan that holds the whole head."
)


@dataclass(frozen=True, slots=True, eq=False)
class SphereReading:
    """A head's sphere, LPS, mm.

    `covariance` (4, 4) of (centre, radius): from residuals that go together over patches of the surface, so it does
    not shrink with the number of points, and for the radius from which part of the head counts. It does not hold the
    errors of the outline as a whole (`_scatter.py`). `pole` (3,): unit, from neck toward head, roughly the neck axis.
    `points` (N, 3) of the head's surface on even rays, `used` (N,), `residual_mm` (N,) outward positive; `rms_mm` of
    the points used. `excluded_arc_deg`: apex angle of the cap that is as large as all the surface left out.
    `seen_share`: share of the head's surface that lies in the scan.
    """

    centre_lps_mm: Floats
    radius_mm: float
    covariance: Floats
    rms_mm: float
    pole: Floats
    points: Floats
    used: Mask
    residual_mm: Floats
    excluded_arc_deg: float
    seen_share: float


def even_directions(count: int) -> Floats:
    """(count, 3) unit vectors spread evenly over the sphere (golden spiral)."""
    k = np.arange(count) + 0.5
    height = 1.0 - 2.0 * k / count
    turn = np.pi * (1.0 + np.sqrt(5.0)) * k
    flat = np.sqrt(1.0 - height**2)
    return np.stack([flat * np.cos(turn), flat * np.sin(turn), height], axis=1)


def surface_along(
    seg: Segmentation, centre: Floats, directions: Floats, first_mm: float, last_mm: float, step_mm: float = 0.4
) -> Floats:
    """(N,) distance from `centre` at which each ray first leaves the femur beyond `first_mm`; NaN where it does not.

    A ray that is already outside at `first_mm`, or leaves the scan first, is NaN.
    """
    reach = np.arange(first_mm, last_mm + step_mm, step_mm)
    value = sample(seg.femur_mm, seg.grid, centre + reach[None, :, None] * directions[:, None, :])
    out = ~(value < 0.0)  # NaN counts as leaving, and is told apart below
    k = np.argmax(out, axis=1)
    row = np.arange(len(directions))
    before, after = value[row, np.maximum(k - 1, 0)], value[row, k]
    with np.errstate(invalid="ignore", divide="ignore"):
        found = reach[np.maximum(k - 1, 0)] + step_mm * before / (before - after)
    return np.where(out.any(axis=1) & (k > 0) & np.isfinite(after), found, np.nan)


def rough_head(seg: Segmentation) -> tuple[Floats, float]:
    """Centre (3,) LPS and radius of the largest ball inside the medial half of the top of the femur.

    Raises
    ------
    TooFewError
        There is no femur, or nothing round in its top.
    """
    from scipy.ndimage import distance_transform_edt

    femur = seg.femur
    if femur.sum() < 1000:
        raise TooFewError("There is no femur in this segmentation, so it has no head. Mark the femur first.")
    index = np.argwhere(femur)[:, ::-1]
    points = seg.grid.points(index)
    top = points[:, 2].max()
    near = points[:, 2] > top - _TOP_MM
    index = index[near]
    low, high = index.min(axis=0), index.max(axis=0) + 1
    box = femur[low[2] : high[2], low[1] : high[1], low[0] : high[0]]
    # Bone that the scan cuts off is cut there: the padding counts as outside.
    depth = distance_transform_edt(np.pad(box, 1), sampling=seg.grid.spacing_mm[::-1])[1:-1, 1:-1, 1:-1]
    inside = np.argwhere(box)[:, ::-1]
    at = seg.grid.points(inside + low)
    medial = at @ LPS_TO_HIP[seg.side][0]
    ball = depth[box]
    ball = np.where(medial >= medial.mean(), ball, 0.0)
    best = int(np.argmax(ball))
    if ball[best] < 8.0:
        raise TooFewError(
            f"The widest place in the upper femur is {2 * ball[best]:.0f} mm, so no head was found. Check that the "
            "head is in the scan and belongs to the femur."
        )
    return at[best], float(ball[best])


def neckward(seg: Segmentation, centre: Floats, radius: float, directions: Floats) -> tuple[Floats, float, float]:
    """(3,) unit: where bone goes on beyond the head; how far that is one way, 0 to 1; its share of all ways."""
    shell = np.stack([sample(seg.femur_mm, seg.grid, centre + s * radius * directions) for s in (1.35, 1.5, 1.65)])
    weight = (shell < 0.0).sum(axis=0).astype(np.float64)
    way = (weight[:, None] * directions).sum(axis=0)
    size = float(np.linalg.norm(way))
    if size == 0.0:
        raise TooFewError(_NO_NECK)
    return np.asarray(way / size), size / float(weight.sum()), float((shell[0] < 0.0).mean())


def sphere_of_head(seg: Segmentation, leave_out: NDArray[np.floating] | None = None) -> SphereReading:
    """Sphere through the sound surface of the femoral head.

    Parameters
    ----------
    leave_out
        Signed distance to a lesion on the segmentation's grid, negative inside (`Lesion.outer_mm`). Surface over it
        that has sunk below the sphere of the rest, by more than 1 mm and by more than the rest strays from it, is
        left out; where it still stands it counts.

    Returns
    -------
    Centre and radius within 0.5 mm on an exact sphere at 1 mm voxels; a real head is no sphere (rms 0.4 to 0.7 mm),
    and its sphere moves by up to 0.9 mm with the part of the surface that is used.

    Raises
    ------
    TooFewError
        No femur, no head, no neck, or less than a third of the head's surface in the scan.
    """
    directions = even_directions(_RAYS)
    centre, radius = rough_head(seg)
    pole = -neckward(seg, centre, radius, directions)[0]
    used: Mask | None = None
    for round_ in range(_ROUNDS):
        reach = surface_along(seg, centre, directions, 0.45 * radius, 1.5 * radius)
        on_head = directions @ pole >= np.cos(np.radians(HEAD_REGION_DEG))
        seen = on_head & np.isfinite(reach)
        points = centre + reach[seen, None] * directions[seen]
        if seen.sum() < _LEAST_SHARE * on_head.sum():
            raise TooFewError(
                f"Only {100 * seen.sum() / on_head.sum():.0f} % of the head's surface is in the scan or free of the "
                "femur's edge, so no sphere is fixed. Use a scan that holds the whole head."
            )
        over = np.zeros(len(points), dtype=bool)
        if leave_out is not None:
            inward = points - 1.5 * directions[seen]
            over = sample(np.asarray(leave_out), seg.grid, inward, outside=99.0) <= 2.0
        if over.mean() > 1.0 - _LEAST_SHARE:
            over = np.zeros(len(points), dtype=bool)
        fit, _ = fit_sphere_robust(
            points, (~over).astype(np.float64), limit_sd=_LIMIT_SD, smallest_sd=_LEAST_SD_MM, tries=150, seed=1
        )
        residual = np.linalg.norm(points - fit.centre, axis=1) - fit.radius
        sd = max(1.4826 * float(np.median(np.abs(residual[~over]))), _LEAST_SD_MM)
        used = np.where(over, residual > -max(_SUNK_MM, _SUNK_SD * sd), True) & (np.abs(residual) <= _LIMIT_SD * sd)
        final = fit_sphere(points, used.astype(np.float64))
        moved = float(np.linalg.norm(final.centre - centre)) + abs(float(final.radius) - radius)
        centre, radius = np.asarray(final.centre), float(final.radius)
        toward, one_way, share = neckward(seg, centre, radius, directions)
        pole = -toward
        if moved < 0.01 and round_ > 1:
            break
    assert used is not None
    if one_way < _ONE_WAY or share > _NECK_SHARE:
        raise TooFewError(_NO_NECK)
    residual = np.linalg.norm(points - centre, axis=1) - radius
    left_out = 1.0 - used.sum() / on_head.sum()
    cap = left_out * (1.0 - np.cos(np.radians(HEAD_REGION_DEG))) / 2.0  # of the whole sphere
    return SphereReading(
        centre,
        radius,
        patch_covariance(points, centre, residual, used)
        + np.diag([0.0, 0.0, 0.0, definition_mm2(points, centre, radius, pole, residual, used)]),
        float(np.sqrt(np.mean(residual[used] ** 2))),
        pole,
        points,
        used,
        residual,
        float(2.0 * np.degrees(np.arccos(1.0 - 2.0 * cap))),
        float(seen.sum() / on_head.sum()),
    )


def patch_covariance(points: Floats, centre: Floats, residual: Floats, used: Mask) -> Floats:
    """(4, 4) covariance of (centre, radius) when residuals go together over patches of the surface.

    The cluster-robust ("sandwich") form: N^-1 (sum over patches of g g') N^-1, with g a patch's share of the gradient
    and N the normal matrix. Source: K.-Y. Liang, S. L. Zeger, Biometrika 1986;73:13-22, equation for the robust
    variance. The four unknowns take four patches' worth of freedom.
    """
    away = points[used] - centre
    unit = away / np.linalg.norm(away, axis=1, keepdims=True)
    jacobian = np.concatenate([unit, np.ones((len(unit), 1))], axis=1)
    bread = np.linalg.inv(jacobian.T @ jacobian)
    seeds = even_directions(round(4.0 * np.pi / np.radians(_PATCH_DEG) ** 2))
    patch = np.argmax(unit @ seeds.T, axis=1)
    gradient = np.zeros((len(seeds), 4))
    np.add.at(gradient, patch, jacobian * residual[used, None])
    count = len(np.unique(patch))
    freedom = count / max(count - 4, 1)
    return np.asarray(freedom * bread @ (gradient.T @ gradient) @ bread)


def definition_mm2(points: Floats, centre: Floats, radius: float, pole: Floats, residual: Floats, used: Mask) -> float:
    """Mean square move of the radius, mm2, when less of the head counts, or all of it.

    The other readings: surface within 105, and within 115 degrees of the pole only, and all surface within 125 degrees
    that has not sunk. On an exact sphere they agree; on real heads they differ by half a millimetre. The centre moves
    with them too, but not beyond what the patches of its covariance already hold (decision 0221).
    """
    away = points - centre
    polar = np.degrees(np.arccos(np.clip(away @ pole / np.linalg.norm(away, axis=1), -1.0, 1.0)))
    masks = (used & (polar <= 105.0), used & (polar <= 115.0), used | (residual > 0.0))
    moves = [float(fit_sphere(points, mask.astype(np.float64)).radius) - radius for mask in masks if mask.sum() >= 100]
    return float(np.mean(np.square(moves))) if moves else 0.0

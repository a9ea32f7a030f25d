"""A lesion outlined on an MR scan from one click inside it, and a hip known by its head sphere alone.

In: an MR scan (values without unit), a point in the lesion, the head sphere set by hand; LPS, mm. Out: `Lesion` on a
cube around the head. What looks like the clicked place and hangs together with it, inside the head, is the lesion; its
rim is placed between voxels as on CT. The reader looks at it and corrects it with the brush: MR values differ from
scanner to scanner and mean nothing by themselves.
"""

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from headstock.anatomy.scan._lesion_find import Region, normalised
from headstock.anatomy.scan._lesion_grid import Work, work_grid
from headstock.anatomy.scan._lesion_rim import rim_of
from headstock.anatomy.scan.lesion import Drawn, Field, assembled, corrected, rim_sd_mm
from headstock.anatomy.scan.segmentation import FEMUR, TRABECULAR, Segmentation
from headstock.anatomy.scan.values import Lesion, ScanHip
from headstock.errors import FrameError, TooFewError
from headstock.frames import LPS_TO_HIP, Side
from headstock.geometry.grid import Grid
from headstock.images.scan import Finding, Scan
from headstock.measured import DRAWS

__all__ = ["outline_from_click", "sphere_hip", "sphere_segmentation"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

_CLICK_MM: Final = 1.8  # the clicked place is the median of a ball of this radius
_SMOOTH_MM: Final = 0.8
_LEVEL_SD_MM: Final = 0.15  # of a rim on MR beside what it has on CT, where halfway is known; set, not measured
_SPHERE_SD_MM: Final = 0.8  # of a head sphere set by hand: centre and radius
_NECK_SD_DEG: Final = 5.0
_REACH: Final = 1.3  # of the head radius: half the cube around a head sphere
_USUAL_HEIGHT: Final = 1.45  # definition, where no junction is seen: head height as a multiple of the head radius


def outline_from_click(
    scan: Scan,
    seg: Segmentation,
    click_lps_mm: NDArray[np.float64],
    head_centre_lps_mm: NDArray[np.float64],
    head_radius_mm: float,
    *,
    drawn: Drawn | None = None,
    n_draws: int = DRAWS,
    seed: int = 1,
) -> Lesion:
    """The lesion around a click.

    Parameters
    ----------
    seg
        Outlines on this MR scan, or `sphere_segmentation` where there are none.

    Raises
    ------
    FrameError
        The click lies outside the head.
    TooFewError
        The clicked place looks like the rest of the head, so nothing can be told apart.
    """
    click = np.asarray(click_lps_mm, np.float64)
    centre = np.asarray(head_centre_lps_mm, np.float64)
    away = float(np.linalg.norm(click - centre))
    if away > head_radius_mm:
        raise FrameError(
            f"The click lies {away:.0f} mm from the head centre, outside the head of {head_radius_mm:.0f} mm "
            "radius. Click inside the lesion."
        )
    work = work_grid(scan, seg, centre, head_radius_mm)
    region, brighter = _grown(work, click - centre)
    if brighter:
        # The rim is looked for as on CT, where the lesion is the darker side.
        work = _upside_down(work)
    rim = rim_of(work, region)
    sd = float(np.hypot(rim_sd_mm(rim), _LEVEL_SD_MM))
    fields: list[Field] = [(rim.best_mm, rim.half_band_mm, sd, "drawn")]
    says = "The lesion was outlined from a click on MR: look at its rim and correct it with the brush."
    findings = [Finding("lesion_by_click", "note", says)]
    if drawn is not None:
        fields = corrected(fields, drawn, seg, work, findings)
    return assembled(scan, seg, work, fields, findings, n_draws=n_draws, seed=seed, modality="MR")


def sphere_segmentation(
    scan: Scan, side: Side, head_centre_lps_mm: NDArray[np.float64], head_radius_mm: float
) -> Segmentation:
    """Outlines of a head known by its sphere alone, on the part of the scan's grid around it.

    Raises
    ------
    FrameError
        The sphere is not in the scan.
    """
    centre = np.asarray(head_centre_lps_mm, np.float64)
    half = _REACH * head_radius_mm / scan.grid.spacing_mm
    middle = scan.grid.index(centre)
    first = np.maximum(np.floor(middle - half).astype(int), 0)
    last = np.minimum(np.ceil(middle + half).astype(int) + 1, np.array(scan.grid.shape[::-1]))
    if np.any(middle < 0) or np.any(middle > np.array(scan.grid.shape[::-1]) - 1) or np.any(last - first < 4):
        raise FrameError("The head sphere does not lie in this scan. Set its centre inside the femoral head.")
    size = (last - first)[::-1]
    grid = scan.grid.cropped((int(first[2]), int(first[1]), int(first[0])), (int(size[0]), int(size[1]), int(size[2])))
    distance = np.linalg.norm(_points(grid) - centre, axis=-1) - head_radius_mm
    bones = np.where(distance < 0.0, FEMUR, 0).astype(np.uint8)
    tissue = np.where(distance < 0.0, TRABECULAR, 0).astype(np.uint8)
    says = "The femur is known here by the sphere of its head alone, set by hand; shares refer to that sphere."
    return Segmentation(
        grid,
        side,
        bones,
        tissue,
        distance.astype(np.float32),
        _SPHERE_SD_MM,
        centre,
        (Finding("head_sphere_only", "note", says),),
    )


def sphere_hip(
    side: Side,
    head_centre_lps_mm: NDArray[np.float64],
    head_radius_mm: float,
    neck_lps: NDArray[np.float64] | None = None,
    *,
    n_draws: int = DRAWS,
    seed: int = 1,
) -> ScanHip:
    """A hip known by its head sphere, in the patient's own axes; `neck_lps` (3,) from the neck toward the head.

    Without a neck direction the pole lies 45 degrees medial of straight up, as on a usual hip.
    """
    rng = np.random.default_rng([seed, 11])
    turn = LPS_TO_HIP[side].T
    axis = np.array([1.0, 0.0, 1.0]) if neck_lps is None else np.asarray(neck_lps, np.float64) @ turn
    axis = axis / np.linalg.norm(axis)

    def scattered(value: Floats, sd: float) -> Floats:
        rows = np.tile(np.asarray(value, np.float64), (n_draws + 1, *[1] * np.ndim(value)))
        rows[1:] += sd * rng.standard_normal(rows[1:].shape)
        return rows

    centre = scattered(np.zeros(3), _SPHERE_SD_MM)
    radius = scattered(np.array(head_radius_mm), _SPHERE_SD_MM)
    neck = scattered(axis, float(np.radians(_NECK_SD_DEG)))
    neck /= np.linalg.norm(neck, axis=1, keepdims=True)
    return ScanHip(
        side,
        np.asarray(head_centre_lps_mm, np.float64),
        turn,
        centre,
        radius,
        neck,
        centre - 1.2 * radius[:, None] * neck,
        None,
        None,
        _USUAL_HEIGHT * radius,
        None,
        np.zeros(n_draws + 1),
        {},
        "The patient's own axes: only the head sphere is known.",
    )


def _points(grid: Grid) -> Floats:
    index = np.stack(np.meshgrid(*[np.arange(n) for n in grid.shape], indexing="ij")[::-1], axis=-1)
    return grid.points(index)


def _grown(work: Work, click_mm: Floats) -> tuple[Region, bool]:
    """What hangs together with the click and looks like it: on its side of halfway to the rest of the head."""
    import SimpleITK

    sitk: Any = SimpleITK
    h = work.step_mm
    inside = work.core & (work.depth_mm > h)
    smooth = normalised(work.values, work.depth_mm > 0.0, _SMOOTH_MM / h)
    near = inside & (np.linalg.norm(work.offsets_mm - click_mm, axis=-1) <= _CLICK_MM)
    if not near.any():
        raise FrameError("The click lies on the surface of the head. Click inside the lesion.")
    here = float(np.median(smooth[near]))
    rest = smooth[inside]
    spread = 1.4826 * float(np.median(np.abs(smooth[near] - here)))
    # Sound marrow is the commonest value of the head that differs from the clicked place.
    spread_of_head = float(np.ptp(np.quantile(rest, (0.02, 0.98))))
    apart = max(3.0 * spread, 0.15 * spread_of_head, 1e-4 * abs(here))
    other = rest[np.abs(rest - here) > apart]
    if other.size < 0.05 * rest.size:
        raise TooFewError(
            "The clicked place looks like the rest of the head on this scan, so no lesion can be told apart there. "
            "Outline it with the brush."
        )
    level = 0.5 * (here + float(np.median(other)))
    brighter = here > level
    alike = inside & ((smooth > level) if brighter else (smooth < level))
    seed_at = np.argwhere(near & alike)
    if not len(seed_at):
        raise TooFewError("Nothing around the click looks like it. Click into the middle of the lesion.")
    image = sitk.GetImageFromArray(alike.astype(np.uint8))
    seeds = [tuple(int(v) for v in place[::-1]) for place in seed_at[:50]]
    grown = sitk.GetArrayFromImage(sitk.ConnectedThreshold(image, seeds, lower=1, upper=1)) > 0
    grown = ndimage.binary_opening(grown, iterations=1) & grown
    labels, _ = ndimage.label(grown)
    mine = labels[tuple(seed_at.T)]
    mine = mine[mine > 0]
    if not mine.size:
        raise TooFewError("What looks like the clicked place is too thin to be a lesion. Outline it with the brush.")
    mask = ndimage.binary_fill_holes(labels == np.bincount(mine).argmax())
    contrast = abs(float(np.median(other)) - here)
    return Region(np.asarray(mask), contrast, contrast, 1.0), brighter


def _upside_down(work: Work) -> Work:
    from dataclasses import replace

    return replace(work, values=-work.values, cortex=-float(work.values.min()))

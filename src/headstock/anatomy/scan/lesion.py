"""Dead or cystic bone in a femoral head, found on CT by density and shape, with an inner and an outer estimate of its
rim.

In: scan, outlines of the bones, a rough head sphere (LPS, mm). Out: `Lesion` on the outlines' grid.
Regions: `_lesion_find`. Rim between voxels: `_lesion_rim`. Drawn corrections win over what was found. How the rim's
uncertainty is set: docs/lesion.md.
"""

from collections.abc import Callable
from dataclasses import replace
from typing import Final, Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from headstock.anatomy.scan._lesion_find import dead_regions
from headstock.anatomy.scan._lesion_grid import FAR_MM, Work, on_grid, work_grid
from headstock.anatomy.scan._lesion_rim import Rim, rim_of
from headstock.anatomy.scan.segmentation import Segmentation
from headstock.anatomy.scan.values import Lesion, LesionPart
from headstock.errors import FrameError
from headstock.frames import LPS_TO_HIP
from headstock.geometry.distance import mask_distance
from headstock.images.scan import Finding, Scan
from headstock.measured import DRAWS, Measured, measured

__all__ = ["Drawn", "assembled", "corrected", "find_lesion", "no_lesion", "rim_sd_mm", "volume_batch_cm3"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]
Progress = Callable[[float, str], None]
LesionKind = Literal["dead", "cyst", "drawn"]
Field = tuple[Floats, float, float, LesionKind]  # best rim, half band, sd of its common error, kind

# Standard deviation of a rim's common error, mm, beside what noise does to it: by the errors of 420 analytic heads and
# 48 phantoms (docs/lesion.md). Where the plate ends dead bone it errs no more than elsewhere.
RIM_SD_MM: Final = 0.065
NEAR_PLATE_SD_MM: Final = 0.34  # of the share of the rim told apart from the plate close by
SEAM_SD: Final = 0.11  # share of the way that a dense seam moved the rim
PLACE_SD_MM: Final = 0.15  # by how much one place of a rim errs beside what all of it does
DRAWN_SD_MM: Final = 0.7  # of a rim drawn by hand
CYST_HU: Final = 80.0  # definition: at or below it the inside is fluid or soft tissue, a cyst; above it dead bone
_SHIFTS: Final = 9
_TOUCH_MM: Final = 0.5  # rims that both come this near one place are one lesion


class Drawn(Protocol):
    """What a reader painted: voxels added to and taken from the lesion, on the outlines' grid."""

    @property
    def added(self) -> Mask: ...  # noqa: D102 - a field

    @property
    def removed(self) -> Mask: ...  # noqa: D102 - a field


def find_lesion(
    scan: Scan,
    seg: Segmentation,
    head_centre_lps_mm: NDArray[np.float64],
    head_radius_mm: float,
    *,
    drawn: Drawn | None = None,
    other: Lesion | None = None,
    n_draws: int = DRAWS,
    seed: int = 1,
    progress: Progress | None = None,
) -> Lesion:
    """Dead and cystic bone in head and upper neck.

    Parameters
    ----------
    drawn
        Brush strokes of a reader: added voxels are dead bone, removed ones are not, whatever the grey values say.
    other
        A lesion seen on another image and carried onto this grid (`register.carried`): joined to what is found here.

    Returns
    -------
    `Lesion` with `volume_cm3` of each part; further measures need the hip (`lesion_measures`). None found: no parts,
    both fields far and positive, and a finding that says so. On MR nothing is looked for: density has no meaning there.

    Raises
    ------
    FrameError
        The head sphere is not in these outlines, or the drawn voxels are on another grid.
    """
    centre = np.asarray(head_centre_lps_mm, np.float64)
    say = progress or (lambda _share, _words: None)
    say(0.0, "Looking for dead bone")
    work = work_grid(scan, seg, centre, head_radius_mm)
    findings: list[Finding] = []
    fields: list[Field] = []
    if scan.modality == "CT":
        for region in dead_regions(work):
            say(0.5, "Placing the rim of dead bone")
            rim = rim_of(work, region)
            level = float(np.median(work.values[region.mask]))
            # A cyst in a dead sector is counted once.
            best = np.maximum.reduce([rim.best_mm, *[-other_best for other_best, *_ in fields]])
            fields.append((best, rim.half_band_mm, rim_sd_mm(rim), "cyst" if level <= CYST_HU else "dead"))
    if other is not None:
        fields = _joined([*fields, *_other_fields(other, work)])
    if drawn is not None:
        fields = corrected(fields, drawn, seg, work, findings)
    say(0.8, "Measuring dead bone")
    seen_on = scan.modality if other is None or not other.parts else other.modality
    return assembled(scan, seg, work, fields, findings, n_draws=n_draws, seed=seed, modality=seen_on)


def no_lesion(seg: Segmentation, scan: Scan, *, n_draws: int = DRAWS, says: str = "") -> Lesion:
    """A lesion with no part: none was found."""
    far = np.full(seg.grid.shape, FAR_MM, np.float32)
    words = says or (
        "No dead or cystic bone was found: no region of the head is less dense than the bone around it and closed by "
        "an edge. A lesion as dense as sound bone is not seen on CT; look at the planes, or bring an MR scan."
    )
    finding = Finding("no_lesion", "note", words)
    t = np.full(n_draws + 1, 0.5)
    return Lesion(seg.grid, far, far.copy(), t, (), scan.modality, {}, (finding,))


def volume_batch_cm3(inner_mm: Floats, outer_mm: Floats, t: Floats, voxel_mm3: float, step_mm: float) -> Floats:
    """(n,) volume of the lesion at each rim `t`: partial volume of voxels by their distance to the rim.

    The volume is a smooth function of t: it is worked out at a few t and looked up between them.
    """
    near = (inner_mm < 20.0) | (outer_mm < 20.0)
    inner, outer = inner_mm[near].astype(np.float64), outer_mm[near].astype(np.float64)
    knots = np.linspace(min(float(t.min()), 0.0) - 1e-9, max(float(t.max()), 1.0), _SHIFTS)
    volumes = [
        np.clip(0.5 - (inner + x * (outer - inner)) / step_mm, 0.0, 1.0).sum() * voxel_mm3 / 1000.0 for x in knots
    ]
    from scipy.interpolate import PchipInterpolator

    return np.asarray(PchipInterpolator(knots, volumes)(t), np.float64)


def rim_sd_mm(rim: Rim) -> float:
    """Standard deviation of the common error of a rim, mm."""
    parts = (RIM_SD_MM, rim.noise_mm, rim.near_share * NEAR_PLATE_SD_MM, SEAM_SD * rim.seam_mm)
    return float(np.sqrt(np.sum(np.square(parts))))


def _other_fields(other: Lesion, work: Work) -> list[Field]:
    if not other.parts:
        return []
    inner = on_grid(other.inner_mm, other.grid, work.grid, outside=FAR_MM)
    outer = on_grid(other.outer_mm, other.grid, work.grid, outside=FAR_MM)
    near = np.abs(inner) < 10.0
    half = float(np.median(0.5 * (inner - outer)[near])) if near.any() else 0.5
    return [(0.5 * (inner + outer), max(half, 0.25), half * 2.0 * float(np.std(other.t[1:])), "drawn")]


def corrected(
    fields: list[Field],
    drawn: Drawn,
    seg: Segmentation,
    work: Work,
    findings: list[Finding],
) -> list[Field]:
    """What was found, without what was taken away, and with what was painted."""
    if drawn.added.shape != seg.grid.shape or drawn.removed.shape != seg.grid.shape:
        raise FrameError(
            f"The painted lesion has {drawn.added.shape} voxels, these outlines {seg.grid.shape}: it was painted on "
            "another scan. Paint it on this one."
        )
    h = work.step_mm
    taken = on_grid(drawn.removed.astype(np.float32), seg.grid, work.grid, outside=0.0) - 0.5
    painted = on_grid(drawn.added.astype(np.float32), seg.grid, work.grid, outside=0.0) - 0.5
    if (painted > 0.0).any() and not ((painted > 0.0) & (work.depth_mm > 0.0)).any():
        raise FrameError(
            "The painted lesion lies outside the femur, so it is no dead bone of it. Paint inside the femur."
        )
    kept = []
    if (taken > 0.0).any():
        away = -mask_distance(taken > 0.0, h).astype(np.float64)
        for best, band, sd, kind in fields:
            rest = np.maximum(best, away)
            if (rest < 0.0).any():
                kept.append((rest, band, sd, kind))
        findings.append(
            Finding("lesion_taken_away", "note", "A reader took away part of the dead bone that was found.")
        )
    else:
        kept = list(fields)
    if (painted > 0.0).any():
        distance = mask_distance(painted > 0.0, h).astype(np.float64)
        kept = _joined([*kept, (distance, DRAWN_SD_MM, DRAWN_SD_MM, "drawn")])
    return kept


def _joined(fields: list[Field]) -> list[Field]:
    """Rims that touch or overlap become one lesion, of the kind of its largest part; their errors add nothing up: the
    larger one holds."""
    groups: list[Field] = []
    for field in fields:
        best, band, sd, kind = field
        size = float((best < 0.0).sum())
        apart = []
        for other in groups:
            if ((other[0] < _TOUCH_MM) & (best < _TOUCH_MM)).any():
                theirs = float((other[0] < 0.0).sum())
                kind = kind if size > theirs else other[3]
                best, band, sd = np.minimum(best, other[0]), max(band, other[1]), max(sd, other[2])
                size = max(size, theirs)
            else:
                apart.append(other)
        groups = [*apart, (best, band, sd, kind)]
    return groups


def assembled(
    scan: Scan,
    seg: Segmentation,
    work: Work,
    fields: list[Field],
    findings: list[Finding],
    *,
    n_draws: int,
    seed: int,
    modality: Literal["CT", "MR", "drawn"],
) -> Lesion:
    """The lesion made of rims on the work grid: cut off at the bone, measured, on the outlines' grid."""
    h = work.step_mm
    clipped = [
        (best, band, sd, kind) for best, band, sd, kind in fields if ((best < 0.0) & (work.depth_mm > 0.0)).any()
    ]
    if not clipped:
        empty = no_lesion(seg, scan, n_draws=n_draws)
        return replace(empty, findings=(*empty.findings, *findings))
    size = [np.clip(0.5 - np.maximum(b, -work.depth_mm) / h, 0.0, 1.0).sum() for b, *_ in clipped]
    order = np.argsort(size)[::-1]
    clipped = [clipped[k] for k in order]
    weight = np.array([size[k] for k in order]) / np.sum(size)
    # One t serves all parts: the rims err together (same kernel, same levels). It moves any one place of a rim, which
    # errs by more than the rim as a whole does. Its sd is the parts' mean by volume; a part less sure than that gets a
    # wider band, so that its rim moves as far as it should.
    places = [float(np.hypot(sd, PLACE_SD_MM)) for _, _, sd, _ in clipped]
    shares = [place / (2.0 * band) for place, (_, band, _, _) in zip(places, clipped, strict=True)]
    ratio = float(np.sum(weight * np.array(shares)))
    clipped = [
        (best, max(band, place / (2.0 * ratio)), sd, kind)
        for place, (best, band, sd, kind) in zip(places, clipped, strict=True)
    ]
    rng = np.random.default_rng([seed, 5])
    scatter = np.concatenate([[0.0], rng.standard_normal(n_draws)])
    t = 0.5 + ratio * scatter
    source = "lesion on the scan: rim halfway between dead bone and the bone just outside"
    surface = -work.depth_mm
    inner = np.full(work.values.shape, FAR_MM)
    outer = np.full(work.values.shape, FAR_MM)
    parts = []
    total = np.zeros(n_draws + 1)
    for number, (best, band, sd, kind) in enumerate(clipped, start=1):
        far = best > 0.9 * FAR_MM
        inside = np.where(far, FAR_MM, np.maximum(best + band, surface))
        beyond = np.where(far, FAR_MM, np.maximum(best - band, surface))
        volume = volume_batch_cm3(inside, beyond, 0.5 + sd / (2.0 * band) * scatter, h**3, h)
        total += volume
        share = np.clip(0.5 - 0.5 * (inside + beyond) / h, 0.0, 1.0)
        middle = (work.offsets_mm * share[..., None]).sum(axis=(0, 1, 2)) / share.sum()
        hip_mm = LPS_TO_HIP[seg.side] @ middle
        named: Measured = measured(np.maximum(volume, 0.0), "cm3", source)
        parts.append(LesionPart(number, kind, np.asarray(hip_mm), named))
        inner, outer = np.minimum(inner, inside), np.minimum(outer, beyond)
    if modality == "CT" and all(kind == "drawn" for *_, kind in clipped):
        modality = "drawn"
    carried = [on_grid(f, work.grid, seg.grid, outside=FAR_MM).astype(np.float32) for f in (inner, outer)]
    return Lesion(
        seg.grid,
        carried[0],
        carried[1],
        t,
        tuple(parts),
        modality,
        {"volume_cm3": measured(np.maximum(total, 0.0), "cm3", source)},
        tuple(findings),
    )

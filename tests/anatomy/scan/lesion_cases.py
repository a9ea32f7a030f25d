"""Heads with lesions of known shape, scanned: grey values blurred by a Gaussian, exactly known distances."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from headstock.anatomy.scan.segmentation import Segmentation
from headstock.anatomy.scan.values import Lesion, ScanHip
from headstock.frames import LPS_TO_HIP, Side
from headstock.geometry.grid import Grid
from headstock.images.scan import Scan, ScanHeader

from .scan_cases import grid_points, segmentation_of, straight_grid

Floats = NDArray[np.float64]

CENTRE = np.array([-80.0, 40.0, -60.0])  # LPS
RADIUS = 22.0
NECK_RADIUS = 13.0
NECK = np.array([1.0, 0.0, 1.0]) / np.sqrt(2.0)  # hip frame, toward the head
SOFT_HU, CORTEX_HU, BONE_HU, CORTEX_MM = 45.0, 1100.0, 360.0, 1.2


@dataclass(frozen=True)
class Ball:
    """A lesion: `at` (3,) from the head centre, hip frame, mm; `seam_mm` of dense bone round it."""

    at: tuple[float, float, float]
    radius: float
    HU: float = 25.0
    seam_mm: float = 0.0
    seam_HU: float = 720.0


@dataclass(frozen=True)
class HeadScan:
    scan: Scan
    seg: Segmentation
    side: Side

    def to_ball_mm(self, ball: Ball) -> Floats:
        """Signed distance of every voxel to a lesion."""
        at = CENTRE + LPS_TO_HIP[self.side].T @ np.array(ball.at)
        return np.linalg.norm(grid_points(self.scan.grid) - at, axis=-1) - ball.radius


def ball_cm3(radius: float) -> float:
    """Volume of a ball."""
    return 4.0 / 3.0 * np.pi * radius**3 / 1000.0


def thinned(case: HeadScan, every: tuple[int, int, int], values: Floats | None = None) -> HeadScan:
    """Every n-th slice, row and column of a scan and its outlines; `values`: other grey values than its own."""
    part = tuple(slice(None, None, n) for n in every)
    kept = (case.scan.values if values is None else values)[part]
    there = case.scan.grid
    grid = replace(there, spacing_mm=there.spacing_mm * np.array(every[::-1]), shape=kept.shape)
    seg = replace(
        case.seg,
        grid=grid,
        bones=case.seg.bones[part],
        tissue=case.seg.tissue[part],
        femur_mm=case.seg.femur_mm[part],
    )
    return HeadScan(replace(case.scan, values=kept, grid=grid), seg, case.side)


def head_scan(
    *balls: Ball,
    side: Side = Side.RIGHT,
    spacing: float = 1.0,
    blur: float = 0.6,
    noise: float = 15.0,
    seed: int = 0,
    neck_HU: float = 170.0,
    below: float = 48.0,
    shift: tuple[float, float, float] = (0.0, 0.0, 0.0),
    texture: float = 0.0,
    cortex_mm: float = CORTEX_MM,
) -> HeadScan:
    """A ball on a neck: cortex, spongy bone that grows thinner down the neck, lesions."""
    turn = LPS_TO_HIP[side].T
    neck = turn @ NECK
    ends = np.stack([CENTRE, CENTRE - below * neck])
    low, high = ends.min(axis=0) - 28.0, ends.max(axis=0) + 28.0
    grid = straight_grid(low, high, spacing, np.array(shift))
    points = grid_points(grid)
    off = points - CENTRE
    down = -(off @ neck)
    across = np.sqrt(np.maximum((off**2).sum(axis=-1) - down**2, 0.0))
    tube = np.maximum(across - NECK_RADIUS, np.maximum(down - below, -down))
    femur = np.minimum(np.linalg.norm(off, axis=-1) - RADIUS, tube)
    rng = np.random.default_rng([seed, 3])
    # Bone grows thinner from the head's middle toward the neck, without an edge.
    grown = neck_HU + (BONE_HU - neck_HU) * ndtr((1.1 * RADIUS - down) / 7.0)
    bone = grown + (CORTEX_HU - grown) * ndtr((femur + cortex_mm) / blur)
    hu = SOFT_HU + (bone - SOFT_HU) * ndtr(-femur / blur)
    for ball in balls:
        to = np.linalg.norm(points - (CENTRE + turn @ np.array(ball.at)), axis=-1) - ball.radius
        # Dead bone and its seam end at the inner face of the cortex: weight them by what is not cortex.
        inside = ndtr(-(femur + cortex_mm) / blur)
        seam = ndtr(-(to - ball.seam_mm) / blur) - ndtr(-to / blur)
        dead = ndtr(-to / blur)
        hu = hu + inside * (dead * (ball.HU - grown) + seam * (ball.seam_HU - grown))
    if texture:
        from scipy.ndimage import gaussian_filter

        waves = gaussian_filter(rng.standard_normal(grid.shape), 1.2)
        hu = hu + texture * waves / waves.std() * (femur < -cortex_mm)
    hu = hu + noise * rng.standard_normal(grid.shape)
    scan = Scan(np.round(hu).astype(np.int16), grid, "CT", ScanHeader())
    return HeadScan(scan, segmentation_of(femur, grid, side), side)


def plain_hip(side: Side = Side.RIGHT, n: int = 400, sds: tuple[float, float, float] = (0.0, 0.0, 0.0)) -> ScanHip:
    """The hip of `head_scan`, known exactly or with errors: sd of centre (mm), radius (mm), neck axis (degrees)."""
    rng = np.random.default_rng(5)
    rows = n + 1
    centre, radius = np.zeros((rows, 3)), np.full(rows, RADIUS)
    neck = np.tile(NECK, (rows, 1))
    centre[1:] += sds[0] * rng.standard_normal((n, 3))
    radius[1:] += sds[1] * rng.standard_normal(n)
    neck[1:] += np.radians(sds[2]) * rng.standard_normal((n, 3))
    neck /= np.linalg.norm(neck, axis=1, keepdims=True)
    return ScanHip(
        side,
        CENTRE,
        np.asarray(LPS_TO_HIP[side].T),
        centre,
        radius,
        neck,
        np.tile(-1.5 * RADIUS * NECK, (rows, 1)),
        None,
        None,
        np.full(rows, 1.5 * RADIUS),
        None,
        np.zeros(rows),
        {},
        "",
    )


def exact_lesion(case: HeadScan, *balls: Ball, half_band: float = 0.5, sd: float = 0.0, n: int = 400) -> Lesion:
    """A lesion whose rims are known exactly, for what is made of rims."""
    from headstock.anatomy.scan.lesion import volume_batch_cm3
    from headstock.anatomy.scan.values import LesionPart
    from headstock.measured import measured

    grid: Grid = case.scan.grid
    best = np.minimum.reduce([case.to_ball_mm(ball) for ball in balls])
    surface = case.seg.femur_mm
    inner = np.maximum(best + half_band, surface).astype(np.float32)
    outer = np.maximum(best - half_band, surface).astype(np.float32)
    t = np.full(n + 1, 0.5)
    t[1:] += sd / (2.0 * half_band) * np.random.default_rng(2).standard_normal(n)
    step = float(grid.spacing_mm[0])
    volume = measured(volume_batch_cm3(inner, outer, t, grid.voxel_mm3, step), "cm3", "known")
    part = LesionPart(1, "dead", np.array(balls[0].at), volume)
    return Lesion(grid, inner, outer, t, (part,), "CT", {"volume_cm3": volume})

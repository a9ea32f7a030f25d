"""A hip made of solids with known surfaces, scanned: a ball, a neck and a shaft, and a socket around the ball."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from headstock.frames import Side
from headstock.geometry.grid import Grid
from headstock.images.scan import Scan, ScanHeader

SOFT_HU, CORTEX_HU, SPONGY_HU, PELVIS_HU = 45.0, 1200.0, 320.0, 150.0
CENTRE = np.array([-85.0, 50.0, -70.0])
NECK = np.array([-0.72, 0.0, -0.694])
NECK = NECK / np.linalg.norm(NECK)
FINE = 2


def _to_segment(points: NDArray[np.float64], a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.float64]:
    way = (b - a).astype(points.dtype)
    off = points - a.astype(points.dtype)
    share = np.clip(off @ way / (way @ way), 0.0, 1.0)
    return np.asarray(np.linalg.norm(off - share[..., None] * way, axis=-1))


@dataclass(frozen=True)
class HipOfSolids:
    scan: Scan
    femur: NDArray[np.bool_]
    pelvis: NDArray[np.bool_]
    radius_mm: float
    femur_mm: NDArray[np.float64]  # the exact signed distance at voxel centres
    centre_mm: NDArray[np.float64]
    neck: NDArray[np.float64]
    side: Side


def hip_of_solids(
    gap_mm: float = 2.5,
    *,
    radius_mm: float = 23.0,
    spacing_mm: float = 1.0,
    shift_mm: tuple[float, float, float] = (0.0, 0.0, 0.0),
    noise_HU: float = 15.0,
    cortex_mm: float = 1.5,
    below_mm: float = 80.0,
    mirrored: bool = False,
    seed: int = 0,
) -> HipOfSolids:
    """A right hip (left when mirrored) of solids; partial volume by cells of half a voxel, blurred 0.45 voxels."""
    low = np.array([-150.0, 8.0, -70.0 - below_mm]) + np.array(shift_mm)
    high = np.array([-42.0, 92.0, -22.0])
    shape = tuple(int(n) for n in np.floor((high - low) / spacing_mm)[::-1])
    step = spacing_mm / FINE
    k, j, i = (np.arange(n * FINE) for n in shape)
    first = low - 0.5 * spacing_mm + 0.5 * step

    def fields(zs, ys, xs, kind=np.float32):  # type: ignore[no-untyped-def]
        points = np.stack(np.meshgrid(zs, ys, xs, indexing="ij")[::-1], axis=-1).astype(kind)
        away = points - CENTRE.astype(kind)
        r = np.linalg.norm(away, axis=-1)
        bend = CENTRE + 48.0 * NECK
        shaft = bend + np.array([4.0, 0.0, -140.0])
        femur = np.minimum(r - radius_mm, _to_segment(points, CENTRE, bend) - 14.5)
        femur = np.minimum(femur, _to_segment(points, bend, shaft) - 15.0)
        inner = radius_mm + gap_mm
        pelvis = np.maximum(np.abs(r - inner - 7.0) - 7.0, away @ NECK.astype(kind) + 2.0)
        return femur, pelvis

    femur, pelvis = fields(first[2] + k * step, first[1] + j * step, first[0] + i * step)
    pelvis = np.where(femur < 0.0, 1.0, pelvis)
    grey = np.full(femur.shape, SOFT_HU, dtype=np.float32)
    grey[femur < 0.0] = CORTEX_HU
    grey[femur < -cortex_mm] = SPONGY_HU
    grey[pelvis < 0.0] = CORTEX_HU
    grey[pelvis < -1.5] = PELVIS_HU
    grey = gaussian_filter(grey, 0.45 * FINE)
    grey = grey.reshape(shape[0], FINE, shape[1], FINE, shape[2], FINE).mean(axis=(1, 3, 5))
    grey = grey + np.random.default_rng(seed).normal(0.0, noise_HU, grey.shape)
    exact, socket = fields(
        *(low[a] + spacing_mm * np.arange(n) for a, n in zip((2, 1, 0), shape, strict=True)), kind=np.float64
    )
    true, cup = exact < 0.0, (socket < 0.0) & (exact >= 0.0)
    origin = low
    if mirrored:
        grey, true, cup, exact = (a[:, :, ::-1] for a in (grey, true, cup, exact))
        origin = np.array([-(low[0] + spacing_mm * (shape[2] - 1)), low[1], low[2]])
    grid = Grid(origin, np.eye(3), np.full(3, spacing_mm), shape)
    scan = Scan(np.rint(grey).astype(np.int16), grid, "CT", ScanHeader())
    turn = np.array([-1.0 if mirrored else 1.0, 1.0, 1.0])
    side = Side.LEFT if mirrored else Side.RIGHT
    return HipOfSolids(scan, true, cup, radius_mm, exact, CENTRE * turn, NECK * turn, side)

"""Hips for the tests of scans: analytic solids, surfaces of the shape model, and the supplied labels.

A signed distance is made from each directly, so that these tests say what the measuring
does, apart from what finding the bone adds.
"""

import json
import zipfile
from collections.abc import Callable
from functools import lru_cache
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
import pydicom
from numpy.typing import NDArray
from scipy import ndimage

from headstock.anatomy.scan.segmentation import FEMUR, PELVIS, Segmentation
from headstock.frames import LPS_TO_HIP, Side
from headstock.geometry.grid import Grid

Floats = NDArray[np.float64]
HIPS = Path(__file__).parents[2] / "data" / "hips"


def straight_grid(low: Floats, high: Floats, spacing: float, shift: Floats | None = None) -> Grid:
    """Grid along the axes of LPS that covers a box."""
    size = np.ceil((np.asarray(high) - low) / spacing).astype(int) + 1
    origin = np.asarray(low, float) + (0.0 if shift is None else np.asarray(shift))
    return Grid(origin, np.eye(3), np.full(3, float(spacing)), (int(size[2]), int(size[1]), int(size[0])))


def grid_points(grid: Grid) -> Floats:
    """(slices, rows, columns, 3) centres of voxels."""
    s, r, c = np.meshgrid(*(np.arange(n) for n in grid.shape), indexing="ij")
    return grid.points(np.stack([c, r, s], axis=-1))


def segmentation_of(distance: Floats, grid: Grid, side: Side, edge_sd_mm: float = 0.1) -> Segmentation:
    """A femur alone, by its signed distance."""
    femur = distance < 0.0
    bones = np.where(femur, FEMUR, 0).astype(np.uint8)
    return Segmentation(
        grid, side, bones, np.zeros_like(bones), distance.astype(np.float32), edge_sd_mm, np.zeros(3), ()
    )


@lru_cache(maxsize=3)
def supplied(name: str) -> tuple[Segmentation, dict[str, Any], Grid, NDArray[np.int16]]:
    """A supplied hip: its true labels as a segmentation, its truth, and its CT (HU) with grid."""
    with zipfile.ZipFile(HIPS / f"{name}.zip") as box:
        truth = json.loads(box.read(next(n for n in box.namelist() if n.endswith("truth.json"))))
        labels = np.load(BytesIO(box.read(next(n for n in box.namelist() if n.endswith("labels.npz")))))
        slices = [pydicom.dcmread(BytesIO(box.read(n))) for n in box.namelist() if "ct/" in n and n.endswith(".dcm")]
    slices.sort(key=lambda s: float(s.ImagePositionPatient[2]))
    first = slices[0]
    hu = np.stack([s.pixel_array * float(s.RescaleSlope) + float(s.RescaleIntercept) for s in slices])
    step = float(slices[1].ImagePositionPatient[2]) - float(first.ImagePositionPatient[2])
    spacing = np.array([first.PixelSpacing[1], first.PixelSpacing[0], step], float)
    assert list(map(float, first.ImageOrientationPatient)) == [1, 0, 0, 0, 1, 0]
    grid = Grid(np.array(first.ImagePositionPatient, float), np.eye(3), spacing, hu.shape)
    femur, pelvis = labels["femur"].astype(bool), labels["pelvis"].astype(bool)
    bones = np.where(femur, FEMUR, np.where(pelvis, PELVIS, 0)).astype(np.uint8)
    seg = Segmentation(
        grid,
        Side(truth["side"]),
        bones,
        np.zeros_like(bones),
        distance_of_labels(femur, spacing),
        0.1,
        np.zeros(3),
        (),
    )
    return seg, truth, grid, hu.astype(np.int16)


def distance_of_labels(mask: NDArray[np.bool_], spacing: Floats) -> NDArray[np.float32]:
    """Signed distance to a labelled body with its steps smoothed away (0.7 voxel)."""
    pad = np.pad(mask, 1, mode="edge")
    step = tuple(spacing[::-1])
    far = ndimage.distance_transform_edt(~pad, sampling=step) - ndimage.distance_transform_edt(pad, sampling=step)
    far = far - 0.5 * np.sign(far) * float(np.mean(spacing))
    near = ndimage.gaussian_filter(far, 1.0)
    return np.asarray(np.where(np.abs(far) < 6.0, near, far)[1:-1, 1:-1, 1:-1], dtype=np.float32)


def capsule(a: Floats, b: Floats, radius: float) -> Callable[[Floats], Floats]:
    """Signed distance of a rod with round ends."""

    def distance(p: Floats) -> Floats:
        along = b - a
        t = np.clip((p - a) @ along / (along @ along), 0.0, 1.0)
        return np.asarray(np.linalg.norm(p - a - t[..., None] * along, axis=-1) - radius)

    return distance


def ball(centre: Floats, radius: float) -> Callable[[Floats], Floats]:
    """Signed distance of a ball."""
    return lambda p: np.asarray(np.linalg.norm(p - centre, axis=-1) - radius)


# A femur of plain solids in the hip frame of a left hip, mm: head at the origin, round neck, straight shaft.
HEAD_MM, NECK_MM, SHAFT_MM, LENGTH_MM, ANGLE_DEG = 23.0, 13.0, 14.0, 50.0, 128.0


def plain_femur(
    spacing: float,
    *,
    side: Side = Side.LEFT,
    turn: Floats | None = None,
    shift: Floats | None = None,
    down: float = 140.0,
) -> tuple[Segmentation, dict[str, Any]]:
    """Ball, round neck and round shaft as one body, and what is true of it (points and axes in LPS)."""
    out = np.radians(ANGLE_DEG - 90.0)
    neck = np.array([np.cos(out), 0.0, np.sin(out)])  # toward the head: medial and up
    version = np.radians(12.0)
    neck = np.array([neck[0] * np.cos(version), neck[0] * np.sin(version), neck[2]])
    base = -LENGTH_MM * neck
    into = LPS_TO_HIP[side]
    spin = np.eye(3) if turn is None else turn
    place = np.array([80.0, -20.0, -60.0]) if shift is None else shift

    def lps(p: Floats) -> Floats:
        return np.asarray(spin @ (into.T @ p) + place)

    tip = base + np.array([0.0, 0.0, 14.0])
    low = base + np.array([0.0, 0.0, -260.0])
    parts = [
        ball(lps(np.zeros(3)), HEAD_MM),
        capsule(lps(np.zeros(3)), lps(base), NECK_MM),
        capsule(lps(tip), lps(low), SHAFT_MM),
    ]
    corners = np.stack([lps(np.zeros(3)), lps(base), lps(tip)])
    reach = np.array([32.0, 32.0, 32.0])
    bottom, top = corners.min(axis=0) - reach, corners.max(axis=0) + reach
    bottom[2] = lps(np.zeros(3))[2] - down
    grid = straight_grid(bottom, top, spacing)
    points = grid_points(grid)
    distance = np.minimum.reduce([part(points) for part in parts])
    truth = {
        "centre": lps(np.zeros(3)),
        "neck": spin @ (into.T @ neck),
        "shaft": spin @ (into.T @ np.array([0.0, 0.0, 1.0])),
        "offset": float(np.linalg.norm(base[:2])),
        # A tube leaves its ball by 1 mm where (R + 1)^2 = a^2 + z^2.
        "height": HEAD_MM + float(np.sqrt((HEAD_MM + 1.0) ** 2 - NECK_MM**2)),
    }
    return segmentation_of(distance, grid, side), truth

"""Femur and hemipelvis of one hip in a CT, without help or from one seed in the head.

In: a CT and a side. Out: `Segmentation` on a crop of the scan's grid. Order:
find the head; read its surface along rays (_joint); flood bone from head and
socket and fill each (_bone); put the femur's surface between voxels (_edge);
name its tissues (_tissue); say what is uncertain or incomplete (complete).
docs/segmentation.md.
"""

from collections.abc import Callable
from dataclasses import replace
from typing import Final, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from headstock.anatomy.scan._bone import bones_apart
from headstock.anatomy.scan._edge import Edge, find_edge
from headstock.anatomy.scan._grey import Levels, Volume, grey_levels, smooth
from headstock.anatomy.scan._head import Head, directions, heads_in, look_at, thinned
from headstock.anatomy.scan._joint import HeadSurface, head_surface
from headstock.anatomy.scan._tissue import tissue_of
from headstock.anatomy.scan.complete import completeness
from headstock.anatomy.scan.segmentation import FEMUR, PELVIS, Segmentation
from headstock.anatomy.scan.sides import lateral_x, neck_guess, side_of
from headstock.errors import AmbiguousError, ImageError, TooFewError
from headstock.frames import Side
from headstock.geometry.grid import Grid
from headstock.images.scan import Finding, Scan

__all__ = ["MetalHere", "segment"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]
Tell = Callable[[float, str], None]

_WHOLE_VOXELS: Final = 6_000_000  # a scan no larger than this and no wider than a hip is worked on whole
_WHOLE_MM: Final = 210.0
_LATERAL_MM: Final = 90.0  # from the head's centre: greater trochanter 70 mm, and soft tissue beside it
_MEDIAL_MM: Final = 75.0
_FRONT_BACK_MM: Final = 80.0
_ABOVE_MM: Final = 75.0
_MOST_VOXELS: Final = 24_000_000
_SHAFT_MM: Final = 170.0  # at least this far below the head, when the field is that long
_CLOSED_MM2: Final = 20.0  # less of a closed joint than this is not worth a word
_SOFT_SIGMA_VOXELS: Final = 0.4


class MetalHere(Protocol):
    """What segmentation needs of found metal: its voxels on the scan's grid."""

    @property
    def mask(self) -> Mask:
        """True in metal."""
        ...


def _quiet(_share: float, _words: str) -> None:
    """Nobody is listening."""


def _chosen(scan: Scan, side: Side, seed: Floats | None) -> Head:
    """The head meant: nearest the seed, or the one on the side.

    Raises
    ------
    TooFewError
        No head there. AmbiguousError: the only head is the other side's.
    """
    coarse, grid = thinned(np.asarray(scan.values, dtype=np.float32), scan.grid)
    levels = grey_levels(coarse, grid.voxel_mm3)
    heads = list(heads_in(coarse, grid, levels))
    if seed is not None:
        at = grid.index(seed)
        if np.any(at < -0.5) or np.any(at > np.array(grid.shape[::-1]) - 0.5):
            raise TooFewError("The seed lies outside this scan. Set it in the middle of the femoral head.")
        near = [head for head in heads if np.linalg.norm(head.centre_lps_mm - seed) < head.radius_mm + 2.0]
        if near:
            return near[0]
        tried = [
            look_at(coarse, grid, levels, seed + shift) for shift in 7.0 * np.vstack([np.zeros(3), directions(14)])
        ]
        best = max(tried, key=lambda head: head.score)
        if best.ring < 0.5 or np.linalg.norm(best.centre_lps_mm - seed) > best.radius_mm + 2.0:
            raise TooFewError(
                "No femoral head was found around this seed: there is no ball of bone with an edge around it. Set the "
                "seed in the middle of the femoral head, away from the neck."
            )
        return best
    if not heads:
        raise TooFewError(
            "No femoral head was found in this scan: no ball of bone in a socket. If one is there, set a seed in its "
            "middle; if the field ends above or below it, choose another series."
        )
    if len(heads) == 2:
        x = [float(head.centre_lps_mm[0]) for head in heads]
        if abs(x[0] - x[1]) > 100.0:
            return heads[int(np.argmax(x) if side is Side.LEFT else np.argmin(x))]
    only = side_of(coarse, grid, levels, heads[0])
    if only is side.other:
        raise AmbiguousError(
            f"The hip in this scan is the {only.value} one by its place and its neck, but the {side.value} one was "
            "asked for. Choose the other side, or another series."
        )
    return heads[0]


def _working_box(grid: Grid, head: Head, side: Side) -> tuple[tuple[int, int, int], tuple[int, int, int]]:
    """First voxel and shape (slices, rows, columns) of the region worked on."""
    size_mm = np.array(grid.shape[::-1]) * grid.spacing_mm
    if np.prod(grid.shape) <= _WHOLE_VOXELS and np.sort(size_mm)[1] <= _WHOLE_MM:
        return (0, 0, 0), grid.shape
    out = lateral_x(side)
    c = head.centre_lps_mm
    xs = sorted((c[0] + out * _LATERAL_MM, c[0] - out * _MEDIAL_MM))
    low = -1e6  # down to the end of the field
    for _ in range(2):
        corners = np.array(
            [
                [x, y, z]
                for x in xs
                for y in (c[1] - _FRONT_BACK_MM, c[1] + _FRONT_BACK_MM)
                for z in (low, c[2] + _ABOVE_MM)
            ]
        )
        index = grid.index(corners)
        first = np.clip(np.floor(index.min(axis=0)), 0, np.array(grid.shape[::-1]) - 1).astype(int)
        last = np.clip(np.ceil(index.max(axis=0)), 0, np.array(grid.shape[::-1]) - 1).astype(int)
        if np.prod(last - first + 1.0) <= _MOST_VOXELS:
            break
        low = c[2] - _SHAFT_MM
    shape = (last - first + 1)[::-1]
    return (int(first[2]), int(first[1]), int(first[0])), (int(shape[0]), int(shape[1]), int(shape[2]))


def _edge_sd_mm(grid: Grid, levels: Levels, edge: Edge, surface: HeadSurface) -> float:
    """Standard deviation of the surface's common error. Decision 0212: from repeats on known shapes.

    Noise of single voxels averages out; what stays is how well the model of a blurred cortex fits this scan.
    """
    step = float(grid.spacing_mm.max())
    contrast = max(edge.cortex_HU - levels.soft, 100.0)
    unknown = 0.0 if edge.thick else 0.1 * step
    closed = 0.2 * step * float(surface.touching.mean())
    return float(
        np.sqrt((0.06 * step) ** 2 + (0.5 * step * levels.noise / contrast) ** 2 + unknown**2 + closed**2 + 0.02**2)
    )


def _findings(surface: HeadSurface, edge: Edge, metal: Mask | None) -> tuple[Finding, ...]:
    """What is uncertain about this segmentation."""
    out: list[Finding] = []
    if surface.touching_mm2 > _CLOSED_MM2:
        out.append(
            Finding(
                "joint_closed",
                "warn",
                f"Head and socket touch over about {surface.touching_mm2 / 100.0:.1f} cm²: no dark line parts them "
                "there, so the head's surface was carried on from its surroundings. Look at it in three planes and "
                "correct it by brush where needed.",
            )
        )
    near = np.linalg.norm(edge.points_lps_mm - surface.centre_lps_mm, axis=1) < float(surface.radius_mm.max()) + 3.0
    read = near & ~edge.touching
    if read.any() and edge.seen[read].mean() < 0.8:
        out.append(
            Finding(
                "edge_faint",
                "warn",
                f"On {100.0 * (1.0 - edge.seen[read].mean()):.0f} % of the head no edge of cortex was found; the "
                "surface was carried on from its surroundings. Check it in three planes.",
            )
        )
    if not edge.thick:
        out.append(
            Finding(
                "cortex_level_assumed",
                "note",
                "No cortex thicker than the scan's blur is in the field, so its brightness was taken from the "
                "brightest bone; the femur's outer surface is less certain by about a tenth of a voxel.",
            )
        )
    if metal is not None and metal.any():
        out.append(
            Finding(
                "metal_left_out",
                "warn",
                "Metal was not taken for bone, and edges beside it were carried on from their surroundings.",
            )
        )
    return tuple(out)


def segment(
    scan: Scan,
    side: Side,
    seed_lps_mm: ArrayLike | None = None,
    *,
    metal: MetalHere | None = None,
    progress: Tell | None = None,
) -> Segmentation:
    """Femur and hemipelvis of one hip, apart and filled, with the femur's surface between voxels.

    Parameters
    ----------
    seed_lps_mm
        A point in the femoral head; None: the head is found.
    metal
        Metal found in the scan: not taken for bone; inside a bone it belongs to it, as marrow does.
    progress
        Told a share 0..1 and words; may raise to cancel.

    Raises
    ------
    ImageError
        Not a CT. TooFewError: no bone, or no head at the seed. AmbiguousError: the scan's only hip is the other one.
    """
    tell = progress or _quiet
    if scan.modality != "CT":
        raise ImageError(
            f"This series is {scan.modality}. Bone is outlined on CT only: on MR cortex has no brightness of its own. "
            "Outline the bones on a CT of the same hip; MR is used for lesions, registered to that CT."
        )
    if min(scan.values.shape) < 8:
        raise ImageError(f"A volume of {scan.values.shape} voxels holds no hip. Choose the series with all slices.")
    seed = None if seed_lps_mm is None else np.asarray(seed_lps_mm, dtype=np.float64)
    tell(0.02, "Looking for the femoral head")
    head = _chosen(scan, side, seed)
    first, shape = _working_box(scan.grid, head, side)
    box = tuple(slice(a, a + n) for a, n in zip(first, shape, strict=True))
    grid = scan.grid.cropped(first, shape)
    values: Volume = np.ascontiguousarray(scan.values[box], dtype=np.float32)
    metal_here = None if metal is None else np.asarray(metal.mask[box])
    tell(0.12, "Reading grey levels")
    levels = grey_levels(values, grid.voxel_mm3)
    soft_values = smooth(values, _SOFT_SIGMA_VOXELS * float(grid.spacing_mm.min()), grid.spacing_mm)
    tell(0.2, "Following the head in its socket")
    surface = head_surface(soft_values, grid, levels, head, neck_guess(side))
    tell(0.35, "Telling femur and pelvis apart")
    femur, pelvis = bones_apart(soft_values, grid, levels, surface, metal_here)
    tell(0.6, "Placing the surface between voxels")
    edge = find_edge(values, grid, levels, femur, surface, metal_here)
    femur = edge.femur_mm < 0.0
    tell(0.88, "Naming cortex, trabecular bone and marrow")
    tissue = tissue_of(soft_values, grid, levels, femur, edge)
    bones = np.where(femur, FEMUR, np.where(pelvis, PELVIS, 0)).astype(np.uint8)
    for array in (bones, tissue, edge.femur_mm):
        array.setflags(write=False)
    tell(1.0, "Outlines found")
    found = Segmentation(
        grid=grid,
        side=side,
        bones=bones,
        tissue=tissue,
        femur_mm=edge.femur_mm,
        edge_sd_mm=_edge_sd_mm(grid, levels, edge, surface),
        seed_lps_mm=surface.centre_lps_mm,
        findings=_findings(surface, edge, metal_here),
    )
    return replace(found, findings=found.findings + completeness(found).findings)

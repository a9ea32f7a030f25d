"""Voxels of the femur and of the hemipelvis: bright bone, told apart by flooding from both, then filled.

In: HU, levels, the head's surface. Out: two masks. Bone bright enough to stand
out of soft tissue is flooded from the head and from the socket (watershed on
grey: floods meet in the dark between two cortices); each bone is closed and
filled on its own, so a joint space of one voxel is never filled.
"""

from itertools import pairwise
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from headstock.anatomy.scan._grey import Levels, Volume
from headstock.anatomy.scan._joint import NECK_CONE_DEG, HeadSurface
from headstock.geometry.grid import Grid

__all__ = ["bones_apart", "close_and_fill"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

_CLOSE_MM: Final = 2.2  # gaps of cortex up to twice this are sealed before a bone is filled
_CORNER_MM: Final = 50.0  # widest bone cut by a corner of the field; two bones there lie further apart
_ROD_MM: Final = 20.0  # beyond the head: to where the neck meets the trochanters
_REACH_MM: Final = 22.0  # beyond the head's surface: everything there that is not neck is pelvis


def _outside_distance_mm(mask: Mask, spacing_mm: Floats) -> Volume:
    """Distance to the nearest voxel of a mask, mm, 0 inside."""
    import SimpleITK

    sitk: Any = SimpleITK
    image = sitk.GetImageFromArray(mask.astype(np.uint8))
    image.SetSpacing([float(s) for s in spacing_mm])
    filter_ = sitk.SignedMaurerDistanceMapImageFilter()
    filter_.SetNumberOfThreads(2)
    filter_.SquaredDistanceOff()
    filter_.UseImageSpacingOn()
    filter_.InsideIsPositiveOff()
    return np.asarray(np.maximum(sitk.GetArrayFromImage(filter_.Execute(image)), 0.0), dtype=np.float32)


def _bridge_sides(flat: Mask, longest: int) -> None:
    """On the four sides of a face, voxels between two walls of bone: a bone cut by the corner of the field."""
    for side in (flat[0], flat[-1], flat[:, 0], flat[:, -1]):
        walls = np.flatnonzero(side)
        for a, b in pairwise(walls):
            if 1 < b - a <= longest:
                side[a:b] = True


def _fill(mask: Mask, longest: int = 0) -> Mask:
    """Holes closed in space; a bone cut by the edge of the field is closed in that face first, and one cut by a corner
    in the sides of the face when the gap there is at most `longest` voxels."""
    from scipy.ndimage import binary_fill_holes

    out = mask.copy()
    for axis in range(3):
        for end in (0, -1):
            face = [slice(None)] * 3
            face[axis] = end  # type: ignore[call-overload]
            flat = out[tuple(face)]
            _bridge_sides(flat, longest)
            out[tuple(face)] = binary_fill_holes(flat)
    return np.asarray(binary_fill_holes(out))


def _box(mask: Mask, margin: int) -> tuple[slice, slice, slice]:
    """The box around a mask, widened, inside the volume."""
    out = []
    for axis in range(3):
        has = np.flatnonzero(mask.any(axis=tuple(a for a in range(3) if a != axis)))
        out.append(slice(max(int(has[0]) - margin, 0), min(int(has[-1]) + margin + 1, mask.shape[axis])))
    return (out[0], out[1], out[2])


def close_and_fill(mask: Mask, spacing_mm: Floats, radius_mm: float = _CLOSE_MM) -> Mask:
    """A bone's shell, sealed over `radius_mm` and filled; nothing grows beyond the sealed shell."""
    if not mask.any():
        return mask.copy()
    box = _box(mask, int(np.ceil(radius_mm / float(spacing_mm.min()))) + 1)
    part = mask[box]
    grown = _outside_distance_mm(part, spacing_mm) <= radius_mm
    filled = _fill(grown, int(_CORNER_MM / float(spacing_mm.max())))
    # Back by the same amount; measured from outside, but never from the edge of the field.
    kept = _outside_distance_mm(~filled, spacing_mm) > radius_mm if not filled.all() else filled
    out = np.zeros_like(mask)
    out[box] = _fill(kept | part)
    return out


def _largest(mask: Mask, touching: Mask | None = None) -> Mask:
    """The component that holds most of `touching`, or the largest one."""
    from scipy.ndimage import label

    names, n = label(mask)
    if n == 0:
        return mask
    counts = np.bincount(names[touching & mask] if touching is not None else names[mask], minlength=n + 1)
    counts[0] = 0
    return np.asarray(names == int(np.argmax(counts)))


def _larger(mask: Mask, share: float) -> Mask:
    """Components of at least `share` of the largest one."""
    from scipy.ndimage import label

    names, n = label(mask)
    if n == 0:
        return mask
    counts = np.bincount(names.ravel(), minlength=n + 1)
    counts[0] = 0
    return np.asarray((counts >= share * counts.max())[names] & mask)


def bones_apart(
    soft_values: Volume, grid: Grid, levels: Levels, surface: HeadSurface, metal: Mask | None = None
) -> tuple[Mask, Mask]:
    """Femur and hemipelvis, filled, on the grid; `soft_values` lightly smoothed HU."""
    from skimage.segmentation import watershed

    spacing = grid.spacing_mm
    bright = soft_values > levels.bone
    if metal is not None:
        bright &= ~metal
    top = float(surface.radius_mm.max()) + _REACH_MM + 20.0
    centre = grid.index(surface.centre_lps_mm)[::-1]
    lo = np.maximum(np.floor(centre - top / spacing[::-1]).astype(int), 0)
    hi = np.minimum(np.ceil(centre + top / spacing[::-1]).astype(int) + 1, grid.shape)
    box = tuple(slice(int(a), int(b)) for a, b in zip(lo, hi, strict=True))
    part = grid.cropped((int(lo[0]), int(lo[1]), int(lo[2])), tuple(int(b - a) for a, b in zip(lo, hi, strict=True)))  # type: ignore[arg-type]

    index = np.stack(np.meshgrid(*[np.arange(n) for n in part.shape], indexing="ij")[::-1], axis=-1)
    away = part.points(index) - surface.centre_lps_mm
    reach = np.maximum(np.linalg.norm(away, axis=-1), 1e-6)
    along = (away @ surface.neck) / reach
    cone = np.cos(np.radians(NECK_CONE_DEG))
    near = (along < cone) & (reach < surface.radius_mm.max() + 8.0)
    limit = np.full(part.shape, np.inf)
    limit[near] = surface.at(away[near] / reach[near][:, None])
    ball = near & (reach <= limit)
    ball |= reach < 0.75 * float(np.median(surface.radius_mm))

    here = bright[box]
    # A rod down the neck, thinner than any neck: the pelvis never comes there.
    down = along * reach
    rod = (down > 0.0) & (down < float(np.median(surface.radius_mm)) + _ROD_MM)
    rod &= reach**2 - down**2 < (0.5 * float(np.median(surface.radius_mm))) ** 2
    femur_mark = ball | (rod & here)
    # Near the neck's cone the surface is less certain, and a speck of the neck marked as socket would flood it all.
    beyond = near & (along < np.cos(np.radians(NECK_CONE_DEG + 12.0))) & (reach > limit + 0.7)
    far = (along < np.cos(np.radians(85.0))) & (reach > surface.radius_mm.max() + 2.0) & (reach < top)
    pelvis_mark = _larger(here & (beyond | far) & ~femur_mark, 0.05)
    marks = np.zeros(part.shape, dtype=np.int32)
    marks[femur_mark] = 1
    marks[pelvis_mark] = 2
    flooded = watershed(-soft_values[box], markers=marks, mask=here | femur_mark)  # type: ignore[no-untyped-call]

    femur_shell = bright.copy()
    femur_shell[box] = flooded == 1
    femur_seed = np.zeros(grid.shape, dtype=bool)
    femur_seed[box] = ball
    femur_shell = _largest(femur_shell, femur_seed)
    femur = close_and_fill(femur_shell, spacing)
    # In the socket the ball is the truth: sealing must not reach across the joint.
    sealed = femur[box]
    sealed &= ~(near & (reach > limit))
    femur[box] = sealed | ball
    femur = _fill(femur)

    pelvis_shell = bright & ~femur
    pelvis_seed = np.zeros(grid.shape, dtype=bool)
    pelvis_seed[box] = pelvis_mark
    pelvis_shell = _largest(pelvis_shell, pelvis_seed) if pelvis_shell.any() else pelvis_shell
    # Where bone touches bone the socket's wall may be as thin as a voxel: the femur's own rim there seals it.
    contact = np.zeros(grid.shape, dtype=bool)
    if pelvis_shell.any():
        contact[box] = femur[box] & (_outside_distance_mm(pelvis_shell[box], spacing) <= _CLOSE_MM)
    pelvis = close_and_fill(pelvis_shell | contact, spacing) & ~femur
    return femur, pelvis

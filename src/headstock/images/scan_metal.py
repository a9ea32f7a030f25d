"""Metal in a CT: where it lies, how far its streaks reach, and what that does to the measures.

In: a `Scan`. Out: a mask of metal, a wider mask in which values are not to be trusted, findings.
A scanner computes each slice by itself, so streaks run within a slice, not across; they reach the farther
the thicker the metal is that the rays must cross.
Decision: docs/decisions/0204-metal-and-its-streaks.md
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from headstock.errors import FrameError
from headstock.frames import Side
from headstock.geometry.grid import Grid
from headstock.images.scan import Finding, Scan

__all__ = ["HIP_RADIUS_MM", "MarkedShare", "Metal", "MetalPart", "find_metal", "marked_share", "metal_findings"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Definitions of the project; decision 0204 says why these.
_CORE_HU: Final = 2500  # definition: above any cortex, below the 3071 at which 12-bit scans are clipped
_RIM_HU: Final = 2000  # definition: joined to a core within the blur of a voxel or two
_RIM_MM: Final = 2.0  # definition: how far from a core the blurred rim may lie
_LEAST_VOXELS: Final = 3  # definition: fewer are noise
_LEAST_MM3: Final = 4.0  # definition: as above, where voxels are small
_NEAR_MM: Final = 10.0  # definition: nearer than this in any direction nothing is trusted
_REACH_PER_MM: Final = 3.0  # definition: streak reach within a slice for each mm of metal the rays must cross
_LONGEST_REACH_MM: Final = 150.0  # definition: bound of that
_WIDE_MM: Final = 250.0  # definition: a body seen this wide has its middle between its edges
_TISSUE_HU: Final = -300  # definition: as in field_findings
HIP_RADIUS_MM: Final = 100.0  # definition: socket, head, neck and the shaft that bears a part; not the other hip


@dataclass(frozen=True, slots=True, eq=False)
class MetalPart:
    """One piece: its centre, volume, and on which side of the body it lies (None: not to be told)."""

    centre_lps_mm: Floats
    volume_cm3: float
    side: Side | None


@dataclass(frozen=True, slots=True, eq=False)
class Metal:
    """Metal of a scan, on its grid. `mask`, `streaks` (slices, rows, columns): `streaks` holds `mask` and all
    voxels whose values metal may have falsified. `volume_cm3` counts voxels of a blurred picture: an upper
    estimate. `parts`, the largest first."""

    mask: Mask
    streaks: Mask
    volume_cm3: float
    parts: tuple[MetalPart, ...]
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True)
class MarkedShare:
    """How much of something, 0 to 1, lies in metal, and within reach of its streaks (metal itself included)."""

    metal: float
    streaks: float


def marked_share(metal: Metal, grid: Grid, points_lps_mm: Floats) -> MarkedShare:
    """The share of points (n, 3), LPS mm, that lie in metal and in the marked space: each by its nearest voxel.

    `grid`: of the scan in which the metal was found. Points outside it are left out of the count; without any, or
    without metal, the shares are 0.

    Raises
    ------
    FrameError
        The metal was found on another grid.
    """
    if metal.mask.shape != grid.shape:
        raise FrameError("The metal was found on another grid than this scan's. Find it again on this scan.")
    index = np.rint(grid.index(np.asarray(points_lps_mm, np.float64).reshape(-1, 3))).astype(np.int64)[:, ::-1]
    inside = ((index >= 0) & (index < np.array(grid.shape))).all(axis=1)
    if not inside.any():
        return MarkedShare(0.0, 0.0)
    at = tuple(index[inside].T)
    return MarkedShare(float(metal.mask[at].mean()), float(metal.streaks[at].mean()))


def find_metal(scan: Scan) -> Metal:
    """Metal in a CT scan; none on MR, with a finding that says it was not looked for."""
    from scipy import ndimage

    none = np.zeros(scan.grid.shape, np.bool_)
    if scan.modality != "CT":
        note = Finding("metal_not_sought", "note", "Metal is not looked for on MR: it only leaves dark holes there.")
        return Metal(none, none, 0.0, (), (note,))
    core = scan.values > _CORE_HU
    if not core.any():
        return Metal(none, none, 0.0, (), ())
    box = _box(core, np.ceil((_RIM_MM + 1.0) / scan.grid.spacing_mm[::-1]).astype(int))
    sampling = scan.grid.spacing_mm[::-1]
    inside = core[box]
    labels, count = ndimage.label(inside, np.ones((3, 3, 3)))
    sizes = np.bincount(labels.ravel(), minlength=count + 1)
    large = (sizes >= _LEAST_VOXELS) & (sizes * scan.grid.voxel_mm3 >= _LEAST_MM3)
    large[0] = False
    inside = large[labels]
    if not inside.any():
        return Metal(none, none, 0.0, (), ())
    away = ndimage.distance_transform_edt(~inside, sampling=sampling)
    inside = inside | ((away <= _RIM_MM) & (scan.values[box] > _RIM_HU))
    mask = none.copy()
    mask[box] = inside
    parts = _parts(scan, inside, box)
    volume = float(np.count_nonzero(inside)) * scan.grid.voxel_mm3 / 1000.0
    mask.flags.writeable = False
    streaks = _streaks(scan, mask)
    streaks.flags.writeable = False
    return Metal(mask, streaks, volume, parts, (_found(parts, volume), *_clipped(scan, mask)))


def metal_findings(
    metal: Metal, scan: Scan, around_lps_mm: Floats | None = None, radius_mm: float = HIP_RADIUS_MM
) -> tuple[Finding, ...]:
    """What metal does to the measures of a hip.

    `around_lps_mm` (3,): centre of the head; None where it is not known: then any metal counts as the hip's.

    Raises
    ------
    FrameError
        The metal was found on another scan.
    """
    if metal.mask.shape != scan.grid.shape:
        raise FrameError("The metal was found on another grid than this scan's. Find it again on this scan.")
    if not metal.mask.any():
        return ()
    if around_lps_mm is None:
        return (
            Finding(
                "metal_hip",
                "refuse",
                f"There is {metal.volume_cm3:.1f} cm³ of metal in this scan{_where(metal.parts)}, and no head was "
                "found from which to tell that it lies far enough away. Nothing is planned: outlines, wall, density "
                "and lesion may all be false beside metal.",
            ),
        )
    near_metal, near_streaks = _shares_within(metal, scan, np.asarray(around_lps_mm, np.float64), radius_mm)
    if near_metal > 0:
        return (
            Finding(
                "metal_hip",
                "refuse",
                f"Metal lies within {radius_mm:.0f} mm of the head of this hip. Its streaks falsify the bone's "
                "outline, wall, density and lesion there, so nothing is planned on this scan. The head's centre and "
                "the axes can be read where they lie clear of it, with care. Ask for a scan with metal artefact "
                "reduction, or plan on films.",
            ),
        )
    if near_streaks > 0.001:
        return (
            Finding(
                "metal_streaks",
                "warn",
                f"Streaks of metal elsewhere may cross {max(100.0 * near_streaks, 1.0):.0f} % of the space within "
                f"{radius_mm:.0f} mm of the head. Density and lesion are not to be trusted there; outline, wall and "
                "seat with care; head centre and axes are little disturbed.",
            ),
        )
    return ()


def _box(mask: Mask, wider: NDArray[np.intp]) -> tuple[slice, slice, slice]:
    """The smallest box that holds the mask, wider by some voxels."""
    found = []
    for axis in range(3):
        line = np.flatnonzero(mask.any(axis=tuple(i for i in range(3) if i != axis)))
        found.append(
            slice(max(int(line[0]) - int(wider[axis]), 0), min(int(line[-1]) + 1 + int(wider[axis]), mask.shape[axis]))
        )
    return found[0], found[1], found[2]


def _parts(scan: Scan, inside: Mask, box: tuple[slice, slice, slice]) -> tuple[MetalPart, ...]:
    from scipy import ndimage

    labels, count = ndimage.label(inside, np.ones((3, 3, 3)))
    numbers = np.arange(1, count + 1)
    centres = np.array(ndimage.center_of_mass(inside, labels, numbers)).reshape(-1, 3)
    sizes = np.bincount(labels.ravel(), minlength=count + 1)[1:]
    centres += [b.start for b in box]
    middle = _middle_left_mm(scan)
    parts = []
    for at, size in zip(centres, sizes, strict=True):
        centre = scan.grid.points(at[::-1])
        side = scan.header.side
        if middle is not None:
            side = Side.LEFT if centre[0] > middle else Side.RIGHT
        parts.append(MetalPart(centre, float(size) * scan.grid.voxel_mm3 / 1000.0, side))
    return tuple(sorted(parts, key=lambda part: -part.volume_cm3))


def _middle_left_mm(scan: Scan) -> float | None:
    """LPS x of the body's middle; None where the picture is too narrow to hold both sides."""
    step = max(scan.grid.shape[0] // 32, 1)
    few = scan.values[::step, ::4, ::4] > _TISSUE_HU
    where = np.argwhere(few)
    if len(where) == 0:
        return None
    points = scan.grid.points((where * [step, 4, 4])[:, ::-1])
    low, high = np.percentile(points[:, 0], [0.5, 99.5])
    return float(low + high) / 2.0 if high - low >= _WIDE_MM else None


def _streaks(scan: Scan, mask: Mask) -> Mask:
    """Voxels whose values metal may have falsified."""
    from scipy import ndimage

    grid = scan.grid
    pixel = grid.spacing_mm[1::-1]  # rows, columns
    out = np.zeros(grid.shape, np.bool_)
    near = _box(mask, np.ceil((_NEAR_MM + 1.0) / grid.spacing_mm[::-1]).astype(int))
    out[near] = ndimage.distance_transform_edt(~mask[near], sampling=grid.spacing_mm[::-1]) <= _NEAR_MM
    for k in np.flatnonzero(mask.any(axis=(1, 2))):
        labels, count = ndimage.label(mask[k], np.ones((3, 3)))
        reaches = np.zeros(count + 1)
        for n, where in enumerate(ndimage.find_objects(labels), start=1):
            # The longest way through the metal, by the diagonal of its box: a bound.
            extent = np.array([s.stop - s.start for s in where]) * pixel
            reaches[n] = min(_NEAR_MM + _REACH_PER_MM * float(np.hypot(*extent)), _LONGEST_REACH_MM)
        away, nearest = ndimage.distance_transform_edt(labels == 0, sampling=pixel, return_indices=True)
        in_slice = away <= reaches[labels[nearest[0], nearest[1]]]
        # A slice holds a share of what lies beside it.
        out[max(k - 1, 0) : k + 2] |= in_slice
    return out


def _shares_within(metal: Metal, scan: Scan, centre: Floats, radius_mm: float) -> tuple[int, float]:
    """Voxels of metal within a ball, and the share of the ball's voxels in streaks."""
    at = scan.grid.index(centre)[::-1]
    reach = np.ceil(radius_mm / scan.grid.spacing_mm[::-1])
    low = np.maximum(np.floor(at - reach).astype(int), 0)
    high = np.minimum(np.ceil(at + reach).astype(int) + 1, scan.grid.shape)
    if np.any(high <= low):
        return 0, 0.0
    box = tuple(slice(a, b) for a, b in zip(low, high, strict=True))
    offsets = [(np.arange(a, b) - c) * s for a, b, c, s in zip(low, high, at, scan.grid.spacing_mm[::-1], strict=True)]
    ball = (
        offsets[0][:, None, None] ** 2 + offsets[1][None, :, None] ** 2 + offsets[2][None, None, :] ** 2
    ) <= radius_mm**2
    count = int(np.count_nonzero(ball))
    if count == 0:
        return 0, 0.0
    return int(np.count_nonzero(metal.mask[box] & ball)), float(np.count_nonzero(metal.streaks[box] & ball)) / count


def _where(parts: tuple[MetalPart, ...]) -> str:
    """The sides of the larger pieces, in words."""
    sides = {part.side for part in parts if part.volume_cm3 >= 0.1 * parts[0].volume_cm3}
    if None in sides or not sides:
        return ""
    if len(sides) == 2:
        return " on both sides"
    return f" on the {next(side.value for side in sides if side is not None)} side"


def _found(parts: tuple[MetalPart, ...], volume_cm3: float) -> Finding:
    return Finding(
        "metal",
        "warn",
        f"Metal was found{_where(parts)}: {volume_cm3:.1f} cm³ in {len(parts)} piece{'s' if len(parts) > 1 else ''}. "
        "Bone beside it and in the same slices is marked: values there may be false.",
    )


def _clipped(scan: Scan, mask: Mask) -> tuple[Finding, ...]:
    top = float(scan.values[mask].max())
    share = float(np.mean(scan.values[mask] == top))
    if share < 0.1:
        return ()
    return (
        Finding(
            "metal_clipped",
            "note",
            f"Values end at {top:.0f} HU, where this scan was clipped: kinds of metal cannot be told apart on it.",
        ),
    )

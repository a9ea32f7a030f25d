"""An MR scan of a phantom: the same patient on another machine, T1-weighted, with its truth and the true motion.

In: a `PhantomSpec` and an `MrSpec`. Out: `PhantomMr`. The patient is scanned finely without noise, tissues get the
brightness of a T1-weighted picture (fat and marrow bright, muscle mid, fluid and cortex dark, dead bone between), and
the volume is looked at from where the patient lies on the other machine, in coronal slices, under the brightness of a
coil and with noise.
Brightness by HU is a likeness, not physics: only edges and where they lie carry meaning.
"""

from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from headstock.errors import FrameError
from headstock.geometry.grid import Grid
from headstock.geometry.motion import rotation_about
from headstock.phantom.materials import LESION_LABEL
from headstock.phantom.scan import PhantomScan, phantom_ct
from headstock.phantom.scan_spec import MrSpec, ScanSpec
from headstock.phantom.spec import PhantomSpec

__all__ = ["PhantomMr", "phantom_mr"]

Floats = NDArray[np.float64]

# HU of the fine scan to signal: air, fat, fluid, muscle, marrow with more and more bone, cortex.
_HU: Final = (-1000.0, -400.0, -95.0, 15.0, 30.0, 60.0, 120.0, 450.0, 800.0, 1250.0)
_SIGNAL: Final = (0.0, 20.0, 1000.0, 220.0, 300.0, 380.0, 820.0, 900.0, 200.0, 40.0)
_MARROW_SIGNAL: Final = 880.0  # fatty marrow has the HU of fluid, not its signal
_FLUID_SIGNAL: Final = 210.0
_DEAD_SIGNAL: Final = 420.0
_FINE_MM: Final = 1.0


@dataclass(frozen=True, slots=True, eq=False)
class PhantomMr:
    """An MR with its truth. `values`, `labels` [slice, row, column] on `grid` (LPS of the MR, coronal slices).

    `rotation` (3, 3), `translation_mm` (3,): `ct = rotation @ mr + translation`, what a registration should find.
    """

    values: NDArray[np.int16]
    labels: NDArray[np.uint8]
    grid: Grid
    spec: PhantomSpec
    rotation: Floats
    translation_mm: Floats
    truth: dict[str, Any]


def _motion(spec: MrSpec, centre: Floats) -> tuple[Floats, Floats]:
    """CT to MR: turned about the head centre, then moved."""
    x, y, z = np.eye(3)
    turn = (
        rotation_about(z, spec.turn_deg[2]) @ rotation_about(y, spec.turn_deg[1]) @ rotation_about(x, spec.turn_deg[0])
    )
    return np.asarray(turn), np.asarray(centre - turn @ centre + np.array(spec.shift_mm))


def _grid(spec: MrSpec, centre_mr: Floats) -> Grid:
    """Coronal slices: columns toward the left, rows toward the feet, slices backward."""
    axes = np.array([[1.0, 0.0, 0.0], [0.0, 0.0, 1.0], [0.0, -1.0, 0.0]])
    spacing = np.array(spec.spacing_mm)
    reach = np.array([sum(spec.across_mm), spec.above_mm + spec.below_mm, sum(spec.deep_mm)])
    count = np.maximum(np.round(reach / spacing).astype(int), 1)
    first = centre_mr + np.array([-spec.across_mm[0], -spec.deep_mm[0], spec.above_mm]) + np.array(spec.offset_mm)
    return Grid(first, axes, spacing, (int(count[2]), int(count[1]), int(count[0])))


def _signal(found: PhantomScan) -> NDArray[np.float32]:
    """T1-like signal of every voxel of the fine scan."""
    signal = np.interp(found.clean.astype(np.float64), _HU, _SIGNAL)
    bone = found.femur | found.pelvis
    thin = found.clean < 100
    signal[bone & thin] = _MARROW_SIGNAL
    lesion = found.labels == LESION_LABEL
    signal[lesion & (found.clean < 60)] = _FLUID_SIGNAL
    signal[lesion & (found.clean >= 60)] = _DEAD_SIGNAL
    return signal.astype(np.float32)


def phantom_mr(spec: PhantomSpec, mr: MrSpec | None = None) -> PhantomMr:
    """The MR of a phantom; deterministic by the two specs.

    Raises
    ------
    FrameError
        A field without a voxel.
    """
    from scipy.ndimage import gaussian_filter, map_coordinates

    mr = mr or MrSpec()
    if min(mr.spacing_mm) <= 0.0:
        raise FrameError(f"Voxels of {mr.spacing_mm} mm hold nothing. Give positive spacings.")
    reach = 0.5 * (sum(mr.across_mm) + sum(mr.deep_mm)) + 20.0
    fine = phantom_ct(
        spec,
        replace(
            ScanSpec(),
            spacing_mm=(_FINE_MM,) * 3,
            noise_HU=0.0,
            cells=2,
            across_mm=(reach, reach),
            deep_mm=(reach, reach),
            above_mm=mr.above_mm + 25.0,
            below_mm=mr.below_mm + 25.0,
            tissue=mr.tissue,
        ),
    )
    centre = np.array(fine.truth["head_centre_lps_mm"], np.float64)
    turn, shift = _motion(mr, centre)
    grid = _grid(mr, turn @ centre + shift)
    index = np.moveaxis(np.indices(grid.shape), 0, -1)[..., ::-1]
    there = (grid.points(index) - shift) @ turn  # the inverse motion: where this voxel lies in the CT
    at = np.moveaxis(fine.grid.index(there), -1, 0)[::-1]
    smooth = gaussian_filter(_signal(fine), mr.blur_mm / _FINE_MM)
    signal = map_coordinates(smooth, at, order=1, mode="constant", cval=0.0)
    labels = map_coordinates(fine.labels, at, order=0, mode="constant", cval=0)
    away = np.linalg.norm(grid.points(index) - (turn @ centre + shift), axis=-1)
    signal = signal * (1.0 - mr.bias * (away / max(float(away.max()), 1.0)) ** 2)
    rng = np.random.default_rng([mr.seed, 71])
    noisy = np.hypot(signal + rng.normal(0.0, mr.noise, signal.shape), rng.normal(0.0, mr.noise, signal.shape))
    return PhantomMr(
        np.asarray(np.clip(np.rint(noisy), 0, 4095), np.int16),
        np.asarray(labels, np.uint8),
        grid,
        spec,
        np.asarray(turn.T),
        np.asarray(-turn.T @ shift),
        fine.truth,
    )

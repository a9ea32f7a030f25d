"""Where the rim of dead bone lies close to the plate of the head: rim and plate told apart together.

In: profiles square to the rim, the depth under the bone's surface along them. Out: where each crosses from dead to
sound bone.

A profile that runs from dead bone through a thin layer of sound bone into the plate has no level of its own outside:
its peak is the plate's, and halfway to that lies too far out. So the layers are drawn as the scan blurs them, dead
bone, sound bone, plate, soft tissue, and the place of the rim and the thickness of the plate are weighed together over
all that could be, the brightness of thick cortex being known from the rest of the scan.
Source: a layer of cortex blurred by the scanner, its brightness fixed: Treece et al., Med Image Anal 2010;14:276. The
mean over all places weighed by their likelihood is Bayes' rule.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["PlateLevels", "near_plate", "plate_over_mm"]

Floats = NDArray[np.float64]

_PLACES_MM: Final = np.arange(-2.4, 1.6 + 1e-9, 0.2)
_PLATES_MM: Final = np.arange(0.0, 3.6 + 1e-9, 0.3)
_PLACE_SD_MM: Final = 0.8  # of the first rim
_PLATE_MM: Final = (1.2, 0.7)  # usual plate, mean and sd, before this head's own is known
_PLATE_SD_MM: Final = 0.25  # of one place's plate about the head's
_LEVEL_SHARE: Final = 0.5  # of the rise: sd of the level of sound bone beside one place about its neighbours'
_MISFIT_HU: Final = 25.0
_MISFIT_SHARE: Final = 0.04  # of the brightness of cortex: an edge is drawn no better than this
_DEPTH_MM: Final = 0.2  # nearer the surface the joint speaks too
_APART: Final = 4.0  # samples of a profile that say one thing
# The plate over dead bone. Its usual values with their sd: soft tissue of the joint (HU), the surface's error, the blur
# and the joint's width (mm).
_SOFT_HU: Final = (60.0, 40.0)
_SURFACE_SD_MM: Final = 0.1
_BLUR_MM: Final = (0.65, 0.2)
_JOINT_MM: Final = (2.5, 2.0)
_DEAD_SD_HU: Final = 30.0
_CORTEX_ABOVE_DEAD_HU: Final = 1000.0  # usual, about; on MR it sets what stands for one HU
_PROFILE_SD_HU: Final = 15.0
_OVER_MM: Final = (2.0, 1.0)  # so far inside the rim lies what is under the plate alone; where little is, so far
_LEAST_VOXELS: Final = 60
_KERNEL_MM: Final = 0.25


@dataclass(frozen=True, slots=True)
class PlateLevels:
    """What lies beside the plate of this head, in the units of its grey values: `cortex` thick cortex, `soft` tissue
    outside and its sd; `unit` of one HU."""

    cortex: float
    soft: float
    soft_sd: float
    unit: float

    @classmethod
    def of(
        cls, values: Floats, depth: Floats, out: Floats, dead: float, cortex: float, hounsfield: bool
    ) -> "PlateLevels":
        """From the grey values near a region (`out`: distance outside it, mm). On CT soft tissue has its usual HU."""
        if hounsfield:
            return cls(cortex, *_SOFT_HU, 1.0)
        unit = max(cortex - dead, 1e-6) / _CORTEX_ABOVE_DEAD_HU
        skin = (depth > -2.0) & (depth < -0.8) & (out < 6.0)
        soft = float(np.median(values[skin])) if skin.any() else dead
        return cls(cortex, soft, 0.3 * _CORTEX_ABOVE_DEAD_HU * unit, unit)


def near_plate(
    profile: Floats, deep: Floats, ticks: Floats, dead: Floats, sound: Floats, plate: PlateLevels, blur: float
) -> Floats:
    """(n,) where the rim lies along each profile, mm outward: the mean of all places by their likelihood.

    Parameters
    ----------
    profile, deep
        (n, k) grey value and depth under the surface, mm, at `ticks` (k,), mm outward.
    dead, sound
        (n,) level of dead bone inside, and of sound bone as it is known from beside.
    blur
        sd of the scan's blur, mm.
    """
    from scipy.special import ndtr

    x = ticks[None, :]
    speaks = ((deep > _DEPTH_MM) & (x >= -2.0)).astype(np.float64)
    # Past the place where a profile leaves the bone nothing counts.
    speaks *= np.cumprod(np.where(x >= 0.0, deep > _DEPTH_MM, True), axis=1)
    sd = np.hypot(_MISFIT_HU * plate.unit, _MISFIT_SHARE * (plate.cortex - plate.soft))
    weight = speaks / (_APART * sd**2)
    rise = np.maximum(sound - dead, 1.0)
    level_weight = 1.0 / (_LEVEL_SHARE * rise) ** 2
    bone = ndtr(deep / blur)
    cost = np.empty((len(profile), len(_PLACES_MM), len(_PLATES_MM)))
    for j, thick in enumerate(_PLATES_MM):
        inner = ndtr((deep - thick) / blur)
        fixed = profile - (plate.soft * (1.0 - bone) + plate.cortex * (bone - inner))
        for i, place in enumerate(_PLACES_MM):
            inside = ndtr((place - x) / blur)
            # The level of sound bone enters linearly: its best value is found at once.
            a = inner * (1.0 - inside)
            left = fixed - inner * inside * dead[:, None] - a * sound[:, None]
            top = (weight * a * left).sum(axis=1)
            bottom = (weight * a * a).sum(axis=1) + level_weight
            # ... and given its freedom, not its best value: the share of what it explains.
            cost[:, i, j] = (weight * left * left).sum(axis=1) - top**2 / bottom + np.log(bottom / level_weight)
    place_cost = (_PLACES_MM / _PLACE_SD_MM)[None, :, None] ** 2
    usual, spread = _PLATE_MM
    for _ in range(2):
        whole = cost + place_cost + ((_PLATES_MM - usual) / spread)[None, None, :] ** 2
        share = np.exp(-0.5 * (whole - whole.min(axis=(1, 2), keepdims=True)))
        share /= share.sum(axis=(1, 2), keepdims=True)
        usual, spread = float(np.median(share.sum(axis=1) @ _PLATES_MM)), _PLATE_SD_MM
    by_place = share.sum(axis=2)
    return np.asarray(by_place @ _PLACES_MM)


def plate_over_mm(values: Floats, depth: Floats, best: Floats, dead: float, levels: PlateLevels) -> float:
    """How deep under the surface given the plate over dead bone ends, mm.

    From the mean grey value against depth: joint, plate, dead bone, blurred. The plate is as thick as its mass at the
    brightness of thick cortex (blur widens a thin plate but keeps its mass); where it begins is fitted with it, because
    the surface was found by other means. The socket's plate, beyond the joint, is drawn as well: it lies so near that
    its blur reaches over.
    """
    from scipy.optimize import least_squares
    from scipy.special import ndtr

    shown = (depth > -1.8) & (depth < 4.0)
    for inward in _OVER_MM:
        over = shown & (best < -inward)
        if np.count_nonzero(over & (depth < 2.0)) >= _LEAST_VOXELS:
            break
    else:
        return _PLATE_MM[0]
    ticks = np.arange(-1.5, 4.0, 0.25)
    near = np.exp(-0.5 * ((depth[over][None, :] - ticks[:, None]) / _KERNEL_MM) ** 2)
    mass = near.sum(axis=1)
    profile = (near @ values[over]) / np.maximum(mass, 1e-6)
    spread = _PROFILE_SD_HU * levels.unit / np.sqrt(np.clip(mass / _LEAST_VOXELS, 0.05, 1.0))

    def drawn(p: Floats) -> Floats:
        plate, surface, blur, soft, joint, under = p
        wide = np.hypot(blur, _KERNEL_MM)
        outside = soft + (cortex - soft) * ndtr((-ticks - joint) / wide)
        bone, inner = ndtr((ticks - surface) / wide), ndtr((ticks - surface - plate) / wide)
        return np.asarray(outside * (1.0 - bone) + cortex * (bone - inner) + under * inner)

    cortex, dead_sd = levels.cortex, _DEAD_SD_HU * levels.unit
    usual = np.array([_PLATE_MM[0], 0.0, _BLUR_MM[0], levels.soft, _JOINT_MM[0], dead])
    apart = np.array([_PLATE_MM[1], _SURFACE_SD_MM, _BLUR_MM[1], levels.soft_sd, _JOINT_MM[1], dead_sd])

    def misfit(p: Floats) -> Floats:
        return np.concatenate([(drawn(p) - profile) / spread, (p - usual) / apart])

    low = (0.0, -0.6, 0.3, levels.soft - 6.5 * levels.soft_sd, 0.6, dead - 5.0 * dead_sd)
    high = (4.0, 0.6, 1.3, levels.soft + 6.0 * levels.soft_sd, 9.0, dead + 5.0 * dead_sd)
    plate, surface = least_squares(misfit, usual, bounds=(low, high)).x[:2]
    return float(max(plate + surface, 0.0))

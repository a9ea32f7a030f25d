"""How far outside the steepest slope the true outline of a round bone lies.

In: the mean grey profile across the outline, radius. Out: mm to add to the radius.
The shadow of a ball does not step at its outline: the path through it grows like
a square root, faster inside a dense shell, and blur then moves the steepest place
inward by a third to a half of a millimetre in diameter. So the shadow of a ball
with a shell is fitted, blurred by an unknown amount, on a straight background.
Source: path length through a ball and a shell, plane geometry.
Decision: docs/decisions/0122-outline-is-not-the-steepest-place.md
"""

from typing import Final

import numpy as np

from headstock.anatomy.snap._crop import Floats

__all__ = ["PROFILE_MM", "outline_offset_mm"]

PROFILE_MM: Final[Floats] = np.arange(-3.5, 1.76, 0.25)  # about the steepest place, outward positive
_FINE_MM: Final = 0.05
_DEPTH: Final[Floats] = np.arange(-4.0, 8.0, _FINE_MM)
_BLUR_MM: Final[Floats] = np.arange(0.15, 1.21, 0.15)
_SHELL_MM: Final = (0.6, 1.2)
_OFFSET_MM: Final[Floats] = np.arange(-0.3, 0.91, 0.05)


def _path_mm(depth_mm: Floats, radius_mm: float) -> Floats:
    """Length inside a ball of a ray that passes `depth_mm` inside its outline."""
    inside = np.clip(depth_mm, 0.0, radius_mm)
    return np.asarray(2 * np.sqrt(inside * (2 * radius_mm - inside)))


def outline_offset_mm(profile: Floats, weights: Floats, radius_mm: float) -> tuple[float, float]:
    """Distance of the outline outside the steepest place, and the blur (sd, mm) it was found with.

    Parameters
    ----------
    profile
        (len(PROFILE_MM),) mean grey, bone bright, along `PROFILE_MM`.
    weights
        As `profile`; 0 leaves a place out.
    """
    ball = _path_mm(_DEPTH, radius_mm)
    best = (np.inf, 0.0, 0.0)
    w = weights[:, None]
    flat = np.stack([np.ones_like(PROFILE_MM), PROFILE_MM], axis=-1) * w
    target = profile * weights
    for blur in _BLUR_MM:
        x = np.arange(-4 * blur, 4 * blur + _FINE_MM / 2, _FINE_MM)
        kernel = np.exp(-0.5 * (x / blur) ** 2)
        kernel /= kernel.sum()
        core = np.convolve(ball, kernel, mode="same")
        for shell_mm in _SHELL_MM:
            shell = np.convolve(ball - _path_mm(_DEPTH - shell_mm, radius_mm - shell_mm), kernel, mode="same")
            depth = _OFFSET_MM[:, None] - PROFILE_MM[None]
            a = np.interp(depth, _DEPTH, core) * weights
            b = np.interp(depth, _DEPTH, shell) * weights
            design = np.concatenate([np.broadcast_to(flat, (len(depth), *flat.shape)), a[..., None], b[..., None]], -1)
            normal = np.einsum("oni,onj->oij", design, design)
            normal += np.eye(4) * 1e-9 * np.trace(normal, axis1=1, axis2=2)[:, None, None]
            right = np.einsum("oni,n->oi", design, target)
            solution = np.linalg.solve(normal, right[..., None])[..., 0]
            cost = target @ target - np.sum(solution * right, axis=-1)
            # A shadow that would need negative bone is no shadow.
            cost = np.where((solution[:, 2] < 0) | (solution[:, 3] < 0), np.inf, cost)
            i = int(np.argmin(cost))
            if cost[i] < best[0]:
                best = (float(cost[i]), float(_OFFSET_MM[i]), float(blur))
    return best[1], best[2]

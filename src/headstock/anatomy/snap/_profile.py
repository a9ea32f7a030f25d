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

from headstock.anatomy.snap._crop import Float32s, Floats, sampled

__all__ = ["PROFILE_MM", "THICK_SHELL_MM", "THIN_SHELL_MM", "edge_offset_mm", "outline_offset_mm"]

PROFILE_MM: Final[Floats] = np.arange(-3.5, 1.76, 0.25)  # about the steepest place, outward positive
_FINE_MM: Final = 0.05
_DEPTH: Final[Floats] = np.arange(-4.0, 8.0, _FINE_MM)
_BLUR_MM: Final[Floats] = np.arange(0.15, 1.21, 0.15)
THIN_SHELL_MM: Final = (0.6, 1.2)  # subchondral plate, neck
THICK_SHELL_MM: Final = (2.0, 4.0, 6.0)  # cortex of the shaft
_OFFSET_MM: Final[Floats] = np.arange(-0.3, 0.91, 0.05)


def _path_mm(depth_mm: Floats, radius_mm: float) -> Floats:
    """Length inside a ball of a ray that passes `depth_mm` inside its outline."""
    inside = np.clip(depth_mm, 0.0, radius_mm)
    return np.asarray(2 * np.sqrt(inside * (2 * radius_mm - inside)))


def outline_offset_mm(
    profile: Floats, weights: Floats, radius_mm: float, shells_mm: tuple[float, ...] = THIN_SHELL_MM
) -> tuple[float, float]:
    """Distance of the outline outside the steepest place, and the blur (sd, mm) it was found with.

    Parameters
    ----------
    profile
        (len(PROFILE_MM),) mean grey, bone bright, along `PROFILE_MM`.
    weights
        As `profile`; 0 leaves a place out.
    radius_mm
        Of the ball, or half the width of a round shaft or neck: the path is the same.
    shells_mm
        Thicknesses of dense bone tried.
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
        for shell_mm in shells_mm:
            shell = np.convolve(ball - _path_mm(_DEPTH - shell_mm, max(radius_mm - shell_mm, 0.1)), kernel, mode="same")
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


def edge_offset_mm(
    values: Float32s,
    points: Floats,
    outward: Floats,
    mm: float,
    radius_mm: float,
    shells_mm: tuple[float, ...] = THIN_SHELL_MM,
    sign: float = 1.0,
) -> float:
    """mm outward from the steepest places `points` (N, 2) to the outline, from the mean profile across them.

    `outward` (N, 2) or (2,), unit; `mm` per window pixel; `sign` -1 for a hole (the canal) in denser bone.
    """
    if len(points) < 6:
        return 0.0
    at = points[:, None] + np.broadcast_to(outward, points.shape)[:, None] * (PROFILE_MM / mm)[None, :, None]
    profile = sign * sampled(values, at).astype(np.float64).mean(axis=0)
    spread = float(profile.std())
    if spread == 0:
        return 0.0
    weights = np.ones_like(profile)
    rising = np.nonzero((PROFILE_MM > 0.4) & (np.gradient(profile) >= 0))[0]
    if len(rising):
        weights[rising[0] + 1 :] = 0.0  # beyond lies another edge: the socket, the trochanter
    return outline_offset_mm((profile - profile.mean()) / spread, weights, radius_mm, shells_mm)[0]

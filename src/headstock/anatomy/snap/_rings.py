"""Where a head outline could be: signed edge evidence around many circles at once.

In: a window of the film, bone bright. Out: hypotheses (centre, radius) in mm about
the click, best first. A head's outline is bright inside and darker outside all the
way round. So is the outer side of the socket's bright line, 2 to 5 mm farther out;
but inside *that* one there is a second such edge (the head). A circle therefore
pays for edges of the same sense shortly inside it.
Decision: docs/decisions/0121-socket-edge.md
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from headstock.anatomy.snap._crop import Float32s, Floats

__all__ = ["RADII_MM", "Hypotheses", "ring_hypotheses"]

STEP_MM: Final = 0.5  # grid of the coarse search
RADIUS_STEP_MM: Final = 0.75
RADII_MM: Final = (16.0, 34.0)  # from a small dysplastic to the largest adult head; common practice, no source
_ANGLES: Final = 72
_NEXT_MM: Final = 2.5  # hypotheses closer than this are one


@dataclass(frozen=True, slots=True, eq=False)
class Hypotheses:
    """Circles about the click: `shift_mm` (H, 2), `radius_mm` (H,), `score` (H,), best first."""

    shift_mm: Floats
    radius_mm: Floats
    score: Floats


def normalised_gradient(values: Float32s, strength: float) -> tuple[Float32s, Float32s]:
    """Gradient by column and row, divided by its size plus a typical size: a strong line counts hardly more."""
    gy, gx = np.gradient(values)
    size = np.hypot(gx, gy)
    weight = 1.0 / (size + strength * float(np.median(size)) + 1e-12)
    return np.asarray(gx * weight, np.float32), np.asarray(gy * weight, np.float32)


def ring_hypotheses(
    coarse: Float32s,
    click: Floats,
    centres_mm: Floats,
    radii_mm: Floats,
    prior: Floats | None,
    keep: int,
    *,
    strength: float = 2.0,
    inner_cost: float = 0.5,
) -> Hypotheses:
    """The best circles on a window resampled to `STEP_MM` per pixel.

    Parameters
    ----------
    coarse
        Window at `STEP_MM` per pixel; `click` (2,) is its point of reference.
    centres_mm, radii_mm
        (C, 2) about the click, (R,) evenly spaced by `RADIUS_STEP_MM`.
    prior
        (C, R) added to the score, or None.
    """
    nx, ny = normalised_gradient(coarse, strength)
    angles = np.arange(_ANGLES) * (2 * np.pi / _ANGLES)
    ux, uy = np.cos(angles).astype(np.float32), np.sin(angles).astype(np.float32)
    inner = np.arange(2, 7)  # rings 1.5 to 4.5 mm inside
    ring_mm = np.concatenate([radii_mm[0] - RADIUS_STEP_MM * np.arange(inner[-1], 0, -1), radii_mm])
    rows, cols = coarse.shape
    cx = (click[0] + centres_mm[:, 0] / STEP_MM).astype(np.float32)
    cy = (click[1] + centres_mm[:, 1] / STEP_MM).astype(np.float32)
    evidence = np.empty((len(ring_mm), len(centres_mm), _ANGLES), dtype=np.float32)
    for i, r in enumerate(ring_mm / STEP_MM):
        x = np.clip(np.rint(cx[:, None] + np.float32(r) * ux), 0, cols - 1).astype(np.intp)
        y = np.clip(np.rint(cy[:, None] + np.float32(r) * uy), 0, rows - 1).astype(np.intp)
        evidence[i] = -(nx[y, x] * ux + ny[y, x] * uy)
    first = int(inner[-1])
    here = np.maximum(evidence[first:], np.float32(-0.3))
    shortly_inside = np.zeros_like(here)
    for step in inner:
        np.maximum(shortly_inside, evidence[first - step : len(ring_mm) - step], out=shortly_inside)
    score = (here - inner_cost * np.minimum(shortly_inside, np.maximum(here, 0))).mean(axis=-1).T.astype(np.float64)
    if prior is not None:
        score = score + prior
    return _distinct(score, centres_mm, radii_mm, keep)


def _distinct(score: Floats, centres_mm: Floats, radii_mm: Floats, keep: int) -> Hypotheses:
    """The best circles that differ from each other."""
    order = np.argsort(score, axis=None)[::-1][:4000]
    c, r = np.unravel_index(order, score.shape)
    candidates = np.column_stack([centres_mm[c], radii_mm[r]])
    alive: NDArray[np.bool_] = np.ones(len(order), dtype=bool)
    kept: list[int] = []
    while alive.any() and len(kept) < keep:
        best = int(np.argmax(alive))
        kept.append(best)
        gap = np.hypot(*(candidates[:, :2] - candidates[best, :2]).T) + np.abs(candidates[:, 2] - candidates[best, 2])
        alive &= gap > _NEXT_MM
    return Hypotheses(candidates[kept, :2], candidates[kept, 2], score.ravel()[order[kept]])

"""How well clicks snap on films whose truth is known.

In: films with their truth, values only. Out: shares and errors. The caller makes or
reads the films; nothing here knows where they come from.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from headstock.anatomy.snap._crop import Floats
from headstock.anatomy.snap.ball import snap_ball
from headstock.anatomy.snap.head import snap_head
from headstock.errors import TooFewError

__all__ = ["BallScore", "BallTruth", "HeadScore", "HeadTruth", "score_balls", "score_heads"]

ONE_CLICK_MM: Final = 8.0  # farthest rough click from the centre
OUTLINE_CLICK_SD_MM: Final = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class HeadTruth:
    """A head's true circle (column, row, radius) px, mm per pixel, and its true outline (N, 2) px where known.

    The outline runs from the neck round the head and back to the neck; without it the circle stands in, away from
    the neck's direction `neck_deg` (clockwise on the film from +column).
    """

    circle: tuple[float, float, float]
    mm_per_px: float
    outline: Floats | None = None
    neck_deg: float = 135.0


@dataclass(frozen=True, slots=True)
class HeadScore:
    """Shares are of `heads` films. `within`: centre and diameter both within the limit; `asked`: said it was unsure.

    `wrong`: neither. `covered`: of the answers it was sure of, the share whose 95 % interval of the radius holds the
    truth. Errors in mm, of the answers it was sure of: median and 90th percentile.
    """

    heads: int
    limit_mm: float
    within: float
    asked: float
    wrong: float
    covered: float
    centre_median_mm: float
    centre_p90_mm: float
    diameter_bias_mm: float
    diameter_p90_mm: float


@dataclass(frozen=True, slots=True)
class BallTruth:
    """A ball's true centre (column, row) and diameter (short axis), px."""

    centre: tuple[float, float]
    diameter_px: float


@dataclass(frozen=True, slots=True)
class BallScore:
    """Share of balls with centre and diameter within the limit, and the worst errors, px."""

    balls: int
    limit_px: float
    within: float
    worst_centre_px: float
    worst_diameter_px: float


def _one_click(truth: HeadTruth, rng: np.random.Generator) -> Floats:
    reach = ONE_CLICK_MM * np.sqrt(rng.uniform()) / truth.mm_per_px
    turn = rng.uniform(0.0, 2 * np.pi)
    return np.asarray(np.array(truth.circle[:2]) + reach * np.array([np.cos(turn), np.sin(turn)]))


def _outline_clicks(truth: HeadTruth, rng: np.random.Generator) -> Floats:
    """Three clicks, one in each third of the outline away from the neck, off by `OUTLINE_CLICK_SD_MM`."""
    share = np.array([rng.uniform(0.05, 0.20), rng.uniform(0.40, 0.60), rng.uniform(0.80, 0.95)])
    if truth.outline is not None:
        at = truth.outline[(share * len(truth.outline)).astype(int)]
    else:
        turn = np.radians(truth.neck_deg + 50.0 + share * 260.0)
        c, r, radius = truth.circle
        at = np.array([c, r]) + radius * np.stack([np.cos(turn), np.sin(turn)], axis=-1)
    return np.asarray(at + rng.normal(0.0, OUTLINE_CLICK_SD_MM / truth.mm_per_px, at.shape))


def score_heads(
    films: Iterable[tuple[ArrayLike, HeadTruth]], *, limit_mm: float, outline_clicks: bool, rng: np.random.Generator
) -> HeadScore:
    """Snap one head per (film, truth) and compare.

    Parameters
    ----------
    films
        Pairs of a film (rows, cols), bone bright, and the truth of one of its heads.
    limit_mm
        For the centre's distance and for the diameter's error, each.
    outline_clicks
        False: one click within 8 mm of the centre. True: three on the outline.

    Raises
    ------
    TooFewError
        No film.
    """
    centre, diameter, asked, covered = [], [], [], []
    for image, truth in films:
        clicks = _outline_clicks(truth, rng) if outline_clicks else _one_click(truth, rng)
        found = snap_head(image, clicks, truth.mm_per_px)
        off = np.array(found.circle) - np.array(truth.circle)
        centre.append(float(np.hypot(off[0], off[1])) * truth.mm_per_px)
        diameter.append(2 * float(off[2]) * truth.mm_per_px)
        asked.append(found.ambiguous)
        covered.append(abs(off[2]) <= 1.96 * np.sqrt(found.covariance[2, 2]))
    if not centre:
        raise TooFewError("There is no film to score. Give at least one film with its truth.")
    c, d, a = np.array(centre), np.array(diameter), np.array(asked)
    within = (c <= limit_mm) & (np.abs(d) <= limit_mm)
    sure = ~a if (~a).any() else np.ones_like(a)
    return HeadScore(
        heads=len(c),
        limit_mm=limit_mm,
        within=float(within.mean()),
        asked=float(a.mean()),
        wrong=float((~within & ~a).mean()),
        covered=float(np.array(covered)[sure].mean()),
        centre_median_mm=float(np.median(c[sure])),
        centre_p90_mm=float(np.percentile(c[sure], 90)),
        diameter_bias_mm=float(np.median(d[sure])),
        diameter_p90_mm=float(np.percentile(np.abs(d[sure]), 90)),
    )


def score_balls(
    films: Iterable[tuple[ArrayLike, BallTruth]], *, limit_px: float, rng: np.random.Generator
) -> BallScore:
    """Snap one marker ball per (film, truth) from a click anywhere inside it.

    Raises
    ------
    TooFewError
        No film.
    """
    centre, diameter = [], []
    for image, truth in films:
        reach = 0.4 * truth.diameter_px * np.sqrt(rng.uniform())
        turn = rng.uniform(0.0, 2 * np.pi)
        found = snap_ball(image, np.array(truth.centre) + reach * np.array([np.cos(turn), np.sin(turn)]))
        centre.append(float(np.hypot(found.circle[0] - truth.centre[0], found.circle[1] - truth.centre[1])))
        diameter.append(abs(found.diameter_px - truth.diameter_px))
    if not centre:
        raise TooFewError("There is no film to score. Give at least one film with its truth.")
    c, d = np.array(centre), np.array(diameter)
    return BallScore(
        len(c), limit_px, float(((c <= limit_px) & (d <= limit_px)).mean()), float(c.max()), float(d.max())
    )

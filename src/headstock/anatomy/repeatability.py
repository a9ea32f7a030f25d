"""How well a measure repeats: within one reader, and between two.

In: repeated readings of the same films. Out: within-subject sd, repeatability
coefficient, limits of agreement, each with its interval.
Sources: Bland and Altman, Lancet 1986;1:307 (limits of agreement) and BMJ 1996;313:744
(within-subject sd, repeatability 2.77 sd); Bland and Altman, Stat Methods Med Res
1999;8:135 (error of the limits). From memory.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from headstock.errors import TooFewError
from headstock.measured import Measured
from headstock.units import Unit

__all__ = ["Agreement", "Repeatability", "limits_of_agreement", "point_sd_px", "within_reader"]

# 1.96 sqrt(2): two readings of one film differ by less in 95 % of pairs.
FACTOR: Final = 1.959963984540054 * 2**0.5
_SOURCE: Final = "Bland and Altman, BMJ 1996;313:744"
_AGREEMENT_SOURCE: Final = "Bland and Altman, Lancet 1986;1:307"


@dataclass(frozen=True, slots=True)
class Repeatability:
    """`within_subject_sd` and `coefficient` (2.77 of it), with 95 % intervals; `films` read, `degrees_of_freedom`."""

    within_subject_sd: Measured
    coefficient: Measured
    films: int
    degrees_of_freedom: int


@dataclass(frozen=True, slots=True)
class Agreement:
    """Second reader minus first: `bias` and the limits that hold 95 % of differences, each with its interval."""

    bias: Measured
    lower_limit: Measured
    upper_limit: Measured
    sd_of_differences: float
    films: int


def within_reader(readings: Sequence[ArrayLike], unit: Unit) -> Repeatability:
    """Repeatability from films that one reader read two or more times.

    Parameters
    ----------
    readings
        One entry a film: its repeated values. Films may have different numbers.

    Raises
    ------
    TooFewError
        Fewer than two films with repeats, or a value that is no number.
    """
    squares, df, films = 0.0, 0, 0
    for film in readings:
        values = np.asarray(film, dtype=np.float64).ravel()
        if not np.isfinite(values).all():
            raise TooFewError("A repeated reading holds something that is no number. Leave the missing reading out.")
        if values.size >= 2:
            squares += float(np.sum((values - values.mean()) ** 2))
            df += values.size - 1
            films += 1
    if films < 2:
        raise TooFewError(f"{films} films were read twice or more; repeatability needs at least two. Read more.")
    sd = float(np.sqrt(squares / df))
    low = sd * float(np.sqrt(df / stats.chi2.ppf(0.975, df)))
    high = sd * float(np.sqrt(df / stats.chi2.ppf(0.025, df)))
    says = f"{films} films, {df} degrees of freedom"
    return Repeatability(
        Measured(sd, unit, f"Within-subject sd, {says}. Source: {_SOURCE}.", low, high),
        Measured(
            FACTOR * sd,
            unit,
            f"Repeatability coefficient 2.77 sd, {says}. Source: {_SOURCE}.",
            FACTOR * low,
            FACTOR * high,
        ),
        films,
        df,
    )


def limits_of_agreement(first: ArrayLike, second: ArrayLike, unit: Unit) -> Agreement:
    """Limits of agreement of two readers (or methods) on the same films, second minus first.

    Raises
    ------
    TooFewError
        Fewer than three pairs, or lists of different lengths.
    """
    a, b = np.asarray(first, dtype=np.float64).ravel(), np.asarray(second, dtype=np.float64).ravel()
    if a.shape != b.shape:
        raise TooFewError(f"{a.size} readings against {b.size}: each film needs one of each reader, in the same order.")
    d = b - a
    if d.size < 3 or not np.isfinite(d).all():
        raise TooFewError(f"{d.size} pairs are too few, or one is no number; limits of agreement need at least three.")
    n, bias, sd = d.size, float(d.mean()), float(d.std(ddof=1))
    t = float(stats.t.ppf(0.975, n - 1))
    half_bias = t * sd / n**0.5
    z = FACTOR / 2**0.5
    half_limit = t * sd * (1.0 / n + z**2 / (2.0 * (n - 1))) ** 0.5

    def about(value: float, half: float, says: str) -> Measured:
        return Measured(value, unit, f"{says}, {n} films. Source: {_AGREEMENT_SOURCE}.", value - half, value + half)

    return Agreement(
        about(bias, half_bias, "Mean difference, second minus first reader"),
        about(bias - z * sd, half_limit, "Lower limit of agreement"),
        about(bias + z * sd, half_limit, "Upper limit of agreement"),
        sd,
        n,
    )


def point_sd_px(placements: Sequence[ArrayLike]) -> float:
    """A reader's own sd of one landmark, pixels per image direction, for `Reading.sd_px`.

    Parameters
    ----------
    placements
        One entry a film: (repeats, 2) column, row.

    Raises
    ------
    TooFewError
        No film on which the point was placed twice.
    """
    squares, df = 0.0, 0
    for film in placements:
        points = np.asarray(film, dtype=np.float64).reshape(-1, 2)
        squares += float(np.sum((points - points.mean(axis=0)) ** 2))
        df += 2 * (len(points) - 1)
    if df == 0:
        raise TooFewError("No film has this point placed twice, so its scatter is not known. Read some films again.")
    return float(np.sqrt(squares / df))

"""Do the 95 % intervals hold the truth in 95 % of readings? A simulation of readers and markers.

In: films with true points (px), true measures and the true scale; how readers and markers
err. Out: coverage a measure, with its Monte Carlo error.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from headstock.anatomy.drawn import FilmScale, draw_reading
from headstock.anatomy.measures import MEASURES, measure
from headstock.anatomy.reading import Reading
from headstock.errors import TooFewError

__all__ = ["Coverage", "NormalScale", "TrueFilm", "simulate_coverage"]


@dataclass(frozen=True, slots=True)
class NormalScale:
    """A scale with a normal error; what a marker ball gives."""

    mm_per_px: float
    sd_mm_per_px: float
    source: str = "simulated marker"
    row_factor: float = 1.0

    def draws(self, rng: np.random.Generator, n: int) -> np.ndarray:
        """(1 + n,), row 0 the scale itself."""
        return self.mm_per_px + np.concatenate([[0.0], self.sd_mm_per_px * rng.standard_normal(n)])


@dataclass(frozen=True, slots=True, eq=False)
class TrueFilm:
    """A film with its truth. `reading`: perfect clicks; `truth`: name of a measure → true value."""

    reading: Reading
    mm_per_px: float
    truth: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Coverage:
    """How often the interval held the truth. `monte_carlo_error`: one sd of `share` if 95 % were true.

    `mean_width` of the interval, `bias` the mean error of the value.
    """

    name: str
    readings: int
    films: int
    share: float
    monte_carlo_error: float
    mean_width: float
    bias: float


def simulate_coverage(
    films: Sequence[TrueFilm],
    *,
    readings_per_film: int,
    scale_sd_percent: float,
    names: Sequence[str],
    n_draws: int = 2000,
    seed: int = 1,
    click_sd_factor: float = 1.0,
    scale_of: Callable[[TrueFilm, np.random.Generator], FilmScale] | None = None,
) -> tuple[Coverage, ...]:
    """Coverage of the intervals of `measure` when readers and marker err as they are said to.

    Parameters
    ----------
    films
        At least one; their readings' points are the truth.
    scale_sd_percent
        sd of the marker's error, percent of the scale; the interval is told the same.
    names
        Measures as `measure` names them (`right.femoral_offset_mm`).
    click_sd_factor
        Readers err by this factor of the stated sd; 1 is as stated. Other values show
        what happens when the stated sd is wrong.
    scale_of
        Makes the scale of one reading instead of a normal error of `scale_sd_percent`: a
        marker ball at a depth of its own, measured and turned into a scale.

    Raises
    ------
    TooFewError
        No films, no readings, or a name without a truth.
    """
    if not films or readings_per_film < 1:
        raise TooFewError("Coverage needs at least one film and one reading of it.")
    only = sorted({name.rpartition(".")[2] for name in names})
    unknown = [name for name in only if name not in MEASURES]
    if unknown:
        raise TooFewError(f"No measure is called {', '.join(unknown)}.")
    held = dict.fromkeys(names, 0)
    total = dict.fromkeys(names, 0)
    width = dict.fromkeys(names, 0.0)
    error = dict.fromkeys(names, 0.0)
    seeds = np.random.SeedSequence(seed).generate_state(len(films) * readings_per_film * 2).reshape(-1, 2)
    k = 0
    for film in films:
        sd = film.mm_per_px * scale_sd_percent / 100.0
        for _ in range(readings_per_film):
            reader_seed, interval_seed = (int(s) for s in seeds[k])
            k += 1
            clicked = _clicked(film, reader_seed, click_sd_factor)
            marker_rng = np.random.default_rng([reader_seed, 1])
            scale: FilmScale = (
                scale_of(film, marker_rng)
                if scale_of is not None
                else NormalScale(film.mm_per_px * (1.0 + scale_sd_percent / 100.0 * marker_rng.standard_normal()), sd)
            )
            found = measure(clicked, scale, n_draws=n_draws, seed=interval_seed, only=only)
            for name in names:
                if name not in film.truth or name not in found:
                    continue
                value = found[name]
                low, high = value.low, value.high
                if low is None or high is None:
                    raise TooFewError(f"{name} is missing on a simulated film: {value.reason}")
                total[name] += 1
                held[name] += low <= film.truth[name] <= high
                width[name] += high - low
                error[name] += value.number - film.truth[name]
    empty = [name for name in names if total[name] == 0]
    if empty:
        raise TooFewError(f"No film has a truth for {', '.join(empty)}.")
    return tuple(
        Coverage(
            name,
            total[name],
            sum(name in film.truth for film in films),
            held[name] / total[name],
            float(np.sqrt(0.95 * 0.05 / total[name])),
            width[name] / total[name],
            error[name] / total[name],
        )
        for name in names
    )


def _clicked(film: TrueFilm, seed: int, factor: float) -> Reading:
    """One reader's clicks: the truth plus errors as stated, times `factor`."""
    truth = film.reading
    # The errors come from the very model the interval uses; 40 draws are the fewest it makes, one is taken.
    drawn = draw_reading(truth, NormalScale(film.mm_per_px, 0.0), n_draws=40, seed=seed)

    def moved(true: float, erring: float) -> float:
        return float(true + factor * (erring - true))

    circles = {
        name: (
            moved(c[0], drawn.points[name][1, 0]),
            moved(c[1], drawn.points[name][1, 1]),
            moved(c[2], drawn.radii[name][1]),
        )
        for name, c in truth.circles.items()
    }
    points = {
        name: (moved(p[0], drawn.points[name][1, 0]), moved(p[1], drawn.points[name][1, 1]))
        for name, p in truth.points.items()
    }
    return replace(truth, points=points, circles=circles)

"""Perfect clicks give the true measures; erring clicks give intervals that hold them."""

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from headstock.anatomy import TrueFilm, measure, simulate_coverage
from headstock.desk.bench.films import PerfectFilm, phantom_film, supplied_films
from headstock.desk.bench.row import Row, Tell
from headstock.frames import Side
from headstock.images import Scale, scale_from_ball

__all__ = ["coverage", "perfect_phantoms", "perfect_supplied"]

_BALL_MM = 25.0
_BALL_EDGE_SD_PX = 0.1


def _worst(films: Sequence[PerfectFilm]) -> dict[str, float]:
    """Largest error by unit, over all films and measures."""
    worst = {"mm": 0.0, "deg": 0.0}
    for film in films:
        # A scale without error: only the geometry is looked at. A ball that shows the head's own scale gives it.
        scale = scale_from_ball(
            25.0 / film.mm_per_px, 1e-9, 25.0, source_hip_mm=film.source_hip_mm, depth_error_sd_mm=0.0
        )
        found = measure(film.reading, scale, n_draws=40)
        for name, want in film.want.items():
            unit = "deg" if name.endswith("_deg") else "mm"
            worst[unit] = max(worst[unit], abs(found[name].number - want))
    return worst


def perfect_supplied(patients: Path, tell: Tell) -> list[Row]:
    """The independent patients: every measure they state, within 0.1 mm and 0.1 deg."""
    films = [film for film, _, _ in supplied_films(patients)]
    tell(f"perfect clicks on {len(films)} supplied patients")
    worst = _worst(films)
    of = f"{sum(len(f.want) for f in films)} measures of {len(films)} films"
    return [
        Row("accuracy", f"supplied patients, largest error, {unit}", worst[unit], unit, 0.1, of=of) for unit in worst
    ]


def perfect_phantoms(films: Sequence[PerfectFilm], tell: Tell) -> list[Row]:
    """Phantom films: every measure within 0.3 mm and 0.3 deg of the cone-projected truth."""
    tell(f"perfect clicks on {len(films)} phantom films")
    worst = _worst(films)
    of = f"{sum(len(f.want) for f in films)} measures of {len(films)} films"
    return [Row("accuracy", f"phantom films, largest error, {unit}", worst[unit], unit, 0.3, of=of) for unit in worst]


def coverage(films: Sequence[PerfectFilm], readings_per_film: int, depth_sd_mm: float, tell: Tell) -> list[Row]:
    """95 % intervals hold the truth in 95 ± 1.5 % of readings with click noise and marker-depth error."""
    tell(f"{readings_per_film} erring readings of each of {len(films)} films")
    names = ("leg_length_difference_mm", "femoral_offset_mm", "neck_shaft_angle_deg", "head_diameter_mm")
    kept = []
    for film in films:
        side = film.reading.side.value
        want = {name.removeprefix(f"{side}."): value for name, value in film.want.items()}
        truth = {name if name.startswith("leg") else f"{side}.{name}": want[name] for name in names if name in want}
        kept.append(TrueFilm(film.reading, film.mm_per_px, truth))
    source_hip = {film.reading: film.source_hip_mm for film in films}

    def ball(film: TrueFilm, rng: np.random.Generator) -> Scale:
        # The ball lies where it was put, not in the plane of the hip: its shadow is larger the nearer to the source.
        distance = source_hip[film.reading]
        off = depth_sd_mm * rng.standard_normal()
        shadow_px = _BALL_MM / film.mm_per_px * distance / (distance - off) + _BALL_EDGE_SD_PX * rng.standard_normal()
        return scale_from_ball(
            shadow_px, _BALL_EDGE_SD_PX, _BALL_MM, source_hip_mm=distance, depth_error_sd_mm=depth_sd_mm
        )

    rows = []
    held: dict[str, list[tuple[float, int]]] = {}
    for number, side in enumerate(Side):
        group = [film for film in kept if film.reading.side is side]
        if not group:
            continue
        found = simulate_coverage(
            group,
            readings_per_film=readings_per_film,
            scale_sd_percent=0.0,
            names=sorted({name for film in group for name in film.truth}),
            n_draws=1000,
            seed=11 + number,
            scale_of=ball,
        )
        for one in found:
            held.setdefault(one.name.rpartition(".")[2], []).append((one.share, one.readings))
    for name, parts in held.items():
        readings = sum(n for _, n in parts)
        share = 100.0 * sum(s * n for s, n in parts) / readings
        error = 100.0 * float(np.sqrt(0.95 * 0.05 / readings))
        of = f"{share:.2f} % of {readings} readings of {len(films)} films, Monte Carlo sd {error:.2f} %"
        rows.append(Row("coverage", f"{name}: distance of coverage from 95 %", abs(share - 95.0), "%", 1.5, of=of))
    return rows


def phantom_films(count: int, seed: int, tell: Tell) -> list[PerfectFilm]:
    """`count` phantom films, not drawn."""
    tell(f"{count} phantoms projected (about 0.4 s each)")
    return [phantom_film(number, seed)[1] for number in range(1, count + 1)]

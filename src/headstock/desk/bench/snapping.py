"""Rough clicks on drawn films: how near the snap comes to the truth, and how often it asks instead of guessing."""

import os
from collections.abc import Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from headstock.anatomy.snap import snap_ball, snap_head
from headstock.desk.bench.films import supplied_films
from headstock.desk.bench.row import Row, Tell
from headstock.images import bright_is_dense, read_film
from headstock.phantom import make_hip_patient, random_case, render

__all__ = ["snaps"]

_CLICK_OFF_MM = 8.0
_OUTLINE_CLICK_SD_MM = 0.7


@dataclass(frozen=True, slots=True)
class _Head:
    """Largest of centre and diameter error, mm, from one click and from three; whether each asked for more."""

    one_mm: float
    one_asked: bool
    three_mm: float
    three_asked: bool


@dataclass(frozen=True, slots=True)
class _Film:
    ball_px: float | None
    heads: tuple[_Head, ...]


def _head(
    image: NDArray[np.float32], circle: Sequence[float], mm_per_px: float, side: str, rng: np.random.Generator
) -> _Head:
    centre, radius = np.asarray(circle[:2], dtype=np.float64), float(circle[2])
    angle = rng.uniform(0, 2 * np.pi)
    # Uniform over the disc of clicks up to 8 mm off.
    off = _CLICK_OFF_MM / mm_per_px * np.sqrt(rng.random())
    one = snap_head(image, centre + off * np.array([np.cos(angle), np.sin(angle)]), mm_per_px)
    # Three clicks where the head is free of the socket: lateral above, lateral below, and medial below.
    medial = 1.0 if side == "right" else -1.0
    places = np.radians([200.0, 150.0, 60.0])
    outline = centre + radius * np.stack([medial * np.cos(places), np.sin(places)], axis=-1)
    outline += rng.normal(0.0, _OUTLINE_CLICK_SD_MM / mm_per_px, outline.shape)
    three = snap_head(image, outline, mm_per_px)

    def error(found: tuple[float, float, float]) -> float:
        off_centre = float(np.hypot(*(np.asarray(found[:2]) - centre)))
        return max(off_centre, 2 * abs(found[2] - radius)) * mm_per_px

    return _Head(error(one.circle), one.ambiguous, error(three.circle), three.ambiguous)


def _drawn(job: tuple[int, int, bool]) -> _Film:
    number, seed, spherical = job
    study = random_case(number, seed, spherical_heads=spherical).studies[0]
    film = render(make_hip_patient(study.spec), study.films[0].film)
    return _measured(film.pixels.astype(np.float32), film.truth, film.truth["film"]["circles"], [seed, number])


def _measured(
    image: NDArray[np.float32], truth: dict[str, Any], circles: Mapping[str, Sequence[float]], seed: list[int]
) -> _Film:
    rng = np.random.default_rng(seed)
    scale = truth["film_measures"]["mm_per_pixel_at_head"]
    heads = tuple(
        _head(image, circles[f"{side}.head"], scale, side, rng)
        for side in ("right", "left")
        if f"{side}.head" in circles
    )
    ball = truth["film"].get("marker_ball")
    if ball is None:
        return _Film(None, heads)
    # The supplied truth has the place of the ball's centre, phantoms that of its shadow: some tenths of a pixel apart.
    column, row = (
        ball["fitted_circle_px"][:2] if "fitted_circle_px" in ball else (ball["centre"]["col"], ball["centre"]["row"])
    )
    at = [column, row, ball["image_diameter_px"] / 2]
    found = snap_ball(image, np.asarray(at[:2]) + rng.uniform(-0.6, 0.6, 2) * at[2])
    off = max(float(np.hypot(found.circle[0] - at[0], found.circle[1] - at[1])), abs(found.diameter_px - 2 * at[2]))
    return _Film(off, heads)


def _supplied(patients: Path) -> list[_Film]:
    out = []
    for number, (_, data, truth) in enumerate(supplied_films(patients)):
        film = truth["film"]
        circles = {}
        for letter, side in (("R", "right"), ("L", "left")):
            at = film["head_centre"][letter]
            # Both heads of a supplied patient have one size but for the side made small, whose size is the one stated.
            if side == truth["side"]:
                radius = truth["head_diameter_mm"] / 2 * at["magnification"] / film["pixel_mm_at_detector"]
                circles[f"{side}.head"] = [at["col"], at["row"], radius]
        image = bright_is_dense(read_film(data))
        out.append(_measured(image, truth, circles, [7, number]))
    return out


def _rows(films: Sequence[_Film], kind: str, within_mm: float, one: float | None, three: float | None) -> list[Row]:
    heads = [head for film in films for head in film.heads]
    n = len(heads)
    of = f"of {n} heads on {len(films)} films"

    def share(right: Sequence[bool]) -> float:
        return 100.0 * float(np.mean(right))

    one_right = [h.one_mm <= within_mm and not h.one_asked for h in heads]
    answered = [h.one_mm <= within_mm for h in heads if not h.one_asked]
    asked = (
        f"{of}; {share([h.one_asked for h in heads]):.0f} % asked for clicks; "
        f"of those answered {share(answered):.0f} % right"
    )
    three_right = [h.three_mm <= within_mm for h in heads]
    return [
        Row("snap", f"{kind} heads, one click: within {within_mm:g} mm", share(one_right), "%", one, "at least", asked),
        Row(
            "snap",
            f"{kind} heads, three clicks: within {within_mm:g} mm",
            share(three_right),
            "%",
            three,
            "at least",
            of,
        ),
    ]


def snaps(count: int, seed: int, patients: Path | None, tell: Tell) -> list[Row]:
    """`count` films with spherical heads and as many with real-shaped ones, and the supplied films."""
    workers = max(1, min(2, os.cpu_count() or 1))
    tell(f"{2 * count} films to draw and snap on, about 10 s each on one core")
    jobs = [(number, seed, spherical) for spherical in (True, False) for number in range(1, count + 1)]
    films: list[_Film] = []
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        for done, film in enumerate(pool.map(_drawn, jobs), start=1):
            films.append(film)
            if done % 20 == 0:
                tell(f"  {done} of {len(jobs)} films")
    spherical, real = films[:count], films[count:]
    balls = [film.ball_px for film in films if film.ball_px is not None]
    rows = [
        Row(
            "snap",
            "marker ball, centre and diameter: largest error",
            max(balls),
            "px",
            0.2,
            of=f"of {len(balls)} balls",
        ),
        *_rows(spherical, "spherical", 0.5, 95.0, None),
        *_rows(real, "real-shaped", 1.0, 85.0, 95.0),
    ]
    if patients is not None:
        rows += _rows(_supplied(patients), "supplied patients'", 1.0, None, None)
    return rows

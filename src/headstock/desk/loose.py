"""One film and one landmark file, with or without a record: what it shows, its scale, its measures.

In: a film's path and the landmark file's bytes. Out: plain JSON whose names are those
of the measures. The same functions as for films of the record.
"""

import json
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from headstock.anatomy import Reading, View, anterior_direction, measure
from headstock.anatomy.snap import snap_ball
from headstock.desk.desk import Desk
from headstock.desk.films import hip_of_film
from headstock.desk.headers import header_columns_to_left, header_rows, view_of
from headstock.desk.limits import limits_in_force, limits_shipped
from headstock.desk.pages import ReadingIn, ReadingState, SignsIn
from headstock.desk.readings import SEED, keep_reading, make_reading, reading_page
from headstock.desk.scales import FilmScales, film_scales, scales_of
from headstock.errors import AmbiguousError, CalibrationError, FrameError, ImageError, TooFewError
from headstock.frames import Side
from headstock.images.film import Film
from headstock.images.grey import bright_is_dense
from headstock.images.read import read_film
from headstock.measured import DRAWS, Measured
from headstock.records.people import film as film_row

__all__ = ["keep", "read", "scale", "show"]

_BALLS: Final = ("ball", "marker_ball")
# How a landmark file's signs are called on the reading page.
_SIGNS: Final = {
    "film_abnormal": "film_abnormal",
    "mri_or_scan_positive": "mri_abnormal",
    "sclerosis_or_cysts": "sclerosis",
    "crescent": "crescent",
    "flattening": "flattening",
    "joint_space_narrowed": "joint_space_narrowed",
    "osteoarthritis": "acetabular_changes",
    "advanced_degeneration": "joint_destroyed",
}


def show(path: Path) -> dict[str, Any]:
    """What a film's file says of itself."""
    film = _open(path)
    return {
        "rows": film.rows,
        "cols": film.cols,
        "frames": film.frames,
        "photometric": film.photometric,
        "view": view_of(film.header),
        "columns_to_left": header_columns_to_left(film.header),
        "sha256": film.content_sha256,
        "header": dict(header_rows(film.header)),
        "notes": list(film.notes),
    }


def scale(
    path: Path,
    *,
    ball: tuple[float, ...] | None = None,
    circle: tuple[float, ...] | None = None,
    marker_mm: float | None = None,
) -> dict[str, Any]:
    """Every source of scale of a film's file; `ball` is a rough click on it, `circle` its circle."""
    film = _open(path)
    points = {"ball": ball} if ball is not None else {}
    circles = {"ball": circle} if circle is not None else {}
    return _scale_json(_scales(film, points, circles, marker_mm))


def read(path: Path, landmarks: bytes, *, marker_mm: float | None = None, header: bool = False) -> dict[str, Any]:
    """Measures of a film's file from a landmark file; `header`: with the header's distances, assumed depth and all.

    Raises
    ------
    ImageError, FrameError, CalibrationError, AmbiguousError
        The film, the landmarks, or the marker ball cannot be used; the message says why.
    """
    film = _open(path)
    plain, points, circles = _landmarks(landmarks)
    if plain.get("anterior") is None and plain.get("view") == View.LATERAL_HIP.value:
        plain["anterior"] = anterior_direction(film.header.patient_orientation)
    reading = Reading.from_json(plain)
    _check_film(reading, film)
    scales = _scales(film, points, circles, marker_mm, header=header)
    found = measure(reading, scales.in_use, n_draws=DRAWS, seed=SEED)
    warnings = [] if scales.in_use is not None else [scales.contradiction or scales.reason_for_none]
    return {
        "film_sha256": film.content_sha256,
        "view": reading.view.value,
        "side": reading.side.value,
        "scale": _scale_json(scales),
        "measures": _measures_json(found),
        "warnings": [*warnings, *scales.cautions],
    }


def keep(desk: Desk, film_id: str, hip_id: str | None, landmarks: bytes, *, who: str, now: datetime) -> dict[str, Any]:
    """Keep a landmark file as the reading of a film of the record; returns its measures.

    Raises
    ------
    FrameError
        The file is of another view, side or film than this one.
    """
    plain, _, _ = _landmarks(landmarks)
    reading = Reading.from_json(plain)
    with desk.store.session() as session:
        row = film_row(session, film_id)
        hip = hip_of_film(session, row, hip_id)
    if row.view is not None and reading.view.value != row.view:
        raise FrameError(
            f"The landmarks are of the view {reading.view.value}, the film shows {row.view}. Nothing was kept."
        )
    if reading.view is not View.AP_PELVIS and reading.side.value != hip.side:
        raise FrameError(f"The landmarks are of the {reading.side} hip, this is the {hip.side} one. Nothing was kept.")
    if reading.film_sha256 not in (None, row.sha256):
        raise FrameError("The landmarks belong to another film (its hash differs). Nothing was kept.")
    signs = {_SIGNS[name]: value for name, value in reading.signs.items() if name in _SIGNS}
    state = ReadingState(
        points=dict(reading.points),
        circles=dict(reading.circles),
        outlines={name: [(float(c), float(r)) for c, r in line] for name, line in reading.outlines.items()},
        sd_px=dict(reading.sd_px),
        signs={hip.side: SignsIn.model_validate(signs)} if signs else {},
    )
    base = reading_page(desk, film_id, hip.id, who=who).step
    page = keep_reading(
        desk, film_id, hip.id, ReadingIn(state=state, base_step=base, what="landmark file"), who=who, now=now
    )
    scales = film_scales(row, limits_in_force(desk))
    found = measure(make_reading(row, state, Side(hip.side)), scales.in_use, n_draws=DRAWS, seed=SEED)
    return {
        "film_id": film_id,
        "hip_id": hip.id,
        "view": reading.view.value,
        "side": hip.side,
        "step": page.step,
        "scale": _scale_json(scales),
        "measures": _measures_json(found),
        "warnings": page.measures.warnings,
        "todo": page.measures.todo,
        "finding": page.measures.finding,
    }


def _open(path: Path) -> Film:
    try:
        data = path.read_bytes()
    except OSError:
        raise ImageError(f"There is no film file “{path.name}”, or it cannot be read. Check the path.") from None
    return read_film(data, name=path.name)


def _landmarks(text: bytes) -> tuple[dict[str, Any], dict[str, Any], dict[str, Any]]:
    """The landmark file's fields, and apart from them a rough point or the circle of the ball."""
    try:
        plain = json.loads(text)
    except (ValueError, UnicodeDecodeError) as error:
        raise FrameError(f"The landmark file is not JSON ({error}). Save it again from the reading page.") from None
    if not isinstance(plain, dict):
        raise FrameError("A landmark file holds one JSON object with view, side and points.")
    points, circles = dict(plain.get("points") or {}), dict(plain.get("circles") or {})
    ball_points = {name: points.pop(name) for name in _BALLS if name in points}
    given = [circles[name] for name in _BALLS if name in circles]
    ball_circles = {"ball": given[0]} if given else {}
    circles.pop("ball", None)
    return {**plain, "points": points, "circles": circles}, ball_points, ball_circles


def _check_film(reading: Reading, film: Film) -> None:
    if reading.film_sha256 not in (None, film.content_sha256):
        raise FrameError("The landmarks belong to another film (its hash differs). Give the film they were placed on.")
    outside = [
        name
        for name, (col, row) in reading.points.items()
        if not (-0.5 <= col < film.cols - 0.5 and -0.5 <= row < film.rows - 0.5)
    ]
    if outside:
        raise FrameError(f"{', '.join(outside[:3])} lies outside the film of {film.cols} by {film.rows} pixels.")


def _scales(
    film: Film,
    points: Mapping[str, Any],
    circles: Mapping[str, Any],
    marker_mm: float | None,
    *,
    header: bool = False,
) -> FilmScales:
    if header and marker_mm is not None:
        raise CalibrationError("Either the marker's size or the header gives the scale. Leave one of the two out.")
    inputs: dict[str, Any] = {}
    if marker_mm is not None:
        found = _ball(film, points, circles)
        inputs["ball"] = {"circle": found[:3], "sd_px": found[3], "diameter_mm": marker_mm}
    limits = limits_shipped()
    scales = scales_of(
        film.header,
        inputs,
        limits,
        chosen="ball" if inputs else "detector_and_distance" if header else None,
        settled_by="the command line" if inputs or header else None,
        pixel_aspect=film.pixel_aspect,
    )
    if inputs and scales.in_use is None:
        ball = next(c for c in scales.found if c.kind.value == "ball")
        raise CalibrationError(ball.refused or "The ball gives no scale.")
    if header and scales.in_use is None:
        distances = next(c for c in scales.found if c.kind.value == "detector_and_distance")
        raise CalibrationError(distances.refused or "The header gives no scale.")
    return scales


def _ball(
    film: Film, points: Mapping[str, Any], circles: Mapping[str, Any]
) -> tuple[float, float, float, float | None]:
    """The ball's circle and its sd: as the file has it, else found from a rough point."""
    if "ball" in circles:
        col, row, radius = (float(v) for v in circles["ball"])
        return col, row, radius, None
    if not points:
        raise TooFewError(
            "The ball's size was given, but not where it is. Put a point “ball” on it, or a circle “marker_ball”, into "
            "the landmark file."
        )
    found = snap_ball(bright_is_dense(film), next(iter(points.values())))
    if found.ambiguous:
        raise AmbiguousError(found.ask or "No clear ball was found at that point. Give its circle.")
    return (*found.circle, found.diameter_sd_px / 2)


def _scale_json(scales: FilmScales) -> dict[str, Any]:
    in_use = scales.in_use
    return {
        "in_use": None
        if in_use is None
        else {**in_use.measured().to_json(), "kind_of_scale": in_use.kind.value, "magnification": in_use.magnification},
        "settled": scales.settled,
        "contradiction": scales.contradiction,
        "choices": [
            {
                "kind": candidate.kind.value,
                "words": candidate.in_words,
                "refused": candidate.refused,
                "mm_per_px": None if candidate.scale is None else candidate.scale.mm_per_px,
                "sd_mm_per_px": None if candidate.scale is None else candidate.scale.sd_mm_per_px,
            }
            for candidate in scales.found
        ],
    }


def _measures_json(found: Mapping[str, Measured]) -> dict[str, Any]:
    return {name: one.to_json() for name, one in found.items()}

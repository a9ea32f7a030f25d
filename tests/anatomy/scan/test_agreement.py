"""Scan against film: the closed form of projection, perspective, the supplied films, what stays unexplained."""

from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np
import pytest

from headstock.anatomy.filmhip import FilmHip, film_hip
from headstock.anatomy.scan.agreement import Agreement, FilmGeometry, agreement, seen_on_film
from headstock.anatomy.scan.hip import scan_hip
from headstock.anatomy.scan.values import ScanHip
from headstock.errors import CalibrationError, FrameError, TooFewError
from headstock.frames import Side
from headstock.images.scan import Scan, ScanHeader

from ..hips import PlainScale, perfect_reading  # noqa: TID252 - the clicks on the supplied films live one folder up
from .scan_cases import ANGLE_DEG, plain_femur, supplied

FAR = FilmGeometry(1e9, 1.0)  # rays as good as parallel


@lru_cache(maxsize=1)
def plain() -> tuple[ScanHip, dict[str, Any]]:
    seg, truth = plain_femur(1.2)
    scan = Scan(np.zeros(seg.grid.shape, np.int16), seg.grid, "CT", ScanHeader())
    return scan_hip(scan, seg, version=(14.5, 8.1), n_draws=400), truth


@lru_cache(maxsize=3)
def of_supplied(name: str) -> tuple[ScanHip, FilmHip, FilmGeometry]:
    seg, truth, grid, hu = supplied(name)
    hip = scan_hip(Scan(hu, grid, "CT", ScanHeader()), seg, version=(14.5, 8.1), n_draws=400)
    side, film = truth["side"], truth["film"]
    mm_per_px = truth["film_measures"]["mm_per_pixel_at_head"]
    reading = perfect_reading(truth)
    column, row = reading.points[f"{side}.head_centre"]
    circle = (column, row, truth["head_diameter_mm"] / 2.0 / mm_per_px)
    points = {name: p for name, p in reading.points.items() if name != f"{side}.head_centre"}
    reading = replace(reading, circles={f"{side}.head": circle}, points=points)
    on_film = film_hip(reading, PlainScale(mm_per_px, 0.01 * mm_per_px), side=Side(side), n_draws=400)
    return hip, on_film, FilmGeometry(film["source_detector_mm"], film["magnification_at_head"], ray_medial_mm=85.0)


@pytest.mark.parametrize("delta", [-30.0, 0.0, 17.0, 30.0])
def test_parallel_rays_show_the_closed_form(delta: float) -> None:
    # offset' = offset cos(delta); NSA' = 90 + atan(tan(NSA - 90) / cos(delta)).
    hip, _ = plain()
    angle, offset, head = seen_on_film(hip, FAR, np.array([delta]), np.zeros(1), np.array([0]))
    cos = np.cos(np.radians(delta))
    true = hip.measures["neck_shaft_angle_deg"].number
    assert true == pytest.approx(ANGLE_DEG, abs=0.3)
    assert angle[0] == pytest.approx(90.0 + np.degrees(np.arctan(np.tan(np.radians(true - 90.0)) / cos)), abs=0.05)
    assert offset[0] == pytest.approx(hip.measures["femoral_offset_mm"].number * cos, abs=0.05)
    assert head[0] == pytest.approx(hip.measures["head_diameter_mm"].number)


def test_the_worked_example_of_projection_is_met() -> None:
    # 127 deg seen with the neck 30 deg out of the plane: 131.0 deg; 45 mm: 39.0 mm (derived).
    assert 90.0 + np.degrees(np.arctan(np.tan(np.radians(37.0)) / np.cos(np.radians(30.0)))) == pytest.approx(
        131.0, abs=0.05
    )
    hip, _ = plain()
    at_rest = seen_on_film(hip, FAR, np.zeros(1), np.zeros(1), np.array([0]))[1]
    turned = seen_on_film(hip, FAR, np.array([30.0]), np.zeros(1), np.array([0]))[1]
    assert 45.0 * turned[0] / at_rest[0] == pytest.approx(39.0, abs=0.05)


def test_flexion_lowers_the_seen_shaft_angle_as_a_tilted_shaft_must() -> None:
    # A shaft tilted by f out of the plane is seen shorter by cos f: tan of the neck's slope against it changes with it.
    hip, _ = plain()
    flat = seen_on_film(hip, FAR, np.zeros(1), np.zeros(1), np.array([0]))[0]
    bent = seen_on_film(hip, FAR, np.zeros(1), np.array([15.0]), np.array([0]))[0]
    slope = np.tan(np.radians(flat[0] - 90.0))
    assert np.tan(np.radians(bent[0] - 90.0)) == pytest.approx(slope * np.cos(np.radians(15.0)), rel=0.01)


@pytest.mark.parametrize("name", ["alder", "birch", "cedar"])
def test_supplied_scan_and_film_agree_once_projection_is_explained(name: str) -> None:
    hip, film, geometry = of_supplied(name)
    found = agreement(hip, film, geometry)
    for row in found.rows:
        assert row.left.low is not None
        assert row.left.low <= 0.0 <= (row.left.high or 0.0), row.says
        assert row.difference.number == pytest.approx(row.explained.number + row.left.number)
    assert abs(found.scale_percent.number) < 2.5  # the film's head is read perfectly; the scan's is within 1 mm of 45
    assert "Nothing is left" in found.says


def with_points(film: FilmHip, turn_deg: float, scale: float) -> FilmHip:
    """The film with its neck axis turned and everything enlarged: what a wrong click or a wrong scale does."""
    a = np.radians(turn_deg)
    turn = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
    view = film.ap
    assert view.shaft_point_mm is not None
    return replace(
        film,
        ap=replace(
            view,
            neck_axis=view.neck_axis @ turn.T,
            head_radius_mm=view.head_radius_mm * scale,
            shaft_point_mm=view.shaft_point_mm * scale,
        ),
    )


def test_a_wrong_scale_is_found_and_told_apart_from_projection() -> None:
    hip, film, geometry = of_supplied("cedar")
    right, wrong = agreement(hip, film, geometry), agreement(hip, with_points(film, 0.0, 1.1), geometry)
    assert wrong.scale_percent.number - right.scale_percent.number == pytest.approx(10.0, abs=1.0)
    assert wrong.out_of_plane_deg.number == pytest.approx(right.out_of_plane_deg.number, abs=1.0)
    rows = {row.key: row for row in wrong.rows}
    assert "larger" in rows["head_diameter_mm"].says
    assert rows["femoral_offset_mm"].by_scale.number > 3.0
    assert not rows["neck_shaft_angle_deg"].by_scale.known


def test_a_neck_axis_clicked_wrong_stays_unexplained() -> None:
    hip, film, geometry = of_supplied("cedar")
    found = agreement(hip, with_points(film, -16.0, 1.0), geometry)
    row = next(row for row in found.rows if row.key == "neck_shaft_angle_deg")
    assert "unexplained" in row.says
    assert "Not explained" in found.says


def test_two_readings_drawn_from_one_seed_are_not_taken_to_err_together() -> None:
    hip, film, geometry = of_supplied("alder")
    same = replace(film, ap=replace(film.ap, head_radius_mm=hip.head_radius.copy()))
    found: Agreement = agreement(hip, same, geometry)
    head = next(r for r in found.rows if r.key == "head_diameter_mm")
    assert head.scan.draws is not None
    assert head.film.draws is not None
    assert abs(np.corrcoef(head.scan.draws, head.film.draws)[0, 1]) < 0.25


def test_a_film_of_the_other_side_or_without_a_shaft_is_refused() -> None:
    hip, film, geometry = of_supplied("alder")
    with pytest.raises(FrameError, match="is of the"):
        agreement(replace(hip, side=hip.side.other), film, geometry)
    with pytest.raises(TooFewError, match="shaft axis is missing on the scan"):
        agreement(replace(hip, shaft_axis=None, shaft_point=None), film, geometry)
    with pytest.raises(CalibrationError):
        FilmGeometry(115.0, 1.2)  # cm for mm
    with pytest.raises(CalibrationError):
        FilmGeometry(1150.0, 0.8)

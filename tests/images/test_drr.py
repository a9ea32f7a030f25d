"""A projected volume against closed forms: chords of a ball, thickness of a slab, and central projection of points."""

import numpy as np
import pytest

from headstock.errors import FrameError
from headstock.geometry.grid import Grid
from headstock.images.drr import WATER_PER_MM, Detector, attenuation, film_grey, project_volume
from headstock.images.projection import central_projection, magnification


def _grid(n: int, step: float) -> Grid:
    origin = -0.5 * (n - 1) * step * np.ones(3)
    return Grid(origin, np.eye(3), np.full(3, step), (n, n, n))


def _detector(**changes: float) -> Detector:
    given = {
        "source_detector_mm": 1150.0,
        "hip_to_detector_mm": 165.0,
        "width_mm": 60.0,
        "height_mm": 60.0,
        "above_mm": 30.0,
        "pixel_mm": 1.0,
    } | changes
    return Detector.ap(np.zeros(3), **given)


def _ball(grid: Grid, radius: float) -> np.ndarray:
    index = np.moveaxis(np.indices(grid.shape), 0, -1)[..., ::-1]
    away = np.linalg.norm(grid.points(index), axis=-1)
    return np.clip(0.5 + (radius - away) / grid.spacing_mm[0], 0.0, 1.0).astype(np.float32)


@pytest.mark.parametrize("step", [2.0, 1.0, 0.5])
def test_a_ray_through_the_middle_of_a_ball_crosses_its_diameter_the_better_the_finer_the_grid(step: float) -> None:
    radius, grid = 15.0, _grid(int(44 / step) | 1, step)
    detector = _detector(pixel_mm=0.5)
    seen = project_volume(_ball(grid, radius), grid, detector)
    assert seen.max() == pytest.approx(2.0 * radius, abs=0.25 * step)


def test_every_ray_crosses_a_ball_along_its_chord() -> None:
    radius, grid = 16.0, _grid(81, 0.5)
    detector = _detector()
    seen = project_volume(_ball(grid, radius), grid, detector)
    rows, columns = np.indices(detector.shape)
    at = (
        detector.origin_mm
        + columns[..., None] * detector.pixel_mm[0] * detector.axes[0]
        + rows[..., None] * detector.pixel_mm[1] * detector.axes[1]
    )
    way = at - detector.source_mm
    way /= np.linalg.norm(way, axis=-1, keepdims=True)
    miss = np.linalg.norm(np.cross(way, -detector.source_mm), axis=-1)
    chord = 2.0 * np.sqrt(np.maximum(radius**2 - miss**2, 0.0))
    well_inside = miss < radius - 1.0
    assert np.abs(seen - chord)[well_inside].max() < 0.35
    assert np.all(seen[miss > radius + 1.5] == 0.0)


def test_a_slab_is_as_thick_as_its_obliquity_makes_it() -> None:
    grid = Grid(np.array([-40.0, -5.0, -40.0]), np.eye(3), np.ones(3), (81, 11, 81))
    detector = _detector(width_mm=40.0, height_mm=40.0, above_mm=20.0)
    seen = project_volume(np.ones(grid.shape, np.float32), grid, detector)
    corner = detector.origin_mm - detector.source_mm
    slant = np.linalg.norm(corner) / corner[1]
    assert seen[0, 0] == pytest.approx(11.0 * slant, rel=1e-4)


def test_a_small_ball_is_seen_where_central_projection_puts_its_centre_and_magnified_as_its_plane_is() -> None:
    grid = _grid(61, 1.0)
    centre = np.array([9.0, -7.0, 12.0])
    index = np.moveaxis(np.indices(grid.shape), 0, -1)[..., ::-1]
    away = np.linalg.norm(grid.points(index) - centre, axis=-1)
    ball = np.clip(4.5 - away, 0.0, 1.0).astype(np.float32)
    detector = _detector(pixel_mm=0.5)
    seen = project_volume(ball, grid, detector)
    rows, columns = np.indices(detector.shape)
    found = np.array([(columns * seen).sum(), (rows * seen).sum()]) / seen.sum()
    told = central_projection(centre, detector.source_mm, detector.origin_mm, detector.axes, detector.pixel_mm)
    assert found == pytest.approx(told, abs=0.1)
    assert magnification(1150.0, 165.0) == pytest.approx(1150.0 / 985.0)


def test_attenuation_is_that_of_water_at_zero_HU_and_none_in_air() -> None:
    found = attenuation(np.array([[[0, -1000, -2000, 1000]]], np.int16))
    assert found.ravel() == pytest.approx([WATER_PER_MM, 0.0, 0.0, 2 * WATER_PER_MM])


def test_water_attenuates_as_the_published_table_says_at_the_energy_of_a_hip_film() -> None:
    # Hubbell & Seltzer, NISTIR 5632 (1995), table 4, liquid water: mu/rho 0.2269, 0.2059, 0.1837 cm2/g at 50, 60, 80
    # keV (from memory), 1.0 g/cm3.
    assert pytest.approx(0.02059, abs=5e-5) == WATER_PER_MM
    assert 0.01837 < WATER_PER_MM < 0.02269


def test_bone_is_bright_and_nothing_is_black() -> None:
    grey = film_grey(np.array([[0.0, 1.0], [2.0, 3.0]], np.float32))
    assert grey[0, 0] == 0
    assert grey[1, 1] == 255
    assert film_grey(np.zeros((2, 2), np.float32)).max() == 0


def test_a_volume_on_another_grid_is_refused() -> None:
    with pytest.raises(FrameError, match="own"):
        project_volume(np.ones((4, 4, 4), np.float32), _grid(5, 1.0), _detector())

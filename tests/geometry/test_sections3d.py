"""Sections of bodies given by their signed distance: closed forms, convergence, edges."""

import numpy as np
import pytest

from headstock.geometry.grid import Grid
from headstock.geometry.sections3d import plane_axes, sample, sections_along, widths_mm

R = 20.0


def ball_on(spacing: float) -> tuple[np.ndarray, Grid]:
    n = int(2 * 26 / spacing) + 1
    grid = Grid(np.array([-26.2, -26.1, -25.9]), np.eye(3), np.full(3, spacing), (n, n, n))
    s, r, c = np.meshgrid(*(np.arange(n),) * 3, indexing="ij")
    return np.linalg.norm(grid.points(np.stack([c, r, s], axis=-1)), axis=-1) - R, grid


def test_a_section_of_a_ball_is_its_circle_and_converges_with_the_square_of_the_spacing() -> None:
    # Area of the circle at height h: pi (R^2 - h^2). The error of trilinear reading falls with spacing^2.
    normal, h = np.array([0.6, 0.0, 0.8]), 7.0
    truth = np.pi * (R**2 - h**2)
    errors = []
    for spacing in (2.0, 1.0, 0.5):
        distance, grid = ball_on(spacing)
        (section,) = sections_along(distance, grid, [h * normal], normal, half_width_mm=24.0, step_mm=0.25)
        assert section is not None
        assert not section.cut
        errors.append(abs(section.area_mm2 - truth))
        assert np.linalg.norm(section.centroid - h * normal) < 0.02 * spacing
    order = np.log2(errors[0] / errors[2]) / 2.0
    assert 1.6 < order < 2.6
    assert errors[1] < 1.5e-3 * truth


def test_the_outline_of_a_ball_is_as_wide_every_way() -> None:
    distance, grid = ball_on(1.0)
    (section,) = sections_along(distance, grid, [np.zeros(3)], [0.0, 0.0, 1.0], half_width_mm=24.0)
    assert section is not None
    _, widths = widths_mm(section)
    assert widths == pytest.approx(2 * R, abs=0.06)  # a trilinear chord of a 20 mm ball at 1 mm lies 0.02 mm inside
    assert section.perimeter_mm == pytest.approx(2 * np.pi * R, rel=2e-3)


def test_a_body_that_leaves_the_grid_or_the_window_is_cut() -> None:
    distance, grid = ball_on(1.0)
    half = Grid(grid.origin_mm, np.eye(3), grid.spacing_mm, (grid.shape[0], grid.shape[1], 30))
    (section,) = sections_along(distance[:, :, :30], half, [np.zeros(3)], [0.0, 0.0, 1.0], half_width_mm=24.0)
    assert section is not None
    assert section.cut
    (small,) = sections_along(distance, grid, [np.zeros(3)], [0.0, 0.0, 1.0], half_width_mm=12.0)
    assert small is not None
    assert small.cut


def test_a_plane_beside_the_body_has_no_section() -> None:
    distance, grid = ball_on(1.0)
    assert sections_along(distance, grid, [[0.0, 0.0, 22.0]], [0.0, 0.0, 1.0], half_width_mm=24.0) == [None]


def test_axes_of_a_plane_are_right_handed_about_its_normal() -> None:
    normal = np.array([0.3, -0.5, 0.8])
    u, v = plane_axes(normal, [1.0, 0.0, 0.0])
    assert np.cross(u, v) == pytest.approx(normal / np.linalg.norm(normal))
    assert u[0] > 0.9


def test_a_value_beyond_the_outermost_voxels_is_the_one_asked_for() -> None:
    distance, grid = ball_on(2.0)
    assert np.isnan(sample(distance, grid, grid.origin_mm - 0.1))
    assert sample(distance, grid, grid.origin_mm - 0.1, outside=5.0) == 5.0
    assert sample(distance, grid, grid.origin_mm) == pytest.approx(distance[0, 0, 0])

"""The wall map of a placement: bytes in the order of the femur's mesh, in step with the least wall appraised."""

import numpy as np
import pytest

from headstock.desk import compare, place
from headstock.desk.scans.volumes import part_bytes
from headstock.desk.scans.walls import wall_bytes
from headstock.errors import RecordError

from .scan_case import NOW, TODAY, case_of


@pytest.fixture(scope="module")
def placed(tmp_path_factory):
    """The read hip with its best high-neck part: (case, appraisal, walls, vertices LPS)."""
    case = case_of(tmp_path_factory)
    compare.choose(case.desk, case.hip, "high_neck", who="A", now=NOW)
    page = place.placement_page(case.desk, case.hip, today=TODAY).appraisal
    walls = np.frombuffer(wall_bytes(case.desk, case.hip, page.placement, today=TODAY), "<f4")
    mesh, _ = part_bytes(case.desk, case.scan, case.hip, "femur")
    count = int(np.frombuffer(mesh, "<u4", 1)[0])
    vertices = np.frombuffer(mesh, "<f4", 3 * count, 8).reshape(-1, 3)
    return case, page, walls, vertices


def test_there_is_a_wall_for_each_vertex_of_the_femur_and_none_above_the_cut(placed):
    _, page, walls, vertices = placed
    assert len(walls) == len(vertices)
    above = (vertices - np.array(page.space.cut_point)) @ np.array(page.space.cut_normal)
    assert np.isfinite(walls[above < 0.0]).all()
    near = np.linalg.norm(vertices - np.array(page.space.cut_point), axis=1) < 30.0
    assert np.isnan(walls[near & (above > 5.0)]).any()


def test_the_thinnest_place_of_the_map_is_the_least_wall_at_its_place(placed):
    _, page, walls, vertices = placed
    (least,) = [line.number for line in page.lines if line.number.key == "least_wall_mm"]
    # Vertices lie 2 mm apart on facets within 0.3 mm of the surface; the line looks from points of the part.
    assert np.nanmin(walls) == pytest.approx(least.value, abs=0.5)
    thin = vertices[np.nanargmin(walls)]
    # From there the part is as far as the wall is thick.
    assert np.linalg.norm(thin - np.array(page.space.least_wall_at)) < least.value + 4.0


def test_a_part_moved_toward_a_side_thins_the_wall_there(placed):
    case, page, walls, vertices = placed
    space = page.placement.space
    moved = page.placement.model_copy(update={"space": space.model_copy(update={"y_mm": space.y_mm + 2.0})})
    after = np.frombuffer(wall_bytes(case.desk, case.hip, moved, today=TODAY), "<f4")
    front = -np.array([0.0, 1.0, 0.0])  # anterior in LPS
    thinner = vertices[after < walls - 1.5]
    thicker = vertices[after > walls + 1.5]
    assert len(thinner) > 50
    assert thinner.mean(axis=0) @ front > thicker.mean(axis=0) @ front + 10.0


def test_a_placement_on_films_has_no_wall_map(placed):
    case, page, _, _ = placed
    on_film = page.placement.model_copy(update={"space": None})
    with pytest.raises(RecordError, match="was not made on one"):
        wall_bytes(case.desk, case.hip, on_film, today=TODAY)

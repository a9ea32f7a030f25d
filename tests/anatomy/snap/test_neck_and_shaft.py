"""Neck and shaft edges: drawn tubes, a phantom film with its truth, doubt, refusals."""

import numpy as np
import pytest

from headstock.anatomy.snap import snap_neck, snap_shaft
from headstock.errors import FrameError, TooFewError
from headstock.geometry import angle_between_deg, distance_to_line, distance_to_polyline
from headstock.phantom.film import render_ap
from headstock.phantom.patient import make_hip_patient
from headstock.phantom.spec import FilmSpec, PhantomSpec

from .drawn_films import MM_PER_PX, head_film, shaft_film


@pytest.fixture(scope="module")
def phantom():
    film = render_ap(make_hip_patient(PhantomSpec()), FilmSpec(seed=5))
    marks = film.truth["film"]
    points = {k.removeprefix("right."): np.array(v) for k, v in marks["points"].items() if k.startswith("right.")}
    outlines = {k.removeprefix("right."): np.array(v) for k, v in marks["outlines"].items() if k.startswith("right.")}
    circle = marks["circles"]["right.head"]
    mm = marks["pixel_mm_at_detector"] / marks["magnification_at_head"]
    return film.pixels, points, outlines, circle, mm


@pytest.mark.parametrize("lean_deg", [-12.0, 0.0, 8.0])
def test_a_drawn_tube_gives_its_axis_width_and_canal(lean_deg):
    film, middle, axis = shaft_film(lean_deg=lean_deg)
    rng = np.random.default_rng(2)
    clicks = middle + np.outer([-150, 150], axis) + rng.uniform(-20, 20, (2, 2))
    found = snap_shaft(film, clicks, MM_PER_PX)
    line = np.array(found.axis_distal) - found.axis_proximal
    assert float(angle_between_deg(line, axis)) < 0.15
    off = distance_to_line(middle, found.axis_proximal, found.axis_distal)
    assert abs(float(off)) * MM_PER_PX < 0.1
    assert found.width_px * MM_PER_PX == pytest.approx(28.0, abs=0.25)
    assert found.canal_px is not None
    assert found.canal_px * MM_PER_PX == pytest.approx(14.0, abs=0.6)
    assert not found.ambiguous
    assert found.outer_edges[0][:, 0].mean() < found.outer_edges[1][:, 0].mean()


def test_shaft_edges_of_a_phantom_lie_on_the_true_edges(phantom):
    image, points, outlines, _, mm = phantom
    clicks = [points["shaft_proximal"] + [14, 3], points["shaft_distal"] + [-15, 0]]
    found = snap_shaft(image, clicks, mm)
    true_axis = points["shaft_distal"] - points["shaft_proximal"]
    assert float(angle_between_deg(np.array(found.axis_distal) - found.axis_proximal, true_axis)) < 0.8
    edges = np.vstack(found.outer_edges)
    nearest = np.minimum(
        distance_to_polyline(edges, outlines["shaft_medial"]), distance_to_polyline(edges, outlines["shaft_lateral"])
    )
    assert np.median(nearest) * mm < 0.2


def test_neck_of_a_phantom_gives_its_axis_width_and_junctions(phantom):
    image, points, _, circle, mm = phantom
    found = snap_neck(image, circle, points["neck_axis_point"] + [18, 22], mm)
    true_axis = points["neck_axis_point"] - np.array(circle[:2])
    assert float(angle_between_deg(np.array(found.neck_axis_point) - circle[:2], true_axis)) < 3.0
    true_width = np.linalg.norm(points["neck_superior"] - points["neck_inferior"]) * mm
    assert found.width_px * mm == pytest.approx(true_width, abs=0.8)
    assert found.superior_edge[:, 1].mean() < found.inferior_edge[:, 1].mean()
    assert found.narrowest[0, 1] < found.narrowest[1, 1]
    for junction, name in zip(found.junctions, ("superior", "inferior"), strict=True):
        true = points[f"head_neck_junction_{name}"]
        if junction is not None and np.linalg.norm(true - circle[:2]) > circle[2]:
            assert np.linalg.norm(np.array(junction) - true) * mm < 2.0


def test_the_neck_of_a_drawn_head_leaves_where_the_bar_leaves_the_circle():
    film = head_film(24.0, socket=0.0)
    circle = (182.4, 171.7, 24.0 / MM_PER_PX)
    neck = np.array([182.4, 171.7]) + np.array([-1.0, 1.0]) / np.sqrt(2) * 30 / MM_PER_PX
    found = snap_neck(film, circle, neck + np.array([8.0, -5.0]), MM_PER_PX)
    # A bar of 0.62 head radii: 29.76 mm wide.
    assert found.width_px * MM_PER_PX == pytest.approx(2 * 0.62 * 24.0, abs=0.5)
    along = np.array(found.neck_axis_point) - circle[:2]
    assert float(angle_between_deg(along, [-1, 1])) < 1.0
    for junction in found.junctions:
        assert junction is not None
        off = np.array(junction) - circle[:2]
        # By hand: the bar is 1 mm outside the circle at asin(0.62 * 24 / 25) = 36.5 deg from the neck's axis.
        assert float(angle_between_deg(off, [-1, 1])) == pytest.approx(36.5, abs=2.5)


def test_mirroring_the_film_mirrors_the_shaft():
    film, middle, axis = shaft_film()
    clicks = middle + np.outer([-150, 150], axis)
    last = film.shape[1] - 1
    a = snap_shaft(film, clicks, MM_PER_PX)
    b = snap_shaft(film[:, ::-1], np.column_stack([last - clicks[:, 0], clicks[:, 1]]), MM_PER_PX)
    assert b.axis_distal[0] == pytest.approx(last - a.axis_distal[0], abs=0.1)
    assert b.width_px == pytest.approx(a.width_px, abs=0.1)


def test_without_bone_the_shaft_is_doubtful_or_its_axis_is_poorly_known():
    noise = np.random.default_rng(1).normal(0, 1, (420, 300))
    found = snap_shaft(noise, [(150, 40), (150, 380)], MM_PER_PX)
    film, middle, axis = shaft_film()
    clear = snap_shaft(film, middle + np.outer([-150, 150], axis), MM_PER_PX)
    assert found.ambiguous or found.axis_covariance[1, 1] > 25 * clear.axis_covariance[1, 1]


def test_points_too_close_too_few_or_on_the_head_are_refused():
    film, middle, _ = shaft_film()
    with pytest.raises(FrameError, match="too short"):
        snap_shaft(film, [middle, middle + np.array([0, 20])], MM_PER_PX)
    with pytest.raises(TooFewError, match="click"):
        snap_shaft(film, [middle], MM_PER_PX)
    with pytest.raises(FrameError, match="too near the head"):
        snap_neck(head_film(), (182.4, 171.7, 114.0), (185, 175), MM_PER_PX)

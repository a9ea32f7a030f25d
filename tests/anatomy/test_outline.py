"""The femur's outer outline: never crosses itself, keeps what was traced, and is as wrong as its sd says.

Held against the phantom's own projected surfaces (an open shape model, see phantom/data), which the reading never sees.
"""

import dataclasses
from datetime import date
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from headstock.anatomy import Reading, film_hip
from headstock.anatomy.filmhip import FilmView
from headstock.anatomy.outline import (
    ASSUMED_NECK_SD_MM,
    BRIDGED_SD_MM,
    INTERPOLATED_SD_MM,
    TRACED_SD_MM,
    without_loops,
)
from headstock.phantom import demo_patients, perfect_reading_json
from headstock.phantom.case import random_case
from headstock.phantom.outline2d import interval_on_line
from headstock.phantom.patient import make_hip_patient
from headstock.phantom.truth import truth_of_film
from headstock.phantom.views import beam_of

from .hips import PlainScale, drawn_pelvis

FEW = {"head_centre", "neck_axis_point", "shaft_proximal", "shaft_distal", "greater_trochanter", "lesser_trochanter"}
KINDS = ("traced", "landmarks", "bare")


def crosses(line):
    """Whether an open polyline crosses or touches itself; every pair of edges, by signs of areas."""
    a, b = line[:-1], line[1:]
    i, j = np.triu_indices(len(a), 2)

    def turn(p, q, r):
        return (q[:, 0] - p[:, 0]) * (r[:, 1] - p[:, 1]) - (q[:, 1] - p[:, 1]) * (r[:, 0] - p[:, 0])

    one = turn(a[i], b[i], a[j]) * turn(a[i], b[i], b[j])
    two = turn(a[j], b[j], a[i]) * turn(a[j], b[j], b[i])
    return bool(np.any((one < -1e-12) & (two < -1e-12)))


@cache
def phantoms():
    """Six demo patients and 50 random ones: name → (AP and lateral reading, scale, projected surface)."""
    cases = [*demo_patients(date(2026, 11, 25)), *(random_case(number, 4) for number in range(1, 51))]
    found = {}
    for case in cases:
        study = case.studies[-1]
        patient = make_hip_patient(study.spec)
        films = {}
        for kept in study.films:
            truth = truth_of_film(patient, kept.film)
            plain = perfect_reading_json(truth, kept.film.view)
            plain["circles"].pop("marker_ball", None)
            lateral = kept.film.view == "lateral_hip"
            scale = kept.film.pixel_mm / truth["lateral_film" if lateral else "film"]["magnification_at_head"]
            surface = beam_of(patient, kept.film).project(patient.hip.to_lps(patient.hip.femur.outer.vertices))
            films["lateral" if lateral else "ap"] = (
                Reading.from_json(plain), PlainScale(scale), surface, patient.hip.femur.outer.faces,
            )  # fmt: skip
        found[case.number] = films
    return found


def of_kind(reading, kind):
    lesions = {k: v for k, v in reading.outlines.items() if "lesion" in k}
    if kind == "traced":
        return reading
    points = reading.points
    if kind == "bare":
        points = {k: v for k, v in points.items() if k.split(".")[-1] in FEW}
    return dataclasses.replace(reading, outlines=lesions, points=points)


@cache
def views(kind):
    """Both views of every phantom, each with the surface they show: [(name, view, px, faces)]."""
    found = []
    for name, films in phantoms().items():
        (ap, ap_scale, *ap_surface), (side, side_scale, *side_surface) = films["ap"], films["lateral"]
        hip = film_hip(of_kind(ap, kind), ap_scale, of_kind(side, kind), side_scale, n_draws=40)
        assert hip.lateral is not None, hip.notes
        found += [(name, hip.ap, *ap_surface), (name, hip.lateral, *side_surface)]
    return found


@pytest.mark.parametrize("kind", KINDS)
def test_the_outlines_of_the_demo_patients_and_of_fifty_phantoms_never_cross_themselves(kind):
    crossing = [(name, view.view) for name, view, *_ in views(kind) if crosses(view.outer_mm)]
    assert len(views(kind)) == 112
    assert crossing == []


def wall_errors(view: FilmView, px, faces, up_mm):
    """Outline minus surface, mm outward, lateral side, where lines square to the shaft at `up_mm` (k,) above the
    upper shaft point meet both; the surface's edge by the phantom's own projected triangles."""
    assert view.shaft_point_mm is not None
    assert view.shaft_axis is not None
    assert view.axes is not None
    surface = view.axes.to_mm(px)
    up = view.shaft_axis[0]
    out = np.array([-up[1], up[0]])
    errors, sds = [], []
    for above in up_mm:
        at = view.shaft_point_mm[0] + above * up
        span = interval_on_line(surface, faces, at, out)
        height, along = (view.outer_mm - at) @ up, (view.outer_mm - at) @ out
        met = np.flatnonzero((height[:-1] > 0) != (height[1:] > 0))
        share = height[met] / (height[met] - height[met + 1])
        edges = along[met] + share * (along[met + 1] - along[met])
        if span is None or not len(edges):
            continue
        k = int(edges.argmax())
        errors.append(edges[k] - span[1])
        sds.append(view.outline_sd_along_mm[met[k]])
    return np.array(errors), np.array(sds)


@pytest.mark.parametrize("kind", KINDS)
def test_the_lateral_wall_of_the_greater_trochanter_is_where_the_phantoms_have_it(kind):
    """It was drawn 8 to 10 mm too far medially once: a straight line from the tip down to the traced shaft."""
    errors, sds = [], []
    for name, view, px, faces in views(kind):
        if view.view != "ap":
            continue
        side = phantoms()[name]["ap"][0].side
        tip = view.axes.to_mm(phantoms()[name]["ap"][0].points[f"{side.value}.greater_trochanter"])
        height = float((tip - view.shaft_point_mm[0]) @ view.shaft_axis[0])
        found = wall_errors(view, px, faces, np.linspace(0.3, 0.9, 9) * height)
        errors.append(found[0])
        sds.append(found[1])
    error, sd = np.concatenate(errors), np.concatenate(sds)
    assert len(error) > 450
    assert abs(error.mean()) < 1.0
    assert np.sqrt((error**2).mean()) < BRIDGED_SD_MM
    # The interval that the sd promises holds: 95 % and more of the places lie within 1.96 sd.
    assert np.mean(np.abs(error) < 1.96 * sd) > 0.95


@pytest.mark.parametrize(
    ("kind", "sd"), [("traced", TRACED_SD_MM), ("landmarks", INTERPOLATED_SD_MM), ("bare", ASSUMED_NECK_SD_MM)]
)
def test_the_neck_is_as_wrong_as_its_sd_says(kind, sd):
    errors = []
    for _, view, px, faces in views(kind):
        assert view.outline_sd_mm == sd
        surface = view.axes.to_mm(px)
        for depth in np.linspace(0.85, 1.1, 5) * view.head_radius_mm[0]:  # deeper, chords run along the trochanter
            at = view.head_centre_mm[0] - depth * view.neck_axis[0]
            span = interval_on_line(surface, faces, at, view.across[0])
            height = (view.outer_mm - at) @ view.neck_axis[0]
            along = (view.outer_mm - at) @ view.across[0]
            met = np.flatnonzero((height[:-1] > 0) != (height[1:] > 0))
            share = height[met] / (height[met] - height[met + 1])
            edges = along[met] + share * (along[met + 1] - along[met])
            if span is None or not (edges < 0).any() or not (edges > 0).any():
                continue
            errors += [edges[edges > 0].min() - span[1], span[0] - edges[edges < 0].max()]
    error = np.array(errors)
    assert len(error) > 1000
    within = np.mean(np.abs(error) < 1.96 * sd)
    assert within > 0.95
    # Nor is the sd a blanket, where something is assumed: phantoms, which differ less than people, fill a third of it.
    assert kind == "traced" or np.std(error) > 0.3 * sd


def test_a_traced_neck_keeps_its_sd_and_the_bridge_over_the_trochanter_has_a_larger_one():
    for _, view, *_ in views("traced"):
        assert view.outline_sd_mm == TRACED_SD_MM
        assert view.outline_sd_along_mm.min() == TRACED_SD_MM
        if view.view == "ap":
            st_frame = view.to_neck(view.outer_mm, nominal=True)
            bridge = view.outline_sd_along_mm == BRIDGED_SD_MM
            assert bridge.any()
            # Only below the neck: nothing of the head or of its junction is loosened.
            assert st_frame[bridge, 0].min() > 1.8 * view.head_radius_mm[0]


def test_a_trace_that_runs_past_the_tip_of_the_trochanter_is_used_as_it_is():
    name = "DEMO-0002"
    (view,) = (v for n, v, *_ in views("traced") if n == name and v.view == "ap")
    reading = phantoms()[name]["ap"][0]
    side = reading.side.value
    trace = view.axes.to_mm(reading.outlines[f"{side}.neck_superior"])
    outside = np.linalg.norm(trace - view.head_centre_mm[0], axis=1) > view.head_radius_mm[0] + 0.05
    for point in trace[outside]:
        assert np.linalg.norm(view.outer_mm - point, axis=1).min() < 1e-9
    # And no edge of the outline folds back on the one before by more than a right angle.
    way = np.diff(view.outer_mm, axis=0)
    way /= np.linalg.norm(way, axis=1, keepdims=True)
    assert np.sum(way[1:] * way[:-1], axis=1).min() > -0.2


def test_the_outline_of_a_reading_does_not_know_left_from_right():
    right = film_hip(drawn_pelvis(), PlainScale(0.2), n_draws=40).ap
    left = film_hip(drawn_pelvis(side=type(drawn_pelvis().side).LEFT), PlainScale(0.2), n_draws=40).ap
    assert np.allclose(right.outer_mm, left.outer_mm, atol=1e-6)
    assert np.array_equal(right.outline_sd_along_mm, left.outline_sd_along_mm)


def test_a_loop_is_cut_off_where_the_line_crosses_itself():
    line = np.array([(0.0, 0.0), (4.0, 0.0), (4.0, 2.0), (2.0, 2.0), (2.0, -2.0), (6.0, -2.0)])
    simple, kept = without_loops(line)
    assert simple.tolist() == [[0.0, 0.0], [2.0, 0.0], [2.0, -2.0], [6.0, -2.0]]
    assert len(kept) == len(simple)
    plain, same = without_loops(line[:3])
    assert np.array_equal(plain, line[:3])
    assert same.tolist() == [0, 1, 2]


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.floats(-50, 50), st.floats(-50, 50)), min_size=3, max_size=14, unique=True))
def test_whatever_is_drawn_the_line_without_loops_keeps_its_ends_and_crosses_itself_nowhere(points):
    line = np.round(np.array(points), 2)
    line = line[np.concatenate([[True], np.linalg.norm(np.diff(line, axis=0), axis=1) > 0.02])]
    simple, kept = without_loops(line)
    assert not crosses(simple)
    assert np.array_equal(simple[-1], line[-1])
    assert len(simple) == len(kept)


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 2**31), spread=st.floats(0.0, 150.0))
def test_clicks_far_off_give_an_outline_that_is_still_simple(seed, spread):
    rng = np.random.default_rng(seed)
    reading = drawn_pelvis()
    points = {k: (c + rng.normal(0, spread), r + rng.normal(0, spread)) for k, (c, r) in reading.points.items()}
    view = film_hip(dataclasses.replace(reading, points=points), PlainScale(0.2), n_draws=40).ap
    assert not crosses(view.outer_mm)
    assert view.outline_sd_along_mm.shape == view.outer_mm.shape[:1]

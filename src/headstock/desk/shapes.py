"""Pictures of a placement: bone, dead bone, cut, component and cup, in the neck's frame and on the films.

In: a prepared hip, a placement and its parts. Out: `Drawing`s. Drawn from the
reading itself (row 0), with the same functions that the numbers come from.
"""

from collections.abc import Callable, Iterable
from itertools import groupby

import numpy as np
from numpy.typing import NDArray

from headstock.anatomy.filmhip import FilmView
from headstock.desk.pages import Drawing, Shape
from headstock.geometry.polygon import clip_halfplane
from headstock.implants import Catalogue, Component, Placement
from headstock.planning.prepared import PreparedHip, PreparedView
from headstock.planning.quantities import Places, frames_of, outline_on, to_film
from headstock.planning.socket import cup_outline

__all__ = ["film_drawing", "lateral_drawing", "neck_drawing", "part_sizes"]

Floats = NDArray[np.float64]
Onto = Callable[[Floats], list[tuple[float, float]]]


def neck_drawing(hip: PreparedHip, placement: Placement, catalogue: Catalogue) -> Drawing:
    """The placement in the neck's own frame, neck axis upright: x across, medial positive; y depth below the pole."""
    hip = hip.nominal()
    component = catalogue.component(placement)
    places = Places.of(placement, hip.lateral is not None)
    view = hip.ap.source

    def to_neck(points: Floats) -> list[tuple[float, float]]:
        return _pairs(view.to_neck(points, nominal=True)[:, ::-1])

    shapes = _bone_shapes(hip, placement, places, to_neck)
    shapes += _part_shapes(hip, hip.ap, placement, component, catalogue, places, to_neck)
    return Drawing(frame="neck", shapes=shapes)


def film_drawing(hip: PreparedHip, placement: Placement, catalogue: Catalogue) -> Drawing | None:
    """The placement on the AP film, in pixels."""
    hip = hip.nominal()
    axes = hip.ap.source.axes
    if axes is None:
        return None
    component = catalogue.component(placement)
    places = Places.of(placement, hip.lateral is not None)

    def to_px(points: Floats) -> list[tuple[float, float]]:
        return _pairs(axes.to_px(points))

    shapes = [_shape("dead", to_px(lesion), closed=True) for lesion in hip.ap.source.lesions_mm]
    shapes += _part_shapes(hip, hip.ap, placement, component, catalogue, places, to_px)
    shapes += _axes_shapes(hip.ap.source, to_px)
    return Drawing(frame="film_px", shapes=shapes)


def lateral_drawing(hip: PreparedHip, placement: Placement, catalogue: Catalogue) -> Drawing | None:
    """The placement on the lateral film, in pixels; None without that film or a lateral pose."""
    hip = hip.nominal()
    if hip.lateral is None or hip.lateral.source.axes is None or placement.pose.y_mm is None:
        return None
    axes = hip.lateral.source.axes
    component = catalogue.component(placement)
    places = Places.of(placement, True)

    def to_px(points: Floats) -> list[tuple[float, float]]:
        return _pairs(axes.to_px(points))

    shapes = [_shape("dead", to_px(lesion), closed=True) for lesion in hip.lateral.source.lesions_mm]
    shapes += _part_shapes(hip, hip.lateral, placement, component, catalogue, places, to_px)
    shapes += _axes_shapes(hip.lateral.source, to_px)
    return Drawing(frame="lateral_px", shapes=shapes)


def part_sizes(component: Component) -> tuple[float, float]:
    """Width and height of a component's outline on the AP film, mm."""
    low, high = component.ap.body_mm.min(axis=0), component.ap.body_mm.max(axis=0)
    return float(high[0] - low[0]), float(high[1] - low[1])


def _bone_shapes(hip: PreparedHip, placement: Placement, places: Places, to: Onto) -> list[Shape]:
    view = hip.ap.source
    outer = view.outer_mm
    cut = places.origin[0]
    turn = np.radians(placement.pose.ap_angle_deg)
    normal = np.array([np.cos(turn), np.sin(turn)])
    kept = clip_halfplane(outer, cut, -normal)
    removed = clip_halfplane(outer, cut, normal)
    shapes = []
    if len(kept) > 2:
        shapes.append(_shape("bone", to(kept), closed=True))
    shapes += [_shape("dead", to(lesion), closed=True) for lesion in view.lesions_mm]
    if len(removed) > 2:
        shapes.append(_shape("removed", to(removed), closed=True))
    return shapes


def _part_shapes(
    hip: PreparedHip,
    on: PreparedView,
    placement: Placement,
    component: Component,
    catalogue: Catalogue,
    places: Places,
    to: Onto,
) -> list[Shape]:
    shapes: list[Shape] = []
    for view, origin, axis, across in frames_of(hip, places):
        if view.view != on.view:
            continue
        outline = outline_on(component, view)

        def place(local: Floats) -> Floats:
            return np.asarray(to_film(local, origin, axis, across, view.ratio)[0])  # noqa: B023 - used within this turn

        shapes.append(_shape("component", to(place(outline.body_mm)), closed=True))
        # The first axis of a drawing is the component's own: a hand turns the part about its crossing with the cut.
        low, high = outline.body_mm[:, 1].min(), outline.body_mm[:, 1].max()
        shapes.append(_shape("axis", to(place(np.array([[0.0, high + 6.0], [0.0, low - 6.0]])))))
        for line in outline.seat_mm:
            shapes += _seat_shapes(view, place(line), to)
        half = 1.15 * view.radius[0]
        shapes.append(_shape("cut", to(place(np.array([[-half, 0.0], [half, 0.0]])))))
    if on.view == "ap" and placement.cup is not None:
        cup = catalogue.cup(placement.cup.family, placement.cup.size)
        shapes.append(
            _shape(
                "cup",
                to(cup_outline(cup, placement.cup, placement.head_diameter_mm, hip.medial[0], hip.up[0])),
                closed=True,
            )
        )
    return shapes


def _seat_shapes(view: PreparedView, line: Floats, to: Onto) -> list[Shape]:
    """The seat in stretches: heavy where its middle stands on sound bone, broken where it does not."""
    middle = 0.5 * (line[1:] + line[:-1])[None]
    sound = view.bone.at(middle)[0] > 0
    if view.dead is not None:
        sound &= view.dead.at(middle)[0] < 0
    shapes, start = [], 0
    for is_sound, run in groupby(sound.tolist()):
        count = len(list(run))
        shapes.append(_shape("seat_sound" if is_sound else "seat_unsound", to(line[start : start + count + 1])))
        start += count
    return shapes


def _axes_shapes(view: FilmView, to: Onto) -> list[Shape]:
    centre, axis, radius = view.head_centre_mm[0], view.neck_axis[0], view.head_radius_mm[0]
    shapes = [_shape("axis", to(np.array([centre + 1.5 * radius * axis, centre - 2.6 * radius * axis])))]
    if view.shaft_point_mm is not None and view.shaft_axis is not None:
        point, along = view.shaft_point_mm[0], view.shaft_axis[0]
        shapes.append(_shape("axis", to(np.array([point + 60.0 * along, point - 50.0 * along]))))
    return shapes


def _shape(role: str, points: list[tuple[float, float]], *, closed: bool = False, label: str | None = None) -> Shape:
    return Shape(role=role, points=points, closed=closed, label=label)


def _pairs(points: Iterable[Iterable[float]]) -> list[tuple[float, float]]:
    return [(round(float(x), 2), round(float(y), 2)) for x, y in points]

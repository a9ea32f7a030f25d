"""Pictures of a placement as pages draw them, from planning's picture: in the neck's frame and on both films.

Nothing is computed here but where millimetres lie on the film.
"""

from collections.abc import Callable, Iterable
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from headstock.anatomy.filmhip import FilmView
from headstock.desk.pages import Drawing, Shape
from headstock.planning.drawing import Drawing as Picture
from headstock.planning.drawing import ViewDrawing
from headstock.planning.prepared import PreparedHip

__all__ = ["bone_drawing", "film_drawing", "lateral_drawing", "neck_drawing"]

Floats = NDArray[np.float64]
Points = list[tuple[float, float]]
_UNCERTAIN_SD = 1.0  # half the width of the dotted rim: one sd of the lesion's outline


def neck_drawing(picture: Picture) -> Drawing:
    """The AP picture in the neck's own frame, neck axis upright: x across, medial positive; y depth below the pole."""
    view = picture.ap
    shapes = _bone_and_dead(view)
    shapes += [_shape("removed", piece, closed=True) for piece in view.removed]
    shapes += _metal(view)
    shapes += [_shape("seat_sound" if run.sound else "seat_unsound", run.points) for run in view.seat]
    shapes += [_shape("cup", view.cup, closed=True), _shape("axis", view.axis), _shape("cut", view.cut)]
    return Drawing(frame="neck", shapes=[shape for shape in shapes if len(shape.points) > 1])


def bone_drawing(view: ViewDrawing) -> Drawing:
    """The bone alone, before any placement, in the neck's own frame."""
    return Drawing(frame="neck", shapes=[shape for shape in _bone_and_dead(view) if len(shape.points) > 1])


def _bone_and_dead(view: ViewDrawing) -> list[Shape]:
    shapes = [_shape("bone", view.bone, closed=True), _shape("cortex", view.bone)]
    for lesion in view.lesions:
        shapes.append(_shape("dead", lesion, closed=True))
        if not view.uncertain:
            shapes += _rims(lesion, view.lesion_rim_sd_mm)
    return shapes + [_shape("uncertain", outer, closed=True) for outer in view.uncertain]


def film_drawing(picture: Picture, hip: PreparedHip) -> Drawing | None:
    """The placement on the AP film, in pixels."""
    return _on_film(picture.ap, hip.ap.source, "film_px")


def lateral_drawing(picture: Picture, hip: PreparedHip) -> Drawing | None:
    """The placement on the lateral film, in pixels; None without that film or a lateral place."""
    if picture.lateral is None or hip.lateral is None:
        return None
    return _on_film(picture.lateral, hip.lateral.source, "lateral_px")


def _on_film(view: ViewDrawing, source: FilmView, frame: Literal["film_px", "lateral_px"]) -> Drawing | None:
    axes = source.axes
    if axes is None:
        return None
    to_px: Callable[[Floats], Floats] = axes.to_px
    film = {name: to_px(points) for name, points in view.film_mm.items() if len(points)}
    shapes = [_shape("dead", to_px(lesion), closed=True) for lesion in source.lesions_mm]
    # The first axis of a drawing is the component's own: a hand turns the part about its crossing with the cut.
    shapes += [_shape("axis", film["axis"])]
    shapes += [_shape("component", film[name], closed=True) for name in ("neck", "head", "component") if name in film]
    if "cup" in film:
        shapes.append(_shape("cup", film["cup"], closed=True))
    for run in view.seat:
        # Seat stretches come in the neck's frame; back to the film's by the view's own inverse.
        points = to_px(source.from_neck(run.points[:, ::-1]))
        shapes.append(_shape("seat_sound" if run.sound else "seat_unsound", points))
    shapes.append(_shape("cut", film["cut"]))
    shapes += _bone_axes(source, to_px)
    return Drawing(frame=frame, shapes=[shape for shape in shapes if len(shape.points) > 1])


def _metal(view: ViewDrawing) -> list[Shape]:
    return [_shape("component", part, closed=True) for part in (view.neck, view.head, view.component) if len(part)]


def _rims(lesion: Floats, sd_mm: float) -> list[Shape]:
    """Outer estimate of the dead bone, drawn as dots: the outline moved outward by its sd, about its middle."""
    middle = lesion.mean(axis=0)
    shift = lesion - middle
    reach = np.linalg.norm(shift, axis=1, keepdims=True)
    outer = middle + shift * (1 + _UNCERTAIN_SD * sd_mm / np.maximum(reach, 1e-6))
    return [_shape("uncertain", outer, closed=True)]


def _bone_axes(view: FilmView, to_px: Callable[[Floats], Floats]) -> list[Shape]:
    centre, axis, radius = view.head_centre_mm[0], view.neck_axis[0], view.head_radius_mm[0]
    shapes = [_shape("axis", to_px(np.array([centre + 1.5 * radius * axis, centre - 2.6 * radius * axis])))]
    if view.shaft_point_mm is not None and view.shaft_axis is not None:
        point, along = view.shaft_point_mm[0], view.shaft_axis[0]
        shapes.append(_shape("axis", to_px(np.array([point + 60.0 * along, point - 50.0 * along]))))
    return shapes


def _shape(role: str, points: Iterable[Iterable[float]], *, closed: bool = False) -> Shape:
    pairs: Points = [(round(float(x), 2), round(float(y), 2)) for x, y in points]
    return Shape(role=role, points=pairs, closed=closed)

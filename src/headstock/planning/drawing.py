"""What a placement looks like, as polylines: the web and the sheet draw the same picture.

In: a prepared hip and a placement. Out: `Drawing`, one `ViewDrawing` a film, in the
neck frame: points (t, s), t across the neck (AP: medial positive; lateral: anterior
positive), s depth below the pole of the head, downward. `film_mm` holds the
component and the cup in the film's own frame, for drawing on the film.
"""

from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from headstock.geometry.polygon import clip_halfplane, crossings
from headstock.implants import Catalogue, Component, Placement
from headstock.planning.field import extended_outline
from headstock.planning.prepared import PreparedHip, PreparedView
from headstock.planning.quantities import Places, axes_of, lateral_origin, outline_on, to_film
from headstock.planning.socket import cup_outline

__all__ = ["Drawing", "SeatRun", "ViewDrawing", "drawing", "parts_above", "pose_on_lateral"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class SeatRun:
    """A stretch of seat, (k, 2), that stands on sound bone or does not."""

    points: Floats
    sound: bool


@dataclass(frozen=True, slots=True, eq=False)
class ViewDrawing:
    """One film's picture in the neck frame. Empty tuples where there is nothing to draw.

    `bone` open polyline; `lesions`, `removed`, `component`, `head`, `neck`, `cup`
    closed; `cut` its two ends; `axis` the component's axis; `lesion_rim_sd_mm` for the dots
    between inner and outer estimate; `uncertain` the outer estimate itself, closed, where it was read (scans).
    `film_mm`: name → closed polylines in the film frame.
    """

    view: Literal["ap", "lateral"]
    bone: Floats
    lesions: tuple[Floats, ...]
    lesion_rim_sd_mm: float
    removed: tuple[Floats, ...]
    component: Floats
    head: Floats
    neck: Floats
    cup: Floats
    seat: tuple[SeatRun, ...]
    cut: Floats
    axis: Floats
    head_circle_radius_mm: float
    sides: tuple[str, str]
    film_mm: dict[str, Floats]
    uncertain: tuple[Floats, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """Plain lists, hundredths of mm."""
        return {
            "view": self.view,
            "sides": list(self.sides),
            "bone": _plain(self.bone),
            "lesions": [_plain(p) for p in self.lesions],
            "lesion_rim_sd_mm": self.lesion_rim_sd_mm,
            "uncertain": [_plain(p) for p in self.uncertain],
            "removed": [_plain(p) for p in self.removed],
            "component": _plain(self.component),
            "head": _plain(self.head),
            "neck": _plain(self.neck),
            "cup": _plain(self.cup),
            "seat": [{"points": _plain(run.points), "sound": run.sound} for run in self.seat],
            "cut": _plain(self.cut),
            "axis": _plain(self.axis),
            "head_circle_radius_mm": round(self.head_circle_radius_mm, 2),
            "film_mm": {name: _plain(points) for name, points in self.film_mm.items()},
        }


@dataclass(frozen=True, slots=True, eq=False)
class Drawing:
    """Both films' pictures; `lateral` None without that film or a place on it."""

    ap: ViewDrawing
    lateral: ViewDrawing | None
    cut_depth_mm: float
    sound_bone_start_mm: float | None

    def to_json(self) -> dict[str, Any]:
        """Plain fields."""
        return {
            "ap": self.ap.to_json(),
            "lateral": None if self.lateral is None else self.lateral.to_json(),
            "cut_depth_mm": round(self.cut_depth_mm, 2),
            "sound_bone_start_mm": None if self.sound_bone_start_mm is None else round(self.sound_bone_start_mm, 2),
        }


def drawing(hip: PreparedHip, placement: Placement, catalogue: Catalogue) -> Drawing:
    """The picture of a placement on the reading itself (no draws)."""
    nominal = hip.nominal()
    component = catalogue.component(placement)
    places = Places.of(placement, nominal.lateral is not None)
    cup = np.empty((0, 2))
    if placement.cup is not None:
        chosen = catalogue.cup(placement.cup.family, placement.cup.size)
        cup = cup_outline(chosen, placement.cup, placement.head_diameter_mm, nominal.medial[0], nominal.up[0])
    ap = _view(nominal.ap, component, placement, places.origin[0], float(places.angle[0]), cup)
    lateral = None
    if nominal.lateral is not None and places.y is not None and places.lateral_angle is not None:
        origin = lateral_origin(nominal, places)[0]
        lateral = _view(nominal.lateral, component, placement, origin, float(places.lateral_angle[0]), np.empty((0, 2)))
    depth = float(nominal.ap.depth_of(places.origin)[0])
    start = nominal.sound_bone_start
    return Drawing(ap, lateral, depth, None if start is None else float(start[0]))


def pose_on_lateral(hip: PreparedHip, placement: Placement) -> Floats | None:
    """(2,) the component's origin on the lateral film (u, y), nominal mm; None without that film or place."""
    nominal = hip.nominal()
    places = Places.of(placement, nominal.lateral is not None)
    if nominal.lateral is None or places.y is None:
        return None
    return np.asarray(lateral_origin(nominal, places)[0])


def _view(
    view: PreparedView, component: Component, placement: Placement, origin: Floats, angle_deg: float, cup: Floats
) -> ViewDrawing:
    axis, across = axes_of(view.view, np.array([angle_deg]))
    one = np.ones(1)

    def film(local: ArrayLike) -> Floats:
        return np.asarray(to_film(np.asarray(local, dtype=np.float64), origin[None], axis, across, one)[0])

    def neck(points: Floats) -> Floats:
        if not len(points):
            return np.empty((0, 2))
        return np.asarray(view.source.to_neck(points, nominal=True)[:, ::-1])

    outline = outline_on(component, view)
    bone = extended_outline(view.source.outer_mm)
    head_local, neck_local = parts_above(component, placement)
    body, head, trunk = film(outline.body_mm), film(head_local), film(neck_local)
    met = crossings(bone, origin, across[0])
    met = met[np.isfinite(met)]
    reach = 0.5 * placement.head_diameter_mm
    left = met[met < 0].max() if (met < 0).any() else -reach
    right = met[met > 0].min() if (met > 0).any() else reach
    cut = origin + np.array([[left], [right]]) * across[0]
    lowest = float(outline.body_mm[:, 1].min())
    line = film([[0.0, lowest - 5.0], [0.0, component.head_centre_mm(placement.neck_length_mm)[1] + reach]])
    return ViewDrawing(
        view=view.view,
        bone=neck(view.source.outer_mm),
        lesions=tuple(neck(p) for p in view.source.lesions_mm),
        lesion_rim_sd_mm=view.source.lesion_rim_sd_mm,
        removed=tuple(neck(p) for p in _removed(bone, component, view, film, origin, axis[0], across[0])),
        component=neck(body),
        head=neck(head),
        neck=neck(trunk),
        cup=neck(cup),
        seat=tuple(_seat_runs(view, component, film, neck)),
        cut=neck(cut),
        axis=neck(line),
        head_circle_radius_mm=float(view.radius[0]),
        sides=("lateral", "medial") if view.view == "ap" else ("posterior", "anterior"),
        film_mm={"component": body, "head": head, "neck": trunk, "cup": cup, "cut": cut, "axis": line},
    )


def parts_above(component: Component, placement: Placement) -> tuple[Floats, Floats]:
    """Head and neck above the cut, closed, component frame; a cap's dome belongs to its body."""
    if component.kind == "cap":
        return np.empty((0, 2)), np.empty((0, 2))
    centre = component.head_centre_mm(placement.neck_length_mm)
    turn = np.linspace(0.0, 2.0 * np.pi, 96, endpoint=False)
    circle = centre + 0.5 * placement.head_diameter_mm * np.column_stack([np.cos(turn), np.sin(turn)])
    head = clip_halfplane(circle, np.zeros(2), np.array([0.0, 1.0]))
    if component.neck_diameter_mm is None or centre[1] <= 0.5 * placement.head_diameter_mm:
        return head, np.empty((0, 2))
    half = 0.5 * component.neck_diameter_mm
    return head, np.array([[-half, 0.0], [half, 0.0], [half, centre[1]], [-half, centre[1]]])


def _removed(
    bone: Floats, component: Component, view: PreparedView, film: Any, origin: Floats, axis: Floats, across: Floats
) -> list[Floats]:
    """Bone that goes away: all above the cut; for a cap also the flanks outside its seat, down to the mouth."""
    pieces = [clip_halfplane(bone, origin, axis)]
    if component.kind == "cap":
        corners = outline_on(component, view).reamed_mm
        points = np.vstack(outline_on(component, view).seat_mm)
        for corner in corners:
            side = np.sign(corner[0])
            top = points[np.argmax(np.where(points[:, 1] > -1e-6, side * points[:, 0], -np.inf))]
            low, high = film(corner[None])[0], film(top[None])[0]
            flank = clip_halfplane(clip_halfplane(bone, origin, -axis), low, axis)
            way = high - low
            outward = np.array([way[1], -way[0]])
            outward = outward if outward @ (side * across) > 0 else -outward
            if len(flank) >= 3:
                pieces.append(clip_halfplane(flank, low, outward))
    return [piece for piece in pieces if len(piece) >= 3]


def _seat_runs(view: PreparedView, component: Component, film: Any, neck: Any) -> list[SeatRun]:
    runs: list[SeatRun] = []
    for seat in outline_on(component, view).seat_mm:
        points = film(seat)
        middle = 0.5 * (points[1:] + points[:-1])
        inside = view.bone.at(middle)
        if view.dead is not None:
            inside = np.minimum(inside, -view.dead.at(middle))
        sound = inside > 0.0
        edges = [0, *(np.flatnonzero(np.diff(sound)) + 1).tolist(), len(sound)]
        runs.extend(SeatRun(neck(points[a : b + 1]), bool(sound[a])) for a, b in pairwise(edges))
    return runs


def _plain(points: Floats) -> list[list[float]]:
    return np.round(points, 2).tolist()  # type: ignore[no-any-return]

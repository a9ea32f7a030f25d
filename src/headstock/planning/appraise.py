"""Every number that one placement leads to, each with its interval, its limit and how it lies to it.

In: a hip (or a prepared one), a placement, the catalogue, the limits, the
surgeon's targets. Out: `Appraisal`. Nothing is summed into a score. A number that
cannot be known says why; one that has no meaning at this level says so too.
Formulas: docs/planning.md.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from headstock.anatomy.filmhip import FilmHip
from headstock.implants import Catalogue, Component, Cup, CutLevel, Family, Placement
from headstock.planning.appraisal import (
    NO_CUP,
    Appraisal,
    AppraisalLine,
    LineBuilder,
    Targets,
    Values,
    cup_reference,
    neighbours_of,
)
from headstock.planning.lesion import lesion_left, lesion_share_of_head_percent
from headstock.planning.limits import Limits
from headstock.planning.lines import LINES
from headstock.planning.motion import motion_values
from headstock.planning.prepared import PreparedHip, PreparedView, prepare
from headstock.planning.quantities import (
    Places,
    alignment,
    bone,
    leg,
    level_end,
    neck_diameter,
    notch,
    seat,
    seat_bottom_depth,
    wall,
    wall_points,
)
from headstock.planning.reserve import reserve, reserve_values
from headstock.planning.socket import socket

__all__ = ["Appraisal", "AppraisalLine", "Targets", "appraise", "point_values"]

Floats = NDArray[np.float64]
_NO_LATERAL: Final = "There is no lateral film of this hip with a lateral place. Read one, and place the part on it."
_NO_PELVIS: Final = (
    "Not read on this film. Place the teardrops and lesser trochanters of both sides on an AP pelvis film."
)
_NO_SHAFT: Final = "The shaft axis was not read. Place both shaft points on the AP film."
_NO_LESION: Final = "No dead bone is outlined on the AP film. Outline it, or take it that there is none."


def appraise(
    hip: FilmHip | PreparedHip,
    placement: Placement,
    catalogue: Catalogue,
    limits: Limits,
    targets: Targets | None = None,
    *,
    seed: int = 1,
) -> Appraisal:
    """Appraise one placement with 95 % intervals.

    `hip` best comes prepared (`prepare`), which is done once a reading. `seed`
    draws the femoral version that films do not show.

    Raises
    ------
    CatalogueError
        The placement names parts that do not exist together.
    """
    prepared = prepare(hip) if isinstance(hip, FilmHip) else hip
    family, component, cup = _parts(placement, catalogue)
    places = Places.of(placement, prepared.lateral is not None)
    values = _values(prepared, family, component, cup, placement, places, limits, seed)
    aim = targets or Targets()
    builder = _Lines(LINES, limits, values, prepared.rows, placement, family, component, aim, prepared)
    nominal = prepared.nominal()
    ends = reserve(prepared, nominal, component, family.level, places, limits, placement.neck_length_mm)
    left = levels_left(prepared, component, places)
    lines = (*builder.all(), builder.reserve_line(ends), builder.levels_line(left))
    neighbours = neighbours_of(placement, family, component, catalogue)
    return Appraisal(
        placement, family.level, family.name, family.canal, lines, ends, left, neighbours, cup_reference(placement)
    )


def point_values(
    hip: FilmHip | PreparedHip,
    placement: Placement,
    catalogue: Catalogue,
    limits: Limits,
    targets: Targets | None = None,
) -> dict[str, float]:
    """The values alone, by name, while a part is dragged (a few ms); intervals follow from `appraise`.

    `leg_length_remaining_mm` and `offset_remaining_mm` are what remains, not its distance to the target.
    """
    prepared = prepare(hip) if isinstance(hip, FilmHip) else hip
    nominal = prepared.nominal()
    family, component, cup = _parts(placement, catalogue)
    places = Places.of(placement, nominal.lateral is not None)
    values = _values(nominal, family, component, cup, placement, places, limits, 1)
    found = {name: float(array[0]) for name, array in values.arrays.items()}
    found["reserve_longer_mm"], found["reserve_shorter_mm"] = reserve_values(
        nominal, component, family.level, places, limits
    )
    return found


def levels_left(hip: PreparedHip, component: Component, places: Places) -> tuple[CutLevel, ...] | None:
    """Deeper cut levels that a later revision could still use: those that reach below the seat; None when unknown."""
    bottom = float(seat_bottom_depth(hip.nominal(), component, places)[0])
    order = list(CutLevel)
    found = []
    for level in order[order.index(component.level) + 1 :]:
        ends = level_end(hip, level)
        if ends is None:
            return None
        if bottom < float(ends[1][0]):
            found.append(level)
    return tuple(found)


def _parts(placement: Placement, catalogue: Catalogue) -> tuple[Family, Component, Cup | None]:
    component = catalogue.component(placement)
    cup = None if placement.cup is None else catalogue.cup(placement.cup.family, placement.cup.size)
    return catalogue.family(placement.family), component, cup


def _values(
    hip: PreparedHip,
    family: Family,
    component: Component,
    cup: Cup | None,
    placement: Placement,
    places: Places,
    limits: Limits,
    seed: int,
) -> Values:
    arrays: dict[str, Floats] = {}
    where: dict[str, str] = {}
    arrays |= bone(hip, places)
    arrays |= seat(hip, component, places)
    if component.ap.in_bone_mm.size:
        points = wall_points(hip, component, places) if hip.rows > 1 else None
        arrays["least_wall_mm"], spot = wall(hip, component, places, points)
        if spot is not None:
            where["least_wall_mm"] = _where(hip, placement, component, *spot)
    if component.level is not CutLevel.LOW_NECK:
        arrays["notch_distance_mm"], spot = notch(hip, component, places)
        if spot is not None:
            where["notch_distance_mm"] = _where(hip, placement, component, *spot)
    arrays |= alignment(hip, component, places)
    centre = None if placement.cup is None else np.array([[placement.cup.x_mm, placement.cup.z_mm]])
    arrays |= leg(hip, component, places, placement.neck_length_mm, centre)
    arrays |= lesion_left(hip, component, places)
    for name, value in (
        ("lesion_share_of_head_percent", lesion_share_of_head_percent(hip)),
        ("sound_bone_start_mm", hip.sound_bone_start),
    ):
        if value is not None:
            arrays[name] = value
    if cup is not None and placement.cup is not None:
        arrays |= socket(hip, cup, placement.cup)
    arrays |= _motion(hip, family, component, cup, placement, arrays, limits, seed)
    if hip.ap.base_depth is not None:
        left = hip.ap.base_depth - seat_bottom_depth(hip, component, places)
        arrays["neck_left_for_revision_mm"] = np.maximum(left, 0.0)
    return Values(arrays, where)


def _motion(
    hip: PreparedHip,
    family: Family,
    component: Component,
    cup: Cup | None,
    placement: Placement,
    known: Mapping[str, Floats],
    limits: Limits,
    seed: int,
) -> dict[str, Floats]:
    width = neck_diameter(hip, component, family)
    ratio = placement.head_diameter_mm / width
    found = {"head_neck_ratio": ratio, "neck_diameter_mm": width}
    if cup is None or placement.cup is None or "axis_to_shaft_deg" not in known:
        return found
    version = np.full(hip.rows, limits.setting("assumed_femoral_version_deg"))
    version[1:] += np.random.default_rng(seed).normal(0.0, limits.sd("assumed_femoral_version_deg"), hip.rows - 1)
    neck_shaft = known["neck_shaft_angle_deg"]
    if family.impinges_on == "component":
        neck_shaft = known["axis_to_shaft_deg"]
        version = version + known.get("anterior_to_neck_deg", np.zeros(1))
    angles = placement.cup.inclination_deg, placement.cup.version_deg
    return found | motion_values(ratio, cup.arc_deg, *angles, neck_shaft, version)


def _where(hip: PreparedHip, placement: Placement, component: Component, view: str, point: Floats) -> str:
    """“medial side, AP film, 17 mm below the cut”, and a warning where the outline had already ended."""
    sides = ("lateral", "medial") if view == "ap" else ("posterior", "anterior")
    side = sides[int(point[0] >= 0.0)]
    film = "AP film" if view == "ap" else "lateral film"
    words = f"{side} side, {film}, {max(0.0, float(-point[1])):.0f} mm below the cut"
    on: PreparedView | None = hip.ap if view == "ap" else hip.lateral
    if on is not None:
        depth = float(on.radius[0]) - float(on.head_centre[0] @ on.axis[0]) - _along(hip, placement, view, point, on)
        if depth > on.outline_end_depth:
            words += "; the outline ends above this, it was carried straight on"
    return words


def _along(hip: PreparedHip, placement: Placement, view: str, point: Floats, on: PreparedView) -> float:
    """Component of a local point along the film's neck axis, nominal, measured from the frame's origin."""
    pose = placement.pose
    if view == "ap":
        turn = np.radians(pose.ap_angle_deg)
        axis, across = np.array([np.cos(turn), np.sin(turn)]), np.array([np.sin(turn), -np.cos(turn)])
        film = np.array([pose.x_mm, pose.z_mm]) + point[0] * across + point[1] * axis
        return float(film @ on.axis[0])
    depth = float(hip.ap.radius[0]) - float((np.array([pose.x_mm, pose.z_mm]) - hip.ap.head_centre[0]) @ hip.ap.axis[0])
    return float(on.radius[0]) - depth + float(point[1]) + float(on.head_centre[0] @ on.axis[0])


@dataclass(frozen=True, slots=True, eq=False)
class _Lines(LineBuilder):
    """Lines from films: what a line needs on them, and what to do when it is not there."""

    hip: PreparedHip

    def source(self, name: str) -> str:
        why = self.specs[name].why
        if name == "seat_on_sound_bone_percent" and not self._on_lateral():
            why += "; AP film alone"
        return why

    def reason(self, name: str) -> str:
        if name.startswith("lesion") or name == "sound_bone_start_mm":
            if self.hip.ap.dead is None:
                return _NO_LESION
            return "Needs the dead bone's outline on both films. " + ("" if self._on_lateral() else _NO_LATERAL)
        if name == "anterior_to_neck_deg":
            return _NO_LATERAL
        if name in ("axis_to_shaft_deg", "tail_to_shaft_deg", "neck_left_for_revision_mm", "levels_left_for_revision"):
            return _NO_SHAFT
        if name == "least_wall_mm":
            return "This part has nothing inside the bone to measure a wall from."
        group = self.specs[name].group
        if group == "motion":
            return NO_CUP if self.placement.cup is None else _NO_SHAFT
        if group == "cup":
            if self.placement.cup is None:
                return NO_CUP
            return "The roof of the socket or the teardrop was not read. Place sourcil and teardrop on the AP film."
        return _NO_PELVIS

    def _on_lateral(self) -> bool:
        return self.hip.lateral is not None and self.placement.pose.y_mm is not None

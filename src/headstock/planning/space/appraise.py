"""Every number that one placement on a scan leads to: the same lines as on films, in three dimensions.

In: `SpaceHip`, a placement with its place in space, the catalogue, the limits, the surgeon's
targets. Out: `Appraisal`. Row 0 is the reading, rows 1.. its draws; what depends on fields is computed on a
grid of the surface's and the rim's error and read between (`nodes.py`). What only a film can
tell comes from `space.film`, else it says so. Formulas: docs/planning-space.md.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from headstock.implants import Catalogue, Component, Cup, CupPlacement, CutLevel, Family, Placement
from headstock.implants.solid import Solid
from headstock.implants.solid import solid as solid_of
from headstock.planning.appraisal import (
    NO_CUP,
    Appraisal,
    LineBuilder,
    Targets,
    Values,
    cup_reference,
    neighbours_of,
)
from headstock.planning.limits import Limits
from headstock.planning.lines import SPACE_LINES
from headstock.planning.motion import motion_values
from headstock.planning.quantities import level_ends
from headstock.planning.socket import socket
from headstock.planning.space.bone import Bone, bone_of
from headstock.planning.space.face import (
    Face,
    cut_face,
    density_ratio,
    face_at_depth,
    face_values,
    uncovered_reamed_mm2,
)
from headstock.planning.space.fields import SpaceHip
from headstock.planning.space.nodes import Nodes
from headstock.planning.space.places import Places, Rows, side_words
from headstock.planning.space.quantities import (
    alignment,
    as_rows,
    bone,
    dead_mm,
    in_bone_points,
    leg,
    neck_diameter,
    neck_shaft_deg,
    notch,
    seat,
    seat_bottom_depth,
    sound_share,
    version_deg,
    wall,
)
from headstock.planning.space.reserve import reserve_in_space, reserve_values
from headstock.planning.space.socket import cup_cover_percent
from headstock.planning.space.volumes import (
    lesion_share_of_head,
    lesion_values,
    removed_shares,
    sound_bone_start,
    volumes,
)

__all__ = ["appraise_space", "space_point_values"]

Floats = NDArray[np.float64]
LOCAL_SD_VOXELS: Final = 0.25  # definition: how well one place of the surface is known beside its common error
INNER_SD_VOXELS: Final = 0.1  # definition: how well the inner face of the cortex is known over a whole section
_LIVE_DRAWS: Final = 160
_UNSOUND_SHARE: Final = 0.02  # of a seat: less is not worth a place in words
_IN_CANAL_MM: Final = 0.5  # a part this far inside the marrow cavity opens it
_NO_LESION: Final = "No dead bone was found or drawn on this scan. Outline it, or take it that there is none."
_NO_SHAFT: Final = "The scan does not show the shaft, so its axis is not known. Use a scan that reaches farther down."
_NO_PELVIS_FILM: Final = (
    "A scan of one hip does not show what lies between the sides. Read an AP film of the whole pelvis: teardrops and "
    "lesser trochanters of both sides."
)
_NO_FILM_CUP: Final = "The teardrop is a mark of the AP film. Read an AP film of the pelvis."
_NO_PELVIS: Final = "No pelvis was found on this scan. Outline it, or use a scan that shows the socket."


@dataclass(frozen=True, slots=True, eq=False)
class _Part:
    """The part of a placement: its family, its solid, its cup."""

    placement: Placement
    family: Family
    component: Component
    solid: Solid
    cup: Cup | None

    @classmethod
    def of(cls, placement: Placement, catalogue: Catalogue) -> "_Part":
        component = catalogue.component(placement)
        cup = None if placement.cup is None else catalogue.cup(placement.cup.family, placement.cup.size)
        return cls(placement, catalogue.family(placement.family), component, solid_of(component), cup)


def appraise_space(
    space: SpaceHip,
    placement: Placement,
    catalogue: Catalogue,
    limits: Limits,
    targets: Targets | None = None,
    *,
    live: bool = False,
    seed: int = 1,
) -> Appraisal:
    """Appraise one placement in space with 95 % intervals.

    `live`, while a hand drags the part: the same values and words, intervals from few draws and a coarse grid of errors
    (within about a tenth of their width where a share is not near 0 or 100 %). `seed` draws what single places of
    the surface add, and the femoral version where the scan has no condyles.

    Raises
    ------
    FrameError
        The placement has no place in space.
    CatalogueError
        The placement names parts that do not exist together, or a family without a shape in space.
    """
    places = Places.of(placement)
    part = _Part.of(placement, catalogue)
    rows, facts = Rows.of(space, most=_LIVE_DRAWS if live else None), bone_of(space)
    nodes = facts.nodes.coarse(rows) if live else facts.nodes
    values = _values(space, rows, facts, nodes, part, places, limits, seed)
    lines = _Lines(
        SPACE_LINES,
        limits,
        values,
        rows.n,
        placement,
        part.family,
        part.component,
        targets or Targets(),
        space,
    )
    ends = reserve_in_space(space, rows, facts, part.component, part.solid, places, limits, placement.neck_length_mm)
    left = _levels_left(Rows.of(space, reading=True), part, places)
    every = (*lines.all(), lines.reserve_line(ends), lines.levels_line(left))
    return Appraisal(
        placement,
        part.family.level,
        part.family.name,
        _canal(space, part, places),
        every,
        ends,
        left,
        neighbours_of(placement, part.family, part.component, catalogue),
        cup_reference(placement),
    )


def space_point_values(
    space: SpaceHip, placement: Placement, catalogue: Catalogue, limits: Limits, targets: Targets | None = None
) -> dict[str, float]:
    """The values alone, by the names of their lines, while a part is dragged; intervals follow from `appraise_space`.

    `leg_length_remaining_mm` and `offset_remaining_mm` are what remains, not its distance to the target.
    """
    del targets  # as on films: a target moves limits, not values
    places = Places.of(placement)
    part = _Part.of(placement, catalogue)
    facts, rows = bone_of(space), Rows.of(space, reading=True)
    values = _values(space, rows, facts, facts.nodes, part, places, limits, 1)
    found = {name: float(array[0]) for name, array in values.arrays.items()}
    longer, shorter = reserve_values(space, facts, part.component, part.solid, places, limits)
    return found | {"reserve_longer_mm": longer, "reserve_shorter_mm": shorter}


def _values(
    space: SpaceHip, rows: Rows, facts: Bone, nodes: Nodes, part: _Part, places: Places, limits: Limits, seed: int
) -> Values:
    component, solid, placement = part.component, part.solid, part.placement
    rng = np.random.default_rng(seed)
    arrays: dict[str, Floats] = {}
    where: dict[str, str] = {}
    arrays |= bone(rows, places)
    arrays |= _at_places(space, rows, facts, nodes, part, places, rng, where)
    arrays |= alignment(rows, component, places)
    cup = placement.cup
    centre = None if cup is None else np.array([cup.x_mm, cup.z_mm])
    arrays |= leg(space, rows, component, places, placement.neck_length_mm, centre)
    arrays |= _counted(space, rows, facts, nodes, part, places)
    start = sound_bone_start(facts, rows)
    if start is not None:
        arrays["sound_bone_start_mm"] = start
    arrays |= _faces(space, rows, facts, nodes, part, places, seed, where)
    if part.cup is not None and cup is not None:
        arrays |= _socket(space, rows, part.cup, cup)
    arrays |= _motion(space, rows, facts, part, places, arrays, limits, rng)
    if rows.base_depth is not None:
        arrays["neck_left_for_revision_mm"] = np.maximum(rows.base_depth - seat_bottom_depth(rows, solid, places), 0.0)
    return Values(arrays, where)


def _at_places(
    space: SpaceHip,
    rows: Rows,
    facts: Bone,
    nodes: Nodes,
    part: _Part,
    places: Places,
    rng: np.random.Generator,
    where: dict[str, str],
) -> dict[str, Floats]:
    """Seat, least wall, notch: numbers of single places of the surface, and where those lie."""
    component, solid = part.component, part.solid
    found = nodes.over(rows, lambda edge, t: seat(space, solid, places, edge, t))
    unsound = _unsound_words(space, rows, solid, places)
    if unsound:
        where["seat_on_sound_bone_percent"] = unsound

    def local() -> Floats:
        own = np.zeros(rows.n)
        own[1:] = rng.normal(0.0, LOCAL_SD_VOXELS * space.step_mm, rows.n - 1)
        return own

    walls = wall(space, component, solid, places, rows.edge)
    noise = local()
    if walls is not None:
        found["least_wall_mm"] = walls[0] + noise
        where["least_wall_mm"] = side_words(places.axes[0], walls[1]) + _beyond(space, places, walls[1])
    if component.level is not CutLevel.LOW_NECK:
        near, spot = notch(space, rows, facts, component, solid, places, rows.edge)
        found["notch_distance_mm"] = near + _by_junction(space, rows, facts, part, places) + local()
        where["notch_distance_mm"] = side_words(places.axes[0], spot)
    bare = uncovered_reamed_mm2(space, component, places, rows.edge[:1])
    if bare is not None:
        found |= nodes.over(
            rows,
            lambda edge, t: {"uncovered_reamed_mm2": _always(uncovered_reamed_mm2(space, component, places, edge))},
        )
    return found


def _by_junction(space: SpaceHip, rows: Rows, facts: Bone, part: _Part, places: Places) -> Floats:
    """What each draw's own head-neck junction adds to a cap's distance from a notch: it is looked for from there."""
    own = rows.head_height[:1]
    if part.component.kind != "cap" or rows.n == 1 or np.ptp(rows.head_height) == 0.0:
        return np.zeros(rows.n)
    reading, none = Rows.of(space, reading=True), np.zeros(1)
    reach = 2.0 * float(rows.head_height[1:].std())
    at = [
        notch(space, replace(reading, head_height=own + step), facts, part.component, part.solid, places, none)[0][0]
        for step in (-reach, 0.0, reach)
    ]
    return np.asarray(np.interp(rows.head_height - own, [-reach, 0.0, reach], np.array(at) - at[1]))


def _always(value: Floats | None) -> Floats:
    assert value is not None
    return value


def _beyond(space: SpaceHip, places: Places, local: Floats) -> str:
    if bool(space.in_scan(places.points(local[None])[0])[0]):
        return ""
    return "; the scan ends above this, the bone was carried straight on"


def _unsound_words(space: SpaceHip, rows: Rows, solid: Solid, places: Places) -> str:
    """Where the seat does not stand on sound bone, and whether for dead bone or for none; empty when it stands."""
    points = places.points(solid.seat_points)
    none, own = np.zeros(1), rows.t[:1]
    lost = (1.0 - sound_share(space, points, none, own)[0]) * solid.seat_areas_mm2
    share = float(lost.sum() / solid.seat_areas_mm2.sum())
    if share < _UNSOUND_SHARE:
        return ""
    middle = lost @ solid.seat_points / lost.sum()
    dead = dead_mm(space, points, own)
    in_dead = np.zeros(len(lost), bool) if dead is None else (dead[0] < 0.0) & (space.femur.at(points)[0] < 0.0)
    kind = "dead bone" if lost[in_dead].sum() > 0.5 * lost.sum() else "no bone"
    return f"{kind} under {100.0 * share:.0f} %: {side_words(places.axes[0], middle)}"


def _counted(space: SpaceHip, rows: Rows, facts: Bone, nodes: Nodes, part: _Part, places: Places) -> dict[str, Floats]:
    """Volumes of bone removed and dead bone left."""
    shares = removed_shares(space, facts, part.solid, places)
    found = volumes(facts, shares, rows, nodes)
    share = lesion_share_of_head(facts, rows, nodes)
    if share is not None:
        found["lesion_share_of_head_percent"] = share
    return found | nodes.over(rows, lambda edge, t: lesion_values(facts, shares, t))


def _faces(
    space: SpaceHip,
    rows: Rows,
    facts: Bone,
    nodes: Nodes,
    part: _Part,
    places: Places,
    seed: int,
    where: dict[str, str],
) -> dict[str, Floats]:
    """The cut face, and the section that the next level would still find."""
    face = cut_face(space, rows, facts, places)
    found = {f"cut_{name}": value for name, value in _over_face(space, rows, nodes, face).items()}
    if found and rows.n > 1:
        inward = np.zeros(rows.n)
        inward[1:] = np.random.default_rng(seed).normal(0.0, INNER_SD_VOXELS * space.step_mm, rows.n - 1)
        cortex = found["cut_face_cortex_percent"] + inward * found["cut_face_cortex_per_mm"]
        found["cut_face_cortex_percent"] = np.clip(cortex, 0.0, 100.0)
    ratio = density_ratio(space, facts, rows, face, seed)
    if ratio is not None:
        found["cut_face_density_ratio"] = ratio
    coming = _next_cut(Rows.of(space, reading=True), part, places)
    if coming is not None:
        level, depth = coming
        section = _over_face(space, rows, nodes, face_at_depth(space, rows, facts, depth))
        if section:
            found["next_cut_sound_percent"] = section["face_sound_percent"]
            where["next_cut_sound_percent"] = (
                f"{level.word.lower()} level, {depth:.0f} mm below the top of the head: "
                f"{section['face_mm2'][0]:.0f} mm² of section"
            )
    return found


def _over_face(space: SpaceHip, rows: Rows, nodes: Nodes, face: Face) -> dict[str, Floats]:
    return nodes.over(rows, lambda edge, t: face_values(space, face, edge, t))


def _next_cut(rows: Rows, part: _Part, places: Places) -> tuple[CutLevel, float] | None:
    """The next deeper level that reaches below the seat, and the depth of its first cut below it."""
    bottom = float(seat_bottom_depth(rows, part.solid, places)[0])
    order = list(CutLevel)
    for level in order[order.index(part.component.level) + 1 :]:
        ends = level_ends(level, rows.head_height, rows.base_depth)
        if ends is not None and bottom < float(ends[1][0]):
            return level, max(bottom, float(ends[0][0]))
    return None


def _levels_left(rows: Rows, part: _Part, places: Places) -> tuple[CutLevel, ...] | None:
    """Deeper cut levels that a later revision could still use; None when the base of the neck is not known."""
    bottom = float(seat_bottom_depth(rows, part.solid, places)[0])
    order = list(CutLevel)
    found = []
    for level in order[order.index(part.component.level) + 1 :]:
        ends = level_ends(level, rows.head_height, rows.base_depth)
        if ends is None:
            return None
        if bottom < float(ends[1][0]):
            found.append(level)
    return tuple(found)


def _socket(space: SpaceHip, rows: Rows, cup: Cup, place: CupPlacement) -> dict[str, Floats]:
    """Cover by the pelvis of the scan; depth and height from the film's teardrop."""
    found: dict[str, Floats] = {}
    cover = cup_cover_percent(space, cup, place, rows.edge)
    if cover is not None:
        found["cup_cover_percent"] = cover
    film = space.film
    if film is not None:
        on_film = socket(film, cup, _on_film(rows, place))
        for name in ("cup_depth_mm", "cup_centre_height_mm"):
            if name in on_film:
                found[name] = as_rows(on_film[name], rows.n)
    return found


def _on_film(rows: Rows, place: CupPlacement) -> CupPlacement:
    """The cup's place in the film's frame, which leans to the hip's as pelvis and shaft do."""
    x = rows.medial[0, 0] * place.x_mm + rows.medial[0, 2] * place.z_mm
    z = rows.up[0, 0] * place.x_mm + rows.up[0, 2] * place.z_mm
    return CupPlacement(place.family, place.size, float(x), float(z), place.inclination_deg, place.version_deg)


def _motion(
    space: SpaceHip,
    rows: Rows,
    facts: Bone,
    part: _Part,
    places: Places,
    known: Mapping[str, Floats],
    limits: Limits,
    rng: np.random.Generator,
) -> dict[str, Floats]:
    width = neck_diameter(rows, facts, part.component, part.family)
    ratio = part.placement.head_diameter_mm / width
    found = {"head_neck_ratio": ratio, "neck_diameter_mm": width}
    cup, neck_shaft = part.placement.cup, neck_shaft_deg(rows)
    if part.cup is None or cup is None or neck_shaft is None:
        return found
    version = _version(space, rows, limits, rng)
    if part.family.impinges_on == "component":
        # The neck's version carries the error of the frame; the part's own turn to the neck is added to it.
        version = version + version_deg(places.axis) - version_deg(rows.neck_axis)
        neck_shaft = known["axis_to_shaft_deg"]
    return found | motion_values(ratio, part.cup.arc_deg, cup.inclination_deg, cup.version_deg, neck_shaft, version)


def _version(space: SpaceHip, rows: Rows, limits: Limits, rng: np.random.Generator) -> Floats:
    """Femoral version (n,): measured on the scan, or as the frame was turned, with the stated sd."""
    own = version_deg(rows.neck_axis)
    measure = space.hip.measures.get("femoral_version_deg")
    if measure is not None and measure.known:
        if rows.n == 1:
            return np.array([measure.number])
        if measure.draws is not None and len(measure.draws) == space.rows - 1:
            return np.concatenate([[measure.number], measure.draws[: rows.n - 1]])
        own = own - own[0] + measure.number
    spread = np.zeros(rows.n)
    spread[1:] = rng.normal(0.0, limits.sd("assumed_femoral_version_deg"), rows.n - 1)
    return own + spread


def _canal(space: SpaceHip, part: _Part, places: Places) -> Literal["closed", "opened"]:
    """Opened when the family is made so, or when the part reaches into the marrow cavity seen on the scan."""
    if part.family.canal == "opened" or space.canal is None:
        return part.family.canal
    points = places.points(in_bone_points(part.component, part.solid))
    return "opened" if len(points[0]) and float(space.canal.at(points).min()) < -_IN_CANAL_MM else "closed"


@dataclass(frozen=True, slots=True, eq=False)
class _Lines(LineBuilder):
    """Lines from a scan: what has no meaning there, and why a number is missing."""

    space: SpaceHip

    def pointless(self, name: str) -> str | None:
        if name == "uncovered_reamed_mm2" and self.component.kind != "cap":
            return "Does not apply: this part sits inside the bone and covers no reamed surface."
        if name == "next_cut_sound_percent" and self.level is CutLevel.LOW_NECK:
            return "Does not apply: there is no deeper level."
        return LineBuilder.pointless(self, name)

    def reason(self, name: str) -> str:
        if name.startswith("lesion") or name == "sound_bone_start_mm":
            return _NO_LESION
        if name in ("leg_length_remaining_mm", "offset_remaining_mm"):
            return _NO_PELVIS_FILM
        if name == "least_wall_mm":
            return "This part has nothing inside the bone to measure a wall from."
        if name == "next_cut_sound_percent":
            return "No deeper level reaches below this seat." if self.space.hip.base_depth is not None else _NO_SHAFT
        if name.startswith("cut_face"):
            return "The cut does not pass through bone here. Move it."
        if name == "levels_left_for_revision":
            return _NO_SHAFT
        group = self.specs[name].group
        if group in ("cup", "motion") and self.placement.cup is None:
            return NO_CUP
        if group == "cup":
            return _NO_PELVIS if name == "cup_cover_percent" else _NO_FILM_CUP
        return _NO_SHAFT

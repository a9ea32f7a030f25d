"""An appraisal as a page shows it: numbers with their slips, limits with their words, pictures.

In: planning's appraisal of a scene. Out: `Appraisal` of pages. Nothing is computed
here that planning did not compute.
"""

import time
from dataclasses import asdict
from typing import Final

import numpy as np
from numpy.typing import NDArray

from headstock.desk.ground import appraised, drawn, moved_by_hand
from headstock.desk.guards import family_unsuitable
from headstock.desk.limits import limit_mark, page_state
from headstock.desk.pages import (
    Appraisal,
    Drawing,
    Line,
    Moved,
    MovedValue,
    Number,
    PlacementIn,
    PoseIn,
    Reserve,
    ReserveEnd,
    SpacePoseIn,
    SpaceView,
)
from headstock.desk.pages import CupIn as CupPage
from headstock.desk.scene import Scene
from headstock.desk.shapes import film_drawing, lateral_drawing, neck_drawing
from headstock.desk.words import number, says_number
from headstock.documents.numbers import value_words
from headstock.errors import CatalogueError
from headstock.implants import Catalogue, CupPlacement, CutLevel, Placement, Pose, SpacePose
from headstock.measured import Measured, exact
from headstock.planning import appraise as planning
from headstock.planning.drawing import Drawing as Picture
from headstock.planning.limits import State
from headstock.planning.reserve import ReserveEnd as PlanningEnd
from headstock.planning.search import binding_words
from headstock.planning.space.view import space_view

__all__ = ["GROUPS", "appraisal_page", "canal_said", "checked_limits", "moved_page", "placement_from", "placement_in"]

Floats = NDArray[np.float64]
GROUPS: Final = {
    "bone": "Bone",
    "seat": "Seat",
    "alignment": "Alignment",
    "head": "Head",
    "cup": "Cup",
    "leg": "Leg",
    "motion": "Motion",
    "later": "Later",
}
_SIGNED: Final = (
    "valgus_to_neck_deg",
    "anterior_to_neck_deg",
    "tail_to_shaft_deg",
    "leg_length_remaining_mm",
    "leg_length_change_mm",
    "offset_remaining_mm",
    "offset_change_mm",
    "reserve_mm",
)
_PART_WORDS: Final = {"now": "now", "cup": "cup", "femur": "femur", "longer": "longer", "shorter": "shorter",
                      "longer_neck": "with the longest neck", "shorter_neck": "with the shortest neck",
                      "reshape": "head bone to reshape"}  # fmt: skip


def placement_from(given: PlacementIn, catalogue: Catalogue) -> Placement:
    """The plain placement of what a page sent.

    Raises
    ------
    CatalogueError
        The parts do not exist together.
    GuardError
        The family is of another cut level than the one named.
    """
    family = catalogue.family(given.family)
    if family.level.value != given.level:
        family_unsuitable(
            family.name, CutLevel(given.level).word.lower(), [f"it is made for the {family.level.word.lower()} level"]
        )
    try:
        neck = (
            float(given.neck_length)
            if given.neck_length is not None
            else family.component(given.size).neck_lengths_mm[0]
        )
    except ValueError:
        raise CatalogueError(
            f"“{given.neck_length}” is no neck length. Give it in mm, as the size lists them."
        ) from None
    pose, cup = given.pose, given.cup
    placed = Placement(
        family=given.family,
        size=given.size,
        head_diameter_mm=given.head_mm,
        neck_length_mm=neck,
        pose=Pose(pose.x_mm, pose.z_mm, pose.ap_angle_deg, pose.y_mm, pose.lateral_angle_deg),
        cup=None
        if cup is None
        else CupPlacement(cup.family, cup.size, cup.x_mm, cup.z_mm, cup.inclination_deg, cup.version_deg),
    )
    return placed if given.space is None else placed.in_space(SpacePose(**given.space.model_dump()))


def placement_in(placement: Placement, level: CutLevel) -> PlacementIn:
    """A placement as a page carries it."""
    pose, cup = placement.pose, placement.cup
    return PlacementIn(
        level=level.value,
        family=placement.family,
        size=placement.size,
        head_mm=placement.head_diameter_mm,
        neck_length=f"{placement.neck_length_mm:g}",
        pose=PoseIn(
            x_mm=pose.x_mm,
            z_mm=pose.z_mm,
            ap_angle_deg=pose.ap_angle_deg,
            y_mm=pose.y_mm or 0.0,
            lateral_angle_deg=pose.lateral_angle_deg or 0.0,
        ),
        cup=None
        if cup is None
        else CupPage(
            family=cup.family,
            size=cup.size,
            x_mm=cup.x_mm,
            z_mm=cup.z_mm,
            inclination_deg=cup.inclination_deg,
            version_deg=cup.version_deg,
        ),
        space=None if placement.space is None else SpacePoseIn(**asdict(placement.space)),
    )


def appraisal_page(
    scene: Scene,
    placement: Placement,
    catalogue: Catalogue,
    *,
    live: bool = False,
    pictured: bool = True,
    binding: str | None = None,
    found: planning.Appraisal | None = None,
    picture: Picture | None = None,
) -> Appraisal:
    """Appraise a placement; `live` with few draws, while it is dragged. `found`, `picture`: when they exist already.

    `pictured`: with its section in the neck's frame, where one is looked at.
    """
    begun = time.perf_counter()
    if found is None:
        found = appraised(scene, placement, catalogue, live=live)
    if picture is None and pictured:
        picture = drawn(scene, placement, catalogue, live=live)
    if binding is None and scene.scan is not None:
        known = {line.name: line.measured.number for line in found.lines if line.measured.known}
        binding = binding_words(known, found.level, scene.limits, scene.targets)
    # A place in space has no place on a film whose rays nobody knows: the planned film is projected from the scan.
    on_film = None if scene.scan is not None or scene.film is None else scene.film.prepared
    lines = [_line(line, scene) for line in found.lines]
    lines.append(_canal_line(found))
    states = [line.state for line in found.lines]
    return Appraisal(
        placement=placement_in(placement, found.level),
        title=found.level.word,
        family_words=f"{found.family_name}, size {placement.size}",
        lines=lines,
        counts={
            "within": states.count(State.WITHIN),
            "near": states.count(State.NEAR),
            "outside": states.count(State.OUTSIDE),
            "not_known": states.count(State.NOT_KNOWN),
        },
        reserve=_reserve(found),
        drawing_neck=Drawing(frame="neck", shapes=[]) if picture is None else neck_drawing(picture),
        drawing_film=None if on_film is None or picture is None else film_drawing(picture, on_film),
        drawing_lateral=None if on_film is None or picture is None else lateral_drawing(picture, on_film),
        binding=binding,
        ms=1000 * (time.perf_counter() - begun),
        space=None if scene.scan is None else _space_view(scene, placement, catalogue),
    )


def moved_page(scene: Scene, placement: Placement, catalogue: Catalogue) -> Moved:
    """Values of a placement on a scan while a hand moves it."""
    begun = time.perf_counter()
    found = moved_by_hand(scene, placement, catalogue)
    values = [
        MovedValue(key=name, value=value, state=page_state(found.states[name]) if name in found.states else None)
        for name, value in found.values.items()
    ]
    return Moved(
        placement=placement_in(placement, catalogue.family(placement.family).level),
        values=values,
        binding=found.binding,
        space=_space_view(scene, placement, catalogue),
        ms=1000 * (time.perf_counter() - begun),
    )


def _space_view(scene: Scene, placement: Placement, catalogue: Catalogue) -> SpaceView:
    assert scene.scan is not None
    view = space_view(scene.scan.space, placement, catalogue)

    def point(values: Floats) -> tuple[float, float, float]:
        x, y, z = np.round(values, 3).tolist()
        return (x, y, z)

    def maybe(values: Floats | None) -> tuple[float, float, float] | None:
        return None if values is None else point(values)

    seat = np.column_stack([np.round(view.seat_points, 3), view.seat_state, np.round(view.seat_wall_mm, 2)])
    return SpaceView(
        component=view.component,
        component_to_lps=[round(float(v), 6) for v in view.component_to_lps.ravel()],
        hip_axes=[point(row) for row in view.hip_axes],
        cut_point=point(view.cut_point),
        cut_normal=point(view.cut_normal),
        wire=[point(end) for end in view.wire],
        head_centre=maybe(view.head_centre),
        head_radius_mm=view.head_radius_mm,
        cup_centre=maybe(view.cup_centre),
        cup_radius_mm=view.cup_radius_mm,
        cup_axis=maybe(view.cup_axis),
        least_wall_at=maybe(view.least_wall_at),
        seat=[(x, y, z, state, wall) for x, y, z, state, wall in seat.tolist()],
    )


def _line(line: planning.AppraisalLine, scene: Scene) -> Line:
    rows: list[tuple[str, str]] = [("how", line.why)]
    rows += [(_PART_WORDS.get(name, name), says_number(part, signed=True)) for name, part in line.parts.items()]
    if line.limit is not None:
        edited = f", set by {line.limit.edited_by}" if line.limit.edited_by else ""
        rows.append(
            ("limit", f"{line.limit.in_words()}; {line.limit.source or 'no source'} ({line.limit.status}{edited})")
        )
    if line.measured.unit in ("mm", "cm3"):
        rows.append(("scale", scene.scan.words if scene.scan is not None else scene.scale_words))
    detail = line.where
    if line.name in ("leg_length_remaining_mm", "offset_remaining_mm", "leg_length_change_mm", "offset_change_mm"):
        detail = ", ".join(
            f"{_PART_WORDS.get(name, name)} {value_words(part, 1, signed=True)}"
            for name, part in line.parts.items()
            if part.value is not None
        )
    shown = number(
        line.name,
        line.says,
        line.measured,
        signed=line.name in _SIGNED,
        sentence=f"{line.why[:1].upper()}{line.why[1:]}.",
        rows=rows[1:],
    )
    mark = limit_mark(line.measured, line.limit, line.state)
    return Line(group=GROUPS[line.group], number=shown, limit=mark, detail=detail)


def canal_said(found: planning.Appraisal) -> Measured:
    """Who says whether the canal is opened: the family's file on films, the marrow cavity itself on a scan."""
    if found.placement.space is None:
        return exact(1.0, "count", "the family's file", "by_family")
    return exact(1.0, "count", "whether the part reaches the marrow cavity that the scan shows", "by_definition")


def _canal_line(found: planning.Appraisal) -> Line:
    shown = number("canal", "canal", canal_said(found))
    return Line(group="Seat", number=shown, limit=None, text=found.canal, detail=None)


def _reserve(found: planning.Appraisal) -> Reserve:
    def end(name: str, label: str, which: PlanningEnd) -> ReserveEnd:
        shown: Number = number(
            name,
            label,
            which.leg_mm,
            signed=True,
            sentence="Slide along the component's axis to the first limit, in mm of leg.",
        )
        return ReserveEnd(number=shown, binds=which.stopped_by)

    longer, shorter = found.reserve.longer, found.reserve.shorter
    says = "What this level still allows, and what stops it."
    if longer.reshape_mm is not None and longer.reshape_mm.known:
        says += (
            f" Seating more proximally leaves head bone to reshape below the seat: {says_number(longer.reshape_mm)}."
        )
    return Reserve(
        longer=end("reserve_longer_mm", "longer", longer),
        shorter=end("reserve_shorter_mm", "shorter", shorter),
        says=says,
    )


def checked_limits(found: Appraisal) -> dict[str, str]:
    """Limits that a placement does not meet: key → words."""
    return {
        line.number.key: f"{line.number.label}, {line.limit.words}"
        for line in found.lines
        if line.limit is not None and line.limit.state == "outside"
    }

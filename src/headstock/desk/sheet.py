"""What stands on the theatre sheet of a placement: the scene's numbers put into the sheet's places.

In: a scene, a placement, its appraisal and guide. Out: `SheetContent`; how it looks is
documents'. Nothing is computed here that planning did not compute.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from headstock import __version__
from headstock.desk.appraisals import canal_said
from headstock.desk.desk import Desk
from headstock.desk.films import film_words, shown_name
from headstock.desk.ground import appraised, drawn, guided
from headstock.desk.pages import Drawing, Shape
from headstock.desk.scans.pictures import planned_film, space_sheet
from headstock.desk.scene import FilmPart, Scene
from headstock.desk.shapes import film_drawing, lateral_drawing, neck_drawing
from headstock.desk.words import day_words, says_number
from headstock.documents import (
    LegRow,
    PartRow,
    SheetContent,
    SheetFilm,
    SheetNumber,
    SheetShape,
    Signature,
    Stop,
    film_png,
)
from headstock.images.grey import presentation
from headstock.implants import Catalogue, CutLevel, Placement
from headstock.measured import Measured, missing
from headstock.planning.appraise import Appraisal, AppraisalLine
from headstock.planning.drawing import Drawing as Picture
from headstock.planning.limits import State
from headstock.planning.wire import Guide
from headstock.records.tables import FilmRow

__all__ = ["PlanWords", "sheet_content"]

# The box that is printed of a film, in head radii about the head's centre: to each side, above, below.
_CROP: Final = (2.9, 2.3, 3.6)
_MARGIN: Final = 0.5  # of a head radius, round the component where it reaches beyond that
_LONGEST_REASON: Final = 24  # letters of a reason that fit beside a number
SheetState = Literal["within", "near", "outside", "not_known"]


@dataclass(frozen=True, slots=True)
class PlanWords:
    """What a person says of a plan beside its numbers."""

    operation_date: date | None = None
    fall_back: str | None = None
    overruled: tuple[tuple[str, str], ...] = ()
    cup_overrides: Mapping[str, str] = field(default_factory=dict)
    note: str = ""
    version: int = 1
    consent: bool | None = None
    cautions: tuple[str, ...] = ()


def sheet_content(
    desk: Desk,
    scene: Scene,
    placement: Placement,
    words: PlanWords,
    *,
    printed_at: datetime,
    signature: Signature | None = None,
) -> SheetContent:
    """Everything the sheet says of this placement.

    Raises
    ------
    GuardError
        An identifier is missing, or a number has no interval.
    """
    catalogue = desk.catalogue
    found = appraised(scene, placement, catalogue)
    picture = drawn(scene, placement, catalogue)
    wire = guided(scene, placement, catalogue)
    main, second = _pictures(desk, scene, placement, picture)
    side, patient = scene.state.side, scene.state.patient
    content = SheetContent(
        side=side,
        patient_name=shown_name(patient.name),
        patient_number=patient.number,
        born=patient.born,
        operation_date=words.operation_date,
        level_words=found.level.word,
        component_words=f"{found.family_name}, size {placement.size}",
        headline=_headline(found),
        neck_shapes=_sheet_shapes(neck_drawing(picture)),
        neck_caption=_neck_caption(scene),
        film=main,
        lateral=second,
        parts=_parts(found, placement, catalogue),
        pairing=_pairing(placement, catalogue),
        cutting=(
            SheetNumber("from the greater trochanter's tip", wire.cut_to_greater_trochanter_mm),
            SheetNumber("from the lesser trochanter", wire.cut_to_lesser_trochanter_mm),
            SheetNumber("plane to the neck axis", wire.cut_to_neck_deg, 0),
        ),
        wire=_wire(wire),
        cup=_cup(found, placement),
        leg=_leg(found, scene),
        bone=_bone(found),
        fall_back=_fall_back(found, words.fall_back),
        overruled=words.overruled,
        scale=_scale_words(scene),
        cautions=words.cautions,
        stops=_stops(scene, words, placement),
        version=words.version,
        printed_at=printed_at.replace(microsecond=0),
        product=f"headstock {__version__}",
        signature=signature,
        notes=_notes(scene, found, words),
    )
    return _with_short_reasons(content)


def _with_short_reasons(content: SheetContent) -> SheetContent:
    """Long reasons of missing numbers go to the second page: page one must stay one page."""
    told: dict[str, list[str]] = {}

    def short(line: SheetNumber) -> SheetNumber:
        reason = line.number.reason
        if line.number.known or reason is None or len(reason) <= _LONGEST_REASON:
            return line
        told.setdefault(reason, []).append(line.label)
        return replace(line, number=missing(line.number.unit, line.number.source, "see page 2"))

    def short_cell(row: LegRow, name: str, number: Measured) -> Measured:
        return short(SheetNumber(f"{row.label} {name}", number)).number

    def short_all(lines: tuple[SheetNumber, ...]) -> tuple[SheetNumber, ...]:
        return tuple(short(line) for line in lines)

    shorter = replace(
        content,
        headline=short_all(content.headline),
        cutting=short_all(content.cutting),
        wire=short_all(content.wire),
        cup=short_all(content.cup),
        bone=short_all(content.bone),
        leg=tuple(
            replace(
                row,
                now=short_cell(row, "now", row.now),
                change=short_cell(row, "change", row.change),
                result=short_cell(row, "result", row.result),
            )
            for row in content.leg
        ),
    )
    notes = [f"Not known: {', '.join(labels)}. {reason}" for reason, labels in told.items()]
    return replace(shorter, notes=(*content.notes, *notes))


def _number(
    line: AppraisalLine, label: str | None = None, *, decimals: int | None = None, signed: bool = False
) -> SheetNumber:
    places = (
        decimals if decimals is not None else {"mm": 1, "deg": 0, "%": 0, "1": 2, "cm3": 1}.get(line.measured.unit, 1)
    )
    return SheetNumber(label or line.says, line.measured, places, signed, _state(line.state), _limit_words(line))


def _state(state: State) -> SheetState | None:
    return _STATES.get(state)


_STATES: Final[dict[State, SheetState]] = {
    State.WITHIN: "within",
    State.NEAR: "near",
    State.OUTSIDE: "outside",
    State.NOT_KNOWN: "not_known",
}


def _limit_words(line: AppraisalLine) -> str:
    return "" if line.limit is None or not line.limit.is_set else line.limit.in_words()


def _headline(found: Appraisal) -> tuple[SheetNumber, ...]:
    return (
        _number(found.line("cut_depth_mm"), "cut, below the top of the head"),
        _number(found.line("leg_length_remaining_mm"), "leg length that remains", signed=True),
        _number(found.line("offset_remaining_mm"), "offset that remains", signed=True),
        _number(found.line("reserve_mm"), "reserve of length", signed=True),
    )


def _sheet_shapes(drawing: Drawing | None) -> tuple[SheetShape, ...]:
    return tuple(_sheet_shape(shape) for shape in (drawing.shapes if drawing is not None else ()))


def _sheet_shape(shape: Shape, shift: tuple[float, float] = (0.0, 0.0), rows: float = 1.0) -> SheetShape:
    points = tuple((x - shift[0], (y - shift[1]) * rows) for x, y in shape.points)
    return SheetShape(shape.role, points, shape.closed, shape.label or "")


def _neck_caption(scene: Scene) -> str:
    if scene.film is None or scene.scan is not None:
        return "from the scan, in the plane of neck and shaft; neck axis upright"
    return f"from the AP film, neck axis upright; outline {scene.film.hip.ap.outline_kind}"


def _pictures(desk: Desk, scene: Scene, placement: Placement, picture: Picture) -> tuple[SheetFilm, SheetFilm | None]:
    """The two pictures beside the neck: films with the part on them, or the planned film and the hip in space."""
    if scene.scan is not None:
        return planned_film(scene, placement, desk.catalogue), space_sheet(scene, placement, desk.catalogue)
    film = scene.film
    assert film is not None
    main = _film(desk, film, film_drawing(picture, film.prepared), scene, False)
    if film.lateral is None or film.hip.lateral is None:
        return main, None
    return main, _film(desk, film, lateral_drawing(picture, film.prepared), scene, True)


def _caption(row: FilmRow, today: date) -> str:
    age = "" if row.taken is None else f", {(today - row.taken).days} days old"
    return f"{film_words(row)[:1].upper()}{film_words(row)[1:]}{age}"


def _film(desk: Desk, part: FilmPart, drawing: Drawing | None, scene: Scene, lateral: bool) -> SheetFilm:
    """The part of a film around the hip, with the placement over it."""
    shown = part.lateral if lateral and part.lateral is not None else part.ap
    caption = _caption(shown, scene.state.today)
    film = desk.film(shown.id)
    view = part.hip.lateral if lateral and part.hip.lateral is not None else part.hip.ap
    assert view.axes is not None
    col, row = view.axes.to_px(view.head_centre_mm[:1])[0]
    mm_per_col, mm_per_row = view.axes.mm_per_px
    radius = float(view.head_radius_mm[0])
    aside, above, below = (reach * radius for reach in (_CROP if not lateral else (3.4, 3.0, 3.0)))
    metal = [p for s in (drawing.shapes if drawing is not None else ()) if s.role == "component" for p in s.points]
    margin = _MARGIN * radius
    wide = (
        col - aside / mm_per_col,
        col + aside / mm_per_col,
        *(c + e / mm_per_col for c, _ in metal for e in (-margin, margin)),
    )
    tall = (
        row - above / mm_per_row,
        row + below / mm_per_row,
        *(r + e / mm_per_row for _, r in metal for e in (-margin, margin)),
    )
    left, right = _within(min(wide), max(wide), film.cols)
    top, bottom = _within(min(tall), max(tall), film.rows)
    grey: NDArray[np.float32] = presentation(film)[top:bottom, left:right]
    stretch = float(mm_per_row / mm_per_col)
    if abs(stretch - 1.0) > 1e-6:
        from scipy.ndimage import zoom

        grey = zoom(grey, (stretch, 1.0), order=1)
    shapes = tuple(
        _sheet_shape(shape, (left, top), stretch) for shape in (drawing.shapes if drawing is not None else ())
    )
    return SheetFilm(film_png(grey), float(right - left), float(grey.shape[0]), caption, shapes, float(mm_per_col))


def _within(low: float, high: float, size: int) -> tuple[int, int]:
    """A range of whole pixels inside the film."""
    first, last = max(0, int(low)), min(size, int(high) + 1)
    return (first, last) if last - first > 8 else (0, size)


def _parts(found: Appraisal, placement: Placement, catalogue: Catalogue) -> tuple[PartRow, ...]:
    def row(part: str, planned: str, options: Sequence[str]) -> PartRow:
        here = options.index(planned) if planned in options else -1
        smaller = options[here - 1] if here > 0 else "none"
        larger = options[here + 1] if 0 <= here < len(options) - 1 else "none"
        return PartRow(part, smaller, planned, larger)

    component = catalogue.component(placement)
    family = catalogue.family(placement.family)
    rows = [
        row(found.family_name, placement.size, [size.id for size in family.sizes]),
        row("head, mm", f"{placement.head_diameter_mm:g}", [f"{d:g}" for d in component.head_diameters_mm]),
    ]
    if len(component.neck_lengths_mm) > 1:
        rows.append(row("neck, mm", f"{placement.neck_length_mm:g}", [f"{d:g}" for d in component.neck_lengths_mm]))
    if placement.cup is not None:
        cups = catalogue.cup_families[placement.cup.family].cups
        named = {cup.size_id: f"{cup.size_id} ({cup.outer_mm:g} mm)" for cup in cups}
        rows.append(row("cup", named[placement.cup.size], list(named.values())))
    return tuple(rows)


def _pairing(placement: Placement, catalogue: Catalogue) -> str:
    if placement.cup is None:
        return "No cup is planned."
    cup = catalogue.cup(placement.cup.family, placement.cup.size)
    head = f"{placement.head_diameter_mm:g}"
    if placement.head_diameter_mm not in cup.head_diameters_mm:
        takes = ", ".join(f"{d:g}" for d in cup.head_diameters_mm)
        return f"Head {head} does NOT fit cup {cup.outer_mm:g}: it takes {takes}. Do not combine them."
    return f"Head {head} runs in cup {cup.outer_mm:g} ({catalogue.cup_families[placement.cup.family].name})."


def _wire(wire: Guide) -> tuple[SheetNumber, ...]:
    across, front = wire.in_words()
    return (
        SheetNumber(f"entry from the summit, {across or 'across'}", _size(wire.entry_from_summit_mm)),
        SheetNumber("to the shaft", wire.wire_to_shaft_deg, 0),
        SheetNumber(f"entry, {front or 'front to back'}", _size(wire.entry_from_summit_front_mm)),
        SheetNumber("out front of the neck axis", wire.wire_to_neck_front_deg, 0, True),
    )


def _size(number: Measured) -> Measured:
    """A distance whose direction stands in words beside it: its size, the interval turned with it."""
    if number.value is None or number.value >= 0 or number.low is None or number.high is None:
        return number
    return Measured(-number.value, number.unit, number.source, -number.high, -number.low)


def _cup(found: Appraisal, placement: Placement) -> tuple[SheetNumber, ...]:
    if placement.cup is None:
        return ()
    return (
        _number(found.line("cup_inclination_deg"), "inclination (radiographic)"),
        _number(found.line("cup_version_deg"), "version (radiographic)"),
        _number(found.line("cup_depth_mm"), "dome to the teardrop"),
        _number(found.line("cup_cover_percent"), "cover"),
    )


def _leg(found: Appraisal, scene: Scene) -> tuple[LegRow, ...]:
    rows = []
    for stem, label, target in (
        ("leg_length", "leg length", scene.targets.leg_length_difference_mm),
        ("offset", "offset", scene.targets.offset_difference_mm),
    ):
        rest, change = found.line(f"{stem}_remaining_mm"), found.line(f"{stem}_change_mm")
        now = rest.parts.get("now") or missing("mm", f"{label} now", rest.measured.reason or "Not read on this film.")
        words = f"target {target:+.1f} mm".replace("-", "−") if target else "target equal"
        rows.append(LegRow(label, now, change.measured, rest.measured, words, _state(rest.state)))
    return tuple(rows)


def _bone(found: Appraisal) -> tuple[SheetNumber, ...]:
    wall = found.line("least_wall_mm")
    side = (wall.where or "").split(",")[0]
    rows = [
        _number(found.line("seat_on_sound_bone_percent")),
        _number(wall, f"least wall, {side}" if side else None),
        _number(found.line("notch_distance_mm")),
        _number(found.line("lesion_left_percent")),
        _number(found.line("valgus_to_neck_deg"), signed=True),
        _number(found.line("head_neck_ratio")),
    ]
    # A word, not a number; what stands behind it is only who says so.
    rows.append(SheetNumber("canal", canal_said(found), 0, words=found.canal))
    return tuple(rows)


def _fall_back(found: Appraisal, named: str | None) -> str:
    if named is not None:
        return (
            f"Soft or dead bone at the seat after the cut: go to {CutLevel(named).word.lower()}. "
            "Have its parts and neighbours in the room."
        )
    if found.levels_left:
        return (
            "No fall-back was named. Deeper levels left: " + ", ".join(level.word for level in found.levels_left) + "."
        )
    return "No fall-back was named."


def _scale_words(scene: Scene) -> str:
    said = [] if scene.scan is None else [f"{scene.scan.words}."]
    film = scene.film
    if film is not None:
        scale = film.ap_scale
        said.append(f"{scale.source[:1].upper()}{scale.source[1:]}; {says_number(scale.measured(), 4)} at the hip.")
        if film.ap.scale_settled_by:
            said.append(f"Settled by {film.ap.scale_settled_by}.")
        if film.lateral is not None and film.lateral_scale is not None:
            said.append(f"Lateral film: {film.lateral_scale.source}, {says_number(film.lateral_scale.measured(), 4)}.")
    return " ".join(said)


def _stops(scene: Scene, words: PlanWords, placement: Placement) -> tuple[Stop, ...]:
    side = scene.state.side.word.upper()
    consent = "consent on record" if words.consent else "consent NOT on record: see it signed"
    allergy = scene.facts.metal_allergy
    metal = "metal allergy not asked" if allergy is None else "METAL ALLERGY" if allergy.value else "no metal allergy"
    return (
        Stop(
            "Before sleep",
            ("name and number read from the wrist band", consent, f"{side} hip marked on the skin", metal),
        ),
        Stop(
            "Before the skin",
            (
                f"{side} hip, said aloud",
                "this sheet and its images on screen",
                f"size {placement.size} and its neighbours in the room",
            ),
        ),
        Stop("Before leaving", ("cut and sizes as done, written down", "counts right, film ordered")),
    )


def _notes(scene: Scene, found: Appraisal, words: PlanWords) -> tuple[str, ...]:
    ball = "circle" if scene.scan is None else "sphere"
    notes = [
        f"Depth runs from the pole of the fitted head {ball} along the neck axis. Longer and larger are positive; "
        "intervals are 95 %.",
        "Not a cleared medical device. For planning support and research: the surgeon verifies, local rules prevail.",
    ]
    reserve = found.reserve
    notes.append(f"Reserve: longer until {reserve.longer.stopped_by}; shorter until {reserve.shorter.stopped_by}.")
    if found.cup_reference:
        notes.append(f"Cup {found.cup_reference}")
    notes += [f"Cup, {what}: {how}" for what, how in words.cup_overrides.items()]
    if words.note:
        notes.append(f"Surgeon: {words.note}")
    if scene.film is not None:
        notes += [*scene.film.hip.notes]
    elif scene.film_says:
        notes.append(f"Films: {scene.film_says}")
    if scene.scan is not None:
        notes += [one.says for one in scene.scan.read.findings if one.weight == "warn"]
    if words.operation_date is not None:
        notes.append(f"Operation planned for {day_words(words.operation_date)}.")
    return tuple(notes)

"""The placement on a hip: shown, dragged, kept step by step, undone, found again, aimed at a target."""

from datetime import date, datetime
from typing import Literal

from headstock.desk.appraisals import appraisal_page, moved_page, placement_from, placement_in
from headstock.desk.compare import best_of
from headstock.desk.desk import Desk
from headstock.desk.ground import best_at, fits_ground
from headstock.desk.pages import Appraisal, Moved, PlacementIn, PlacementPage, PlacementSave, SizeOption, TargetIn
from headstock.desk.scene import Scene, scene_of
from headstock.errors import RecordError
from headstock.implants import CutLevel, Placement
from headstock.records import DraftState, write_line
from headstock.records.drafts import find_or_begin, redo, save_step, undo
from headstock.records.people import hip as hip_row

__all__ = [
    "appraise_live",
    "best_again",
    "current_placement",
    "keep_placement",
    "placement_page",
    "redo_placement",
    "set_target",
    "undo_placement",
    "values_live",
]


def current_placement(desk: Desk, scene: Scene) -> tuple[Placement, str | None]:
    """The kept placement when it is of the chosen level, else the best of that level; and what bound the search."""
    kept, chosen = scene.state.placement, scene.state.hip.chosen_level
    if kept is not None and (chosen is None or kept.state.get("level") == chosen):
        placement = placement_from(PlacementIn.model_validate(kept.state), desk.catalogue)
        if fits_ground(scene, placement):
            return placement, None
        # Placed on films before the scan was read (or the other way round): the search begins anew on what counts now.
        chosen = chosen or kept.state.get("level")
    if chosen is None:
        raise RecordError("No cut level is chosen for this hip. Compare the levels and choose one.")
    best = best_of(desk, scene, CutLevel(chosen))
    if best.placement is None:
        raise RecordError(f"Nothing can be placed at the chosen level: {best.reason}")
    return best.placement, best.reason


def placement_page(desk: Desk, hip_id: str, *, today: date) -> PlacementPage:
    """The placement with its numbers, sizes and history."""
    scene = scene_of(desk, hip_id, today=today)
    placement, binding = current_placement(desk, scene)
    return _page(desk, scene, placement, scene.state.placement, binding)


def _page(
    desk: Desk, scene: Scene, placement: Placement, draft: DraftState | None, binding: str | None
) -> PlacementPage:
    catalogue = desk.catalogue
    component = catalogue.component(placement)
    families = catalogue.at_level(component.level)
    cups = catalogue.cups_for_head(placement.head_diameter_mm)
    return PlacementPage(
        hip_id=scene.state.hip.id,
        film_id=None if scene.film is None else scene.film.ap.id,
        lateral_film_id=None
        if scene.film is None or scene.film.lateral is None or scene.film.hip.lateral is None
        else scene.film.lateral.id,
        scan_id=None if scene.scan is None else scene.scan.row.id,
        appraisal=appraisal_page(scene, placement, catalogue, binding=binding),
        sizes=[
            SizeOption(family=family.id, size=size.id, words=f"{family.name}, size {size.id} ({size.nominal_mm:g} mm)")
            for family in families
            for size in family.sizes
        ],
        cup_sizes=[
            SizeOption(family=cup.family_id, size=cup.size_id, words=f"size {cup.size_id} ({cup.outer_mm:g} mm)")
            for cup in cups
        ],
        heads=list(component.head_diameters_mm),
        neck_lengths=[f"{length:g}" for length in component.neck_lengths_mm],
        step=0 if draft is None else draft.step,
        can_undo=draft is not None and draft.can_undo,
        can_redo=draft is not None and draft.can_redo,
        saved_at=None if draft is None or draft.at is None else datetime.fromisoformat(draft.at),
        target_leg_mm=scene.state.hip.target_leg_mm,
        target_offset_mm=scene.state.hip.target_offset_mm,
    )


def appraise_live(desk: Desk, hip_id: str, given: PlacementIn, *, today: date) -> Appraisal:
    """Numbers while a part is dragged on films, or when a hand rests on a scan (`values_live`); nothing is kept."""
    scene = scene_of(desk, hip_id, today=today)
    # Whoever moves a part through the planes of a scan does not look at its section in the neck's frame.
    film = scene.scan is None
    return appraisal_page(scene, placement_from(given, desk.catalogue), desk.catalogue, live=film, pictured=film)


def values_live(desk: Desk, hip_id: str, given: PlacementIn, *, today: date) -> Moved:
    """Values alone while a part is dragged on a scan; nothing is kept."""
    scene = scene_of(desk, hip_id, today=today)
    return moved_page(scene, placement_from(given, desk.catalogue), desk.catalogue)


def keep_placement(desk: Desk, hip_id: str, given: PlacementSave, *, who: str, now: datetime) -> PlacementPage:
    """Keep a step; it is on the disk before this returns.

    Raises
    ------
    StepConflictError
        Someone kept another step meanwhile.
    CatalogueError, GuardError
        The parts do not exist together, or belong to another level.
    """
    return _keep(desk, hip_id, given.placement, given.base_step, given.what, who=who, now=now)


def _keep(
    desk: Desk, hip_id: str, given: PlacementIn, base_step: int | None, what: str, *, who: str, now: datetime
) -> PlacementPage:
    placement = placement_from(given, desk.catalogue)
    desk.catalogue.component(placement)
    if placement.cup is not None:
        desk.catalogue.cup(placement.cup.family, placement.cup.size)
    with desk.store.writing() as session:
        row = hip_row(session, hip_id)
        draft = find_or_begin(session, "placement", hip_id, who)
        state = save_step(
            session,
            draft,
            given.model_dump(mode="json"),
            base_step=draft.step if base_step is None else base_step,
            what=what,
            by=who,
            now=now,
        )
        row.chosen_level, row.under_study = given.level, True
        write_line(session, at=now, who=who, action="placement step kept", subject=hip_id, step=state.step, what=what)
    scene = scene_of(desk, hip_id, today=now.date())
    return _page(desk, scene, placement, state, None)


def undo_placement(desk: Desk, hip_id: str, *, who: str, now: datetime) -> PlacementPage:
    """One step back."""
    return _move(desk, hip_id, "undo", who, now)


def redo_placement(desk: Desk, hip_id: str, *, who: str, now: datetime) -> PlacementPage:
    """One step forward again."""
    return _move(desk, hip_id, "redo", who, now)


def _move(desk: Desk, hip_id: str, way: Literal["undo", "redo"], who: str, now: datetime) -> PlacementPage:
    with desk.store.writing() as session:
        row = hip_row(session, hip_id)
        draft = find_or_begin(session, "placement", hip_id, who)
        state = undo(session, draft) if way == "undo" else redo(session, draft)
        if state.state:
            row.chosen_level = state.state["level"]
        write_line(session, at=now, who=who, action=f"placement {way}", subject=hip_id, step=state.step)
    scene = scene_of(desk, hip_id, today=now.date())
    placement, binding = current_placement(desk, scene)
    return _page(desk, scene, placement, state, binding)


def best_again(
    desk: Desk,
    hip_id: str,
    level: str,
    *,
    family: str | None = None,
    size: str | None = None,
    who: str,
    now: datetime,
) -> PlacementPage:
    """Find the best placement of a level again (of a family and size when named) and keep it as a step.

    Raises
    ------
    RecordError
        None can be made; the words say why.
    """
    scene = scene_of(desk, hip_id, today=now.date())
    best = best_at(scene, CutLevel(level), desk.catalogue, family_id=family, size_id=size)
    if best.placement is None:
        raise RecordError(f"Nothing can be placed at {CutLevel(level).word.lower()} on this hip: {best.reason}")
    named = f"best fit, size {best.placement.size}"
    return _keep(desk, hip_id, placement_in(best.placement, CutLevel(level)), None, named, who=who, now=now)


def set_target(desk: Desk, hip_id: str, given: TargetIn, *, who: str, now: datetime) -> PlacementPage:
    """The difference between the sides that the surgeon aims for.

    Raises
    ------
    RecordError
        A target no operation reaches.
    """
    if max(abs(given.leg_mm), abs(given.offset_mm)) > 60:
        raise RecordError("A target of more than 60 mm between the sides is beyond this operation. Check the number.")
    with desk.store.writing() as session:
        row = hip_row(session, hip_id)
        row.target_leg_mm, row.target_offset_mm = given.leg_mm, given.offset_mm
        write_line(
            session,
            at=now,
            who=who,
            action="target set",
            subject=hip_id,
            leg_mm=given.leg_mm,
            offset_mm=given.offset_mm,
        )
    return placement_page(desk, hip_id, today=now.date())

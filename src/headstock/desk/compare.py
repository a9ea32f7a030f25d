"""The comparison of the cut levels, and the level the surgeon chooses.

In: a hip in the record. Out: the best placement of each level, appraised, side by
side. What is usual at this stage is said before anything else; nothing is ranked.
"""

import time
from datetime import date, datetime
from typing import Final

from headstock.desk.appraisals import appraisal_page
from headstock.desk.desk import Desk
from headstock.desk.ground import compared_levels
from headstock.desk.hips import page_caution
from headstock.desk.limits import limit_rows
from headstock.desk.pages import Appraisal, Caution, Comparison, WhyRow
from headstock.desk.scene import Scene, scene_of
from headstock.desk.words import day_words, number
from headstock.errors import RecordError
from headstock.implants import CutLevel
from headstock.planning import comparison as planning
from headstock.planning.optimise import Best
from headstock.records import write_line
from headstock.records.people import hip as hip_row

__all__ = ["best_of", "choose", "compared", "comparison", "page_cautions"]

# Lines of the comparison, in the order of a surgeon's questions: bone, seat, alignment, cup, leg, motion, later.
ROWS: Final = (
    "head_kept_percent",
    "lesion_left_percent",
    "lesion_left_cm3",
    "bone_removed_cm3",
    "seat_on_sound_bone_percent",
    "least_wall_mm",
    "notch_distance_mm",
    "cut_face_sound_percent",
    "canal",
    "valgus_to_neck_deg",
    "head_diameter_mm",
    "head_neck_ratio",
    "cup_cover_percent",
    "leg_length_remaining_mm",
    "offset_remaining_mm",
    "reserve_mm",
    "flexion_deg",
    "internal_at_90_flexion_deg",
    "levels_left_for_revision",
)


def compared(desk: Desk, scene: Scene) -> planning.Comparison:
    """Planning's comparison of this scene, kept while its inputs stay the same."""
    found: planning.Comparison = desk.answers.get(
        ("compared", scene.basis), lambda: compared_levels(scene, desk.catalogue)
    )
    return found


def best_of(desk: Desk, scene: Scene, level: CutLevel) -> Best:
    """The placement to start from at a level."""
    return compared(desk, scene).level(level).best


def comparison(desk: Desk, hip_id: str, *, today: date) -> Comparison:
    """The best placement at each cut level, side by side."""
    begun = time.perf_counter()
    scene = scene_of(desk, hip_id, today=today)
    found = compared(desk, scene)
    # On a scan the stock profile says where sound bone begins: one number on every page.
    start = found.sound_bone_start if scene.scan is None else scene.scan.read.stock.sound_from_mm
    levels = desk.answers.get(("levels", scene.basis), lambda: _levels(desk, scene, found))
    if not levels:
        raise RecordError(
            "No placement could be made at any cut level. "
            + " ".join(f"{entry.level.word}: {entry.best.reason}" for entry in found.levels)
        )
    return Comparison(
        hip_id=hip_id,
        finding=found.finding,
        first=first_words(scene, found),
        cautions=page_cautions(found),
        levels=list(levels),
        chosen=scene.state.hip.chosen_level,  # type: ignore[arg-type]  # kept by us from the same words
        rows=[key for key in ROWS if any(line.number.key == key for level in levels for line in level.lines)],
        sound_bone_from=number(
            "sound_bone_start_mm",
            "sound bone starts below the top of the head",
            start,
            sentence=f"{start.source[:1].upper()}{start.source[1:]}.",
        ),
        limits=limit_rows(desk),
        scale_words=" ".join([scene.scale_words, *found.notes]),
        left_out=[
            WhyRow(name=entry.level.word, text=entry.best.reason) for entry in found.levels if entry.appraisal is None
        ],
        ms=1000 * (time.perf_counter() - begun),
    )


def _levels(desk: Desk, scene: Scene, found: planning.Comparison) -> tuple[Appraisal, ...]:
    return tuple(
        appraisal_page(
            scene,
            entry.best.placement,
            desk.catalogue,
            binding=entry.best.reason,
            found=entry.appraisal,
            picture=entry.drawing,
        )
        for entry in found.levels
        if entry.best.placement is not None
    )


def first_words(scene: Scene, found: planning.Comparison) -> str | None:
    """What is said before anything else: that this hip should wait, or what is usual at its stage."""
    said = []
    infection = scene.facts.infection
    if infection is not None and infection.value is True:
        said.append(
            f"This hip should wait: an infection is recorded ({day_words(infection.date)}, {infection.source}). "
            "No implant goes in while it lasts."
        )
    course = found.usual_course
    if course.preserves_head is not None:
        said.append(f"{course.text} ({course.source}; {course.status})")
    else:
        said.append(course.text)
    return " ".join(said) or None


def page_cautions(found: planning.Comparison) -> list[Caution]:
    """Cautions from the record, each with its source; never summed."""
    return [page_caution(caution) for caution in found.cautions]


def choose(desk: Desk, hip_id: str, level: str, *, who: str, now: datetime) -> Comparison:
    """The surgeon chooses a cut level.

    Raises
    ------
    RecordError
        No placement can be made at that level.
    """
    scene = scene_of(desk, hip_id, today=now.date())
    best = best_of(desk, scene, CutLevel(level))
    if best.placement is None:
        raise RecordError(f"{CutLevel(level).word} cannot be chosen on this hip: {best.reason}")
    with desk.store.writing() as session:
        row = hip_row(session, hip_id)
        row.chosen_level, row.under_study = level, True
        write_line(session, at=now, who=who, action="level chosen", subject=hip_id, level=level)
    return comparison(desk, hip_id, today=now.date())

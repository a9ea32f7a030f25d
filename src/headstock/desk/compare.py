"""The comparison of the cut levels, and the level the surgeon chooses.

In: a hip in the record. Out: the best placement of each level, appraised, side by
side. What is usual at this stage is said before anything else; nothing is ranked.
"""

import time
from collections.abc import Sequence
from datetime import date, datetime
from typing import Final

from headstock.anatomy.osteonecrosis import stages
from headstock.desk.appraisals import appraisal_page
from headstock.desk.desk import Desk
from headstock.desk.limits import limit_rows
from headstock.desk.pages import Appraisal, Caution, Comparison, Number, WhyRow
from headstock.desk.scene import Scene, scene_of
from headstock.desk.words import day_words, says_number
from headstock.errors import RecordError
from headstock.implants import CutLevel
from headstock.measured import Measured
from headstock.planning.optimise import Best, best_placement
from headstock.records import write_line
from headstock.records.people import hip as hip_row

__all__ = ["best_of", "choose", "comparison", "page_cautions"]

# Lines of the comparison, in the order of a surgeon's questions: bone, seat, alignment, cup, leg, motion, later.
ROWS: Final = (
    "head_kept_percent",
    "lesion_left_percent",
    "lesion_left_cm3",
    "seat_on_sound_bone_percent",
    "least_wall_mm",
    "notch_distance_mm",
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


def best_of(desk: Desk, scene: Scene, level: CutLevel) -> Best:
    """The placement to start from at a level."""
    return desk.answers.get(
        ("best", scene.basis, level),
        lambda: best_placement(scene.prepared, level, desk.catalogue, scene.limits, scene.targets),
    )


def comparison(desk: Desk, hip_id: str, *, today: date) -> Comparison:
    """The best placement at each cut level, side by side."""
    begun = time.perf_counter()
    scene = scene_of(desk, hip_id, today=today)
    levels, left_out = desk.answers.get(("comparison", scene.basis), lambda: _levels(desk, scene))
    start = _sound_start(levels)
    return Comparison(
        hip_id=hip_id,
        finding=finding(levels, start),
        first=first_words(scene),
        cautions=page_cautions(scene),
        levels=list(levels),
        chosen=scene.state.hip.chosen_level,  # type: ignore[arg-type]  # kept by us from the same words
        rows=[key for key in ROWS if any(line.number.key == key for level in levels for line in level.lines)],
        sound_bone_from=start,
        limits=limit_rows(desk),
        scale_words=scene.scale_words,
        left_out=list(left_out),
        ms=1000 * (time.perf_counter() - begun),
    )


def _levels(desk: Desk, scene: Scene) -> tuple[tuple[Appraisal, ...], tuple[WhyRow, ...]]:
    shown: list[Appraisal] = []
    left_out: list[WhyRow] = []
    for level in CutLevel:
        best = best_of(desk, scene, level)
        if best.placement is None:
            left_out.append(WhyRow(name=level.word, text=best.reason))
        else:
            shown.append(appraisal_page(scene, best.placement, desk.catalogue, binding=best.reason))
    if not shown:
        raise RecordError(
            "No placement could be made at any cut level. " + " ".join(f"{row.name}: {row.text}" for row in left_out)
        )
    return tuple(shown), tuple(left_out)


def _sound_start(levels: Sequence[Appraisal]) -> Number | None:
    for level in levels:
        for line in level.lines:
            if line.number.key == "sound_bone_start_mm" and line.number.value is not None:
                return line.number
    return None


def finding(levels: Sequence[Appraisal], start: Number | None) -> str:
    """The comparison in one sentence: from which level on the cut lies in sound bone."""
    if start is None or start.value is None:
        return "No dead bone is outlined: every level is taken to stand on sound bone."
    words = says_number(Measured(start.value, "mm", "", start.low, start.high))
    deep = start.high if start.high is not None else start.value
    for level in levels:
        depth = next((line.number for line in level.lines if line.number.key == "cut_depth_mm"), None)
        if depth is not None and depth.low is not None and depth.low >= deep:
            return (
                f"Sound bone starts {words} below the top of the head; from {level.title.lower()} down, the cut lies "
                "in it."
            )
    return f"Sound bone starts {words} below the top of the head; no level's cut lies surely below that."


def first_words(scene: Scene) -> str | None:
    """What is said before anything else: that this hip should wait, or what is usual at its stage."""
    said = []
    infection = scene.facts.infection
    if infection is not None and infection.value is True:
        said.append(
            f"This hip should wait: an infection is recorded ({day_words(infection.date)}, {infection.source}). "
            "No implant goes in while it lasts."
        )
    if scene.course is not None:
        stage = stages(scene.signs)[0]
        named = f"Stage {stage.system} {stage.words}. " if stage.stage is not None else ""
        said.append(f"{named}{scene.course.says} ({scene.course.source}; {scene.course.status})")
    return " ".join(said) or None


def page_cautions(scene: Scene) -> list[Caution]:
    """Cautions from the record, each with its source; never summed."""
    return [
        Caution(
            text=caution.text,
            source=caution.source,
            status=caution.status.replace(" ", "_"),  # type: ignore[arg-type]  # the three statuses, spelt with _
            levels=list(caution.applies_to),  # type: ignore[arg-type]  # level names
        )
        for caution in scene.cautions
    ]


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

"""The four cut levels of one hip on its scan, side by side: the comparison of films, in three dimensions.

In: `SpaceHip`, the patient's facts, the signs of its stage, the catalogue, the limits, the targets.
Out: `Comparison`, the same value as on films.
"""

from headstock.anatomy.cautions import HipFacts
from headstock.anatomy.osteonecrosis import RawSigns
from headstock.implants import Catalogue, Placement
from headstock.measured import Measured, measured, missing
from headstock.planning.appraisal import Targets
from headstock.planning.comparison import Comparison, Worked, compared, course_with_cause
from headstock.planning.limits import Limits
from headstock.planning.lines import SPACE_LINES
from headstock.planning.space.appraise import appraise_space
from headstock.planning.space.bone import bone_of
from headstock.planning.space.drawing import drawing_in_space
from headstock.planning.space.fields import SpaceHip
from headstock.planning.space.optimise import best_in_space
from headstock.planning.space.places import Rows
from headstock.planning.space.socket import socket_centre
from headstock.planning.space.volumes import lesion_share_of_head, sound_bone_start
from headstock.planning.space.wire import guide_in_space

__all__ = ["compare_space"]


def compare_space(
    space: SpaceHip,
    facts: HipFacts | None,
    signs: RawSigns | None,
    catalogue: Catalogue,
    limits: Limits,
    targets: Targets | None = None,
    *,
    combined_angle: Measured | None = None,
    collapse_depth: Measured | None = None,
    seed: int = 1,
) -> Comparison:
    """Compare the four cut levels; arguments as `planning.compare`."""
    aim = targets or Targets()

    def work(placement: Placement) -> Worked:
        return (
            appraise_space(space, placement, catalogue, limits, aim, seed=seed),
            drawing_in_space(space, placement, catalogue),
            guide_in_space(space, placement, catalogue),
        )

    course = course_with_cause(facts, signs, limits, combined_angle, collapse_depth)
    return compared(
        lambda level: best_in_space(space, level, catalogue, limits, aim),
        work,
        _sound_bone_start(space),
        course,
        facts,
        _measures(space),
        limits,
        _notes(space),
        on_scan=True,
    )


def _measures(space: SpaceHip) -> dict[str, Measured]:
    """Measured facts that cautions may rest on when the record has none."""
    found = {"head_diameter_mm": measured(2.0 * space.hip.head_radius, "mm", "sphere of the head, scan")}
    facts = bone_of(space)
    share = lesion_share_of_head(facts, Rows.of(space), facts.nodes)
    if share is not None:
        name = "lesion_share_of_head_percent"
        found[name] = measured(share, "%", f"{SPACE_LINES[name].why}, scan")
    return found


def _sound_bone_start(space: SpaceHip) -> Measured:
    source = SPACE_LINES["sound_bone_start_mm"].why
    start = sound_bone_start(bone_of(space), Rows.of(space))
    if start is None:
        return missing("mm", source, "No dead bone was found or drawn on this scan.")
    return measured(start, "mm", source)


def _notes(space: SpaceHip) -> tuple[str, ...]:
    """What a reader of the comparison must know about the scan: its warnings, how the frame and the cup were placed."""
    warned = tuple(finding.says for finding in space.hip.findings if finding.weight != "note")
    notes = (*warned, f"Directions: {space.hip.frame_words.rstrip('.')}.", f"Cups: {socket_centre(space)[1]}.")
    if not space.density.calibrated:
        notes = (*notes, "The scan is uncalibrated: densities are ratios within it.")
    if space.film is None:
        notes = (
            *notes,
            "What lies between the sides is not on this scan: read an AP film of the pelvis.",
        )
    return notes

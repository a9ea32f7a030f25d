"""The four cut levels of one hip, side by side, without a ranking.

In: a hip, the patient's facts, the signs of its stage, the catalogue, the limits,
the targets. Out: `Comparison`: the finding as one sentence, the usual course of
the stage and the cautions first, then for each level its placement, appraisal,
picture, and what it meets, nears, breaks or cannot tell.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from headstock.anatomy.cautions import Caution, HipFacts, cautions
from headstock.anatomy.filmhip import FilmHip
from headstock.anatomy.osteonecrosis import RawSigns, Stage, arco_2019, usual_course
from headstock.implants import Catalogue, CutLevel, Placement
from headstock.measured import Measured, measured, missing
from headstock.planning.appraise import Appraisal, Targets, appraise
from headstock.planning.drawing import Drawing, drawing
from headstock.planning.lesion import lesion_share_of_head_percent
from headstock.planning.limits import Limits, State, limit_state
from headstock.planning.optimise import Best, best_placement
from headstock.planning.prepared import PreparedHip, prepare
from headstock.planning.wire import Guide, guide

__all__ = ["Comparison", "Course", "LevelComparison", "Worked", "compare", "compared", "course_of", "course_with_cause"]


Worked = tuple[Appraisal, Drawing, Guide]


@dataclass(frozen=True, slots=True)
class Course:
    """What is usual at this stage, said before any placement; `preserves_head` None when that is not known."""

    text: str
    source: str
    status: str
    preserves_head: bool | None

    def to_json(self) -> dict[str, Any]:
        """Plain fields."""
        return {"text": self.text, "source": self.source, "status": self.status, "preserves_head": self.preserves_head}


@dataclass(frozen=True, slots=True, eq=False)
class LevelComparison:
    """One level: where the search put the part, what that leads to, how it looks; `best.reason` in words."""

    level: CutLevel
    best: Best
    appraisal: Appraisal | None
    drawing: Drawing | None
    guide: Guide | None
    cautions: tuple[Caution, ...] = ()

    def counts_in_words(self) -> str:
        """“2 near · 1 not known · 6 within”: what is met and what is not, in that order, no sum."""
        if self.appraisal is None:
            return "no placement"
        counts = self.appraisal.counts()
        order = (State.OUTSIDE, State.NEAR, State.NOT_KNOWN, State.WITHIN)
        return " · ".join(f"{counts[s.value]} {s.word}" for s in order if counts[s.value]) or "no limit set"

    def to_json(self) -> dict[str, Any]:
        """Plain fields."""
        return {
            "level": self.level.value,
            "level_word": self.level.word,
            "meets_limits": self.best.meets_limits,
            "reason": self.best.reason,
            "binding": [
                {"measure": b.measure, "margin": b.margin, "unit": b.unit, "words": b.words} for b in self.best.binding
            ],
            "counts": None if self.appraisal is None else self.appraisal.counts(),
            "counts_in_words": self.counts_in_words(),
            "appraisal": None if self.appraisal is None else self.appraisal.to_json(),
            "drawing": None if self.drawing is None else self.drawing.to_json(),
            "guide": None if self.guide is None else self.guide.to_json(),
            "cautions": [_caution_json(c) for c in self.cautions],
        }


@dataclass(frozen=True, slots=True, eq=False)
class Comparison:
    """All four levels, from most to least bone kept. The order is anatomy, not preference."""

    finding: str
    usual_course: Course
    cautions: tuple[Caution, ...]
    levels: tuple[LevelComparison, ...]
    sound_bone_start: Measured
    notes: tuple[str, ...] = ()

    def level(self, level: CutLevel) -> LevelComparison:
        """One level."""
        return next(entry for entry in self.levels if entry.level is level)

    def fallback(self, level: CutLevel) -> LevelComparison | None:
        """The next deeper level that has a placement: what to have in the room if this one does not hold."""
        deeper = self.levels[[entry.level for entry in self.levels].index(level) + 1 :]
        return next((entry for entry in deeper if entry.appraisal is not None), None)

    def to_json(self) -> dict[str, Any]:
        """Plain fields."""
        return {
            "finding": self.finding,
            "usual_course": self.usual_course.to_json(),
            "cautions": [_caution_json(c) for c in self.cautions],
            "sound_bone_start_mm": self.sound_bone_start.to_json(),
            "levels": [entry.to_json() for entry in self.levels],
            "notes": list(self.notes),
        }


def compare(
    hip: FilmHip | PreparedHip,
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
    """Compare the four cut levels.

    `facts` make the cautions, `signs` (with the combined necrotic angle, deg, and the
    measured depth of collapse, mm, when known) the usual course; both may be None.
    `seed` as for `appraise`.
    """
    prepared = prepare(hip, seed=seed) if isinstance(hip, FilmHip) else hip
    aim = targets or Targets()
    notes = (*prepared.hip.notes, *prepared.hip.ap.notes)
    if prepared.hip.ap.outline_kind == "interpolated":
        notes = (
            *notes,
            "The femur's outline on the AP film is interpolated between landmarks: trace it to trust walls.",
        )
    course = course_with_cause(facts, signs, limits, combined_angle, collapse_depth)

    def work(placement: Placement) -> Worked:
        return (
            appraise(prepared, placement, catalogue, limits, aim, seed=seed),
            drawing(prepared, placement, catalogue),
            guide(prepared, placement, catalogue),
        )

    return compared(
        lambda level: best_placement(prepared, level, catalogue, limits, aim),
        work,
        _sound_bone_start(prepared),
        course,
        facts,
        _measures(prepared),
        limits,
        notes,
        on_scan=False,
    )


def compared(
    best: Callable[[CutLevel], Best],
    work: Callable[[Placement], Worked],
    start: Measured,
    course: Course,
    facts: HipFacts | None,
    known: Mapping[str, Measured],
    limits: Limits,
    notes: tuple[str, ...],
    *,
    on_scan: bool,
) -> Comparison:
    """The comparison of levels: `best` searches one, `work` works a placement out; `on_scan` only changes words."""
    entries = []
    for level in CutLevel:
        about = () if facts is None else cautions(facts, level.value, known)
        found = best(level)
        appraisal, picture, wire = (None, None, None) if found.placement is None else work(found.placement)
        entries.append(LevelComparison(level, found, appraisal, picture, wire, about))
    if start.known and any(not _has_limit(entry.level, limits) for entry in entries):
        share = "area" if on_scan else "length"
        notes = (*notes, f"Sound: at least {_WHOLE_PERCENT:g} % of the seat's {share}; no limit on it is set.")
    cautious = () if facts is None else cautions(facts, None, known)
    return Comparison(_finding(entries, start, on_scan), course, cautious, tuple(entries), start, notes)


def course_with_cause(
    facts: HipFacts | None,
    signs: RawSigns | None,
    limits: Limits,
    combined_angle: Measured | None,
    collapse_depth: Measured | None,
) -> Course:
    """The usual course, with the cause on record quoted beside it when that is another."""
    course = course_of(signs, limits, combined_angle, collapse_depth)
    if signs is None:
        return course
    return replace(course, text=course.text + _cause_words(facts, bool(course.source)))


def course_of(
    signs: RawSigns | None,
    limits: Limits,
    combined_angle: Measured | None = None,
    collapse_depth: Measured | None = None,
) -> Course:
    """The usual course of the stage in words; where the film cannot tell the depth from its limit, it says so."""
    if signs is None or signs == RawSigns():
        return Course("The stage is not known, so neither is its usual course. Record the signs.", "", "", None)
    usual, stage = usual_course(signs, combined_angle), arco_2019(signs)
    if usual is None:
        return Course(f"{_unstaged(signs, stage)} What is usual is told by stages of osteonecrosis only.", "", "", None)
    text = usual.says if stage.stage is None else f"{stage.system} {stage.stage}. {usual.says}"
    limit = limits.named("preserving_collapse_depth_mm")
    if collapse_depth is not None and collapse_depth.known and limit_state(collapse_depth, limit) is State.NEAR:
        shown = f"{collapse_depth.number:.1f} mm, {collapse_depth.low:.1f} to {collapse_depth.high:.1f}"
        text += (
            f" The depression measured on this film ({shown}) cannot be told from {limit.high:g} mm; up to there "
            "joint-preserving surgery is usual. Measure it on a scan first."
        )
        return Course(text, usual.source, usual.status, None if not usual.preserves_head else True)
    return Course(text, usual.source, usual.status, usual.preserves_head)


def _unstaged(signs: RawSigns, stage: Stage) -> str:
    """Why signs that are recorded lead to no usual course."""
    if stage.stage is not None:
        return f"{stage.system}: {stage.why}"
    if signs.film_shows_something is False:
        return (
            "The films are recorded as showing no osteonecrosis, and nobody said whether an MRI or a scan does. "
            "Without a known cause in this hip no component is usual."
        )
    return f"{stage.system}: {stage.why}"


def _cause_words(facts: HipFacts | None, staged: bool) -> str:
    """A stage speaks of osteonecrosis; a record that names another cause is quoted beside it, not overruled."""
    cause = None if facts is None or facts.cause is None else str(facts.cause.value).strip()
    if not cause or any(word in cause.lower() for word in ("necrosis", "avn", "onfh")):
        return ""
    lead = "The stage speaks of osteonecrosis; the" if staged else "The"
    return f" {lead} cause on record is “{cause}”."


def _measures(hip: PreparedHip) -> dict[str, Measured]:
    """Measured facts that cautions may rest on when the record has none."""
    found = {"head_diameter_mm": measured(2.0 * hip.ap.radius, "mm", "circle of the head, AP film")}
    share = lesion_share_of_head_percent(hip)
    if share is not None:
        found["lesion_share_of_head_percent"] = measured(share, "%", "outlined area over the head's circle, AP film")
    return found


def _caution_json(caution: Caution) -> dict[str, Any]:
    return {
        "text": caution.text,
        "source": caution.source,
        "status": caution.status,
        "applies_to": list(caution.applies_to),
        "fact": caution.fact,
        "value": caution.value,
        "dated": None if caution.dated is None else caution.dated.isoformat(),
    }


def _sound_bone_start(hip: PreparedHip) -> Measured:
    source = "deepest outlined dead bone, along the neck axis, the deeper of both films"
    if hip.sound_bone_start is None:
        return missing("mm", source, "No dead bone is outlined. Outline it, or take it that there is none.")
    return measured(hip.sound_bone_start, "mm", source)


def _finding(entries: Sequence[LevelComparison], start: Measured, on_scan: bool) -> str:
    """One sentence about bone: from which level down the seat stands on sound bone.

    Held against the limit on the seat when it is set; else against the whole seat.
    """
    placed = [entry for entry in entries if entry.appraisal is not None]
    if not placed:
        return "No component of the catalogue can be placed on this hip; each level says why."
    seen_on = "this scan" if on_scan else "these films"
    if not start.known:
        none = "No dead bone was found on this scan" if on_scan else "No dead bone is outlined"
        return f"{none}, so every seat is judged by its fit alone."
    sound = [_stands(entry) for entry in placed]
    if all(state is True for state in sound):
        return "At every cut level the seat stands on sound bone."
    # “From this level down” needs every deeper seat to stand as well.
    first = next((i for i in range(len(placed)) if all(state is True for state in sound[i:])), None)
    lead = f"Sound bone starts {start.number:.1f} mm below the top of the head"
    if first is None:
        maybe = next((i for i in range(len(placed)) if all(state is not False for state in sound[i:])), None)
        if maybe is None:
            return f"{lead}; at no cut level does the whole seat stand on it."
        level = placed[maybe].level.word.lower()
        return f"{lead}; from {level} down the seat may stand on it, but {seen_on} cannot tell for sure."
    unsure = any(state is None for state in sound[:first])
    words = f"From {placed[first].level.word.lower()} down, the seat stands on sound bone."
    return words if not unsure else f"{words[:-1]}; above that it is not sure."


def _has_limit(level: CutLevel, limits: Limits) -> bool:
    bound = limits.bound("seat_on_sound_bone_percent", level)
    return bound is not None and bound.is_set


def _stands(entry: LevelComparison) -> bool | None:
    """True: the seat stands on sound bone for sure; None: on the reading, not in every draw; False: it does not."""
    assert entry.appraisal is not None
    line = entry.appraisal.line("seat_on_sound_bone_percent")
    if not line.measured.known:
        return None
    if line.state is State.NO_LIMIT:
        low = line.measured.low if line.measured.low is not None else line.measured.number
        if line.measured.number < _WHOLE_PERCENT:
            return False
        return True if low >= _WHOLE_PERCENT else None
    return {State.WITHIN: True, State.NEAR: None, State.OUTSIDE: False}.get(line.state)


_WHOLE_PERCENT = 99.0  # the whole seat, up to the soft edge of one sample

"""The pages: what the desk answers, and what the browser and the command line say to it.

One model an idea; the TypeScript types of the front end are generated from
these (`make types`). Numbers come ready to show: value, interval, unit,
decimals, why. The browser never computes one.
Decision: docs/decisions/0170-pages-are-plain-values-of-the-desk.md
"""

import unicodedata
from datetime import date, datetime
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

__all__ = [
    "About",
    "AgreementRow",
    "Appraisal",
    "Caution",
    "Check",
    "CirclePx",
    "Comparison",
    "CupIn",
    "Drawing",
    "DrawnLine",
    "FactField",
    "FactIn",
    "FilmCard",
    "FilmPage",
    "Given",
    "GreyInfo",
    "HipGroup",
    "HipPage",
    "HipRow",
    "HipsPage",
    "ImportLine",
    "JobOut",
    "LandmarkInfo",
    "LandmarkPage",
    "LeftOut",
    "LevelName",
    "LifeMark",
    "LimitMark",
    "LimitRow",
    "LimitState",
    "Line",
    "MeasureRow",
    "MeasuresOut",
    "Model",
    "Moved",
    "MovedValue",
    "NextStep",
    "Number",
    "OverrideWanted",
    "Person",
    "PlacementIn",
    "PlacementPage",
    "PlacementSave",
    "PlanCard",
    "PointPx",
    "PoseIn",
    "ReadingIn",
    "ReadingPage",
    "ReadingState",
    "RepeatPage",
    "RepeatReading",
    "RepeatabilityRow",
    "Reserve",
    "ReserveEnd",
    "ScaleChoice",
    "ScaleIn",
    "ScalePanel",
    "ScanCard",
    "Shape",
    "SideEvidence",
    "SideLetterIn",
    "SideName",
    "SignIn",
    "SignaturePage",
    "SignsIn",
    "SizeOption",
    "SnapIn",
    "SnapOut",
    "SpacePoseIn",
    "SpaceView",
    "StageRow",
    "Station",
    "Stop",
    "TargetIn",
    "ViewName",
    "VoiOption",
    "Why",
    "WhyRow",
]

PointPx = tuple[float, float]
CirclePx = tuple[float, float, float]
SideName = Literal["left", "right"]
ViewName = Literal["ap_pelvis", "ap_hip", "lateral_hip"]
LevelName = Literal["head_surface", "mid_head", "high_neck", "low_neck"]
LimitState = Literal["within", "near", "outside", "not_known", "none"]


class Model(BaseModel):
    """Base: unknown fields are refused, so that a misspelt name is not lost; NaN and infinity are no numbers here."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)


_LONGEST_TEXT = 2000
_MOST_ENTRIES = 5000  # of a list: outlines have hundreds of points
_LARGEST = 1e9
_DEEPEST = 12


class Given(Model):
    """Base of what comes from outside: bounded before it is understood, so that no later step meets it unbounded."""

    @model_validator(mode="before")
    @classmethod
    def bounded(cls, value: Any) -> Any:
        """Refuse text that cannot be kept, numbers that nothing measured has, and endless lists."""
        _bounded(value, 0)
        return value


def _bounded(value: Any, depth: int) -> None:
    if depth > _DEEPEST:
        raise ValueError("nested too deeply")
    if isinstance(value, str):
        if len(value) > _LONGEST_TEXT:
            raise ValueError(f"a text is longer than {_LONGEST_TEXT} characters")
        # Lone surrogates have no UTF-8 form; PostgreSQL keeps no NUL; the other control characters hide what is read.
        if any(unicodedata.category(letter) in ("Cc", "Cs") and letter not in "\n\r\t" for letter in value):
            raise ValueError("a text holds characters that cannot be kept")
    elif isinstance(value, int | float) and not isinstance(value, bool):
        if not abs(value) <= _LARGEST:
            raise ValueError("a number is too large, or none")
    elif isinstance(value, dict | list | tuple):
        if len(value) > _MOST_ENTRIES:
            raise ValueError(f"more than {_MOST_ENTRIES} entries")
        for one in value.items() if isinstance(value, dict) else value:
            _bounded(one, depth + 1)


# ---- numbers -------------------------------------------------------------------------------------------------


class WhyRow(Model):
    """One line of a why slip: `from`, `how`, `scale`, `limit` …"""

    name: str
    text: str


class Why(Model):
    """The slip behind a number: one sentence, then where it comes from."""

    title: str
    sentence: str
    rows: list[WhyRow]


class Number(Model):
    """A number as shown. `kind` other than "measured" has no interval and says so in words. `note`: what is said
    beside it, because its interval does not hold it."""

    key: str
    label: str
    value: float | None
    low: float | None
    high: float | None
    unit: str
    decimals: int
    signed: bool = False
    kind: Literal["measured", "counted", "by_definition", "by_family", "missing"]
    reason: str | None = None
    note: str | None = None
    why: Why


class LimitMark(Model):
    """A limit beside a number. `low`/`high` are the posts; None where that end is open."""

    state: LimitState
    low: float | None
    high: float | None
    words: str
    source: str
    status: Literal["published", "common_practice", "from_memory", "local", "unset"]
    edited_by: str | None = None


class Line(Model):
    """One row of an appraisal."""

    group: str
    number: Number
    limit: LimitMark | None
    text: str | None = None  # instead of a number: "closed", "opened"
    detail: str | None = None  # "medial side, 17 mm below the cut"


# ---- patients and hips ---------------------------------------------------------------------------------------


class Person(Model):
    """Who, as the nameplate shows it."""

    patient_id: str
    name: str
    number: str
    born: date | None
    sex: str | None
    age_years: int | None


class LifeMark(Model):
    """One mark on a hip's line."""

    kind: Literal["seen", "film_not_read", "read", "compared", "planned", "signed", "operated", "due", "event"]
    on: date
    words: str


class NextStep(Model):
    """The next thing to do for a hip; `page` is where its button leads."""

    title: str
    detail: str
    state: Literal["due", "stopped", "late", "none"]
    button: str
    page: Literal["film", "reading", "scan", "stock", "facts", "comparison", "placement", "signature", "sheet", "life"]
    film_id: str | None = None
    scan_id: str | None = None


class HipRow(Model):
    """One line of the patients page."""

    hip_id: str
    person: Person
    side: SideName
    is_other_hip: bool
    marks: list[LifeMark]
    next: NextStep


class HipGroup(Model):
    """Rows under one heading ("Stopped", "To do", "Signed", "Watched")."""

    title: str
    rows: list[HipRow]


class HipsPage(Model):
    """The patients page."""

    today: date
    finding: str
    hips: int
    patients: int
    groups: list[HipGroup]


class Station(Model):
    """A station on the line that is the navigation."""

    key: Literal["film", "reading", "scan", "stock", "comparison", "placement", "signature", "operation", "reviews"]
    title: str
    note: str  # a date, "today", or ""
    state: Literal["done", "todo", "stopped"]
    open: bool  # can be visited now
    film_id: str | None = None
    scan_id: str | None = None


class FactField(Model):
    """One entry of the hip's record that decisions need; nothing compulsory that is not needed."""

    key: str
    label: str
    unit: str | None
    form: Literal["number", "text", "choice", "yes_no"]
    choices: list[str] | None = None
    value: float | str | bool | None
    on: date | None
    source: str | None
    per_patient: bool
    says: str  # why it is asked


class Caution(Model):
    """A caution with its source; never summed."""

    text: str
    source: str
    status: Literal["published", "common_practice", "from_memory"]
    levels: list[LevelName]


class FilmCard(Model):
    """A film of this patient, as listed."""

    film_id: str
    view: ViewName | None
    side: SideName | None  # which hip it was put to; None for a pelvis (both)
    taken: date | None
    age_days: int | None
    words: str
    read: bool
    state: Literal["ready", "no_scale", "side_open", "side_wrong", "stale", "set_aside"]
    used_here: bool


class ScanCard(Model):
    """A scan as the hip's page lists it. "reading": its job runs; "stopped": it cannot be read or planned on."""

    scan_id: str
    modality: Literal["CT", "MR"]
    taken: date | None
    age_days: int | None
    words: str
    state: Literal["not_read", "reading", "read", "stopped"]
    says: str
    side: SideName | None  # as the header says; None: silent or both
    job_id: str | None = None
    used_here: bool = True


class PlanCard(Model):
    """A signed plan."""

    plan_id: str
    version: int
    level: LevelName
    words: str
    signed_by: str
    signed_at: datetime
    hash: str
    superseded: bool
    operation_date: date | None


class HipPage(Model):
    """One hip's line of life."""

    hip_id: str
    other_hip_id: str | None
    person: Person
    side: SideName
    today: date
    finding: str
    next: NextStep
    stations: list[Station]
    marks: list[LifeMark]
    facts: list[FactField]
    films: list[FilmCard]
    scans: list[ScanCard] = Field(default_factory=list)
    plans: list[PlanCard]
    cautions: list[Caution]
    key_numbers: list[Number]


class FactIn(Given):
    """A fact as typed."""

    value: float | str | bool | None
    on: date | None = None
    source: str = ""


# ---- films, scale --------------------------------------------------------------------------------------------


class VoiOption(Model):
    """A way to look at the grey levels; `table` for a VOI LUT sequence (sampled over the shown range)."""

    words: str
    function: Literal["LINEAR", "LINEAR_EXACT", "SIGMOID", "TABLE"]
    center: float
    width: float
    table: list[float] | None = None
    table_first: float | None = None


class GreyInfo(Model):
    """How to read the bytes of `/api/films/{id}/grey`: little-endian uint16, value = stored*slope + intercept."""

    rows: int
    cols: int
    slope: float
    intercept: float
    low: float
    high: float
    inverted: bool  # MONOCHROME1: the browser starts inverted
    voi: list[VoiOption]
    row_factor: float  # mm per row / mm per column; 1 for square pixels


class ScaleChoice(Model):
    """One possible source of scale, side by side with the others."""

    kind: Literal["ball", "ruler", "calibrated_header", "detector_and_distance", "typed_magnification", "none"]
    words: str
    larger_percent: float | None
    scale: Number | None
    apart_percent: float | None  # against the one in use
    refused: str | None
    in_use: bool
    needs: str | None  # what a person must give to use it


class ScalePanel(Model):
    """All sources of scale for one film; `settled` False when sources contradict and nobody has chosen."""

    in_use: Number | None
    choices: list[ScaleChoice]
    settled: bool
    contradiction: str | None
    says: str
    settled_by: str | None = None


class SideEvidence(Model):
    """Where a side is written, what it says, who read it."""

    place: str
    says: SideName | Literal["both", "silent"]
    read_by: str
    agrees: bool | None


class FilmPage(Model):
    """A film opened."""

    film_id: str
    person: Person
    hip_id: str
    card: FilmCard
    grey: GreyInfo
    columns_to_left: bool | None
    header: list[WhyRow]
    scale: ScalePanel
    side_evidence: list[SideEvidence]
    side_letter: SideName | Literal["both", "none"] | None  # as the reader saw it; None = not yet asked
    warnings: list[str]


class ScaleIn(Given):
    """Use this source of scale. Ball: circle found by snap. Ruler: two points. Header/typed: numbers."""

    kind: Literal["ball", "ruler", "calibrated_header", "detector_and_distance", "typed_magnification", "none"]
    circle: CirclePx | None = None
    circle_sd_px: float | None = None
    diameter_mm: float | None = None
    ruler: tuple[PointPx, PointPx] | None = None
    ruler_mm: float | None = None
    magnification: float | None = None
    source_detector_mm: float | None = None
    object_detector_mm: float | None = None
    settle: bool = False  # the reader has seen the contradiction and chooses this one
    why: str = ""


class SideLetterIn(Given):
    """What the reader sees on the film. For a pelvis: on which side of the picture the patient's right lies."""

    seen: SideName | Literal["both", "none"]
    columns_to_left: bool | None = None
    view: ViewName | None = None


# ---- snap and reading ----------------------------------------------------------------------------------------


class SnapIn(Given):
    """Rough clicks, (column, row)."""

    what: Literal["ball", "head", "neck", "shaft"]
    side: SideName
    clicks: list[PointPx]
    circle: CirclePx | None = None  # the head circle, for neck and shaft


class LeftOut(Model):
    """An arc of the head left out of the circle, degrees counter-clockwise from the picture's right."""

    from_deg: float
    to_deg: float
    why: str


class SnapOut(Model):
    """What was found, and of what."""

    found: bool
    says: str
    ask: str | None
    points: dict[str, PointPx]
    sd_px: dict[str, float]
    circle: CirclePx | None
    circle_sd_px: float | None
    used: list[PointPx]
    left_out: list[LeftOut]
    outlines: dict[str, list[PointPx]]
    residual_mm: float | None
    used_arc_deg: float | None


class LandmarkInfo(Model):
    """A landmark: what it is, where it goes on the schematic (0..1), its default sd."""

    key: str
    label: str
    says: str
    views: list[ViewName]
    sided: bool
    default_sd_mm: float
    picture: PointPx  # on its first view
    pictures: dict[str, PointPx] = Field(default_factory=dict)  # by view
    snaps_with: Literal["head", "neck", "shaft"] | None = None
    optional: bool


class LandmarkPage(Model):
    """All landmarks and the schematic of each view (SVG path data in a 0..100 box)."""

    landmarks: list[LandmarkInfo]
    schematics: dict[str, list[str]]


class SignsIn(Given):
    """Raw signs of osteonecrosis as seen; None = not looked at."""

    film_abnormal: bool | None = None
    mri_abnormal: bool | None = None
    sclerosis: bool | None = None
    cysts: bool | None = None
    crescent: bool | None = None
    flattening: bool | None = None
    joint_space_narrowed: bool | None = None
    acetabular_changes: bool | None = None
    joint_destroyed: bool | None = None


class ReadingState(Given):
    """Everything placed on one film by one reader. Keys of points: `right.teardrop`, `pubic_symphysis`."""

    points: dict[str, PointPx] = Field(default_factory=dict)
    circles: dict[str, CirclePx] = Field(default_factory=dict)
    outlines: dict[str, list[PointPx]] = Field(default_factory=dict)
    sd_px: dict[str, float] = Field(default_factory=dict)
    found: list[str] = Field(default_factory=list)  # keys found by the program and not yet accepted by a person
    left_out: dict[str, list[LeftOut]] = Field(default_factory=dict)
    signs: dict[str, SignsIn] = Field(default_factory=dict)  # by side


class MeasureRow(Model):
    """One measure: right, left, right − left; or one number of the pelvis."""

    key: str
    label: str
    unit: str
    right: Number | None
    left: Number | None
    difference: Number | None


class StageRow(Model):
    """A stage in one published system and its band's history, in counts."""

    system: str
    stage: str
    counts: str
    source: str
    status: Literal["published", "common_practice", "from_memory"]


class DrawnLine(Model):
    """A measurement drawn on the film, pixels."""

    key: str
    kind: Literal["line", "dashed", "circle", "arc"]
    points: list[PointPx]
    label: str | None = None
    label_at: PointPx | None = None


class MeasuresOut(Model):
    """Numbers that follow from a reading."""

    rows: list[MeasureRow]
    pelvis: list[Line]
    stages: list[StageRow]
    drawn: list[DrawnLine]
    warnings: list[str]
    finding: str
    todo: list[str]  # landmark keys still wanted, in order
    ms: float


class ReadingPage(Model):
    """A reading with its place in the undo history."""

    film_id: str
    reader: str
    state: ReadingState
    step: int
    can_undo: bool
    can_redo: bool
    saved_at: datetime | None
    measures: MeasuresOut
    repeat_of: str | None = None


class RepeatReading(Model):
    """One reading of a film: who, when, and its main numbers."""

    reader: str
    kept_at: datetime | None
    in_use: bool
    numbers: list[Number]


class RepeatabilityRow(Model):
    """How well one reader repeats one measure, over the films read more than once."""

    key: str
    label: str
    reader: str
    films: int
    within_sd: Number
    coefficient: Number


class AgreementRow(Model):
    """How two readers agree on one measure: second minus first, with the limits that hold 95 % of differences."""

    key: str
    label: str
    first: str
    second: str
    films: int
    bias: Number
    lower: Number
    upper: Number


class RepeatPage(Model):
    """All readings of one film, and repeatability over all films read more than once."""

    film_id: str
    readings: list[RepeatReading]
    within: list[RepeatabilityRow]
    between: list[AgreementRow]
    says: str


class ReadingIn(Given):
    """Save a step. `base_step` is the step the change was made on; another reader's later step is refused."""

    state: ReadingState
    base_step: int
    what: str  # "moved right.teardrop": named in the undo list


# ---- comparison, placement -----------------------------------------------------------------------------------


class Shape(Model):
    """A drawn shape. `role` picks the drawing rule.

    Roles: bone, cortex, dead, uncertain, removed, component, seat_sound, seat_unsound, cut, pelvis, cup, axis, wall.
    """

    role: str
    points: list[PointPx]
    closed: bool
    label: str | None = None


class Drawing(Model):
    """Shapes in one frame.

    "neck": mm, x across (medial +), y depth below the pole of the head (down);
    "film_px", "lateral_px": pixels of the AP and of the lateral film.
    """

    frame: Literal["neck", "film_px", "lateral_px"]
    shapes: list[Shape]


class PoseIn(Given):
    """Film frame of the side, mm and degrees (docs/frames.md)."""

    x_mm: float
    z_mm: float
    ap_angle_deg: float
    y_mm: float = 0.0
    lateral_angle_deg: float = 0.0


class CupIn(Given):
    """A cup's size and place."""

    family: str
    size: str
    x_mm: float
    z_mm: float
    inclination_deg: float
    version_deg: float


class SpacePoseIn(Given):
    """A place on a hip read from a scan, hip frame of the reading (implants/placement.py, SpacePose)."""

    x_mm: float
    y_mm: float
    z_mm: float
    frontal_deg: float
    forward_deg: float
    roll_deg: float = 0.0


class PlacementIn(Given):
    """A component, its size and pose, and a cup. With `space` (a hip with a scan) that is the place."""

    level: LevelName
    family: str
    size: str
    head_mm: float
    neck_length: str | None = None
    pose: PoseIn
    cup: CupIn | None = None
    space: SpacePoseIn | None = None


class SizeOption(Model):
    """A size in a family, for the size keys."""

    family: str
    size: str
    words: str


class ReserveEnd(Model):
    """One end of the reserve of length: how far, its interval, and the limit that binds there."""

    number: Number
    binds: str


class Reserve(Model):
    """Length still available at this level."""

    longer: ReserveEnd | None
    shorter: ReserveEnd | None
    says: str


class SpaceView(Model):
    """What the 3D pictures and the planes draw of a placement; LPS, mm.

    `component_to_lps`: 16 numbers, row by row, of the 4 x 4 matrix that takes the mesh of family and size to LPS.
    `cut`: point and unit normal (toward the head). `wire`: two points. `seat`: points of the seat, five numbers
    each: x, y, z, state (1 on sound bone, 0 on dead or uncertain bone, -1 not on bone), wall in mm.
    `hip_axes`: unit vectors medial, anterior, proximal, in which arrow keys move the part.
    """

    component: str  # "family/size": mesh at /api/solids/{family}/{size}
    component_to_lps: list[float]
    hip_axes: list[tuple[float, float, float]]
    cut_point: tuple[float, float, float]
    cut_normal: tuple[float, float, float]
    wire: list[tuple[float, float, float]]
    head_centre: tuple[float, float, float] | None
    head_radius_mm: float | None
    cup_centre: tuple[float, float, float] | None
    cup_radius_mm: float | None
    cup_axis: tuple[float, float, float] | None
    least_wall_at: tuple[float, float, float] | None
    seat: list[tuple[float, float, float, float, float]]


class Appraisal(Model):
    """Every number one placement leads to. `space` only on a hip with a scan."""

    placement: PlacementIn
    title: str
    family_words: str
    lines: list[Line]
    counts: dict[str, int]  # within, near, outside, not_known
    reserve: Reserve | None
    drawing_neck: Drawing
    drawing_film: Drawing | None
    drawing_lateral: Drawing | None
    binding: str | None  # which limit held the optimiser, or that no placement meets the limits
    ms: float
    space: SpaceView | None = None


class MovedValue(Model):
    """One value while a part is moved; `state` of the value alone, None where no limit is set."""

    key: str
    value: float
    state: LimitState | None


class Moved(Model):
    """What a placement on a scan leads to while a hand moves it: values now, intervals when the hand rests."""

    placement: PlacementIn
    values: list[MovedValue]
    binding: str
    space: SpaceView
    ms: float


class LimitRow(Model):
    """A limit with its source, for the limits page."""

    key: str
    label: str
    words: str
    unit: str
    source: str
    year: int | None
    status: Literal["published", "common_practice", "from_memory", "local", "unset"]
    edited_by: str | None
    low: float | None = None
    high: float | None = None
    value: float | None = None  # of a setting, which has no ends


class Comparison(Model):
    """The best placement at each cut level, side by side."""

    hip_id: str
    finding: str
    first: str | None  # said before anything else: joint-preserving surgery, or that this hip should wait
    cautions: list[Caution]
    levels: list[Appraisal]
    chosen: LevelName | None
    rows: list[str]  # keys of lines in table order
    sound_bone_from: Number | None
    limits: list[LimitRow]
    scale_words: str
    left_out: list[WhyRow] = Field(default_factory=list)  # levels without a placement, and why
    ms: float


class PlacementPage(Model):
    """The placement being dragged, with its undo history."""

    hip_id: str
    film_id: str | None  # the AP film where one is read
    lateral_film_id: str | None
    scan_id: str | None = None  # the scan that is planned on; then `appraisal.space` is there
    appraisal: Appraisal
    sizes: list[SizeOption]
    cup_sizes: list[SizeOption]
    heads: list[float]
    neck_lengths: list[str]
    step: int
    can_undo: bool
    can_redo: bool
    saved_at: datetime | None
    target_leg_mm: float
    target_offset_mm: float


class PlacementSave(Given):
    """Keep a step of the placement."""

    placement: PlacementIn
    base_step: int
    what: str


class TargetIn(Given):
    """The difference between the sides that the surgeon aims for (operated minus other), mm. Default 0."""

    leg_mm: float
    offset_mm: float


# ---- signing -------------------------------------------------------------------------------------------------


class Check(Model):
    """One safety guard: passed, or what stops signing and what to press."""

    guard: str
    passed: bool
    title: str
    says: str
    button: str | None = None
    page: str | None = None
    film_id: str | None = None
    scan_id: str | None = None


class OverrideWanted(Model):
    """A limit that the plan does not meet; signing wants a reason."""

    key: str
    words: str


class SignaturePage(Model):
    """What stands before the signature. `seen` is sent back with it: what was looked at is what is signed."""

    hip_id: str
    seen: str
    checks: list[Check]
    sides: list[SideEvidence]
    overrides: list[OverrideWanted]
    can_sign: bool
    appraisal: Appraisal | None
    plan: PlanCard | None
    fall_back: list[LevelName]


class SignIn(Given):
    """Sign. `side_typed` is typed by hand, never filled in; `seen` is the signature page's own."""

    signer: str
    side_typed: str
    operation_date: date
    reasons: dict[str, str]
    fall_back: LevelName | None
    cup_overrides: dict[str, str] = Field(default_factory=dict)
    note: str = ""
    seen: str | None = None


# ---- import, jobs --------------------------------------------------------------------------------------------


class ImportLine(Model):
    """What happened to one file."""

    name: str
    outcome: Literal["imported", "already_here", "set_aside", "refused"]
    says: str
    hip_id: str | None = None
    film_id: str | None = None
    scan_id: str | None = None


class JobOut(Model):
    """Long work: progress, and its result when done."""

    job_id: str
    what: str
    state: Literal["waits", "runs", "done", "failed", "cancelled"]
    share: float
    says: str
    lines: list[ImportLine]
    hip_ids: list[str]


class About(Model):
    """The installation."""

    version: str
    today: date
    reader: str
    cautions: list[str]
    hips: int


class Stop(Model):
    """A refusal: the words are those of the exception."""

    stopped: str
    guard: str | None = None
    detail: dict[str, Any] | None = None

"""The pages of a scan: the planes, its segmentation and edits, the stock profile, scan beside film.

All points are LPS in mm unless a field says otherwise. Volumes travel as raw
bytes (little endian, C order [slice, row, column]) beside these pages:

    GET /api/scans/{scan}/grey?hip=    int16, HU on CT
    GET /api/scans/{scan}/labels?hip=  uint8: 0, 1 femur, 2 pelvis, 3 lesion (best estimate; outer rim 4)
    GET /api/scans/{scan}/mesh/{part}?hip=   float32/uint32, see MeshInfo
    GET /api/solids/{family}/{size}    the same form

all on the page's `grid`, the working volume around the hip.
"""

from datetime import date, datetime
from typing import Literal

from pydantic import Field

from headstock.desk.pages import (
    Drawing,
    Given,
    LevelName,
    Line,
    Model,
    Number,
    Person,
    ScanCard,
    SideName,
    WhyRow,
)

__all__ = [
    "AgreementPage",
    "AgreementRowOut",
    "CalibrationIn",
    "CalibrationOut",
    "CutIn",
    "CutLevelOut",
    "EditIn",
    "EditKept",
    "EditsIn",
    "FindingOut",
    "GridOut",
    "LesionOut",
    "MarkIn",
    "MarkerOut",
    "MeshInfo",
    "PlannedFilmOut",
    "ReadScanIn",
    "ScanPage",
    "ScanSideIn",
    "SegmentationOut",
    "StockPage",
    "StockRow",
]

Point = tuple[float, float, float]


class GridOut(Model):
    """The working volume: `lps = origin + axes @ (spacing * (column, row, slice))`; `axes` row by row."""

    origin: Point
    axes: list[Point]
    spacing: Point
    slices: int
    rows: int
    columns: int


class FindingOut(Model):
    """Something found in the scan or its reading."""

    code: str
    weight: Literal["note", "warn", "refuse"]
    says: str


class MarkerOut(Model):
    """A thing drawn in the planes and in space: "sphere" (points[0], radius), "line" (two points), "point"."""

    key: str
    label: str
    kind: Literal["sphere", "line", "point"]
    points: list[Point]
    radius_mm: float | None = None


class MeshInfo(Model):
    """A mesh to fetch from `path`: uint32 vertices V, uint32 faces F, then V x 3 float32 (LPS; solids: component
    frame), F x 3 uint32, then V float32 of `value` when it is named ("wall": mm of bone wall under the vertex)."""

    part: Literal["femur", "pelvis", "lesion", "lesion_outer"]
    path: str
    value: Literal["wall"] | None


class LesionOut(Model):
    """One lesion; "none" found has none of these."""

    number: int
    kind: Literal["dead", "cyst", "drawn"]
    volume: Number
    centre: Point


class SegmentationOut(Model):
    """Where the outlines stand: none yet, being found, found; with the history of corrections."""

    state: Literal["none", "working", "found", "failed"]
    job_id: str | None
    says: str
    step: int
    can_undo: bool
    can_redo: bool
    saved_at: datetime | None
    last_edit: str | None


class CalibrationOut(Model):
    """How HU become density. `state` "none": uncalibrated, only ratios within the scan."""

    state: Literal["rods", "typed", "none"]
    words: str
    slope: Number | None
    offset: Number | None


class ScanPage(Model):
    """A scan of one hip, looked at in planes.

    `window`: centre and width to begin with. `numbers`: the scan's measures in reading order. `neck_plane`: three
    points (head centre, a point down the neck, a point to the side) of the plane along the neck axis; None before
    the reading. `meshes` empty before the reading.
    """

    scan_id: str
    hip_id: str
    side: SideName
    person: Person
    card: ScanCard
    finding: str
    header: list[WhyRow]
    findings: list[FindingOut]
    plannable: bool
    grid: GridOut
    window: tuple[float, float]
    side_confirmed: bool
    side_says: str
    segmentation: SegmentationOut
    calibration: CalibrationOut
    lesions: list[LesionOut]
    numbers: list[Number]
    markers: list[MarkerOut]
    neck_plane: tuple[Point, Point, Point] | None
    meshes: list[MeshInfo]
    volume_version: str  # changes when grey or labels change: part of their address, for the browser's cache


class ReadScanIn(Given):
    """Begin reading. `seed`: a point in the femoral head, LPS; None: found by the program."""

    seed: Point | None = None


class MarkIn(Given):
    """Dead bone on an MR: a click in it, LPS of the MR."""

    click: Point


class ScanSideIn(Given):
    """The reader says which side the scan's hip under study is."""

    seen: SideName


class CalibrationIn(Given):
    """A typed calibration: density (g/cm3, phantom-equivalent) = slope * HU + offset. "none" removes it."""

    kind: Literal["typed", "rods", "none"]
    slope: float | None = None
    offset: float | None = None
    slope_sd_percent: float | None = None
    rods_g_cm3: list[float] | None = None  # of "rods": their densities
    source: str = ""


class EditIn(Given):
    """One correction of the outlines.

    "brush" and "eraser": a stroke of balls of `radius_mm` along `points`, or discs in the plane with `normal` when
    that is given. `label` what the brush paints; the eraser takes this label away. "cut": everything of `label` on
    the side of `normal` of the plane through points[0] goes away. "fill": holes of `label` closed, inside
    `radius_mm` of points[0] when that is given.
    """

    tool: Literal["brush", "eraser", "cut", "fill"]
    label: Literal["femur", "pelvis", "lesion"]
    points: list[Point] = Field(max_length=2000)
    radius_mm: float | None = None
    normal: Point | None = None


class EditsIn(Given):
    """Keep one or more corrections as one step."""

    edits: list[EditIn] = Field(max_length=50)
    base_step: int
    what: str


class EditKept(Model):
    """The step is kept; measures follow in a job of their own. `box`: first and last (slice, row, column) changed."""

    segmentation: SegmentationOut
    box: tuple[tuple[int, int, int], tuple[int, int, int]] | None
    volume_version: str


class StockRow(Model):
    """The profile at one depth: values with low and high. `density` in `density_unit` of the page."""

    depth_mm: float
    section_mm2: tuple[float, float, float]
    sound_mm2: tuple[float, float, float]
    sound_inner_mm2: float
    sound_outer_mm2: float
    density: tuple[float, float, float] | None
    wall_mm: tuple[float, float, float] | None
    least_wall_mm: tuple[float, float, float] | None
    joined: bool
    marked_percent: float  # of the section, within reach of the streaks of metal


class CutLevelOut(Model):
    """A cut level on the stock picture: where its cut lies, what it leads to, and its component in the neck frame."""

    level: LevelName
    word: str
    depth: Number
    range_mm: tuple[float, float]
    lines: list[Line]  # section sound, seat on sound bone, least wall, head kept
    component: str | None  # title of the part, or None with
    reason: str | None
    drawing: Drawing | None


class StockPage(Model):
    """The stock profile, the picture the surgeon looks at first.

    `drawing`: the bone in the plane along the neck axis, neck frame (x medial +, y depth). `picture`: path of the
    scan in the same plane as PNG, covering `picture_mm` (x from, x to, depth from, depth to).
    """

    hip_id: str
    scan_id: str
    person: Person
    side: SideName
    finding: str
    says: str
    sound_from: Number
    lesion_volume: Number | None
    lesion_share: Number | None
    density_unit: Literal["g/cm3", "1"]
    density_words: str
    rows: list[StockRow]
    levels: list[CutLevelOut]
    chosen: LevelName | None
    drawing: Drawing
    picture: str
    picture_mm: tuple[float, float, float, float]
    numbers: list[Number]
    findings: list[FindingOut]
    ms: float


class CutIn(Given):
    """A cut being dragged: every number of its level follows; `keep` makes the level chosen with this cut."""

    level: LevelName
    depth_mm: float
    keep: bool = False


class AgreementRowOut(Model):
    """One measure from the scan and from the film, their difference, and what explains it."""

    key: str
    label: str
    scan: Number | None
    film: Number | None
    difference: Number | None
    explained: Number | None  # the part of the difference that projection, rotation and scale explain
    says: str


class AgreementPage(Model):
    """Scan and film of one hip side by side."""

    hip_id: str
    rows: list[AgreementRowOut]
    says: str


class PlannedFilmOut(Model):
    """The scan projected with the component in place, beside the real film. Pictures as paths of PNG."""

    planned: str
    film: str | None
    words: str
    taken: date | None

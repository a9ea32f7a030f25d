"""The stock profile as a page, and a cut that is dragged along it.

In: a hip whose scan was read. Out: `StockPage`, `CutLevelOut`. Nothing is computed here that anatomy and
planning did not compute.
"""

import io
import time
from dataclasses import dataclass
from datetime import date, datetime
from typing import Final

import numpy as np
from numpy.typing import NDArray

from headstock.anatomy.scan.stock import cut_numbers, profile_note
from headstock.anatomy.scan.values import StockProfile
from headstock.desk.appraisals import appraisal_page, placement_in
from headstock.desk.compare import best_of
from headstock.desk.desk import Desk
from headstock.desk.films import person
from headstock.desk.ground import appraised, drawn
from headstock.desk.pages import Drawing, Line, PlacementSave
from headstock.desk.place import keep_placement
from headstock.desk.scan_pages import CutIn, CutLevelOut, FindingOut, StockPage, StockRow
from headstock.desk.scans.page import scan_numbers
from headstock.desk.scans.rows import scan_words
from headstock.desk.scene import ScanPart, Scene, scene_of
from headstock.desk.shapes import bone_drawing
from headstock.desk.words import number
from headstock.errors import RecordError, TooFewError
from headstock.implants import CutLevel, Placement, level_range_mm
from headstock.measured import Measured, exact
from headstock.planning.space.drawing import neck_drawing_in_space
from headstock.planning.space.optimise import at_cut
from headstock.planning.space.places import Rows
from headstock.planning.space.section import neck_plane

__all__ = ["drag_cut", "stock_page", "stock_picture"]

Floats = NDArray[np.float64]
# Lines of a level's card, and what they are called where there is room for three words.
_LINES: Final = {
    "seat_on_sound_bone_percent": "seat on sound bone",
    "least_wall_mm": "least wall",
    "head_kept_percent": "head kept",
}
_PICTURE_MM: Final = (-45.0, 45.0, -8.0, 82.0)  # x from, to; depth from, to
_PICTURE_PX_PER_MM: Final = 4


@dataclass(frozen=True, slots=True)
class _Level:
    level: CutLevel
    placement: Placement | None
    reason: str


def _scan_of(scene: Scene) -> ScanPart:
    if scene.scan is None:
        raise TooFewError(
            "The stock profile is read from a CT, and no CT of this hip was read that may be planned on. Bring one in, "
            "or find the bone in the one that is here."
        )
    return scene.scan


def stock_page(desk: Desk, hip_id: str, *, today: date) -> StockPage:
    """The picture the surgeon looks at first.

    Raises
    ------
    TooFewError
        No CT of this hip was read.
    """
    begun = time.perf_counter()
    scene = scene_of(desk, hip_id, today=today)
    scan = _scan_of(scene)
    profile, lesion = scan.read.stock, scan.read.lesion
    levels = [_level_page(desk, scene, one, live=False) for one in _levels(desk, scene)]
    volume, share = (lesion.measures.get(name) for name in ("volume_cm3", "share_of_head_percent"))
    return StockPage(
        hip_id=hip_id,
        scan_id=scan.row.id,
        person=person(scene.state.patient, today),
        side=scene.state.hip.side,  # type: ignore[arg-type]  # kept by us from the same words
        finding=_finding(scan, scene.state.hip.side),
        says=_says(scan),
        sound_from=number("sound_from_mm", "sound bone starts below the top of the head", profile.sound_from_mm),
        lesion_volume=None if volume is None or not lesion.parts else number("volume_cm3", "dead bone", volume),
        lesion_share=None
        if share is None or not lesion.parts
        else number("share_of_head_percent", "dead bone, of the head", share),
        density_unit=profile.density_unit,
        density_words=_density_words(profile),
        rows=_rows(profile),
        levels=levels,
        chosen=scene.state.hip.chosen_level,  # type: ignore[arg-type]  # kept by us from the same words
        drawing=_bone(scan),
        picture=f"/api/hips/{hip_id}/stock/picture.png?v={scan.read.basis[:16]}",
        picture_mm=_PICTURE_MM,
        numbers=scan_numbers(scan.read),
        findings=[
            FindingOut(code=one.code, weight=one.weight, says=one.says)
            for one in scan.read.findings
            if one.weight != "note"
        ],
        ms=1000 * (time.perf_counter() - begun),
    )


def drag_cut(desk: Desk, hip_id: str, given: CutIn, *, who: str, now: datetime) -> CutLevelOut:
    """A level with its cut held at a depth; with `keep` this becomes the placement, as a step that can be undone.

    Raises
    ------
    RecordError
        No part can be placed at this level.
    """
    scene = scene_of(desk, hip_id, today=now.date())
    scan, level = _scan_of(scene), CutLevel(given.level)
    best = best_of(desk, scene, level)
    if best.placement is None:
        raise RecordError(f"Nothing can be placed at {level.word.lower()} on this hip: {best.reason}")
    placement = at_cut(
        scan.space, level, given.depth_mm, desk.catalogue, scene.limits, scene.targets, start=best.placement
    )
    if given.keep:
        keep = PlacementSave(
            placement=placement_in(placement, level),
            base_step=0 if scene.state.placement is None else scene.state.placement.step,
            what=f"cut moved to {given.depth_mm:.1f} mm on the stock profile",
        )
        keep_placement(desk, hip_id, keep, who=who, now=now)
    return _level_page(desk, scene, _Level(level, placement, ""), live=not given.keep)


# ---- levels --------------------------------------------------------------------------------------------------


def _levels(desk: Desk, scene: Scene) -> list[_Level]:
    """Each level's part: the kept placement where it is of that level, else the best that the search found."""
    from headstock.desk.place import current_placement

    found = []
    for level in CutLevel:
        best = best_of(desk, scene, level)
        placement = best.placement
        if scene.state.hip.chosen_level == level.value and scene.state.placement is not None:
            placement = current_placement(desk, scene)[0]
        found.append(_Level(level, placement, best.reason))
    return found


def _level_page(desk: Desk, scene: Scene, one: _Level, *, live: bool) -> CutLevelOut:
    scan = _scan_of(scene)
    hip, profile = scan.read.hip, scan.read.stock
    low, high = (0.0, float(profile.depth_mm[-1]))
    if hip.base_depth is not None:
        ends = level_range_mm(one.level, hip.head_height[0], hip.base_depth[0])
        low, high = float(ends[0]), float(ends[1])
    if one.placement is None:
        return CutLevelOut(
            level=one.level.value,
            word=one.level.word,
            depth=number("cut_depth_mm", "cut", exact(0.5 * (low + high), "mm", "the middle of the level")),
            range_mm=(low, high),
            lines=[],
            component=None,
            reason=one.reason,
            drawing=None,
        )
    found = appraised(scene, one.placement, desk.catalogue, live=live)
    depth = found.line("cut_depth_mm").measured
    picture = drawn(scene, one.placement, desk.catalogue, live=live)
    page = appraisal_page(scene, one.placement, desk.catalogue, live=live, found=found, picture=picture)
    shown = {line.number.key: line for line in page.lines}
    return CutLevelOut(
        level=one.level.value,
        word=one.level.word,
        depth=number("cut_depth_mm", "cut below the top of the head", depth),
        range_mm=(low, high),
        lines=[
            *_section_lines(profile, scan, depth),
            *(_short(shown[name], words) for name, words in _LINES.items() if name in shown),
        ],
        component=f"{page.family_words}",
        reason=None,
        drawing=page.drawing_neck,
    )


def _short(line: Line, words: str) -> Line:
    """A line under a shorter name; its slip keeps the whole one."""
    return line.model_copy(update={"number": line.number.model_copy(update={"label": words})})


def _section_lines(profile: StockProfile, scan: ScanPart, depth: Measured) -> list[Line]:
    if depth.value is None:
        return []
    at = cut_numbers(profile, depth.value, scan.read.hip)
    return [
        Line(
            group="Bone",
            number=number(
                "section_sound_percent",
                "section sound",
                at.section_sound_percent,
                sentence="The share of the section square to the neck axis, at this depth, that is sound bone.",
            ),
            limit=None,
        )
    ]


def _density_words(profile: StockProfile) -> str:
    words = "ratio to the head's own sound bone: not calibrated"
    if profile.density_unit == "g/cm3":
        words = "g/cm³, equivalent of the phantom"
    note = profile_note(profile)
    return words if note is None else f"{words}. {note}"


# ---- words and pictures --------------------------------------------------------------------------------------


def _finding(scan: ScanPart, side: str) -> str:
    start = scan.read.stock.sound_from_mm
    if not scan.read.lesion.parts:
        return f"No dead bone was found in the {side} head."
    if start.value is None:
        return start.reason or "Where sound bone starts is not known."
    return f"Sound bone starts {start.value:.1f} mm below the top of the head."


def _says(scan: ScanPart) -> str:
    """Where the picture comes from, beside the finding."""
    rim = "Its rim is drawn twice, inner and outer estimate. " if scan.read.lesion.parts else ""
    size = " x ".join(f"{step:.1f}" for step in scan.read.scan.grid.spacing_mm)
    return f"{rim}{scan_words(scan.row)}, voxels of {size} mm."


def _rows(profile: StockProfile) -> list[StockRow]:
    def triple(values: Floats, i: int) -> tuple[float, float, float] | None:
        value, low, high = (round(float(v), 3) for v in values[:, i])
        return (value, low, high) if np.all(np.isfinite(values[:, i])) else None

    return [
        StockRow(
            depth_mm=round(float(profile.depth_mm[i]), 3),
            section_mm2=triple(profile.section_mm2, i) or (0.0, 0.0, 0.0),
            sound_mm2=triple(profile.sound_mm2, i) or (0.0, 0.0, 0.0),
            sound_inner_mm2=round(float(profile.sound_inner_mm2[i]), 2),
            sound_outer_mm2=round(float(profile.sound_outer_mm2[i]), 2),
            density=triple(profile.density, i),
            wall_mm=triple(profile.wall_mm, i),
            least_wall_mm=triple(profile.least_wall_mm, i),
            joined=bool(profile.joined[i]),
            marked_percent=round(100.0 * float(profile.marked[i]), 1),
        )
        for i in range(len(profile.depth_mm))
    ]


def _bone(scan: ScanPart) -> Drawing:
    return bone_drawing(neck_drawing_in_space(scan.space))


def stock_picture(desk: Desk, hip_id: str, *, today: date) -> bytes:
    """The scan in the plane of neck and shaft, neck axis upright, as PNG; it covers the page's `picture_mm`."""
    scene = scene_of(desk, hip_id, today=today)
    scan = _scan_of(scene)

    def make() -> bytes:
        from PIL import Image

        x0, x1, s0, s1 = _PICTURE_MM
        across = np.arange(x0, x1, 1.0 / _PICTURE_PX_PER_MM) + 0.5 / _PICTURE_PX_PER_MM
        depth = np.arange(s0, s1, 1.0 / _PICTURE_PX_PER_MM) + 0.5 / _PICTURE_PX_PER_MM
        plane = neck_plane(Rows.of(scan.space, reading=True), "ap", s1)
        points = plane.to_hip(np.stack(np.meshgrid(across, depth), axis=-1))
        grey = np.clip((np.asarray(scan.space.hu.at(points), np.float64) + 200.0) / 1600.0, 0.0, 1.0)
        out = io.BytesIO()
        Image.fromarray((255.0 * grey).astype(np.uint8)).save(out, "PNG")
        return out.getvalue()

    picture: bytes = desk.answers.get(("stock picture", scan.read.basis), make)
    return picture

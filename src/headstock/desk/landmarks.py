"""The landmarks a reader may place, with where each goes and how its schematic is drawn."""

import re
from functools import lru_cache
from typing import Final, Literal

from headstock.anatomy import LANDMARKS, View
from headstock.anatomy.landmarks import SCHEMATIC_SIZE
from headstock.anatomy.pictures import picture
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
                picture=_place(mark.picture(view), view),
                pictures={v.value: _place(mark.picture(v), v) for v in View if v in mark.pictures},
                snaps_with=_TOOLS.get(name),
                optional=name not in asked,
            )
        )
    return LandmarkPage(landmarks=infos, schematics=schematics())


def schematics() -> dict[str, list[str]]:
    """SVG path data of each view's schematic of a right hip, in a box of 0 to 100 that keeps its proportions."""
    return {view.value: [_scaled(path.d, view) for path in picture(view).paths] for view in View}


def _square(view: View) -> tuple[float, float, float]:
    """Side of the square the drawing lies in the middle of, and the drawing's corner in it, drawing units."""
    width, height = SCHEMATIC_SIZE[view]
    side = max(width, height)
    return side, (side - width) / 2, (side - height) / 2


def _place(share: tuple[float, float], view: View) -> tuple[float, float]:
    """A landmark's place as a share of that square."""
    side, left, top = _square(view)
    width, height = SCHEMATIC_SIZE[view]
    return (left + share[0] * width) / side, (top + share[1] * height) / side


def _scaled(path: str, view: View) -> str:
    """Path data of the drawing (M, C, Z absolute; a relative) in the box of 0 to 100."""
    side, left, top = _square(view)
    scale = 100.0 / side
    pieces = []
    for letter, numbers in re.findall(r"([A-Za-z])([^A-Za-z]*)", path):
        values = [float(number) for number in numbers.replace(",", " ").split()]
        if letter == "a":
            for k in range(0, len(values), 7):
                for place in (0, 1, 5, 6):
                    values[k + place] *= scale
        else:
            values = [(v + (left, top)[k % 2]) * scale for k, v in enumerate(values)]
        pieces.append(letter + " ".join(f"{v:.2f}".rstrip("0").rstrip(".") for v in values))
    return "".join(pieces)

"""Schematics that show where each landmark goes.

In: data/pictures.toml and the landmarks' places. Out: SVG path data and marks, or a whole
SVG. Drawing units, y down; a right hip as on an AP film seen from the front (patient's
right on the picture's left). `mirrored` gives the left hip.
"""

from dataclasses import dataclass
from html import escape
from typing import Final

import numpy as np
from numpy.typing import NDArray

from headstock.anatomy.bands import table_file
from headstock.anatomy.landmarks import LANDMARKS, PELVIS_SHIFT, SCHEMATIC_SIZE, View
from headstock.errors import FrameError
from headstock.frames import Side

__all__ = ["Mark", "Picture", "PicturePath", "picture"]

Floats = NDArray[np.float64]
_DRAWINGS: Final = {View.AP_HIP: "ap", View.AP_PELVIS: "ap", View.LATERAL_HIP: "lateral"}

_STROKES: Final = {
    "bone": 'stroke-width="4"',
    "inner": 'stroke-width="2" stroke-dasharray="7 6"',
    "joint": 'stroke-width="8"',
    "pelvis": 'stroke-width="2.5" stroke-dasharray="2 6"',
}


@dataclass(frozen=True, slots=True)
class PicturePath:
    """SVG path data (`d`) and what it shows: bone, inner, joint or pelvis."""

    d: str
    kind: str


@dataclass(frozen=True, slots=True)
class Mark:
    """A landmark on the picture, drawing units; `side` None for a midline point."""

    name: str
    side: Side | None
    x: float
    y: float


@dataclass(frozen=True, slots=True)
class Picture:
    """A schematic of one view with its landmarks."""

    view: View
    width: float
    height: float
    paths: tuple[PicturePath, ...]
    marks: tuple[Mark, ...]

    def to_svg(self, landmark: str | None = None, side: Side = Side.RIGHT) -> str:
        """The picture as SVG; every landmark a dot, the named one ringed, with its words as the title.

        Raises
        ------
        FrameError
            The landmark is not placed on this view.
        """
        title = f"Landmarks of the {self.view.words} view"
        chosen: Mark | None = None
        if landmark is not None:
            LANDMARKS[landmark].picture(self.view)
            chosen = next(m for m in self.marks if m.name == landmark and m.side in (side, None))
            title = f"{landmark.replace('_', ' ').capitalize()}: {LANDMARKS[landmark].says}"
        lines = [
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {self.width:g} {self.height:g}" role="img" '
            f'fill="none" stroke="currentColor" stroke-linejoin="round" stroke-linecap="round">',
            f"<title>{escape(title)}</title>",
        ]
        lines += [f'<path class="{path.kind}" d="{path.d}" {_STROKES[path.kind]}/>' for path in self.paths]
        lines += [
            f'<circle class="mark" cx="{m.x:g}" cy="{m.y:g}" r="5" fill="currentColor" stroke="none"/>'
            for m in self.marks
            if chosen is None
        ]
        if chosen is not None:
            x, y = chosen.x, chosen.y
            lines.append(f'<circle class="mark chosen" cx="{x:g}" cy="{y:g}" r="22" stroke-width="5"/>')
            cross = f"M{x - 12:g} {y:g}H{x + 12:g}M{x:g} {y - 12:g}V{y + 12:g}"
            lines.append(f'<path class="mark chosen" d="{cross}" stroke-width="4"/>')
        return "\n".join([*lines, "</svg>"]) + "\n"


def _smooth(points: Floats, closed: bool) -> str:
    """A smooth SVG path through the points: Catmull-Rom written as cubic Bézier pieces."""
    n = len(points)

    def at(i: int) -> Floats:
        return np.asarray(points[i % n if closed else min(max(i, 0), n - 1)])

    pieces = [f"M{points[0][0]:g} {points[0][1]:g}"]
    for i in range(n if closed else n - 1):
        a, b, c, d = at(i - 1), at(i), at(i + 1), at(i + 2)
        one, two = b + (c - a) / 6.0, c - (d - b) / 6.0
        pieces.append(f"C{one[0]:.4g} {one[1]:.4g} {two[0]:.4g} {two[1]:.4g} {c[0]:g} {c[1]:g}")
    return "".join(pieces) + ("Z" if closed else "")


def _path(row: dict[str, object], shift: tuple[float, float], mirror_about: float | None) -> PicturePath:
    def place(points: Floats) -> Floats:
        moved = points + np.array(shift)
        if mirror_about is not None:
            moved = np.stack([mirror_about - moved[:, 0], moved[:, 1]], axis=1)
        return np.asarray(moved)

    if "circle" in row:
        column, line, radius = np.asarray(row["circle"], dtype=np.float64)
        (x, y) = place(np.array([[column, line]]))[0]
        arc = f"a{radius:g} {radius:g} 0 1 0"
        return PicturePath(f"M{x - radius:g} {y:g}{arc} {2 * radius:g} 0{arc} {-2 * radius:g} 0Z", str(row["kind"]))
    points = place(np.asarray(row["points"], dtype=np.float64))
    return PicturePath(_smooth(points, bool(row.get("closed", False))), str(row["kind"]))


def picture(view: View, *, side: Side = Side.RIGHT, later_films: bool = False) -> Picture:
    """The schematic of a view.

    Parameters
    ----------
    side
        On a hip or lateral view, the hip to draw; a pelvis view always shows both.
    later_films
        Also the marks of components.
    """
    if view not in SCHEMATIC_SIZE:
        raise FrameError(f"There is no picture of the view {view!r}.")
    width, height = SCHEMATIC_SIZE[view]
    rows = table_file("pictures")["path"]
    own = _DRAWINGS[view]
    paths: list[PicturePath] = []
    for row in rows:
        if view is View.AP_PELVIS and row["drawing"] in ("ap", "pelvis"):
            shift = PELVIS_SHIFT if row["drawing"] == "ap" else (0.0, 0.0)
            paths += [_path(row, shift, None), _path(row, shift, width)]
        elif row["drawing"] == own or (view is View.AP_HIP and row["drawing"] == "pelvis"):
            back = (-PELVIS_SHIFT[0], -PELVIS_SHIFT[1]) if row["drawing"] == "pelvis" else (0.0, 0.0)
            paths.append(_path(row, back, width if side is Side.LEFT else None))
    marks: list[Mark] = []
    for landmark in LANDMARKS.values():
        if view not in landmark.views or (landmark.later_films_only and not later_films):
            continue
        x, y = (share * size for share, size in zip(landmark.picture(view), (width, height), strict=True))
        if not landmark.sided:
            marks.append(Mark(landmark.name, None, x, y))
        elif view is View.AP_PELVIS:
            marks += [Mark(landmark.name, Side.RIGHT, x, y), Mark(landmark.name, Side.LEFT, width - x, y)]
        else:
            marks.append(Mark(landmark.name, side, x if side is Side.RIGHT else width - x, y))
    return Picture(view, width, height, tuple(paths), tuple(marks))

"""What is drawn on a film: the lines along which its numbers were measured, in pixels.

In: what was placed. Out: `DrawnLine`s. These are pictures of the formulas in
headstock.anatomy, not formulas: no number is read from them.
"""

import numpy as np
from numpy.typing import NDArray

from headstock.desk.pages import DrawnLine, ReadingState
from headstock.frames import Side

__all__ = ["drawn_lines"]

Floats = NDArray[np.float64]


def drawn_lines(state: ReadingState, view: str | None, side: Side) -> list[DrawnLine]:
    """Lines to lay over the film."""
    lines: list[DrawnLine] = []
    right, left = _at(state, "right.teardrop"), _at(state, "left.teardrop")
    if right is not None and left is not None:
        beyond = 0.45 * (left - right)
        lines.append(_line("teardrop_line", right - beyond, left + beyond, "line through the teardrops"))
        for one in Side:
            trochanter = _at(state, f"{one.value}.lesser_trochanter")
            if trochanter is not None:
                lines.append(
                    _line(f"{one.value}.lesser_trochanter_below_line_mm", trochanter, _foot(trochanter, right, left))
                )
    for one in Side if view == "ap_pelvis" else (side,):
        lines += _femur(state, one)
    return lines


def _femur(state: ReadingState, side: Side) -> list[DrawnLine]:
    name = side.value
    lines: list[DrawnLine] = []
    head = _at(state, f"{name}.head_centre")
    circle = state.circles.get(f"{name}.head")
    if head is None and circle is not None:
        head = np.array(circle[:2])
    neck = _at(state, f"{name}.neck_axis_point")
    if head is not None and neck is not None:
        step = neck - head
        lines.append(_line(f"{name}.neck_axis", head - 0.9 * step, neck + 1.3 * step, kind="dashed"))
    above, below = _at(state, f"{name}.shaft_proximal"), _at(state, f"{name}.shaft_distal")
    if above is not None and below is not None and np.hypot(*(above - below)) > 1:
        step = above - below
        lines.append(_line(f"{name}.shaft_axis", below - 0.3 * step, above + 1.6 * step, kind="dashed"))
        if head is not None:
            lines.append(_line(f"{name}.femoral_offset_mm", head, _foot(head, above, below), "offset"))
    edge = _at(state, f"{name}.sourcil_lateral")
    if head is not None and edge is not None:
        lines.append(_line(f"{name}.centre_edge_angle_deg", head, edge + 0.3 * (edge - head)))
    return lines


def _at(state: ReadingState, name: str) -> Floats | None:
    point = state.points.get(name)
    return None if point is None else np.array(point, dtype=np.float64)


def _foot(point: Floats, a: Floats, b: Floats) -> Floats:
    """Foot of the perpendicular from a point to the line through a and b."""
    along = (b - a) / max(float(np.hypot(*(b - a))), 1e-9)
    return np.asarray(a + along * float((point - a) @ along))


def _line(key: str, a: Floats, b: Floats, label: str | None = None, kind: str = "line") -> DrawnLine:
    return DrawnLine(
        key=key,
        kind=kind,  # type: ignore[arg-type]  # one of two words, both known to the page
        points=[(float(a[0]), float(a[1])), (float(b[0]), float(b[1]))],
        label=label,
        label_at=None if label is None else (float((a[0] + b[0]) / 2), float((a[1] + b[1]) / 2)),
    )

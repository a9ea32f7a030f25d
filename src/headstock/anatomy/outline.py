"""The outer outline of the upper femur on one film, from what the reader placed.

In: points and traced edges of one hip in film mm (nominal). Out: `OuterOutline`: one
open polyline from the lateral (AP) or posterior (lateral film) shaft up over neck and
head and down the other side, and how far it may be off.
Traced edges are used as they are. Where there are none, a smooth curve runs through
the landmarks; where even those are missing, usual proportions stand in and the sd
says so. Decision: docs/decisions/0131-outline-from-what-is-placed.md
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

__all__ = ["ASSUMED_SD_MM", "INTERPOLATED_SD_MM", "TRACED_SD_MM", "OuterOutline", "outer_outline", "smooth_through"]

Floats = NDArray[np.float64]

# One sd of the whole outline along its normal, mm at the hip. Common practice, no source.
TRACED_SD_MM: Final = 0.7
INTERPOLATED_SD_MM: Final = 1.5
ASSUMED_SD_MM: Final = 3.0

# Usual proportions, used only where nothing is placed; from memory, and the sd above covers them.
_HEAD_TO_NECK: Final = 1.4
_SHAFT_HALF_TO_RADIUS: Final = 0.62
_JUNCTION_DEG: Final = 45.6  # mean alpha angle, Toogood et al. 2009
_TROCHANTER_BULGE: Final = 0.25  # of the head radius, lateral of the line from trochanter tip to shaft edge
_ARC_STEP_DEG: Final = 3.0
_STEPS: Final = 8  # points between two landmarks


@dataclass(frozen=True, slots=True, eq=False)
class OuterOutline:
    """`points_mm` (K, 2), `sd_mm`, how it was had, and what was assumed, in words."""

    points_mm: Floats
    sd_mm: float
    kind: Literal["traced", "interpolated"]
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Edge:
    """Names of one side of the bone on a view."""

    end: str
    shaft_end: str
    words: str

    @property
    def neck(self) -> str:
        """The landmark, and the traced line, of the neck's edge."""
        return f"neck_{self.end}"

    @property
    def junction(self) -> str:
        return f"head_neck_junction_{self.end}"

    @property
    def shaft_line(self) -> str:
        return f"shaft_{self.shaft_end}"

    @property
    def shaft_point(self) -> str:
        return f"shaft_edge_{self.shaft_end}"


_EDGES: Final[dict[str, tuple[_Edge, _Edge]]] = {
    "ap": (_Edge("superior", "lateral", "upper"), _Edge("inferior", "medial", "lower")),
    "lateral": (_Edge("posterior", "posterior", "back"), _Edge("anterior", "anterior", "front")),
}


def smooth_through(knots: Floats, steps: int = _STEPS) -> Floats:
    """A smooth curve through (K, 2) knots: centripetal Catmull-Rom, which neither loops nor overshoots at short gaps.

    Source: Yuksel, Schaefer and Keyser, Computer-Aided Design 2011;43:747.
    """
    if len(knots) < 3:
        return knots
    p = np.concatenate([2 * knots[:1] - knots[1:2], knots, 2 * knots[-1:] - knots[-2:-1]])
    gap = np.sqrt(np.maximum(np.linalg.norm(np.diff(p, axis=0), axis=1), 1e-9))
    t = np.concatenate([[0.0], np.cumsum(gap)])
    pieces: list[Floats] = []
    for i in range(1, len(p) - 2):
        at = np.linspace(t[i], t[i + 1], steps, endpoint=False)[:, None]
        a = [
            ((t[j + 1] - at) * p[j] + (at - t[j]) * p[j + 1]) / (t[j + 1] - t[j])
            for j in (i - 1, i, i + 1)
        ]  # fmt: skip
        b = [((t[j + 2] - at) * a[k] + (at - t[j]) * a[k + 1]) / (t[j + 2] - t[j]) for k, j in enumerate((i - 1, i))]
        pieces.append(((t[i + 1] - at) * b[0] + (at - t[i]) * b[1]) / (t[i + 1] - t[i]))
    return np.concatenate([*pieces, p[-2:-1]])


class _Builder:
    def __init__(
        self,
        view: Literal["ap", "lateral"],
        centre: Floats,
        radius: float,
        neck_axis: Floats,
        across: Floats,
        points: Mapping[str, Floats],
        lines: Mapping[str, Floats],
    ) -> None:
        self.view: Literal["ap", "lateral"] = view
        self.centre, self.radius, self.neck_axis, self.across = centre, radius, neck_axis, across
        self.points, self.lines = points, lines
        self.notes: list[str] = []
        self.sd = TRACED_SD_MM
        self.traced = True

    def depth(self, p: Floats) -> Floats:
        return np.asarray(self.radius - (p - self.centre) @ self.neck_axis)

    def loosen(self, sd: float, note: str) -> None:
        self.traced = False
        self.sd = max(self.sd, sd)
        self.notes.append(note)

    def neck_edge_point(self, edge: _Edge, sign: float) -> Floats:
        if edge.neck in self.points:
            return self.points[edge.neck]
        self.loosen(
            ASSUMED_SD_MM,
            f"The {edge.words} edge of the neck is not placed: its width is taken from the head by a usual proportion.",
        )
        return self.points["neck_axis_point"] + sign * (self.radius / _HEAD_TO_NECK) * self.across

    def junction_angle(self, edge: _Edge, beside: Floats, sign: float) -> float:
        """Angle at the head centre from the neck axis (distal) to where the outline leaves the circle, radians."""
        if edge.junction in self.points:
            v = self.points[edge.junction] - self.centre
            return float(np.arctan2(sign * (v @ self.across), -(v @ self.neck_axis)))
        half = float(np.clip(sign * ((beside - self.centre) @ self.across) / self.radius, 0.0, 0.97))
        return max(float(np.radians(_JUNCTION_DEG)), float(np.arcsin(half) + np.radians(3.0)))

    def shaft_knots(self, edge: _Edge, sign: float) -> list[Floats]:
        """Edge of the shaft, distal first; empty when no shaft is placed."""
        if "shaft_proximal" not in self.points or "shaft_distal" not in self.points:
            return []
        proximal, distal = self.points["shaft_proximal"], self.points["shaft_distal"]
        up = (proximal - distal) / np.linalg.norm(proximal - distal)
        out = np.array([up[1], -up[0]])
        # The outward side is the one on which this edge of the neck lies.
        out = out * np.sign(out @ self.across * sign or 1.0)
        if edge.shaft_point in self.points:
            half = float((self.points[edge.shaft_point] - proximal) @ out)
            top = self.points[edge.shaft_point]
        else:
            half = _SHAFT_HALF_TO_RADIUS * self.radius
            top = proximal + half * out
            self.loosen(
                ASSUMED_SD_MM,
                f"The {edge.shaft_end} edge of the shaft is not placed: a usual proportion of the head stands in.",
            )
        return [distal + half * out, top]

    def side(self, edge: _Edge, sign: float) -> tuple[Floats, float]:
        """One side, distal first, and the angle at which it meets the head."""
        pieces: list[Floats] = []
        shaft_line = self.lines.get(edge.shaft_line)
        knots = [] if shaft_line is not None else self.shaft_knots(edge, sign)
        if shaft_line is not None:
            pieces.append(shaft_line[np.argsort(-self._down(shaft_line))])
        if self.view == "ap":
            knots += self._trochanter(sign, knots, shaft_line is not None)
        neck_line = self.lines.get(edge.neck)
        if neck_line is not None:
            ordered = neck_line[np.argsort(-self.depth(neck_line))]
            outside = np.linalg.norm(ordered - self.centre, axis=1) >= self.radius
            ordered = ordered[outside] if outside.sum() >= 2 else ordered
            if len(knots) >= 1:
                pieces.append(smooth_through(np.array([*knots, ordered[0]]))[:-1])
            pieces.append(ordered)
            beside = ordered[np.argmin(np.abs((ordered - self.centre) @ self.across))]
            last = ordered[-1] - self.centre
            angle = float(np.arctan2(sign * (last @ self.across), -(last @ self.neck_axis)))
            if edge.junction in self.points:
                angle = max(angle, self.junction_angle(edge, beside, sign))
            return np.concatenate(pieces), angle
        neck = self.neck_edge_point(edge, sign)
        if edge.neck in self.points:
            self.loosen(
                INTERPOLATED_SD_MM,
                f"The {edge.words} edge of the neck is not traced: a smooth curve runs through its landmarks.",
            )
        angle = self.junction_angle(edge, neck, sign)
        pieces.append(smooth_through(np.array([*knots, neck, self.on_circle(angle, sign)]))[:-1])
        return np.concatenate(pieces), angle

    def _down(self, line: Floats) -> Floats:
        """How far down the shaft each point lies."""
        if "shaft_proximal" in self.points and "shaft_distal" in self.points:
            along = self.points["shaft_distal"] - self.points["shaft_proximal"]
            return np.asarray(line @ (along / np.linalg.norm(along)))
        return -line[:, 1] if self.view == "ap" else -line[:, 0]

    def _trochanter(self, sign: float, knots: list[Floats], shaft_traced: bool) -> list[Floats]:
        if sign < 0 and "greater_trochanter" in self.points:
            tip = self.points["greater_trochanter"]
            if shaft_traced or not knots:
                return [tip]
            down = knots[-1] - tip
            out = np.array([down[1], -down[0]]) / np.linalg.norm(down)
            out = out * np.sign(out @ (tip - self.centre) or 1.0)
            return [tip + 0.35 * down + _TROCHANTER_BULGE * self.radius * out, tip]
        if sign > 0 and "lesser_trochanter" in self.points and not shaft_traced:
            return [self.points["lesser_trochanter"]]
        return []

    def on_circle(self, angle: float | Floats, sign: float) -> Floats:
        a = np.asarray(angle, dtype=np.float64)[..., None]
        return np.asarray(self.centre + self.radius * (-np.cos(a) * self.neck_axis + sign * np.sin(a) * self.across))

    def head(self, first: float, second: float) -> Floats:
        """The head from one junction over the pole to the other, flattened where a collapse is outlined."""
        # Angles run from the distal neck axis over the first side (negative) to 360 deg.
        start, end = first, 2.0 * np.pi - second
        count = max(int(np.degrees(end - start) / _ARC_STEP_DEG), 3)
        angles = np.linspace(start, end, count)
        radii = np.full(count, self.radius)
        collapse = self.lines.get("collapse")
        if collapse is not None:
            v = collapse - self.centre
            theirs = np.mod(np.arctan2(-(v @ self.across), -(v @ self.neck_axis)), 2.0 * np.pi)
            order = np.argsort(theirs)
            low, high = theirs[order[0]], theirs[order[-1]]
            hit = (angles >= low) & (angles <= high)
            sunk = np.interp(angles[hit], theirs[order], np.linalg.norm(v, axis=1)[order])
            radii[hit] = np.minimum(sunk, self.radius)
        directions = -np.cos(angles)[:, None] * self.neck_axis - np.sin(angles)[:, None] * self.across
        return np.asarray(self.centre + radii[:, None] * directions)


def outer_outline(
    view: Literal["ap", "lateral"],
    centre_mm: Floats,
    radius_mm: float,
    neck_axis: Floats,
    across: Floats,
    points_mm: Mapping[str, Floats],
    lines_mm: Mapping[str, Floats],
) -> OuterOutline:
    """The femur's outer outline on one view, film mm.

    Parameters
    ----------
    centre_mm, radius_mm
        Head circle.
    neck_axis, across
        (2,) unit vectors: proximal along the neck; across it (AP medial and inferior,
        lateral film anterior).
    points_mm
        Bare landmark name → (2,); `neck_axis_point` must be there.
    lines_mm
        Bare outline name → (K, 2).
    """
    build = _Builder(view, centre_mm, radius_mm, neck_axis, across, points_mm, lines_mm)
    first_edge, second_edge = _EDGES[view]
    first, first_angle = build.side(first_edge, -1.0)
    second, second_angle = build.side(second_edge, 1.0)
    points = np.concatenate([first, build.head(first_angle, second_angle), second[::-1]])
    apart = np.concatenate([[True], np.linalg.norm(np.diff(points, axis=0), axis=1) > 1e-6])
    return OuterOutline(
        points[apart], build.sd, "traced" if build.traced else "interpolated", tuple(dict.fromkeys(build.notes))
    )

"""The outer outline of the upper femur on one film, from what the reader placed.

In: points and traced edges of one hip in film mm (nominal). Out: `OuterOutline`: one
open polyline from the lateral (AP) or posterior (lateral film) shaft up over neck and
head and down the other side, which never crosses itself, and how far it may be off, point by point.
Traced edges are used as they are. Between them, and where there are none, a smooth curve runs through
the landmarks and the usual shape of the trochanters; where even landmarks are missing, usual proportions
stand in. The sd says which it was.
Decisions: docs/decisions/0131-outline-from-what-is-placed.md, 0134-what-lies-between-traced-edges.md
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "ASSUMED_NECK_SD_MM",
    "ASSUMED_SD_MM",
    "BRIDGED_SD_MM",
    "INTERPOLATED_SD_MM",
    "TRACED_SD_MM",
    "OuterOutline",
    "outer_outline",
    "smooth_through",
    "without_loops",
]

Floats = NDArray[np.float64]

# sd of the outline along its normal, mm at the hip: traced, between landmarks, by usual shape or proportion.
# Common practice, no source; the tests hold them against 56 phantoms.
TRACED_SD_MM: Final = 0.7
INTERPOLATED_SD_MM: Final = 1.5
ASSUMED_NECK_SD_MM: Final = 2.0  # a neck whose width is a proportion of the head: 0.1 in the ratio is 1.4 mm a side
BRIDGED_SD_MM: Final = 2.0  # a trochanter of usual shape between two known edges: 1.4 mm rms AP, 1.8 lateral
ASSUMED_SD_MM: Final = 3.0

# Usual proportions, used only where nothing is placed; from memory, and the sd above covers them.
_HEAD_TO_NECK: Final = {"ap": 1.3, "lateral": 1.65}  # the neck is an oval, wider from above to below
_NARROWEST_RADII: Final = {"ap": 1.0, "lateral": 1.25}  # from the head's centre
_SHAFT_HALF_TO_RADIUS: Final = 0.62
_JUNCTION_DEG: Final = 45.6  # mean alpha angle, Toogood et al. 2009
_ARC_STEP_DEG: Final = 3.0
_STEPS: Final = 8  # points between two landmarks

# Usual shapes between two places, in radii of the head: how far along from the first one (a share when below 1 in
# all), how far out of the straight line. Mean of 56 outlines projected from the open shape model (phantom/data), sd
# about 0.1 radius; the tests repeat the comparison.
_LATERAL_WALL: Final = np.array(  # down from the tip of the greater trochanter: radii, not shares
    [(0.21, 0.41), (0.43, 0.53), (0.85, 0.69), (1.28, 0.76), (1.70, 0.67), (2.13, 0.44), (2.56, 0.28), (3.41, 0.11)]
)
_SADDLE: Final = np.array([(0.3, -0.05), (0.5, -0.19), (0.7, -0.23), (0.85, -0.15)])  # tip to the neck's upper edge
_CALCAR: Final = np.array([(0.25, -0.09), (0.5, -0.13)])  # the neck's lower edge to the lesser trochanter
_BELOW_LESSER: Final = np.array([(0.5, -0.09)])  # lesser trochanter to the edge of the shaft
_BACK: Final = np.array([(0.2, 0.16), (0.4, 0.38), (0.6, 0.58), (0.78, 0.55), (0.9, 0.42)])  # shaft to neck, behind
_FRONT: Final = np.array([(0.2, -0.11), (0.4, -0.15), (0.6, -0.08), (0.8, 0.09)])  # shaft to neck, in front
_SADDLE_RADII: Final = 1.04  # usual length of the saddle: a shorter gap gets a flatter curve


@dataclass(frozen=True, slots=True, eq=False)
class OuterOutline:
    """`points_mm` (K, 2), its sd along the normal point by point, `sd_mm` of head and neck, how it was had, in words.

    `sd_mm` is the worst of head and neck, where walls and notches are judged; `sd_along_mm` (K,) is never below it.
    """

    points_mm: Floats
    sd_mm: float
    sd_along_mm: Floats
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


def without_loops(points: Floats) -> tuple[Floats, NDArray[np.intp]]:
    """An open polyline (K, 2) with every loop cut off where it crosses itself; and which points were kept (M,).

    The crossing takes the place of the point before it, so that no point is invented that a trace does not touch.
    """
    line = np.asarray(points, dtype=np.float64)
    kept = np.arange(len(line))
    while (found := _first_crossing(line)) is not None:
        i, j, where = found
        line = np.vstack([line[: i + 1], where[None], line[j + 1 :]])
        kept = np.concatenate([kept[: i + 1], kept[j : j + 1], kept[j + 1 :]])
    return line, kept


def _first_crossing(line: Floats) -> tuple[int, int, Floats] | None:
    """The first edge i that a later edge j (not its neighbour) crosses, the last such j, and where."""
    a, way = line[:-1], np.diff(line, axis=0)
    i, j = np.triu_indices(len(a), 2)
    base = way[i, 0] * way[j, 1] - way[i, 1] * way[j, 0]
    gap = a[j] - a[i]
    safe = np.where(np.abs(base) < 1e-12, np.inf, base)
    s = (gap[:, 0] * way[j, 1] - gap[:, 1] * way[j, 0]) / safe
    t = (gap[:, 0] * way[i, 1] - gap[:, 1] * way[i, 0]) / safe
    met = np.flatnonzero((np.abs(base) >= 1e-12) & (s >= 0) & (s <= 1) & (t >= 0) & (t <= 1))
    if not len(met):
        return None
    first = met[i[met] == i[met].min()]
    k = int(first[-1])
    return int(i[k]), int(j[k]), np.asarray(a[i[k]] + s[k] * way[i[k]])


@dataclass(slots=True)
class _Piece:
    """A stretch of the outline, distal first, and its sd."""

    points: Floats
    sd: float


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

    def note(self, words: str) -> None:
        self.traced = False
        self.notes.append(words)

    def neck_edge_point(self, edge: _Edge, sign: float) -> Floats:
        if edge.neck in self.points:
            return self.points[edge.neck]
        self.note(
            f"The {edge.words} edge of the neck is not placed: its width is taken from the head by a usual proportion. "
            "Search for the neck's edges, or trace them."
        )
        depth, half = _NARROWEST_RADII[self.view] * self.radius, self.radius / _HEAD_TO_NECK[self.view]
        return self.centre - depth * self.neck_axis + sign * half * self.across

    def junction_angle(self, edge: _Edge, beside: Floats, sign: float) -> float:
        """Angle at the head centre from the neck axis (distal) to where the outline leaves the circle, radians."""
        if edge.junction in self.points:
            v = self.points[edge.junction] - self.centre
            return float(np.arctan2(sign * (v @ self.across), -(v @ self.neck_axis)))
        half = float(np.clip(sign * ((beside - self.centre) @ self.across) / self.radius, 0.0, 0.97))
        return max(float(np.radians(_JUNCTION_DEG)), float(np.arcsin(half) + np.radians(3.0)))

    def shaft_edge(self, edge: _Edge, sign: float) -> _Piece | None:
        """Edge of the shaft, distal first; None when no shaft is placed."""
        line = self.lines.get(edge.shaft_line)
        if line is not None:
            return _Piece(line[np.argsort(-self._down(line))], TRACED_SD_MM)
        if "shaft_proximal" not in self.points or "shaft_distal" not in self.points:
            return None
        proximal, distal = self.points["shaft_proximal"], self.points["shaft_distal"]
        up = (proximal - distal) / np.linalg.norm(proximal - distal)
        out = np.array([up[1], -up[0]])
        # The outward side is the one on which this edge of the neck lies.
        out = out * np.sign(out @ self.across * sign or 1.0)
        if edge.shaft_point in self.points:
            half = float((self.points[edge.shaft_point] - proximal) @ out)
            return _Piece(np.array([distal + half * out, self.points[edge.shaft_point]]), INTERPOLATED_SD_MM)
        self.note(f"The {edge.shaft_end} edge of the shaft is not placed: a usual proportion of the head stands in.")
        half = _SHAFT_HALF_TO_RADIUS * self.radius
        return _Piece(np.array([distal + half * out, proximal + half * out]), ASSUMED_SD_MM)

    def neck_edge(self, edge: _Edge, sign: float) -> tuple[_Piece, float]:
        """The neck's edge, distal first, up to the head, and the angle at which it meets the head."""
        line = self.lines.get(edge.neck)
        if line is not None:
            # As drawn: at the trochanters a trace turns back, so that no direction puts its points in order.
            reach = np.linalg.norm(line - self.centre, axis=1)
            ordered = line if reach[0] > reach[-1] else line[::-1]
            outside = np.linalg.norm(ordered - self.centre, axis=1) >= self.radius
            ordered = ordered[outside] if outside.sum() >= 2 else ordered
            beside = ordered[np.argmin(np.abs((ordered - self.centre) @ self.across))]
            last = ordered[-1] - self.centre
            angle = float(np.arctan2(sign * (last @ self.across), -(last @ self.neck_axis)))
            if edge.junction in self.points:
                angle = max(angle, self.junction_angle(edge, beside, sign))
            return _Piece(ordered, TRACED_SD_MM), angle
        placed = edge.neck in self.points
        neck = self.neck_edge_point(edge, sign)
        if placed:
            self.note(f"The {edge.words} edge of the neck is not traced: a smooth curve runs through its landmarks.")
        angle = self.junction_angle(edge, neck, sign)
        curve = smooth_through(
            np.array([neck, 0.5 * (neck + self.on_circle(angle, sign)), self.on_circle(angle, sign)])
        )
        return _Piece(curve[:-1], INTERPOLATED_SD_MM if placed else ASSUMED_NECK_SD_MM), angle

    def side(self, edge: _Edge, sign: float) -> tuple[list[_Piece], float]:
        """One side, distal first, and the angle at which it meets the head."""
        neck, angle = self.neck_edge(edge, sign)
        self.sd = max(self.sd, neck.sd)
        shaft = self.shaft_edge(edge, sign)
        tip = self.points.get("greater_trochanter") if self.view == "ap" and sign < 0 else None
        saddle = np.empty((0, 2))
        if tip is not None:
            neck, saddle = self._with_tip(neck, tip, edge)
        pieces = [] if shaft is None else [shaft]
        knots = self._between(None if shaft is None else shaft.points[-1], neck.points[0], tip, saddle, sign)
        if shaft is None:
            if len(knots):
                pieces.append(_Piece(self._curve(np.empty((0, 2)), knots, neck.points), ASSUMED_SD_MM))
        else:
            gap = float(np.linalg.norm(neck.points[0] - shaft.points[-1]))
            # A short gap between two traced ends is their own inaccuracy.
            sd = max(shaft.sd, neck.sd, 0.0 if gap < 0.5 * self.radius else BRIDGED_SD_MM)
            curve = self._curve(shaft.points, knots, neck.points)
            if len(curve):
                pieces.append(_Piece(curve, sd))
        return [*pieces, neck], angle

    def _with_tip(self, neck: _Piece, tip: Floats, edge: _Edge) -> tuple[_Piece, Floats]:
        """The trace with the tip of the trochanter in its place along it; or the saddle from the tip to the trace."""
        line = neck.points
        apart = np.linalg.norm(line - tip, axis=1)
        if apart.min() < 1.0:
            return neck, np.empty((0, 2))
        added = apart[:-1] + apart[1:] - np.linalg.norm(np.diff(line, axis=0), axis=1)
        if edge.neck in self.lines and added.min() < apart[0]:
            at = int(np.argmin(added)) + 1
            return _Piece(np.insert(line, at, tip, axis=0), neck.sd), np.empty((0, 2))
        scale = self.radius * min(1.0, float(apart[0]) / (_SADDLE_RADII * self.radius))
        out = self._outward(tip, line[0], -1.0)
        way = line[0] - tip
        bend = tip + _SADDLE[:, :1] * way + _SADDLE[:, 1:] * scale * out
        return neck, np.vstack([tip[None], bend])

    def _between(
        self, shaft_top: Floats | None, neck_end: Floats, tip: Floats | None, saddle: Floats, sign: float
    ) -> Floats:
        """What the curve from the shaft to the neck's lower end passes through, distal first."""
        knots = [np.empty((0, 2))]
        if shaft_top is not None and self.view == "ap" and sign < 0 and tip is not None:
            knots.append(self._lateral_wall(shaft_top, tip, saddle[0] if len(saddle) else neck_end))
        elif self.view == "ap" and sign > 0:
            lesser = self.points.get("lesser_trochanter")
            if lesser is not None and self._lies_between(lesser, shaft_top, neck_end):
                if shaft_top is not None:
                    knots.append(self._shape(_BELOW_LESSER, lesser, shaft_top, sign)[::-1])
                knots.append(lesser[None])
                # The hollow above the lesser trochanter needs room; close to it the trace has shown it already.
                if float(np.linalg.norm(neck_end - lesser)) > 0.8 * self.radius:
                    knots.append(self._shape(_CALCAR, neck_end, lesser, sign)[::-1])
        elif self.view == "lateral" and shaft_top is not None:
            far = float(np.linalg.norm(neck_end - shaft_top)) / self.radius
            if far > 1.5:  # else the traces hold the trochanter themselves
                knots.append(self._shape(_BACK if sign < 0 else _FRONT, shaft_top, neck_end, sign))
        return np.vstack([*knots, saddle])

    def _lies_between(self, mark: Floats, shaft_top: Floats | None, neck_end: Floats) -> bool:
        """A landmark that neither trace has passed already."""
        down = self._down(np.array([mark, neck_end, mark if shaft_top is None else shaft_top]))
        room = 0.4 * self.radius
        return bool(down[1] + room < down[0] and (shaft_top is None or down[0] + room < down[2]))

    def _lateral_wall(self, shaft_top: Floats, tip: Floats, upper: Floats) -> Floats:
        """The greater trochanter's lateral wall between the shaft's edge and the trace's end (or the tip)."""
        length = float(np.linalg.norm(shaft_top - tip))
        if length < 0.5 * self.radius:
            return np.empty((0, 2))
        way, out = (shaft_top - tip) / length, self._outward(tip, shaft_top, -1.0)
        down = _LATERAL_WALL[:, 0] * self.radius
        # The usual wall, sheared so that it ends on the shaft's own edge.
        at_shaft = np.interp(length, down, _LATERAL_WALL[:, 1] * self.radius, right=0.0)
        off = _LATERAL_WALL[:, 1] * self.radius - at_shaft * np.clip(down / length, 0.0, 1.0)
        start = float((upper - tip) @ way)
        # Past the end of the trace only, and clear of it, so that the curve has room to turn.
        use = (down < length - 0.3 * self.radius) & (down > start + 0.15 * self.radius)
        return np.asarray(tip + down[use, None] * way + off[use, None] * out)[::-1]

    def _shape(self, shape: Floats, start: Floats, end: Floats, sign: float) -> Floats:
        """A usual shape between two places, (k, 2) from `start`."""
        out = self._outward(start, end, sign)
        return np.asarray(start + shape[:, :1] * (end - start) + shape[:, 1:] * self.radius * out)

    def _outward(self, start: Floats, end: Floats, sign: float) -> Floats:
        """Unit normal of a stretch, away from the middle of the bone."""
        way = (end - start) / max(float(np.linalg.norm(end - start)), 1e-9)
        out = np.array([way[1], -way[0]])
        inner = self.points["neck_axis_point"]
        if "shaft_proximal" in self.points:
            inner = 0.5 * (inner + self.points["shaft_proximal"])
        away = 0.5 * (start + end) - inner
        return np.asarray(out * np.sign(out @ away or sign * (out @ self.across) or 1.0))

    def _curve(self, before: Floats, knots: Floats, after: Floats) -> Floats:
        """A smooth curve from the end of one stretch through the knots to the next one, both ends left out."""
        lead = before[[max(len(before) - 4, 0), -1]] if len(before) > 1 else before
        follow = after[[0, min(3, len(after) - 1)]] if len(after) > 1 else after
        chain = np.vstack([lead, knots, follow])
        apart = np.concatenate([[True], np.linalg.norm(np.diff(chain, axis=0), axis=1) > 1e-6])
        if not len(knots) and float(np.linalg.norm(after[0] - before[-1])) < 0.3 * self.radius:
            return np.empty((0, 2))
        curve = smooth_through(chain[apart])
        start = 0 if not len(before) else int(np.argmin(np.linalg.norm(curve - before[-1], axis=1))) + 1
        end = int(np.argmin(np.linalg.norm(curve - after[0], axis=1)))
        return curve[start:end]

    def _down(self, line: Floats) -> Floats:
        """How far down the shaft each point lies."""
        if "shaft_proximal" in self.points and "shaft_distal" in self.points:
            along = self.points["shaft_distal"] - self.points["shaft_proximal"]
            return np.asarray(line @ (along / np.linalg.norm(along)))
        return -line[:, 1] if self.view == "ap" else -line[:, 0]

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
    head = _Piece(build.head(first_angle, second_angle), TRACED_SD_MM)
    pieces = [*first, head, *(_Piece(piece.points[::-1], piece.sd) for piece in second[::-1])]
    points = np.concatenate([piece.points for piece in pieces])
    sds = np.concatenate([np.full(len(piece.points), max(piece.sd, build.sd)) for piece in pieces])
    apart = np.concatenate([[True], np.linalg.norm(np.diff(points, axis=0), axis=1) > 1e-6])
    points, sds = points[apart], sds[apart]
    simple, kept = without_loops(points)
    if len(simple) < len(points):
        sds = sds[kept]
        cut = float(np.max(np.linalg.norm(np.delete(points, kept, axis=0) - simple.mean(axis=0), axis=1), initial=0.0))
        if cut and len(points) - len(simple) > 3:
            build.notes.append(
                "The outline crossed itself where its pieces meet; the loop is cut off. Check its edges."
            )
    return OuterOutline(
        simple, build.sd, sds, "traced" if build.traced else "interpolated", tuple(dict.fromkeys(build.notes))
    )

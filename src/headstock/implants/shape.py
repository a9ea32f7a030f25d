"""Outlines of components from a few parameters, in the component's own frame.

Frame (2D, one for each film): origin where the component's axis crosses the
plane of its cut; z up the axis (proximal); x medial on the AP film, anterior
on the lateral film. mm. The cut plane is z = 0.

Two shapes. A **cap** covers a head: a tapered seat with a flat top, a dome and
a pin. A **seated** part goes into the bone: a seat whose wall follows a power
law between two widths, then a tail along a line that may bend toward medial.
Nothing here copies a maker's drawing.
Decision: docs/decisions/0141-families-are-parameters.md
"""

from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from headstock.errors import CatalogueError

__all__ = [
    "Outline",
    "Stations",
    "cap_outline",
    "resampled",
    "seated_outline",
    "seated_outline_from_the_side",
    "self_crossing",
    "stations",
    "tail_section_mm",
]

Points = NDArray[np.float64]
_STEP_MM: Final = 1.0  # spacing of outline points: walls are measured from them


@dataclass(frozen=True, slots=True, eq=False)
class Outline:
    """One component as one film shows it.

    `body_mm` (K, 2) the closed metal outline; `in_bone_mm` (M, 2) points of the
    surface that lies inside bone and needs a wall around it; `seat_mm` the
    polylines (k, 2) that carry load; `reamed_mm` (2, 2) the two corners (negative
    x, positive x) at which the reamed surface ends distally, with
    `reamed_direction` (2, 2) the way each runs on.
    """

    body_mm: Points
    in_bone_mm: Points
    seat_mm: tuple[Points, ...]
    reamed_mm: Points
    reamed_direction: Points

    def __post_init__(self) -> None:
        for array in (self.body_mm, self.in_bone_mm, *self.seat_mm, self.reamed_mm, self.reamed_direction):
            array.flags.writeable = False


def resampled(polyline: ArrayLike, step_mm: float = _STEP_MM) -> Points:
    """The same polyline with points at most `step_mm` apart; its corners stay."""
    points = np.asarray(polyline, dtype=np.float64)
    pieces = []
    for start, end in pairwise(points):
        n = max(1, int(np.ceil(float(np.linalg.norm(end - start)) / step_mm)))
        pieces.append(start + (end - start) * (np.arange(n) / n)[:, None])
    return np.vstack([*pieces, points[-1:]])


def self_crossing(closed: ArrayLike) -> bool:
    """True when a closed polyline crosses itself (first point not repeated)."""
    points = np.asarray(closed, dtype=np.float64)
    a, b = points, np.roll(points, -1, axis=0)
    n = len(points)

    def turn(p: Points, q: Points, r: Points) -> Points:
        return np.asarray(
            (q[..., 0] - p[..., 0]) * (r[..., 1] - p[..., 1]) - (q[..., 1] - p[..., 1]) * (r[..., 0] - p[..., 0])
        )

    first, second = np.triu_indices(n, 2)
    apart = ~((first == 0) & (second == n - 1))
    first, second = first[apart], second[apart]
    one = turn(a[first], b[first], a[second]) * turn(a[first], b[first], b[second])
    two = turn(a[second], b[second], a[first]) * turn(a[second], b[second], b[first])
    # Edges on one line far apart give products of rounding (1e-29), true crossings of mm edges 1e-4 and more.
    return bool(np.any((one < -1e-12) & (two < -1e-12)))


def cap_outline(
    *,
    head_diameter_mm: float,
    seat_top_height_mm: float,
    seat_top_width_mm: float,
    mouth_height_mm: float,
    mouth_width_mm: float,
    pin_length_mm: float,
    pin_width_mm: float,
    pin_tip_width_mm: float,
) -> Outline:
    """A cap on the prepared head; heights are above the centre of its dome.

    Raises
    ------
    CatalogueError
        The seat comes through the dome, or the mouth is narrower than the top.
    """
    radius = 0.5 * head_diameter_mm
    top, mouth = 0.5 * seat_top_width_mm, 0.5 * mouth_width_mm
    for name, x, z in (("seat top", top, seat_top_height_mm), ("mouth", mouth, mouth_height_mm)):
        if np.hypot(x, z) >= radius - 1.0:
            raise CatalogueError(
                f"The {name} of a cap comes within 1 mm of its dome ({np.hypot(x, z):.1f} of {radius:.1f} mm). "
                "Such a part has no wall. Make the seat smaller or the head larger."
            )
    if mouth < top or mouth_height_mm >= seat_top_height_mm:
        raise CatalogueError("A cap's mouth must be wider than its seat top and lie below it, or it cannot be put on.")
    shift = np.array([0.0, -seat_top_height_mm])  # from the dome's centre to the cut plane
    rim = np.arcsin(np.clip(mouth_height_mm / radius, -1.0, 1.0))
    turn = np.linspace(np.pi - rim, rim, 49)
    dome = radius * np.column_stack([np.cos(turn), np.sin(turn)]) + shift
    low_right, high_right = np.array([mouth, mouth_height_mm]) + shift, np.array([top, 0.0])
    pin_right, tip_right = np.array([0.5 * pin_width_mm, 0.0]), np.array([0.5 * pin_tip_width_mm, -pin_length_mm])
    flip = np.array([-1.0, 1.0])
    inner = np.vstack(
        [low_right, high_right, pin_right, tip_right, tip_right * flip, pin_right * flip, high_right * flip]
    )
    body = np.vstack([dome, inner, low_right * flip])
    pin = resampled(np.vstack([pin_right, tip_right, tip_right * flip, pin_right * flip]))
    # Above the mouth the pin stands in the prepared head, whose surface is the seat: a wall begins below it.
    pin = pin[pin[:, 1] < mouth_height_mm - seat_top_height_mm]
    # The flat top leaves out the pin's hole: nothing stands on it there.
    seats = (
        resampled(np.vstack([low_right * flip, high_right * flip])),
        resampled(np.vstack([high_right * flip, pin_right * flip])),
        resampled(np.vstack([pin_right, high_right])),
        resampled(np.vstack([high_right, low_right])),
    )
    # The reamer is pushed straight down the axis, so its mark below the mouth runs parallel to the axis.
    down = np.array([0.0, -1.0])
    return Outline(body, pin, seats, np.vstack([low_right * flip, low_right]), np.vstack([down, down]))


def seated_outline(
    *,
    seat_top_width_mm: float,
    seat_bottom_width_mm: float,
    seat_depth_mm: float,
    seat_curve: float,
    tail_length_mm: float,
    tail_top_width_mm: float,
    tail_tip_width_mm: float,
    bend_deg: float = 0.0,
    bend_start_mm: float = 0.0,
    bend_length_mm: float = 1.0,
) -> Outline:
    """A part seated inside bone, below its cut plane.

    The half width of the seat at distance l along the line is
    top + (bottom - top) (l / depth)^curve, all halved: 1 is a cone, above 1 a
    bowl, below 1 a trumpet. The tail then runs on along a line that bends by
    `bend_deg` toward +x between `bend_start_mm` and `bend_start_mm +
    bend_length_mm` from the cut.

    Raises
    ------
    CatalogueError
        The outline crosses itself: the bend is too tight for the width.
    """
    return _seated(
        (seat_top_width_mm, seat_bottom_width_mm, seat_depth_mm, seat_curve),
        (tail_length_mm, tail_top_width_mm, tail_tip_width_mm),
        (bend_deg, bend_start_mm, bend_length_mm),
        seen_from_the_side=False,
    )


def seated_outline_from_the_side(
    *,
    seat_top_width_mm: float,
    seat_bottom_width_mm: float,
    seat_depth_mm: float,
    seat_curve: float,
    tail_length_mm: float,
    tail_top_width_mm: float,
    tail_tip_width_mm: float,
    bend_deg: float = 0.0,
    bend_start_mm: float = 0.0,
    bend_length_mm: float = 1.0,
) -> Outline:
    """The part on the lateral film: the bend lies in the plane of the beam, the line looks straight but shorter."""
    return _seated(
        (seat_top_width_mm, seat_bottom_width_mm, seat_depth_mm, seat_curve),
        (tail_length_mm, tail_top_width_mm, tail_tip_width_mm),
        (bend_deg, bend_start_mm, bend_length_mm),
        seen_from_the_side=True,
    )


@dataclass(frozen=True, slots=True, eq=False)
class Stations:
    """The line of a seated part, about every mm from its cut to its tip: what both films and the solid are made of.

    `along` (n,) mm; `line` (n, 2) places (x, z) in the plane of the bend, `turn` (n,) radians the line has turned
    there, `half` (n,) half width across the line, `rounding` (n,) what the tip's rounding left of it, `in_seat` (n,).
    """

    along: Points
    line: Points
    turn: Points
    half: Points
    rounding: Points
    in_seat: NDArray[np.bool_]


def stations(
    seat: tuple[float, float, float, float], tail: tuple[float, float, float], bend: tuple[float, float, float]
) -> Stations:
    """Stations from (top width, bottom width, depth, curve), (length, top width, tip width), (deg, start, length)."""
    seat_top_width_mm, seat_bottom_width_mm, seat_depth_mm, seat_curve = seat
    tail_length_mm, tail_top_width_mm, tail_tip_width_mm = tail
    bend_deg, bend_start_mm, bend_length_mm = bend
    total = seat_depth_mm + tail_length_mm
    along = np.linspace(0.0, total, max(int(total / _STEP_MM), 8) + 1)
    turn = np.radians(bend_deg) * np.clip((along - bend_start_mm) / max(bend_length_mm, 1e-9), 0.0, 1.0)
    middle = 0.5 * (turn[1:] + turn[:-1])
    step = np.diff(along)
    line = np.zeros((along.size, 2))
    line[1:, 0] = np.cumsum(step * np.sin(middle))
    line[1:, 1] = -np.cumsum(step * np.cos(middle))
    in_seat = along <= seat_depth_mm + 1e-9
    share = np.clip(along / seat_depth_mm, 0.0, 1.0)
    half_seat = 0.5 * (seat_top_width_mm + (seat_bottom_width_mm - seat_top_width_mm) * share**seat_curve)
    down = np.clip((along - seat_depth_mm) / max(tail_length_mm, 1e-9), 0.0, 1.0)
    half_tail = 0.5 * (tail_top_width_mm + (tail_tip_width_mm - tail_top_width_mm) * down)
    # A rounded tip: a quarter ellipse over the last half width.
    left = np.clip((total - along) / (0.5 * tail_tip_width_mm), 0.0, 1.0)
    rounding = np.where(in_seat, 1.0, np.sqrt(np.clip(1.0 - (1.0 - left) ** 2, 0.04, 1.0)))
    return Stations(along, line, turn, np.where(in_seat, half_seat, half_tail * rounding), rounding, in_seat)


def _seated(
    seat: tuple[float, float, float, float],
    tail: tuple[float, float, float],
    bend: tuple[float, float, float],
    *,
    seen_from_the_side: bool,
) -> Outline:
    at = stations(seat, tail, bend)
    line, turn, in_seat = at.line, at.turn, at.in_seat
    if seen_from_the_side:
        line = line * [0.0, 1.0]
        normal = np.column_stack([np.ones_like(turn), np.zeros_like(turn)])
    else:
        normal = np.column_stack([np.cos(turn), np.sin(turn)])

    seat_line, seat_normal = line[in_seat], normal[in_seat]
    seat_left = seat_line - seat_normal * at.half[in_seat][:, None]
    seat_right = seat_line + seat_normal * at.half[in_seat][:, None]
    tail_line, tail_normal = line[~in_seat], normal[~in_seat]
    tail_left = tail_line - tail_normal * at.half[~in_seat][:, None]
    tail_right = tail_line + tail_normal * at.half[~in_seat][:, None]
    right = np.vstack([seat_right, tail_right])
    leftward = np.vstack([seat_left, tail_left])
    body = np.vstack([right, leftward[::-1]])
    if self_crossing(body):
        raise CatalogueError(
            f"The outline crosses itself: a bend of {bend[0]:g} degrees over {bend[2]:g} mm is too tight "
            "for its width. Lengthen the bend or narrow the part."
        )
    in_bone = np.vstack([right, leftward])
    ends = np.vstack([seat_left[-1], seat_right[-1]])
    way = np.vstack([seat_left[-1] - seat_left[-2], seat_right[-1] - seat_right[-2]])
    way /= np.linalg.norm(way, axis=1, keepdims=True)
    return Outline(body, in_bone, (seat_left[::-1].copy(), seat_right.copy()), ends, way)


def tail_section_mm(width_mm: float, lobes: int, lobe_depth_mm: float, points: int = 120) -> Points:
    """The tail's cross section, (points, 2): a circle with lobes that stop rotation.

    `width_mm` is the circle around the lobes, so that walls measured from the
    tail's outline hold for every rotation about its own axis.
    """
    turn = np.linspace(0.0, 2.0 * np.pi, points, endpoint=False)
    radius = 0.5 * width_mm - 0.5 * lobe_depth_mm * (1.0 - np.cos(lobes * turn))
    return np.column_stack([radius * np.cos(turn), radius * np.sin(turn)])

"""The surfaces of a component in space, as rings and profiles, from its parameters or its drawn outlines.

A seated part is a row of sections square to its line: ellipses whose widths are
those of the AP and the lateral outline, the tail's with lobes. A cap is turned
about its axis. Component frame, mm.
Decision: docs/decisions/0241-solids-from-two-outlines.md
"""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from headstock.errors import CatalogueError
from headstock.geometry.polygon import clip_halfplane, crossings, distance_to_polyline
from headstock.implants.family import Component
from headstock.implants.shape import resampled, stations

__all__ = ["ABOVE_CUT_MM", "CapProfile", "Sections", "cap_profile", "sections_of"]

Floats = NDArray[np.float64]
# Definition: what is carved runs on above the cut by this much, so that no wall is seen where the cut opens the hole.
ABOVE_CUT_MM: Final = 5.0
_STEP_MM: Final = 1.0
_ROUND_MM: Final = 0.5  # sides of a drawn cap that agree this well are one profile


@dataclass(frozen=True, slots=True, eq=False)
class Sections:
    """A seated part by sections, from the top down: n sections.

    `centre` (n, 3), `turn` (n,) radians about y (how far the section's normal has left -z toward +x), half widths `ap`
    and `lateral` (n,), `lobe` (n,) depth of the lobes on the AP width, `lobes` their number; `in_seat` (n,).
    """

    centre: Floats
    turn: Floats
    ap: Floats
    lateral: Floats
    lobe: Floats
    lobes: int
    in_seat: NDArray[np.bool_]

    def rings(self, around: int) -> Floats:
        """(n, around, 3) points of each section, from medial toward anterior."""
        angle = np.linspace(0.0, 2.0 * np.pi, around, endpoint=False)
        # As `tail_section_mm`: the widths are measured around the lobes.
        sunk = 1.0 - 0.5 * (self.lobe / self.ap)[:, None] * (1.0 - np.cos(self.lobes * angle))
        across, front = self.ap[:, None] * sunk * np.cos(angle), self.lateral[:, None] * sunk * np.sin(angle)
        x = self.centre[:, :1] + across * np.cos(self.turn)[:, None]
        z = self.centre[:, 2:] + across * np.sin(self.turn)[:, None]
        return np.stack([x, self.centre[:, 1:2] + front, z], axis=-1)

    def only(self, keep: NDArray[np.bool_]) -> "Sections":
        """The sections kept."""
        return Sections(
            self.centre[keep],
            self.turn[keep],
            self.ap[keep],
            self.lateral[keep],
            self.lobe[keep],
            self.lobes,
            self.in_seat[keep],
        )

    def carved(self, overrun_mm: float) -> "Sections":
        """What is taken out of the bone: round about the lobes, the seat run on by the overrun, open above the cut."""
        part = replace(self.only(self.centre[:, 2] <= 1e-6), lobe=np.zeros(int((self.centre[:, 2] <= 1e-6).sum())))
        end = int(np.flatnonzero(part.in_seat)[-1])
        if overrun_mm > 0.0 and end > 0:
            part = part._run_on(end, overrun_mm)
        lid = part.only(np.arange(len(part.turn)) == 0)
        top = replace(
            lid, centre=np.array([[lid.centre[0, 0], lid.centre[0, 1], ABOVE_CUT_MM]]), in_seat=np.array([False])
        )
        return top._then(part)

    def _run_on(self, end: int, overrun_mm: float) -> "Sections":
        """The seat's last widths carried on past section `end`; what is wider stays."""
        gap = np.linalg.norm(np.diff(self.centre, axis=0), axis=1)
        along = np.concatenate([[0.0], np.cumsum(gap)])
        last = along[end] + overrun_mm
        at = np.unique(np.concatenate([along, [last, last + 1e-3]]))
        at = at[at <= max(along[-1], last)]

        def between(values: Floats) -> Floats:
            return np.asarray(np.interp(at, along, values), np.float64)

        ap, lateral = between(self.ap), between(self.lateral)
        reached = (at >= along[end]) & (at <= last)
        for widths, own in ((ap, self.ap), (lateral, self.lateral)):
            slope = (own[end] - own[end - 1]) / gap[end - 1]
            run = own[end] + slope * (at[reached] - along[end])
            widths[reached] = np.maximum(widths[reached], np.maximum(run, 0.1))
        centre = np.column_stack([between(self.centre[:, k]) for k in range(3)])
        past = at > along[-1]  # a part without a tail: the line runs straight on
        centre[past] += (at[past] - along[-1])[:, None] * [np.sin(self.turn[-1]), 0.0, -np.cos(self.turn[-1])]
        return Sections(centre, between(self.turn), ap, lateral, np.zeros(at.size), self.lobes, at <= along[end] + 1e-9)

    def _then(self, other: "Sections") -> "Sections":
        return Sections(
            np.vstack([self.centre, other.centre]),
            np.concatenate([self.turn, other.turn]),
            np.concatenate([self.ap, other.ap]),
            np.concatenate([self.lateral, other.lateral]),
            np.concatenate([self.lobe, other.lobe]),
            self.lobes,
            np.concatenate([self.in_seat, other.in_seat]),
        )


def sections_of(component: Component) -> Sections:
    """Sections of a seated part, from its parameters or from the outlines its file draws.

    Raises
    ------
    CatalogueError
        A drawn outline has a hook or a hole: one height has more than one width.
    """
    p = component.parameters
    if "seat_depth_mm" not in p:
        return _drawn(component)
    bend = (p["bend_deg"], p["bend_start_mm"], p["bend_length_mm"])
    seat = (p["seat_top_width_mm"], p["seat_bottom_width_mm"], p["seat_depth_mm"], p["seat_curve"])
    tail = (p["tail_length_mm"], p["tail_top_width_mm"], p["tail_tip_width_mm"])
    ap = stations(seat, tail, bend)
    wide, deep = p["seat_lateral_ratio"], p["tail_lateral_ratio"]
    lateral = stations(
        (seat[0] * wide, seat[1] * wide, seat[2], seat[3]), (tail[0], tail[1] * deep, tail[2] * deep), bend
    )
    lobe = np.where(ap.in_seat, 0.0, p["tail_lobe_depth_mm"] * ap.rounding)
    centre = np.column_stack([ap.line[:, 0], np.zeros(len(ap.line)), ap.line[:, 1]])
    return Sections(centre, ap.turn, ap.half, lateral.half, lobe, int(p["tail_lobes"]), ap.in_seat)


def _drawn(component: Component) -> Sections:
    """Level sections between the edges of both outlines."""
    ap, lateral = component.ap, component.lateral
    corners = np.concatenate([ap.body_mm[:, 1], lateral.body_mm[:, 1]])
    low = max(float(ap.body_mm[:, 1].min()), float(lateral.body_mm[:, 1].min()))
    high = min(float(ap.body_mm[:, 1].max()), float(lateral.body_mm[:, 1].max()))
    hair = 1e-4  # both sides of a ledge
    even = np.linspace(low, high, max(int((high - low) / _STEP_MM), 8) + 1)
    at = np.unique(np.concatenate([even, corners - hair, corners + hair, [-hair]]))[::-1]
    at = at[(at >= low + hair - 1e-9) & (at <= high - hair + 1e-9)]
    edges = []
    for name, outline in (("AP", ap), ("lateral", lateral)):
        met = crossings(outline.body_mm, np.column_stack([0.0 * at, at]), np.array([1.0, 0.0]))
        times = np.isfinite(met).sum(axis=1)
        if np.any(times != 2):
            where = float(at[np.argmax(times != 2)])
            raise CatalogueError(
                f"The {name} outline is met {int(times[np.argmax(times != 2)])} times at height {where:.1f} mm: a "
                "hook or a hole, of which two outlines do not tell the shape in space. Give a solid (solid_file)."
            )
        edges.append(met[:, :2])
    (left, right), (back, front) = edges[0].T, edges[1].T
    seat = np.vstack(ap.seat_mm)[:, 1]
    in_seat = (at <= seat.max() + hair) & (at >= seat.min() - hair)
    centre = np.column_stack([0.5 * (left + right), 0.5 * (back + front), at])
    zero = np.zeros(at.size)
    return Sections(centre, zero, 0.5 * (right - left), 0.5 * (front - back), zero, 0, in_seat)


@dataclass(frozen=True, slots=True, eq=False)
class CapProfile:
    """A cap turned about its axis: profiles (k, 2) of (radius, height), from the axis on top to the axis below.

    `carved`: what the cutter takes: all above the flat top, a tube outside the seat as wide as the dome down to the
    overrun past the mouth, and the pin's hole. `seat`: stretches that stand on bone, with the way they face.
    `pin` (j, 2) what lies in the neck below the mouth; may be empty.
    """

    body: Floats
    carved: Floats
    seat: tuple[tuple[Floats, bool], ...]
    pin: Floats
    mouth: Floats


def cap_profile(component: Component) -> CapProfile:
    """Profiles of a cap, from the medial half of its AP outline.

    Raises
    ------
    CatalogueError
        A drawn outline whose two sides or two views differ: it is not turned about its axis.
    """
    outline = component.ap
    _check_round(component)
    body = _half(outline.body_mm)
    mouth = outline.reamed_mm[1]
    corner = int(np.argmin(np.linalg.norm(body - mouth, axis=1)))
    floor = float(mouth[1]) - max(component.reamer_overrun_mm, 0.0)
    dome, top = float(body[:, 0].max()), float(body[:, 1].max()) + ABOVE_CUT_MM
    start = [[0.0, top], [dome, top], [dome, floor], [float(mouth[0]), floor]]
    if floor < mouth[1]:
        start.append([float(mouth[0]), float(mouth[1])])
    carved = np.vstack([start, body[corner + 1 :]])
    seat = tuple(
        (line, bool(np.ptp(line[:, 1]) < 0.2 * np.ptp(line[:, 0])))
        for line in outline.seat_mm
        if line[:, 0].mean() > 0.0
    )
    pin = outline.in_bone_mm
    pin = pin[pin[:, 0] >= 0.0] if len(pin) else pin
    if len(pin) > 1:
        pin = np.vstack([pin[np.argsort(-pin[:, 1], kind="stable")], [[0.0, pin[:, 1].min()]]])
    return CapProfile(body, carved, seat, pin, np.asarray(mouth))


def _half(outline: Floats) -> Floats:
    """The path of a closed outline on the side x >= 0, from the axis on top to the axis below."""
    path = clip_halfplane(outline, np.zeros(2), np.array([1.0, 0.0]))
    path[np.abs(path[:, 0]) < 1e-9, 0] = 0.0
    path = path[np.linalg.norm(path - np.roll(path, 1, axis=0), axis=1) > 1e-9]
    on_axis = np.flatnonzero(path[:, 0] == 0.0)
    if len(on_axis) < 2:
        raise CatalogueError(
            "This cap's outline does not cross its axis on top and below, so it cannot be turned about it."
        )
    top = on_axis[np.argmax(path[on_axis, 1])]
    bottom = on_axis[np.argmin(path[on_axis, 1])]
    path, bottom = np.roll(path, -top, axis=0), (bottom - top) % len(path)
    if np.any(path[1:bottom, 0] > 0.0):
        return np.asarray(path[: bottom + 1])
    return np.asarray(np.vstack([path[:1], path[: bottom - 1 if bottom else None : -1]]))


def _check_round(component: Component) -> None:
    ap = component.ap.body_mm
    dense = resampled(np.vstack([ap, ap[:1]]), 0.25)
    views = [("two sides", ap * [-1.0, 1.0])]
    if component.lateral is not component.ap:
        views.append(("two views", component.lateral.body_mm))
    for words, other in views:
        gap = float(distance_to_polyline(dense, other, closed=True).max())
        if gap > _ROUND_MM:
            raise CatalogueError(
                f"The {words} of this cap's outline differ by {gap:.1f} mm, so it is not turned about its axis and has "
                "no shape in space. Plan it on films, or draw it even on both sides."
            )

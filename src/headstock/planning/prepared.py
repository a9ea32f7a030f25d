"""A hip made ready for planning: distance fields, head height, neck width, and the draws of every outline.

In: `FilmHip` (anatomy). Out: `PreparedHip`: built once a reading, then shared by
every placement on it. Row 0 is the reading, rows 1.. its draws.

Head height runs from the pole of the head's circle to the head-neck junction,
where the outline leaves the circle by 1 mm (mean of both sides). The junction is
looked for from the equator downward, so that a flattened dome does not count.
"""

from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from headstock.anatomy.filmhip import FilmHip, FilmView, PelvisView
from headstock.errors import TooFewError
from headstock.geometry.polygon import crossings
from headstock.planning.field import Field, distance_field, extended_outline, lesion_field, nearest_value_field

__all__ = ["ACROSS_STEP_MM", "DEPTH_STEP_MM", "JUNCTION_MM", "DeadGrid", "PreparedHip", "PreparedView", "prepare"]

Floats = NDArray[np.float64]
JUNCTION_MM: Final = 1.0  # definition of the head-neck junction (DESIGN: "where the outline leaves the sphere by 1 mm")


DEPTH_STEP_MM: Final = 1.5
ACROSS_STEP_MM: Final = 1.0


@dataclass(frozen=True, slots=True, eq=False)
class DeadGrid:
    """Dead bone on a grid of the neck frame: nominal film points (S, T, 2), and the share of each cell that is dead.

    `slices` (S,) counts depth steps from the pole, so that both films cut the same
    slices; `share` (n, S, T) runs from 0 to 1 over one cell at the rim.
    """

    film: Floats
    slices: NDArray[np.int64]
    share: NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class PreparedView:
    """One film of the hip. n rows: 1 (the reading alone) or 1 + draws.

    `head_centre` (n, 2), `radius`, `ratio`, `outline_error`, `lesion_error`,
    `head_height` (n,), `axis`, `across` (n, 2): mm at each row's own scale.
    `bone`, `dead`: fields in the nominal frame. `outline_error` is that of head and neck; elsewhere the outline may be
    worse known by the factor `error_share` (None: everywhere alike). `neck_width` (n,), narrowest.
    `base_depth` (n,): depth where the neck axis meets the shaft axis, or None.
    `outline_end_depth`: nominal depth below which the outline was carried on.
    """

    view: Literal["ap", "lateral"]
    source: FilmView
    head_centre: Floats
    radius: Floats
    axis: Floats
    across: Floats
    ratio: Floats
    outline_error: Floats
    lesion_error: Floats
    head_height: Floats
    neck_width: Floats
    narrowest_depth: float
    base_depth: Floats | None
    shaft_axis: Floats | None
    shaft_point: Floats | None
    bone: Field
    dead: Field | None
    outline_end_depth: float
    junctions_mm: Floats
    dead_grid: DeadGrid | None
    error_share: Field | None = None

    def error_at(self, points: Floats) -> Floats:
        """Error of the outline nearest to points (rows, P, 2), mm, outward positive: (rows, P) or (rows, 1).

        Which stretch is nearest is decided on the reading: a draw moves a point by far less than a stretch is long.
        """
        error = self.outline_error[:, None]
        if self.error_share is None or len(self.outline_error) == 1:
            return error
        return np.asarray(error * np.maximum(self.error_share.at(points[0]), 1.0))

    def sd_beyond(self, points: Floats) -> Floats:
        """By how much the outline nearest to points (1, P, 2) is worse known than head and neck, sd in mm, (1, P)."""
        if self.error_share is None:
            return np.zeros(points.shape[:-1])
        return np.asarray((np.maximum(self.error_share.at(points), 1.0) - 1.0) * self.source.outline_sd_mm)

    def nominal(self) -> "PreparedView":
        """Row 0 alone."""
        return replace(
            self,
            head_centre=self.head_centre[:1],
            radius=self.radius[:1],
            axis=self.axis[:1],
            across=self.across[:1],
            ratio=self.ratio[:1],
            outline_error=self.outline_error[:1],
            lesion_error=self.lesion_error[:1],
            head_height=self.head_height[:1],
            neck_width=self.neck_width[:1],
            base_depth=None if self.base_depth is None else self.base_depth[:1],
            shaft_axis=None if self.shaft_axis is None else self.shaft_axis[:1],
            shaft_point=None if self.shaft_point is None else self.shaft_point[:1],
            dead_grid=None if self.dead_grid is None else replace(self.dead_grid, share=self.dead_grid.share[:1]),
        )

    def depth_of(self, points: ArrayLike) -> Floats:
        """Depth below the pole, mm, of points (..., 2) given at each row's scale; leading axis broadcasts with rows."""
        shift = np.asarray(points, np.float64) - self.head_centre
        return np.asarray(self.radius - np.sum(shift * self.axis, axis=-1))

    def pole(self) -> Floats:
        """Pole of the head's circle, (n, 2)."""
        return self.head_centre + self.radius[:, None] * self.axis


@dataclass(frozen=True, slots=True, eq=False)
class PreparedHip:
    """Both films, the pelvis, and the directions that leg length and offset are measured along."""

    hip: FilmHip
    ap: PreparedView
    lateral: PreparedView | None
    pelvis: PelvisView | None
    up: Floats
    medial: Floats
    rows: int
    sound_bone_start: Floats | None

    def nominal(self) -> "PreparedHip":
        """Row 0 alone: point values, for dragging and for the optimiser."""
        pelvis = None if self.pelvis is None else _first_row(self.pelvis)
        lateral = None if self.lateral is None else self.lateral.nominal()
        return replace(
            self,
            ap=self.ap.nominal(),
            lateral=lateral,
            pelvis=pelvis,
            up=self.up[:1],
            medial=self.medial[:1],
            rows=1,
            sound_bone_start=None if self.sound_bone_start is None else self.sound_bone_start[:1],
        )


def prepare(hip: FilmHip, *, seed: int = 1) -> PreparedHip:
    """The hip ready for placements; `seed` draws the errors of its outlines.

    Raises
    ------
    TooFewError
        The outline does not run over head and neck.
    """
    rng = np.random.default_rng(seed)
    ap = _view(hip.ap, rng)
    lateral = None if hip.lateral is None else _view(hip.lateral, rng)
    rows = len(ap.radius)
    up = np.tile([0.0, 1.0], (rows, 1))
    medial = np.tile([1.0, 0.0], (rows, 1))
    pelvis = hip.pelvis
    if pelvis is not None and pelvis.teardrop_mm is not None and pelvis.other_teardrop_mm is not None:
        line = pelvis.other_teardrop_mm - pelvis.teardrop_mm
        medial = line / np.linalg.norm(line, axis=1, keepdims=True)
        up = np.column_stack([-medial[:, 1], medial[:, 0]])
    starts = [_deepest_dead(view) for view in (ap, lateral) if view is not None and view.dead is not None]
    return PreparedHip(hip, ap, lateral, pelvis, up, medial, rows, np.max(starts, axis=0) if starts else None)


def _view(view: FilmView, rng: np.random.Generator) -> PreparedView:
    rows = view.rows
    ratio, radius, centre = view.scale_ratio, view.head_radius_mm, view.head_centre_mm
    outline_error, lesion_error = np.zeros(rows), np.zeros(rows)
    outline_error[1:] = rng.normal(0.0, view.outline_sd_mm, rows - 1)
    lesion_error[1:] = rng.normal(0.0, view.lesion_rim_sd_mm, rows - 1)
    closed = np.allclose(view.outer_mm[0], view.outer_mm[-1], atol=0.5)
    outline = view.outer_mm[:-1] if closed else extended_outline(view.outer_mm)
    st = view.to_neck(view.outer_mm, nominal=True)
    end_depth = float("inf") if closed else float(min(st[0, 0], st[-1, 0]))
    height, junctions = _head_height(view)
    narrow_depth, narrow = _narrowest(view, outline, float(height[0]))
    base = None
    if view.shaft_axis is not None and view.shaft_point_mm is not None:
        base = _base_depth(centre, radius, view.neck_axis, view.shaft_point_mm, view.shaft_axis)
    dead = lesion_field(view.lesions_mm)
    bone = distance_field(outline)
    return PreparedView(
        view=view.view,
        source=view,
        head_centre=centre,
        radius=radius,
        axis=view.neck_axis,
        across=view.across,
        ratio=ratio,
        outline_error=outline_error,
        lesion_error=lesion_error,
        head_height=height,
        neck_width=np.maximum(narrow * ratio + 2.0 * outline_error, 1.0),
        narrowest_depth=narrow_depth,
        base_depth=base,
        shaft_axis=view.shaft_axis,
        shaft_point=view.shaft_point_mm,
        bone=bone,
        dead=dead,
        outline_end_depth=end_depth,
        junctions_mm=junctions,
        dead_grid=None if dead is None else _dead_grid(view, dead, lesion_error),
        error_share=_error_share(view, outline, bone),
    )


def _error_share(view: FilmView, outline: Floats, bone: Field) -> Field | None:
    """How many times worse than head and neck the nearest stretch of the outline is known."""
    sds = view.outline_sd_along_mm
    if sds is None or view.outline_sd_mm <= 0.0 or np.ptp(sds) == 0.0 or len(outline) < len(sds):
        return None
    share = sds / view.outline_sd_mm
    if len(outline) > len(sds):  # carried on at both ends: known as well as the end itself
        share = np.concatenate([share[:1], share, share[-1:]])
    return nearest_value_field(outline, share, bone)


def _dead_grid(view: FilmView, dead: Field, lesion_error: Floats) -> DeadGrid:
    margin = 2.5 * max(view.lesion_rim_sd_mm, 0.4)
    st = np.vstack([view.to_neck(polygon, nominal=True) for polygon in view.lesions_mm])
    slices = np.arange(
        int(np.floor((st[:, 0].min() - margin) / DEPTH_STEP_MM)),
        int(np.ceil((st[:, 0].max() + margin) / DEPTH_STEP_MM)) + 1,
    )
    t = np.arange(st[:, 1].min() - margin, st[:, 1].max() + margin, ACROSS_STEP_MM)
    grid = np.stack(np.meshgrid(slices * DEPTH_STEP_MM, t, indexing="ij"), axis=-1)
    film = view.from_neck(grid.reshape(-1, 2)).reshape(grid.shape)
    inside = dead.at(film).astype(np.float32)[None] * view.scale_ratio.astype(np.float32)[:, None, None]
    inside += lesion_error.astype(np.float32)[:, None, None]
    inside /= np.float32(ACROSS_STEP_MM)
    inside += np.float32(0.5)
    return DeadGrid(film, slices, np.clip(inside, 0.0, 1.0, out=inside))


def _deepest_dead(view: PreparedView) -> Floats:
    """Depth of the deepest outlined dead bone, (n,)."""
    depth = view.source.to_neck(np.vstack(view.source.lesions_mm))[..., 0].max(axis=1)
    return np.asarray(depth + view.lesion_error)


def _head_height(view: FilmView) -> tuple[Floats, Floats]:
    """(n,) depth of the head-neck junction, mean of both sides; (2, 2) its nominal points (negative t first)."""
    dense = _dense(view.outer_mm, 0.5)
    st = view.to_neck(dense, nominal=True)
    radius = float(view.head_radius_mm[0])
    reach = np.hypot(st[:, 0] - radius, st[:, 1])
    depths, points = [], []
    for side in (-1.0, 1.0):
        # From the equator outward along the outline, on one side of the neck axis. The path is monotonic here.
        on_side = (np.sign(st[:, 1]) == side) & (reach < 1.8 * radius)
        candidates = np.flatnonzero(on_side & (np.abs(reach - radius) < 0.35 * radius))
        if not len(candidates):
            continue
        equator = candidates[np.argmin(np.abs(st[candidates, 0] - radius))]
        way = 1 if equator + 5 < len(st) and st[equator + 5, 0] > st[equator, 0] else -1
        path: list[int] = []
        i = int(equator)
        while 0 <= i < len(st) and on_side[i] and len(path) < 160:
            path.append(i)
            i += way
        if len(path) < 4:
            continue
        run = dense[path]
        shift = run[None] * view.scale_ratio[:, None, None] - view.head_centre_mm[:, None, :]
        off = np.linalg.norm(shift, axis=2) - view.head_radius_mm[:, None]
        depth = view.head_radius_mm[:, None] - np.einsum("bkj,bj->bk", shift, view.neck_axis)
        # The circle was fitted to this outline: what a draw adds to all of the flank is an error of the circle, no
        # change of shape. Left in, an error of 1 mm would move the junction to the equator.
        flank = np.abs(st[path, 0] - radius) < 0.3 * radius
        level = off[:, flank].mean(axis=1)
        off = np.abs(off - (level - level[0])[:, None]) - JUNCTION_MM
        order = np.arange(len(path))
        entered = np.argmax(off <= 0, axis=1)
        left = (off > 0) & (order > entered[:, None])
        first = np.argmax(left, axis=1)
        rows = np.arange(len(first))
        before = np.maximum(first - 1, 0)
        a, b = off[rows, before], off[rows, first]
        share = np.where(first > 0, -a / np.where(b > a, b - a, 1.0), 0.0)
        at = depth[rows, before] + share * (depth[rows, first] - depth[rows, before])
        depths.append(np.where(left.any(axis=1), at, depth[:, -1]))
        points.append(run[first[0]] if left[0].any() else run[-1])
    if not depths:
        raise TooFewError(
            "The outline of the femur does not pass the head's equator on either side: the head's height is not known. "
            "Trace the outline over head and neck."
        )
    return np.mean(depths, axis=0), np.array(points)


def _narrowest(view: FilmView, outline: Floats, height: float) -> tuple[float, float]:
    """Nominal depth and width of the narrowest neck below the junction."""
    radius = float(view.head_radius_mm[0])
    depths = np.arange(max(height - 4.0, radius), height + 1.2 * radius, 0.5)
    st = view.to_neck(outline, nominal=True)
    points = np.column_stack([depths, np.zeros_like(depths)])
    met = crossings(st, points, np.array([0.0, 1.0]))
    left = np.where(met < 0, met, -np.inf).max(axis=1, initial=-np.inf)
    right = np.where(met > 0, met, np.inf).min(axis=1, initial=np.inf)
    width = right - left
    if not np.isfinite(width).any():
        raise TooFewError(
            "The outline does not show both edges of the neck. Trace both, from the head to the trochanters."
        )
    best = int(np.argmin(np.where(np.isfinite(width), width, np.inf)))
    return float(depths[best]), float(width[best])


def _base_depth(centre: Floats, radius: Floats, axis: Floats, shaft_point: Floats, shaft_axis: Floats) -> Floats:
    pole = centre + radius[:, None] * axis
    gap = shaft_point - pole
    turn = axis[:, 0] * shaft_axis[:, 1] - axis[:, 1] * shaft_axis[:, 0]
    depth = -(gap[:, 0] * shaft_axis[:, 1] - gap[:, 1] * shaft_axis[:, 0]) / np.where(np.abs(turn) < 1e-3, np.nan, turn)
    return np.asarray(depth)


def _dense(polyline: Floats, step: float) -> Floats:
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(polyline, axis=0), axis=1))])
    at = np.arange(0.0, along[-1], step)
    return np.column_stack([np.interp(at, along, polyline[:, k]) for k in (0, 1)])


def _first_row(pelvis: PelvisView) -> PelvisView:
    values = {
        name: (None if value is None else value[:1])
        for name in PelvisView.__dataclass_fields__
        for value in (getattr(pelvis, name),)
    }
    return PelvisView(**values)

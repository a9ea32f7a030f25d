"""One hip as its films show it: the plain value that planning reads.

In: an AP reading, a lateral reading (may be absent), their scales. Out: `FilmHip`.
Frames (docs/frames.md): AP film x medial, z proximal, mm at the hip; lateral film
u proximal, y anterior. Origin: the head centre **as clicked** (row 0), so row 0 of
`head_centre_mm` is (0, 0) and its draws scatter about it.
Batch convention: row 0 the reading, rows 1.. its draws (headstock.measured).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from headstock.anatomy.drawn import NO_SCALE, Drawn, FilmScale, draw_reading
from headstock.anatomy.formulas import FORMULAS, HipDraws
from headstock.anatomy.landmarks import OUTLINES, View, key, split_key
from headstock.anatomy.outline import outer_outline
from headstock.anatomy.reading import Reading
from headstock.errors import CalibrationError, FrameError, HeadstockError, TooFewError
from headstock.frames import Side, medial_column_sign
from headstock.measured import DRAWS

__all__ = ["FilmAxes", "FilmHip", "FilmView", "PelvisView", "film_hip", "lateral_axes"]

Floats = NDArray[np.float64]


def _freeze(value: object) -> None:
    """Make every array of a dataclass read-only."""
    for field in fields(value):  # type: ignore[arg-type]
        content = getattr(value, field.name)
        for array in content if isinstance(content, tuple) else (content,):
            if isinstance(array, np.ndarray):
                array.flags.writeable = False


@dataclass(frozen=True, slots=True, eq=False)
class FilmAxes:
    """How the mm frame of a view lies on its image.

    `origin_px` (2,) column, row of the frame's origin. `directions` (2, 2): row 0
    the image direction (column, row) of +x (AP) or +u (lateral), row 1 that of +z or
    +y; unit vectors along the image axes. `mm_per_px` (2,) mm per column and per row.
    """

    origin_px: Floats
    directions: Floats
    mm_per_px: Floats

    def __post_init__(self) -> None:
        if not np.allclose(self.directions @ self.directions.T, np.eye(2)):
            raise FrameError("The two directions of a film frame must be perpendicular unit vectors.")
        _freeze(self)

    def to_mm(self, points_px: ArrayLike) -> Floats:
        """Image points (..., 2) to film mm (..., 2), at the nominal scale."""
        shift = (np.asarray(points_px, dtype=np.float64) - self.origin_px) * self.mm_per_px
        return np.asarray(shift @ self.directions.T)

    def to_px(self, points_mm: ArrayLike) -> Floats:
        """The inverse of `to_mm`."""
        return np.asarray((np.asarray(points_mm, dtype=np.float64) @ self.directions) / self.mm_per_px + self.origin_px)


@dataclass(frozen=True, slots=True, eq=False)
class FilmView:
    """One hip on one film, mm. B = 1 + draws.

    `head_centre_mm` (B, 2), `head_radius_mm` (B,), `neck_axis` (B, 2) unit, pointing
    proximally (from the narrowest neck to the head centre), `shaft_point_mm` (B, 2) and
    `shaft_axis` (B, 2) unit proximal, or None. `outer_mm` (K, 2): the femur's outer
    outline as an open polyline, nominal: from the lateral (AP) or posterior (lateral)
    shaft up over neck and head and down to the medial or anterior shaft.
    `outline_sd_mm`: sd of its distance from the true outline, along its normal, of head and neck;
    `outline_sd_along_mm` (K,) of every point, never below it (None: everywhere alike). One draw of the error serves
    the whole outline. `outline_kind` says whether it was traced or
    interpolated. `canal_mm` (K, 2) the canal's outline, or None. `lesions_mm`: closed
    polygons, nominal, first point not repeated; `lesion_rim_sd_mm` as for the outline.
    `scale_ratio` (B,): each draw's scale over the nominal one (row 0 is 1): multiply
    nominal outlines by it to have them at a draw's scale.
    """

    view: Literal["ap", "lateral"]
    head_centre_mm: Floats
    head_radius_mm: Floats
    neck_axis: Floats
    shaft_point_mm: Floats | None
    shaft_axis: Floats | None
    outer_mm: Floats
    outline_sd_mm: float
    canal_mm: Floats | None
    lesions_mm: tuple[Floats, ...]
    lesion_rim_sd_mm: float
    scale_ratio: Floats
    outline_kind: Literal["traced", "interpolated"] = "traced"
    outline_sd_along_mm: Floats | None = None
    axes: FilmAxes | None = None
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        rows = self.head_radius_mm.shape[0]
        batched: Sequence[tuple[str, Floats | None, tuple[int, ...]]] = (
            ("head_centre_mm", self.head_centre_mm, (rows, 2)),
            ("head_radius_mm", self.head_radius_mm, (rows,)),
            ("neck_axis", self.neck_axis, (rows, 2)),
            ("shaft_point_mm", self.shaft_point_mm, (rows, 2)),
            ("shaft_axis", self.shaft_axis, (rows, 2)),
            ("scale_ratio", self.scale_ratio, (rows,)),
        )
        for name, array, shape in batched:
            if array is not None and array.shape != shape:
                raise FrameError(
                    f"{name} has shape {array.shape}, the view needs {shape}: one row a draw, row 0 nominal."
                )
        if self.outline_sd_along_mm is not None and self.outline_sd_along_mm.shape != self.outer_mm.shape[:1]:
            raise FrameError("The outline's sd is given point by point, but not for every point.")
        if (self.shaft_point_mm is None) != (self.shaft_axis is None):
            raise FrameError("A shaft has both a point and an axis, or neither.")
        for polyline in (self.outer_mm, self.canal_mm, *self.lesions_mm):
            if polyline is not None and (polyline.ndim != 2 or polyline.shape[1] != 2):
                raise FrameError(f"An outline is a list of (x, z) points; found shape {polyline.shape}.")
        _freeze(self)

    @property
    def rows(self) -> int:
        """1 + the number of draws."""
        return int(self.head_radius_mm.shape[0])

    @property
    def across(self) -> Floats:
        """(B, 2) unit vector across the neck: medial/inferior on AP, anterior on a lateral film."""
        x, y = self.neck_axis[:, 0], self.neck_axis[:, 1]
        return np.stack([y, -x], axis=1) if self.view == "ap" else np.stack([-y, x], axis=1)

    def to_neck(self, points_mm: ArrayLike, *, nominal: bool = False) -> Floats:
        """Film points to the neck frame (depth s from the pole of the head, t across), mm.

        `points_mm` (K, 2) nominal points, brought to each draw's scale: returns
        (B, K, 2). With `nominal` only row 0 is computed: (K, 2).
        """
        points = np.asarray(points_mm, dtype=np.float64)
        rows = slice(0, 1) if nominal else slice(None)
        shift = points[None] * self.scale_ratio[rows, None, None] - self.head_centre_mm[rows, None, :]
        s = self.head_radius_mm[rows, None] - np.einsum("bkj,bj->bk", shift, self.neck_axis[rows])
        t = np.einsum("bkj,bj->bk", shift, self.across[rows])
        both = np.stack([s, t], axis=-1)
        return np.asarray(both[0]) if nominal else both

    def from_neck(self, points_st: ArrayLike) -> Floats:
        """Neck-frame points (K, 2) to film mm of the reading itself (row 0), (K, 2)."""
        st = np.asarray(points_st, dtype=np.float64)
        along = (self.head_radius_mm[0] - st[:, :1]) * self.neck_axis[0]
        return np.asarray(self.head_centre_mm[0] + along + st[:, 1:] * self.across[0])


@dataclass(frozen=True, slots=True, eq=False)
class PelvisView:
    """What an AP pelvis film adds, all (B, 2) mm in the AP film frame of the hip under study, or None.

    `other_…` belongs to the other side. `other_femoral_offset_mm` (B,) and
    `leg_length_difference_mm` (B,), this side minus the other (longer positive).
    """

    teardrop_mm: Floats | None = None
    other_teardrop_mm: Floats | None = None
    lesser_trochanter_mm: Floats | None = None
    other_lesser_trochanter_mm: Floats | None = None
    greater_trochanter_mm: Floats | None = None
    sourcil_medial_mm: Floats | None = None
    sourcil_lateral_mm: Floats | None = None
    other_head_centre_mm: Floats | None = None
    other_femoral_offset_mm: Floats | None = None
    leg_length_difference_mm: Floats | None = None
    femoral_offset_mm: Floats | None = None

    def __post_init__(self) -> None:
        _freeze(self)


@dataclass(frozen=True, slots=True, eq=False)
class FilmHip:
    """One hip on its films: what planning needs, and nothing of implants."""

    side: Side
    ap: FilmView
    lateral: FilmView | None = None
    pelvis: PelvisView | None = None
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if self.ap.view != "ap" or (self.lateral is not None and self.lateral.view != "lateral"):
            raise FrameError("The AP view and the lateral view of a hip were mixed up.")
        if self.lateral is not None and self.lateral.rows != self.ap.rows:
            raise FrameError(
                "The AP and the lateral view carry different numbers of draws; read both with the same n_draws."
            )


_NEEDED: tuple[tuple[str, str], ...] = (("head_centre", "head centre"), ("neck_axis_point", "neck axis point"))


def film_hip(
    ap_reading: Reading,
    ap_scale: FilmScale | None,
    lateral_reading: Reading | None = None,
    lateral_scale: FilmScale | None = None,
    side: Side | None = None,
    *,
    n_draws: int = DRAWS,
    seed: int = 1,
) -> FilmHip:
    """One hip from its readings, ready for planning.

    Parameters
    ----------
    side
        The hip under study; the AP reading's own side when not given.

    Returns
    -------
    Every batch has 1 + `n_draws` rows. A lateral film that cannot be used (no scale,
    no neck, nobody said where the front is) is left out, and `notes` says why.

    Raises
    ------
    CalibrationError
        The AP film has no scale: a plan needs millimetres.
    TooFewError
        The AP film lacks the head circle or the neck; the message lists them.
    FrameError
        The readings are of other views or of another side.
    """
    side = ap_reading.side if side is None else side
    if ap_reading.view is View.LATERAL_HIP:
        raise FrameError("The first reading must be of an AP film; this one is of a lateral film. Swap the two.")
    if lateral_reading is not None and lateral_reading.view is not View.LATERAL_HIP:
        raise FrameError("The second reading must be of a lateral film; this one is of an AP film. Choose the lateral.")
    for reading, word in ((ap_reading, "AP"), (lateral_reading, "lateral")):
        if reading is not None and reading.view is not View.AP_PELVIS and reading.side is not side:
            raise FrameError(
                f"The {word} film was read as the {reading.side} hip, but the {side} hip is being planned. Check "
                "the side letter on the film before anything else."
            )
    if ap_scale is None:
        raise CalibrationError(f"A plan needs millimetres. {NO_SCALE}")
    drawn = draw_reading(ap_reading, ap_scale, n_draws=n_draws, seed=seed)
    sign = float(medial_column_sign(side, ap_reading.columns_to_left))
    ap = _view(drawn, side, "ap", np.array([[sign, 0.0], [0.0, -1.0]]))
    notes: list[str] = []
    lateral = None
    if lateral_reading is not None:
        try:
            if lateral_scale is None:
                raise CalibrationError(NO_SCALE)
            lateral_drawn = draw_reading(lateral_reading, lateral_scale, n_draws=n_draws, seed=seed)
            _check_placed(lateral_drawn, side, "lateral")
            lateral = _view(lateral_drawn, side, "lateral", lateral_axes(lateral_reading, side))
        except HeadstockError as refusal:
            notes.append(f"The lateral film is not used: {refusal}")
    return FilmHip(side, ap, lateral, _pelvis(drawn, side, ap), tuple(notes))


def _check_placed(drawn: Drawn, side: Side, word: str) -> None:
    lacks = [words for name, words in _NEEDED if key(name, side) not in drawn.points]
    if key("head", side) not in drawn.radii:
        lacks.insert(0, "head circle")
    if lacks:
        raise TooFewError(
            f"Planning on the {word} film needs the {side} {', '.join(lacks)}, not placed yet. Place them."
        )


def lateral_axes(reading: Reading, side: Side) -> Floats:
    """(2, 2) image directions of +u (proximal) and +y (anterior) on a lateral film.

    u is the image axis nearest to the neck, pointing from neck to head; y the other
    one, pointing to where the reader, the header or the placed front edge of the bone says the front is.

    Raises
    ------
    TooFewError
        Nothing says where the front is.
    FrameError
        What says it contradicts itself, or runs along the neck.
    """
    centre = reading.points.get(key("head_centre", side)) or reading.circles.get(key("head", side))
    neck = reading.points.get(key("neck_axis_point", side))
    if centre is None or neck is None:
        raise TooFewError("The direction of the neck is not known: place head and neck axis point on the lateral film.")
    up = np.array([centre[0] - neck[0], centre[1] - neck[1]])
    column_wise = abs(up[0]) >= abs(up[1])
    u = np.array([np.sign(up[0]), 0.0]) if column_wise else np.array([0.0, np.sign(up[1])])
    y_axis = np.array([0.0, 1.0]) if column_wise else np.array([1.0, 0.0])
    said: list[float] = []
    if reading.anterior is not None:
        direction = {"up": (0.0, -1.0), "down": (0.0, 1.0), "left": (-1.0, 0.0), "right": (1.0, 0.0)}[reading.anterior]
        along = float(np.array(direction) @ y_axis)
        if along == 0.0:
            raise FrameError(
                f"The front was said to be {reading.anterior} on the lateral film, but the neck runs that way. "
                "Say which way across the neck the front is."
            )
        said.append(along)
    said += _front_by_marks(reading, side, y_axis)
    if not said:
        raise TooFewError(
            "Nothing says which way the front is on the lateral film. Say so (up, down, left or right), or place the "
            "front and the back edge of the neck."
        )
    if len(set(said)) > 1:
        raise FrameError(
            "The front of the lateral film contradicts itself: what was said and the placed front and back edges of "
            "the bone disagree. Check whether front and back were swapped."
        )
    return np.array([u, y_axis * said[0]])


def _front_by_marks(reading: Reading, side: Side, y_axis: Floats) -> list[float]:
    said: list[float] = []
    for stem in ("neck", "shaft_edge", "head_neck_junction"):
        front, back = (reading.points.get(key(f"{stem}_{end}", side)) for end in ("anterior", "posterior"))
        if front is not None and back is not None:
            said.append(float(np.sign((np.array(front) - np.array(back)) @ y_axis)))
    for stem in ("neck", "shaft"):
        fronts, backs = (reading.outlines.get(key(f"{stem}_{end}", side)) for end in ("anterior", "posterior"))
        if fronts is not None and backs is not None:
            said.append(float(np.sign((fronts.mean(axis=0) - backs.mean(axis=0)) @ y_axis)))
    return said


def _view(drawn: Drawn, side: Side, view: Literal["ap", "lateral"], directions: Floats) -> FilmView:
    _check_placed(drawn, side, "AP" if view == "ap" else "lateral")
    scale = drawn.mm_per_px
    if scale is None:
        raise CalibrationError(NO_SCALE)
    origin = drawn.points[key("head_centre", side)][0]

    def to_mm(points: Floats, batch: bool = True) -> Floats:
        shift = (points - origin) @ directions.T
        return np.asarray(shift * (scale[:, None] if batch else scale[0]))

    points = {
        split_key(name)[1]: to_mm(values)
        for name, values in drawn.points.items()
        if split_key(name)[0] is side
    }  # fmt: skip
    lines = {
        split_key(name)[1]: to_mm(line, batch=False)
        for name, line in drawn.outlines.items()
        if split_key(name)[0] is side
    }  # fmt: skip
    centre, neck = points["head_centre"], points["neck_axis_point"]
    axis = (centre - neck) / np.linalg.norm(centre - neck, axis=1, keepdims=True)
    radius = drawn.radii[key("head", side)] * scale
    across = np.array([axis[0, 1], -axis[0, 0]]) if view == "ap" else np.array([-axis[0, 1], axis[0, 0]])
    nominal = {name: values[0] for name, values in points.items()}
    outer = outer_outline(view, centre[0], float(radius[0]), axis[0], across, nominal, lines)
    shaft_point = shaft_axis = None
    if "shaft_proximal" in points and "shaft_distal" in points:
        shaft_point = points["shaft_proximal"]
        along = shaft_point - points["shaft_distal"]
        shaft_axis = along / np.linalg.norm(along, axis=1, keepdims=True)
    return FilmView(
        view=view,
        head_centre_mm=centre,
        head_radius_mm=radius,
        neck_axis=axis,
        shaft_point_mm=shaft_point,
        shaft_axis=shaft_axis,
        outer_mm=outer.points_mm,
        outline_sd_mm=outer.sd_mm,
        outline_sd_along_mm=outer.sd_along_mm,
        canal_mm=_canal(view, nominal, lines),
        lesions_mm=tuple(lines[name] for name in sorted(lines) if name.startswith("lesion")),
        lesion_rim_sd_mm=OUTLINES["lesion"].sd_mm,
        scale_ratio=scale / scale[0],
        outline_kind=outer.kind,
        axes=FilmAxes(
            origin / np.array([1.0, drawn.row_factor]),
            directions,
            np.array([scale[0], scale[0] * drawn.row_factor]),
        ),
        notes=outer.notes,
    )


_CANAL_PAIRS = ("canal_20", "calcar", "canal_100", "isthmus")


def _canal(view: str, points: Mapping[str, Floats], lines: Mapping[str, Floats]) -> Floats | None:
    """The canal as a closed polygon: traced edges, else the pairs of canal landmarks from above downward."""
    one, two = ("canal_lateral", "canal_medial") if view == "ap" else ("canal_posterior", "canal_anterior")
    if one in lines and two in lines:
        first, second = lines[one], lines[two]
        # Both from the same end, so that the polygon does not cross itself.
        if np.linalg.norm(first[0] - second[0]) > np.linalg.norm(first[0] - second[-1]):
            second = second[::-1]
        return np.concatenate([first, second[::-1]])
    pairs = [
        (points[f"{stem}_lateral"], points[f"{stem}_medial"])
        for stem in _CANAL_PAIRS
        if f"{stem}_lateral" in points and f"{stem}_medial" in points
    ]
    if view != "ap" or len(pairs) < 2:
        return None
    pairs.sort(key=lambda pair: -float(pair[0][1]))
    return np.array([lateral for lateral, _ in pairs] + [medial for _, medial in reversed(pairs)])


def _pelvis(drawn: Drawn, side: Side, ap: FilmView) -> PelvisView:
    scale, axes = drawn.mm_per_px, ap.axes
    if scale is None or axes is None:
        raise CalibrationError(NO_SCALE)
    origin = axes.origin_px * np.array([1.0, drawn.row_factor])

    def at(name: str, owner: Side) -> Floats | None:
        found = drawn.points.get(key(name, owner))
        return None if found is None else np.asarray((found - origin) @ axes.directions.T * scale[:, None])

    def length(name: str, owner: Side, *needs: str) -> Floats | None:
        if any(need not in drawn.points for need in needs):
            return None
        return np.asarray(FORMULAS[name](HipDraws(drawn, owner)) * scale)

    def offset(owner: Side) -> Floats | None:
        marks = ("head_centre", "shaft_proximal", "shaft_distal")
        return length("femoral_offset_mm", owner, *(key(mark, owner) for mark in marks))

    difference = length(
        "leg_length_difference_mm",
        side,
        *(key(mark, owner) for mark in ("teardrop", "lesser_trochanter") for owner in Side),
    )
    if difference is not None and side is Side.LEFT:
        difference = -difference
    return PelvisView(
        teardrop_mm=at("teardrop", side),
        other_teardrop_mm=at("teardrop", side.other),
        lesser_trochanter_mm=at("lesser_trochanter", side),
        other_lesser_trochanter_mm=at("lesser_trochanter", side.other),
        greater_trochanter_mm=at("greater_trochanter", side),
        sourcil_medial_mm=at("sourcil_medial", side),
        sourcil_lateral_mm=at("sourcil_lateral", side),
        other_head_centre_mm=at("head_centre", side.other),
        other_femoral_offset_mm=offset(side.other),
        leg_length_difference_mm=difference,
        femoral_offset_mm=offset(side),
    )

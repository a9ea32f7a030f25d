"""One hip as its films show it: the plain value that planning reads.

In: an AP reading, a lateral reading (may be absent), their scales. Out: `FilmHip`.
Frames (docs/frames.md): AP film x medial, z proximal, mm at the hip; lateral film
u proximal, y anterior. Origin: the head centre **as clicked** (row 0), so row 0 of
`head_centre_mm` is (0, 0) and its draws scatter about it.
Batch convention: row 0 the reading, rows 1.. its draws (headstock.measured).
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from headstock.errors import FrameError
from headstock.frames import Side

__all__ = ["FilmAxes", "FilmHip", "FilmView", "PelvisView"]

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
    `outline_sd_mm`: sd of its distance from the true outline, along its normal, one
    error for the whole outline. `outline_kind` says whether it was traced or
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

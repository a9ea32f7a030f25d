"""Where parts lie in space, and the rows of a hip that a number is computed on.

Hip frame of the reading, mm. `Rows`: n = 1 (the reading) or 1 + draws. `Places`: m
places of one component. Functions of this room take both; n or m is 1.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from headstock.errors import FrameError
from headstock.implants import Placement
from headstock.planning.space.fields import SpaceHip

__all__ = ["Places", "Rows", "side_words"]

Floats = NDArray[np.float64]
_SIDES: Final = (
    "medial side",
    "medial and anterior side",
    "anterior side",
    "lateral and anterior side",
    "lateral side",
    "lateral and posterior side",
    "posterior side",
    "medial and posterior side",
)


@dataclass(frozen=True, slots=True, eq=False)
class Places:
    """Places of one component: `origin` (m, 3), `axes` (m, 3, 3) whose columns are the component's x, y, z."""

    origin: Floats
    axes: Floats

    @classmethod
    def of(cls, placement: Placement) -> "Places":
        """The one place of a placement.

        Raises
        ------
        FrameError
            The placement was made on films and has no place in space.
        """
        if placement.space is None:
            raise FrameError(
                "This placement was made on films and has no place in space, so nothing can be measured on the scan. "
                "Place the part on the scan."
            )
        return cls(placement.space.origin_mm[None], placement.space.matrix[None])

    @classmethod
    def turned(cls, origin: Floats, frontal_deg: Floats, forward_deg: Floats, roll_deg: Floats) -> "Places":
        """Many places from their origins (m, 3) and angles (m,), as `SpacePose` defines them."""
        a, f, r = np.radians(frontal_deg), np.radians(forward_deg), np.radians(roll_deg)
        axis = np.stack([np.cos(f) * np.cos(a), np.sin(f), np.cos(f) * np.sin(a)], axis=-1)
        across = np.stack([np.sin(a), np.zeros_like(a), -np.cos(a)], axis=-1)
        x = np.cos(r)[:, None] * across + np.sin(r)[:, None] * np.cross(axis, across)
        return cls(origin, np.stack([x, np.cross(axis, x), axis], axis=-1))

    @property
    def axis(self) -> Floats:
        """(m, 3) the component's axis, toward the head."""
        return self.axes[:, :, 2]

    def points(self, local: Floats) -> Floats:
        """Component points (P, 3) or (m, P, 3) in the hip frame, (m, P, 3)."""
        return np.asarray(self.origin[:, None, :] + local @ self.axes.transpose(0, 2, 1))

    def shifted(self, along_mm: Floats) -> "Places":
        """The same places moved along their own axis, mm (k,), proximal positive; m or k is 1."""
        origin = self.origin + along_mm[:, None] * self.axis
        return Places(origin, np.broadcast_to(self.axes, (len(origin), 3, 3)))


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """The reading alone, or the reading and its draws; what each field means: `ScanHip`, `SpaceHip`.

    `across`, `front` (n, 3): square to the neck axis, medial in the plane of neck and shaft, and anterior.
    `up`, `medial` (n, 3): along which leg length and the cup's offset are measured.
    """

    edge: Floats
    t: Floats
    head_centre: Floats
    head_radius: Floats
    neck_axis: Floats
    shaft_axis: Floats | None
    shaft_point: Floats | None
    head_height: Floats
    base_depth: Floats | None
    across: Floats
    front: Floats
    up: Floats
    medial: Floats

    @classmethod
    def of(cls, space: SpaceHip, *, reading: bool = False, most: int | None = None) -> "Rows":
        """All rows of a hip, with `reading` its row 0, with `most` that row and so many draws."""
        hip, end = space.hip, 1 if reading else (None if most is None else 1 + most)
        axis = hip.neck_axis[:end]
        shaft = None if hip.shaft_axis is None else hip.shaft_axis[:end]
        long = np.broadcast_to([0.0, 0.0, 1.0], axis.shape) if shaft is None else shaft
        across = -(long - np.sum(long * axis, axis=1, keepdims=True) * axis)
        across = across / np.linalg.norm(across, axis=1, keepdims=True)
        up, medial = _vertical(space, long)
        return cls(
            edge=space.edge[:end],
            t=space.t[:end],
            head_centre=hip.head_centre[:end],
            head_radius=hip.head_radius[:end],
            neck_axis=axis,
            shaft_axis=shaft,
            shaft_point=None if hip.shaft_point is None else hip.shaft_point[:end],
            head_height=hip.head_height[:end],
            base_depth=None if hip.base_depth is None else hip.base_depth[:end],
            across=across,
            front=np.cross(axis, across),
            up=up,
            medial=medial,
        )

    @property
    def n(self) -> int:
        """1, or 1 + draws."""
        return len(self.edge)

    @property
    def pole(self) -> Floats:
        """(n, 3) pole of the head's sphere."""
        return np.asarray(self.head_centre + self.head_radius[:, None] * self.neck_axis)

    def depth_of(self, points: Floats) -> Floats:
        """Depth below the pole along the neck axis of points (k, 3); k or n is 1."""
        return np.asarray(self.head_radius - np.sum((points - self.head_centre) * self.neck_axis, axis=-1))


def _vertical(space: SpaceHip, shaft: Floats) -> tuple[Floats, Floats]:
    """Up and medial: the shaft and square to it, or leaning as the film's pelvis stands to the shaft seen there.

    What a scan changes is added to what a film found between the sides: both need one vertical.
    """
    medial = np.array([1.0, 0.0, 0.0]) - shaft[:, :1] * shaft
    medial = medial / np.linalg.norm(medial, axis=1, keepdims=True)
    film = space.film
    if film is None or film.ap.shaft_axis is None:
        return shaft, medial
    seen, up = film.ap.shaft_axis[0], film.up[0]
    along, beside = float(up @ seen), float(up @ np.array([seen[1], -seen[0]]))
    return np.asarray(along * shaft + beside * medial), np.asarray(along * medial - beside * shaft)


def side_words(axes: Floats, local: Floats) -> str:
    """“medial and anterior side, 17 mm below the cut” for a point (3,) of the component frame at `axes` (3, 3)."""
    axis = axes[:, 2]
    across = np.array([axis[2], 0.0, -axis[0]])
    away = axes @ np.array([local[0], local[1], 0.0])
    turn = np.degrees(np.arctan2(away @ np.cross(axis, across), away @ across))
    height = float(local[2])
    where = f"{abs(height):.0f} mm {'above' if height > 0.5 else 'below'} the cut"
    if np.hypot(local[0], local[1]) < 1.0:
        return f"on the axis, {where}"
    return f"{_SIDES[int(np.round(turn / 45.0)) % 8]}, {where}"

"""Planes along the neck axis: lines in which surfaces of a hip and of a part cross them.

In: fields and places in the hip frame. Out: polylines in the neck frame, points (t, s): t across (medial or
anterior positive), s depth below the pole of the head.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from headstock.planning.space.places import Rows

__all__ = ["NeckPlane", "neck_plane"]

Floats = NDArray[np.float64]
_STEP_MM: Final = 0.5
_SHORTEST_MM: Final = 3.0  # a crossing shorter than this is a crumb of the grid


@dataclass(frozen=True, slots=True, eq=False)
class NeckPlane:
    """A plane along the neck axis: `pole` (3,), `down` and `across` (3,) unit; `s`, `t` the grid it is looked at on."""

    pole: Floats
    down: Floats
    across: Floats
    s: Floats
    t: Floats

    @property
    def points(self) -> Floats:
        """(S, T, 3) of the grid, hip frame."""
        return np.asarray(
            self.pole + self.s[:, None, None] * self.down + self.t[None, :, None] * self.across, dtype=np.float64
        )

    def to_hip(self, ts: Floats) -> Floats:
        """(..., 2) neck frame to (..., 3) hip frame."""
        return np.asarray(self.pole + ts[..., 1:] * self.down + ts[..., :1] * self.across)

    def of_hip(self, points: Floats) -> Floats:
        """(..., 3) hip frame to (..., 2): the shadow on the plane."""
        shift = points - self.pole
        return np.stack([shift @ self.across, shift @ self.down], axis=-1)

    def lines(self, values: Callable[[Floats], NDArray[np.generic]]) -> list[Floats]:
        """Where a signed distance, a function of points (S, T, 3), is 0: polylines (k, 2), longest first.

        Closed ones come without their first point repeated; one that leaves the grid is open.
        """
        from skimage.measure import find_contours

        field = np.asarray(values(self.points), np.float64)
        found = []
        for line in find_contours(field, 0.0):  # type: ignore[no-untyped-call]
            points = np.column_stack([self.t[0] + _STEP_MM * line[:, 1], self.s[0] + _STEP_MM * line[:, 0]])
            length = float(np.linalg.norm(np.diff(points, axis=0), axis=1).sum())
            if length >= _SHORTEST_MM:
                closed = bool(np.allclose(points[0], points[-1]))
                found.append((length, points[:-1] if closed else points))
        return [points for _, points in sorted(found, key=lambda pair: -pair[0])]


def neck_plane(rows: Rows, which: Literal["ap", "lateral"], deepest_mm: float) -> NeckPlane:
    """The plane of neck and shaft (“ap”) or the one square to it along the neck (“lateral”), on the reading."""
    radius = float(rows.head_radius[0])
    half = np.ceil(2.3 * radius / _STEP_MM) * _STEP_MM
    return NeckPlane(
        rows.pole[0],
        -rows.neck_axis[0],
        rows.across[0] if which == "ap" else rows.front[0],
        np.arange(-10.0, deepest_mm, _STEP_MM),
        np.arange(-half, half + 0.1, _STEP_MM),
    )

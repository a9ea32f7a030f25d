"""A placement: which component, size, head and cup, and where. A plain value.

Frames. AP film: x medial, z proximal; lateral film: u proximal, y anterior; both
mm at the hip with the head centre as read at the origin (docs/frames.md).
Angles: `ap_angle_deg` is the direction of the component's axis (toward the
head) from +x to +z, so a larger angle is more **valgus**; `lateral_angle_deg`
runs from +u to +y, so a larger angle points the head more anteriorly.
"""

from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from headstock.errors import CatalogueError

__all__ = ["CupPlacement", "Placement", "Pose", "SpacePose"]


@dataclass(frozen=True, slots=True)
class Pose:
    """Where a femoral component's origin lies and where its axis points.

    `x_mm`, `z_mm` on the AP film. On the lateral film the origin lies at the same
    depth below the head's pole and at `y_mm`; both lateral numbers are None when
    the hip has no lateral film.
    """

    x_mm: float
    z_mm: float
    ap_angle_deg: float
    y_mm: float | None = None
    lateral_angle_deg: float | None = None


@dataclass(frozen=True, slots=True)
class SpacePose:
    """Where a component lies on a hip read from a scan; hip frame of the reading, mm and deg.

    `x_mm`, `y_mm`, `z_mm`: the component's origin. Its axis points to
    (cos f cos a, sin f, cos f sin a) with a = `frontal_deg` (from +x to +z, larger is more
    valgus) and f = `forward_deg` (from the frontal plane toward +y). `roll_deg` turns the part
    about that axis, right-handed; at 0 its own x lies in the frontal plane, toward medial.
    """

    x_mm: float
    y_mm: float
    z_mm: float
    frontal_deg: float
    forward_deg: float
    roll_deg: float = 0.0

    @property
    def origin_mm(self) -> NDArray[np.float64]:
        """(3,) origin, hip frame."""
        return np.array([self.x_mm, self.y_mm, self.z_mm])

    @property
    def matrix(self) -> NDArray[np.float64]:
        """(3, 3) component frame to hip frame: columns are the component's x, y, z."""
        a, f, r = np.radians([self.frontal_deg, self.forward_deg, self.roll_deg])
        axis = np.array([np.cos(f) * np.cos(a), np.sin(f), np.cos(f) * np.sin(a)])
        across = np.array([np.sin(a), 0.0, -np.cos(a)])
        front = np.cross(axis, across)
        x = np.cos(r) * across + np.sin(r) * front
        return np.column_stack([x, np.cross(axis, x), axis])


@dataclass(frozen=True, slots=True)
class CupPlacement:
    """Which cup, where its centre lies on the AP film, and its radiographic angles (Murray 1993)."""

    family: str
    size: str
    x_mm: float
    z_mm: float
    inclination_deg: float
    version_deg: float


@dataclass(frozen=True, slots=True)
class Placement:
    """A component of one size at one pose on one hip, with its head, neck length and cup.

    `cup` is None for a femoral part alone (the cup stays open in the appraisal). `space` is set on a hip that is
    planned on a scan, and then it is the place; `pose` is its shadow in the frontal plane of the hip frame.
    """

    family: str
    size: str
    head_diameter_mm: float
    neck_length_mm: float
    pose: Pose
    cup: CupPlacement | None = None
    space: SpacePose | None = None

    def moved(self, *, pose: Pose | None = None, cup: CupPlacement | None = None) -> "Placement":
        """The same parts somewhere else."""
        return replace(self, pose=pose or self.pose, cup=cup or self.cup)

    def in_space(self, space: SpacePose) -> "Placement":
        """The same parts at a place in space, with its shadow in the frontal plane as `pose`."""
        return replace(self, pose=Pose(space.x_mm, space.z_mm, space.frontal_deg), space=space)

    def to_json(self) -> dict[str, Any]:
        """Plain fields; `from_json` reads them back."""
        return asdict(self)

    @classmethod
    def from_json(cls, fields: Mapping[str, Any]) -> "Placement":
        """The placement that `to_json` wrote.

        Raises
        ------
        CatalogueError
            A field is missing or unknown.
        """
        try:
            cup, space = fields.get("cup"), fields.get("space")
            return cls(
                family=str(fields["family"]),
                size=str(fields["size"]),
                head_diameter_mm=float(fields["head_diameter_mm"]),
                neck_length_mm=float(fields["neck_length_mm"]),
                pose=Pose(**fields["pose"]),
                cup=None if cup is None else CupPlacement(**cup),
                space=None if space is None else SpacePose(**space),
            )
        except (KeyError, TypeError, ValueError) as error:
            raise CatalogueError(
                f"This placement cannot be read ({error}). It needs family, size, head_diameter_mm, neck_length_mm, "
                "pose and cup, as `Placement.to_json` writes them."
            ) from error

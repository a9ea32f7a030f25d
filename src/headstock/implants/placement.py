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

from headstock.errors import CatalogueError

__all__ = ["CupPlacement", "Placement", "Pose"]


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

    `cup` is None for a femoral part alone (the cup stays open in the appraisal).
    """

    family: str
    size: str
    head_diameter_mm: float
    neck_length_mm: float
    pose: Pose
    cup: CupPlacement | None = None

    def moved(self, *, pose: Pose | None = None, cup: CupPlacement | None = None) -> "Placement":
        """The same parts somewhere else."""
        return replace(self, pose=pose or self.pose, cup=cup or self.cup)

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
            cup = fields.get("cup")
            return cls(
                family=str(fields["family"]),
                size=str(fields["size"]),
                head_diameter_mm=float(fields["head_diameter_mm"]),
                neck_length_mm=float(fields["neck_length_mm"]),
                pose=Pose(**fields["pose"]),
                cup=None if cup is None else CupPlacement(**cup),
            )
        except (KeyError, TypeError, ValueError) as error:
            raise CatalogueError(
                f"This placement cannot be read ({error}). It needs family, size, head_diameter_mm, neck_length_mm, "
                "pose and cup, as `Placement.to_json` writes them."
            ) from error

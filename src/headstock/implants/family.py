"""Families, sizes, components, heads and cups as plain values.

A family is a shape with its sizes; a component is one size of one family, with
the outlines that the AP and the lateral film show (frame: shape.py). Cups and
heads are told by their diameters. Every number comes from a family file.
"""

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from headstock.errors import CatalogueError
from headstock.geometry.mesh import Mesh
from headstock.implants.levels import CutLevel
from headstock.implants.shape import Outline

__all__ = ["Component", "Cup", "CupFamily", "Family", "Head", "HeadFamily", "Kind", "Size"]

Kind = Literal["cap", "seated"]
Points = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Size:
    """One size: its name, the number it is known by, and its parameters in mm (deg for angles)."""

    id: str
    nominal_mm: float
    parameters: dict[str, float] = field(hash=False)


@dataclass(frozen=True, slots=True, eq=False)
class Component:
    """One size of one family, ready to be placed.

    `ap` and `lateral` outlines (shape.py). `head_centre_z_mm` is the centre of the
    head above the cut plane at neck length option 0, on the component's axis;
    an option adds to it. `tail_turn_deg`: how far the end of the tail has turned
    from the axis toward medial. `size_index` counts along the family. `solid_mesh`: the part's surface in space
    where its file brought one (docs/families.md); then the outlines are its silhouettes.
    """

    family_id: str
    size_id: str
    size_index: int
    level: CutLevel
    kind: Kind
    ap: Outline
    lateral: Outline
    head_centre_z_mm: float
    head_diameters_mm: tuple[float, ...]
    neck_lengths_mm: tuple[float, ...]
    neck_diameter_mm: float | None
    reamer_overrun_mm: float
    tail_turn_deg: float
    lowest_seat_mm: float
    tail_tip_mm: Points
    parameters: dict[str, float]
    solid_mesh: Mesh | None = None

    def head_centre_mm(self, neck_length_mm: float) -> Points:
        """Centre of the head, (2,), component frame."""
        return np.array([0.0, self.head_centre_z_mm + neck_length_mm])


@dataclass(frozen=True, slots=True, eq=False)
class Family:
    """A shape with its sizes, smallest first.

    `impinges_on`: what meets the cup's rim first, the patient's bone or the
    component's own neck. `canal`: whether the femoral canal stays closed.
    `seat_wall_aim_mm`, `valgus_aim_deg`: what the shape was drawn for; the
    optimiser starts from them, they are not limits.
    """

    id: str
    name: str
    level: CutLevel
    kind: Kind
    impinges_on: Literal["bone", "component"]
    canal: Literal["closed", "opened"]
    made_by: str
    seat_wall_aim_mm: float
    valgus_aim_deg: float
    sizes: tuple[Size, ...]
    components: tuple[Component, ...]
    note: str = ""

    def component(self, size_id: str) -> Component:
        """The component of a size.

        Raises
        ------
        CatalogueError
            The family has no such size.
        """
        for component in self.components:
            if component.size_id == size_id:
                return component
        raise CatalogueError(
            f"Family “{self.id}” has no size “{size_id}”. It has {', '.join(s.id for s in self.sizes)}. "
            "Choose one of these, or add the size to the family's file."
        )

    def neighbours(self, size_id: str) -> tuple[str | None, str | None]:
        """The next smaller and the next larger size, None at the end of the range."""
        here = self.component(size_id).size_index
        smaller = self.sizes[here - 1].id if here > 0 else None
        larger = self.sizes[here + 1].id if here + 1 < len(self.sizes) else None
        return smaller, larger


@dataclass(frozen=True, slots=True)
class Head:
    """One head: its diameter, and the name it is asked for by."""

    family_id: str
    size_id: str
    size_index: int
    diameter_mm: float


@dataclass(frozen=True, slots=True)
class HeadFamily:
    """Heads of one make, smallest first. A femoral family lists the diameters it takes."""

    id: str
    name: str
    made_by: str
    heads: tuple[Head, ...]
    note: str = ""


@dataclass(frozen=True, slots=True)
class Cup:
    """One cup: outer diameter, the head diameters it takes, the arc its bearing covers, and its height.

    `arc_deg` is the angle of the bearing seen from its centre (180: half a sphere).
    """

    family_id: str
    size_id: str
    size_index: int
    outer_mm: float
    head_diameters_mm: tuple[float, ...]
    arc_deg: float


@dataclass(frozen=True, slots=True)
class CupFamily:
    """Cups of one shape, smallest first."""

    id: str
    name: str
    made_by: str
    cups: tuple[Cup, ...]
    note: str = ""

    def cup(self, size_id: str) -> Cup:
        """The cup of a size.

        Raises
        ------
        CatalogueError
            The family has no such size.
        """
        for cup in self.cups:
            if cup.size_id == size_id:
                return cup
        raise CatalogueError(
            f"Cup family “{self.id}” has no size “{size_id}”. It has {', '.join(c.size_id for c in self.cups)}. "
            "Choose one of these, or add the size to the family's file."
        )

    def neighbours(self, size_id: str) -> tuple[str | None, str | None]:
        """The next smaller and the next larger cup, None at the end of the range."""
        here = self.cup(size_id).size_index
        smaller = self.cups[here - 1].size_id if here > 0 else None
        larger = self.cups[here + 1].size_id if here + 1 < len(self.cups) else None
        return smaller, larger

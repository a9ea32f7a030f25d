"""Numbers for the hand in the operating room: guide wire and height of the cut, from landmarks that can be seen.

In: a prepared hip and a placement. Out: `Guide`, every number with its interval.
The wire runs along the component's axis. The **summit** of the head is the pole
of its circle, on the neck axis. Distances to trochanters are straight, as a ruler
in the wound measures them; the cut's corners are where the cut leaves the outline.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from headstock.geometry.polygon import crossings
from headstock.implants import Catalogue, Placement
from headstock.measured import Measured, measured, missing
from headstock.planning.field import extended_outline
from headstock.planning.prepared import PreparedHip, PreparedView
from headstock.planning.quantities import Places, alignment, axes_of, lateral_origin
from headstock.units import Unit

__all__ = ["Guide", "guide"]

Floats = NDArray[np.float64]
_NO_LATERAL = "There is no lateral film of this hip with a lateral place. Read one, and place the part on it."
_NO_SHAFT = "The shaft axis was not read. Place both shaft points on the AP film."


@dataclass(frozen=True, slots=True, eq=False)
class Guide:
    """Guide wire and cut.

    `entry_from_summit_mm` medial positive, `entry_from_summit_front_mm` anterior
    positive, both across the neck axis; `wire_to_shaft_deg` as a neck-shaft angle;
    `wire_to_neck_front_deg` anterior positive; `cut_to_neck_deg`: 90 is square to
    the neck, above 90 is valgus.
    """

    entry_from_summit_mm: Measured
    wire_to_shaft_deg: Measured
    entry_from_summit_front_mm: Measured
    wire_to_neck_front_deg: Measured
    cut_to_greater_trochanter_mm: Measured
    cut_to_lesser_trochanter_mm: Measured
    cut_to_neck_deg: Measured

    def in_words(self) -> tuple[str, str]:
        """Which way the entry lies from the summit: “toward lateral”, “toward the front”; empty when not known."""
        ap, side = self.entry_from_summit_mm.value, self.entry_from_summit_front_mm.value
        return (
            "" if ap is None else f"toward {'medial' if ap > 0 else 'lateral'}",
            "" if side is None else f"toward the {'front' if side > 0 else 'back'}",
        )

    def to_json(self) -> dict[str, Any]:
        """Plain fields."""
        words = self.in_words()
        return {name: getattr(self, name).to_json() for name in self.__dataclass_fields__} | {
            "entry_in_words": words[0],
            "entry_front_in_words": words[1],
        }


def guide(hip: PreparedHip, placement: Placement, catalogue: Catalogue) -> Guide:
    """Guide wire and cut height of a placement, with 95 % intervals."""
    component = catalogue.component(placement)
    places = Places.of(placement, hip.lateral is not None)
    angles = alignment(hip, component, places)

    def number(array: Floats, unit: Unit, source: str) -> Measured:
        return measured(np.ascontiguousarray(np.broadcast_to(array, (hip.rows,))), unit, source)

    front = front_angle = missing("mm", "wire on the lateral film", _NO_LATERAL)
    front_angle = missing("deg", "wire on the lateral film", _NO_LATERAL)
    if hip.lateral is not None and places.y is not None and places.lateral_angle is not None:
        entry = _entry(hip.lateral, lateral_origin(hip, places), places.lateral_angle)
        front = number(entry, "mm", "where the wire leaves the head's circle, across the neck axis, lateral film")
        front_angle = number(angles["anterior_to_neck_deg"], "deg", "wire to the neck axis, lateral film")
    shaft = missing("deg", "wire to the shaft", _NO_SHAFT)
    if "axis_to_shaft_deg" in angles:
        shaft = number(angles["axis_to_shaft_deg"], "deg", "wire to the shaft axis, AP film")
    heights = {}
    corners = _corners(hip.ap, places)
    for name, mark, corner, words in (
        (
            "greater",
            None if hip.pelvis is None else hip.pelvis.greater_trochanter_mm,
            0,
            "tip of the greater trochanter",
        ),
        ("lesser", None if hip.pelvis is None else hip.pelvis.lesser_trochanter_mm, 1, "lesser trochanter"),
    ):
        source = f"straight from the {'lateral' if corner == 0 else 'medial'} end of the cut to the {words}, AP film"
        if mark is None:
            heights[name] = missing("mm", source, f"The {words} was not placed on the AP film. Place it.")
        elif corners is None:
            heights[name] = missing(
                "mm", source, "The cut does not cross the outline of the femur on both sides. Move it."
            )
        else:
            heights[name] = number(np.linalg.norm(corners[corner] - mark, axis=1), "mm", source)
    return Guide(
        number(
            _entry(hip.ap, places.origin, places.angle),
            "mm",
            "where the wire leaves the head's circle, across the neck axis",
        ),
        shaft,
        front,
        front_angle,
        heights["greater"],
        heights["lesser"],
        number(90.0 + angles["valgus_to_neck_deg"], "deg", "plane of the cut to the neck axis, AP film"),
    )


def _entry(view: PreparedView, origin: Floats, angle: Floats) -> Floats:
    """Across the neck axis, from the pole, where the component's axis leaves the head's circle; (rows,) mm."""
    axis, _ = axes_of(view.view, angle)
    start = origin * view.ratio[:, None] - view.head_centre
    along = np.sum(start * axis, axis=1)
    miss = np.clip(view.radius**2 - (np.sum(start**2, axis=1) - along**2), 0.0, None)
    out = start + (np.sqrt(miss) - along)[:, None] * axis
    return np.asarray(np.sum(out * view.across, axis=1))


def _corners(view: PreparedView, places: Places) -> tuple[Floats, Floats] | None:
    """Lateral and medial end of the cut, (rows, 2) mm at each row's scale; None when the cut misses the outline."""
    _, across = axes_of("ap", places.angle)
    outline = extended_outline(view.source.outer_mm)
    met = crossings(outline, places.origin[0], across[0])
    met = met[np.isfinite(met)]
    if not (met < 0).any() or not (met > 0).any():
        return None
    lateral, medial = met[met < 0].max(), met[met > 0].min()
    ends = []
    for reach, way in ((lateral, -1.0), (medial, 1.0)):
        point = (places.origin + reach * across) * view.ratio[:, None]
        error = view.error_at((places.origin + reach * across)[None])
        ends.append(point + way * error * across)
    return ends[0], ends[1]

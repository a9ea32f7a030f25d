"""Which measures of a hip rest on metal, or on what its streaks may have falsified; said beside each.

In: metal of the scan, the surfaces and voxels that each measure rests on, LPS, mm. Out: the same measures with a
note that gives the share. By how much a number is wrong there is not known: no interval is widened for it, and the
note says that it holds none of this.
Decision: docs/decisions/0206-metal-is-said-beside-each-measure.md
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType
from typing import Final

import numpy as np
from numpy.typing import NDArray

from headstock.anatomy.scan._places import surface_points
from headstock.anatomy.scan._sphere import SphereReading
from headstock.anatomy.scan.axes import NeckReading, ShaftReading
from headstock.anatomy.scan.frame import HipFrame
from headstock.anatomy.scan.segmentation import Segmentation
from headstock.anatomy.scan.values import Lesion, LesionPart, ScanHip
from headstock.geometry.grid import Grid
from headstock.images.scan import Finding
from headstock.images.scan_metal import MarkedShare, Metal, marked_share
from headstock.measured import Measured

__all__ = ["HIP_RESTS_ON", "hip_surfaces", "lesion_beside_metal", "measures_beside_metal", "note_of", "with_note"]

Floats = NDArray[np.float64]

_WORDS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "sphere": "the surface under the head's sphere",
        "head": "the head's surface",
        "neck": "the neck's outline",
        "shaft": "the shaft's surface",
        "condyles": "the backs of the condyles",
        "greater_trochanter": "the tip of the greater trochanter",
        "lesser_trochanter": "the lesser trochanter",
    }
)
_SHAFT_WIDE_MM: Final = 45.0  # as its sections: half the width in which a shaft is followed (axes.py)
_CONDYLE_MM: Final = 10.0  # definition: surface this near to where the condyles touch a plane carries that place
_TROCHANTER_MM: Final = 5.0  # definition: the same for a tip


def _named(name: str) -> tuple[str, ...]:
    return tuple(f"{name}_lps_{letter}_mm" for letter in "xyz")


# Measures of a hip by the surfaces they rest on. A version that was stated rests on none.
HIP_RESTS_ON: Final[Mapping[str, tuple[str, ...]]] = MappingProxyType(
    {
        "head_diameter_mm": ("sphere",),
        **dict.fromkeys(_named("head_centre"), ("sphere",)),
        "head_sphericity_rms_mm": ("sphere",),
        "head_excluded_arc_deg": ("head",),
        "head_height_mm": ("head", "neck"),
        "collapse_depth_mm": ("head",),
        "smallest_neck_section_mm2": ("neck",),
        "neck_diameter_least_mm": ("neck",),
        "neck_diameter_greatest_mm": ("neck",),
        "narrowest_neck_diameter_mm": ("neck",),
        "head_neck_ratio": ("sphere", "neck"),
        "head_neck_offset_mm": ("sphere", "neck"),
        "head_neck_offset_ratio": ("sphere", "neck"),
        "head_neck_offset_posterior_mm": ("sphere", "neck"),
        "head_neck_offset_superior_mm": ("sphere", "neck"),
        "head_neck_offset_inferior_mm": ("sphere", "neck"),
        "neck_shaft_angle_deg": ("sphere", "neck", "shaft"),
        "femoral_offset_mm": ("sphere", "shaft"),
        "neck_length_mm": ("sphere", "neck", "shaft"),
        "femoral_version_deg": ("sphere", "neck", "shaft", "condyles"),
        **dict.fromkeys(_named("greater_trochanter"), ("greater_trochanter",)),
        **dict.fromkeys(_named("lesser_trochanter"), ("lesser_trochanter",)),
    }
)


def note_of(shares: Sequence[tuple[str, MarkedShare]], *, interval: bool = True) -> str | None:
    """The note of a measure that rests on these, each named and with its share; None where all lie clear of metal.

    `interval`: the measure has one, which does not hold this error.
    """
    marked = [(what, share) for what, share in shares if share.streaks > 0.0]
    if not marked:
        return None
    listed = " and ".join(
        f"{_percent(share.streaks)} of {what}"
        + (f" ({_percent(share.metal)} in metal itself)" if share.metal > 0.0 else "")
        for what, share in marked
    )
    lies = "lies" if len(marked) == 1 else "lie"
    beyond = " beyond its interval" if interval else ""
    return f"{listed} {lies} within reach of the streaks of metal, which may falsify this{beyond}."


def with_note(measured: Measured, note: str | None) -> Measured:
    """The number with a note after any it has."""
    if note is None:
        return measured
    return replace(measured, note=note if measured.note is None else f"{measured.note} {note}")


def hip_surfaces(
    seg: Segmentation,
    sphere: SphereReading,
    neck: NeckReading,
    shaft: ShaftReading | None,
    frame: HipFrame,
    measures: Mapping[str, Measured],
) -> dict[str, Floats]:
    """(n, 3) LPS of the femur's surface under each kind of measure; what the scan does not hold is left out."""
    found = {"sphere": sphere.points[sphere.used], "head": sphere.points, "neck": np.asarray(neck.section.points)}
    if shaft is not None:
        below = np.array(shaft.range_mm)
        # From the head centre's foot on the axis down to the ends of the stack.
        foot = shaft.point + ((sphere.centre_lps_mm - shaft.point) @ shaft.axis) * shaft.axis
        ends = foot - below[:, None] * shaft.axis
        points = surface_points(seg, ends.min(axis=0) - _SHAFT_WIDE_MM, ends.max(axis=0) + _SHAFT_WIDE_MM)
        depth = (foot - points) @ shaft.axis
        found["shaft"] = points[(depth >= below[0]) & (depth <= below[1])]
    if frame.condyles_lps is not None:
        found["condyles"] = np.concatenate([_near(seg, place, _CONDYLE_MM) for place in frame.condyles_lps])
    for name in ("greater_trochanter", "lesser_trochanter"):
        parts = [measures[key].value if key in measures else None for key in _named(name)]
        if None not in parts:
            found[name] = _near(seg, np.array(parts, np.float64), _TROCHANTER_MM)
    return found


def measures_beside_metal(
    measures: Mapping[str, Measured], surfaces: Mapping[str, Floats], metal: Metal, grid: Grid
) -> Mapping[str, Measured]:
    """The measures of a hip, each with a note where what it rests on lies in metal or within reach of its streaks."""
    share = {name: marked_share(metal, grid, points) for name, points in surfaces.items()}
    noted = dict(measures)
    for name, one in measures.items():
        rests = [(_WORDS[part], share[part]) for part in HIP_RESTS_ON.get(name, ()) if part in share]
        if one.known:
            noted[name] = with_note(one, note_of(rests))
    return MappingProxyType(noted)


def lesion_beside_metal(lesion: Lesion, seg: Segmentation, hip: ScanHip, metal: Metal, grid: Grid) -> Lesion:
    """A measured lesion, each measure with a note where its bone or the head's lies in metal or its streaks.

    Where none was found and bone of the head lies there, a finding says that some may be hidden.
    """
    if not metal.mask.any():
        return lesion
    head = marked_share(metal, grid, _head_bone(seg, hip))
    if not lesion.parts:
        note = note_of([("the head's bone", head)], interval=False)
        if note is None:
            return lesion
        noted = {name: with_note(one, note) for name, one in lesion.measures.items()}
        hidden = Finding(
            "lesion_beside_metal",
            "warn",
            f"No dead bone was found, but {_percent(head.streaks)} of the head's bone lies within reach of the streaks "
            "of metal, which can hide it. Look at the planes, or bring an MR scan.",
        )
        return replace(lesion, measures=noted, findings=(*lesion.findings, hidden))
    from scipy import ndimage

    pieces, _ = ndimage.label(lesion.outer_mm < 0.0)
    dead = np.argwhere(pieces > 0)
    points, piece = lesion.grid.points(dead[:, ::-1]), pieces[tuple(dead.T)]
    rests = [("the dead bone", marked_share(metal, grid, points))]
    own, whole = note_of(rests), note_of([*rests, ("the head's bone", head)])
    alone = ("volume_cm3", "lesion_depth_mm")
    noted = {name: with_note(one, own if name in alone else whole) for name, one in lesion.measures.items()}
    parts = tuple(_part_beside_metal(part, points, piece, hip, metal, grid) for part in lesion.parts)
    return replace(lesion, measures=noted, parts=parts)


def _part_beside_metal(
    part: LesionPart, points: Floats, piece: NDArray[np.integer], hip: ScanHip, metal: Metal, grid: Grid
) -> LesionPart:
    """One lesion with a note on its own voxels: those of the piece that lies nearest its centre.

    `points` (n, 3) LPS of all dead bone, `piece` (n,) the number of the piece that each belongs to.
    """
    nearest = piece[np.argmin(np.linalg.norm(points - hip.lps(part.centre_hip_mm), axis=1))]
    share = marked_share(metal, grid, points[piece == nearest])
    return replace(part, volume_cm3=with_note(part.volume_cm3, note_of([("the dead bone", share)])))


def _head_bone(seg: Segmentation, hip: ScanHip) -> Floats:
    """(n, 3) LPS of the femur's voxels above the head-neck junction."""
    points = seg.grid.points(np.argwhere(seg.femur)[:, ::-1])
    depth = hip.head_radius[0] - (hip.hip(points) - hip.head_centre[0]) @ hip.neck_axis[0]
    return np.asarray(points[depth < hip.head_height[0]])


def _near(seg: Segmentation, place: Floats, reach_mm: float) -> Floats:
    """(n, 3) LPS of the femur's surface about a place."""
    points = surface_points(seg, place - reach_mm, place + reach_mm)
    return np.asarray(points[np.linalg.norm(points - place, axis=1) <= reach_mm])


def _percent(share: float) -> str:
    """ "18 %"; a share that rounds to none, or to all, is not said to be that."""
    if share < 0.01:
        return "less than 1 %"
    return f"{100.0 * share:.0f} %" if share == 1.0 or share < 0.99 else "more than 99 %"

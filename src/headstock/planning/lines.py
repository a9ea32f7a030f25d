"""The lines of an appraisal: name, group, unit, words and formula.

`LINES` on films (docs/planning.md), `SPACE_LINES` on a scan (docs/planning-space.md): the same names for the same
things, so that one table and one sheet show both; what only a scan can tell comes in beside what it belongs to.
"""

from dataclasses import dataclass
from typing import Final, Literal

from headstock.units import Unit

__all__ = ["LINES", "SPACE_LINES", "Group", "LineSpec"]

Group = Literal["bone", "seat", "alignment", "head", "cup", "leg", "motion", "later"]
_CONE: Final = (
    "cone condition (inputs of Yoshimine & Ginbayashi, J Biomech 2002;35:989); bone and soft tissue are not in it"
)
_ARC: Final = "sum of both; ISO 21535 asks for an arc between components"


@dataclass(frozen=True, slots=True)
class LineSpec:
    """What a line is: where it belongs, its unit, what it says, how it is made."""

    group: Group
    unit: Unit
    says: str
    why: str


LINES: Final[dict[str, LineSpec]] = {
    "cut_depth_mm": LineSpec(
        "bone",
        "mm",
        "cut below the top of the head",
        "pole of the head's circle to the cut, along the neck axis",
    ),
    "head_kept_percent": LineSpec(
        "bone",
        "%",
        "head kept, of its height",
        "(head height − cut depth) / head height; junction where the outline leaves the circle by 1 mm",
    ),
    "head_kept_mm": LineSpec("bone", "mm", "head kept along the neck", "head height − cut depth"),
    "bone_removed_percent": LineSpec(
        "bone",
        "%",
        "bone removed, of head height",
        "cut depth / head height; above 100 the neck is cut too",
    ),
    "sound_bone_start_mm": LineSpec(
        "bone",
        "mm",
        "sound bone starts below the top of the head",
        "deepest outlined dead bone, along the neck axis, the deeper of both films",
    ),
    "lesion_share_of_head_percent": LineSpec(
        "bone",
        "%",
        "dead bone, of the head",
        "outlined area / area of the head's circle, AP film",
    ),
    "lesion_left_percent": LineSpec(
        "bone",
        "%",
        "dead bone left, of its area",
        "outlined area below the cut and beside the part, AP film",
    ),
    "lesion_left_cm3": LineSpec(
        "bone",
        "cm3",
        "dead bone left",
        "slices along the neck, each an ellipse with the widths of both films",
    ),
    "seat_on_sound_bone_percent": LineSpec(
        "seat",
        "%",
        "seat on sound bone",
        "length of the seat inside the outer cortex and outside dead bone, both films",
    ),
    "least_wall_mm": LineSpec(
        "seat",
        "mm",
        "least wall to the outer cortex",
        "shortest way from the part inside the bone to the femur's outline, both films",
    ),
    "notch_distance_mm": LineSpec(
        "seat",
        "mm",
        "distance to a notch",
        "reamed surface, run on past its end, to the neck's outline",
    ),
    "valgus_to_neck_deg": LineSpec(
        "alignment",
        "deg",
        "valgus to the neck",
        "component axis to the neck axis, AP film",
    ),
    "anterior_to_neck_deg": LineSpec(
        "alignment",
        "deg",
        "anterior to the neck",
        "component axis to the neck axis, lateral film",
    ),
    "axis_to_shaft_deg": LineSpec(
        "alignment",
        "deg",
        "component axis to the shaft",
        "angle between component axis and shaft axis, AP film, as a neck-shaft angle",
    ),
    "tail_to_shaft_deg": LineSpec(
        "alignment",
        "deg",
        "tail to the shaft, valgus",
        "end of the tail to the shaft axis, AP film",
    ),
    "head_diameter_mm": LineSpec("head", "mm", "head diameter", "by family"),
    "head_neck_ratio": LineSpec("head", "1", "head-neck ratio", "head diameter over the neck that meets the cup first"),
    "cup_inclination_deg": LineSpec("cup", "deg", "cup inclination", "radiographic (Murray 1993), as planned"),
    "cup_version_deg": LineSpec("cup", "deg", "cup version", "radiographic (Murray 1993), as planned"),
    "cup_cover_percent": LineSpec(
        "cup",
        "%",
        "cup cover",
        "share of the width of the cup's upper surface medial to the lateral edge of the roof",
    ),
    "cup_depth_mm": LineSpec(
        "cup",
        "mm",
        "cup's dome to the teardrop",
        "most medial point of the cup to the teardrop, along the inter-teardrop line",
    ),
    "cup_centre_height_mm": LineSpec(
        "cup",
        "mm",
        "centre of rotation, above the teardrops",
        "across the inter-teardrop line",
    ),
    "leg_length_remaining_mm": LineSpec(
        "leg",
        "mm",
        "leg length that remains",
        "difference now + femur part + cup part; this side minus the other",
    ),
    "leg_length_change_mm": LineSpec("leg", "mm", "change of leg length", "femur part + cup part"),
    "offset_remaining_mm": LineSpec(
        "leg",
        "mm",
        "offset that remains",
        "difference now + femur part + cup part; this side minus the other",
    ),
    "offset_change_mm": LineSpec("leg", "mm", "change of offset", "femur part + cup part"),
    "oscillation_deg": LineSpec(
        "motion",
        "deg",
        "oscillation angle",
        "2 (180 − arc/2 − asin(1/head-neck ratio)), cylindrical neck",
    ),
    "flexion_deg": LineSpec("motion", "deg", "flexion before contact", _CONE),
    "extension_deg": LineSpec("motion", "deg", "extension before contact", _CONE),
    "abduction_deg": LineSpec("motion", "deg", "abduction before contact", _CONE),
    "adduction_deg": LineSpec("motion", "deg", "adduction before contact", _CONE),
    "internal_deg": LineSpec("motion", "deg", "internal rotation before contact", _CONE),
    "external_deg": LineSpec("motion", "deg", "external rotation before contact", _CONE),
    "internal_at_90_flexion_deg": LineSpec("motion", "deg", "internal rotation at 90° flexion", _CONE),
    "flexion_extension_arc_deg": LineSpec("motion", "deg", "flexion and extension together", _ARC),
    "abduction_adduction_arc_deg": LineSpec("motion", "deg", "abduction and adduction together", _ARC),
    "rotation_arc_deg": LineSpec("motion", "deg", "rotation together", _ARC),
    "neck_left_for_revision_mm": LineSpec(
        "later",
        "mm",
        "neck left below the seat",
        "lowest edge of the seat to where the neck axis meets the shaft axis; 0 when the seat reaches past it",
    ),
}

_SHAFT_PLANES: Final = "shaft axis; frontal plane that of neck and shaft"
# What a line says on a scan where that differs from films, and the lines that only a scan has, after their neighbour.
_IN_SPACE: Final[dict[str, LineSpec]] = {
    "cut_depth_mm": LineSpec(
        "bone", "mm", "cut below the top of the head", "pole of the head's sphere to the cut, along the neck axis"
    ),
    "head_kept_percent": LineSpec(
        "bone",
        "%",
        "head kept, of its height",
        "(head height − cut depth) / head height; junction where the surface leaves the sphere by 1 mm",
    ),
    "sound_bone_start_mm": LineSpec(
        "bone",
        "mm",
        "sound bone starts below the top of the head",
        "deepest dead bone along the neck axis; its rim between the inner and the outer estimate",
    ),
    "lesion_share_of_head_percent": LineSpec(
        "bone", "%", "dead bone, of the head", "volume of dead bone / volume of the head above the head-neck junction"
    ),
    "lesion_left_percent": LineSpec(
        "bone", "%", "dead bone left, of its volume", "volume of dead bone below the cut and beside what is reamed"
    ),
    "lesion_left_cm3": LineSpec(
        "bone", "cm3", "dead bone left", "voxels of dead bone below the cut and beside what is reamed"
    ),
    "seat_on_sound_bone_percent": LineSpec(
        "seat", "%", "seat on sound bone", "area of the seat inside the outer cortex and outside dead bone"
    ),
    "least_wall_mm": LineSpec(
        "seat",
        "mm",
        "least wall to the outer cortex",
        "shortest way from the part inside the bone to the femur's surface, in all directions",
    ),
    "notch_distance_mm": LineSpec(
        "seat",
        "mm",
        "distance to a notch",
        "reamed surface, run on past its end, to the neck's surface, all the way round",
    ),
    "valgus_to_neck_deg": LineSpec(
        "alignment", "deg", "valgus to the neck", "component axis to the neck axis in the plane of neck and shaft"
    ),
    "anterior_to_neck_deg": LineSpec(
        "alignment",
        "deg",
        "anterior to the neck",
        "component axis to the neck axis, square to the plane of neck and shaft",
    ),
    "axis_to_shaft_deg": LineSpec(
        "alignment",
        "deg",
        "component axis to the shaft",
        "angle in space between component axis and shaft axis, as a neck-shaft angle",
    ),
    "tail_to_shaft_deg": LineSpec(
        "alignment", "deg", "tail to the shaft, valgus", f"end of the tail to the {_SHAFT_PLANES}"
    ),
    "cup_cover_percent": LineSpec(
        "cup",
        "%",
        "cup cover",
        "share of the upper half of the cup's outer surface with pelvic bone within 3 mm",
    ),
    "cup_depth_mm": LineSpec("cup", "mm", "cup's dome to the teardrop", "on the AP film, where one is read"),
    "cup_centre_height_mm": LineSpec(
        "cup", "mm", "centre of rotation, above the teardrops", "on the AP film, where one is read"
    ),
    "leg_length_remaining_mm": LineSpec(
        "leg",
        "mm",
        "leg length that remains",
        "difference now (AP pelvis film) + femur part + cup part (scan); this side minus the other",
    ),
    "leg_length_change_mm": LineSpec(
        "leg", "mm", "change of leg length", "femur part + cup part, along the shaft or the film's own vertical"
    ),
    "offset_remaining_mm": LineSpec(
        "leg",
        "mm",
        "offset that remains",
        "difference now (AP pelvis film) + femur part + cup part (scan); this side minus the other",
    ),
    "offset_change_mm": LineSpec(
        "leg", "mm", "change of offset", "femur part (head centre to shaft axis, in space) + cup part"
    ),
    "neck_left_for_revision_mm": LineSpec(
        "later",
        "mm",
        "neck left below the seat",
        "lowest edge of the seat to where the neck axis passes the shaft axis; 0 when the seat reaches past it",
    ),
}
_ONLY_IN_SPACE: Final[dict[str, tuple[str, LineSpec]]] = {  # name → (the line it follows, what it is)
    "bone_removed_cm3": (
        "bone_removed_percent",
        LineSpec("bone", "cm3", "bone removed", "femur above the cut and in what is reamed below it"),
    ),
    "head_removed_percent": (
        "bone_removed_cm3",
        LineSpec("bone", "%", "bone removed, of the head's volume", "of the head above the head-neck junction"),
    ),
    "head_volume_kept_cm3": (
        "head_removed_percent",
        LineSpec("bone", "cm3", "bone of the head kept", "head above the head-neck junction, less what is removed"),
    ),
    "uncovered_reamed_mm2": (
        "notch_distance_mm",
        LineSpec(
            "seat", "mm2", "reamed bone left uncovered", "reamed surface beyond the cap's mouth that lies in bone"
        ),
    ),
    "cut_face_sound_percent": (
        "uncovered_reamed_mm2",
        LineSpec("seat", "%", "cut face on sound bone", "area of the cut face outside dead bone"),
    ),
    "cut_face_cortex_percent": (
        "cut_face_sound_percent",
        LineSpec("seat", "%", "cut face of cortex", "area of the cut face outside the inner face of the cortex"),
    ),
    "cut_face_density_ratio": (
        "cut_face_cortex_percent",
        LineSpec(
            "seat",
            "1",
            "density of the cut face",
            "mean inside the cortex over the mean of head and neck's own sound spongy bone",
        ),
    ),
    "tail_to_shaft_front_deg": (
        "tail_to_shaft_deg",
        LineSpec(
            "alignment",
            "deg",
            "tail to the shaft, anterior",
            "end of the tail to the shaft axis, square to the plane of neck and shaft",
        ),
    ),
    "next_cut_sound_percent": (
        "neck_left_for_revision_mm",
        LineSpec(
            "later",
            "%",
            "sound bone at the next cut",
            "section square to the neck at the first cut of the next level that lies below this seat",
        ),
    ),
}


def _in_space() -> dict[str, LineSpec]:
    found: dict[str, LineSpec] = {}
    for name, spec in LINES.items():
        found[name] = _IN_SPACE.get(name, spec)
        last = name
        while (
            following := next((own for own, (before, _) in _ONLY_IN_SPACE.items() if before == last), None)
        ) is not None:
            found[following] = _ONLY_IN_SPACE[following][1]
            last = following
    return found


SPACE_LINES: Final[dict[str, LineSpec]] = _in_space()

"""The lines of an appraisal: name, group, unit, words and formula. docs/planning.md explains each."""

from dataclasses import dataclass
from typing import Final, Literal

from headstock.units import Unit

__all__ = ["LINES", "Group", "LineSpec"]

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

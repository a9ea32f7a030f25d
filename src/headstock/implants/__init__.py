"""Component families, sizes and shapes; a placement as a plain value. Knows nothing of a patient."""

from headstock.implants.catalogue import Catalogue
from headstock.implants.family import Component, Cup, CupFamily, Family, Head, HeadFamily, Size
from headstock.implants.levels import CutLevel, level_range_mm
from headstock.implants.placement import CupPlacement, Placement, Pose, SpacePose
from headstock.implants.schema import parse_family
from headstock.implants.shape import Outline, cap_outline, seated_outline, tail_section_mm

__all__ = [
    "Catalogue",
    "Component",
    "Cup",
    "CupFamily",
    "CupPlacement",
    "CutLevel",
    "Family",
    "Head",
    "HeadFamily",
    "Outline",
    "Placement",
    "Pose",
    "Size",
    "SpacePose",
    "cap_outline",
    "level_range_mm",
    "parse_family",
    "seated_outline",
    "tail_section_mm",
]

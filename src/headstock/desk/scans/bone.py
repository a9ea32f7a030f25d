"""Find the bone of a hip in a scan, and when that fails say everything that stands in the way at once."""

from collections.abc import Callable

import numpy as np

from headstock.anatomy.scan.segment import segment
from headstock.anatomy.scan.segmentation import Segmentation
from headstock.errors import ImageError, TooFewError
from headstock.frames import Side
from headstock.images.scan import Scan
from headstock.images.scan_metal import Metal, find_metal, metal_findings

__all__ = ["bone_in"]


def bone_in(
    scan: Scan,
    side: Side,
    seed_lps_mm: np.ndarray | None = None,
    tell: Callable[[float, str], None] | None = None,
) -> tuple[Segmentation, Metal]:
    """The outlines of a hip, and the metal of the scan.

    Raises
    ------
    ImageError
        No hip of this side can be read; with the reason, and what else was found against the scan.
    """
    if scan.modality != "CT":
        raise ImageError(
            "Bone is found on CT. This is an MR scan: dead bone can be marked on it and carried onto a CT of the same "
            "hip. Bring in a CT."
        )
    metal = find_metal(scan)
    try:
        return segment(scan, side, seed_lps_mm, metal=metal, progress=tell), metal
    except (ImageError, TooFewError) as stop:
        every = (*scan.findings, *metal.findings, *metal_findings(metal, scan, None))
        against = dict.fromkeys(one.says for one in every if one.weight != "note")
        raise ImageError(" ".join([str(stop), *against])) from None

"""What follows from the outlines of a hip: head, dead bone, frame, measures, and what speaks against them.

In: a scan, the outlines, the limits. Out: `Following`. The same for a scan of the record and for one read from files.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from headstock.anatomy.scan.beside_metal import lesion_beside_metal
from headstock.anatomy.scan.edits import DrawnLesion
from headstock.anatomy.scan.hip import head_sphere, scan_hip
from headstock.anatomy.scan.lesion import find_lesion
from headstock.anatomy.scan.lesion_measures import lesion_measures
from headstock.anatomy.scan.segmentation import Segmentation
from headstock.anatomy.scan.values import Lesion, ScanHip
from headstock.errors import RecordError
from headstock.images.scan import Finding, Scan
from headstock.images.scan_metal import HIP_RADIUS_MM, Metal, metal_findings
from headstock.measured import DRAWS
from headstock.planning.limits import Limits

__all__ = ["Following", "distinct", "follow", "joined"]

_SEED: Final = 20  # of the draws; one number, so that a page opened twice shows the same interval
# What the field shows of shaft and condyles is said again, better, by the hip read from it: what it then did without.
_SAID_BY_THE_HIP: Final = frozenset({"shaft_missing", "shaft_short", "condyles_missing"})
# A head that the field cuts forbids planning; that its sphere then rests on a part goes without saying.
_SAID_BY_THE_FIELD: Final = {"head_cut_off": "head_cut"}
_HIP_OF_A_LARGE_HEAD: Final = 4.0  # head radii: the hip of docs/scans.md where that is more than its 100 mm


@dataclass(frozen=True, slots=True, eq=False)
class Following:
    """A hip read from its outlines. `findings` join those of the files, the outlines, the hip, the lesion, metal."""

    hip: ScanHip
    lesion: Lesion
    findings: tuple[Finding, ...]


def distinct(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """The findings, each once, in their order."""
    return tuple({one.says: one for one in findings}.values())


def joined(outlines: Iterable[Finding], hip: Iterable[Finding]) -> tuple[Finding, ...]:
    """Findings of the outlines and of the hip read from them, in this order; what both say, once.

    The outlines speak of the field before anything is read; the hip knows what could be read after all, and what could
    not.
    """
    field = [one for one in outlines if one.code not in _SAID_BY_THE_HIP]
    said = {one.code for one in field}
    return distinct((*field, *(one for one in hip if _SAID_BY_THE_FIELD.get(one.code) not in said)))


def follow(
    scan: Scan,
    seg: Segmentation,
    metal: Metal,
    limits: Limits,
    *,
    drawn: DrawnLesion | None = None,
    other: Callable[[NDArray[np.float64], float], Lesion] | None = None,
    progress: Callable[[float, str], None] = lambda _share, _words: None,
) -> Following:
    """Read a hip from its outlines.

    `drawn`: dead bone by hand. `other`: dead bone seen on another scan, asked for with the head's centre (3,), LPS mm,
    and its radius, mm.

    Raises
    ------
    TooFewError
        Too little of the bone is in the scan.
    RecordError
        The limit of femoral version was emptied.
    """
    version = limits.named("assumed_femoral_version_deg")
    if version.value is None or version.sd is None:
        raise RecordError("The limit “femoral version” has no value or no standard deviation. Give both.")
    progress(0.05, "the head")
    sphere = head_sphere(seg, scan)
    progress(0.2, "dead bone")
    centre, radius = sphere.centre_lps_mm, sphere.radius_mm
    elsewhere = None if other is None else other(centre, radius)
    lesion = find_lesion(scan, seg, centre, radius, drawn=drawn, other=elsewhere)
    progress(0.45, "axes")
    stated = (version.value, version.sd)
    hip = scan_hip(scan, seg, lesion, version=stated, metal=metal, n_draws=DRAWS, seed=_SEED)
    lesion = lesion_beside_metal(lesion_measures(lesion, scan, seg, hip), seg, hip, metal, scan.grid)
    around = max(HIP_RADIUS_MM, _HIP_OF_A_LARGE_HEAD * float(hip.head_radius[0]))
    disturbed = metal_findings(metal, scan, hip.centre_lps_mm, around)
    found = distinct((*scan.findings, *joined(seg.findings, hip.findings), *lesion.findings, *disturbed))
    return Following(hip, lesion, found)

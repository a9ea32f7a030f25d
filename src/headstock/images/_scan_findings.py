"""What the voxels of a scan give to say: spacing too coarse, a field that ends inside the patient.

In: values and grid of a stack. Out: `Finding`s; words of docs/scans.md.
"""

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from headstock.geometry.grid import Grid
from headstock.images._header import number
from headstock.images._scan_slice import Slice
from headstock.images.scan import Finding
from headstock.images.scan_limits import ScanLimits

__all__ = ["coarse_findings", "field_findings"]

_TISSUE_HU: Final = -300  # definition: above it a voxel at the edge of the field is patient, not air or clothing
_CUT_SHARE: Final = 0.05  # definition: share of the edge that must be patient before a slice counts as cut
_LOOKED_AT: Final = 40  # slices looked at; a field does not change from one to the next
# A spacing comes from decimals, or from an affine of 32-bit floats (3.0000001 for 3): what is meant
# as the bound is not above it. No scanner sets a spacing finer than this.
_SLACK_MM: Final = 1e-3


def coarse_findings(grid: Grid, limits: ScanLimits) -> tuple[Finding, ...]:
    """What the spacing of a grid gives to say, along the slices and within them."""
    found = []
    step, pixel = grid.spacing_mm[2], max(grid.spacing_mm[:2])
    thinner, finer = "a thinner reconstruction of the same scan", "a reconstruction of a smaller field around the hip"
    for code, words, spacing, warned, refused, ask in (
        ("coarse_step", "Slices follow", step, limits.step_warned_mm, limits.step_refused_mm, thinner),
        ("coarse_pixel", "Pixels lie", pixel, limits.pixel_warned_mm, limits.pixel_refused_mm, finer),
    ):
        if spacing > refused + _SLACK_MM:
            found.append(
                Finding(
                    code,
                    "refuse",
                    f"{words} every {spacing:.4g} mm; above {refused:g} mm nothing is planned, because walls and rims "
                    f"are thinner than that. Ask for {ask}.",
                )
            )
        elif spacing > warned + _SLACK_MM:
            found.append(
                Finding(
                    code,
                    "warn",
                    f"{words} every {spacing:.4g} mm; above {warned:g} mm walls and rims are blurred. Ask for "
                    f"{ask} if there is one.",
                )
            )
    return tuple(found)


def field_findings(values: NDArray[np.generic], padded: NDArray[np.bool_] | None, first: Slice) -> tuple[Finding, ...]:
    """Whether a CT's field ends inside the patient: at the picture's border, or at the circle that padding leaves.

    `values` HU and `padded` (slices, rows, columns) as stored, before any resampling.
    """
    chosen = np.unique(np.linspace(0, len(values) - 1, min(len(values), _LOOKED_AT)).round().astype(int))
    cut = 0
    for i in chosen:
        edge = _edge(None if padded is None else padded[i], values.shape[1:])
        if edge.any() and float(np.mean(values[i][edge] > _TISSUE_HU)) > _CUT_SHARE:
            cut += 1
    if cut == 0:
        return ()
    share = f"on {100.0 * cut / len(chosen):.0f} % of the slices the patient reaches past the edge of the picture"
    shown = number(first.file.header, "ReconstructionDiameter")
    measured = number(first.file.header, "DataCollectionDiameter")
    if shown is not None and measured is not None and shown < measured - 1.0:
        return (
            Finding(
                "field_cropped",
                "note",
                f"The picture shows {shown:.0f} of the {measured:.0f} mm the scanner measured: {share}. "
                "Values inside are sound; bone cut by the edge is named where it is measured.",
            ),
        )
    if shown is not None and measured is not None:
        return (
            Finding(
                "field_truncated",
                "warn",
                f"The field was smaller than the patient: {share}, which the scanner could not see. Values near the "
                "edge are too high there; measure density away from it.",
            ),
        )
    return (
        Finding(
            "field_cropped",
            "note",
            f"The picture ends inside the patient: {share}. The file does not say whether the scanner saw the rest; if "
            "it did not, values near the edge are too high.",
        ),
    )


def _edge(padded: NDArray[np.bool_] | None, shape: tuple[int, ...]) -> NDArray[np.bool_]:
    """Pixels of the picture that touch its border, or padding."""
    inside: NDArray[Any] = np.ones(shape, np.bool_) if padded is None else ~padded
    core = np.zeros(shape, np.bool_)
    core[1:-1, 1:-1] = inside[1:-1, 1:-1] & inside[:-2, 1:-1] & inside[2:, 1:-1] & inside[1:-1, :-2] & inside[1:-1, 2:]
    return np.asarray(inside & ~core)

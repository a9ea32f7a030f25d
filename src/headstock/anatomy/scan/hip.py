"""One hip in space: sphere of the head, axes, frame and measures, all with draws.

In: a segmented hip, its scan, a lesion if one was found, a stated femoral version. Out: `ScanHip`.
Frame: hip frame of docs/frames.md; draws lie in the hip frame of the reading.
Definitions and what each interval holds: docs/hip3d.md.
Decision: docs/decisions/0221-intervals-of-a-hip-in-space.md
"""

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from headstock.anatomy.scan._places import Junction, junction
from headstock.anatomy.scan._scatter import Scatter
from headstock.anatomy.scan._sphere import SphereReading, sphere_of_head
from headstock.anatomy.scan.axes import NeckMethod, NeckReading, ShaftReading, neck_axis, shaft_axis
from headstock.anatomy.scan.beside_metal import hip_surfaces, measures_beside_metal
from headstock.anatomy.scan.frame import HipFrame, hip_frame
from headstock.anatomy.scan.hip_measures import hip_measures
from headstock.anatomy.scan.segmentation import Segmentation
from headstock.anatomy.scan.values import Lesion, ScanHip
from headstock.errors import FrameError
from headstock.images.scan import Finding, Scan
from headstock.images.scan_metal import Metal
from headstock.measured import DRAWS

__all__ = ["head_sphere", "nearest_on_first", "scan_hip"]

Floats = NDArray[np.float64]

_SUNKEN_SHARE: Final = 60.0  # degrees of cap left out of the sphere above which a warning is due


def head_sphere(
    seg: Segmentation, scan: Scan | None = None, leave_out: NDArray[np.floating] | None = None
) -> SphereReading:
    """Sphere through the sound surface of the femoral head; arguments, errors and refusals as `sphere_of_head`.

    `scan`, when given, must be the one that was segmented.

    Raises
    ------
    FrameError
        The segmentation does not lie on the scan's grid.
    """
    if scan is not None:
        first = scan.grid.index(seg.grid.origin_mm)
        last = first[::-1] + np.array(seg.grid.shape)
        if (
            np.abs(first - np.rint(first)).max() > 0.01
            or not np.allclose(seg.grid.axes, scan.grid.axes, atol=1e-5)
            or not np.allclose(seg.grid.spacing_mm, scan.grid.spacing_mm, atol=1e-5)
            or first.min() < -0.5
            or (last > np.array(scan.grid.shape) + 0.5).any()
        ):
            raise FrameError(
                "These outlines were found in another scan: they do not lie on the voxels of this one, so heads and "
                "axes would be read in the wrong place. Find the bone in this scan."
            )
    return sphere_of_head(seg, leave_out)


def scan_hip(
    scan: Scan,
    seg: Segmentation,
    lesion: Lesion | None = None,
    *,
    version: tuple[float, float],
    method: NeckMethod = "smallest_section",
    metal: Metal | None = None,
    n_draws: int = DRAWS,
    seed: int = 1,
) -> ScanHip:
    """Axes, frame and measures of one segmented hip.

    Parameters
    ----------
    version
        Stated femoral version and its standard deviation, degrees; used, and said, only where the scan has no condyles.
    method
        How the neck axis is defined; docs/hip3d.md.
    metal
        Metal of the scan: measures that rest on what it may have falsified say so.

    Returns
    -------
    What is not in the scan is missing with its reason; without a shaft, the frame's z is the patient's own.

    Raises
    ------
    TooFewError
        The head or the neck cannot be read: there is then no hip to speak of.
    """
    sphere = head_sphere(seg, scan, None if lesion is None or not lesion.parts else lesion.outer_mm)
    neck = neck_axis(seg, sphere, method)
    shaft = shaft_axis(seg, sphere.centre_lps_mm)
    frame = hip_frame(seg, sphere, neck, shaft, version)
    ends = junction(seg, sphere.centre_lps_mm, sphere.radius_mm, neck.axis)
    scatter = Scatter(seg, sphere, neck, shaft, n_draws=n_draws, seed=seed)
    hip = _assembled(scan, seg, sphere, neck, shaft, frame, ends, scatter)
    if metal is None or not metal.mask.any():
        return hip
    surfaces = hip_surfaces(seg, sphere, neck, shaft, frame, hip.measures)
    return replace(hip, measures=measures_beside_metal(hip.measures, surfaces, metal, scan.grid))


def _assembled(
    scan: Scan,
    seg: Segmentation,
    sphere: SphereReading,
    neck: NeckReading,
    shaft: ShaftReading | None,
    frame: HipFrame,
    ends: Junction,
    scatter: Scatter,
) -> ScanHip:
    turn = frame.to_lps
    centre = np.asarray((scatter.centre_lps - sphere.centre_lps_mm) @ turn)
    axis = np.asarray(scatter.neck_axis_lps @ turn)
    neck_point = np.asarray((scatter.neck_point_lps - sphere.centre_lps_mm) @ turn)
    shaft_way: Floats | None = None
    shaft_at: Floats | None = None
    base: Floats | None = None
    if scatter.shaft_axis_lps is not None and scatter.shaft_point_lps is not None:
        shaft_way = np.asarray(scatter.shaft_axis_lps @ turn)
        shaft_at = np.asarray((scatter.shaft_point_lps - sphere.centre_lps_mm) @ turn)
        base = scatter.radius - nearest_on_first(centre, axis, shaft_at, shaft_way)
    height = scatter.head_height(ends)
    hip = ScanHip(
        seg.side,
        sphere.centre_lps_mm,
        turn,
        centre,
        scatter.radius,
        axis,
        neck_point,
        shaft_way,
        shaft_at,
        height,
        base,
        scatter.edge,
        {},
        frame.words,
        _findings(scan, seg, sphere, shaft, frame),
    )
    return replace(hip, measures=hip_measures(hip, seg, sphere, neck, shaft, frame, ends, scatter))


def nearest_on_first(point: Floats, way: Floats, other_point: Floats, other_way: Floats) -> Floats:
    """(n,) signed way along line 1 (unit `way`) from `point` to where it passes line 2 nearest; all (n, 3)."""
    across = np.cross(way, other_way)
    return np.asarray(
        np.einsum("ni,ni->n", np.cross(other_point - point, other_way), across) / np.einsum("ni,ni->n", across, across)
    )


def _findings(
    scan: Scan, seg: Segmentation, sphere: SphereReading, shaft: ShaftReading | None, frame: HipFrame
) -> tuple[Finding, ...]:
    found: list[Finding] = []
    if shaft is None:
        found.append(
            Finding(
                "no_shaft",
                "warn",
                "The scan ends before enough of the shaft is seen (at least 20 mm of it, lower than 70 mm below the "
                "head centre), so there is no shaft axis: neck-shaft angle, offset and version are missing, and the "
                "hip's frame stands along the patient. Use a scan that reaches 130 mm below the head.",
            )
        )
    elif not shaft.complete:
        first, last = shaft.range_mm
        found.append(
            Finding(
                "short_shaft",
                "note",
                f"The shaft is seen whole down to {last:.0f} mm below the head centre, not 130 mm: its axis comes from "
                f"{first:.0f} to {last:.0f} mm, and its interval is wider for that.",
            )
        )
    if sphere.seen_share < 0.98:
        found.append(
            Finding(
                "head_cut_off",
                "warn",
                f"Only {100 * sphere.seen_share:.0f} % of the head's surface is in the scan; its sphere rests on that "
                "part, with a wider interval.",
            )
        )
    if sphere.excluded_arc_deg > _SUNKEN_SHARE:
        found.append(
            Finding(
                "head_not_round",
                "warn",
                f"Surface as large as a cap of {sphere.excluded_arc_deg:.0f} deg was left out of the head's sphere "
                "because it lies off it (flattened, collapsed or overgrown). The sphere is that of what is round.",
            )
        )
    if frame.assumed_version:
        found.append(Finding("no_condyles", "note", frame.words))
    return tuple(found)

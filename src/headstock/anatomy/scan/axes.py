"""Neck axis and shaft axis of a femur in space, by stacked sections of its outer surface.

In: a segmented hip and the sphere of its head. Out: `NeckReading`, `ShaftReading`, LPS, mm.
Definitions (docs/hip3d.md):
`smallest_section` neck (the default): head centre to the centroid of the smallest section
square to the axis between 0.9 and 1.6 head radii from the centre; found again with the
sections turned to each new axis until it stays. Shaft: line through the centroids of outer
sections square to it, 85 to 130 mm below the head centre along it.
"""

from dataclasses import dataclass
from typing import Final, Literal, get_args

import numpy as np
from numpy.typing import NDArray

from headstock.anatomy.scan._sphere import SphereReading
from headstock.anatomy.scan.segmentation import Segmentation
from headstock.errors import TooFewError
from headstock.geometry import angle_between_deg, fit_line
from headstock.geometry.sections3d import Section, sample, sections_along

__all__ = [
    "NECK_METHODS",
    "NECK_RANGE",
    "SHAFT_RANGE_MM",
    "NeckMethod",
    "NeckReading",
    "ShaftReading",
    "neck_axis",
    "shaft_axis",
]

Floats = NDArray[np.float64]

NeckMethod = Literal["smallest_section", "stacked_centroids", "stacked_ellipses", "neck_surface"]
NECK_METHODS: Final[tuple[NeckMethod, ...]] = get_args(NeckMethod)

NECK_RANGE: Final = (0.9, 1.6)  # definition: head radii from the head centre
SHAFT_RANGE_MM: Final = (85.0, 130.0)  # definition: below the head centre, along the shaft axis
SHAFT_SECTIONS: Final = 10  # definition: evenly spaced, both ends included
_LEAST_SHAFT_MM: Final = 20.0  # definition: a shorter piece of shaft gives no direction
_WISHED_SHAFT_MM: Final = 30.0  # definition: a stack shorter than this begins above 85 mm
_EARLIEST_MM: Final = 70.0  # definition: above it the lesser trochanter is part of most sections
_SLENDER: Final = 1.05  # definition: a section of the neck proper, as a multiple of the smallest
_NECK_STEP_MM: Final = 0.5
_SETTLED_DEG: Final = 0.02
_ROUNDS: Final = 12


@dataclass(frozen=True, slots=True, eq=False)
class NeckReading:
    """Neck axis by one method, LPS.

    `axis` (3,) unit, toward the head. The stack: `from_centre_mm` (D,) distance of each section from the head centre
    against the axis, and by section `area_mm2`, `perimeter_mm` (D,), `centroid` (D, 3). `narrowest`: number of the
    smallest section; `section` that section itself; `area_least_mm2` and `centroid_least` between sections.
    """

    method: NeckMethod
    axis: Floats
    from_centre_mm: Floats
    area_mm2: Floats
    perimeter_mm: Floats
    centroid: Floats
    narrowest: int
    section: Section
    area_least_mm2: float
    centroid_least: Floats


@dataclass(frozen=True, slots=True, eq=False)
class ShaftReading:
    """Shaft axis, LPS: `point` (3,), `axis` (3,) unit proximal, `centroids` (N, 3) of the sections it goes through.

    `perimeter_mm` (N,). `range_mm`: depths of first and last section below the head centre; `complete`: the range of
    the definition was there.
    """

    point: Floats
    axis: Floats
    centroids: Floats
    perimeter_mm: Floats
    range_mm: tuple[float, float]
    complete: bool


def _unit(v: Floats) -> Floats:
    return np.asarray(v / np.linalg.norm(v))


def _stack(
    seg: Segmentation, sphere: SphereReading, axis: Floats
) -> tuple[Floats, list[Section], Floats, Floats, Floats]:
    """Sections of the neck square to `axis`: distances from the centre, sections, areas, perimeters, centroids."""
    radius = sphere.radius_mm
    below = np.arange(NECK_RANGE[0] * radius, NECK_RANGE[1] * radius + 1e-9, _NECK_STEP_MM)
    found = sections_along(
        seg.femur_mm,
        seg.grid,
        sphere.centre_lps_mm - below[:, None] * axis,
        axis,
        half_width_mm=1.9 * radius,
    )
    kept = [(d, s) for d, s in zip(below, found, strict=True) if s is not None and not s.cut]
    if len(kept) < 8:
        raise TooFewError(
            "The neck cannot be followed in this segmentation: too few whole sections between 0.9 and 1.6 head radii "
            "below the head centre. Check the femur's outline at the neck, or use a scan that holds it."
        )
    sections = [s for _, s in kept]
    return (
        np.array([d for d, _ in kept]),
        sections,
        np.array([s.area_mm2 for s in sections]),
        np.array([s.perimeter_mm for s in sections]),
        np.array([s.centroid for s in sections]),
    )


def least_between(area: Floats, centroid: Floats) -> tuple[float, float, Floats]:
    """Smallest area of a stack between its sections: (place in sections, area, centroid (3,)), by a parabola."""
    k = int(np.argmin(area))
    if k in (0, len(area) - 1):
        return float(k), float(area[k]), centroid[k]
    first, last = max(k - 4, 0), min(k + 5, len(area))
    x = np.arange(first, last, dtype=np.float64) - k
    a, b, c = np.polyfit(x, area[first:last], 2)
    place = float(np.clip(-b / (2 * a), x[0], x[-1])) if a > 0 else 0.0
    least = float(np.polyval([a, b, c], place)) if a > 0 else float(area[k])
    middle = np.array([np.polyval(np.polyfit(x, centroid[first:last, i], 1), place) for i in range(3)])
    return k + place, least, middle


def _ellipse_centre(outline: Floats) -> Floats:
    """(2,) centre of the ellipse of least algebraic distance through an outline (Fitzgibbon, Pilu and Fisher).

    Source: IEEE Trans Pattern Anal Mach Intell 1999;21:476-480, in the stable form of Halir and Flusser, 1998.
    """
    mean = outline.mean(axis=0)
    size = float(np.abs(outline - mean).max())
    x, y = ((outline - mean) / size).T
    d1, d2 = np.stack([x * x, x * y, y * y], axis=1), np.stack([x, y, np.ones_like(x)], axis=1)
    s1, s2, s3 = d1.T @ d1, d1.T @ d2, d2.T @ d2
    t = -np.linalg.solve(s3, s2.T)
    m = s1 + s2 @ t
    m = np.array([m[2] / 2.0, -m[1], m[0] / 2.0])
    _, vectors = np.linalg.eig(m)
    vectors = np.real(vectors)
    condition = 4.0 * vectors[0] * vectors[2] - vectors[1] ** 2
    a1 = vectors[:, int(np.argmax(condition))]
    a, b, c = a1
    d, e, _ = t @ a1
    centre = np.linalg.solve(np.array([[2.0 * a, b], [b, 2.0 * c]]), -np.array([d, e]))
    return np.asarray(mean + size * centre)


def _axis_of_stack(method: NeckMethod, seg: Segmentation, sections: list[Section]) -> Floats:
    """(3,) direction of the neck, either sense, from its stack by one of the published alternatives."""
    if method == "stacked_ellipses":
        middles = []
        for s in sections:
            u, v = _ellipse_centre(s.outline)
            middles.append(s.origin + u * s.u + v * s.v)
        return np.asarray(fit_line(np.array(middles)).direction)
    if method == "stacked_centroids":
        return np.asarray(fit_line(np.array([s.centroid for s in sections])).direction)
    # Of a tube every normal is square to its axis: the direction that the normals of the neck's surface avoid most.
    points = np.concatenate([s.points for s in sections])
    step = 0.5
    slope = np.stack(
        [
            sample(seg.femur_mm, seg.grid, points + step * e) - sample(seg.femur_mm, seg.grid, points - step * e)
            for e in np.eye(3)
        ],
        axis=1,
    )
    slope = slope[np.isfinite(slope).all(axis=1)]
    normal = slope / np.maximum(np.linalg.norm(slope, axis=1, keepdims=True), 1e-9)
    return np.asarray(np.linalg.eigh(normal.T @ normal)[1][:, 0])


def neck_axis(seg: Segmentation, sphere: SphereReading, method: NeckMethod = "smallest_section") -> NeckReading:
    """Axis of the neck through the head centre.

    Parameters
    ----------
    method
        `smallest_section`: head centre to the centroid of the smallest section (definition above).
        `stacked_centroids`, `stacked_ellipses`: direction of the line through the centroids, or through the centres
        of ellipses fitted to the outlines (Bonneau et al. 2012), of those sections between 0.9 and 1.6 head radii that
        are at most 5 % larger than the smallest. `neck_surface`: the direction most nearly square to the normals
        of the neck's surface there (least squares). The alternatives take the stack that is square to the default
        axis, and pass through the head centre too; the narrowest section stays the default's.

    Raises
    ------
    TooFewError
        The neck is not in the scan, or not whole.
    """
    axis = sphere.pole
    for _ in range(_ROUNDS):
        below, sections, area, perimeter, centroid = _stack(seg, sphere, axis)
        place, least, middle = least_between(area, centroid)
        turned = _unit(sphere.centre_lps_mm - middle)
        moved = float(angle_between_deg(axis, turned))
        axis = turned
        if moved < _SETTLED_DEG:
            break
    if method != "smallest_section":
        way = _axis_of_stack(method, seg, [s for s in sections if s.area_mm2 <= _SLENDER * least])
        axis = way * np.sign(way @ axis)
    k = int(np.clip(round(place), 0, len(sections) - 1))
    return NeckReading(method, axis, below, area, perimeter, centroid, k, sections[k], least, middle)


def shaft_axis(seg: Segmentation, centre_lps_mm: Floats) -> ShaftReading | None:
    """Axis of the upper shaft, or None when less than 20 mm of shaft below 70 mm is in the scan.

    Where the scan ends before 130 mm, the stack ends with the last whole section and begins at 85 mm, or as far above
    (70 mm at the highest) as makes it 30 mm long; `complete` is then False.
    """
    index = np.argwhere(seg.femur)[:, ::-1]
    points = seg.grid.points(index)
    below = centre_lps_mm[2] - points[:, 2]
    low = points[below > 0.9 * _EARLIEST_MM]
    if len(low) < 200:
        return None
    axis = np.array([0.0, 0.0, 1.0])
    upper = low[low[:, 2] > low[:, 2].max() - 60.0]
    rough = fit_line(upper[:: max(len(upper) // 4000, 1)])
    if np.ptp(upper[:, 2]) > 30.0:
        axis = np.asarray(rough.direction) * np.sign(rough.direction[2])
    at = np.asarray(rough.point)
    found: ShaftReading | None = None
    for _ in range(_ROUNDS):
        reach = _whole_depth(seg, centre_lps_mm, at, axis)
        last = min(SHAFT_RANGE_MM[1], reach)
        complete = last >= SHAFT_RANGE_MM[1]
        first = max(_EARLIEST_MM, min(SHAFT_RANGE_MM[0], last - _WISHED_SHAFT_MM))
        if last - first < _LEAST_SHAFT_MM:
            return found
        depths = np.linspace(first, last, SHAFT_SECTIONS)
        whole = [s for s in _shaft_sections(seg, centre_lps_mm, at, axis, depths) if s is not None and not s.cut]
        if len(whole) < SHAFT_SECTIONS // 2:
            return found
        centroids = np.array([s.centroid for s in whole])
        line = fit_line(centroids)
        turned = np.asarray(line.direction) * np.sign(line.direction @ axis)
        moved = float(angle_between_deg(axis, turned))
        axis, at = turned, np.asarray(line.point)
        found = ShaftReading(at, axis, centroids, np.array([s.perimeter_mm for s in whole]), (first, last), complete)
        if moved < _SETTLED_DEG:
            break
    return found


def _shaft_sections(
    seg: Segmentation, centre: Floats, at: Floats, axis: Floats, depths: Floats
) -> list[Section | None]:
    """Sections square to the axis at depths below the head centre, looked for around the line through `at`."""
    foot = at + ((centre - at) @ axis) * axis
    return sections_along(seg.femur_mm, seg.grid, foot - depths[:, None] * axis, axis, half_width_mm=45.0)


def _whole_depth(seg: Segmentation, centre: Floats, at: Floats, axis: Floats) -> float:
    """Depth of the deepest section that is whole, searched every millimetre from 130 mm upward."""
    depths = np.arange(SHAFT_RANGE_MM[1], _EARLIEST_MM, -1.0)
    for block in np.array_split(depths, 10):
        for depth, section in zip(block, _shaft_sections(seg, centre, at, axis, block), strict=True):
            if section is not None and not section.cut:
                return float(depth)
    return 0.0

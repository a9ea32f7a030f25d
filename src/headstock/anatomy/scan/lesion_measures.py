"""How large a lesion is on a scan: volume, share of the head and of its weight-bearing part, arcs on two cuts.

In: a lesion with the rim's draws, outlines, the hip in space. Out: the same lesion with its measures.
Definitions (docs/lesion.md):

- **head**: the femur above the plane square to the neck axis at the head-neck junction (`ScanHip.head_height`); its
  share is that of the lesion above the same plane.
- **arc** on the mid-coronal (x, z) and mid-sagittal (y, z) cut of the hip frame, seen from the head centre: all
  directions whose ray meets dead bone within the head sphere; when dead bone holds the centre, the directions in which
  it reaches beyond 85 % of the radius. The rule of films (decision 0132), on cuts.
- **coronal reach**: how far dead bone reaches across the weight-bearing portion of the socket on the mid-coronal cut;
  `_lesion_reach`.
- **weight-bearing part**: the cap of the head sphere within 45 degrees of the joint force of walking (Heller et al.,
  J Biomech 2005;38:1155); its share is that of its directions whose ray meets dead bone beyond half the radius.

Every measure is worked out at a few places of the rim between inner and outer estimate and looked up for each draw; the
error of the head centre, from which arcs are seen, is carried to first order.
"""

from collections.abc import Callable
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from headstock.anatomy.osteonecrosis import koo_kim_index
from headstock.anatomy.scan._lesion_reach import coronal_reach
from headstock.anatomy.scan.segmentation import Segmentation
from headstock.anatomy.scan.values import Lesion, LesionPart, ScanHip
from headstock.errors import FrameError, TooFewError
from headstock.frames import LPS_TO_HIP
from headstock.images.scan import Scan
from headstock.measured import Measured, measured, missing
from headstock.units import Unit

__all__ = ["JOINT_FORCE_HIP", "lesion_measures"]

Floats = NDArray[np.float64]

# Walking, onto the head, hip frame (x medial, y anterior, z proximal), % of body weight; its direction is what counts.
JOINT_FORCE_HIP: Final = (54.0, 32.8, 229.2)
_CAP_DEG: Final = 45.0  # definition: half-angle of the weight-bearing part
_SURFACE_SHARE: Final = 0.85  # definition, as on films: farther out than this share of the radius is at the surface
_OUTER_SHARE: Final = 0.5  # definition: dead bone nearer the centre than this does not undermine the surface above it
_ARC_STEP_DEG: Final = 0.5
_RAY_STEP_MM: Final = 0.5
_CAP_DIRECTIONS: Final = 1500
_KNOTS: Final = 7
_MOVED_MM: Final = 1.0  # step of the differences by the head centre

_SOURCES: Final[dict[str, tuple[Unit, str]]] = {
    "share_of_head_percent": ("%", "lesion's volume over that of the femur above the head-neck junction, on the scan"),
    "weight_bearing_share_percent": (
        "%",
        "share of the cap within 45 deg of the joint force of walking under which dead bone lies; the direction from "
        "Heller et al. J Biomech 2005;38:1155",
    ),
    "necrotic_arc_coronal_deg": ("deg", "arc of dead bone from the head centre, mid-coronal cut of the scan"),
    "necrotic_arc_sagittal_deg": ("deg", "arc of dead bone from the head centre, mid-sagittal cut of the scan"),
    "combined_necrotic_angle_deg": (
        "deg",
        "sum of the arcs on mid-coronal and mid-sagittal cut of the scan (Ha et al. JBJS Am 2006;88 S3:35, on MRI)",
    ),
    "necrotic_index_percent": (
        "%",
        "(A / 180)(B / 180) 100 from the arcs on both cuts of the scan (Koo and Kim, JBJS Br 1995;77:875, on MRI)",
    ),
    "coronal_reach": (
        "1",
        "how far dead bone reaches across the weight-bearing portion of the socket, mid-coronal cut of the scan; above "
        "1: past its outer edge (Japanese Investigation Committee, J Orthop Sci 2002;7:601, construction from memory)",
    ),
    "lesion_depth_mm": ("mm", "deepest dead bone below the pole of the head sphere, along the neck axis"),
}


def lesion_measures(lesion: Lesion, scan: Scan, seg: Segmentation, hip: ScanHip) -> Lesion:
    """The lesion with every measure of its extent; parts' centres in the hip frame of the reading.

    Raises
    ------
    FrameError
        Lesion and outlines are on different grids.
    """
    del scan  # its values were used when the rim was placed
    if not lesion.grid.same_as(seg.grid):
        raise FrameError("The lesion lies on another grid than the outlines. Find it again on these outlines.")
    if not lesion.parts:
        none = {
            name: missing(unit, says, "No dead bone was found on this scan.") for name, (unit, says) in _SOURCES.items()
        }
        return replace(lesion, measures={**lesion.measures, **none})
    t = lesion.t
    knots = np.linspace(float(t.min()), float(t.max()), _KNOTS)
    rim = _Rim(lesion, hip)
    batches: dict[str, Floats] = {}

    def at(name: str, value: Callable[[float], float], most: float, by_centre: Floats | None = None) -> None:
        found = np.interp(t, knots, [value(float(x)) for x in knots])
        found[0] = value(float(t[0]))
        if by_centre is not None:
            found[1:] += (hip.head_centre[1 : len(t)] - hip.head_centre[0]) @ by_centre
        batches[name] = np.clip(found, 0.0, most)

    def slope(of: Callable[[_Rays], float], ways: Floats) -> Floats:
        """(3,) change by mm of the head centre, x, y, z."""
        ends = [[of(rim.rays(ways, sign * _MOVED_MM * e)) for sign in (1.0, -1.0)] for e in np.eye(3)]
        return np.array([(a - b) / (2.0 * _MOVED_MM) for a, b in ends])

    n = len(t)
    head_cm3, head_slope, above = _head_volume_cm3(seg, lesion, hip)
    # The common error of the surface swells the head: its volume grows as the cube of its radius.
    head = head_cm3 * (1.0 + hip.edge[:n] / hip.head_radius[0]) ** 3
    head = head + head_slope * (hip.head_height[:n] - hip.head_height[0])
    batches["share_of_head_percent"] = np.clip(100.0 * above * _volume(lesion) / head, 0.0, 100.0)
    directions = _cap_directions()
    cap = rim.rays(directions)

    def undermined(rays: _Rays, x: float) -> float:
        return 100.0 * float(np.mean(rays.meets(x, _OUTER_SHARE)))

    name = "weight_bearing_share_percent"
    at(name, lambda x: undermined(cap, x), 100.0, slope(lambda rays: undermined(rays, 0.5), directions))
    for name, first in (("necrotic_arc_coronal_deg", 0), ("necrotic_arc_sagittal_deg", 1)):
        circle = _circle(first)
        at(name, rim.rays(circle).arc_deg, 360.0, slope(lambda rays: rays.arc_deg(0.5), circle))
    coronal, sagittal = batches["necrotic_arc_coronal_deg"], batches["necrotic_arc_sagittal_deg"]
    batches["combined_necrotic_angle_deg"] = coronal + sagittal
    batches["necrotic_index_percent"] = np.array(
        [koo_kim_index(float(a), float(b)) for a, b in zip(coronal, sagittal, strict=True)]
    )
    at("lesion_depth_mm", rim.depth_mm, 500.0)
    found: dict[str, Measured] = dict(lesion.measures)
    for name, (unit, says) in _SOURCES.items():
        if name in batches:
            found[name] = measured(batches[name], unit, says)
    unit, says = _SOURCES["coronal_reach"]
    try:
        found["coronal_reach"] = measured(coronal_reach(lesion, seg, hip), unit, says)
    except TooFewError as refusal:
        found["coronal_reach"] = missing(unit, says, str(refusal))
    return replace(lesion, measures=found, parts=tuple(_turned(part, hip) for part in lesion.parts))


def _turned(part: LesionPart, hip: ScanHip) -> LesionPart:
    """A part whose centre was kept about the head in unturned axes, in the hip frame."""
    lps = hip.centre_lps_mm + LPS_TO_HIP[hip.side].T @ part.centre_hip_mm
    return replace(part, centre_hip_mm=hip.hip(lps))


def _volume(lesion: Lesion) -> Floats:
    """(n,) volume, cm3, as its own measure drew it."""
    volume = lesion.measures["volume_cm3"]
    if volume.draws is not None and len(volume.draws) == len(lesion.t) - 1:
        return np.concatenate([[volume.number], volume.draws])
    return np.full(len(lesion.t), volume.number)


def _head_volume_cm3(seg: Segmentation, lesion: Lesion, hip: ScanHip) -> tuple[float, float, float]:
    """Femur above the junction on the reading, cm3; its growth by mm of height; the lesion's share above it."""
    voxels = np.argwhere(seg.femur_mm < 2.0)
    points = hip.hip(seg.grid.points(voxels[:, ::-1]))
    depth = hip.head_radius[0] - (points - hip.head_centre[0]) @ hip.neck_axis[0]
    step = float(np.cbrt(seg.grid.voxel_mm3))
    inside = np.clip(0.5 - seg.femur_mm[tuple(voxels.T)] / step, 0.0, 1.0)
    dead = np.minimum(inside, np.clip(0.5 - lesion.best_mm[tuple(voxels.T)] / step, 0.0, 1.0))

    def above(height: float) -> Floats:
        return np.asarray(np.clip(0.5 - (depth - height) / step, 0.0, 1.0))

    height = float(hip.head_height[0])
    cm3 = seg.grid.voxel_mm3 / 1000.0
    whole, low, high = (float((inside * above(height + d)).sum()) * cm3 for d in (0.0, -_MOVED_MM, _MOVED_MM))
    lesion_cm3 = float(dead.sum())
    share = float((dead * above(height)).sum()) / lesion_cm3 if lesion_cm3 > 0.0 else 1.0
    return whole, (high - low) / (2.0 * _MOVED_MM), share


def _circle(first: int) -> Floats:
    """Unit directions round the cut of axis `first` (0 x: coronal; 1 y: sagittal) and z, hip frame."""
    turn = np.radians(np.arange(0.0, 360.0, _ARC_STEP_DEG))
    ways = np.zeros((len(turn), 3))
    ways[:, first], ways[:, 2] = np.cos(turn), np.sin(turn)
    return ways


def _cap_directions() -> Floats:
    """Unit directions evenly over the weight-bearing cap (a Fibonacci lattice), hip frame."""
    force = np.array(JOINT_FORCE_HIP) / np.linalg.norm(JOINT_FORCE_HIP)
    i = np.arange(_CAP_DIRECTIONS) + 0.5
    along = 1.0 - (1.0 - np.cos(np.radians(_CAP_DEG))) * i / _CAP_DIRECTIONS
    turn = np.pi * (1.0 + 5.0**0.5) * i
    side = np.cross(force, [0.0, 1.0, 0.0])
    side /= np.linalg.norm(side)
    up = np.cross(side, force)
    across = np.sqrt(1.0 - along**2)
    return np.asarray(
        along[:, None] * force + across[:, None] * (np.cos(turn)[:, None] * side + np.sin(turn)[:, None] * up)
    )


class _Rays:
    """Inner and outer distance along rays from the head centre: (rays, steps), mm."""

    def __init__(self, inner: Floats, outer: Floats, shares: Floats, centre: tuple[float, float]) -> None:
        self._inner, self._outer, self._shares, self._centre = inner, outer, shares, centre

    def meets(self, t: float, from_share: float) -> NDArray[np.bool_]:
        """(rays,) whether dead bone lies on the ray beyond a share of the radius."""
        dead = self._inner + t * (self._outer - self._inner) < 0.0
        return np.asarray(dead[:, self._shares >= from_share].any(axis=1))

    def arc_deg(self, t: float) -> float:
        """Directions that meet dead bone, degrees."""
        holds = self._centre[0] + t * (self._centre[1] - self._centre[0]) < 0.0
        return float(np.count_nonzero(self.meets(t, _SURFACE_SHARE if holds else 0.0))) * _ARC_STEP_DEG


class _Rim:
    """The lesion's distances, looked up between voxels."""

    def __init__(self, lesion: Lesion, hip: ScanHip) -> None:
        self._lesion, self._hip = lesion, hip

    def rays(self, ways: Floats, moved_mm: Floats | None = None) -> _Rays:
        """Rays from the head centre (moved by `moved_mm`) to the sphere, along unit directions (k, 3) of the hip "
        "frame."""
        radius = float(self._hip.head_radius[0])
        reach = np.arange(_RAY_STEP_MM, radius + 1e-6, _RAY_STEP_MM)
        centre = self._hip.head_centre[0] + (0.0 if moved_mm is None else moved_mm)
        inner, outer = self._at(centre + ways[:, None, :] * reach[None, :, None])
        centre_inner, centre_outer = self._at(centre[None, :])
        return _Rays(inner, outer, reach / radius, (float(centre_inner[0]), float(centre_outer[0])))

    def depth_mm(self, t: float) -> float:
        """Deepest dead bone below the pole, by the voxels inside the rim and how far inside they lie."""
        lesion, hip = self._lesion, self._hip
        field = lesion.inner_mm + np.float32(t) * (lesion.outer_mm - lesion.inner_mm)
        voxels = np.argwhere(field < 0.0)
        if len(voxels) == 0:
            return 0.0
        points = hip.hip(lesion.grid.points(voxels[:, ::-1]))
        depth = hip.head_radius[0] - (points - hip.head_centre[0]) @ hip.neck_axis[0]
        return float((depth - field[tuple(voxels.T)]).max())

    def _at(self, points_hip: Floats) -> tuple[Floats, Floats]:
        from scipy.ndimage import map_coordinates

        grid = self._lesion.grid
        index = np.moveaxis(grid.index(self._hip.lps(points_hip)), -1, 0)[::-1]
        inner, outer = (
            map_coordinates(field, index, order=1, mode="nearest")
            for field in (self._lesion.inner_mm, self._lesion.outer_mm)
        )
        return np.asarray(inner, np.float64), np.asarray(outer, np.float64)

"""How large the dead bone is on two films: arcs, combined angle, index, share of the head.

In: a `FilmHip` with outlined lesions. Out: name → `Measured`, or missing with the reason.
What each is: `EXTENT_FORMULAS`. Errors: the rim as a whole (one error along its normal),
head circle, neck axis; the scale falls out of angles and shares.
Decision: docs/decisions/0132-arc-of-a-lesion.md
"""

from collections.abc import Callable, Mapping
from functools import cache
from types import MappingProxyType
from typing import Final

import numpy as np
from numpy.typing import NDArray

from headstock.anatomy.filmhip import FilmHip, FilmView
from headstock.errors import TooFewError
from headstock.geometry import area_mm2, centroid, resample
from headstock.measured import Measured, measured, missing
from headstock.units import Unit

__all__ = ["EXTENT_FORMULAS", "lesion_extent", "necrotic_arc_deg"]

Floats = NDArray[np.float64]

# name → (unit, formula in words, source)
EXTENT_FORMULAS: Final[Mapping[str, tuple[Unit, str, str]]] = MappingProxyType(
    {
        "necrotic_arc_ap_deg": (
            "deg",
            "Angle at the head centre between the outermost rays that touch the lesion, AP film; for a lesion that "
            "holds the centre, the part of its rim at the joint surface.",
            "Kerboul et al., J Bone Joint Surg Br 1974;56:291",
        ),
        "necrotic_arc_lateral_deg": (
            "deg",
            "The same on the lateral film.",
            "Kerboul et al., J Bone Joint Surg Br 1974;56:291",
        ),
        "combined_necrotic_angle_deg": (
            "deg",
            "Necrotic arc on the AP film plus necrotic arc on the lateral film.",
            "Kerboul et al., J Bone Joint Surg Br 1974;56:291",
        ),
        "necrotic_index_percent": (
            "%",
            "(A / 180)(B / 180) 100 with the arcs of the two films; published on two MRI cuts, so not comparable with "
            "its bands.",
            "Koo and Kim, J Bone Joint Surg Br 1995;77:875",
        ),
        "lesion_share_of_head_percent": (
            "%",
            "Volume of the lesion over volume of the head by discs along the neck axis: at each depth an ellipse of "
            "the lesion's width on the AP and on the lateral film, against the circle of the head.",
            "derived; exact for a ball and for a slice across the neck axis",
        ),
        "lesion_area_ap_percent": ("%", "Area of the lesion over area of the head's circle, AP film.", "definition"),
        "lesion_area_lateral_percent": ("%", "The same on the lateral film.", "definition"),
        "weight_bearing_share": (
            "1",
            "How far the lesion reaches across the weight-bearing portion, from its medial border (the perpendicular "
            "through the middle of the line from teardrop to outer edge of the socket) to that edge; above 1: past it.",
            "Japanese Investigation Committee, J Orthop Sci 2002;7:601 (construction from memory)",
        ),
    }
)

_RIM_POINTS: Final = 40
_DISCS: Final = 24
_SURFACE_SHARE: Final = 0.85  # rim farther out than this share of the radius lies at the joint surface


def _drawn_rims(view: FilmView, seed: int) -> list[Floats]:
    """Each lesion's rim (B, K, 2) mm about the head centre of its draw; the rim error swells or shrinks it."""
    if not view.lesions_mm:
        raise TooFewError(f"No lesion is outlined on the {_words(view)} film. Outline it, or say that there is none.")
    rng = np.random.default_rng([seed, 0 if view.view == "ap" else 1])
    rims: list[Floats] = []
    for polygon in view.lesions_mm:
        rim = resample(polygon, _RIM_POINTS, closed=True)
        middle = centroid(rim)
        equal_radius = float(np.sqrt(area_mm2(rim) / np.pi))
        swell = np.ones(view.rows)
        swell[1:] += rng.standard_normal(view.rows - 1) * view.lesion_rim_sd_mm / equal_radius
        points = middle + (rim - middle)[None] * np.maximum(swell, 0.0)[:, None, None]
        rims.append(points * view.scale_ratio[:, None, None] - view.head_centre_mm[:, None, :])
    return rims


def _interval_deg(rim: Floats, radius: Floats) -> tuple[Floats, Floats]:
    """(start, end) of the arc, degrees, each (B,), about the direction of row 0's middle."""
    reference = np.arctan2(*rim[0].mean(axis=0)[::-1])
    closed = np.concatenate([rim, rim[:, :1]], axis=1)
    turned = np.unwrap(np.arctan2(closed[..., 1], closed[..., 0]) - reference, axis=1)
    # Unwrapping starts at the first rim point; bring the whole walk back to the reference direction.
    turned -= 2 * np.pi * np.round(turned[:, :-1].mean(axis=1, keepdims=True) / (2 * np.pi))
    start, end = turned[:, :-1].min(axis=1), turned[:, :-1].max(axis=1)
    holds_centre = np.abs(turned[:, -1] - turned[:, 0]) > np.pi
    if holds_centre.any():
        step = np.diff(turned, axis=1)
        middle = 0.5 * (closed[:, 1:] + closed[:, :-1])
        at_surface = np.linalg.norm(middle, axis=2) >= _SURFACE_SHARE * radius[:, None]
        share = np.abs(np.sum(step * at_surface, axis=1))
        start = np.where(holds_centre, -share / 2, start)
        end = np.where(holds_centre, share / 2, end)
    return np.degrees(start), np.degrees(end)


def necrotic_arc_deg(view: FilmView, *, seed: int = 1) -> Floats:
    """(B,) the part of the circle that dead bone takes as seen from the head centre, degrees, at most 360.

    Several lesions: overlapping arcs count once. Source: Kerboul et al. 1974.

    Raises
    ------
    TooFewError
        No lesion is outlined on this view, or it holds the head centre and nowhere reaches the surface.
    """
    rims = _drawn_rims(view, seed)
    base = np.arctan2(*rims[0][0].mean(axis=0)[::-1])
    starts, ends = [], []
    for rim in rims:
        start, end = _interval_deg(rim, view.head_radius_mm)
        shift = np.degrees(np.arctan2(*rim[0].mean(axis=0)[::-1]) - base)
        shift = (shift + 180.0) % 360.0 - 180.0
        starts.append(start + shift)
        ends.append(end + shift)
    begin, finish = np.stack(starts, axis=1), np.stack(ends, axis=1)
    order = np.argsort(begin, axis=1)
    begin, finish = np.take_along_axis(begin, order, axis=1), np.take_along_axis(finish, order, axis=1)
    total = np.zeros(view.rows)
    reached = np.full(view.rows, -np.inf)
    for k in range(begin.shape[1]):
        total += np.maximum(finish[:, k] - np.maximum(begin[:, k], reached), 0.0)
        reached = np.maximum(reached, finish[:, k])
    if total[0] == 0.0:
        raise TooFewError(
            f"The lesion on the {_words(view)} film holds the head centre and nowhere reaches the joint surface, so no "
            "arc can be read. Check the outline and the head circle."
        )
    return np.minimum(total, 360.0)


def _words(view: FilmView) -> str:
    return "AP" if view.view == "ap" else "lateral"


def _area_share(view: FilmView, seed: int) -> Floats:
    areas = sum((area_mm2(rim) for rim in _drawn_rims(view, seed)), np.zeros(view.rows))
    return np.asarray(np.minimum(100.0 * areas / (np.pi * view.head_radius_mm**2), 100.0))


def _widths(view: FilmView, seed: int) -> Floats:
    """(B, discs) width of the lesion across the neck at each depth, in head radii, inside the head's circle."""
    depth = (np.arange(_DISCS) + 0.5) * 2.0 / _DISCS
    half = np.sqrt(1.0 - (1.0 - depth) ** 2)
    width = np.zeros((view.rows, _DISCS))
    for rim in _drawn_rims(view, seed):
        s = 1.0 - np.einsum("bkj,bj->bk", rim, view.neck_axis) / view.head_radius_mm[:, None]
        t = np.einsum("bkj,bj->bk", rim, view.across) / view.head_radius_mm[:, None]
        s_next, t_next = np.roll(s, -1, axis=1), np.roll(t, -1, axis=1)
        step = np.where(s_next == s, 1.0, s_next - s)
        for k in range(_DISCS):
            # Rims cross a depth alternately going down and coming up: the signed sum of where is the width.
            crossed = (s_next >= depth[k]).astype(np.float64) - (s >= depth[k])
            at = np.clip(t + (depth[k] - s) / step * (t_next - t), -half[k], half[k])
            width[:, k] += np.abs(np.sum(crossed * at, axis=1))
    return np.minimum(width, 2.0 * half)


def _volume_share(hip: FilmHip, seed: int) -> Floats:
    if hip.lateral is None:
        raise TooFewError("The share of the head needs the lesion outlined on an AP and a lateral film.")
    depth = (np.arange(_DISCS) + 0.5) * 2.0 / _DISCS
    head = 4.0 * (1.0 - (1.0 - depth) ** 2)
    lesion = _widths(hip.ap, seed) * _widths(hip.lateral, seed)
    return np.asarray(100.0 * lesion.sum(axis=1) / head.sum())


def _weight_bearing(hip: FilmHip, seed: int) -> Floats:
    pelvis = hip.pelvis
    if pelvis is None or pelvis.teardrop_mm is None or pelvis.sourcil_lateral_mm is None:
        raise TooFewError("Not placed yet: teardrop and outer end of the socket's roof on the side of the lesion.")
    rims = _drawn_rims(hip.ap, seed)
    half = 0.5 * (pelvis.sourcil_lateral_mm - pelvis.teardrop_mm)
    length = np.linalg.norm(half, axis=1)
    outward = half / length[:, None]
    middle = pelvis.teardrop_mm + half - hip.ap.head_centre_mm
    reach = np.max([np.einsum("bkj,bj->bk", rim - middle[:, None], outward).max(axis=1) for rim in rims], axis=0)
    return np.asarray(np.maximum(reach / length, 0.0))


def lesion_extent(hip: FilmHip, *, seed: int = 1) -> dict[str, Measured]:
    """Every measure of the lesion's extent, with interval, or missing with the reason."""

    def lateral() -> FilmView:
        if hip.lateral is None:
            raise TooFewError("There is no usable lateral film of this hip.")
        return hip.lateral

    @cache
    def arc_ap() -> Floats:
        return necrotic_arc_deg(hip.ap, seed=seed)

    @cache
    def arc_lateral() -> Floats:
        return necrotic_arc_deg(lateral(), seed=seed)

    computed: dict[str, Callable[[], Floats]] = {
        "necrotic_arc_ap_deg": arc_ap,
        "necrotic_arc_lateral_deg": arc_lateral,
        "combined_necrotic_angle_deg": lambda: np.asarray(arc_ap() + arc_lateral()),
        "necrotic_index_percent": lambda: np.asarray(arc_ap() / 180.0 * arc_lateral() / 180.0 * 100.0),
        "lesion_share_of_head_percent": lambda: _volume_share(hip, seed),
        "lesion_area_ap_percent": lambda: _area_share(hip.ap, seed),
        "lesion_area_lateral_percent": lambda: _area_share(lateral(), seed),
        "weight_bearing_share": lambda: _weight_bearing(hip, seed),
    }
    found: dict[str, Measured] = {}
    for name, (unit, formula, source) in EXTENT_FORMULAS.items():
        says = f"{formula} Source: {source}."
        try:
            found[name] = measured(computed[name](), unit, says)
        except TooFewError as refusal:
            found[name] = missing(unit, says, str(refusal))
    return found

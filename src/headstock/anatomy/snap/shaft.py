"""The femoral shaft's outer edges, canal edges and axis, from two rough points.

In: a film (rows, cols), bone bright; two clicks (column, row) near the middle of the shaft, proximal first.
Out: `SnapShaft` in film pixels. The axis is the line through the midpoints of the outer edges.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from headstock.anatomy.snap._crop import Floats, clicked, film_values, window
from headstock.anatomy.snap._profile import THICK_SHELL_MM, THIN_SHELL_MM, edge_offset_mm
from headstock.anatomy.snap._strip import follow, slopes
from headstock.errors import FrameError
from headstock.geometry import LineFit, fit_line_robust

__all__ = ["SnapShaft", "snap_shaft"]

_LEVELS: Final = 48
_WIDEST_MM: Final = 32.0  # half-width searched; shafts are 20 to 40 mm wide
_THINNEST_CORTEX_MM: Final = 1.5
_SIGMA_MM: Final = 0.5
_STEP_MM: Final = 0.25
_USUAL_MM_PER_PX: Final = 0.2
_CLEAR: Final = 0.35


@dataclass(frozen=True, slots=True, eq=False)
class SnapShaft:
    """Shaft edges on the film, px.

    `axis_proximal`, `axis_distal` (column, row): on the axis, level with the clicks. `axis_covariance` (2, 2): px2 and
    rad2, as `LineFit`. `outer_edges`, `canal_edges`: two polylines (N, 2) each, proximal first; first the side
    toward smaller columns. `midpoints` (M, 2) used. `width_px`: median outer width; `canal_px`: median canal width or
    None where the canal is not clear. `used_share` of levels. `ambiguous`, `ask` as elsewhere.
    """

    axis_proximal: tuple[float, float]
    axis_distal: tuple[float, float]
    axis_covariance: Floats
    outer_edges: tuple[Floats, Floats]
    canal_edges: tuple[Floats, Floats]
    midpoints: Floats
    width_px: float
    canal_px: float | None
    used_share: float
    ambiguous: bool
    ask: str | None


def snap_shaft(image: ArrayLike, clicks: ArrayLike, mm_per_px: float | None = None) -> SnapShaft:
    """The shaft between two rough points of its axis.

    Raises
    ------
    TooFewError
        Fewer than two clicks.
    FrameError
        A click beside the film, or two clicks closer than 15 mm: too short to give a direction.
    ImageError
        Not one plane of finite grey values with contrast.
    """
    plane = film_values(image)
    points = clicked(plane, clicks, least=2)[:2]
    mm = _USUAL_MM_PER_PX if mm_per_px is None else mm_per_px
    length = float(np.linalg.norm(points[1] - points[0]))
    if length * mm < 15.0:
        raise FrameError(
            f"The two points on the shaft are {length * mm:.0f} mm apart; that is too short to give the shaft's "
            "direction. Click one below the lesser trochanter and one as far down as the film shows."
        )
    reach = _WIDEST_MM / mm
    part = window(plane, points.mean(axis=0), length / 2 + reach + 4, _SIGMA_MM / mm)
    start, end = part.local(points)
    distances = np.arange(3.0, _WIDEST_MM, _STEP_MM) / mm
    t = np.linspace(0.0, 1.0, _LEVELS)
    axis: LineFit | None = None
    edges: list[Floats] = []
    clear: list[Floats] = []
    for _ in range(3):
        along = (end - start) / np.linalg.norm(end - start)
        across = np.array([along[1], -along[0]])
        if across[0] > 0:
            across = -across
        origins = start + t[:, None] * (end - start)
        edges, clear = [], []
        for side in (across, -across):
            fall = -slopes(part.values, origins, side, distances)
            reference = 0.25 * float(np.percentile(fall.max(axis=1), 50)) + 1e-9
            place, sure = follow(fall, distances, 0.03, reference)
            edges.append(origins + place[:, None] * side)
            clear.append(sure)
        used = (clear[0] > _CLEAR) & (clear[1] > _CLEAR)
        if used.sum() < 8:
            break
        middle = (edges[0] + edges[1])[used] / 2
        axis, _ = fit_line_robust(middle, smallest_sd=0.3 / mm)
        start, end = (axis.point + np.dot(p - axis.point, axis.direction) * axis.direction for p in (start, end))
    used = (clear[0] > _CLEAR) & (clear[1] > _CLEAR)
    along = (end - start) / np.linalg.norm(end - start)
    canal: list[Floats] = []
    canal_clear = np.ones(_LEVELS, dtype=bool)
    origins = start + t[:, None] * (end - start)
    for edge in edges:
        outer = np.linalg.norm(edge - origins, axis=1)
        side = (edge - origins)[_LEVELS // 2]
        side = side / np.linalg.norm(side)
        inward = np.arange(_THINNEST_CORTEX_MM, 14.0, _STEP_MM) / mm
        # Seen from the outer edge inward, the cortex ends where the grey falls.
        fall = -slopes(part.values, edge, -side, inward)
        room = inward[None] < (outer - 1.0 / mm)[:, None]
        fall = np.where(room, fall, 0.0)
        reference = 0.25 * float(np.percentile(fall.max(axis=1), 50)) + 1e-9
        place, sure = follow(fall, inward, 0.05, reference)
        canal.append(edge - place[:, None] * side)
        canal_clear &= sure > _CLEAR
    half_mm = float(np.median(np.linalg.norm(edges[0] - edges[1], axis=1))) * mm / 2
    canal_half_mm = max(float(np.median(np.linalg.norm(canal[0] - canal[1], axis=1))) * mm / 2, 2.0)
    for k in (0, 1):
        side = (edges[k] - origins)[_LEVELS // 2]
        side = side / np.linalg.norm(side)
        shift = edge_offset_mm(part.values, edges[k][used], side, mm, half_mm, THICK_SHELL_MM)
        edges[k] = edges[k] + side * (shift / mm)
        # The canal is a hole in dense bone: seen from its middle the same law holds with the sign turned.
        shift = edge_offset_mm(part.values, canal[k][canal_clear], side, mm, canal_half_mm, THIN_SHELL_MM, -1.0)
        canal[k] = canal[k] + side * (shift / mm)
    width = np.linalg.norm(edges[0] - edges[1], axis=1)
    canal_width = np.linalg.norm(canal[0] - canal[1], axis=1)
    share = float(used.mean())
    unsure = axis is None or share < 0.4
    covariance = np.full((2, 2), np.inf) if axis is None else axis.covariance * 6.0  # neighbouring levels err together
    ends = part.film(np.stack([start, end]))
    return SnapShaft(
        axis_proximal=(float(ends[0, 0]), float(ends[0, 1])),
        axis_distal=(float(ends[1, 0]), float(ends[1, 1])),
        axis_covariance=covariance,
        outer_edges=(part.film(edges[0]), part.film(edges[1])),
        canal_edges=(part.film(canal[0]), part.film(canal[1])),
        midpoints=part.film((edges[0] + edges[1])[used] / 2),
        width_px=float(np.median(width[used])) if used.any() else float(np.median(width)),
        canal_px=float(np.median(canal_width[canal_clear])) if canal_clear.mean() > 0.3 else None,
        used_share=share,
        ambiguous=bool(unsure),
        ask="The edges of the shaft are not clear between these points. Place both axis points by hand."
        if unsure
        else None,
    )

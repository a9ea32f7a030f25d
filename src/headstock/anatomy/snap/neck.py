"""The femoral neck's edges, its narrowest place, and where the head ends.

In: a film (rows, cols), bone bright; the head's circle (column, row, radius); one rough
click (column, row) near the middle of the neck. Out: `SnapNeck` in film pixels.
Narrowest place: least distance between the edges, square to the neck's axis,
between 0.75 and 1.6 head radii from the head's centre. The head-neck junction is where
the outline leaves the head's circle by 1 mm.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from headstock.anatomy.snap._crop import Floats, Window, clicked, film_values, window
from headstock.anatomy.snap._profile import edge_offset_mm
from headstock.anatomy.snap._strip import follow, slopes
from headstock.errors import FrameError

__all__ = ["SnapNeck", "snap_neck"]

_DEPTHS: Final[Floats] = np.arange(0.70, 1.85, 0.03)  # head radii from the centre, down the neck
_BAND: Final = (0.75, 1.6)
_JUNCTION_MM: Final = 1.0
_USUAL_RADIUS_MM: Final = 24.0
_SIGMA_MM: Final = 0.5
_CLEAR: Final = 0.35


@dataclass(frozen=True, slots=True, eq=False)
class SnapNeck:
    """Neck edges on the film, px.

    `neck_axis_point` (column, row): middle of the narrowest place. `superior_edge`, `inferior_edge` (N, 2), from the
    head down the neck: the edge nearer to the film's top and the other (on lateral films with the front up: anterior
    and posterior). `narrowest` (2, 2): its ends, superior first; `width_px`. `junctions`: head-neck junction on
    the superior and the inferior side, None where it is not clear. `ambiguous`, `ask` as elsewhere.
    """

    neck_axis_point: tuple[float, float]
    superior_edge: Floats
    inferior_edge: Floats
    narrowest: Floats
    width_px: float
    junctions: tuple[tuple[float, float] | None, tuple[float, float] | None]
    clear_share: float
    ambiguous: bool
    ask: str | None


def snap_neck(image: ArrayLike, head_circle: ArrayLike, click: ArrayLike, mm_per_px: float | None = None) -> SnapNeck:
    """The neck near one click, given the head's circle.

    Raises
    ------
    FrameError
        The click lies beside the film, or too near the head's centre to give a direction.
    ImageError
        Not one plane of finite grey values with contrast.
    """
    plane = film_values(image)
    at = clicked(plane, click)[0]
    column, row, radius = (float(v) for v in np.asarray(head_circle, dtype=np.float64))
    mm = _USUAL_RADIUS_MM / radius if mm_per_px is None else mm_per_px
    centre = np.array([column, row])
    away = float(np.linalg.norm(at - centre))
    if not 0.4 * radius < away < 4.0 * radius:
        raise FrameError(
            "The point on the neck lies too near the head's centre, or too far from it, to give the neck's direction. "
            "Click near the middle of the neck."
        )
    part = window(plane, centre, 2.6 * radius, _SIGMA_MM / mm)
    head, point = part.local(centre), part.local(at)
    distances = np.arange(0.30, 1.25, 0.01) * radius
    edges: list[Floats] = []
    clear: list[Floats] = []
    best = len(_DEPTHS) // 3
    band = (_BAND[0] <= _DEPTHS) & (_BAND[1] >= _DEPTHS)
    width = np.zeros(len(_DEPTHS))
    origins = head + np.zeros((len(_DEPTHS), 2))
    for _ in range(3):
        down = (point - head) / np.linalg.norm(point - head)
        across = np.array([down[1], -down[0]])
        if across[1] > 0:
            across = -across  # toward the top of the film
        origins = head + _DEPTHS[:, None] * radius * down
        edges, clear = [], []
        for side in (across, -across):
            fall = -slopes(part.values, origins, side, distances)
            reference = 0.25 * float(np.percentile(fall.max(axis=1), 50)) + 1e-9
            place, sure = follow(fall, distances, 0.02, reference)
            edges.append(origins + place[:, None] * side)
            clear.append(sure)
        width = np.linalg.norm(edges[0] - edges[1], axis=1)
        smooth = np.convolve(np.pad(width, 1, mode="edge"), np.ones(3) / 3, mode="valid")
        best = int(np.argmin(np.where(band, smooth, np.inf)))
        near = (edges[0] + edges[1])[max(0, best - 1) : best + 2] / 2
        point = near.mean(axis=0)
    half_mm = float(width[best]) * mm / 2
    for k in (0, 1):
        outward = (edges[k] - origins)[best]
        outward = outward / np.linalg.norm(outward)
        steady = (clear[k] > _CLEAR) & band
        shift = edge_offset_mm(part.values, edges[k][steady], outward, mm, half_mm)
        edges[k] = edges[k] + outward * (shift / mm)
    width = np.linalg.norm(edges[0] - edges[1], axis=1)
    sure_both = (clear[0] > _CLEAR) & (clear[1] > _CLEAR)
    share = float(sure_both[band].mean())
    unsure = share < 0.5 or not sure_both[best]
    down = (point - head) / np.linalg.norm(point - head)
    junctions = _junctions(part, head, radius, down, mm)
    axis_point = part.film(point)
    return SnapNeck(
        neck_axis_point=(float(axis_point[0]), float(axis_point[1])),
        superior_edge=part.film(edges[0]),
        inferior_edge=part.film(edges[1]),
        narrowest=part.film(np.stack([edges[0][best], edges[1][best]])),
        width_px=float(width[best]),
        junctions=junctions,
        clear_share=share,
        ambiguous=bool(unsure),
        ask="The edges of the neck are not clear here. Place the middle of the neck by hand." if unsure else None,
    )


def _junctions(
    part: Window, head: Floats, radius_px: float, down: Floats, mm: float
) -> tuple[tuple[float, float] | None, tuple[float, float] | None]:
    """Where the outline, followed from beside the head toward the neck, leaves the circle by `_JUNCTION_MM`."""
    to_top = 1.0 if down[0] < 0 else -1.0  # clockwise on the screen when the neck points to smaller columns
    start = float(np.arctan2(down[1], down[0]))
    turn = np.radians(np.arange(110.0, 18.0, -2.0))
    distances = np.arange(0.80, 1.60, 0.01) * radius_px
    out: list[tuple[float, float] | None] = []
    for sense in (to_top, -to_top):
        angle = start + sense * turn
        unit = np.stack([np.cos(angle), np.sin(angle)], axis=-1)
        origins = np.broadcast_to(head, unit.shape)
        fall = -slopes(part.values, origins, unit, distances)
        reference = 0.25 * float(np.percentile(fall.max(axis=1), 50)) + 1e-9
        # Beside the head the outline is the circle; only from there on may the path choose.
        far = np.maximum(np.abs(distances - radius_px) * mm - 1.0, 0.0)
        on_circle = np.exp(-0.5 * far**2)
        fall = np.where(turn[:, None] > np.radians(92.0), fall * on_circle, fall)
        place, sure = follow(fall, distances, 0.01, reference)
        head_part = (turn > np.radians(75.0)) & (sure > _CLEAR)
        shift = edge_offset_mm(
            part.values, head + place[head_part, None] * unit[head_part], unit[head_part], mm, radius_px * mm
        )
        off = (place - radius_px) * mm + shift
        left = np.nonzero((off > _JUNCTION_MM) & (turn < np.radians(95.0)) & (np.roll(off, -1) > _JUNCTION_MM))[0]
        if not len(left) or sure[left[0]] < _CLEAR or left[0] == 0:
            out.append(None)
            continue
        k = int(left[0])
        share = float(np.clip((_JUNCTION_MM - off[k - 1]) / max(off[k] - off[k - 1], 1e-9), 0.0, 1.0))
        middle = angle[k - 1] + share * (angle[k] - angle[k - 1])
        reach = radius_px + _JUNCTION_MM / mm
        spot = part.film(head + reach * np.array([np.cos(middle), np.sin(middle)]))
        out.append((float(spot[0]), float(spot[1])))
    return out[0], out[1]

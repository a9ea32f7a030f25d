"""From rough clicks to edges: which search answers which click, and what it says.

In: clicks on a film. Out: points with their sd, a circle, what was used and what was
left out; or a question when the image supports two answers. Everything found stays
the program's until a person accepts it.
"""

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from headstock.anatomy import anterior_direction
from headstock.anatomy.snap import snap_ball, snap_head, snap_neck, snap_shaft
from headstock.desk.desk import Desk
from headstock.desk.headers import header_columns_to_left, header_from_json
from headstock.desk.limits import limits_in_force
from headstock.desk.pages import LeftOut, PointPx, SnapIn, SnapOut
from headstock.desk.scales import film_scales
from headstock.errors import TooFewError
from headstock.frames import Side, medial_column_sign
from headstock.images.grey import bright_is_dense
from headstock.records.people import film as film_row
from headstock.records.tables import FilmRow

__all__ = ["snap"]

Floats = NDArray[np.float64]


def snap(desk: Desk, film_id: str, given: SnapIn) -> SnapOut:
    """Search for an edge near the clicks.

    Raises
    ------
    TooFewError
        No click, or too few of them.
    """
    if not given.clicks:
        raise TooFewError("Nothing was clicked. Click near what is to be found.")
    film = desk.film(film_id)
    image = desk.answers.get(("dense", film.content_sha256), lambda: bright_is_dense(film))
    with desk.store.session() as session:
        row = film_row(session, film_id)
    scale = film_scales(row, limits_in_force(desk)).in_use
    mm_per_px = None if scale is None else scale.mm_per_px
    match given.what:
        case "ball":
            return _ball(image, given)
        case "head":
            return _head(image, given, mm_per_px)
        case "neck":
            return _neck(image, given, row, mm_per_px)
        case "shaft":
            return _shaft(image, given, row, mm_per_px)


def _ball(image: NDArray[np.float32], given: SnapIn) -> SnapOut:
    found = snap_ball(image, given.clicks[0])
    ok = found.circle[2] > 0 and not found.ambiguous
    says = (
        f"Ball found: {found.diameter_px:.1f} px across, from {found.used_arc_deg:.0f}° of its edge."
        if found.circle[2] > 0
        else "No ball was found here."
    )
    return SnapOut(
        found=ok,
        says=says if found.bright else f"{says} It is darker than its surround: the film may be a negative.",
        ask=found.ask,
        points={},
        sd_px={},
        circle=found.circle if found.circle[2] > 0 else None,
        circle_sd_px=float(found.diameter_sd_px / 2) if found.circle[2] > 0 else None,
        used=_pairs(found.used),
        left_out=[],
        outlines={},
        residual_mm=None,
        used_arc_deg=float(found.used_arc_deg),
    )


def _head(image: NDArray[np.float32], given: SnapIn, mm_per_px: float | None) -> SnapOut:
    found = snap_head(image, np.asarray(given.clicks, dtype=np.float64), mm_per_px)
    side = given.side
    col, row, radius = found.circle
    sd = float(np.sqrt(max(np.trace(found.covariance[:2, :2]) / 2, 0.0)))
    reasons = list(dict.fromkeys(one.why for one in found.left_out))
    left_out = f"; left out: {', '.join(reasons)}" if reasons else ""
    residual = found.residual_px if found.residual_mm is None else found.residual_mm
    unit = "px" if found.residual_mm is None else "mm"
    return SnapOut(
        found=not found.ambiguous,
        says=f"The circle used {found.used_arc_deg:.0f}° of the outline, residual {residual:.1f} {unit}{left_out}.",
        ask=found.ask,
        points={f"{side}.head_centre": (float(col), float(row))},
        sd_px={f"{side}.head": sd},
        circle=(float(col), float(row), float(radius)),
        circle_sd_px=sd,
        used=_pairs(found.used),
        left_out=[
            # The search counts clockwise from the top of the film, pages counter-clockwise from its right.
            LeftOut(from_deg=(90.0 - one.to_deg) % 360.0, to_deg=(90.0 - one.from_deg) % 360.0, why=one.why)
            for one in found.left_out
        ],
        outlines={},
        residual_mm=found.residual_mm,
        used_arc_deg=float(found.used_arc_deg),
    )


def _neck(image: NDArray[np.float32], given: SnapIn, row: FilmRow, mm_per_px: float | None) -> SnapOut:
    if given.circle is None:
        raise TooFewError("The neck is looked for from the head: find the head's circle first.")
    found = snap_neck(image, given.circle, given.clicks[0], mm_per_px)
    side = given.side
    ends = _neck_ends(row)
    points: dict[str, PointPx] = {f"{side}.neck_axis_point": _point(found.neck_axis_point)}
    outlines: dict[str, list[PointPx]] = {}
    if ends is not None and not found.ambiguous:
        for k, end in enumerate(ends):
            points[f"{side}.neck_{end}"] = _point(found.narrowest[k])
            junction = found.junctions[k]
            if junction is not None:
                points[f"{side}.head_neck_junction_{end}"] = _point(junction)
            outlines[f"{side}.neck_{end}"] = _pairs((found.superior_edge, found.inferior_edge)[k], 60)
    return SnapOut(
        found=not found.ambiguous,
        says=f"Narrowest neck {_length(found.width_px, mm_per_px)}, edges clear over {100 * found.clear_share:.0f} %.",
        ask=found.ask,
        points=points,
        sd_px={},
        circle=None,
        circle_sd_px=None,
        used=_pairs(np.vstack([found.superior_edge, found.inferior_edge])),
        left_out=[],
        outlines=outlines,
        residual_mm=None,
        used_arc_deg=None,
    )


def _neck_ends(row: FilmRow) -> tuple[str, str] | None:
    """What the upper and the lower edge of the neck are called on this film; None where that is not known."""
    if row.view != "lateral_hip":
        return ("superior", "inferior")
    front = anterior_direction(header_from_json(row.header).patient_orientation)
    return {"up": ("anterior", "posterior"), "down": ("posterior", "anterior")}.get(front or "")


def _shaft(image: NDArray[np.float32], given: SnapIn, row: FilmRow, mm_per_px: float | None) -> SnapOut:
    found = snap_shaft(image, np.asarray(given.clicks, dtype=np.float64), mm_per_px)
    side = given.side
    outlines: dict[str, list[PointPx]] = {}
    if row.view != "lateral_hip" and not found.ambiguous:
        to_left = row.columns_to_left
        if to_left is None:
            to_left = header_columns_to_left(header_from_json(row.header))
        # The search names its first edge by the smaller columns.
        medial_first = medial_column_sign(Side(side), True if to_left is None else to_left) < 0
        ends = ("medial", "lateral") if medial_first else ("lateral", "medial")
        for k, end in enumerate(ends):
            outlines[f"{side}.shaft_{end}"] = _pairs(found.outer_edges[k], 60)
            if found.canal_px is not None and len(found.canal_edges[k]) > 2:
                outlines[f"{side}.canal_{end}"] = _pairs(found.canal_edges[k], 60)
    sd = float(np.sqrt(max(found.axis_covariance[0, 0], 0.0)))
    return SnapOut(
        found=not found.ambiguous,
        says=f"Shaft {_length(found.width_px, mm_per_px)} wide, {100 * found.used_share:.0f} % of its levels used.",
        ask=found.ask,
        points={
            f"{side}.shaft_proximal": _point(found.axis_proximal),
            f"{side}.shaft_distal": _point(found.axis_distal),
        },
        sd_px={f"{side}.shaft_proximal": sd, f"{side}.shaft_distal": sd},
        circle=None,
        circle_sd_px=None,
        used=_pairs(found.midpoints),
        left_out=[],
        outlines=outlines,
        residual_mm=None,
        used_arc_deg=None,
    )


def _length(px: float, mm_per_px: float | None) -> str:
    return f"{px:.0f} px" if mm_per_px is None else f"{px * mm_per_px:.1f} mm"


def _point(point: Iterable[float]) -> PointPx:
    col, row = point
    return round(float(col), 2), round(float(row), 2)


def _pairs(points: Floats, most: int = 400) -> list[PointPx]:
    """Points for drawing, thinned."""
    step = max(1, len(points) // most)
    return [(round(float(x), 2), round(float(y), 2)) for x, y in points[::step]]

"""From rough clicks to edges: which search answers which click, and what it says.

In: clicks on a film. Out: points with their sd, a circle, what was used and what was
left out; or a question when the image supports two answers. Everything found stays
the program's until a person accepts it.
"""

import numpy as np
from numpy.typing import NDArray

from headstock.anatomy.snap import snap_head
from headstock.anatomy.snap.ball import snap_ball
from headstock.desk.desk import Desk
from headstock.desk.limits import limits_in_force
from headstock.desk.pages import LeftOut, PointPx, SnapIn, SnapOut
from headstock.desk.scales import film_scales
from headstock.errors import TooFewError
from headstock.images.grey import bright_is_dense
from headstock.records.people import film as film_row

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
        case "neck" | "shaft":
            raise TooFewError("The search for neck and shaft edges is not part of this build yet. Place the points.")


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
    left_out = "".join(f"; {one.why} left out" for one in found.left_out[:2])
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


def _pairs(points: Floats, most: int = 400) -> list[PointPx]:
    """Points for drawing, thinned."""
    step = max(1, len(points) // most)
    return [(round(float(x), 2), round(float(y), 2)) for x, y in points[::step]]

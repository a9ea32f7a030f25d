"""Dead bone that a placement leaves behind.

In: a prepared hip and one place. Out: shares of area on the AP film, a volume
from both films; arrays (rows,).

A volume needs both films: at each depth the dead bone is taken as an ellipse with
the width that each film shows (docs/planning.md); without a lateral film it is not known.
"""

import numpy as np
from numpy.typing import NDArray

from headstock.geometry.polygon import area_mm2, path_length
from headstock.implants import Component, Outline
from headstock.planning.prepared import ACROSS_STEP_MM, DEPTH_STEP_MM, PreparedHip
from headstock.planning.quantities import Places, frames_of, outline_on

__all__ = ["lesion_left", "lesion_share_of_head_percent"]

Floats = NDArray[np.float64]


def _profile(outline: Outline, seats_only: bool) -> tuple[Floats, Floats, Floats]:
    """Left and right edge of a body (or of a cap's seat) by height z, for z from the lowest to 0."""
    points = np.vstack(outline.seat_mm) if seats_only else outline.in_bone_mm
    z = np.arange(points[:, 1].min(), 1e-9, 0.5)
    edges = []
    for side in (points[points[:, 0] < 0], points[points[:, 0] >= 0]):
        order = np.argsort(side[:, 1], kind="stable")
        edges.append(np.interp(z, side[order, 1], side[order, 0]))
    return z, edges[0], edges[1]


def _removed(component: Component, outline: Outline, x: Floats, z: Floats) -> NDArray[np.bool_]:
    """Points of the component frame whose bone goes away: above the cut, in the body, or outside a cap's seat."""
    if component.kind == "cap":
        heights, left, right = _profile(outline, seats_only=True)
        outside = (x < np.interp(z, heights, left)) | (x > np.interp(z, heights, right))
        gone = (z > 0.0) | (outside & (z > heights[0]))
        if len(outline.in_bone_mm):
            reach = np.abs(outline.in_bone_mm).max(axis=0)  # the pin, in the prepared head as below it
            gone |= (np.abs(x) < reach[0]) & (z > -reach[1])
        return np.asarray(gone)
    points = outline.in_bone_mm
    n = len(points) // 2
    if component.tail_turn_deg and len(points) == 2 * n and not np.any(points[:n, 0] < points[n:, 0] - 1e-9):
        # Right edge first, then left (shape.py): a bent tail has both edges on one side of the axis.
        right_edge, left_edge = points[:n][::-1], points[n:][::-1]
        right = np.interp(z, right_edge[:, 1], right_edge[:, 0])
        left = np.interp(z, left_edge[:, 1], left_edge[:, 0])
        lowest = points[:, 1].min()
    else:
        heights, left_edge_x, right_edge_x = _profile(outline, seats_only=False)
        left, right = np.interp(z, heights, left_edge_x), np.interp(z, heights, right_edge_x)
        lowest = heights[0]
    return np.asarray((z > 0.0) | ((x > left) & (x < right) & (z > lowest)))


def lesion_left(hip: PreparedHip, component: Component, places: Places) -> dict[str, Floats]:
    """Dead bone left below and beside the part.

    `lesion_left_percent` (AP area); from both films `lesion_cm3` and `lesion_left_cm3`.
    Empty when no dead bone is outlined on the AP film.
    """
    found: dict[str, Floats] = {}
    whole: dict[str, Floats] = {}
    kept: dict[str, Floats] = {}
    for view, origin, axis, across in frames_of(hip, places):
        grid = view.dead_grid
        if grid is None:
            continue
        gone = _gone(component, outline_on(component, view), grid.film, origin, axis, across, view.ratio)
        mask = grid.share * ~gone
        whole[view.view], kept[view.view] = grid.share.sum(axis=2), mask.sum(axis=2)
        if view.view == "ap":
            total = np.maximum(whole["ap"].sum(axis=1), 1e-9)
            found["lesion_left_percent"] = np.asarray(100.0 * kept["ap"].sum(axis=1) / total, dtype=np.float64)
    if (
        len(whole) == 2
        and hip.lateral is not None
        and hip.ap.dead_grid is not None
        and hip.lateral.dead_grid is not None
    ):
        _, i, j = np.intersect1d(hip.ap.dead_grid.slices, hip.lateral.dead_grid.slices, return_indices=True)
        # Widths in cells; a slice is an ellipse of both widths: π/4 w w, one depth step thick.
        cell = DEPTH_STEP_MM * ACROSS_STEP_MM**2 * np.pi / 4.0 / 1000.0 * hip.ap.ratio**2 * hip.lateral.ratio
        for name, width in (("lesion_cm3", whole), ("lesion_left_cm3", kept)):
            products = width["ap"][:, i].astype(np.float64) * width["lateral"][:, j]
            found[name] = products.sum(axis=1) * cell
    return found


def _gone(
    component: Component, outline: Outline, film: Floats, origin: Floats, axis: Floats, across: Floats, ratio: Floats
) -> NDArray[np.bool_]:
    """(rows, S, T): whether the placement takes a grid point away. `axis`, `across` (1, 2)."""
    shift = film - origin[0]
    x0, z0 = shift @ across[0], shift @ axis[0]
    moved = origin - origin[0]
    scale = ratio[:, None, None]
    z = (z0 - (moved @ axis[0])[:, None, None]) * scale
    gone = z > 0.0
    below = ~gone.all(axis=0)
    if below.any():
        # Only points that some draw leaves below the cut need the part's outline.
        x = (x0[below] - (moved @ across[0])[:, None]) * ratio[:, None]
        gone[:, below] = _removed(component, outline, x, z[:, below])
    return np.asarray(gone)


def lesion_share_of_head_percent(hip: PreparedHip) -> Floats | None:
    """Dead bone over the head's circle, areas on the AP film, % (rows,); None without dead bone.

    A shift e of the outline changes its area by e times its length, to first order.
    """
    view = hip.ap
    if not view.source.lesions_mm:
        return None
    area = sum(float(area_mm2(p)) for p in view.source.lesions_mm)
    rim = sum(float(path_length(p, closed=True)) for p in view.source.lesions_mm)
    dead = area * view.ratio**2 + rim * view.ratio * view.lesion_error
    return np.asarray(100.0 * np.clip(dead, 0.0, None) / (np.pi * view.radius**2))

"""Invented metal: screws, a plate, a replaced hip, as plain bodies of revolution and a box.

In: a femur in the hip frame. Out: closed surfaces in the hip frame, mm, and, for
a replaced hip, the femur without its head and neck. No shape follows a real product.
"""

import numpy as np
from numpy.typing import NDArray

from headstock.phantom.femur import Femur
from headstock.phantom.lesion import ball
from headstock.phantom.shape import Surface
from headstock.phantom.spec import MetalHip, PlateAndScrews

__all__ = ["box", "cylinder", "metal_of", "resected", "revolved"]

Floats = NDArray[np.float64]

_AROUND = 48


def _frame(axis: Floats) -> tuple[Floats, Floats, Floats]:
    z = axis / np.linalg.norm(axis)
    x = np.cross([0.0, 1.0, 0.0] if abs(z[1]) < 0.9 else [1.0, 0.0, 0.0], z)
    x /= np.linalg.norm(x)
    return x, np.cross(z, x), z


def revolved(foot: Floats, axis: Floats, radius: Floats, height: Floats) -> Surface:
    """A profile (radius, height) turned about an axis through `foot`, closed at both ends, faces outward.

    `radius`, `height` (k,), mm, from the bottom up; for a hollow body the profile may come back down.
    """
    x, y, z = _frame(np.asarray(axis, dtype=np.float64))
    angle = np.linspace(0.0, 2.0 * np.pi, _AROUND, endpoint=False)
    ring = np.cos(angle)[:, None] * x + np.sin(angle)[:, None] * y
    k = len(radius)
    vertices = (foot + height[:, None, None] * z + radius[:, None, None] * ring[None]).reshape(-1, 3)
    ends = np.stack([foot + height[0] * z, foot + height[-1] * z])
    index = np.arange(k * _AROUND).reshape(k, _AROUND)
    a, b = index[:-1], np.roll(index, -1, axis=1)[:-1]
    c, d = np.roll(index, -1, axis=1)[1:], index[1:]
    side = np.concatenate([np.stack(t, -1).reshape(-1, 3) for t in ((a, b, c), (a, c, d))])
    bottom = np.stack([np.full(_AROUND, k * _AROUND), np.roll(index[0], -1), index[0]], axis=-1)
    top = np.stack([np.full(_AROUND, k * _AROUND + 1), index[-1], np.roll(index[-1], -1)], axis=-1)
    surface = Surface(np.concatenate([vertices, ends]), np.concatenate([side, bottom, top]))
    return surface if surface.volume_mm3() > 0.0 else Surface(surface.vertices, surface.faces[:, ::-1].copy())


def cylinder(start: Floats, end: Floats, diameter_mm: float) -> Surface:
    """A round rod with chamfered ends."""
    length = float(np.linalg.norm(end - start))
    r = 0.5 * diameter_mm
    c = min(0.4 * r, 0.2 * length)
    return revolved(start, end - start, np.array([r - c, r, r, r - c]), np.array([0.0, c, length - c, length]))


def box(centre: Floats, axes: Floats, size_mm: Floats) -> Surface:
    """A block: `axes` (3, 3) rows unit and right-handed, `size_mm` (3,) along them."""
    corners = np.array([[i, j, k] for k in (-0.5, 0.5) for j in (-0.5, 0.5) for i in (-0.5, 0.5)])
    quads = [(0, 2, 3, 1), (4, 5, 7, 6), (0, 1, 5, 4), (2, 6, 7, 3), (0, 4, 6, 2), (1, 3, 7, 5)]
    faces = np.array([t for a, b, c, d in quads for t in ((a, b, c), (a, c, d))], dtype=np.int64)
    return Surface(centre + (corners * size_mm) @ axes, faces)


def _medial(femur: Femur) -> Floats:
    neck, shaft = femur.axes.neck_axis, femur.axes.shaft_axis
    medial = neck - (neck @ shaft) * shaft
    return np.asarray(medial / np.linalg.norm(medial))


def _lateral_cortex(femur: Femur, below_mm: float) -> Floats:
    """A point on the lateral outline of the shaft, this far below the head centre."""
    shaft, medial = femur.axes.shaft_axis, _medial(femur)
    foot = femur.axes.shaft_points[0]
    foot = foot + (-below_mm - foot @ shaft) * shaft
    vertices = femur.outer.vertices
    near = np.abs((vertices - foot) @ shaft) < 6.0
    return np.asarray(foot + float(((vertices[near] - foot) @ medial).min()) * medial)


def _plate_and_screws(femur: Femur, spec: PlateAndScrews) -> tuple[Surface, ...]:
    shaft, medial, neck = femur.axes.shaft_axis, _medial(femur), femur.axes.neck_axis
    across = np.cross(shaft, medial)
    parts: list[Surface] = []
    for i in range(spec.neck_screws):
        shift = (i - 0.5 * (spec.neck_screws - 1)) * 1.7 * spec.screw_mm
        up = np.cross(across, neck)
        offset = shift * 0.8 * up + (i % 2 - 0.5) * 5.0 * across
        tip = -0.1 * femur.axes.head.radius * neck + offset
        span = 0.0
        reach = np.linalg.norm(femur.outer.vertices - tip, axis=1)
        along = (femur.outer.vertices - tip) @ neck
        beside = np.sqrt(np.maximum(reach**2 - along**2, 0.0)) < 5.0
        span = float(along[beside].min()) if beside.any() else -75.0
        parts.append(cylinder(tip + (span - 4.0) * neck, tip, spec.screw_mm))
    if spec.plate_mm > 0.0:
        top = _lateral_cortex(femur, 45.0)
        bottom = _lateral_cortex(femur, 45.0 + spec.plate_mm)
        direction = (top - bottom) / np.linalg.norm(top - bottom)
        out = -medial + (medial @ direction) * direction
        out /= np.linalg.norm(out)
        frame = np.stack([out, np.cross(direction, out), direction])
        middle = 0.5 * (top + bottom) + 2.6 * out
        parts.append(box(middle, frame, np.array([4.2, 15.0, spec.plate_mm])))
        for i in range(spec.shaft_screws):
            share = 0.3 + 0.6 * i / max(spec.shaft_screws - 1, 1)
            start = top + share * (bottom - top) + 5.0 * out
            parts.append(cylinder(start, start - 38.0 * out, 4.5))
    return tuple(parts)


def _replaced(femur: Femur, spec: MetalHip) -> tuple[Surface, ...]:
    shaft, medial, neck = femur.axes.shaft_axis, _medial(femur), femur.axes.neck_axis
    parts = [ball(np.zeros(3), 0.5 * spec.ball_mm)]
    # The cup opens 42 degrees from straight down toward lateral, 15 degrees forward: usual places, no source.
    opening = np.array([-np.sin(np.radians(42.0)), np.sin(np.radians(15.0)), -np.cos(np.radians(42.0))])
    outer, inner = 0.5 * spec.cup_mm, 0.5 * spec.cup_mm - 3.5
    angle = np.radians(np.linspace(0.0, 88.0, 24))
    radius = np.concatenate([outer * np.sin(angle), inner * np.sin(angle[::-1])])
    height = np.concatenate([-outer * np.cos(angle), -inner * np.cos(angle[::-1])])
    radius = np.maximum(radius, 0.02)
    parts.append(revolved(np.zeros(3), opening, radius, height))
    base = femur.axes.shaft_points[0]
    to_shaft = base + (-40.0 - base @ shaft) * shaft
    parts.append(cylinder(to_shaft, -0.2 * spec.ball_mm * neck, 12.5))
    along = np.array([0.0, 8.0, 60.0, 105.0, 128.0, 140.0])
    wide = np.array([2.5, 4.4, 5.8, 7.6, 9.5, 8.0])
    parts.append(revolved(to_shaft - 128.0 * shaft, shaft, wide, along))
    del medial
    return tuple(parts)


def metal_of(femur: Femur, spec: PlateAndScrews | MetalHip) -> tuple[Surface, ...]:
    """The metal bodies of one hip, hip frame, mm."""
    return _replaced(femur, spec) if isinstance(spec, MetalHip) else _plate_and_screws(femur, spec)


def resected(femur: Femur, surface: Surface, at_depth_mm: float) -> Surface:
    """A surface with head and neck pressed onto the plane `at_depth_mm` below the head centre along the neck."""
    neck = femur.axes.neck_axis
    depth = -(surface.vertices @ neck)
    beside = np.linalg.norm(surface.vertices + depth[:, None] * neck, axis=1)
    gone = (depth < at_depth_mm) & (beside < femur.axes.head.radius + 9.0)
    down = np.where(gone, at_depth_mm - depth, 0.0)
    flat = surface.vertices - down[:, None] * neck
    on_axis = -at_depth_mm * neck
    # The head is wider than the cut: what lies on the plane is drawn in so that no brim remains.
    drawn = np.where(gone & (depth < 0.9 * femur.axes.head.radius), 0.35, 1.0)
    return surface.moved(on_axis + (flat - on_axis) * drawn[:, None])

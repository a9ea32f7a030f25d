"""The hip in space as a picture: bone left, dead bone, metal, cup, from a camera fixed to the hip frame.

In: a hip read from a scan, a placement or none. Out: RGB, the same camera and scale for every placement, so that
pictures can be compared. Parallel rays march through the signed distances; flat light from the camera's upper left.
"""

from collections.abc import Callable
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from headstock.implants import Catalogue, Placement
from headstock.planning.space.fields import SpaceHip
from headstock.planning.space.scene3d import operated

__all__ = ["MM_ACROSS", "Camera", "space_picture"]

Floats = NDArray[np.float64]
Camera = Literal["front", "side"]

MM_ACROSS: Final = 120.0  # of the picture, both ways
_CENTRE: Final = np.array([-22.0, 0.0, -28.0])  # hip frame: between head and lesser trochanter
_DEEP_MM: Final = 75.0
_STEPS: Final = 90
_LEAST_MM: Final = 0.15
# The colours of the drawings (web/src/tokens.css): bone, dead bone, steel, cup, paper.
_BONE, _DEAD, _STEEL, _CUP = (239, 229, 205), (205, 185, 138), (147, 164, 172), (213, 220, 223)
_PAPER: Final = (255, 255, 255)
_LIGHT: Final = np.array([-0.35, 0.75, 0.55])  # toward the light: medial-lateral, anterior, proximal of the camera


def space_picture(
    space: SpaceHip, placement: Placement | None, catalogue: Catalogue, *, camera: Camera = "front", size_px: int = 480
) -> NDArray[np.uint8]:
    """(size, size, 3) RGB. "front": seen from anterior, medial to the patient's middle; "side": from medial."""
    # The picture keeps the radiographic habit: a right hip's medial side lies to the right, a left hip's to the left.
    flip = -1.0 if space.hip.side.value == "left" else 1.0
    right, toward = (
        (np.array([flip, 0.0, 0.0]), np.array([0.0, 1.0, 0.0]))
        if camera == "front"
        else (np.array([0.0, -1.0, 0.0]), np.array([1.0, 0.0, 0.0]))
    )
    up = np.array([0.0, 0.0, 1.0])
    after = None if placement is None else operated(space, placement, catalogue)

    def bone(points: Floats) -> Floats:
        found = np.asarray(space.femur.at(points), np.float64)
        return found if after is None else np.asarray(np.maximum(found, -after.gone(points)))

    def nearest(points: Floats) -> tuple[Floats, NDArray[np.int8]]:
        fields = [bone(points)]
        if after is not None:
            fields.append(after.metal(points))
            if after.cup is not None:
                fields.append(after.cup(points))
        stack = np.stack(fields)
        which = np.argmin(stack, axis=0)
        return np.take_along_axis(stack, which[None], axis=0)[0], which.astype(np.int8)

    half = 0.5 * MM_ACROSS
    at = (np.arange(size_px) + 0.5) / size_px * MM_ACROSS - half
    a, b = np.meshgrid(at, -at)
    points = (_CENTRE + a[..., None] * right + b[..., None] * up + _DEEP_MM * toward).reshape(-1, 3)
    gone_mm = np.zeros(len(points))
    live = np.arange(len(points))
    kind = np.full(len(points), -1, np.int8)
    for _ in range(_STEPS):
        if len(live) == 0:
            break
        distance, which = nearest(points[live])
        hit = distance < _LEAST_MM
        kind[live[hit]] = which[hit]
        step = np.maximum(0.9 * distance[~hit], _LEAST_MM)
        live = live[~hit]
        points[live] -= step[:, None] * toward
        gone_mm[live] += step
        live = live[gone_mm[live] < 2.0 * _DEEP_MM]
    # Past the end of the scan the bone is carried on for measuring; a picture shows what was seen.
    kind[(kind == 0) & ~space.in_scan(points)] = -1
    picture = _shaded(space, nearest, points, kind, (right, up, toward))
    return picture.reshape(size_px, size_px, 3)


def _shaded(
    space: SpaceHip,
    nearest: Callable[[Floats], tuple[Floats, NDArray[np.int8]]],
    points: Floats,
    kind: NDArray[np.int8],
    axes: tuple[Floats, Floats, Floats],
) -> NDArray[np.uint8]:
    """(k, 3) colours of the points where rays stopped; `axes`: the camera's right, up and toward it."""
    right, up, toward = axes
    colours = np.tile(np.array(_PAPER, np.float64), (len(points), 1))
    seen = kind >= 0
    at = points[seen]
    if len(at):
        slope = np.empty((len(at), 3))
        for axis in range(3):
            shift = np.zeros(3)
            shift[axis] = 0.6
            slope[:, axis] = nearest(at + shift)[0] - nearest(at - shift)[0]
        slope /= np.maximum(np.linalg.norm(slope, axis=1, keepdims=True), 1e-9)
        light = _LIGHT[0] * right + _LIGHT[1] * toward + _LIGHT[2] * up
        light /= np.linalg.norm(light)
        shade = 0.5 + 0.5 * np.clip(slope @ light, 0.0, 1.0)
        flat = np.array([_BONE, _STEEL, _CUP], np.float64)[kind[seen]]
        dead = (kind[seen] == 0) & (space.lesion_at(at) < 0.5)
        flat[dead] = _DEAD
        colours[seen] = flat * shade[:, None]
    return colours.astype(np.uint8)

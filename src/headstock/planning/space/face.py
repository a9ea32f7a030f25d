"""The cut face: how much of it is sound, how much cortex, how dense; and reamed bone that nothing covers.

In: a hip, a plane, errors of the surface and rims (r,). Out: arrays (r,) by name. The face is
looked at along rays from where the neck axis meets the cut, each until it first leaves the
bone, and no farther than the side plane (`bone.py`): the trochanter does not belong to it.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from headstock.anatomy.scan.stock import EMPTY_HU
from headstock.implants import Component
from headstock.planning.space.bone import Bone
from headstock.planning.space.fields import SpaceHip
from headstock.planning.space.places import Places, Rows
from headstock.planning.space.quantities import SOFT_MM, dead_mm

__all__ = ["Face", "cut_face", "density_ratio", "face_at", "face_at_depth", "face_values", "uncovered_reamed_mm2"]

Floats = NDArray[np.float64]
DENSITY_SD: Final = 0.01  # definition: what noise and blur leave of a mean of grey levels, as a share of it
_RAYS: Final = 60
_STEP_MM: Final = 0.5
_CLEAR_OF_CORTEX_MM: Final = 1.0  # grey levels nearer to the cortex are blurred with it


@dataclass(frozen=True, slots=True, eq=False)
class Face:
    """Samples of one face: `points` (P, 3), `area_mm2` (P,), and at each the fields of the hip, signed as there."""

    points: Floats
    area_mm2: Floats
    femur_mm: Floats
    inner_mm: Floats
    hu: Floats


def face_at(space: SpaceHip, facts: Bone, centre: Floats, across: Floats, front: Floats, reach_mm: float) -> Face:
    """The face in the plane of `across` and `front` (3,) around `centre` (3,), out to `reach_mm`.

    Samples just outside the surface belong to it, so that its error can move the edge either way.
    """
    turn = np.linspace(0.0, 2.0 * np.pi, _RAYS, endpoint=False)
    # Each ray begins at another part of a step, so that a round face does not jump from ring to ring of samples.
    first = np.mod(0.5 + np.arange(_RAYS) * 0.5 * (np.sqrt(5.0) - 1.0), 1.0)
    reach = _STEP_MM * (first[:, None] + np.arange(int(reach_mm / _STEP_MM)))
    way = np.cos(turn)[:, None] * across + np.sin(turn)[:, None] * front
    points = centre + reach[..., None] * way[:, None, :]
    femur = np.asarray(space.femur.at(points), np.float64)
    within = np.logical_and.accumulate((femur < 2.0 * SOFT_MM) & (facts.aside(points) > 0.0), axis=1)
    points, femur = points[within], femur[within]
    area = (reach * _STEP_MM * (2.0 * np.pi / _RAYS))[within]
    return Face(
        points,
        np.asarray(area),
        femur,
        np.asarray(space.inner.at(points), np.float64),
        np.asarray(space.hu.at(points), np.float64),
    )


def cut_face(space: SpaceHip, rows: Rows, facts: Bone, places: Places) -> Face:
    """The face of the cut of one place."""
    origin, normal = places.origin[0], places.axis[0]
    slope = float(normal @ rows.neck_axis[0])
    centre = origin
    if slope > 0.3:  # else the cut runs along the neck and its own origin is as good a middle
        way = float(normal @ (origin - rows.head_centre[0])) / slope
        crossing = rows.head_centre[0] + way * rows.neck_axis[0]
        if float(space.femur.at(crossing[None])[0]) < 0.0:
            centre = crossing
    return face_at(space, facts, centre, places.axes[0, :, 0], places.axes[0, :, 1], 2.0 * float(rows.head_radius[0]))


def face_at_depth(space: SpaceHip, rows: Rows, facts: Bone, depth_mm: float) -> Face:
    """The face of a cut square to the neck axis at a depth below the pole."""
    centre = rows.pole[0] - depth_mm * rows.neck_axis[0]
    return face_at(space, facts, centre, rows.across[0], rows.front[0], 2.0 * float(rows.head_radius[0]))


def face_values(space: SpaceHip, face: Face, edge: Floats, t: Floats) -> dict[str, Floats]:
    """Area of a face (mm2), and of it on sound bone and cortex (%); empty where there is no bone.

    `cortex_per_mm`: what 1 mm more of cortex inward adds to its share.
    """
    bone = np.clip((edge[:, None] - face.femur_mm) / SOFT_MM + 0.5, 0.0, 1.0) * face.area_mm2
    area = bone.sum(axis=1)
    if not len(face.area_mm2) or not np.all(area > 0.0):
        return {}
    dead = dead_mm(space, face.points[None], t)
    sound = bone if dead is None else bone * np.clip(dead / SOFT_MM + 0.5, 0.0, 1.0)
    # An error of the outer surface moves the inner face with it, so that the cortex keeps its thickness.
    cortex, thicker = (
        np.clip((face.inner_mm + more - edge[:, None]) / SOFT_MM + 0.5, 0.0, 1.0) for more in (0.0, 0.25)
    )
    return {
        "face_mm2": area,
        "face_sound_percent": 100.0 * sound.sum(axis=1) / area,
        "face_cortex_percent": 100.0 * (bone * cortex).sum(axis=1) / area,
        "face_cortex_per_mm": 100.0 * (bone * (thicker - cortex)).sum(axis=1) / area / 0.25,
    }


def density_ratio(space: SpaceHip, facts: Bone, rows: Rows, face: Face, seed: int) -> Floats | None:
    """Mean density of a face inside the cortex over that of head and neck's sound spongy bone, (n,).

    Uncalibrated, the grey level of bone without mineral is a prior (anatomy/scan/stock.py), drawn with `seed`. Deep
    inside there is no error of the surface; None where the face has no inside.
    """
    inside = np.clip(0.5 - (face.inner_mm + _CLEAR_OF_CORTEX_MM) / SOFT_MM, 0.0, 1.0) * face.area_mm2
    if inside.sum() < 10.0 or not np.isfinite(facts.spongy_HU):
        return None
    here = float(face.hu @ inside / inside.sum())
    density = space.density
    if density.slope is not None and density.offset is not None:
        empty = -density.offset / density.slope
        empty = empty[: rows.n] if len(empty) >= rows.n else np.resize(empty, rows.n)
    else:
        empty = np.full(rows.n, EMPTY_HU[0])
        empty[1:] += np.random.default_rng(seed).normal(0.0, EMPTY_HU[1], rows.n - 1)
    # Below the empty level the law gives no density at all.
    ratio = np.maximum(here - empty, 0.0) / np.maximum(facts.spongy_HU - empty, 1.0)
    left = np.zeros(rows.n)
    left[1:] = np.random.default_rng(seed + 1).normal(0.0, DENSITY_SD, rows.n - 1)
    return np.asarray(ratio * (1.0 + left))


def uncovered_reamed_mm2(space: SpaceHip, component: Component, places: Places, edge: Floats) -> Floats | None:
    """Reamed surface beyond a cap's mouth that lies in bone, mm2 (r,); None for a part that is no cap.

    The reamer runs past the mouth by the family's overrun; where the neck is thicker than the reamed tube there,
    bone is laid bare that the cap does not cover.
    """
    if component.kind != "cap":
        return None
    corners = component.ap.reamed_mm
    radius, mouth = float(np.abs(corners[:, 0]).max()), float(corners[:, 1].min())
    steps = max(2, round(component.reamer_overrun_mm / 0.25))
    height = mouth - component.reamer_overrun_mm * (np.arange(steps) + 0.5) / steps
    turn = np.linspace(0.0, 2.0 * np.pi, 144, endpoint=False)
    local = np.stack(
        [
            np.broadcast_to(radius * np.cos(turn), (steps, len(turn))),
            np.broadcast_to(radius * np.sin(turn), (steps, len(turn))),
            np.broadcast_to(height[:, None], (steps, len(turn))),
        ],
        axis=-1,
    ).reshape(-1, 3)
    outer = np.asarray(space.femur.at(places.points(local)), np.float64)
    share = np.clip((edge[:, None] - outer) / SOFT_MM + 0.5, 0.0, 1.0)
    piece = 2.0 * np.pi * radius / len(turn) * component.reamer_overrun_mm / steps
    return np.asarray(share.sum(axis=1) * piece)

"""Tissues as smooth fields in space: trabecular bone of the femur, spongy bone of the pelvis, soft tissue, the table.

In: points, LPS, mm. Out: HU without noise, (n,) float32. All of it is invented to look
like a scan: dense where the head is loaded and along the medial neck, thin in
the neck's triangle and the trochanters, marrow in the shaft.
"""

from collections.abc import Callable
from functools import lru_cache
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from headstock.frames import Side
from headstock.geometry.compiled import compiled
from headstock.phantom.patient import PhantomHip, PhantomPatient
from headstock.phantom.scan_spec import Tissue

__all__ = ["TABLE_HU", "air_and_body", "table_top_mm", "texture", "trabecular_HU"]

Floats = NDArray[np.float64]
Values = NDArray[np.float32]

TABLE_HU: Final = 90.0
_AIR_HU: Final = -1000.0
_TILE: Final = 96
_SKIN_MM: Final = 2.0
_UNDER_SKIN_MM: Final = 16.0
_TABLE_MM: Final = 12.0
_BACK_MM: Final = 8.0  # the body's middle lies a little behind the heads


def _step(x: Values, start: float, end: float) -> Values:
    t = np.clip((x - np.float32(start)) / np.float32(end - start), 0.0, 1.0).astype(np.float32)
    return np.asarray(t * t * (3.0 - 2.0 * t), dtype=np.float32)


def trabecular_HU(hip: PhantomHip, points_lps: NDArray[np.floating], tissue: Tissue) -> Values:
    """Trabecular bone and marrow inside one femur's cortex, without texture, at points (n, 3)."""
    axes = hip.femur.axes
    radius = axes.head.radius
    x = ((points_lps - hip.centre_lps_mm) @ hip.matrix).astype(np.float32)  # hip frame, neutral pose
    neck, shaft = axes.neck_axis.astype(np.float32), axes.shaft_axis.astype(np.float32)
    depth = -(x @ neck)
    below = -(x @ shaft)
    head = 1.0 - _step(depth, 0.0, 1.15 * radius)
    # The loaded trabeculae run from the dome to the calcar, steeper than the neck.
    toward = 0.55 * axes.neck_axis + 0.835 * axes.shaft_axis
    toward = (toward / np.linalg.norm(toward)).astype(np.float32)
    along = np.asarray(-(x @ toward), np.float32)
    off2 = np.einsum("ij,ij->i", x, x) - along**2
    loaded = np.exp(-np.maximum(off2, 0.0) / np.float32((0.5 * radius) ** 2)) * (
        1.0 - _step(along, 0.9 * radius, 2.2 * radius)
    )
    foot = x - axes.shaft_points[0].astype(np.float32)
    medial_axis = axes.neck_axis - (axes.neck_axis @ axes.shaft_axis) * axes.shaft_axis
    medial = foot @ (medial_axis / np.linalg.norm(medial_axis)).astype(np.float32)
    calcar = _step(medial, 2.0, 16.0) * _step(below, 20.0, 34.0) * (1.0 - _step(below, 50.0, 78.0))
    base = tissue.trochanter_HU + (tissue.neck_HU - tissue.trochanter_HU) * (1.0 - _step(depth, radius, 2.4 * radius))
    value = base + (0.72 * tissue.head_HU - base) * head
    value = np.maximum(value, value + (tissue.head_HU - value) * loaded)
    value = np.maximum(value, value + (tissue.calcar_HU - value) * calcar * (1.0 - head))
    bone = np.maximum(value - tissue.marrow_HU, 0.0) * tissue.density * (1.0 - _step(below, 52.0, 105.0))
    # Below the condyles' flare the marrow gives way to trabecular bone again.
    knee = _step(below, 300.0, 380.0) * (0.8 * tissue.neck_HU) * tissue.density
    return np.asarray(tissue.marrow_HU + np.maximum(bone, knee), dtype=np.float32)


@lru_cache(maxsize=8)
def _tile(seed: int) -> Values:
    """A periodic cube of noise, mean 0, standard deviation 1, smooth over one step."""
    from scipy.ndimage import gaussian_filter

    white = np.random.default_rng([seed, 53]).standard_normal((_TILE,) * 3, dtype=np.float32)
    smooth = gaussian_filter(white, 1.0, mode="wrap")
    return np.asarray(smooth / smooth.std(), dtype=np.float32)


@lru_cache(maxsize=1)
def _look_up() -> Callable[..., None]:
    def run(out: Any, tile: Any, points: Any, step_mm: float) -> None:
        n = tile.shape[0]
        for p in range(out.shape[0]):
            x, y, z = points[p, 0] / step_mm, points[p, 1] / step_mm, points[p, 2] / step_mm
            i, j, k = int(np.floor(x)), int(np.floor(y)), int(np.floor(z))
            u, v, w = x - i, y - j, z - k
            i, j, k = i % n, j % n, k % n
            a, b, c = (i + 1) % n, (j + 1) % n, (k + 1) % n
            low = (tile[k, j, i] * (1 - u) + tile[k, j, a] * u) * (1 - v) + (
                tile[k, b, i] * (1 - u) + tile[k, b, a] * u
            ) * v
            high = (tile[c, j, i] * (1 - u) + tile[c, j, a] * u) * (1 - v) + (
                tile[c, b, i] * (1 - u) + tile[c, b, a] * u
            ) * v
            out[p] = low * (1 - w) + high * w

    return compiled(run)


def texture(points: Values, step_mm: float, seed: int) -> Values:
    """A random field at points (n, 3), mean 0, standard deviation near 1, smooth over `step_mm`; fixed in space.

    The same at a point whatever grid asks: it belongs to the patient, not to the scan.
    """
    out = np.empty(len(points), dtype=np.float32)
    _look_up()(out, _tile(seed), points, step_mm)
    return out


def _middle(patient: PhantomPatient) -> Floats:
    """Midway between the heads, (3,)."""
    return np.asarray(0.5 * (patient.hips[Side.LEFT].centre_lps_mm + patient.hips[Side.RIGHT].centre_lps_mm))


def table_top_mm(patient: PhantomPatient, body_mm: float) -> float:
    """Height (y, posterior) of the table the patient lies on."""
    return float(_middle(patient)[1] + _BACK_MM + 0.5 * body_mm)


def _inside_mm(patient: PhantomPatient, points: Values, body_mm: float) -> Values:
    """Roughly how far each point (n, 3) lies below the skin, mm; negative outside."""
    left, right = patient.hips[Side.LEFT], patient.hips[Side.RIGHT]
    middle = _middle(patient).astype(np.float32)
    x, y, z = (points[:, i] - middle[i] for i in range(3))
    fat = body_mm / 210.0
    deep = 0.5 * body_mm
    half = (150.0 + 26.0 * _step(-z, -110.0, 20.0)) * np.float32(fat**0.7) + 14.0
    reach = (np.abs(x / half) ** 2.6 + np.abs((y - _BACK_MM) / deep) ** 2.6) ** np.float32(1.0 / 2.6)
    trunk = (1.0 - reach) * deep
    trunk = np.where(_step(z, -125.0, -55.0) > 0.0, trunk - 60.0 * (1.0 - _step(z, -125.0, -55.0)), -60.0)
    best = trunk
    for hip in (left, right):
        a, b = (hip.to_lps(p) for p in hip.femur.axes.shaft_points)
        share = (points[:, 2] - a[2]) / np.float32(b[2] - a[2])
        outward = np.float32(np.sign(a[0] - middle[0]))
        at_x = points[:, 0] - np.float32(a[0]) - share * np.float32(b[0] - a[0]) + 10.0 * outward
        at_y = points[:, 1] - np.float32(a[1]) - share * np.float32(b[1] - a[1]) - 6.0
        width = (84.0 + 10.0 * _step(z, -190.0, -60.0)) * np.float32(fat**0.6)
        width = width - 26.0 * _step(-z, 260.0, 400.0)
        thigh = width - np.hypot(at_x, at_y / np.float32(0.92))
        thigh = thigh - 60.0 * _step(z, -20.0, 40.0)
        best = np.maximum(best, thigh)
    return np.asarray(best, dtype=np.float32)


def air_and_body(
    patient: PhantomPatient,
    points: Values,
    tissue: Tissue,
    body_mm: float,
    fat_field: Values,
    muscle_field: Values,
    *,
    table: bool,
) -> Values:
    """Everything that is no bone at points (n, 3): air, skin, fat, muscle, joint, table; fields (n,) of `texture`."""
    from scipy.special import ndtri

    below_skin = _inside_mm(patient, points, body_mm)
    fatty = _step(fat_field, float(ndtri(1.0 - tissue.fat_share)) - 0.25, float(ndtri(1.0 - tissue.fat_share)) + 0.25)
    soft = tissue.muscle_HU + tissue.muscle_sd_HU * muscle_field
    soft = soft + (tissue.fat_HU - soft) * fatty
    soft = soft + (tissue.fat_HU - soft) * (1.0 - _step(below_skin, _UNDER_SKIN_MM - 2.0, _UNDER_SKIN_MM + 2.0))
    soft = np.where(below_skin < _SKIN_MM, tissue.skin_HU, soft)
    for hip in patient.hips.values():
        if not hip.replaced:
            reach = np.linalg.norm(points - hip.centre_lps_mm.astype(np.float32), axis=1)
            joint = 1.0 - _step(reach, hip.socket_radius_mm + 0.5, hip.socket_radius_mm + 1.5)
            soft = soft + (tissue.cartilage_HU - soft) * joint
    out = np.where(below_skin < 0.0, _AIR_HU, soft)
    if table:
        under = points[:, 1] - np.float32(table_top_mm(patient, body_mm))
        out = np.where((below_skin < 0.0) & (under > 0.0) & (under < _TABLE_MM), TABLE_HU, out)
        inner = (under > 2.0) & (under < _TABLE_MM - 2.0)
        out = np.where((below_skin < 0.0) & inner, -880.0, out)  # a shell filled with foam
    return np.asarray(out, dtype=np.float32)

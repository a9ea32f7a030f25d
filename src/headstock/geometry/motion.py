"""Rigid motions: rotation matrices and how they move points.

In: angles in degrees, axes and points (..., 2 or 3). Out: matrices (..., D, D) that
act on column vectors, moved points. All leading axes broadcast.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from headstock.errors import FrameError

__all__ = ["apply", "rotation_2d", "rotation_about"]


def rotation_about(axis: ArrayLike, deg: ArrayLike) -> NDArray[np.float64]:
    """Right-handed rotation (..., 3, 3) about `axis` (..., 3), any length, by `deg` (...) (Rodrigues' formula).

    Raises
    ------
    FrameError
        The axis has no length.
    """
    u = np.asarray(axis, dtype=np.float64)
    length = np.linalg.norm(u, axis=-1, keepdims=True)
    if np.any(length == 0):
        raise FrameError("A rotation axis of length 0 has no direction. Give the axis two different points.")
    u = u / length
    a = np.radians(np.asarray(deg, dtype=np.float64))
    u, _ = np.broadcast_arrays(u, a[..., None])
    x, y, z = u[..., 0], u[..., 1], u[..., 2]
    zero = np.zeros_like(x)
    cross = np.stack([zero, -z, y, z, zero, -x, -y, x, zero], axis=-1).reshape(*x.shape, 3, 3)
    sine, versine = np.sin(a)[..., None, None], (1 - np.cos(a))[..., None, None]
    return np.asarray(np.eye(3) + sine * cross + versine * (cross @ cross))


def rotation_2d(deg: ArrayLike) -> NDArray[np.float64]:
    """Rotation (..., 2, 2) from the first axis toward the second by `deg` (...)."""
    a = np.radians(np.asarray(deg, dtype=np.float64))
    c, s = np.cos(a), np.sin(a)
    return np.stack([np.stack([c, -s], axis=-1), np.stack([s, c], axis=-1)], axis=-2)


def apply(
    points: ArrayLike, rotation: ArrayLike, *, about: ArrayLike | None = None, translation: ArrayLike | None = None
) -> NDArray[np.float64]:
    """Points (..., N, D) turned by `rotation` (..., D, D) about `about` (..., D; default origin), then shifted.

    `translation` (..., D).
    """
    p = np.asarray(points, dtype=np.float64)
    r = np.asarray(rotation, dtype=np.float64)
    pivot = np.zeros(p.shape[-1]) if about is None else np.asarray(about, dtype=np.float64)
    moved = (p - pivot[..., None, :]) @ np.swapaxes(r, -1, -2) + pivot[..., None, :]
    if translation is not None:
        moved = moved + np.asarray(translation, dtype=np.float64)[..., None, :]
    return np.asarray(moved)

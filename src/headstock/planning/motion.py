"""Motion of the hip before the neck meets the cup's rim, in closed form.

The neck is free while the angle between its direction n and the cup's opening
axis c is at most half the oscillation angle. Turning n about a unit axis k,
c·n' = A cos φ + B sin φ + C with A = c·n - (c·k)(n·k), B = c·(k×n),
C = (c·k)(n·k), so contact comes at φ = atan2(B, A) + acos((cos(θ/2) - C)/√(A²+B²)).
Angles in degrees; every input broadcasts. Frame of one hip: x lateral, y anterior, z up.
Source: the cone condition of Yoshimine & Ginbayashi, J Biomech 2002;35:989 (its
inputs), re-derived; bone against bone and soft tissue are not in it.
"""

import re
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from headstock.errors import LimitError, TooFewError

__all__ = [
    "ISO_21535_MOTION",
    "MOVES",
    "StandardMotion",
    "contact_free_deg",
    "iso_21535_minimum_deg",
    "motion_limit_deg",
    "motion_values",
    "neck_direction",
    "oscillation_deg",
]

Floats = NDArray[np.float64]
MOVES: Final = ("flexion", "extension", "abduction", "adduction", "internal", "external")
_AXES: Final[dict[str, tuple[float, float, float]]] = {
    "flexion": (1.0, 0.0, 0.0),
    "extension": (-1.0, 0.0, 0.0),
    "abduction": (0.0, -1.0, 0.0),
    "adduction": (0.0, 1.0, 0.0),
    "internal": (0.0, 0.0, 1.0),
    "external": (0.0, 0.0, -1.0),
}
_IN_FLEXION: Final = re.compile(r"(internal|external)_at_(\d+(?:\.\d+)?)_flexion")


@dataclass(frozen=True, slots=True)
class StandardMotion:
    """A movement a standard asks of the components: least angle, its source, and how sure the source is."""

    movement: str
    minimum_deg: float
    source: str
    status: str


_ISO_SOURCE: Final = "ISO 21535:2007 (edition withdrawn; ISO 21535:2023 is current, its angles not seen)"
ISO_21535_MOTION: Final = (
    StandardMotion("flexion-extension", 100.0, _ISO_SOURCE, "from memory"),
    StandardMotion("abduction-adduction", 60.0, _ISO_SOURCE, "from memory"),
    StandardMotion("internal-external rotation", 90.0, _ISO_SOURCE, "from memory"),
)


def iso_21535_minimum_deg(movement: str) -> float:
    """Least motion between components that ISO 21535 asks for (from memory; see `ISO_21535_MOTION`).

    Raises
    ------
    LimitError
        The standard names no such movement.
    """
    wanted = movement.strip().lower().replace("–", "-").replace("_", "-")
    aliases = {"rotation": "internal-external rotation", "internal-external": "internal-external rotation"}
    wanted = aliases.get(wanted, wanted.replace("internal-external-rotation", "internal-external rotation"))
    for row in ISO_21535_MOTION:
        if row.movement == wanted:
            return row.minimum_deg
    raise LimitError(
        f"ISO 21535 names no movement “{movement}”. It has {', '.join(r.movement for r in ISO_21535_MOTION)}."
    )


def oscillation_deg(head_neck_ratio: ArrayLike, cup_arc_deg: ArrayLike = 180.0) -> Floats:
    """Full swing of a cylindrical neck in a cup: θ = 2 (180 - arc/2 - asin(1/HNR)).

    0 where the neck fills the mouth.

    Raises
    ------
    TooFewError
        A head smaller than its neck (ratio under 1).
    """
    ratio, arc = np.asarray(head_neck_ratio, np.float64), np.asarray(cup_arc_deg, np.float64)
    if np.any(ratio < 1.0):
        raise TooFewError(
            f"A head-neck ratio of {float(np.min(ratio)):.2f} is a neck thicker than its head: no motion follows. "
            "Check both diameters."
        )
    return np.asarray(np.clip(2.0 * (180.0 - arc / 2.0 - np.degrees(np.arcsin(1.0 / ratio))), 0.0, 360.0))


def neck_direction(neck_shaft_deg: ArrayLike, version_deg: ArrayLike) -> Floats:
    """Unit vector from the head's centre along the neck to its base, (..., 3); anteversion positive."""
    a = np.radians(np.asarray(neck_shaft_deg, np.float64) - 90.0)
    v = np.radians(np.asarray(version_deg, np.float64))
    a, v = np.broadcast_arrays(a, v)
    return np.stack([np.cos(a) * np.cos(v), -np.cos(a) * np.sin(v), -np.sin(a)], axis=-1)


def contact_free_deg(cup_axis: ArrayLike, neck: ArrayLike, turn_axis: ArrayLike, oscillation: ArrayLike) -> Floats:
    """How far the neck may turn about `turn_axis` before it meets the rim; vectors (..., 3), frame of one hip.

    0 where it touches at rest, 180 where it never does.
    """
    c, n, k = (np.asarray(v, np.float64) for v in (cup_axis, neck, turn_axis))
    ck, nk = np.sum(c * k, axis=-1), np.sum(n * k, axis=-1)
    a = np.sum(c * n, axis=-1) - ck * nk
    b = np.sum(c * np.cross(k, n), axis=-1)
    size = np.maximum(np.hypot(a, b), 1e-12)
    edge = np.cos(np.radians(np.asarray(oscillation, np.float64) / 2.0))
    cosine = (edge - ck * nk) / size
    limit = np.degrees(np.arctan2(b, a) + np.arccos(np.clip(cosine, -1.0, 1.0)))
    at_rest = np.sum(c * n, axis=-1) < edge
    return np.asarray(np.where(at_rest, 0.0, np.where(cosine <= -1.0, 180.0, np.maximum(limit, 0.0))))


def motion_limit_deg(
    inclination_deg: ArrayLike,
    version_deg: ArrayLike,
    neck_shaft_deg: ArrayLike,
    stem_version_deg: ArrayLike,
    oscillation: ArrayLike,
    move: str,
) -> Floats:
    """How far one movement goes before the neck meets the rim.

    `move`: one of `MOVES`, or `internal_at_90_flexion` (any flexion, internal or
    external: the femur turned about its own long axis, then flexed).

    Raises
    ------
    LimitError
        The movement is unknown.
    """
    ri, ra = np.radians(np.asarray(inclination_deg, np.float64)), np.radians(np.asarray(version_deg, np.float64))
    ri, ra = np.broadcast_arrays(ri, ra)
    cup = np.stack([np.sin(ri) * np.cos(ra), np.sin(ra), -np.cos(ri) * np.cos(ra)], axis=-1)
    neck = neck_direction(neck_shaft_deg, stem_version_deg)
    combined = _IN_FLEXION.fullmatch(move)
    if combined is not None:
        # Flexing the femur by f is the same as extending the cup by f under a standing femur.
        f = np.radians(float(combined[2]))
        x, y, z = np.moveaxis(cup, -1, 0)
        cup = np.stack([x, y * np.cos(f) + z * np.sin(f), z * np.cos(f) - y * np.sin(f)], axis=-1)
        return contact_free_deg(cup, neck, _AXES[combined[1]], oscillation)
    if move not in _AXES:
        raise LimitError(
            f"“{move}” is no movement known here. Use {', '.join(MOVES)}, or internal_at_90_flexion (any flexion)."
        )
    return contact_free_deg(cup, neck, _AXES[move], oscillation)


def motion_values(
    head_neck_ratio: ArrayLike,
    cup_arc_deg: float,
    inclination_deg: float,
    version_deg: float,
    neck_shaft_deg: ArrayLike,
    stem_version_deg: ArrayLike,
) -> dict[str, Floats]:
    """Swing, every movement and the three arcs by the names of their lines, deg.

    A neck as wide as its head leaves no swing: 0, not a refusal, so that draws at the edge stay usable.
    """
    swing = oscillation_deg(np.maximum(np.asarray(head_neck_ratio, np.float64), 1.0), cup_arc_deg)
    found = {"oscillation_deg": swing}
    for move in (*MOVES, "internal_at_90_flexion"):
        limit = motion_limit_deg(inclination_deg, version_deg, neck_shaft_deg, stem_version_deg, swing, move)
        found[f"{move}_deg"] = np.minimum(limit, 180.0)
    found["flexion_extension_arc_deg"] = found["flexion_deg"] + found["extension_deg"]
    found["abduction_adduction_arc_deg"] = found["abduction_deg"] + found["adduction_deg"]
    found["rotation_arc_deg"] = found["internal_deg"] + found["external_deg"]
    return found

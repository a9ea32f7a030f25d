"""Frames, sides and the matrices between them. docs/frames.md is the definition.

Image points: (column, row), zero-based, centre of pixel.
Film frame (per side), mm at the hip: origin the head centre, **x medial**
along the film's rows, **z proximal** against its columns. A lateral film has
**u proximal** along its neck and **y anterior**; see docs/frames.md.
Hip frame (per side), mm: origin head centre, x medial, y anterior, z proximal,
right-handed on a left hip; a right hip is mirrored into it.
Patient frame: LPS, mm (DICOM PS3.3 C.7.6.2.1.1).
"""

from enum import StrEnum
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["LPS_TO_HIP", "Side", "columns_point_left", "film_to_image", "image_to_film", "medial_column_sign"]


class Side(StrEnum):
    """A hip's side, always spelt out."""

    LEFT = "left"
    RIGHT = "right"

    @property
    def other(self) -> "Side":
        """The other hip."""
        return Side.RIGHT if self is Side.LEFT else Side.LEFT

    @property
    def word(self) -> str:
        """Left or Right, as screens and sheets print it."""
        return self.value.capitalize()


# Rows: hip x (medial), y (anterior), z (proximal) in LPS components, hip not yet turned to its axes.
LPS_TO_HIP: Final[dict[Side, NDArray[np.float64]]] = {
    Side.LEFT: np.array([[-1.0, 0.0, 0.0], [0.0, -1.0, 0.0], [0.0, 0.0, 1.0]]),
    Side.RIGHT: np.array([[1.0, 0.0, 0.0], [0.0, -1.0, 0.0], [0.0, 0.0, 1.0]]),
}


def columns_point_left(patient_orientation: tuple[str, ...]) -> bool | None:
    """True when columns increase toward the patient's left (the usual film).

    Source: Patient Orientation (0020,0020), DICOM PS3.3 C.7.6.1.1.1. None when
    the header does not say; the reader must then confirm the side letter.
    """
    if not patient_orientation or not patient_orientation[0]:
        return None
    first = patient_orientation[0][0].upper()
    return {"L": True, "R": False}.get(first)


def medial_column_sign(side: Side, columns_to_left: bool) -> int:
    """+1 when larger columns are more medial for this hip, else -1."""
    return 1 if (side is Side.RIGHT) == columns_to_left else -1


def image_to_film(
    points_px: ArrayLike, origin_px: ArrayLike, mm_per_px: ArrayLike, side: Side, columns_to_left: bool = True
) -> NDArray[np.float64]:
    """(column, row) of an AP film to (x medial, z proximal) mm about `origin_px`.

    `points_px` (..., 2); `mm_per_px` broadcasts over the leading axes.
    """
    shift = np.asarray(points_px, dtype=np.float64) - np.asarray(origin_px, dtype=np.float64)
    sign = np.array([medial_column_sign(side, columns_to_left), -1.0])
    return np.asarray(shift * sign * np.asarray(mm_per_px, dtype=np.float64)[..., None])


def film_to_image(
    points_mm: ArrayLike, origin_px: ArrayLike, mm_per_px: ArrayLike, side: Side, columns_to_left: bool = True
) -> NDArray[np.float64]:
    """The inverse of `image_to_film`."""
    sign = np.array([medial_column_sign(side, columns_to_left), -1.0])
    scaled = np.asarray(points_mm, dtype=np.float64) / np.asarray(mm_per_px, dtype=np.float64)[..., None]
    return np.asarray(scaled * sign + np.asarray(origin_px, dtype=np.float64))

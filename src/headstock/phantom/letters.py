"""Lead side letters on a film, drawn with strokes so that no font is needed."""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from headstock.frames import Side
from headstock.phantom.beam import Beam
from headstock.phantom.patient import PhantomPatient
from headstock.phantom.spec import FilmSpec

__all__ = ["stamp"]

_HEIGHT_MM: Final = 11.0  # at the detector


def _letter(side: Side, height_px: int) -> NDArray[np.bool_]:
    """The letter R or L, (height, width), True on the strokes."""
    from PIL import Image, ImageDraw

    scale = 4
    h = height_px * scale
    w, t = int(0.72 * h), int(0.17 * h)
    image = Image.new("L", (w, h), 0)
    draw = ImageDraw.Draw(image)
    draw.rectangle((0, 0, t, h), fill=255)
    if side is Side.LEFT:
        draw.rectangle((0, h - t, int(0.62 * h), h), fill=255)
    else:
        draw.rounded_rectangle((0, 0, int(0.66 * h), int(0.56 * h)), radius=int(0.24 * h), fill=255)
        draw.rectangle((0, 0, int(0.3 * h), int(0.56 * h)), fill=255)
        draw.rounded_rectangle((t, t, int(0.66 * h) - t, int(0.56 * h) - t), radius=int(0.12 * h), fill=0)
        draw.rectangle((t, t, int(0.3 * h), int(0.56 * h) - t), fill=0)
        draw.polygon(
            [(int(0.26 * h), int(0.5 * h)), (int(0.46 * h), int(0.5 * h)), (int(0.68 * h), h), (int(0.48 * h), h)],
            fill=255,
        )
    small = image.resize((max(w // scale, 1), height_px), Image.Resampling.BOX)
    return np.asarray(small) > 127


def stamp(pixels: NDArray[np.float64], patient: PhantomPatient, spec: FilmSpec, beam: Beam, value: float) -> None:
    """Write the letters into `pixels` (rows, columns), in place.

    A pelvis film carries both letters unless `spec.letter_side` names one; a film of one
    hip carries that hip's. The letter named by `letter_side` stands where that side's would, so that
    a wrong letter is as plausible as it is in a real department.
    """
    height = max(round(_HEIGHT_MM / beam.pixel_mm), 7)
    rows, columns = pixels.shape
    if spec.view == "ap_pelvis":
        sides = tuple(Side) if spec.letter_side is None else (spec.letter_side,)
        places = {Side.RIGHT: 0.085, Side.LEFT: 0.915}
        spots = [(side, places[side], 0.16) for side in sides]
    else:
        side = spec.letter_side or patient.spec.side
        spots = [(side, 0.85, 0.12) if spec.view == "lateral_hip" else (side, 0.14, 0.10)]
    for side, across, down in spots:
        mask = _letter(side, min(height, rows // 3))
        top, left = int(down * rows - mask.shape[0] / 2), int(across * columns - mask.shape[1] / 2)
        top, left = max(top, 0), max(left, 0)
        mask = mask[: rows - top, : columns - left]
        area = pixels[top : top + mask.shape[0], left : left + mask.shape[1]]
        area[mask] = value

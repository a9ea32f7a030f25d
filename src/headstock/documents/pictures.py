"""Pictures for paper: shapes to SVG by the drawing rules, and films to PNG.

Drawing rules: sound bone flat, cortex darker rim, dead bone broken strokes on
paper, removed bone a thin dashed outline, component flat steel, seat heavy
where it stands on sound bone and broken dark red where not, cut violet.
"""

import base64
import io
from collections.abc import Iterable, Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from headstock.documents.content import SheetFilm, SheetShape

__all__ = ["film_png", "film_svg", "neck_svg"]

# One source with the screens: web/src/tokens.css carries the same colours.
_INK: Final = "#15201f"
_MARK: Final = "#57308f"
_OUTSIDE: Final = "#8a0f2a"
_PAPER_STYLES: Final[dict[str, str]] = {
    "bone": 'fill="#efe5cd" stroke="#6d5a33" stroke-width="0.5"',
    # The outer line again: a rim inside the bone, as wide as half this stroke because the bone clips it.
    "cortex": 'fill="none" stroke="#cdb98a" stroke-width="4" clip-path="url(#bone)"',
    "dead": 'fill="url(#dead)" stroke="#6d5a33" stroke-width="0.35"',
    "uncertain": 'fill="url(#dots)" stroke="none"',
    "removed": 'fill="none" stroke="#9aa5a2" stroke-width="0.4" stroke-dasharray="1.6 1.2"',
    "component": 'fill="#b4c0c5" stroke="#26343a" stroke-width="0.5"',
    "cup": 'fill="#d5dcdf" stroke="#26343a" stroke-width="0.5"',
    "seat_sound": f'fill="none" stroke="{_INK}" stroke-width="1.3"',
    "seat_unsound": f'fill="none" stroke="{_OUTSIDE}" stroke-width="1.3" stroke-dasharray="1.4 1"',
    "cut": f'fill="none" stroke="{_MARK}" stroke-width="0.8"',
    "pelvis": 'fill="none" stroke="#5f6b68" stroke-width="0.4" stroke-dasharray="0.4 1"',
    "axis": f'fill="none" stroke="{_INK}" stroke-width="0.3" stroke-dasharray="3 1 0.6 1"',
    "wall": f'fill="none" stroke="{_INK}" stroke-width="0.6"',
}
# On a film, lines are light with a dark casing; bone itself is the picture and is not drawn.
_FILM_STYLES: Final[dict[str, str]] = {
    "component": 'fill="#93a4ac" fill-opacity="0.55" stroke="#e9eeec" stroke-width="{w}"',
    "cup": 'fill="#93a4ac" fill-opacity="0.4" stroke="#e9eeec" stroke-width="{w}"',
    "cut": 'fill="none" stroke="#c9a9ff" stroke-width="{w2}"',
    "axis": 'fill="none" stroke="#e9eeec" stroke-width="{w}" stroke-dasharray="{d}"',
    "seat_sound": 'fill="none" stroke="#ffffff" stroke-width="{w2}"',
    "seat_unsound": 'fill="none" stroke="#ff7d6e" stroke-width="{w2}" stroke-dasharray="{d}"',
    "dead": 'fill="none" stroke="#e9eeec" stroke-width="{w}" stroke-dasharray="{d}"',
    "wall": 'fill="none" stroke="#ffffff" stroke-width="{w2}"',
}


def _path(points: Sequence[tuple[float, float]], closed: bool) -> str:
    steps = " L".join(f"{x:.3f},{y:.3f}" for x, y in points)
    return f"M{steps}{' Z' if closed else ''}"


def neck_svg(shapes: Iterable[SheetShape], box_mm: tuple[float, float, float, float]) -> str:
    """Shapes of the neck frame (x across, y depth down, mm) in a box (x0, y0, x1, y1), mm, as an SVG without text."""
    x0, y0, x1, y1 = box_mm
    shapes = tuple(shapes)
    bone = "".join(f'<path d="{_path(s.points, True)}"/>' for s in shapes if s.role == "bone" and len(s.points) > 1)
    body = "".join(
        f'<path d="{_path(s.points, s.closed)}" {_PAPER_STYLES[s.role]} stroke-linejoin="round"/>'
        for s in shapes
        if s.role in _PAPER_STYLES and len(s.points) > 1
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{x0} {y0} {x1 - x0} {y1 - y0}" '
        f'width="{x1 - x0}mm" height="{y1 - y0}mm">'
        '<defs><pattern id="dead" width="3" height="1.6" patternUnits="userSpaceOnUse">'
        '<rect width="3" height="1.6" fill="#fbfcfb"/>'
        '<path d="M0.2 0.8H2" stroke="#6d5a33" stroke-width="0.3"/></pattern>'
        '<pattern id="dots" width="1" height="1" patternUnits="userSpaceOnUse">'
        '<circle cx="0.5" cy="0.5" r="0.18" fill="#6d5a33"/></pattern>'
        f'<clipPath id="bone">{bone}</clipPath>'
        f'<clipPath id="box"><rect x="{x0}" y="{y0}" width="{x1 - x0}" height="{y1 - y0}"/></clipPath></defs>'
        f'<g clip-path="url(#box)">{body}</g></svg>'
    )


def film_svg(film: SheetFilm) -> str:
    """A cropped film with its shapes over it, as one SVG without text."""
    unit = film.width_px / 250.0
    words = {"w": f"{unit:.2f}", "w2": f"{unit * 1.8:.2f}", "d": f"{unit * 4:.2f} {unit * 3:.2f}"}
    casing = "".join(
        f'<path d="{_path(s.points, s.closed)}" fill="none" stroke="#0b0e0f" stroke-opacity="0.7" '
        f'stroke-width="{unit * 3.2:.2f}"/>'
        for s in film.shapes
        if s.role in _FILM_STYLES and s.role != "axis" and len(s.points) > 1
    )
    lines = "".join(
        f'<path d="{_path(s.points, s.closed)}" {_FILM_STYLES[s.role].format(**words)} stroke-linejoin="round"/>'
        for s in film.shapes
        if s.role in _FILM_STYLES and len(s.points) > 1
    )
    picture = base64.b64encode(film.png).decode("ascii")
    w, h = film.width_px, film.height_px
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {w} {h}" width="{w}" height="{h}">'
        f'<clipPath id="box"><rect width="{w}" height="{h}"/></clipPath>'
        f'<image width="{w}" height="{h}" preserveAspectRatio="none" href="data:image/png;base64,{picture}"/>'
        f'<g clip-path="url(#box)">{casing}{lines}</g></svg>'
    )


def film_png(grey: NDArray[np.floating], widest_px: int = 900) -> bytes:
    """A grey picture (rows, cols), 0 black to 1 white, as PNG no wider or higher than `widest_px`."""
    from PIL import Image

    picture = Image.fromarray((np.clip(grey, 0.0, 1.0) * 255.0 + 0.5).astype(np.uint8))
    picture.thumbnail((widest_px, widest_px), Image.Resampling.LANCZOS)
    out = io.BytesIO()
    picture.save(out, "PNG", compress_level=4)
    return out.getvalue()

"""The theatre sheet as PDF/A-2b, set by typst from `sheet.typ`.

In: `SheetContent`. Out: PDF bytes; the same content and time give the same
bytes. Letters come from the packaged fonts only: typst falls back in silence
when a font is missing, so any warning refuses the sheet.
"""

import json
import warnings
from collections.abc import Sequence
from datetime import UTC
from enum import StrEnum
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

from headstock.documents.content import LegRow, SheetContent, SheetFilm, SheetNumber, SheetShape
from headstock.documents.numbers import interval_words, unit_words, value_words
from headstock.documents.pictures import film_svg, neck_svg
from headstock.errors import HeadstockError

__all__ = ["Paper", "theatre_sheet"]

_NECK_BOX_MM = (-36.0, -6.0, 36.0, 84.0)


class Paper(StrEnum):
    """The paper's size."""

    A4 = "a4"
    LETTER = "us-letter"


def _number(line: SheetNumber) -> dict[str, Any]:
    return {
        "label": line.label,
        "value": line.words or value_words(line.number, line.decimals, signed=line.signed),
        "unit": unit_words(line.number) if line.number.known and not line.words else "",
        "interval": interval_words(line.number, line.decimals),
        "known": line.number.known,
        "state": line.state,
        "limit": line.limit_words,
    }


def _leg(row: LegRow) -> dict[str, Any]:
    return {
        "label": row.label,
        "target": row.target_words,
        "state": row.state,
        "cells": [
            _number(SheetNumber(name, number, signed=True))
            for name, number in (("now", row.now), ("change", row.change), ("result", row.result))
        ],
    }


def _film(film: SheetFilm | None) -> dict[str, Any] | None:
    if film is None:
        return None
    return {
        "svg": film_svg(film),
        "caption": film.caption,
        "ratio": film.height_px / film.width_px,
        "bar": None if film.mm_per_px is None else 50.0 / film.mm_per_px / film.width_px,
    }


def _cut_words(headline: Sequence[SheetNumber]) -> str:
    """What stands at the cut line: its depth as the headline prints it."""
    for line in headline:
        if line.label.startswith("cut") and line.number.known:
            return f"cut {value_words(line.number, line.decimals)} {unit_words(line.number)}"
    return "cut"


def _cut_depth(shapes: Sequence[SheetShape]) -> float | None:
    for shape in shapes:
        if shape.role == "cut" and shape.points:
            return sum(y for _, y in shape.points) / len(shape.points)
    return None


def _fields(content: SheetContent) -> dict[str, Any]:
    x0, y0, x1, y1 = _NECK_BOX_MM
    signature = content.signature
    return {
        "side": f"{content.side.word} hip",
        "other_side": content.side.other.word,
        "name": content.patient_name,
        "number": content.patient_number,
        "born": None if content.born is None else _day(content.born),
        "operation": None if content.operation_date is None else _day(content.operation_date),
        "level": content.level_words,
        "component": content.component_words,
        "cut_words": _cut_words(content.headline),
        "headline": [_number(n) for n in content.headline],
        "neck": {
            "svg": neck_svg(content.neck_shapes, _NECK_BOX_MM),
            "caption": content.neck_caption,
            "box": [x0, y0, x1, y1],
            "cut": _cut_depth(content.neck_shapes),
        },
        "film": _film(content.film),
        "lateral": _film(content.lateral),
        "parts": [[p.part, p.smaller, p.planned, p.larger] for p in content.parts],
        "pairing": content.pairing,
        "cutting": [_number(n) for n in content.cutting],
        "wire": [_number(n) for n in content.wire],
        "cup": [_number(n) for n in content.cup],
        "leg": [_leg(row) for row in content.leg],
        "bone": [_number(n) for n in content.bone],
        "fall_back": content.fall_back,
        "overruled": [list(pair) for pair in content.overruled],
        "scale": content.scale,
        "cautions": list(content.cautions),
        "notes": list(content.notes),
        "stops": [{"title": s.title, "lines": list(s.lines)} for s in content.stops],
        "version": content.version,
        "printed": f"{_day(content.printed_at)}, {content.printed_at:%H:%M}",
        "product": content.product,
        "superseded": content.superseded,
        "signed": None
        if signature is None
        else {
            "by": signature.signer,
            "at": f"{_day(signature.signed_at)}, {signature.signed_at:%H:%M}",
            "hash": " ".join(signature.digest[i : i + 4] for i in range(0, 16, 4)),
        },
    }


def _day(day: Any) -> str:
    return f"{day.day} {day:%b %Y}"


@cache
def _fonts() -> Any:
    import typst

    return typst.Fonts(
        include_system_fonts=False,
        include_embedded_fonts=False,
        font_paths=[Path(str(files("headstock.documents") / "fonts"))],
    )


def theatre_sheet(content: SheetContent, paper: Paper = Paper.A4) -> bytes:
    """The sheet as PDF bytes: one page to work from, one of pictures and cautions.

    Unsigned content carries DRAFT across every page, that of an older version SUPERSEDED.

    Raises
    ------
    HeadstockError
        The sheet could not be set as it should look (a font is missing, a
        picture cannot be read); nothing is printed half right.
    """
    import typst

    template = (files("headstock.documents") / "sheet.typ").read_bytes()
    with warnings.catch_warnings():
        warnings.simplefilter("error", typst.TypstWarning)
        try:
            pdf, notes = typst.compile_with_warnings(
                template,
                font_paths=_fonts(),
                ignore_system_fonts=True,
                sys_inputs={"content": json.dumps(_fields(content)), "paper": paper.value},
                format="pdf",
                pdf_standards="a-2b",
                timestamp=content.printed_at.astimezone(UTC).replace(microsecond=0),  # typst takes whole seconds
            )
        except (typst.TypstError, typst.TypstWarning) as failed:
            raise HeadstockError(
                f"The sheet could not be set: {failed}. Nothing was printed. Report this with the version of headstock."
            ) from failed
    if notes:
        said = "; ".join(str(note) for note in notes)
        raise HeadstockError(
            f"The sheet would not look as it should: {said}. Nothing was printed; reinstall headstock."
        )
    assert isinstance(pdf, bytes)
    return pdf

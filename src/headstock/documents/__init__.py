"""Papers: the theatre sheet, and the pictures on it."""

from headstock.documents.content import (
    LegRow,
    PartRow,
    SheetContent,
    SheetFilm,
    SheetNumber,
    SheetShape,
    Signature,
    Stop,
)
from headstock.documents.numbers import interval_words, value_words
from headstock.documents.pictures import film_png
from headstock.documents.sheet import Paper, theatre_sheet

__all__ = [
    "LegRow",
    "Paper",
    "PartRow",
    "SheetContent",
    "SheetFilm",
    "SheetNumber",
    "SheetShape",
    "Signature",
    "Stop",
    "film_png",
    "interval_words",
    "theatre_sheet",
    "value_words",
]

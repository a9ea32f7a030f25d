"""What stands on a theatre sheet, as values; how it looks is `sheet.typ`.

A sheet is one page to work from and one page of pictures and cautions. Every
number is a `Measured`: one without interval and without a reason cannot be
built, so it cannot be printed.
"""

from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Literal

from headstock.errors import GuardError
from headstock.frames import Side
from headstock.measured import Measured

__all__ = ["LegRow", "PartRow", "SheetContent", "SheetFilm", "SheetNumber", "SheetShape", "Signature", "Stop"]

State = Literal["within", "near", "outside", "not_known"]


@dataclass(frozen=True, slots=True)
class SheetNumber:
    """A labelled number, and its limit's state where it has one."""

    label: str
    number: Measured
    decimals: int = 1
    signed: bool = False
    state: State | None = None
    limit_words: str = ""
    words: str = ""  # printed instead of the value: "closed", "opened"

    def __post_init__(self) -> None:
        number = self.number
        if number.kind == "measured" and (number.low is None or number.high is None):
            raise GuardError(f"“{self.label}” has no interval and cannot be printed.", "number shown without interval")


@dataclass(frozen=True, slots=True)
class PartRow:
    """A part with its neighbours each way; "none" where the family ends."""

    part: str
    smaller: str
    planned: str
    larger: str


@dataclass(frozen=True, slots=True)
class LegRow:
    """Leg length or offset: now, planned change, and what remains between the sides (operated minus other)."""

    label: str
    now: Measured
    change: Measured
    result: Measured
    target_words: str
    state: State | None = None


@dataclass(frozen=True, slots=True)
class SheetShape:
    """A drawn shape; `role` picks the drawing rule (docs/frames.md, drawing roles)."""

    role: str
    points: tuple[tuple[float, float], ...]
    closed: bool = False
    label: str = ""


@dataclass(frozen=True, slots=True)
class SheetFilm:
    """A film, cropped: PNG bytes, its size in film pixels, shapes in pixels of the crop."""

    png: bytes
    width_px: float
    height_px: float
    caption: str
    shapes: tuple[SheetShape, ...] = ()
    mm_per_px: float | None = None


@dataclass(frozen=True, slots=True)
class Stop:
    """One stop of the surgical checklist with its lines to tick."""

    title: str
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Signature:
    """Who signed which version when; `digest` is the hash of the signed plan."""

    signer: str
    signed_at: datetime
    digest: str


@dataclass(frozen=True, slots=True)
class SheetContent:
    """Everything on the sheet.

    `signature` None prints DRAFT across every page; `superseded`, that a later
    version of the plan was signed, prints SUPERSEDED.
    """

    side: Side
    patient_name: str
    patient_number: str
    born: date | None
    operation_date: date | None
    level_words: str
    component_words: str
    headline: tuple[SheetNumber, ...]
    neck_shapes: tuple[SheetShape, ...]
    neck_caption: str
    film: SheetFilm
    lateral: SheetFilm | None
    parts: tuple[PartRow, ...]
    pairing: str
    cutting: tuple[SheetNumber, ...]
    wire: tuple[SheetNumber, ...]
    cup: tuple[SheetNumber, ...]
    leg: tuple[LegRow, ...]
    bone: tuple[SheetNumber, ...]
    fall_back: str
    overruled: tuple[tuple[str, str], ...]
    scale: str
    cautions: tuple[str, ...]
    stops: tuple[Stop, ...]
    version: int
    printed_at: datetime
    product: str
    signature: Signature | None = None
    notes: tuple[str, ...] = field(default_factory=tuple)
    superseded: bool = False

    def __post_init__(self) -> None:
        if not self.patient_name.strip() or not self.patient_number.strip():
            raise GuardError(
                "A theatre sheet carries two identifiers, and one of them is empty. "
                "Give the patient's name and number.",
                "wrong patient",
            )

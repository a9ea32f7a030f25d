"""The patient and hip record that decisions need, and the cautions that follow from it.

In: facts, each with date and source; nothing is compulsory. Out: cautions in words, each
with its source and the cut levels it speaks of. They are never counted, weighed or summed.
Rules: data/cautions.toml.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from datetime import date
from math import isfinite
from types import MappingProxyType
from typing import Any, Final, Literal, get_args

from headstock.anatomy.bands import table_file
from headstock.anatomy.head_surface import ShownFigure, sari_shown
from headstock.errors import FrameError, TooFewError
from headstock.measured import Measured, missing

__all__ = ["LEVELS", "Caution", "Fact", "HipFacts", "cautions", "risk_index_shown"]

LEVELS: Final = ("head_surface", "mid_head", "high_neck", "low_neck")
_NUMBERS: Final[Mapping[str, tuple[float, float]]] = MappingProxyType(
    {
        # Not limits of care: values outside cannot be true and are mistyped.
        "weight_kg": (20.0, 350.0),
        "height_cm": (80.0, 250.0),
        "age_years": (5.0, 120.0),
        "activity_ucla": (1.0, 10.0),
        "t_score": (-10.0, 10.0),
        "cyst_cm": (0.0, 6.0),
        "head_diameter_mm": (20.0, 80.0),
        "limb_difference_cm": (0.0, 15.0),
    }
)
_CLAIMS: Final = (
    "previous_surgery",
    "renal_disease",
    "metal_allergy",
    "pregnancy_wish",
    "immune_suppression",
    "infection",
    "severe_dysplasia",
    "consent",
)
_TEXTS: Final = ("cause", "sex")
Rule = Literal["is_true", "above", "below", "says"]


@dataclass(frozen=True, slots=True)
class Fact:
    """One fact with its date and where it comes from (who said it, which test)."""

    value: bool | float | str
    date: date
    source: str

    def __post_init__(self) -> None:
        if not self.source.strip():
            raise TooFewError("A fact without a source cannot be weighed later. Say who said it, or which test it is.")

    def to_json(self) -> dict[str, Any]:
        """Plain fields."""
        return {"value": self.value, "date": self.date.isoformat(), "source": self.source}

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> "Fact":
        """A fact from its plain fields.

        Raises
        ------
        FrameError
            A field is missing or the date is not YYYY-MM-DD.
        """
        try:
            return cls(data["value"], date.fromisoformat(data["date"]), str(data["source"]))
        except (KeyError, TypeError, ValueError) as error:
            raise FrameError(
                f"A fact has value, date (YYYY-MM-DD) and source; this one cannot be read ({error})."
            ) from None


@dataclass(frozen=True, slots=True)
class HipFacts:
    """What is known of a patient and hip beside the images; every entry may be absent.

    Claims (yes/no): previous_surgery, renal_disease, metal_allergy, pregnancy_wish,
    immune_suppression, infection, severe_dysplasia, consent. Numbers carry their unit
    in the name; t_score is the bone density's. sex: M, F or X. `scores`: name of a
    pre-operative score → its number; no item wording is kept.
    """

    weight_kg: Fact | None = None
    height_cm: Fact | None = None
    sex: Fact | None = None
    age_years: Fact | None = None
    cause: Fact | None = None
    previous_surgery: Fact | None = None
    activity_ucla: Fact | None = None
    renal_disease: Fact | None = None
    metal_allergy: Fact | None = None
    pregnancy_wish: Fact | None = None
    immune_suppression: Fact | None = None
    infection: Fact | None = None
    t_score: Fact | None = None
    cyst_cm: Fact | None = None
    head_diameter_mm: Fact | None = None
    severe_dysplasia: Fact | None = None
    limb_difference_cm: Fact | None = None
    consent: Fact | None = None
    scores: Mapping[str, Fact] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for name, (low, high) in _NUMBERS.items():
            found: Fact | None = getattr(self, name)
            if found is None:
                continue
            value = found.value
            if isinstance(value, (bool, str)) or not isfinite(value) or not low <= value <= high:
                raise FrameError(
                    f"{name} is {value!r}; only {low:g} to {high:g} can be true. Check the number and its unit."
                )
        for name in _CLAIMS:
            found = getattr(self, name)
            if found is not None and not isinstance(found.value, bool):
                raise FrameError(f"{name} is {found.value!r}; it is yes or no.")
        for name in _TEXTS:
            found = getattr(self, name)
            if found is not None and not isinstance(found.value, str):
                raise FrameError(f"{name} is {found.value!r}; it is a word.")
        if self.sex is not None and self.sex.value not in ("M", "F", "X"):
            raise FrameError(f"sex is {self.sex.value!r}; it is M, F or X.")
        for name, score in self.scores.items():
            if isinstance(score.value, (bool, str)) or not isfinite(score.value):
                raise FrameError(f"The score {name} is {score.value!r}; scores are kept as numbers.")
        object.__setattr__(self, "scores", MappingProxyType(dict(self.scores)))

    def to_json(self) -> dict[str, Any]:
        """Plain fields; absent facts are left out."""
        known = {f.name: getattr(self, f.name) for f in fields(self) if f.name != "scores"}
        found: dict[str, Any] = {name: fact.to_json() for name, fact in known.items() if fact is not None}
        if self.scores:
            found["scores"] = {name: score.to_json() for name, score in self.scores.items()}
        return found

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> "HipFacts":
        """Facts from plain fields; unknown names are refused."""
        known = {f.name for f in fields(cls)}
        unknown = set(data) - known
        if unknown:
            raise FrameError(f"The record has no fact called {', '.join(sorted(unknown))}.")
        scores = {name: Fact.from_json(row) for name, row in data.get("scores", {}).items()}
        return cls(scores=scores, **{name: Fact.from_json(row) for name, row in data.items() if name != "scores"})

    @property
    def bmi_kg_m2(self) -> float | None:
        """Body-mass index, or None without weight and height."""
        if self.weight_kg is None or self.height_cm is None:
            return None
        return float(self.weight_kg.value) / (float(self.height_cm.value) / 100.0) ** 2


@dataclass(frozen=True, slots=True)
class Caution:
    """One caution in words. `applies_to`: the cut levels it speaks of. `fact`, `value`, `dated`: what it rests on."""

    text: str
    source: str
    status: str
    applies_to: tuple[str, ...]
    fact: str
    value: bool | float | str | None
    dated: date | None


def cautions(
    facts: HipFacts, cut_level: str | None = None, measures: Mapping[str, Measured] | None = None
) -> tuple[Caution, ...]:
    """Cautions that the record raises, in the order of the table.

    Parameters
    ----------
    cut_level
        Only those that speak of this level; None: all.
    measures
        Measured facts that stand in when the record has none of its own:
        `head_diameter_mm`, `lesion_share_of_head_percent`.

    Raises
    ------
    FrameError
        No cut level of that name.
    """
    if cut_level is not None and cut_level not in LEVELS:
        raise FrameError(f"No cut level is called {cut_level!r}. They are {', '.join(LEVELS)}.")
    found: list[Caution] = []
    for row in table_file("cautions")["caution"]:
        levels = tuple(row.get("levels", LEVELS))
        if cut_level is not None and cut_level not in levels:
            continue
        if "only_sex" in row and (facts.sex is None or facts.sex.value != row["only_sex"]):
            continue
        value, when = _value(facts, row["fact"], measures or {})
        if value is not None and _holds(row, value):
            shown = None if row["fact"] == "always" else value
            found.append(Caution(row["says"], row["source"], row["status"], levels, row["fact"], shown, when))
    return tuple(found)


def _value(
    facts: HipFacts, name: str, measures: Mapping[str, Measured]
) -> tuple[bool | float | str | None, date | None]:
    if name == "always":
        return True, None
    if name == "bmi_kg_m2":
        return facts.bmi_kg_m2, None if facts.weight_kg is None else facts.weight_kg.date
    fact: Fact | None = getattr(facts, name, None)
    if fact is not None:
        return fact.value, fact.date
    measure = measures.get(name)
    return (None if measure is None else measure.value), None


def _holds(row: Mapping[str, Any], value: bool | float | str) -> bool:
    rule: Rule = row["rule"]
    if rule not in get_args(Rule):
        raise FrameError(f"The caution table knows no rule {rule!r}.")
    if rule == "is_true":
        return value is True
    if rule == "says":
        return any(word.lower() in str(value).lower() for word in row["words"])
    number, edge = float(value), float(row["value"])
    return number > edge if rule == "above" else number < edge


def risk_index_shown(facts: HipFacts) -> ShownFigure | Measured:
    """The surface arthroplasty risk index with its doubts, or missing with what the record lacks.

    Shown only: no part of headstock reads its value.
    """
    needed = {
        "cyst_cm": facts.cyst_cm,
        "weight_kg": facts.weight_kg,
        "previous_surgery": facts.previous_surgery,
        "activity_ucla": facts.activity_ucla,
    }
    lacks = [name for name, fact in needed.items() if fact is None]
    source = "Beaulé et al., Clin Orthop Relat Res 2004;418:87, from memory"
    if lacks:
        return missing("1", source, f"The record lacks {', '.join(lacks)}.")
    values = {name: float(fact.value) for name, fact in needed.items() if fact is not None}
    return sari_shown(values["cyst_cm"], values["weight_kg"], values["previous_surgery"], values["activity_ucla"])

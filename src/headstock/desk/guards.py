"""The safety guards: each a function, named as docs/hazards.md names it, with a test of its name.

In: values. Out: nothing, or a `GuardError` that says what was found, why that
stops us, and what to press. Guards decide nothing else and know no record.
"""

import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Literal

from headstock.desk.words import day_words
from headstock.errors import GuardError
from headstock.frames import Side
from headstock.measured import Measured

__all__ = [
    "FilmSide",
    "Identity",
    "family_unsuitable",
    "implausible_scale",
    "limit_overruled_without_reason",
    "no_scale",
    "number_without_interval",
    "scan_unfit",
    "stale_images",
    "two_identifiers",
    "wrong_patient",
    "wrong_side",
]


# ---- wrong patient -------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Identity:
    """Who an image or a record says it is. "" and None: it does not say."""

    number: str
    name: str = ""
    born: date | None = None
    sex: str = ""


def wrong_patient(known: Identity, found: Identity) -> None:
    """One number, two people: the same hospital number must not carry two names or birth dates.

    A silent entry agrees with anything; writing (capitals, accents, order of
    components' separators) is not a difference.

    Raises
    ------
    GuardError
        Name, birth date or sex contradict; the message names which, not what they are.
    """
    differ = [
        word
        for word, a, b in (
            ("name", _plain(known.name), _plain(found.name)),
            ("date of birth", known.born, found.born),
            ("sex", known.sex.strip().upper()[:1], found.sex.strip().upper()[:1]),
        )
        if a and b and a != b
    ]
    if differ:
        raise GuardError(
            f"{_met_by(found.number)} a patient who is already here, but another {' and '.join(differ)}. "
            "It may belong to someone else, so it was not taken in. Compare the two at the source; correct the number "
            "or the name there and export it again.",
            "wrong patient",
        )


def _met_by(number: str) -> str:
    if number:
        return "This image carries the number of"
    return "This image carries no number; its study, or the hip it was given to, is that of"


def two_identifiers(identity: Identity) -> None:
    """A sheet for the operating room carries two identifiers of the patient.

    Raises
    ------
    GuardError
        The number, or both name and birth date, are missing.
    """
    if not identity.number.strip() or not _plain(identity.name):
        raise GuardError(
            "The patient has no two identifiers here (a name and a hospital number), so a sheet could reach the wrong "
            "person. Give both under the patient's facts.",
            "wrong patient",
        )


def _plain(name: str) -> str:
    """Family and given name without capitals, accents and separators (PS3.5 6.2: middle names and titles follow)."""
    family_and_given = "^".join(name.split("=")[0].split("^")[:2])
    letters = unicodedata.normalize("NFKD", family_and_given.casefold())
    return " ".join("".join(c if c.isalnum() else " " for c in letters if not unicodedata.combining(c)).split())


# ---- wrong side ----------------------------------------------------------------------------------------------

Said = Literal["left", "right", "both", "silent"]


@dataclass(frozen=True, slots=True)
class FilmSide:
    """What one film says about sides.

    `header`: Image Laterality or Laterality where it speaks. `letter`: the side
    letter as the reader saw it; "silent" when the reader saw none, None when
    nobody was asked. A film of the pelvis shows both; there the reader says on which
    side of the picture the patient's right lies (`columns_to_left`), and the header
    may say so too (`header_columns_to_left`).
    """

    words: str
    film_id: str
    is_pelvis: bool
    header: Said
    letter: Said | None
    columns_to_left: bool | None = None
    header_columns_to_left: bool | None = None
    letter_by: str = ""


def wrong_side(side: Side, films: Iterable[FilmSide], typed: str | None = None) -> None:
    """Every place that carries the side must say the same; silence is never consent.

    `typed` is what the signer typed by hand; None when nobody has typed yet.

    Raises
    ------
    GuardError
        A place contradicts, a letter was not looked at, or nothing on a film says which side it is.
    """
    for film in films:
        if film.header in ("left", "right") and film.header != side.value:
            raise _side_stop(f"The plan says {side.value}. The header of the {film.words} says {film.header}.")
        if film.letter is None:
            raise GuardError(
                f"Nobody has yet confirmed the side letter on the {film.words}. An absent letter or a silent header is "
                "not consent. Open the film and say what you see.",
                "wrong side",
            )
        if film.letter in ("left", "right") and film.letter != side.value and not film.is_pelvis:
            raise _side_stop(f"The plan says {side.value}. The letter on the {film.words} says {film.letter}.")
        if film.is_pelvis:
            _pelvis_sides(film)
        elif film.letter in ("silent", "both") and film.header not in ("left", "right"):
            raise GuardError(
                f"Nothing on the {film.words} says which side it is: no letter was seen, and its header is silent. "
                "Take it out of this hip, or use a film that carries its side.",
                "wrong side",
            )
    if typed is not None and typed.strip().casefold() != side.value:
        raise _side_stop(
            f"The plan says {side.value}. Typed was “{typed.strip()[:20]}”."
            if typed.strip()
            else f"The plan says {side.value}. The side was not typed."
        )


def _pelvis_sides(film: FilmSide) -> None:
    if film.columns_to_left is None and film.header_columns_to_left is None:
        raise GuardError(
            f"Nothing on the {film.words} says on which side of the picture the patient's right lies. Open the film "
            "and say where the letter stands.",
            "wrong side",
        )
    if None not in (film.columns_to_left, film.header_columns_to_left) and (
        film.columns_to_left != film.header_columns_to_left
    ):
        raise _side_stop(
            f"The letter on the {film.words} and its header (Patient Orientation) put the patient's right on "
            "opposite sides of the picture: it may be turned over."
        )


def _side_stop(found: str) -> GuardError:
    return GuardError(
        f"{found} Signing and printing stay closed until every place that carries the side agrees. "
        "Look at the film; do not assume that the label is wrong.",
        "wrong side",
    )


# ---- scale ---------------------------------------------------------------------------------------------------


def no_scale(words: str, scale_known: bool, *, settled: bool = True) -> None:
    """Nothing is placed, signed or printed from a film whose scale nobody gave, or whose sources contradict.

    Raises
    ------
    GuardError
        No scale, or contradictory ones that no reader settled.
    """
    if not scale_known:
        raise GuardError(
            f"The {words} has no scale, so it cannot give lengths and no size can be chosen on it. Mark the ball or "
            "ruler, give the distances, or type the magnification.",
            "no scale",
        )
    if not settled:
        raise GuardError(
            f"The sources of scale of the {words} contradict each other. Look at them side by side and choose one.",
            "no scale",
        )


def implausible_scale(words: str, magnification: float | None, low: float | None, high: float | None) -> None:
    """A magnification outside the band of limits.toml cannot be that of a hip.

    Raises
    ------
    GuardError
        Outside the band. A scale that states no magnification passes: others judge it.
    """
    if magnification is None:
        return
    if (low is not None and magnification < low) or (high is not None and magnification > high):
        band = f"{low:.2f} to {high:.2f}" if low is not None and high is not None else "the set band"
        raise GuardError(
            f"The scale of the {words} makes the image {magnification:.2f} times the hip; {band} is plausible. The "
            "ball may be another size, not at the hip, or something else. Measure it again, or use another source.",
            "implausible scale",
        )


# ---- stale images --------------------------------------------------------------------------------------------


def stale_images(words: str, taken: date | None, operation: date, limit_days: float | None) -> None:
    """A film must not be older, on the day of the operation, than the limit; `limit_days` None: no limit set.

    Raises
    ------
    GuardError
        Undated, dated after the operation, or older than the limit.
    """
    if taken is None:
        raise GuardError(
            f"The {words} has no date, so nobody can say how old it will be at the operation. Use a dated film.",
            "stale images",
        )
    days = (operation - taken).days
    if days < 0:
        raise GuardError(
            f"The operation date lies {-days} days before the {words} was taken. One of the two dates is wrong. "
            "Correct the operation date.",
            "stale images",
        )
    if limit_days is not None and days > limit_days:
        raise GuardError(
            f"The {words} of {day_words(taken)} will be {days} days old on {day_words(operation)}; the limit is "
            f"{limit_days:g} days. The head may have changed since. Take a new film, or set another limit with "
            "its source.",
            "stale images",
        )


# ---- families, limits, numbers -------------------------------------------------------------------------------


def family_unsuitable(family_words: str, level_words: str, reasons: Iterable[str]) -> None:
    """A family whose level is another, or that facts of the patient speak against, is not placed unseen.

    Raises
    ------
    GuardError
        There are reasons.
    """
    found = list(reasons)
    if found:
        raise GuardError(
            f"{family_words} does not suit this hip at {level_words}: {'; '.join(found)}. Choose another family.",
            "family unsuitable",
        )


def limit_overruled_without_reason(wanted: Mapping[str, str], reasons: Mapping[str, str]) -> None:
    """A limit that the plan does not meet is overruled with a written reason, or not at all.

    `wanted`: key → the limit in words.

    Raises
    ------
    GuardError
        A reason is missing.
    """
    missing = [words for key, words in wanted.items() if not _says_something(reasons.get(key, ""))]
    if missing:
        raise GuardError(
            f"This plan does not meet {'this limit' if len(missing) == 1 else 'these limits'}: {'; '.join(missing)}. "
            "The surgeon may overrule a limit, but not without saying why. Write a reason beside each.",
            "limit overruled without a reason",
        )


def _says_something(text: str) -> bool:
    """Three letters at least: blanks, dots and characters without width are no reason."""
    return sum(letter.isalnum() for letter in text) >= 3


def number_without_interval(numbers: Mapping[str, Measured]) -> None:
    """A measured number is never shown or printed without its interval.

    Raises
    ------
    GuardError
        One has none.
    """
    for name, found in numbers.items():
        if found.kind == "measured" and (found.low is None or found.high is None):
            raise GuardError(
                f"“{name}” has a value but no interval, so nobody can see how sure it is. It is not shown. "
                "Measure it again with its points' errors.",
                "number shown without interval",
            )


# ---- a scan that cannot be planned on ------------------------------------------------------------------------


def scan_unfit(words: str, reasons: Iterable[str]) -> None:
    """Metal in the hip, slices missing or too far apart, a mirrored volume: a plan on it would be of another bone.

    Raises
    ------
    GuardError
        With the reasons the scan's own findings give.
    """
    said = [reason for reason in reasons if reason]
    if said:
        raise GuardError(f"Nothing can be planned on the {words}. {' '.join(said)}", "scan unfit")

"""What can be measured on a film: names, formulas, sources, and the measuring itself.

In: a `Reading`, a scale or none. Out: name → `Measured`; sided names carry `right.` or
`left.`, differences `right_minus_left.`. Lengths are mm at the hip: film distances times
the scale at the head; what perspective and rotation do to them stays in them.
Signs: leg longer positive, offset larger positive, right minus left.
"""

import tomllib
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from importlib import resources
from types import MappingProxyType
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from headstock.anatomy.drawn import NO_SCALE, Drawn, FilmScale, draw_reading
from headstock.anatomy.formulas import FORMULAS, HipDraws
from headstock.anatomy.landmarks import LANDMARKS, View, key
from headstock.anatomy.reading import Reading
from headstock.errors import FrameError, TooFewError
from headstock.frames import Side
from headstock.measured import DRAWS, Measured, difference, measured, missing
from headstock.units import Unit

__all__ = [
    "DIFFERENCE",
    "MEASURES",
    "Measure",
    "Reference",
    "Status",
    "measure",
    "needed_by",
    "pelvis_warnings",
]

Floats = NDArray[np.float64]
Status = Literal["published", "from memory", "common practice", "derived"]
DIFFERENCE: Final = "right_minus_left"


@dataclass(frozen=True, slots=True)
class Reference:
    """A published reference value of a measure; shown, never a limit."""

    says: str
    source: str
    status: str
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True, slots=True)
class Measure:
    """One measure: what it is, what it needs, how it is computed.

    `needs` names landmarks (`teardrop`), those of the other side (`other.teardrop`), a
    circle (`head circle`) or an outline (`head outline`); on a pelvis film an angle to
    the pelvis needs both teardrops (`pelvis line`), on a hip film it is taken to the film's rows.
    """

    name: str
    unit: Unit
    sided: bool
    views: frozenset[View]
    needs: tuple[str, ...]
    formula: str
    source: str
    status: Status
    compute: Callable[[HipDraws], Floats] = field(repr=False)
    references: tuple[Reference, ...] = ()
    no_difference: bool = False


def _table(name: str) -> dict[str, Any]:
    text = resources.files("headstock.anatomy").joinpath(f"data/{name}.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


def _references(measure_name: str, rows: list[dict[str, Any]]) -> tuple[Reference, ...]:
    return tuple(
        Reference(row["says"], row["source"], row["status"], row.get("low"), row.get("high"))
        for row in rows
        if row["measure"] == measure_name
    )


def _registry() -> dict[str, Measure]:
    references = _table("reference_values")["reference"]
    return {
        name: Measure(
            name=name,
            unit=row["unit"],
            sided=row.get("sided", True),
            views=frozenset(View(view) for view in row["views"]),
            needs=tuple(row["needs"]),
            formula=row["formula"],
            source=row["source"],
            status=row["status"],
            compute=FORMULAS[name],
            references=_references(name, references),
            no_difference=row.get("no_difference", False),
        )
        for name, row in _table("measures").items()
    }


MEASURES: Final[Mapping[str, Measure]] = MappingProxyType(_registry())


def needed_by(landmark: str) -> tuple[str, ...]:
    """The measures that cannot be had without this landmark."""
    if landmark not in LANDMARKS:
        raise FrameError(f"No landmark is called “{landmark}”.")
    wanted = {landmark, f"other.{landmark}"} | ({"pelvis line"} if landmark == "teardrop" else set())
    return tuple(name for name, entry in MEASURES.items() if wanted & set(entry.needs))


def _lacking(entry: Measure, drawn: Drawn, side: Side) -> list[str]:
    """What is not placed, in words."""
    lacks: list[str] = []
    for need in entry.needs:
        if need.endswith(" circle"):
            name = need.removesuffix(" circle")
            full = key(name, side)
            if full not in drawn.radii:
                lacks.append(f"the {side} {name} circle")
            continue
        if need.endswith(" outline"):
            name = need.removesuffix(" outline")
            if key(name, side) not in drawn.outlines:
                lacks.append(f"the {side} {name} outline")
            elif name == "head" and len(drawn.outlines[key(name, side)]) < 4:
                lacks.append(f"more points on the {side} head outline (at least 4)")
            continue
        if need == "pelvis line":
            if drawn.reading.view is View.AP_PELVIS:
                lacks += [f"{s} teardrop" for s in ("right", "left") if f"{s}.teardrop" not in drawn.points]
            continue
        other = need.startswith("other.")
        name = need.removeprefix("other.")
        owner = (side.other if other else side) if LANDMARKS[name].sided else None
        if key(name, owner) not in drawn.points:
            words = name.replace("_", " ")
            lacks.append(f"{owner} {words}" if owner else words)
    return list(dict.fromkeys(lacks))


def _one(entry: Measure, drawn: Drawn, side: Side) -> Measured:
    source = f"{entry.formula} Source: {entry.source}."
    if entry.needs and "pelvis line" in entry.needs and drawn.reading.view is View.AP_HIP:
        source += " No pelvis line on a hip film: taken against the film's own rows."
    lacks = _lacking(entry, drawn, side)
    if lacks:
        return missing(entry.unit, source, f"Not placed yet: {', '.join(lacks)}.")
    if entry.unit == "mm":
        if drawn.mm_per_px is None:
            return missing(entry.unit, source, NO_SCALE)
        source += f" Scale: {drawn.scale_source}."
    with np.errstate(divide="ignore", invalid="ignore"):
        batch = entry.compute(HipDraws(drawn, side))
        if entry.unit == "mm" and drawn.mm_per_px is not None:
            batch = batch * drawn.mm_per_px
    try:
        return measured(batch, entry.unit, source)
    except TooFewError:
        return missing(
            entry.unit, source, "Two of its points lie on each other, so it has no direction or width. Move them apart."
        )


def measure(
    reading: Reading,
    scale: FilmScale | None,
    *,
    n_draws: int = DRAWS,
    seed: int = 1,
    only: Collection[str] | None = None,
) -> dict[str, Measured]:
    """Every measure that this film's view allows, each with interval, or missing with the reason.

    Parameters
    ----------
    reading
        Points in pixels.
    scale
        None: lengths are missing with the reason, angles and ratios still given.
    only
        Bare names (`neck_shaft_angle_deg`) when not all are wanted.

    Returns
    -------
    On a pelvis film both sides (`right.`, `left.`) and `right_minus_left.`; on a hip
    or lateral film the side under study, and the other where points of it are placed.
    All share one set of draws, so differences of them are right.

    Raises
    ------
    FrameError
        An unknown name in `only`, or a film that is upside down.
    """
    names = list(MEASURES) if only is None else [name for name in MEASURES if name in set(only)]
    unknown = set(only or ()) - set(MEASURES)
    if unknown:
        raise FrameError(f"No measure is called {', '.join(sorted(unknown))}. docs/measures.md lists them.")
    drawn = draw_reading(reading, scale, n_draws=n_draws, seed=seed)
    _check_upright(drawn)
    sides: tuple[Side, ...] = (Side.RIGHT, Side.LEFT)
    if reading.view is not View.AP_PELVIS:
        present = {name.partition(".")[0] for name in (*drawn.points, *drawn.outlines)}
        sides = tuple(s for s in sides if s is reading.side or s.value in present)
    found: dict[str, Measured] = {}
    for name in names:
        entry = MEASURES[name]
        if reading.view not in entry.views:
            continue
        if not entry.sided:
            found[name] = _one(entry, drawn, reading.side)
            continue
        for side in sides:
            found[f"{side.value}.{name}"] = _one(entry, drawn, side)
        if len(sides) == 2 and not entry.no_difference:
            found[f"{DIFFERENCE}.{name}"] = difference(
                found[f"right.{name}"], found[f"left.{name}"], f"Right minus left. {entry.formula}"
            )
    return found


def _check_upright(drawn: Drawn) -> None:
    """An upside-down film would turn every height over without a word."""
    if drawn.reading.view is View.LATERAL_HIP:
        return
    for side in Side:
        head, below = (drawn.points.get(f"{side.value}.{name}") for name in ("head_centre", "lesser_trochanter"))
        if head is not None and below is not None and below[0, 1] < head[0, 1]:
            raise FrameError(
                f"The {side.value} lesser trochanter lies above the head centre. The film is upside down, or the two "
                "points were swapped: turn the film or move the points."
            )


def pelvis_warnings(
    measures: Mapping[str, Measured], *, obliquity_limit_deg: float | None, rotation_limit_percent: float | None
) -> tuple[str, ...]:
    """Words where the pelvis lies so oblique or turned that it spoils other measures; limits come from the caller.

    None as a limit means the hospital has set none, so there is nothing to warn of.
    """
    said: list[str] = []
    tilt = _beyond(measures.get("pelvic_obliquity_deg"), obliquity_limit_deg)
    if tilt is not None:
        said.append(
            f"The pelvis is oblique by {abs(tilt):.1f} deg ({'right' if tilt > 0 else 'left'} side higher; limit "
            f"{obliquity_limit_deg:g} deg). Leg length by the teardrop line holds only if both legs lie alike; angles "
            "to the film's rows do not hold."
        )
    turn = _beyond(measures.get("pelvic_rotation_percent"), rotation_limit_percent)
    if turn is not None:
        said.append(
            f"The pelvis is turned: the symphysis lies {abs(turn):.1f} % of the teardrop distance to the "
            f"{'left' if turn > 0 else 'right'} (limit {rotation_limit_percent:g} %). Offset, centre-edge angle, "
            "extrusion and the comparison of the two sides suffer; take another film before they decide anything."
        )
    return tuple(said)


def _beyond(found: Measured | None, limit: float | None) -> float | None:
    """The number when it lies beyond the limit either way, else None."""
    if found is None or limit is None or found.value is None or abs(found.value) <= limit:
        return None
    return found.value

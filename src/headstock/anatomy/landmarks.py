"""The points a reader places on a film: what each is, how well it is hit, where it goes.

In: data/landmarks.toml. Out: `LANDMARKS`, `CIRCLES`, `OUTLINES`, and the names of points.
A point's key is `right.head_centre` when it has a side, `pubic_symphysis` when not.

Standard deviations are per image direction, mm at the hip, one sd each: `within`
one reader placing the point twice, `between` what two readers differ by on top of
that. They are common practice without a source: set them from your own repeat
readings (headstock.anatomy.repeatability) as soon as there are some.
"""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from importlib import resources
from types import MappingProxyType
from typing import Any, Final

from headstock.errors import FrameError
from headstock.frames import Side

__all__ = [
    "CIRCLES",
    "LANDMARKS",
    "OUTLINES",
    "PELVIS_SHIFT",
    "SCHEMATIC_SIZE",
    "SD_SOURCE",
    "CircleMark",
    "Landmark",
    "OutlineMark",
    "View",
    "key",
    "landmark_of",
    "landmarks_for",
    "split_key",
]

SD_SOURCE: Final = "common practice, no source: a stated default until the reader's own repeat readings replace it"


class View(StrEnum):
    """Which projection a film shows."""

    AP_PELVIS = "ap_pelvis"
    AP_HIP = "ap_hip"
    LATERAL_HIP = "lateral_hip"

    @property
    def words(self) -> str:
        """As screens print it."""
        return {"ap_pelvis": "AP pelvis", "ap_hip": "AP hip", "lateral_hip": "lateral hip"}[self.value]


@dataclass(frozen=True, slots=True)
class Landmark:
    """A point a reader places.

    `default_sd_mm` one reader's own scatter and `between_reader_sd_mm` what readers
    differ by, each per image direction, mm at the hip. `pictures` gives, for each view, where
    it goes on the schematic of a right hip, (x, y) as shares of the picture's width and
    height, y down; a left hip is the mirror image (x → 1 - x on the pelvis picture).
    """

    name: str
    views: frozenset[View]
    sided: bool
    default_sd_mm: float
    between_reader_sd_mm: float
    says: str
    pictures: Mapping[View, tuple[float, float]]
    later_films_only: bool = False

    def picture(self, view: View) -> tuple[float, float]:
        """Where the point goes on the schematic of `view`.

        Raises
        ------
        FrameError
            The point is not placed on that view.
        """
        if view not in self.pictures:
            raise FrameError(f"{self.name} is not placed on the {view.words} view. Choose a view that shows it.")
        return self.pictures[view]


@dataclass(frozen=True, slots=True)
class CircleMark:
    """A circle a reader or the snap places: default sds of centre and radius, mm at the hip."""

    name: str
    views: frozenset[View]
    sided: bool
    centre_sd_mm: float
    radius_sd_mm: float
    between_centre_sd_mm: float
    between_radius_sd_mm: float
    says: str


@dataclass(frozen=True, slots=True)
class OutlineMark:
    """A line of points; `sd_mm` is one error of the whole line along its normal, mm at the hip."""

    name: str
    views: frozenset[View]
    closed: bool
    sd_mm: float
    says: str


# Drawing units of the schematics; the AP hip drawing is the right half of the AP pelvis drawing, moved down.
SCHEMATIC_SIZE: Final[Mapping[View, tuple[float, float]]] = MappingProxyType(
    {View.AP_PELVIS: (1200.0, 1340.0), View.AP_HIP: (600.0, 1040.0), View.LATERAL_HIP: (900.0, 450.0)}
)
PELVIS_SHIFT: Final = (0.0, 300.0)


def _share(view: View, place: tuple[float, float]) -> tuple[float, float]:
    width, height = SCHEMATIC_SIZE[view]
    return place[0] / width, place[1] / height


def _pictures(row: Mapping[str, Any]) -> Mapping[View, tuple[float, float]]:
    places: dict[View, tuple[float, float]] = {}
    if "ap" in row:
        x, y = row["ap"]
        places[View.AP_HIP] = _share(View.AP_HIP, (x, y))
        places[View.AP_PELVIS] = _share(View.AP_PELVIS, (x + PELVIS_SHIFT[0], y + PELVIS_SHIFT[1]))
    if "pelvis" in row:
        places[View.AP_PELVIS] = _share(View.AP_PELVIS, tuple(row["pelvis"]))
    if "lateral" in row:
        places[View.LATERAL_HIP] = _share(View.LATERAL_HIP, tuple(row["lateral"]))
    return MappingProxyType(places)


def _views(row: Mapping[str, Any]) -> frozenset[View]:
    return frozenset(View(name) for name in row["views"])


_TABLE: Final[dict[str, Any]] = tomllib.loads(
    resources.files("headstock.anatomy").joinpath("data/landmarks.toml").read_text(encoding="utf-8")
)

LANDMARKS: Final[Mapping[str, Landmark]] = MappingProxyType(
    {
        name: Landmark(
            name,
            _views(row),
            row.get("sided", True),
            row["sd_mm"],
            row["between_mm"],
            row["says"],
            _pictures(row),
            row.get("later_films_only", False),
        )
        for name, row in _TABLE["landmark"].items()
    }
)

CIRCLES: Final[Mapping[str, CircleMark]] = MappingProxyType(
    {
        name: CircleMark(
            name,
            _views(row),
            row.get("sided", True),
            row["centre_sd_mm"],
            row["radius_sd_mm"],
            row["between_centre_mm"],
            row["between_radius_mm"],
            row["says"],
        )
        for name, row in _TABLE["circle"].items()
    }
)

OUTLINES: Final[Mapping[str, OutlineMark]] = MappingProxyType(
    {
        name: OutlineMark(name, _views(row), row.get("closed", False), row["sd_mm"], row["says"])
        for name, row in _TABLE["outline"].items()
    }
)


def key(name: str, side: Side | None) -> str:
    """A point's key: `right.teardrop`, or the bare name when it has no side."""
    return name if side is None else f"{side.value}.{name}"


def split_key(text: str) -> tuple[Side | None, str]:
    """The side and the name in a key; the side is None for a midline point."""
    head, dot, tail = text.partition(".")
    if not dot:
        return None, text
    if head not in (Side.LEFT.value, Side.RIGHT.value):
        raise FrameError(
            f"“{text}” names no side we know. A side is spelt left or right, in full, before the dot: right.{tail}."
        )
    return Side(head), tail


def landmark_of(text: str) -> Landmark | None:
    """The landmark a key belongs to, or None when there is none of that name."""
    side, name = split_key(text)
    found = LANDMARKS.get(name)
    return found if found is not None and found.sided == (side is not None) else None


def landmarks_for(view: View, *, later_films: bool = False) -> tuple[Landmark, ...]:
    """The points of a view in the order they are asked for."""
    return tuple(m for m in LANDMARKS.values() if view in m.views and (later_films or not m.later_films_only))

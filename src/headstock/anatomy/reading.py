"""A reading: the points, circles and outlines one reader placed on one film.

In: JSON or keyword values. Out: `Reading`, checked on construction; image points are
(column, row), zero-based, centre of pixel. The landmark file of the command line is
exactly `Reading.to_json()`.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from difflib import get_close_matches
from math import isfinite
from types import MappingProxyType
from typing import Any, Final, Literal, get_args

import numpy as np
from numpy.typing import NDArray

from headstock.anatomy.landmarks import CIRCLES, LANDMARKS, OUTLINES, View, landmark_of, split_key
from headstock.errors import FrameError, TooFewError
from headstock.frames import Side

__all__ = ["FORM", "SIGNS", "AnteriorDirection", "Reading", "anterior_direction"]

FORM: Final = 1
AnteriorDirection = Literal["up", "down", "left", "right"]
_FIELDS: Final = (
    "headstock_reading",
    "view",
    "side",
    "points",
    "circles",
    "outlines",
    "sd_px",
    "covariances_px",
    "signs",
    "columns_to_left",
    "anterior",
    "reader",
    "film_sha256",
)
# Raw signs of osteonecrosis and arthritis, stored as seen; stages are derived from them, never typed.
SIGNS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "pain": "bool: the hip hurts",
        "film_abnormal": "bool: the film shows any change",
        "mri_or_scan_positive": "bool: MRI or bone scan shows the lesion",
        "sclerosis_or_cysts": "bool: sclerosis or cysts in the head",
        "crescent": "bool: a fracture below the joint surface (crescent line) or in the dead zone",
        "flattening": "bool: the joint surface has lost its round form",
        "contour_broken": "bool: the contour of the head is broken, or a sequestrum lies loose",
        "depression_mm": "number: depth of the flattening",
        "joint_space_narrowed": "bool: narrowed joint space, or change of the socket",
        "osteoarthritis": "bool: cartilage lost, osteophytes of the socket",
        "advanced_degeneration": "bool: joint space gone, advanced degeneration on both sides of the joint",
        "percent_head": "number: share of the head that is dead",
        "percent_surface_under_crescent": "number: share of the joint surface over the crescent",
        "percent_surface_collapsed": "number: share of the joint surface that collapsed",
        "weight_bearing_share": "number 0 to 1: share of the weight-bearing portion that the lesion takes",
        "past_acetabular_edge": "bool: the lesion runs past the outer edge of the socket",
        "modality": "text film or mri: where the extent was read",
    }
)


def _frozen(mapping: Mapping[str, Any]) -> Mapping[str, Any]:
    return MappingProxyType(dict(mapping))


def _close(name: str, known: Mapping[str, object]) -> str:
    near = get_close_matches(name, list(known), n=1)
    return f" Did you mean {near[0]}?" if near else ""


@dataclass(frozen=True, slots=True, eq=False)
class Reading:
    """What one reader placed on one film.

    `points` key → (column, row); `circles` key → (column, row, radius), pixels;
    `outlines` key → (K, 2). `sd_px` key → one reader's sd per direction in pixels,
    instead of the landmark's default; `covariances_px` key → 2 × 2 (a point) or 3 × 3
    (a circle: column, row, radius) from the snap, instead of either. `signs`: raw signs,
    see `SIGNS`. `columns_to_left`: columns grow toward the patient's left (usual AP
    film). `anterior`: where the front of the body lies on a lateral film, None when
    not said.
    """

    view: View
    side: Side
    points: Mapping[str, tuple[float, float]]
    circles: Mapping[str, tuple[float, float, float]] = field(default_factory=dict)
    outlines: Mapping[str, NDArray[np.float64]] = field(default_factory=dict)
    sd_px: Mapping[str, float] = field(default_factory=dict)
    covariances_px: Mapping[str, NDArray[np.float64]] = field(default_factory=dict)
    signs: Mapping[str, bool | float | str] = field(default_factory=dict)
    columns_to_left: bool = True
    anterior: AnteriorDirection | None = None
    reader: str = ""
    film_sha256: str | None = None

    def __post_init__(self) -> None:
        points = {name: _numbers(value, 2, name) for name, value in self.points.items()}
        circles = {name: _numbers(value, 3, name) for name, value in self.circles.items()}
        for name in points:
            self._check_point(name)
        for name, circle in circles.items():
            self._check_circle(name, circle[2])
        outlines = {name: self._outline(name, value) for name, value in self.outlines.items()}
        sds = {name: self._sd(name, value) for name, value in self.sd_px.items()}
        covariances = {name: self._covariance(name, value) for name, value in self.covariances_px.items()}
        self._check_signs()
        if self.anterior is not None and self.anterior not in get_args(AnteriorDirection):
            raise FrameError(
                f"“{self.anterior}” is no direction on a film. Give up, down, left or right, or leave it out."
            )
        for name, value in (
            ("points", points),
            ("circles", circles),
            ("outlines", outlines),
            ("sd_px", sds),
            ("covariances_px", covariances),
            ("signs", self.signs),
        ):
            object.__setattr__(self, name, _frozen(value))
        self._check_sides()

    def has(self, key: str) -> bool:
        """True when the point is placed; a head circle also gives the head centre."""
        return key in self.points or (
            key.endswith("head_centre") and key.replace("head_centre", "head") in self.circles
        )

    def _check_point(self, name: str) -> None:
        mark = landmark_of(name)
        if mark is None:
            _, bare = split_key(name)
            known = LANDMARKS.get(bare)
            if known is not None:
                want = f"right.{bare} or left.{bare}" if known.sided else bare
                raise FrameError(f"The point “{name}” must be given as {want}.")
            raise FrameError(f"No landmark is called “{name}”.{_close(bare, LANDMARKS)}")
        if self.view not in mark.views:
            raise FrameError(
                f"“{name}” is not placed on the {self.view.words} view. Move it to a reading of its own view."
            )

    def _check_circle(self, name: str, radius: float) -> None:
        side, bare = split_key(name)
        mark = CIRCLES.get(bare)
        if mark is None or mark.sided != (side is not None):
            raise FrameError(
                f"No circle is called “{name}”. Circles are {', '.join(sorted(CIRCLES))}, with their side."
            )
        if self.view not in mark.views:
            raise FrameError(f"The circle “{name}” is not placed on the {self.view.words} view.")
        if radius <= 0:
            raise FrameError(
                f"The circle “{name}” has a radius of {radius} pixels; it must be more than zero. Place it again."
            )

    def _outline(self, name: str, value: Any) -> NDArray[np.float64]:
        side, bare = split_key(name)
        stem = bare.rstrip("0123456789").rstrip("_") if bare.startswith("lesion_") else bare
        mark = OUTLINES.get(stem)
        if mark is None or side is None:
            raise FrameError(f"No outline is called “{name}”. Give the side and one of {', '.join(sorted(OUTLINES))}.")
        if self.view not in mark.views:
            raise FrameError(f"The outline “{name}” is not placed on the {self.view.words} view.")
        try:
            line = np.array(value, dtype=np.float64)
        except (TypeError, ValueError):
            line = np.empty(0)
        fewest = 3 if mark.closed else 2
        if line.ndim != 2 or line.shape[1] != 2 or line.shape[0] < fewest or not np.isfinite(line).all():
            raise TooFewError(
                f"The outline “{name}” needs at least {fewest} points, each a column and a row. Draw it again."
            )
        line.flags.writeable = False
        return line

    def _sd(self, name: str, value: Any) -> float:
        if name not in self.points and name not in self.circles:
            raise FrameError(
                f"sd_px speaks of “{name}”, but nothing of that name is placed. Remove it or place the point."
            )
        if not isinstance(value, (int, float)) or isinstance(value, bool) or not isfinite(value) or value < 0:
            raise FrameError(f"The sd of “{name}” is {value!r}; it must be a number of pixels, zero or more.")
        return float(value)

    def _covariance(self, name: str, value: Any) -> NDArray[np.float64]:
        size = 3 if name in self.circles else 2
        if name not in self.points and name not in self.circles:
            raise FrameError(f"covariances_px speaks of “{name}”, but nothing of that name is placed.")
        try:
            matrix = np.array(value, dtype=np.float64)
        except (TypeError, ValueError):
            matrix = np.empty(0)
        if (
            matrix.shape != (size, size)
            or not np.isfinite(matrix).all()
            or not np.allclose(matrix, matrix.T, rtol=1e-6)
        ):
            raise FrameError(
                f"The covariance of “{name}” must be a symmetric {size} × {size} matrix in pixels squared."
            )
        if np.linalg.eigvalsh(matrix).min() < -1e-9 * max(1.0, float(np.trace(matrix))):
            raise FrameError(
                f"The covariance of “{name}” has a negative variance, which cannot be. Snap the point again."
            )
        matrix.flags.writeable = False
        return matrix

    def _check_signs(self) -> None:
        for name, value in self.signs.items():
            said = SIGNS.get(name)
            if said is None:
                raise FrameError(f"No sign is called “{name}”.{_close(name, SIGNS)}")
            good = (
                isinstance(value, bool)
                if said.startswith("bool")
                else value in ("film", "mri")
                if said.startswith("text")
                else isinstance(value, (int, float)) and not isinstance(value, bool) and isfinite(value) and value >= 0
            )
            if not good:
                raise FrameError(f"The sign “{name}” is {value!r}; it is {said}.")

    def _check_sides(self) -> None:
        """A film turned over, or sides mixed up, must not pass: it would swap the operated hip."""
        if self.view is not View.AP_PELVIS:
            return
        for name in ("head_centre", "teardrop", "lesser_trochanter", "greater_trochanter", "ischium"):
            right, left = (self._column(f"{side}.{name}") for side in ("right", "left"))
            if right is not None and left is not None and (left > right) != self.columns_to_left:
                raise FrameError(
                    f"The {name.replace('_', ' ')} of the right hip lies on the left hip's side of the film. Either "
                    "the film is turned over or the sides were mixed up: look at the side letter, then set "
                    "columns_to_left or move the points."
                )

    def _column(self, key: str) -> float | None:
        point = self.points.get(key) or self.circles.get(key.replace("head_centre", "head"))
        return None if point is None else point[0]

    def to_json(self) -> dict[str, Any]:
        """Plain fields, ready for `json.dumps`; `from_json` reads them back exactly."""
        return {
            "headstock_reading": FORM,
            "view": self.view.value,
            "side": self.side.value,
            "points": {k: list(v) for k, v in self.points.items()},
            "circles": {k: list(v) for k, v in self.circles.items()},
            "outlines": {k: v.tolist() for k, v in self.outlines.items()},
            "sd_px": dict(self.sd_px),
            "covariances_px": {k: v.tolist() for k, v in self.covariances_px.items()},
            "signs": dict(self.signs),
            "columns_to_left": self.columns_to_left,
            "anterior": self.anterior,
            "reader": self.reader,
            "film_sha256": self.film_sha256,
        }

    @classmethod
    def from_json(cls, source: str | bytes | Mapping[str, Any]) -> "Reading":
        """A reading from its JSON; view, side and points are compulsory, all else may be absent.

        Raises
        ------
        FrameError
            Not a reading, an unknown field, point, side or view, or a value of the
            wrong form; the message names it.
        """
        data: Any = source
        if isinstance(source, (str, bytes)):
            try:
                data = json.loads(source)
            except (ValueError, UnicodeDecodeError) as error:
                raise FrameError(
                    f"The landmark file is not JSON ({error}). Save it again from the reading page."
                ) from None
        if not isinstance(data, Mapping):
            raise FrameError("A landmark file holds one JSON object with view, side and points.")
        for name in data:
            if name not in _FIELDS:
                near = get_close_matches(str(name), _FIELDS, n=1)
                hint = f" Did you mean {near[0]}?" if near else ""
                raise FrameError(f"A landmark file has no field “{name}”.{hint}")
        form = data.get("headstock_reading", FORM)
        if form != FORM:
            raise FrameError(f"This landmark file is of form {form!r}; this version reads form {FORM}.")
        lacking = [name for name in ("view", "side", "points") if name not in data]
        if lacking:
            raise FrameError(f"The landmark file lacks {' and '.join(lacking)}; they cannot be guessed.")
        for name in ("points", "circles", "outlines", "sd_px", "covariances_px", "signs"):
            if not isinstance(data.get(name, {}), Mapping):
                raise FrameError(f"“{name}” in the landmark file must be an object of names and values.")
        for name, kinds, word in (
            ("columns_to_left", (bool,), "true or false"),
            ("anterior", (str, type(None)), "up, down, left, right or null"),
            ("reader", (str,), "text"),
            ("film_sha256", (str, type(None)), "text or null"),
        ):
            if name in data and not isinstance(data[name], kinds):
                raise FrameError(f"“{name}” in the landmark file must be {word}.")
        return cls(
            view=_choice(View, data["view"], "view"),
            side=_choice(Side, data["side"], "side"),
            points=data["points"],
            circles=data.get("circles", {}),
            outlines=data.get("outlines", {}),
            sd_px=data.get("sd_px", {}),
            covariances_px=data.get("covariances_px", {}),
            signs=data.get("signs", {}),
            columns_to_left=data.get("columns_to_left", True),
            anterior=data.get("anterior"),
            reader=data.get("reader", ""),
            film_sha256=data.get("film_sha256"),
        )


def _choice(kind: Any, value: object, name: str) -> Any:
    try:
        return kind(value)
    except ValueError:
        raise FrameError(f"The {name} is {value!r}; it must be one of {', '.join(kind)}.") from None


def _numbers(value: Any, size: int, name: str) -> tuple[float, ...]:
    try:
        numbers = tuple(float(v) for v in value)
    except (TypeError, ValueError):
        numbers = ()
    if len(numbers) != size or not all(isfinite(v) for v in numbers) or isinstance(value, (str, bytes)):
        want = "a column and a row" if size == 2 else "a column, a row and a radius"
        raise FrameError(f"“{name}” must be {want}, in pixels; found {value!r}.")
    return numbers


def anterior_direction(patient_orientation: tuple[str, ...]) -> AnteriorDirection | None:
    """Where the front lies on a lateral film, from its header; None when it does not say.

    Source: Patient Orientation (0020,0020), DICOM PS3.3 C.7.6.1.1.1: first value the
    direction of growing columns, second that of growing rows.
    """
    directions: tuple[tuple[AnteriorDirection, AnteriorDirection], ...] = (("right", "left"), ("down", "up"))
    for text, (ahead, behind) in zip(patient_orientation[:2], directions, strict=False):
        letter = text[:1].upper()
        if letter == "A":
            return ahead
        if letter == "P":
            return behind
    return None

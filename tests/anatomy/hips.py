"""Readings for the tests: perfect clicks on the supplied films, and a drawn hip of known measures."""

import json
import zipfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from headstock.anatomy import Reading, View
from headstock.frames import Side

HIPS = Path(__file__).parents[1] / "data" / "hips"
SIDES = {"L": "left", "R": "right"}


@dataclass(frozen=True)
class PlainScale:
    """A scale as the images room gives one: a value and a normal error."""

    mm_per_px: float
    sd: float = 0.0
    source: str = "typed for a test"
    row_factor: float = 1.0

    def draws(self, rng: np.random.Generator, n: int) -> np.ndarray:
        return self.mm_per_px + np.concatenate([[0.0], self.sd * rng.standard_normal(n)])


def truth_of(name: str) -> dict[str, Any]:
    with zipfile.ZipFile(HIPS / f"{name}.zip") as archive:
        member = next(n for n in archive.namelist() if n.endswith("truth.json"))
        return json.loads(archive.read(member))


def perfect_reading(truth: dict[str, Any]) -> Reading:
    """Clicks exactly at the film positions that truth.json gives."""
    film, side = truth["film"], truth["side"]

    def at(p: dict[str, float]) -> tuple[float, float]:
        return (p["col"], p["row"])

    points = {f"{side}.neck_axis_point": at(film["neck_centroid"])}
    points[f"{side}.shaft_proximal"], points[f"{side}.shaft_distal"] = (at(p) for p in film["shaft_points"])
    names = {
        "head_centre": "head_centre",
        "lesser_trochanter": "lesser_trochanter",
        "greater_trochanter": "greater_trochanter",
        "ischial_tuberosity": "ischium",
        "lowest_medial_acetabulum": "teardrop",
    }
    for theirs, ours in names.items():
        for letter, word in SIDES.items():
            points[f"{word}.{ours}"] = at(film[theirs][letter])
    return Reading(view=View.AP_PELVIS, side=Side(side), points=points)


# A hip drawn with ruler and protractor, right side, mm from the head centre, x medial, z proximal: neck-shaft
# angle 130, offset 40, shaft upright, radius 24, trochanter tip level with the centre.
_NECK = np.array([np.sin(np.radians(50.0)), np.cos(np.radians(50.0))])
DRAWN_MM = {
    "head_centre": (0.0, 0.0),
    "neck_axis_point": tuple(-30.0 * _NECK),
    "shaft_proximal": (-40.0, -80.0),
    "shaft_distal": (-40.0, -160.0),
    "greater_trochanter": (-50.0, 0.0),
    "lesser_trochanter": (-20.0, -60.0),
    "teardrop": (30.0, -20.0),
    "ischium": (20.0, -70.0),
    "sourcil_medial": (5.0, 27.0),
    "sourcil_lateral": (-24.0 * 0.5, 24.0 * np.sqrt(0.75)),
    "head_neck_junction_superior": (-24.0 * np.cos(np.radians(-5.0)), 24.0 * np.sin(np.radians(-5.0))),
    "head_neck_junction_inferior": (-6.0, -23.2),
    "neck_superior": tuple(-30.0 * _NECK + 16.0 * np.array([-_NECK[1], _NECK[0]])),
    "neck_inferior": tuple(-30.0 * _NECK - 16.0 * np.array([-_NECK[1], _NECK[0]])),
    "canal_20_medial": (-20.0, -40.0),
    "canal_20_lateral": (-62.0, -40.0),
    "calcar_medial": (-27.0, -60.0),
    "calcar_lateral": (-57.0, -60.0),
    "isthmus_medial": (-34.0, -170.0),
    "isthmus_lateral": (-46.0, -170.0),
    "canal_100_medial": (-32.5, -160.0),
    "canal_100_lateral": (-47.5, -160.0),
    "shaft_100_medial": (-25.0, -160.0),
    "shaft_100_lateral": (-55.0, -160.0),
    "shaft_edge_medial": (-25.0, -80.0),
    "shaft_edge_lateral": (-55.0, -80.0),
    "pelvis_top": (-20.0, 140.0),
    "asis": (-30.0, 90.0),
    "cup_rim_medial": (17.0, -17.0),
    "cup_rim_lateral": (-17.0, 17.0),
    "component_axis_proximal": (0.0, 0.0),
    "component_axis_distal": tuple(-40.0 * np.array([np.sin(np.radians(45.0)), np.cos(np.radians(45.0))])),
    "component_rim_superior": (-20.0, 10.0),
    "component_rim_inferior": (5.0, -20.0),
}
HALF_MM = 90.0  # head centre to midline


def drawn_pelvis(
    *,
    side: Side = Side.RIGHT,
    mm_per_px: float = 0.2,
    turn_deg: float = 0.0,
    columns_to_left: bool = True,
    shorter_left_mm: float = 0.0,
    origin: tuple[float, float] = (860.0, 700.0),
    row_factor: float = 1.0,
    **fields: Any,
) -> Reading:
    """Both hips of the drawn patient on one film; the left lesser trochanter `shorter_left_mm` higher."""
    angle = np.radians(turn_deg)
    rotation = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])

    def place(x_left: float, z: float) -> tuple[float, float]:
        film = np.array([x_left if columns_to_left else -x_left, -z])
        col, row = rotation @ film / mm_per_px
        return (float(col + origin[0]), float((row + origin[1]) / row_factor))

    points = {"pubic_symphysis": place(3.0, -25.0), "sacrum_midline": place(0.0, 40.0)}
    for word, sign in (("right", -1.0), ("left", 1.0)):
        for name, (x, z) in DRAWN_MM.items():
            lift = shorter_left_mm if (word, name) == ("left", "lesser_trochanter") else 0.0
            points[f"{word}.{name}"] = place(sign * (HALF_MM - x), z + lift)
    circles = {f"{w}.head": (*points[f"{w}.head_centre"], 24.0 / mm_per_px) for w in ("right", "left")}
    if row_factor != 1.0:
        circles = {k: (c[0], c[1], c[2]) for k, c in circles.items()}
    return Reading(
        view=View.AP_PELVIS, side=side, points=points, circles=circles, columns_to_left=columns_to_left, **fields
    )

"""Where a reader would click on the supplied films, in film pixels.

AP films: the truth's own points; what the truth has not (roof of the socket, the other
shaft) is where it looks right. Lateral films: rough places, for the search to mend.
"""

import json
import zipfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

HIPS = Path(__file__).resolve().parents[1] / "data" / "hips"
_SIDES = {"L": "left", "R": "right"}
Point = tuple[float, float]


@dataclass(frozen=True)
class Supplied:
    """One supplied patient: where to click, and what must come out."""

    name: str
    number: str
    side: str
    ball_mm: float
    ap_ball: Point
    lateral_ball: Point
    ap: dict[str, Point]
    ap_circles: dict[str, tuple[float, float, float]]
    lateral: dict[str, Point]
    lateral_circles: dict[str, tuple[float, float, float]]
    lesion: tuple[Point, ...]
    truth: dict[str, Any]

    @property
    def zip(self) -> Path:
        return HIPS / f"{self.name}.zip"


def _ring(centre: Point, radius: float, count: int = 10) -> tuple[Point, ...]:
    from math import cos, sin, tau

    return tuple(
        (centre[0] + radius * cos(tau * k / count), centre[1] + radius * sin(tau * k / count)) for k in range(count)
    )


def supplied(name: str) -> Supplied:
    with zipfile.ZipFile(HIPS / f"{name}.zip") as kept:
        truth = json.loads(kept.read("truth.json"))
    film, side = truth["film"], truth["side"]
    medial = 1.0 if side == "right" else -1.0

    def at(place: dict[str, float]) -> Point:
        return place["col"], place["row"]

    ap: dict[str, Point] = {}
    for theirs, ours in (
        ("lesser_trochanter", "lesser_trochanter"),
        ("greater_trochanter", "greater_trochanter"),
        ("lowest_medial_acetabulum", "teardrop"),
        ("ischial_tuberosity", "ischium"),
        ("head_centre", "head_centre"),
    ):
        for letter, place in film[theirs].items():
            ap[f"{_SIDES[letter]}.{ours}"] = at(place)
    middle = (ap["left.head_centre"][0] + ap["right.head_centre"][0]) / 2
    other = "left" if side == "right" else "right"
    for ours, place in zip(("shaft_proximal", "shaft_distal"), film["shaft_points"], strict=True):
        ap[f"{side}.{ours}"] = at(place)
        ap[f"{other}.{ours}"] = (2 * middle - place["col"], place["row"])
    ap[f"{side}.neck_axis_point"] = at(film["neck_centroid"])
    radius = 0.5 * truth["head_diameter_mm"] * film["magnification_at_head"] / film["pixel_mm_at_detector"]
    head = ap[f"{side}.head_centre"]
    ap[f"{side}.sourcil_medial"] = (head[0] + 0.35 * radius * medial, head[1] - 1.1 * radius)
    ap[f"{side}.sourcil_lateral"] = (head[0] - 0.8 * radius * medial, head[1] - 0.85 * radius)
    lateral = truth["lateral_film"]
    head_lateral = at(lateral["head_centre"])
    lateral_radius = 0.5 * truth["head_diameter_mm"] * lateral["head_centre"]["magnification"] / 0.25
    mm = truth["film_measures"]["mm_per_pixel_at_head"]
    # The lesion's centre against the head's, seen from the front; its rim as the truth gives it.
    off = [a - b for a, b in zip(truth["lesion"]["centre_lps_mm"], truth["head_centre_lps_mm"], strict=True)]
    return Supplied(
        name=name,
        number=truth["case"] if truth["case"].startswith("SIM-0") else truth["options"]["pid"],
        side=side,
        ball_mm=film["marker_ball"]["true_diameter_mm"],
        ap_ball=at(film["marker_ball"]["centre"]),
        lateral_ball=(710.0, 740.0),
        ap=ap,
        ap_circles={f"{s}.head": (*ap[f"{s}.head_centre"], radius) for s in ("left", "right")},
        lateral={
            f"{side}.head_centre": head_lateral,
            f"{side}.neck_axis_point": (510.0, 497.0),
            f"{side}.neck_anterior": (510.0, 420.0),
            f"{side}.neck_posterior": (510.0, 572.0),
        },
        lateral_circles={f"{side}.head": (*head_lateral, lateral_radius)},
        lesion=_ring((head[0] + off[0] / mm, head[1] - off[2] / mm), truth["lesion"]["radius_mm"] / mm),
        truth=truth,
    )

"""The supplied patients (tests/data/hips) for tests: films out of their zips, landmark files from their truth."""

import json
import zipfile
from pathlib import Path
from typing import Any

HIPS = Path(__file__).resolve().parents[1] / "data" / "hips"
NAMES = ("alder", "birch", "cedar")
DAY = "2026-11-25"
_SIDES = {"L": "left", "R": "right"}


def truth_of(name: str) -> dict[str, Any]:
    with zipfile.ZipFile(HIPS / f"{name}.zip") as archive:
        (entry,) = [e for e in archive.namelist() if e.endswith("truth.json")]
        return json.loads(archive.read(entry))


def films_of(name: str, folder: Path) -> dict[str, Path]:
    """The two films of a patient, unpacked."""
    found = {}
    with zipfile.ZipFile(HIPS / f"{name}.zip") as archive:
        for view in ("ap_pelvis", "lateral_hip"):
            (entry,) = [e for e in archive.namelist() if e.endswith(f"{view}.dcm")]
            path = folder / f"{name}_{view}.dcm"
            path.write_bytes(archive.read(entry))
            found[view] = path
    return found


def ball_of(truth: dict[str, Any]) -> tuple[float, float]:
    centre = truth["film"]["marker_ball"]["centre"]
    return centre["col"], centre["row"]


def landmarks_of(truth: dict[str, Any]) -> dict[str, Any]:
    """The landmark file that perfect clicks give; the lowest medial acetabulum stands in for the teardrop."""
    film, side = truth["film"], truth["side"]
    points: dict[str, list[float]] = {}
    for theirs, ours in (
        ("lesser_trochanter", "lesser_trochanter"),
        ("greater_trochanter", "greater_trochanter"),
        ("lowest_medial_acetabulum", "teardrop"),
        ("ischial_tuberosity", "ischium"),
    ):
        for letter, place in film[theirs].items():
            points[f"{_SIDES[letter]}.{ours}"] = [place["col"], place["row"]]
    radius = 0.5 * truth["head_diameter_mm"] * film["magnification_at_head"] / film["pixel_mm_at_detector"]
    circles = {f"{_SIDES[x]}.head": [p["col"], p["row"], radius] for x, p in film["head_centre"].items()}
    neck = film["neck_centroid"]
    points[f"{side}.neck_axis_point"] = [neck["col"], neck["row"]]
    for name, place in zip(("shaft_proximal", "shaft_distal"), film["shaft_points"], strict=True):
        points[f"{side}.{name}"] = [place["col"], place["row"]]
    return {"view": "ap_pelvis", "side": side, "points": points, "circles": circles, "columns_to_left": True}

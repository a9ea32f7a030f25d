"""Films with truth for the bench: the supplied patients, and phantoms drawn at random by seed."""

import io
import json
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from headstock.anatomy import Reading
from headstock.phantom import PhantomCase, project_truth, random_case

__all__ = ["PerfectFilm", "phantom_film", "supplied_films"]


@dataclass(frozen=True, slots=True)
class PerfectFilm:
    """A film's perfect reading, the scale at its head, and what must come out (names as `measure` gives them)."""

    name: str
    reading: Reading
    mm_per_px: float
    source_hip_mm: float
    want: dict[str, float]


def _want(truth: dict[str, Any]) -> dict[str, float]:
    measures, side = truth["film_measures"], truth["side"]
    out = {
        f"{side}.neck_shaft_angle_deg": measures["neck_shaft_angle_deg"],
        f"{side}.femoral_offset_mm": measures["femoral_offset_mm"],
        "leg_length_difference_mm": measures["right_minus_left_mm"],
    }
    for letter, word in (("L", "left"), ("R", "right")):
        if letter in measures["lesser_trochanter_below_line_mm"]:
            out[f"{word}.lesser_trochanter_below_line_mm"] = measures["lesser_trochanter_below_line_mm"][letter]
    return out


def _source_hip_mm(truth: dict[str, Any]) -> float:
    film = truth["film"]
    return float(film["source_detector_mm"] / film["magnification_at_head"])


def supplied_films(folder: Path) -> Iterator[tuple[PerfectFilm, bytes, dict[str, Any]]]:
    """Each supplied patient's AP film: perfect reading, DICOM bytes, truth. `folder` holds their zips."""
    for path in sorted(folder.glob("*.zip")):
        with zipfile.ZipFile(io.BytesIO(path.read_bytes())) as kept:
            truth = json.loads(kept.read("truth.json"))
            data = kept.read("ap_pelvis.dcm")
        film, side = truth["film"], truth["side"]
        words = {"L": "left", "R": "right"}
        points: dict[str, list[float]] = {}
        # The lowest medial acetabulum stands in for the teardrop, as the patients' own notes say.
        for name, ours in (("lesser_trochanter", "lesser_trochanter"), ("lowest_medial_acetabulum", "teardrop")):
            for letter, at in film[name].items():
                points[f"{words[letter]}.{ours}"] = [at["col"], at["row"]]
        for place, at in zip(("shaft_proximal", "shaft_distal"), film["shaft_points"], strict=True):
            points[f"{side}.{place}"] = [at["col"], at["row"]]
        points[f"{side}.neck_axis_point"] = [film["neck_centroid"]["col"], film["neck_centroid"]["row"]]
        head = film["head_centre"][{"left": "L", "right": "R"}[side]]
        radius = truth["head_diameter_mm"] / 2 * head["magnification"] / film["pixel_mm_at_detector"]
        reading = Reading.from_json(
            {
                "headstock_reading": 1,
                "view": "ap_pelvis",
                "side": side,
                "points": points,
                "circles": {f"{side}.head": [head["col"], head["row"], radius]},
                "outlines": {},
                "columns_to_left": True,
                "reader": "the supplied truth",
            }
        )
        film_scale = truth["film_measures"]["mm_per_pixel_at_head"]
        yield PerfectFilm(path.stem, reading, film_scale, _source_hip_mm(truth), _want(truth)), data, truth


def phantom_film(number: int, seed: int) -> tuple[PhantomCase, PerfectFilm, dict[str, Any]]:
    """A phantom's AP film, not drawn: its perfect reading and what the cone projection says must come out."""
    from headstock.phantom import perfect_reading_json

    case = random_case(number, seed)
    study = case.studies[0]
    truth = project_truth(study.spec, study.films[0].film)
    reading = Reading.from_json(perfect_reading_json(truth, "ap_pelvis"))
    scale = truth["film_measures"]["mm_per_pixel_at_head"]
    want = _want(truth) | {f"{truth['side']}.head_diameter_mm": 2 * reading.circles[f"{truth['side']}.head"][2] * scale}
    return case, PerfectFilm(case.number, reading, scale, _source_hip_mm(truth), want), truth

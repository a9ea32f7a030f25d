"""A phantom as a hospital would export it: DX films and CT, and beside them what is true.

In: a `PhantomCase` (who, when, which films and scan of which phantom). Out: the bytes of its
DICOM files, its truth, and readings with perfect clicks. `write_case` puts them into
a folder: the commissioning cases of an installation.
"""

import json
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any, Final, Literal

import numpy as np

from headstock.anatomy.cautions import HipFacts
from headstock.errors import TooFewError
from headstock.frames import Side
from headstock.images import DxFacts, write_dx
from headstock.phantom.film import PhantomFilm, render
from headstock.phantom.patient import make_hip_patient
from headstock.phantom.scan import PhantomScan, phantom_ct
from headstock.phantom.scan_spec import ScanSpec
from headstock.phantom.series import Sender, series_files
from headstock.phantom.spec import Cyst, DeadSector, FilmSpec, HipSpec, PhantomSpec
from headstock.phantom.views import patient_orientation

__all__ = [
    "CaseFile",
    "CaseFilm",
    "PhantomCase",
    "PhantomStudy",
    "case_files",
    "dicom_bytes",
    "perfect_reading_json",
    "random_case",
    "scan_files",
    "write_case",
    "write_cases",
]

_SERIES: Final = {"ap_pelvis": (1, "AP PELVIS"), "ap_hip": (2, "AP HIP"), "lateral_hip": (3, "LATERAL HIP")}
_COMMISSIONING_DAY: Final = date(2026, 11, 9)


@dataclass(frozen=True, slots=True)
class CaseFilm:
    """One film of a study: how it is taken, and how its file is kept.

    `magnification_in_header`: the estimated factor that some systems write; None writes none.
    `name`: its file, without ending; the view when empty.
    """

    film: FilmSpec
    photometric: Literal["MONOCHROME1", "MONOCHROME2"] = "MONOCHROME2"
    magnification_in_header: float | None = None
    name: str = ""

    @property
    def file_name(self) -> str:
        """The file's name without ending."""
        return self.name or self.film.view


@dataclass(frozen=True, slots=True)
class PhantomStudy:
    """The films of one day, all of one phantom; `scan`: a CT of the same day, if one was taken."""

    day: date
    spec: PhantomSpec
    films: tuple[CaseFilm, ...]
    scan: ScanSpec | None = None


@dataclass(frozen=True, slots=True)
class PhantomCase:
    """An invented patient: identity, studies, and what the record says.

    `scenario` is a short title, `story` one or two sentences; `facts` are the patient's and
    the hip's, as of the last study.
    """

    number: str
    name: str
    birth_date: date
    sex: Literal["M", "F"]
    studies: tuple[PhantomStudy, ...]
    scenario: str = ""
    story: str = ""
    facts: HipFacts = field(default_factory=HipFacts)

    def __post_init__(self) -> None:
        if not self.studies or any(not study.films for study in self.studies):
            raise TooFewError("A phantom case has at least one study, and a study at least one film. Give them.")

    @property
    def side(self) -> Side:
        """The hip under study."""
        return self.studies[-1].spec.side


@dataclass(frozen=True, slots=True, eq=False)
class CaseFile:
    """One film ready to be kept: `path` relative with "/", DICOM bytes, the film and its truth."""

    path: str
    data: bytes
    film: PhantomFilm


def dicom_bytes(case: PhantomCase, study: PhantomStudy, kept: CaseFilm, film: PhantomFilm) -> bytes:
    """The DX file of one film; imager spacing and source-to-detector distance only, as most systems write."""
    spec = kept.film
    number, description = _SERIES[spec.view]
    lateral = spec.view == "lateral_hip"
    pixels = film.pixels if kept.photometric == "MONOCHROME2" else (4095 - film.pixels).astype(np.uint16)
    facts = DxFacts(
        patient_name=case.name,
        patient_number=case.number,
        birth_date=case.birth_date,
        sex=case.sex,
        study_date=study.day,
        series_description=description,
        body_part="PELVIS" if spec.view == "ap_pelvis" else "HIP",
        view_position="LATERAL" if lateral else "AP",
        laterality=None if spec.view == "ap_pelvis" else study.spec.side,
        patient_orientation=patient_orientation(spec),
        imager_pixel_spacing_mm=(spec.pixel_mm, spec.pixel_mm),
        source_detector_mm=spec.source_detector_mm,
        estimated_magnification=kept.magnification_in_header,
        photometric=kept.photometric,
        series_number=number,
    )
    return write_dx(pixels, facts)


def case_files(case: PhantomCase) -> Iterator[CaseFile]:
    """Each film of a case in turn, made as it is asked for (two to four seconds each)."""
    for study in case.studies:
        patient = make_hip_patient(study.spec)
        for kept in study.films:
            film = render(patient, kept.film)
            path = f"{_folder(case, study)}/{kept.file_name}.dcm"
            yield CaseFile(path, dicom_bytes(case, study, kept, film), film)


def _folder(case: PhantomCase, study: PhantomStudy) -> str:
    """One folder a patient, and one a study where there are several."""
    return f"{case.number}/{study.day.isoformat()}" if len(case.studies) > 1 else case.number


def _series(case: PhantomCase, study: PhantomStudy, found: PhantomScan) -> list[tuple[str, bytes]]:
    """The slices of a study's CT, path relative with "/" and DICOM bytes."""
    number = sum(ord(letter) * 7**i for i, letter in enumerate(case.number)) % 10**9
    born = case.birth_date.strftime("%Y%m%d")
    sender = Sender(case.number, case.name, born, case.sex, study.day.strftime("%Y%m%d"), number)
    return [(f"{_folder(case, study)}/{name}", data) for name, data in series_files(found, sender)]


def scan_files(case: PhantomCase) -> Iterator[tuple[str, bytes]]:
    """Every slice of the CTs a case has, of the same anatomy as its films (about three seconds a CT)."""
    for study in case.studies:
        if study.scan is not None:
            yield from _series(case, study, phantom_ct(study.spec, study.scan))


def perfect_reading_json(truth: dict[str, Any], view: str) -> dict[str, Any]:
    """The reading that perfect clicks on this film give, in the form of a landmark file.

    `truth` as `truth_of_film` gives it. Points that fall outside the film are left out.
    """
    film = truth["lateral_film" if view == "lateral_hip" else "film"]
    width, height = film["columns"], film["rows"]
    points = {
        name: at for name, at in film["points"].items() if -0.5 < at[0] < width - 0.5 and -0.5 < at[1] < height - 0.5
    }
    circles = dict(film["circles"])
    if "marker_ball" in film:
        # Off the central ray the shadow is an ellipse; a ball is marked by its short axis, which gives the scale.
        column, row, _ = film["marker_ball"]["fitted_circle_px"]
        circles["marker_ball"] = [column, row, 0.5 * film["marker_ball"]["image_diameter_px"]]
    return {
        "headstock_reading": 1,
        "view": view,
        "side": truth["side"],
        "points": points,
        "circles": circles,
        "outlines": film["outlines"],
        "columns_to_left": True,
        "anterior": "up" if view == "lateral_hip" else None,
        "reader": "the phantom's truth",
    }


def _merged(truths: list[dict[str, Any]]) -> dict[str, Any]:
    merged: dict[str, Any] = {}
    for truth in truths:
        merged.update(truth)
    return merged


def _write_scan(case: PhantomCase, folder: Path) -> None:
    """The CT of the case's last study beside its films: `ct/`, true labels on its grid, the scan's truth."""
    study = case.studies[-1]
    place = folder / _folder(case, study)
    found = phantom_ct(study.spec, study.scan)
    for name, data in _series(case, study, found):
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
    np.savez_compressed(place / "labels.npz", femur=found.femur, pelvis=found.pelvis, lesion=found.lesion)
    truth = json.loads((place / "truth.json").read_text(encoding="utf-8"))
    (place / "truth.json").write_text(
        json.dumps({**found.truth, **truth, "scan": found.truth["ct"]}, indent=1), encoding="utf-8"
    )


def write_case(case: PhantomCase, folder: Path, *, scan: bool = False) -> tuple[Path, ...]:
    """Write films, `truth.json`, perfect readings and facts of a case below `folder`; returns the films.

    One folder a study when there are several; each study has its own truth. `scan`: a CT of the last study too.
    """
    written: list[Path] = []
    truths: dict[Path, list[dict[str, Any]]] = {}
    for file in case_files(case):
        path = folder / file.path
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(file.data)
        written.append(path)
        truths.setdefault(path.parent, []).append(file.film.truth)
        reading = perfect_reading_json(file.film.truth, file.film.spec.view)
        path.with_name(f"{path.stem}_landmarks.json").write_text(json.dumps(reading), encoding="utf-8")
    for place, found in truths.items():
        (place / "truth.json").write_text(json.dumps(_merged(found), indent=1), encoding="utf-8")
    if scan:
        _write_scan(case, folder)
    facts = {"scenario": case.scenario, "story": case.story, "facts": case.facts.to_json()}
    (folder / case.number / "facts.json").write_text(json.dumps(facts, indent=1, ensure_ascii=False), encoding="utf-8")
    return tuple(written)


def random_case(number: int, seed: int, *, spherical_heads: bool = False) -> PhantomCase:
    """A commissioning case: anatomy, deformity, lesion, pose and film technique drawn from `seed` and `number`.

    `spherical_heads` makes the same case with exact spheres for heads: for trials of a method, not of anatomy.
    """
    rng = np.random.default_rng([seed, number])
    side = Side.RIGHT if rng.random() < 0.5 else Side.LEFT

    def between(low: float, high: float) -> float:
        return round(float(rng.uniform(low, high)), 3)

    healthy = HipSpec(internal_rotation_deg=between(0.0, 15.0), abduction_deg=between(-3.0, 4.0))
    ill = replace(healthy, internal_rotation_deg=between(-5.0, 15.0))
    kind = int(rng.integers(0, 4))
    if kind == 0:
        half = between(28.0, 65.0)
        sector = DeadSector(
            half_angle_deg=half,
            # Deep enough for its angle on any head the draws below can give.
            depth_mm=round(28.0 * (1.0 - float(np.cos(np.radians(half)))) + between(3.0, 7.0), 3),
            anterior_deg=between(5.0, 30.0),
            medial_deg=between(-10.0, 20.0),
            collapse_mm=between(0.0, 4.0) if rng.random() < 0.5 else 0.0,
            crescent=bool(rng.random() < 0.4),
        )
        ill = replace(ill, sector=sector)
    elif kind == 1:
        cyst = Cyst(diameter_mm=between(7.0, 16.0), cover_mm=between(2.0, 5.0), anterior_deg=between(0.0, 25.0))
        ill = replace(ill, cysts=(cyst,))
    elif kind == 2:
        ill = replace(
            ill,
            femur_scale=between(0.9, 1.0),
            head_scale=between(0.9, 1.1),
            neck_shortening_mm=between(0.0, 10.0),
            varus_deg=between(-5.0, 15.0),
            trochanter_rise_mm=between(0.0, 14.0),
        )
    spec = PhantomSpec(
        name=f"CASE-{number:04d}",
        shape_sd=tuple(round(float(w), 3) for w in np.clip(rng.standard_normal(8), -1.6, 1.6)),
        side=side,
        right=ill if side is Side.RIGHT else healthy,
        left=ill if side is Side.LEFT else healthy,
        pelvis_tilt_deg=between(-6.0, 8.0),
        pelvis_rotation_deg=between(-4.0, 4.0),
        pelvis_obliquity_deg=between(-3.0, 3.0),
        spherical_heads=spherical_heads,
    )
    distance, depth = float(rng.choice([1000.0, 1100.0, 1150.0, 1200.0])), between(150.0, 200.0)
    ball_mm, off = float(rng.choice([25.0, 30.0])), between(-20.0, 20.0)
    film_seed = int(rng.integers(0, 2**31))
    ap = FilmSpec(
        source_detector_mm=distance,
        hip_to_detector_mm=depth,
        ball_mm=ball_mm,
        ball_toward_source_mm=off,
        body_mm=between(180.0, 250.0),
        seed=film_seed,
    )
    lateral = replace(
        ap,
        view="lateral_hip",
        rows=1000,
        columns=1000,
        hip_to_detector_mm=between(170.0, 230.0),
        ball_toward_source_mm=between(-15.0, 15.0),
        seed=film_seed + 1,
    )
    polarity: Literal["MONOCHROME1", "MONOCHROME2"] = "MONOCHROME1" if rng.random() < 0.25 else "MONOCHROME2"
    birth = _COMMISSIONING_DAY - timedelta(days=int(rng.integers(20 * 365, 60 * 365)))
    return PhantomCase(
        number=f"CASE-{number:04d}",
        name=f"CASE^{number:04d}",
        birth_date=birth,
        sex="M" if rng.random() < 0.5 else "F",
        studies=(PhantomStudy(_COMMISSIONING_DAY, spec, (CaseFilm(ap, polarity), CaseFilm(lateral))),),
        scenario="commissioning case",
    )


def write_cases(n: int, seed: int, folder: Path, *, scans: bool = False) -> Iterator[PhantomCase]:
    """Write `n` commissioning cases below `folder`, yielding each once it is written; with `scans` a CT each.

    Raises
    ------
    TooFewError
        `n` is not at least one.
    """
    if n < 1:
        raise TooFewError(f"{n} cases were asked for. Ask for one or more.")
    for number in range(1, n + 1):
        case = random_case(number, seed)
        write_case(case, folder, scan=scans)
        yield case

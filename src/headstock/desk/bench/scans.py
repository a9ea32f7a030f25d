"""Scans read against their truth: bone, sphere, axes, lesion, on the supplied patients and on phantoms; and coverage.

In: zips of the supplied patients, phantoms drawn from a seed. Out: rows. Truth is looked at after a scan is read.
"""

import io
import json
import multiprocessing
import os
import resource
import time
import zipfile
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from headstock.desk.bench.row import Row, Tell
from headstock.desk.scans.loose import Loose, read_series
from headstock.errors import HeadstockError
from headstock.frames import Side
from headstock.geometry.grid import Grid
from headstock.images.resample import labels_on
from headstock.images.scan import Scan, ScanHeader
from headstock.images.scan_read import scan_of_files
from headstock.phantom.patient import make_hip_patient
from headstock.phantom.scan import PhantomScan, fine_ct, phantom_ct
from headstock.phantom.scan_spec import ScanSpec, Tissue
from headstock.phantom.spec import Cyst, DeadSector, HipSpec, PhantomSpec

__all__ = ["PhantomCase", "accuracy", "phantom_cases", "scan_coverage"]


@dataclass(frozen=True, slots=True, eq=False)
class _Case:
    """A scan, its truth and the true labels of the femur on its grid; `exact`: the head is a sphere.

    `surface` (k, 3) LPS: points of the true surface, where there is one finer than voxels.
    """

    name: str
    scan: Scan
    femur: NDArray[np.bool_]
    truth: Mapping[str, Any]
    side: Side
    lesion_cm3: float | None
    exact: bool
    surface: NDArray[np.float64] | None = None


@dataclass(frozen=True, slots=True)
class PhantomCase:
    """One phantom of the bench."""

    spec: PhantomSpec
    scan: ScanSpec
    exact: bool


def phantom_cases(count: int, seed: int, step_mm: tuple[float, float] = (0.8, 1.2)) -> list[PhantomCase]:
    """`count` phantoms, every second with a spherical head: people, sides, lesions, gaps and scanners differ.

    `step_mm`: least and greatest edge of a voxel.

    Shapes are of the population that the shape model was made from (all its modes), so heads are as uneven as real
    ones. Scanners differ in voxel, slice, blur, kernel, noise and its grain, people in how dense cortex and
    trabecular bone are.
    """
    found: list[PhantomCase] = []
    number = 0
    while len(found) < count:
        number += 1
        rng = np.random.default_rng([seed, number])
        exact = len(found) % 2 == 1
        side = Side.LEFT if rng.random() < 0.5 else Side.RIGHT
        lesion: dict[str, Any] = (
            {"cysts": (Cyst(diameter_mm=rng.uniform(11.0, 20.0), anterior_deg=rng.uniform(0.0, 30.0)),)}
            if rng.random() < 0.6
            else {"sector": DeadSector(half_angle_deg=rng.uniform(35.0, 55.0), depth_mm=rng.uniform(12.0, 20.0))}
        )
        mine = HipSpec(joint_space_mm=rng.uniform(1.0, 3.8), internal_rotation_deg=rng.uniform(-5.0, 15.0), **lesion)
        spec = PhantomSpec(
            name=f"BENCH-{number}",
            shape_sd=tuple(np.clip(rng.standard_normal(25), -3.0, 3.0).tolist()),
            side=side,
            right=mine if side is Side.RIGHT else HipSpec(),
            left=mine if side is Side.LEFT else HipSpec(),
            spherical_heads=exact,
        )
        step, slice_mm = float(rng.uniform(*step_mm)), float(rng.uniform(*step_mm))
        scan = ScanSpec(
            spacing_mm=(step, step, slice_mm),
            thickness_mm=slice_mm * float(rng.uniform(1.0, 1.5)),
            blur_mm=float(rng.uniform(0.35, 0.75)),
            overshoot=float(rng.uniform(0.0, 0.6)),
            noise_HU=float(rng.uniform(8.0, 30.0)),
            noise_correlation_mm=float(rng.uniform(0.0, 0.8)),
            tissue=Tissue(density=float(rng.uniform(0.8, 1.2)), cortex_HU=float(rng.uniform(1000.0, 1500.0))),
            seed=number,
        )
        try:
            make_hip_patient(spec)
        except HeadstockError:
            continue  # a draw that no patient can have; the next number draws another
        found.append(PhantomCase(spec, scan, exact))
    return found


def _as_scan(found: PhantomScan) -> Scan:
    return Scan(found.values, found.grid, "CT", ScanHeader(side=found.side))


def _supplied(folder: Path) -> Iterator[_Case]:
    for path in sorted(folder.glob("*.zip")):
        with zipfile.ZipFile(path) as archive:
            names = archive.namelist()
            scan = scan_of_files([archive.read(name) for name in names if "ct/" in name and name.endswith(".dcm")])
            truth = json.loads(archive.read(next(name for name in names if name.endswith("truth.json"))))
            with np.load(io.BytesIO(archive.read(next(n for n in names if n.endswith("labels.npz"))))) as kept:
                femur = np.asarray(kept["femur"], np.bool_)
        ball = truth["lesion"]
        index = np.moveaxis(np.indices(scan.grid.shape), 0, -1)[..., ::-1]
        away = np.linalg.norm(scan.grid.points(index) - np.array(ball["centre_lps_mm"]), axis=-1)
        # The stated ball as far as it lies in the femur, by partial volume at its edge.
        share = np.clip(0.5 + float(ball["radius_mm"]) - away, 0.0, 1.0) * femur
        yield _Case(path.stem, scan, femur, truth, Side(truth["side"]), float(share.sum()) / 1000.0, False)


def _phantoms(cases: Sequence[PhantomCase]) -> Iterator[_Case]:
    for case in cases:
        found = phantom_ct(case.spec, case.scan)
        mine = _own_femur(found)
        truth = found.truth
        hip = make_hip_patient(case.spec).hips[found.side]
        yield _Case(
            case.spec.name,
            _as_scan(found),
            mine,
            truth,
            found.side,
            truth["lesion_volume_cm3"] or None,
            case.exact,
            hip.surface_lps(hip.femur.outer).vertices,
        )


def _own_femur(found: PhantomScan) -> NDArray[np.bool_]:
    """The femur of the side under study: the one whose head is the truth's."""
    from scipy.ndimage import label

    pieces, _ = label(found.femur)
    c, r, s = np.round(found.grid.index(np.array(found.truth["head_centre_lps_mm"]))).astype(int)
    return np.asarray(pieces == pieces[s, r, c])


def _dice(a: NDArray[np.bool_], b: NDArray[np.bool_]) -> float:
    both, together = int(np.count_nonzero(a & b)), int(np.count_nonzero(a)) + int(np.count_nonzero(b))
    return 2.0 * both / max(together, 1)


def _surface_95_mm(a: NDArray[np.bool_], b: NDArray[np.bool_], grid: Grid) -> float:
    """95th percentile of the distance between two masks' borders, both ways, mm; the field's edge is no border."""
    from scipy.ndimage import binary_erosion, distance_transform_edt

    sampling = grid.spacing_mm[::-1]

    def border(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
        return np.asarray(mask & ~binary_erosion(mask, border_value=1))

    first, second = border(a), border(b)
    to_second = distance_transform_edt(~second, sampling=sampling)[first]
    to_first = distance_transform_edt(~first, sampling=sampling)[second]
    return float(np.percentile(np.concatenate([to_second, to_first]), 95.0))


def _off_surface_95_mm(found: Loose, points: NDArray[np.float64]) -> float:
    """95th percentile of the distance of true surface points from the surface found, between voxels, mm."""
    from scipy.ndimage import map_coordinates

    grid = found.seg.grid
    index = grid.index(points)
    inside = np.all((index > 1.5) & (index < np.array(grid.shape[::-1]) - 2.5), axis=1)
    seen = map_coordinates(found.seg.femur_mm, index[inside].T[::-1], order=1)
    return float(np.percentile(np.abs(seen), 95.0))


def _angle_deg(a: Any, b: Any) -> float:
    u, v = np.asarray(a, np.float64), np.asarray(b, np.float64)
    cosine = abs(float(u @ v)) / float(np.linalg.norm(u) * np.linalg.norm(v))
    return float(np.degrees(np.arccos(min(cosine, 1.0))))


def _errors(case: _Case, found: Loose) -> dict[str, float]:
    truth, hip = case.truth, found.hip
    femur = labels_on(found.seg.femur.astype(np.uint8), found.seg.grid, case.scan.grid) > 0
    centre = hip.lps(hip.head_centre[0])
    errors = {
        "femur Dice": _dice(femur, case.femur),
        "femur surface, 95th percentile": _surface_95_mm(femur, case.femur, case.scan.grid)
        if case.surface is None
        else _off_surface_95_mm(found, case.surface),
        "head centre": float(np.linalg.norm(centre - np.array(truth["head_centre_lps_mm"]))),
        "head diameter": abs(hip.measures["head_diameter_mm"].number - truth["head_diameter_mm"]),
        "neck axis": _angle_deg(hip.to_lps @ hip.neck_axis[0], truth["neck_axis_lps"]),
    }
    for name, key in (("neck-shaft angle", "neck_shaft_angle_deg"), ("offset", "femoral_offset_mm")):
        value = hip.measures.get(key)
        errors[name] = np.inf if value is None or value.value is None else abs(value.value - truth[key])
    if case.lesion_cm3:
        volume = found.lesion.measures.get("volume_cm3")
        seen = 0.0 if volume is None or volume.value is None else volume.value
        errors["lesion volume"] = 100.0 * abs(seen - case.lesion_cm3) / case.lesion_cm3
    return errors


# what: (unit, asked on real shapes, sense)
_ASKED: Final[dict[str, tuple[str, float, str]]] = {
    "femur Dice": ("1", 0.97, "at least"),
    "femur surface, 95th percentile": ("mm", 1.0, "at most"),
    "head centre": ("mm", 1.0, "at most"),
    "head diameter": ("mm", 1.0, "at most"),
    "neck axis": ("deg", 2.0, "at most"),
    "neck-shaft angle": ("deg", 2.0, "at most"),
    "offset": ("mm", 1.5, "at most"),
    "lesion volume": ("%", 10.0, "at most"),
}
_SAME_WHEN_EXACT: Final = ("femur Dice", "lesion volume")


def accuracy(folder: Path | None, count: int, seed: int, tell: Tell) -> list[Row]:
    """Worst errors on the supplied patients, on real-shaped and on exact phantoms; how long, how much memory."""
    groups: dict[str, list[tuple[str, dict[str, float]]]] = {}
    seconds: list[float] = []

    def take(group: str, cases: Iterator[_Case]) -> None:
        for case in cases:
            begun = time.perf_counter()
            try:
                found = read_series(case.scan, case.side)
            except HeadstockError as stop:
                tell(f"    {case.name}: not read: {stop}")
                groups.setdefault(group, []).append((case.name, {name: _failed(name) for name in _ASKED}))
                continue
            seconds.append(time.perf_counter() - begun)
            errors = _errors(case, found)
            groups.setdefault(group, []).append((case.name, errors))
            tell(f"    {case.name}: " + ", ".join(f"{name} {value:.3g}" for name, value in errors.items()))

    if folder is not None:
        take("supplied patients", _supplied(folder))
    cases = phantom_cases(count, seed)
    take("phantoms of real shape", _phantoms([case for case in cases if not case.exact]))
    take("exact phantoms", _phantoms([case for case in cases if case.exact]))
    rows = []
    for group, found in groups.items():
        for name, (unit, asked, sense) in _ASKED.items():
            values = [errors[name] for _, errors in found if name in errors]
            if not values:
                continue
            least = sense == "at least"
            limit = 0.5 * asked if group == "exact phantoms" and name not in _SAME_WHEN_EXACT else asked
            worst = min(values) if least else max(values)
            within = sum(value >= limit if least else value <= limit for value in values)
            rows.append(
                Row(
                    "scans", f"{group}: {name}, worst", worst, unit, limit, "at least" if least else "at most",
                    of=f"{within} of {len(values)} reach it; median {float(np.median(values)):.3g}",
                )
            )  # fmt: skip
    if seconds:
        rows.append(Row("scans", "a scan read, without its stock profile, slowest", max(seconds), "s", 20.0))
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    rows.append(Row("scans", "memory at most, this process", peak, "GB", 2.0))
    return rows


def _failed(name: str) -> float:
    return 0.0 if _ASKED[name][2] == "at least" else float("inf")


# ---- coverage ------------------------------------------------------------------------------------------------

_COVERAGE_STEP_MM: Final = (1.1, 1.5)
_COVERED: Final = ("head_diameter_mm", "neck_shaft_angle_deg", "femoral_offset_mm", "smallest_neck_section_mm2")


def _holds(read: Loose, truth: Mapping[str, Any]) -> dict[str, bool]:
    """Whether each interval of one reading holds what is true."""
    measures = {name: (read.hip.measures.get(name), truth[name]) for name in _COVERED}
    measures["lesion volume_cm3"] = read.lesion.measures.get("volume_cm3"), truth["lesion_volume_cm3"]
    held = {
        name: bool(value.low <= true <= value.high)
        for name, (value, true) in measures.items()
        if value is not None and value.low is not None and value.high is not None
    }
    # The frame is that of the reading: its centre is the origin, and the draws scatter about it.
    centre = read.hip.to_lps.T @ (np.array(truth["head_centre_lps_mm"]) - read.hip.lps(np.zeros(3)))
    low, high = np.percentile(read.hip.head_centre[1:], (2.5, 97.5), axis=0)
    for axis, word in enumerate(("medial", "anterior", "proximal")):
        held[f"head centre, {word}"] = bool(low[axis] <= centre[axis] <= high[axis])
    return held


def _repeats(number: int, case: PhantomCase, each: int, seed: int) -> tuple[str, dict[str, list[bool]], list[str]]:
    """One patient of the coverage: its name, what each interval held, and why repeats could not be read."""
    fine = fine_ct(case.spec, case.scan)
    rng = np.random.default_rng([seed, 5, number])
    held: dict[str, list[bool]] = {}
    stops: list[str] = []
    for repeat in range(each):
        shift = rng.uniform(-0.5, 0.5, 3) * np.array(case.scan.spacing_mm)
        found = fine.scan(offset_mm=(shift[0], shift[1], shift[2]), seed=1000 * number + repeat)
        centre = np.array(found.truth["head_centre_lps_mm"]) + rng.uniform(-6.0, 6.0, 3)
        try:
            read = read_series(_as_scan(found), found.side, seed_lps_mm=(centre[0], centre[1], centre[2]))
        except HeadstockError as stop:
            stops.append(str(stop))
            continue
        for name, hit in _holds(read, found.truth).items():
            held.setdefault(name, []).append(hit)
    return f"{case.spec.name}{' (exact)' if case.exact else ''}", held, stops


def scan_coverage(repeats: int, phantoms: int, seed: int, tell: Tell) -> list[Row]:
    """Whether 95 % intervals hold the truth, over repeats with fresh noise, another grid and another seed point.

    A repeat of one patient moves little, so what counts is how many patients there are. Voxels of 1.1 to 1.5 mm: they
    are read in a third of the time of those of 1 mm, and their errors are larger.
    """
    held: dict[str, list[list[bool]]] = {}
    cases = phantom_cases(phantoms, seed, _COVERAGE_STEP_MM)
    each = max(1, repeats // phantoms)
    failed = 0
    # One patient a process: reading a scan keeps one processor busy, and nothing is shared.
    with ProcessPoolExecutor(max(1, min(2, os.cpu_count() or 1)), multiprocessing.get_context("spawn")) as pool:
        for name, hits, stops in pool.map(_repeats, range(phantoms), cases, *([n] * phantoms for n in (each, seed))):
            failed += len(stops)
            for stop in stops:
                tell(f"    {name}: not read: {stop}")
            for measure, some in hits.items():
                held.setdefault(measure, []).append(some)
            tell(f"    {name}: " + ", ".join(f"{m} {100.0 * np.mean(some):.0f} %" for m, some in hits.items()))
    rows = []
    for name, patients in held.items():
        share = 100.0 * float(np.mean([hit for some in patients for hit in some]))
        # Repeats of one patient go together: the spread between patients says how well the share is known.
        error = 100.0 * float(np.std([np.mean(some) for some in patients]) / np.sqrt(len(patients)))
        count = sum(len(some) for some in patients)
        of = f"{share:.2f} % of {count} repeats of {len(patients)} phantoms, standard error {error:.2f} %"
        rows.append(Row("scan-coverage", f"{name}: distance of coverage from 95 %", abs(share - 95.0), "%", 2.0, of=of))
    rows.append(Row("scan-coverage", "repeats that could not be read", float(failed), "1", 0.0))
    return rows

"""How long scans take: opening, finding the bone, the stock profile, dragging a part in space, comparing levels."""

import time
import zipfile
from collections.abc import Callable
from pathlib import Path

import numpy as np

from headstock.anatomy.scan.density import uncalibrated
from headstock.anatomy.scan.stock import stock_profile
from headstock.desk.bench.row import Row, Tell
from headstock.desk.limits import limits_shipped
from headstock.desk.scans.loose import read_series
from headstock.frames import Side
from headstock.geometry.grid import Grid
from headstock.images.scan_read import scan_of_files
from headstock.implants import Catalogue, CutLevel
from headstock.phantom.scan import PhantomScan
from headstock.phantom.series import series_files
from headstock.phantom.spec import PhantomSpec
from headstock.planning.space.appraise import appraise_space, space_point_values
from headstock.planning.space.fields import prepare_space
from headstock.planning.space.optimise import best_in_space

__all__ = ["scan_speeds"]


def _seconds(work: Callable[[], object], times: int) -> float:
    """The middle of several runs."""
    found = []
    for _ in range(times):
        begun = time.perf_counter()
        work()
        found.append(time.perf_counter() - begun)
    return float(np.median(found))


def _large_series() -> list[bytes]:
    """400 slices of 512 x 512."""
    rng = np.random.default_rng(4)
    values = rng.integers(-100, 1200, (400, 512, 512), dtype=np.int16)
    grid = Grid(np.zeros(3), np.eye(3), np.array([0.7, 0.7, 0.8]), values.shape)
    plain = PhantomScan(values, values, np.zeros((1, 1, 1), np.uint8), grid, PhantomSpec(side=Side.LEFT), {})
    return [data for _, data in series_files(plain)]


def scan_speeds(folder: Path | None, tell: Tell) -> list[Row]:
    """Times of one supplied patient; without one nothing but the opening is timed."""
    tell("opening 400 slices")
    files = _large_series()
    rows = [
        Row(
            "scan-speed",
            "a series of 400 slices of 512 x 512 opened",
            _seconds(lambda: scan_of_files(files), 3),
            "s",
            4.0,
        )
    ]
    if folder is None:
        return rows
    path = sorted(folder.glob("*.zip"))[0]
    tell(f"{path.stem}: finding the bone, measuring, comparing")
    with zipfile.ZipFile(path) as archive:
        slices = [archive.read(name) for name in archive.namelist() if "ct/" in name and name.endswith(".dcm")]
    begun = time.perf_counter()
    scan = scan_of_files(slices)
    side = scan.header.side or Side.RIGHT
    read = read_series(scan, side)
    read_s = time.perf_counter() - begun
    stock_profile(scan, read.seg, read.hip, read.lesion, uncalibrated())
    stock_s = time.perf_counter() - begun
    catalogue, limits = Catalogue.load([]), limits_shipped()
    space = prepare_space(scan, read.seg, read.hip, read.lesion, uncalibrated())
    begun = time.perf_counter()
    best = [best_in_space(space, level, catalogue, limits) for level in CutLevel]
    compared_s = time.perf_counter() - begun
    placement = next(one.placement for one in best if one.placement is not None)
    appraise_space(space, placement, catalogue, limits)
    values_s = _seconds(lambda: space_point_values(space, placement, catalogue, limits), 15)
    live_s = _seconds(lambda: appraise_space(space, placement, catalogue, limits, live=True), 15)
    whole_s = _seconds(lambda: appraise_space(space, placement, catalogue, limits), 5)
    return [
        *rows,
        Row("scan-speed", "series to outlines and measures", read_s, "s", 20.0),
        Row("scan-speed", "series to stock profile", stock_s, "s", 40.0),
        Row("scan-speed", "search of four levels, all sizes, first time in a process", compared_s, "s", 15.0),
        Row("scan-speed", "values of a placement while it is dragged", 1000.0 * values_s, "ms", 30.0),
        Row("scan-speed", "whole appraisal with intervals while it is dragged", 1000.0 * live_s, "ms"),
        Row("scan-speed", "whole appraisal with all draws", whole_s, "s", 6.0),
    ]

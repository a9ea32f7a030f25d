"""Phantom CTs for the desk's tests: a small one that only comes in, and a hip with a cyst, read once a process."""

import shutil
import sqlite3
import tomllib
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path

import pytest

import headstock.implants
from headstock.desk.bringing import Brought, bring_bytes
from headstock.desk.desk import Desk, Memory, open_desk
from headstock.desk.scans.reading import find_outlines
from headstock.frames import Side
from headstock.implants import Catalogue
from headstock.implants.schema import parse_family
from headstock.phantom.scan import PhantomScan, phantom_ct
from headstock.phantom.scan_spec import ScanSpec
from headstock.phantom.series import series_files
from headstock.phantom.spec import Cyst, HipSpec, PhantomSpec

NOW = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
TODAY = NOW.date()
WITH_CYST = PhantomSpec(side=Side.LEFT, left=HipSpec(cysts=(Cyst(diameter_mm=15.0),)))
_KEPT: dict[str, "Case"] = {}
_READ: dict[str, tuple[Path, str, str]] = {}
# What is worked out of scans lies under a fingerprint of all it was made from: records with the same scan share it.
_SCANS, _HIPS = Memory(4), Memory(24)
# The size of each family that a search of all of them ends at on `with_cyst`: one each makes a comparison quick.
_SIZES = {"surface-cap": "4", "mid-head-bowl": "5", "high-neck-stem": "5", "standard-stem": "4"}


@dataclass(frozen=True, slots=True)
class Case:
    """A record with one left hip whose CT was read."""

    desk: Desk
    scan: str
    hip: str


@lru_cache(maxsize=1)
def small() -> PhantomScan:
    """Too coarse and short to be read, whole enough to be a scan."""
    spec = ScanSpec(spacing_mm=(2.5, 2.5, 2.5), cells=1, above_mm=20.0, below_mm=20.0)
    return phantom_ct(PhantomSpec(side=Side.LEFT), spec)


@lru_cache(maxsize=1)
def with_cyst() -> PhantomScan:
    """A left hip at 1.5 mm with a cyst of 15 mm."""
    return phantom_ct(WITH_CYST, ScanSpec(spacing_mm=(1.5, 1.5, 1.5), cells=2))


@lru_cache(maxsize=1)
def few_sizes() -> Catalogue:
    """Every cut level with one family of one size, and all cups and heads."""
    whole = Catalogue.load()
    families = {}
    for path in sorted((Path(headstock.implants.__file__).parent / "families").glob("*.toml")):
        content = tomllib.loads(path.read_text(encoding="utf-8"))
        if content["id"] in _SIZES:
            content["sizes"] = [size for size in content["sizes"] if size["id"] == _SIZES[content["id"]]]
            families[content["id"]] = parse_family(content, path.name)
    return Catalogue(families, whole.cup_families, whole.head_families)


def bring(desk: Desk, files: Iterable[tuple[str, bytes]], into: str | None = None) -> list[Brought]:
    """Bring files in as the import does."""
    return list(bring_bytes(desk, files, who="A", now=NOW, into=into))


def _read_record(factory: pytest.TempPathFactory) -> tuple[Path, str, str]:
    """The folder of a record whose one scan was just read, with the scan's and the hip's id; nobody opens it again."""
    if "read" not in _READ:
        folder = factory.mktemp("scan") / "data"
        desk = open_desk(folder)
        (line,) = bring(desk, series_files(with_cyst()))
        assert line.scan_id is not None
        assert line.hip_id is not None
        find_outlines(desk, line.scan_id, line.hip_id, None, lambda _share, _words: None, who="A", now=NOW)
        desk.close()
        _READ["read"] = folder, line.scan_id, line.hip_id
    return _READ["read"]


def _copy(factory: pytest.TempPathFactory) -> tuple[Path, str, str]:
    folder, scan, hip = _read_record(factory)
    copy = factory.mktemp("copy") / "data"
    shutil.copytree(folder, copy, ignore=shutil.ignore_patterns("headstock.sqlite3*", "*.lock"))
    source, target = sqlite3.connect(folder / "headstock.sqlite3"), sqlite3.connect(copy / "headstock.sqlite3")
    source.backup(target)
    source.close()
    target.close()
    return copy, scan, hip


def own_case(factory: pytest.TempPathFactory) -> Case:
    """The read hip in a record of its own, which a test may change as it likes; planned with `few_sizes`."""
    folder, scan, hip = _copy(factory)
    return Case(replace(open_desk(folder), catalogue=few_sizes(), scans=_SCANS, hips=_HIPS), scan, hip)


def case_of(factory: pytest.TempPathFactory) -> Case:
    """The read hip with every size; made once, so tests put back what they change."""
    if "case" not in _KEPT:
        folder, scan, hip = _copy(factory)
        _KEPT["case"] = Case(open_desk(folder), scan, hip)
    return _KEPT["case"]

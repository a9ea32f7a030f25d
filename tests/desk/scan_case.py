"""Phantom CTs for the desk's tests: a small one that only comes in, and a hip with a cyst, read once a process."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache

import pytest

from headstock.desk.bringing import Brought, bring_bytes
from headstock.desk.desk import Desk, open_desk
from headstock.desk.scans.reading import find_outlines
from headstock.frames import Side
from headstock.phantom.scan import PhantomScan, phantom_ct
from headstock.phantom.scan_spec import ScanSpec
from headstock.phantom.series import series_files
from headstock.phantom.spec import Cyst, HipSpec, PhantomSpec

NOW = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
TODAY = NOW.date()
_KEPT: dict[str, "Case"] = {}


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
    spec = PhantomSpec(side=Side.LEFT, left=HipSpec(cysts=(Cyst(diameter_mm=15.0),)))
    return phantom_ct(spec, ScanSpec(spacing_mm=(1.5, 1.5, 1.5), cells=2))


def bring(desk: Desk, files: Iterable[tuple[str, bytes]], into: str | None = None) -> list[Brought]:
    """Bring files in as the import does."""
    return list(bring_bytes(desk, files, who="A", now=NOW, into=into))


def case_of(factory: pytest.TempPathFactory) -> Case:
    """The read hip; made once, so tests put back what they change."""
    if "case" not in _KEPT:
        desk = open_desk(factory.mktemp("scan") / "data")
        (line,) = bring(desk, series_files(with_cyst()))
        assert line.scan_id is not None
        assert line.hip_id is not None
        find_outlines(desk, line.scan_id, line.hip_id, None, lambda _share, _words: None, who="A", now=NOW)
        _KEPT["case"] = Case(desk, line.scan_id, line.hip_id)
    return _KEPT["case"]

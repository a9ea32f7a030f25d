"""Dead bone marked by one click on an MR reaches the CT's stock profile where it lies."""

import io
from datetime import UTC, datetime

import numpy as np
import pydicom
import pytest

from headstock.desk.bringing import bring_bytes
from headstock.desk.desk import Desk, open_desk
from headstock.desk.limits import limits_shipped
from headstock.desk.scans.marking import mark_lesion
from headstock.desk.scans.reading import find_outlines, outlines_of, scan_scene
from headstock.desk.scans.volume import volume
from headstock.errors import ImageError
from headstock.frames import Side
from headstock.phantom.scan import PhantomScan, phantom_ct
from headstock.phantom.scan_spec import ScanSpec
from headstock.phantom.series import Sender, series_files
from headstock.phantom.spec import Cyst, HipSpec, PhantomSpec
from headstock.records.scans import scan as scan_row

NOW = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
_SHIFT = np.array([3.0, -4.0, 2.5])


def _as_mr(found: PhantomScan) -> list[tuple[str, bytes]]:
    """The same patient on another machine: marrow bright, cortex dark, the cyst dark, lying elsewhere."""
    HU = found.values.astype(np.float64)
    bright = np.interp(HU, [-1000, -100, 20, 60, 150, 450, 900, 1300], [0, 250, 90, 320, 900, 1000, 150, 40])
    rng = np.random.default_rng(3)
    values = np.clip(bright + rng.normal(0.0, 20.0, HU.shape), 0, 4000).astype(np.int16)
    moved = PhantomScan(values, values, found.labels, found.grid, found.spec, found.truth)
    out = []
    for name, data in series_files(moved, Sender(uid=2)):
        one = pydicom.dcmread(io.BytesIO(data))
        one.Modality, one.SOPClassUID = "MR", "1.2.840.10008.5.1.4.1.1.4"
        one.file_meta.MediaStorageSOPClassUID = one.SOPClassUID
        one.ImagePositionPatient = [
            f"{float(v) + s:.6f}" for v, s in zip(one.ImagePositionPatient, _SHIFT, strict=True)
        ]
        del one.RescaleType
        raw = io.BytesIO()
        one.save_as(raw, enforce_file_format=True)
        out.append((f"mr/{name}", raw.getvalue()))
    return out


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Desk:
    return open_desk(tmp_path_factory.mktemp("mr") / "data")


@pytest.mark.slow
def test_a_click_on_mr_puts_the_lesion_onto_the_ct_with_its_error(desk: Desk) -> None:
    spec = PhantomSpec(side=Side.LEFT, left=HipSpec(cysts=(Cyst(diameter_mm=15.0),)))
    found = phantom_ct(spec, ScanSpec(spacing_mm=(1.25, 1.25, 1.25), cells=2))
    lines = list(bring_bytes(desk, series_files(found), who="A", now=NOW))
    lines += list(bring_bytes(desk, _as_mr(found), who="A", now=NOW))
    ct, mr = [line.scan_id for line in lines if line.scan_id is not None]
    hip = next(line.hip_id for line in lines if line.scan_id == ct)
    assert ct is not None
    assert mr is not None
    assert hip is not None
    find_outlines(desk, ct, hip, None, lambda _share, _words: None, who="A", now=NOW)
    with desk.store.session() as session:
        row = scan_row(session, ct)
    outlines = outlines_of(desk, row, hip)
    truth = found.truth
    click = np.array(truth["lesion"]["centre_lps_mm"]) + _SHIFT
    centre, radius = np.array(truth["head_centre_lps_mm"]), 0.5 * truth["head_diameter_mm"]
    there = (volume(desk, row), outlines.seg, centre, radius)
    with pytest.raises(ImageError, match="marked by a click on MR"):
        mark_lesion(desk, ct, hip, list(click), there, lambda _s, _w: None, who="A", now=NOW)
    before = scan_scene(desk, row, hip, limits_shipped()).basis
    says = mark_lesion(desk, mr, hip, list(click), there, lambda _s, _w: None, who="A", now=NOW)
    assert "lies on the CT within" in says
    scene = scan_scene(desk, row, hip, limits_shipped())
    assert scene.basis != before
    assert scene.lesion.modality == "MR"
    part = min(
        scene.lesion.parts,
        key=lambda one: np.linalg.norm(scene.hip.lps(one.centre_hip_mm) - truth["lesion"]["centre_lps_mm"]),
    )
    assert np.linalg.norm(scene.hip.lps(part.centre_hip_mm) - truth["lesion"]["centre_lps_mm"]) < 2.0
    whole = scene.lesion.measures["volume_cm3"]
    assert whole.low is not None
    assert whole.high is not None
    assert whole.low < truth["lesion_volume_cm3"] < whole.high

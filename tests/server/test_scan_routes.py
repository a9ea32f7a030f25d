"""Scans over HTTP: pages, volumes, pictures, corrections, seeds, density, the stock profile; and everything wrong."""

import io
import json
import logging
import sys
import time
import urllib.parse
import warnings
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pydicom
import pytest
import sqlalchemy as sa

from headstock.anatomy.scan.segmentation import FEMUR
from headstock.desk.desk import Desk
from headstock.desk.scans import volumes
from headstock.desk.scans.reading import outlines_of
from headstock.images.scan import Scan, ScanHeader
from headstock.phantom.series import Sender, series_files
from headstock.records import audit_lines, check_chain
from headstock.records.drafts import find_draft, steps_to
from headstock.records.people import hip_of
from headstock.records.scans import outlines_subject
from headstock.records.scans import scan as scan_row
from headstock.records.tables import Draft, JobRow
from headstock.server.app import make_app
from headstock.server.guarded import Reach

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "desk"))
from scan_case import NOW, Case, bring, own_case, small, with_cyst

with warnings.catch_warnings():
    # Starlette prefers a newer client library than the locked one; the one here answers the same.
    warnings.simplefilter("ignore")
    from fastapi.testclient import TestClient

BASE = "http://127.0.0.1:8470"
JSON = {"content-type": "application/json"}
TRUTH = with_cyst().truth
HEAD = tuple(float(v) for v in TRUTH["head_centre_lps_mm"])


def _as_mr(files: list[tuple[str, bytes]]) -> Iterator[tuple[str, bytes]]:
    for name, data in files:
        one = pydicom.dcmread(io.BytesIO(data))
        one.Modality, one.SOPClassUID = "MR", "1.2.840.10008.5.1.4.1.1.4"
        one.file_meta.MediaStorageSOPClassUID = one.SOPClassUID
        del one.RescaleType
        out = io.BytesIO()
        one.save_as(out, enforce_file_format=True)
        yield f"mr/{name}", out.getvalue()


class Record:
    """A read left hip behind the application, an MR of it, and another patient's scan."""

    def __init__(self, case: Case) -> None:
        self.desk: Desk = case.desk
        self.scan, self.hip = case.scan, case.hip
        (mr,) = bring(self.desk, _as_mr(series_files(small(), Sender(uid=7))))
        (other,) = bring(self.desk, series_files(small(), Sender(number="PH-002", name="OTHER^PERSON", uid=3)))
        assert mr.scan_id is not None
        assert other.scan_id is not None
        assert other.hip_id is not None
        self.mr, self.other_scan, self.other_hip = mr.scan_id, other.scan_id, other.hip_id
        application = make_app(self.desk, lambda: NOW, reach=Reach(json_bytes=500_000))
        self.client = TestClient(application, base_url=BASE, raise_server_exceptions=False)
        typed = self.client.put(self.address("/calibration"), json=TYPED)
        assert typed.status_code == 200, typed.text

    def address(self, tail: str = "") -> str:
        return f"/api/scans/{self.scan}{tail}?hip={self.hip}"

    def page(self) -> dict[str, Any]:
        answer = self.client.get(self.address())
        assert answer.status_code == 200, answer.text
        return answer.json()

    def step(self) -> int:
        with self.desk.store.session() as session:
            draft = find_draft(session, "outlines", outlines_subject(self.scan, self.hip))
            return 0 if draft is None else draft.step

    def edit(self, *edits: dict[str, Any], what: str = "a correction") -> dict[str, Any]:
        body = {"edits": list(edits), "base_step": self.step(), "what": what}
        answer = self.client.put(self.address("/edits"), json=body)
        assert answer.status_code == 200, answer.text
        return answer.json()

    def move(self, way: str) -> dict[str, Any]:
        answer = self.client.post(self.address(f"/edits/{way}"))
        assert answer.status_code == 200, answer.text
        return answer.json()

    def femur(self) -> np.ndarray:
        with self.desk.store.session() as session:
            row = scan_row(session, self.scan)
        return outlines_of(self.desk, row, self.hip).seg.bones == FEMUR

    def kept(self) -> tuple[Any, ...]:
        """Everything a wrong request must leave as it was."""
        with self.desk.store.session() as session:
            row = scan_row(session, self.scan)
            drafts = [
                (draft.kind, draft.step, draft.last_step, json.dumps(steps_to(session, draft)))
                for draft in session.scalars(sa.select(Draft).order_by(Draft.id))
            ]
            jobs = session.scalar(sa.select(sa.func.count()).select_from(JobRow))
            return row.calibration, row.side, row.content_sha256, drafts, jobs, len(list(audit_lines(session)))

    def wait(self, job_id: str) -> dict[str, Any]:
        for _ in range(1500):
            job = self.client.get(f"/api/jobs/{job_id}").json()
            if job["state"] in ("done", "failed", "cancelled"):
                return job
            time.sleep(0.02)
        raise AssertionError(job)


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Record]:
    made = Record(own_case(tmp_path_factory))
    with made.client:
        yield made


def _stop(answer: Any, status: int, says: str = "") -> str:
    assert answer.status_code == status, (answer.status_code, answer.text[:300])
    stop = answer.json()
    assert set(stop) == {"stopped", "guard", "detail"}
    assert says in stop["stopped"]
    assert len(stop["stopped"]) > 20
    return stop["stopped"]


def _places(page: dict[str, Any]) -> np.ndarray:
    """(slices, rows, columns, 3) LPS of every voxel of a page's grid, as desk/scan_pages.py says."""
    grid = page["grid"]
    k, j, i = np.indices((grid["slices"], grid["rows"], grid["columns"]))
    steps = np.stack([i, j, k], axis=-1) * np.array(grid["spacing"])
    return np.array(grid["origin"]) + steps @ np.array(grid["axes"]).T


def _volume(record: Record, tail: str, dtype: str) -> np.ndarray:
    grid = record.page()["grid"]
    data = record.client.get(record.address(tail)).content
    return np.frombuffer(data, dtype).reshape(grid["slices"], grid["rows"], grid["columns"])


# ---- pages, volumes, pictures


def test_the_page_carries_the_phantoms_measures_and_is_the_same_without_a_hip_named(record: Record):
    page = record.page()
    assert record.client.get(f"/api/scans/{record.scan}").json() == page
    numbers = {one["key"]: one for one in page["numbers"]}
    assert numbers["head_diameter_mm"]["low"] <= TRUTH["head_diameter_mm"] <= numbers["head_diameter_mm"]["high"]
    (head,) = [marker for marker in page["markers"] if marker["key"] == "head"]
    assert np.linalg.norm(np.array(head["points"][0]) - HEAD) < 1.0
    assert (page["side"], page["plannable"], page["segmentation"]["state"]) == ("left", True, "found")
    # The plane along the neck goes through the head's centre and along the neck.
    centre, down, _ = (np.array(point) for point in page["neck_plane"])
    assert np.linalg.norm(centre - HEAD) < 1.0
    cosine = (centre - down) @ TRUTH["neck_axis_lps"] / np.linalg.norm(centre - down)
    assert np.degrees(np.arccos(cosine)) < 3.0


def test_bytes_have_the_size_and_the_place_that_the_page_says_and_come_once(record: Record):
    page = record.page()
    grid = page["grid"]
    voxels = grid["slices"] * grid["rows"] * grid["columns"]
    sizes = {"/grey": 2 * voxels, "/labels": voxels}
    for tail, size in sizes.items():
        answer = record.client.get(record.address(tail))
        assert (answer.headers["content-type"], len(answer.content)) == ("application/octet-stream", size)
        assert answer.headers["cache-control"] == "private, no-cache"
        again = record.client.get(record.address(tail), headers={"if-none-match": answer.headers["etag"]})
        assert (again.status_code, again.content) == (304, b"")
    # The same patient's true voxel, wherever it lies on the phantom's own grid.
    grey, labels, places = _volume(record, "/grey", "<i2"), _volume(record, "/labels", "u1"), _places(page)
    rng = np.random.default_rng(1)
    for at in rng.integers(0, grey.shape, (20, 3)):
        i, j, k = np.round(with_cyst().grid.index(places[tuple(at)])).astype(int)
        assert grey[tuple(at)] == with_cyst().values[k, j, i]
    inside = np.linalg.norm(places - np.array(TRUTH["lesion"]["centre_lps_mm"]), axis=-1) < 4.0
    assert (labels[inside] == 3).all()
    away = np.linalg.norm(places - HEAD, axis=-1) > 60.0
    assert not np.isin(labels[away], (3, 4)).any()


@pytest.mark.parametrize("part", ["femur", "pelvis"])
def test_a_mesh_lies_where_its_bone_is(record: Record, part: str):
    (info,) = [mesh for mesh in record.page()["meshes"] if mesh["part"] == part]
    answer = record.client.get(info["path"])
    vertices, faces = np.frombuffer(answer.content, "<u4", 2)
    whole = 8 + 12 * int(vertices) + 12 * int(faces) + (4 * int(vertices) if info["value"] else 0)
    assert len(answer.content) == whole
    corners = np.frombuffer(answer.content, "<f4", 3 * int(vertices), 8).reshape(-1, 3)
    labels, places = _volume(record, "/labels", "u1"), _places(record.page())
    bone = places[labels == 2] if part == "pelvis" else places[np.isin(labels, (1, 3, 4))]
    # A surface between voxels ends within a voxel of the outermost ones.
    spacing = max(record.page()["grid"]["spacing"])
    np.testing.assert_allclose(corners.min(axis=0), bone.min(axis=0), atol=spacing)
    np.testing.assert_allclose(corners.max(axis=0), bone.max(axis=0), atol=spacing)


def test_a_large_scan_is_thinned_by_whole_steps_until_it_is_small_enough(
    record: Record, monkeypatch: pytest.MonkeyPatch
):
    whole, grey = record.page()["grid"], _volume(record, "/grey", "<i2")
    labels = _volume(record, "/labels", "u1")
    monkeypatch.setattr(volumes, "MOST_VOXELS", grey.size // 9)
    grid = record.page()["grid"]
    assert grid["slices"] * grid["rows"] * grid["columns"] <= grey.size // 9
    np.testing.assert_allclose(grid["spacing"], 3 * np.array(whole["spacing"]))
    assert grid["origin"] == whole["origin"]
    np.testing.assert_array_equal(_volume(record, "/grey", "<i2"), grey[::3, ::3, ::3])
    np.testing.assert_array_equal(_volume(record, "/labels", "u1"), labels[::3, ::3, ::3])


def test_grey_levels_of_a_part_of_a_scan_are_those_of_the_scan():
    # Outlines of a scan of both hips lie on a crop of its voxels.
    found = with_cyst()
    scan = Scan(found.values, found.grid, "CT", ScanHeader())
    part = volumes.on_grid(scan, found.grid.cropped((5, 7, 11), (20, 30, 40)))
    np.testing.assert_array_equal(part, found.values[5:25, 7:37, 11:51])


def test_a_scan_that_nobody_read_has_grey_levels_and_empty_labels(record: Record):
    page = record.client.get(f"/api/scans/{record.mr}").json()
    assert (page["segmentation"]["state"], page["numbers"], page["meshes"]) == ("none", [], [])
    grid = page["grid"]
    voxels = grid["slices"] * grid["rows"] * grid["columns"]
    grey = record.client.get(f"/api/scans/{record.mr}/grey").content
    labels = record.client.get(f"/api/scans/{record.mr}/labels").content
    assert (len(grey), labels) == (2 * voxels, bytes(voxels))
    _stop(record.client.get(f"/api/scans/{record.mr}/mesh/femur"), 422, "not found yet")


# ---- corrections


def test_a_brush_an_eraser_a_cut_and_a_fill_do_what_they_say_and_undo_takes_each_back(record: Record):
    page = record.page()
    places, start, version = _places(page), page["segmentation"]["step"], page["volume_version"]
    was = [record.femur()]
    # A ball in the fat beside the hip: as many voxels as have their centre in it, and no others.
    aside = np.array(HEAD) - np.array([5.0, 38.0, 0.0])
    ball = np.linalg.norm(places - aside, axis=-1)
    assert not was[0][ball < 8.0].any()
    painted = record.edit(
        {"tool": "brush", "label": "femur", "points": [list(aside)], "radius_mm": 6.0}, what="painted"
    )
    was.append(record.femur())
    np.testing.assert_array_equal(was[1], was[0] | (ball < 6.0))
    at = np.argwhere(was[1] != was[0])
    assert painted["box"] == [at.min(axis=0).tolist(), at.max(axis=0).tolist()]
    assert painted["volume_version"] != version
    assert painted["segmentation"]["last_edit"] == "painted"
    # A hole in the head, and the hole filled again.
    hole = np.linalg.norm(places - HEAD, axis=-1)
    record.edit({"tool": "eraser", "label": "femur", "points": [list(HEAD)], "radius_mm": 5.0}, what="erased")
    was.append(record.femur())
    np.testing.assert_array_equal(was[2], was[1] & ~(hole < 5.0))
    record.edit({"tool": "fill", "label": "femur", "points": [list(HEAD)], "radius_mm": 12.0}, what="filled")
    was.append(record.femur())
    np.testing.assert_array_equal(was[3], was[1])
    # A plane across the shaft: nothing of the femur is left beyond it, and nothing else went.
    low = np.array(HEAD) - np.array([0.0, 0.0, 100.0])
    beyond = places[..., 2] < low[2]
    assert was[3][beyond].any()
    cut = {"tool": "cut", "label": "femur", "points": [list(low)], "normal": [0.0, 0.0, -2.0]}
    record.edit(cut, what="cut")
    was.append(record.femur())
    np.testing.assert_array_equal(was[4], was[3] & ~beyond)
    for step in (3, 2, 1, 0):
        back = record.move("undo")
        np.testing.assert_array_equal(record.femur(), was[step])
    assert (back["segmentation"]["step"], back["segmentation"]["can_redo"]) == (start, True)
    assert back["volume_version"] == version
    assert record.move("redo")["volume_version"] == painted["volume_version"]
    np.testing.assert_array_equal(record.femur(), was[1])
    record.move("undo")


def test_a_dead_bone_drawn_by_hand_reaches_the_labels_and_the_page(record: Record):
    places = _places(record.page())
    # Beside the cyst, in sound bone of the head.
    away = np.array(HEAD) + 12.0 * np.array([0.0, 1.0, 0.0])
    near = np.linalg.norm(places - away, axis=-1) < 3.5
    assert not np.isin(_volume(record, "/labels", "u1")[near], (3, 4)).any()
    found = len(record.page()["lesions"])
    record.edit({"tool": "brush", "label": "lesion", "points": [list(away)], "radius_mm": 5.0})
    assert (_volume(record, "/labels", "u1")[near] == 3).all()
    drawn = record.page()["lesions"]
    assert len(drawn) == found + 1
    assert min(np.linalg.norm(np.array(one["centre"]) - away) for one in drawn if one["kind"] == "drawn") < 1.0
    record.move("undo")


def test_two_who_correct_at_once_do_not_overwrite_each_other(record: Record):
    edit = {"tool": "brush", "label": "femur", "points": [list(HEAD)], "radius_mm": 3.0}
    step = record.step()
    record.edit(edit)
    kept = record.kept()
    late = record.client.put(record.address("/edits"), json={"edits": [edit], "base_step": step, "what": "late"})
    _stop(late, 409, "Load the newer step")
    assert late.json()["guard"] == "step conflict"
    assert record.kept() == kept
    record.move("undo")


def _edits(**changes: Any) -> dict[str, Any]:
    edit = {"tool": "brush", "label": "femur", "points": [list(HEAD)], "radius_mm": 3.0} | changes
    return {"edits": [edit], "base_step": 0, "what": "wrong"}


WRONG_EDITS = {
    "an unknown tool": (_edits(tool="saw"), "tool"),
    "an unknown label": (_edits(label="skull"), "label"),
    "a point of two numbers": (_edits(points=[[1.0, 2.0]]), "points"),
    "a point of words": (_edits(points=[["a", "b", "c"]]), "points"),
    "no points": (_edits(points=[]), "without points changes nothing"),
    "no radius": (_edits(radius_mm=None), "no radius"),
    "a radius below zero": (_edits(radius_mm=-3.0), "no radius"),
    "a radius larger than any head": (_edits(radius_mm=1e6), "at most 50 mm"),
    "a fill larger than any head": (_edits(tool="fill", radius_mm=51.0), "at most 50 mm"),
    "a number that is too large": (_edits(radius_mm=1e12), "too large"),
    "a cut without a direction": (_edits(tool="cut"), "direction of the side"),
    "a direction of no length": (_edits(tool="cut", normal=[0.0, 0.0, 0.0]), "points nowhere"),
    "a fill with a radius around nothing": (_edits(tool="fill", points=[]), "the point it is meant around"),
    "too many points": (_edits(points=[list(HEAD)] * 2001), "2000"),
    "too many corrections at once": ({"edits": _edits()["edits"] * 51, "base_step": 0, "what": "x"}, "50"),
    "no correction": ({"edits": [], "base_step": 0, "what": "x"}, "holds nothing"),
    "one good, one wrong": (
        {"edits": [*_edits()["edits"], *_edits(radius_mm=None)["edits"]], "base_step": 0, "what": "x"},
        "no radius",
    ),
    "a step that is no number": (_edits() | {"base_step": "last"}, "base_step"),
    "a misspelt field": (_edits(radius=3.0), "radius"),
    "no words for the step": ({"edits": _edits()["edits"], "base_step": 0}, "what"),
    "words without end": (_edits() | {"what": "x" * 3000}, "longer than"),
    "a list for a body": ([], "understood"),
}


@pytest.mark.parametrize("name", WRONG_EDITS)
def test_a_wrong_correction_is_refused_in_words_and_nothing_is_lost(record: Record, name: str):
    body, says = WRONG_EDITS[name]
    if isinstance(body, dict):
        body = body | ({"base_step": record.step()} if body["base_step"] == 0 else {})
    before = record.kept()
    _stop(record.client.put(record.address("/edits"), json=body), 422, says)
    assert record.kept() == before


@pytest.mark.parametrize("body", [b"", b"{", b'{"edits": NaN}', b"\xff\xfe", b"null"])
def test_a_body_that_is_no_request_is_refused_at_every_address_that_takes_one(record: Record, body: bytes):
    before = record.kept()
    for method, tail in (
        ("PUT", "/edits"),
        ("PUT", "/calibration"),
        ("PUT", "/side"),
        ("POST", "/read"),
        ("POST", "/mark"),
    ):
        answer = record.client.request(method, record.address(tail), content=body, headers=JSON)
        _stop(answer, 422, "could not be understood")
    for tail in (f"/scans/{record.scan}/use", "/stock/cut"):
        _stop(record.client.post(f"/api/hips/{record.hip}{tail}", content=body, headers=JSON), 422, "understood")
    assert record.kept() == before


def test_a_body_beyond_the_bound_is_refused_before_it_is_read(record: Record):
    before = record.kept()
    body = json.dumps(_edits(points=[list(HEAD)] * 20_000)).encode()
    assert len(body) > 500_000
    for sent in (body, iter([body])):
        answer = record.client.put(record.address("/edits"), content=sent, headers=JSON)
        _stop(answer, 413, "the most that is taken at once")
    assert record.kept() == before


# ---- seeds, marks


def test_a_seed_reaches_the_search_and_one_that_is_no_point_begins_nothing(
    record: Record, monkeypatch: pytest.MonkeyPatch
):
    with record.desk.store.session() as session:
        base = outlines_of(record.desk, scan_row(session, record.scan), record.hip).seg
    asked = []

    def search(_scan: Any, side: Any, seed: Any, tell: Any) -> Any:
        asked.append((side.value, None if seed is None else seed.tolist()))
        tell(1.0, "found")
        return base, None

    monkeypatch.setattr("headstock.desk.scans.reading.bone_in", search)
    before = record.kept()
    for seed in ([1.0, 2.0], [1.0, 2.0, "x"], [1.0, 2.0, 1e12], "head", [[1.0, 2.0, 3.0]], {"x": 1.0}):
        _stop(record.client.post(record.address("/read"), json={"seed": seed}), 422, "Nothing was changed")
    assert (record.kept(), asked) == (before, [])
    for seed in (list(HEAD), None):
        job = record.client.post(record.address("/read"), json={"seed": seed}).json()
        assert job["what"].startswith("Finding the bone, CT of 9 Nov 2026")
        done = record.wait(job["job_id"])
        assert (done["state"], done["hip_ids"]) == ("done", [record.hip]), done
    assert asked == [("left", list(HEAD)), ("left", None)]
    assert record.page()["segmentation"]["state"] == "found"
    _stop(record.client.post(f"/api/scans/{record.mr}/read", json={}), 422, "Bone is found on CT")


def test_a_click_on_mr_is_carried_to_the_ct_of_the_hip_and_a_ct_takes_none(
    record: Record, monkeypatch: pytest.MonkeyPatch
):
    heard = []

    def mark(desk: Desk, scan: str, hip: str, click: list[float], ct: Any, progress: Any, **_: Any) -> str:
        heard.append((scan, hip, click))
        assert np.linalg.norm(ct[2] - HEAD) < 1.0  # the head of the hip's CT is what the MR is moved onto
        progress(0.5, "moving the MR onto the CT")
        return "dead bone of 2.0 cm³ marked"

    monkeypatch.setattr("headstock.desk.works.mark_lesion", mark)
    address = f"/api/scans/{record.mr}/mark?hip={record.hip}"
    before = record.kept()
    for click in (None, [1.0], [1.0, 2.0, None], [0.0, 0.0, 1e10]):
        _stop(record.client.post(address, json={"click": click}), 422, "Nothing was changed")
    _stop(record.client.post(record.address("/mark"), json={"click": list(HEAD)}), 422, "marked by a click on MR")
    assert record.kept() == before
    done = record.wait(record.client.post(address, json={"click": list(HEAD)}).json()["job_id"])
    assert (done["state"], done["says"]) == ("done", "Dead bone of 2.0 cm³ marked.")
    assert heard == [(record.mr, record.hip, list(HEAD))]


# ---- density, side, use


TYPED = {"kind": "typed", "slope": 0.0008, "offset": 0.01, "source": "phantom of the scanner, 9 Nov 2026"}
WRONG_LINES = {
    "a slope in other units": (TYPED | {"slope": 0.8}, "near 0.0008"),
    "a slope that no CT has": (TYPED | {"slope": 0.009}, "cannot be that of a CT"),
    "no slope": (TYPED | {"slope": None}, "missing"),
    "a falling line": (TYPED | {"slope": -0.0008}, "near 0.0008"),
    "no source": (TYPED | {"source": " "}, "where this line comes from"),
    "an error below zero": (TYPED | {"slope_sd_percent": -5.0}, "standard deviation"),
    "an offset of a thousand tonnes": (TYPED | {"offset": 1e6}, "offset"),
    "an unknown kind": (TYPED | {"kind": "guess"}, "kind"),
    "a misspelt field": (TYPED | {"hu": 1}, "hu"),
    "rods without densities": ({"kind": "rods"}, "densities of the rods"),
    "two rods": ({"kind": "rods", "rods_g_cm3": [0.1, 0.4]}, "too few"),
    "rods that are not in the scan": ({"kind": "rods", "rods_g_cm3": [0.1, 0.2, 0.4]}, "rod"),
}


def test_density_typed_over_http_gives_grams_on_the_stock_page_and_none_takes_them_away(record: Record):
    page = record.client.put(record.address("/calibration"), json={"kind": "none"}).json()
    assert (page["calibration"]["state"], page["calibration"]["slope"]) == ("none", None)
    page = record.client.put(record.address("/calibration"), json=TYPED).json()
    assert page["calibration"]["state"] == "typed"
    assert "phantom of the scanner" in page["calibration"]["words"]
    profile = record.client.get(f"/api/hips/{record.hip}/stock").json()
    assert (profile["density_unit"], profile["density_words"]) == ("g/cm3", "g/cm³, equivalent of the phantom")
    # By the line itself: sound spongy bone lies between 50 and 900 HU (common practice, no source).
    middle = [row["density"][0] for row in profile["rows"] if row["density"] is not None]
    assert 0.0008 * 50 + 0.01 < float(np.median(middle)) < 0.0008 * 900 + 0.01


@pytest.mark.parametrize("name", WRONG_LINES)
def test_a_line_of_density_that_cannot_be_true_is_refused_and_the_one_before_stays(record: Record, name: str):
    body, says = WRONG_LINES[name]
    before = record.kept()
    _stop(record.client.put(record.address("/calibration"), json=body), 422, says)
    assert record.kept() == before
    assert before[0]["source"] == TYPED["source"]


def test_the_side_a_reader_sees_is_kept_and_one_that_contradicts_is_said(record: Record):
    for seen, confirmed in (("left", True), ("right", False), ("left", True)):
        page = record.client.put(record.address("/side"), json={"seen": seen}).json()
        assert page["side_confirmed"] is confirmed
        assert ("says right" in page["side_says"]) is not confirmed
    before = record.kept()
    _stop(record.client.put(record.address("/side"), json={"seen": "both"}), 422, "seen")
    assert record.kept() == before


def test_a_scan_taken_out_gives_no_stock_and_taken_in_again_gives_it_back(record: Record):
    use, stock = f"/api/hips/{record.hip}/scans/{record.scan}/use", f"/api/hips/{record.hip}/stock"
    for _ in range(2):
        assert record.client.post(use, json={"used": False}).status_code == 204
        _stop(record.client.get(stock), 422, "so nothing can be planned")
        assert record.client.post(use, json={"used": True}).status_code == 204
        assert record.client.get(stock).status_code == 200


# ---- stock


def test_the_stock_page_shows_where_sound_bone_begins_and_its_levels_can_be_dragged(record: Record):
    page = record.client.get(f"/api/hips/{record.hip}/stock").json()
    assert page["finding"] == f"Sound bone starts {page['sound_from']['value']:.1f} mm below the top of the head."
    assert [level["level"] for level in page["levels"]] == ["head_surface", "mid_head", "high_neck", "low_neck"]
    depths = [row["depth_mm"] for row in page["rows"]]
    assert depths == sorted(depths)
    assert all(0.0 <= row["sound_mm2"][0] <= row["section_mm2"][0] + 1e-6 for row in page["rows"])
    cut = f"/api/hips/{record.hip}/stock/cut"
    moved = record.client.post(cut, json={"level": "high_neck", "depth_mm": 33.0}).json()
    assert moved["depth"]["value"] == pytest.approx(33.0, abs=0.05)
    assert moved["depth"]["low"] < 33.0 < moved["depth"]["high"]
    before = record.kept()
    for wrong in (
        {"level": "skull", "depth_mm": 33.0},
        {"level": "high_neck"},
        {"level": "high_neck", "depth_mm": "deep"},
        {"level": "high_neck", "depth_mm": 1e12},
        {"level": "high_neck", "depth_mm": 33.0, "keep": "perhaps"},
    ):
        _stop(record.client.post(cut, json=wrong), 422, "Nothing was changed")
    assert record.kept() == before


@pytest.mark.parametrize("depth", [-500.0, 0.0, 300.0])
def test_a_cut_dragged_out_of_the_bone_is_answered_and_kept_by_nobody(record: Record, depth: float):
    before = record.kept()
    body = {"level": "mid_head", "depth_mm": depth}
    answer = record.client.post(f"/api/hips/{record.hip}/stock/cut", json=body)
    assert answer.status_code in (200, 422), answer.text
    assert "NaN" not in answer.text
    assert record.kept() == before


def test_pictures_are_pictures(record: Record, monkeypatch: pytest.MonkeyPatch):
    from PIL import Image

    monkeypatch.setattr("headstock.desk.scans.pictures._SIZE_PX", 120)  # drawn small they cost little
    monkeypatch.setattr("headstock.desk.scans.pictures._PIXEL_MM", 1.0)
    record.client.put(f"/api/hips/{record.hip}/chosen", json={"level": "mid_head"})
    page = record.client.get(f"/api/hips/{record.hip}/stock").json()
    planned = record.client.get(f"/api/hips/{record.hip}/planned-film").json()
    sizes = {}
    for path in (page["picture"], planned["planned"], f"/api/hips/{record.hip}/space/mid_head.png"):
        answer = record.client.get(path)
        assert (answer.status_code, answer.headers["content-type"]) == (200, "image/png")
        picture = Image.open(io.BytesIO(answer.content))
        assert len(set(picture.convert("L").tobytes())) > 20  # something is on it
        sizes[path] = picture.size
    # The stock picture covers the millimetres its page says, evenly.
    x0, x1, s0, s1 = page["picture_mm"]
    wide, high = sizes[page["picture"]]
    assert wide / (x1 - x0) == pytest.approx(high / (s1 - s0), rel=0.02)
    assert planned["film"] is None
    _stop(record.client.get(f"/api/hips/{record.hip}/film-beside.png"), 422, "nothing to hold the scan against")
    assert "nothing to hold" in record.client.get(f"/api/hips/{record.hip}/agreement").json()["says"]
    _stop(record.client.get(f"/api/hips/{record.hip}/space/skull.png"), 422, "level")


def test_a_parts_solid_is_served_by_family_and_size_and_no_other(record: Record):
    answer = record.client.get("/api/solids/mid-head-bowl/5")
    vertices, faces = np.frombuffer(answer.content, "<u4", 2)
    assert len(answer.content) == 8 + 12 * int(vertices) + 12 * int(faces)
    corners = np.frombuffer(answer.content, "<f4", 3 * int(vertices), 8).reshape(-1, 3)
    assert 20.0 < np.ptp(corners, axis=0).max() < 120.0  # mm: a part of a hip
    _stop(record.client.get("/api/solids/nothing/5"), 422, "There is no family")
    _stop(record.client.get("/api/solids/mid-head-bowl/99"), 422, "has no size")


# ---- what is not there, what is another's, what tries to climb


EVERY_ADDRESS = [
    ("GET", "/api/scans/{scan}?hip={hip}", None),
    ("POST", "/api/scans/{scan}/read?hip={hip}", {}),
    ("POST", "/api/scans/{scan}/mark?hip={hip}", {"click": [0.0, 0.0, 0.0]}),
    ("PUT", "/api/scans/{scan}/side?hip={hip}", {"seen": "left"}),
    ("PUT", "/api/scans/{scan}/calibration?hip={hip}", {"kind": "none"}),
    ("PUT", "/api/scans/{scan}/edits?hip={hip}", _edits()),
    ("POST", "/api/scans/{scan}/edits/undo?hip={hip}", None),
    ("POST", "/api/scans/{scan}/edits/redo?hip={hip}", None),
    ("GET", "/api/scans/{scan}/grey?hip={hip}", None),
    ("GET", "/api/scans/{scan}/labels?hip={hip}", None),
    ("GET", "/api/scans/{scan}/mesh/femur?hip={hip}", None),
    ("POST", "/api/hips/{hip}/scans/{scan}/use", {"used": True}),
]
OF_A_HIP = [
    ("GET", "/api/hips/{hip}/stock", None),
    ("GET", "/api/hips/{hip}/stock/picture.png", None),
    ("POST", "/api/hips/{hip}/stock/cut", {"level": "mid_head", "depth_mm": 20.0}),
    ("GET", "/api/hips/{hip}/agreement", None),
    ("GET", "/api/hips/{hip}/planned-film", None),
    ("GET", "/api/hips/{hip}/planned-film.png", None),
    ("GET", "/api/hips/{hip}/film-beside.png", None),
    ("GET", "/api/hips/{hip}/space/mid_head.png", None),
]


def _named(path: str, **names: str) -> str:
    return path.format(**{name: urllib.parse.quote(value, safe="") for name, value in names.items()})


def test_the_lists_below_hold_every_address_of_scans(record: Record):
    listed = {path.partition("?")[0] for _, path, _ in EVERY_ADDRESS + OF_A_HIP} | {"/api/solids/{family}/{size}"}
    served = {route.path for route in record.client.app.routes if route.endpoint.__module__ == "headstock.server.scans"}
    plain = {path.replace("edits/undo", "edits/{way}").replace("edits/redo", "edits/{way}") for path in listed}
    plain = {path.replace("mesh/femur", "mesh/{part}").replace("space/mid_head", "space/{level}") for path in plain}
    assert served == plain


@pytest.mark.parametrize(("method", "path", "body"), EVERY_ADDRESS + OF_A_HIP)
def test_an_id_that_is_not_here_is_a_404_in_words_that_changes_nothing(
    record: Record, method: str, path: str, body: Any
):
    before = record.kept()
    if "{scan}" in path:
        answer = record.client.request(method, _named(path, scan="none", hip=record.hip), json=body)
        _stop(answer, 404, "There is no such scan")
    answer = record.client.request(method, _named(path, scan=record.scan, hip="none"), json=body)
    _stop(answer, 404, "There is no such")
    assert record.kept() == before


@pytest.mark.parametrize(("method", "path", "body"), EVERY_ADDRESS)
def test_a_scan_is_not_opened_from_another_patients_hip(record: Record, method: str, path: str, body: Any):
    before = record.kept()
    for scan, hip in ((record.scan, record.other_hip), (record.other_scan, record.hip)):
        answer = record.client.request(method, _named(path, scan=scan, hip=hip), json=body)
        assert "another patient" in _stop(answer, 409)
        assert answer.json()["guard"] == "wrong patient"
    assert record.kept() == before


def test_the_other_hip_of_the_patient_has_its_own_answer(record: Record):
    with record.desk.store.session() as session:
        other = hip_of(session, scan_row(session, record.scan).patient_id, "right").id
    page = record.client.get(f"/api/scans/{record.scan}?hip={other}").json()
    assert (page["side"], page["segmentation"]["state"], page["side_confirmed"]) == ("right", "none", False)
    _stop(record.client.get(f"/api/hips/{other}/stock"), 422)


CLIMBS = [
    "../../../etc/passwd",
    "..%2f..%2fetc%2fpasswd",
    "/etc/passwd",
    "....//",
    "headstock.sqlite3",
    "a\x00b",
    "C:\\x",
]
_opened: list[str] = []
_listening: list[bool] = []


def _hear(event: str, given: tuple[Any, ...]) -> None:
    if _listening and event in ("open", "os.listdir", "os.scandir", "os.mkdir", "os.rename", "os.remove"):
        _opened.append(str(given[0]))


@pytest.fixture
def opened() -> Iterator[list[str]]:
    """Every path this process opens, lists, makes or removes meanwhile."""
    if not any(hook is _hear for hook in _hooks):
        sys.addaudithook(_hear)
        _hooks.append(_hear)
    _opened.clear()
    _listening.append(True)
    yield _opened
    _listening.clear()


_hooks: list[Any] = []


def test_nothing_that_is_typed_becomes_a_path(record: Record, opened: list[str]):
    record.client.get(record.address("/grey"))
    inside = str(record.desk.store.folder)
    for climb in CLIMBS:
        for method, path, body in EVERY_ADDRESS + OF_A_HIP:
            for name in ("scan", "hip"):
                if "{" + name + "}" in path:
                    names = {"scan": record.scan, "hip": record.hip} | {name: climb}
                    answer = record.client.request(method, _named(path, **names), json=body)
                    assert answer.status_code in (404, 405, 422), (path, climb, answer.status_code)
        for path in (
            f"/api/scans/{record.scan}/mesh/{urllib.parse.quote(climb, safe='')}?hip={record.hip}",
            f"/api/solids/{urllib.parse.quote(climb, safe='')}/5",
            f"/api/solids/mid-head-bowl/{urllib.parse.quote(climb, safe='')}",
        ):
            assert record.client.get(path).status_code in (404, 422), path
    typed = [path for path in opened if path.startswith("/etc/") or ".." in path.replace(inside, "") or "C:" in path]
    assert typed == []


def test_no_identity_reaches_the_log_whatever_goes_wrong(
    record: Record, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
):
    def broken(*_: Any, **__: Any) -> None:
        raise ZeroDivisionError("patient PHANTOM^SIMULATED, PH-001")

    with caplog.at_level(logging.DEBUG):
        record.page()
        record.client.get(f"/api/hips/{record.hip}/stock")
        record.client.put(record.address("/edits"), json=_edits(label="PHANTOM^SIMULATED"))
        record.client.get(f"/api/scans/{record.scan}?hip={record.other_hip}")
        with monkeypatch.context() as changed:
            changed.setattr("headstock.desk.scans.page.scan_page", broken)
            answer = record.client.get(record.address())
        with monkeypatch.context() as changed:
            changed.setattr("headstock.desk.scans.reading.bone_in", broken)
            failed = record.wait(record.client.post(record.address("/read"), json={}).json()["job_id"])
    assert answer.status_code == 500
    assert "ZeroDivisionError" in answer.json()["stopped"]
    assert (failed["state"], "ZeroDivisionError" in failed["says"]) == ("failed", True)
    said = " ".join([caplog.text, answer.text, failed["says"]])
    assert "ZeroDivisionError" in caplog.text  # the log is not merely silent
    for name in ("PHANTOM", "SIMULATED", "PH-001", "OTHER"):
        assert name not in said


def test_the_record_still_holds_together_after_all_of_it(record: Record):
    check_chain(record.desk.store)
    assert replace(record.desk).store is record.desk.store
    assert record.page()["segmentation"]["state"] == "found"

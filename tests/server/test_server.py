"""The HTTP shell: who may ask, what refusals say, what is kept, and what survives a kill."""

import io
import json
import logging
import os
import re
import signal
import socket
import subprocess
import sys
import time
import urllib.request
import warnings
import zipfile
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from headstock.desk.desk import Desk, open_desk
from headstock.server.app import make_app
from headstock.server.guarded import Reach

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "desk"))
from supplied import ball_of, films_of, landmarks_of, truth_of

with warnings.catch_warnings():
    # Starlette prefers a newer client library than the locked one; the one here answers the same.
    warnings.simplefilter("ignore")
    from fastapi.testclient import TestClient

NOW = datetime(2026, 11, 25, 9, 42, tzinfo=UTC)
BASE = "http://127.0.0.1:8470"


def _wait(client: TestClient, job_id: str) -> dict[str, Any]:
    for _ in range(600):
        job = client.get(f"/api/jobs/{job_id}").json()
        if job["state"] in ("done", "failed", "cancelled"):
            return job
        time.sleep(0.05)
    raise AssertionError(job)


@pytest.fixture(scope="module")
def films(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    return films_of("alder", tmp_path_factory.mktemp("films"))


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Desk:
    return open_desk(tmp_path_factory.mktemp("data"))


@pytest.fixture(scope="module")
def client(desk: Desk, tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    static = tmp_path_factory.mktemp("static")
    (static / "assets").mkdir()
    (static / "index.html").write_text("<title>front</title>")
    (static / "assets" / "app-1a2b.js").write_text("1")
    application = make_app(desk, lambda: NOW, static=static, reach=Reach(json_bytes=200_000, upload_bytes=20_000_000))
    with TestClient(application, base_url=BASE, raise_server_exceptions=False) as opened:
        yield opened


@pytest.fixture(scope="module")
def hip(client: TestClient, films: dict[str, Path]) -> dict[str, str]:
    """Alder's two films, dropped in as a browser drops them."""
    sent = [("files", (f"ALDER/{path.name}", path.read_bytes())) for path in films.values()]
    job = _wait(client, client.post("/api/import", files=sent).json()["job_id"])
    assert job["state"] == "done", job
    assert {line["name"] for line in job["lines"]} == {f"ALDER/{path.name}" for path in films.values()}
    rows = [row for group in client.get("/api/hips").json()["groups"] for row in group["rows"]]
    found = next(row for row in rows if row["side"] == "right")["hip_id"]
    assert job["hip_ids"] == [found]
    cards = client.get(f"/api/hips/{found}").json()["films"]
    return {"id": found} | {card["view"]: card["film_id"] for card in cards}


# ---- who may ask


@pytest.mark.parametrize(
    "host",
    [
        "evil.example",
        "evil.example:8470",
        "127.0.0.1.evil.example",
        "",
        "[::2]:8470",
        "127.0.0.1:8470@evil.example",
        "127.0.0.1.",
        "a b",
    ],
)
def test_a_foreign_host_is_refused_so_that_a_name_pointed_here_reads_nothing(client: TestClient, host: str):
    answer = client.get("/api/about", headers={"host": host})
    assert answer.status_code == 403
    assert "another site may be using it" in answer.json()["stopped"]


@pytest.mark.parametrize("host", ["127.0.0.1:8470", "localhost:8470", "[::1]:8470", "LOCALHOST"])
def test_the_machines_own_names_are_served(client: TestClient, host: str):
    assert client.get("/api/about", headers={"host": host}).status_code == 200


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "http://evil.example"},
        {"origin": "http://127.0.0.1:9999"},  # another program of this machine
        {"origin": "null"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
    ],
)
def test_a_change_asked_for_by_another_site_is_refused_and_does_nothing(client: TestClient, headers: dict[str, str]):
    before = client.get("/api/about").json()
    answer = client.put("/api/reader", json={"reader": "Mallory"}, headers=headers)
    assert answer.status_code == 403
    assert "Nothing was changed" in answer.json()["stopped"]
    assert client.get("/api/about").json() == before


def test_its_own_pages_may_change_things(client: TestClient):
    headers = {"origin": BASE, "sec-fetch-site": "same-origin"}
    assert (
        client.put("/api/reader", json={"reader": " Dr  A. Moreau "}, headers=headers).json()["reader"]
        == "Dr A. Moreau"
    )


def test_every_answer_carries_the_headers_that_keep_a_browser_in_bounds(client: TestClient):
    for path in ("/", "/api/about", "/api/hips/none", "/hip/x/film/y"):
        headers = client.get(path).headers
        assert "default-src 'none'" in headers["content-security-policy"]
        assert "script-src 'self'" in headers["content-security-policy"]
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "no-referrer"
    assert client.get("/api/about").headers["cache-control"] == "no-store"
    assert "access-control-allow-origin" not in client.get("/api/about", headers={"origin": BASE}).headers


# ---- bounds, refusals


def test_a_body_beyond_the_bound_is_refused_whether_it_says_its_size_or_not(client: TestClient):
    big = b'{"reader": "' + b"x" * 300_000 + b'"}'
    said = client.put("/api/reader", content=big, headers={"content-type": "application/json"})
    unsaid = client.put("/api/reader", content=iter([big]), headers={"content-type": "application/json"})
    assert [said.status_code, unsaid.status_code] == [413, 413]
    assert "import it from the command line" in said.json()["stopped"]


def test_an_upload_without_a_file_is_refused_in_words(client: TestClient):
    answer = client.post("/api/import", data={"hip": "x"}, files=[("other", ("a", b"1"))])
    assert answer.status_code == 422
    assert "held no file" in answer.json()["stopped"]


def test_a_name_that_climbs_out_of_its_folder_never_becomes_a_path(client: TestClient, desk: Desk, tmp_path: Path):
    target = desk.store.folder.parent / "escaped.dcm"
    job = client.post("/api/import", files=[("files", ("../../escaped.dcm", b"not an image"))]).json()
    done = _wait(client, job["job_id"])
    assert (done["state"], done["lines"][0]["outcome"]) == ("done", "refused")
    assert not target.exists()
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr("../../escaped.dcm", b"x")
    done = _wait(client, client.post("/api/import", files=[("files", ("a.zip", packed.getvalue()))]).json()["job_id"])
    assert done["lines"][0]["outcome"] == "refused"
    assert not target.exists()


@pytest.mark.parametrize("path", ["/api/hips/none", "/api/films/none", "/api/jobs/none", "/api/plans/none/sheet.pdf"])
def test_what_is_not_there_is_a_404_with_words(client: TestClient, path: str):
    answer = client.get(path)
    assert answer.status_code == 404
    assert answer.json()["stopped"].startswith("There is no such")


def test_a_request_that_cannot_be_understood_is_refused_without_echoing_what_was_typed(client: TestClient):
    answer = client.put("/api/reader", json={"reader": {"name": "SMITH"}})
    assert answer.status_code == 422
    assert "SMITH" not in answer.text
    assert "Nothing was changed" in answer.json()["stopped"]


def test_an_unforeseen_error_names_its_kind_and_logs_no_text(
    client: TestClient, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
):
    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError("patient SMITH^JOHN")

    monkeypatch.setattr("headstock.desk.hips.hips_page", broken)
    with caplog.at_level(logging.DEBUG):
        answer = client.get("/api/hips")
    assert answer.status_code == 500
    assert "ZeroDivisionError" in answer.json()["stopped"]
    assert "SMITH" not in answer.text + caplog.text


def test_an_unforeseen_error_is_not_raised_on_to_the_server_below_which_would_log_its_text(
    desk: Desk, client: TestClient, monkeypatch: pytest.MonkeyPatch
):
    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError("patient SMITH^JOHN")

    monkeypatch.setattr("headstock.desk.hips.hips_page", broken)
    strict = TestClient(client.app, base_url=BASE, raise_server_exceptions=True)  # would raise what is passed on
    answer = strict.get("/api/hips")
    assert answer.status_code == 500
    assert "default-src 'none'" in answer.headers["content-security-policy"]
    assert answer.headers["x-content-type-options"] == "nosniff"


@pytest.mark.parametrize("path", ["/api/about", "/api/hips/x/sheet.pdf", "/api/films/x/thumb.png"])
def test_another_sites_page_cannot_even_look(client: TestClient, path: str):
    for site in ("cross-site", "same-site"):
        answer = client.get(path, headers={"sec-fetch-site": site, "sec-fetch-mode": "no-cors"})
        assert answer.status_code == 403
    # A link to a page of the front end, from anywhere, still opens it.
    assert client.get("/hip/x", headers={"sec-fetch-site": "cross-site"}).status_code == 200


def test_an_upload_cut_short_by_a_kill_is_swept_at_the_next_start_and_one_that_is_asked_for_stays(tmp_path: Path):
    from headstock.desk.works import sweep_spool
    from headstock.jobs import Runner

    desk = open_desk(tmp_path)
    for name in ("asked", "orphan"):
        (desk.store.spool / name).mkdir()
        (desk.store.spool / name / "00000").write_bytes(b"part of an upload")

    def never(*_: object) -> str:
        raise ValueError

    with Runner(desk.store, {"import": never}, lambda: NOW) as runner:
        job = runner.begin("import", "Import", {"spool": "asked"}, by="A").job_id
        for _ in range(200):
            if runner.job(job).state == "failed":
                break
            time.sleep(0.01)
    assert sweep_spool(desk) == 1
    assert [path.name for path in desk.store.spool.iterdir()] == ["asked"]
    desk.close()


def test_the_front_end_names_no_other_site():
    """With the policy's connect-src 'self' this is the second lock: nothing in the pages even tries."""
    web = Path(__file__).resolve().parents[2] / "web"
    files = [web / "index.html", *(web / "src").rglob("*.ts*"), *(web / "src").rglob("*.css")]
    found = {
        (path.name, address)
        for path in files
        for address in re.findall(r"(?:https?:)?//[a-z0-9-]+\.[a-z][a-z0-9.-]*", path.read_text(encoding="utf-8"))
        if "www.w3.org" not in address
    }
    assert len(files) > 30
    assert found == set()


def test_a_length_that_is_no_number_is_refused(client: TestClient):
    for said in ("-1", "x", "1e3", "٣"):
        answer = client.put("/api/reader", content=b"{}", headers={"content-length": said.encode()})
        assert answer.status_code == 400, said


def test_no_identity_reaches_the_log(client: TestClient, hip: dict[str, str], caplog: pytest.LogCaptureFixture):
    with caplog.at_level(logging.DEBUG, logger="headstock"):
        client.get("/api/hips", params={"find": "ALDER"})
        client.get(f"/api/hips/{hip['id']}")
        client.post("/api/import", files=[("files", ("ALDER^SIMULATED.dcm", b"x"))])
    assert "ALDER" not in " ".join(r.getMessage() for r in caplog.records if r.name.startswith("headstock"))


# ---- pages of the front end


@pytest.mark.parametrize("path", ["/", "/hip/1", "/hip/1/film/2", "/hip/1/placement", "/nowhere", "/../../etc/passwd"])
def test_every_address_of_the_front_end_answers_its_one_page(client: TestClient, path: str):
    assert client.get(path).text == "<title>front</title>"


def test_assets_are_served_by_name_and_others_are_not_found(client: TestClient):
    assert client.get("/assets/app-1a2b.js").headers["cache-control"].endswith("immutable")
    assert client.get("/assets/app-9999.js").status_code == 404
    assert client.get("/api/nothing").status_code == 404


# ---- the films


def test_grey_bytes_are_the_films_and_come_once(client: TestClient, hip: dict[str, str]):
    film = hip["ap_pelvis"]
    grey = client.get(f"/api/films/{film}", params={"hip": hip["id"]}).json()["grey"]
    answer = client.get(f"/api/films/{film}/grey")
    assert len(answer.content) == grey["rows"] * grey["cols"] * 2
    again = client.get(f"/api/films/{film}/grey", headers={"if-none-match": answer.headers["etag"]})
    assert (again.status_code, again.content) == (304, b"")
    assert client.get(f"/api/films/{film}/thumb.png").content[:8] == b"\x89PNG\r\n\x1a\n"


def test_a_film_is_opened_from_its_own_patients_hip_only(client: TestClient, hip: dict[str, str]):
    answer = client.get(f"/api/films/{hip['ap_pelvis']}", params={"hip": "none"})
    assert answer.status_code == 404


def test_scale_from_the_ball_contradicting_the_header_must_be_settled(client: TestClient, hip: dict[str, str]):
    film, (column, row) = hip["ap_pelvis"], ball_of(truth_of("alder"))
    snapped = client.post(
        f"/api/films/{film}/snap", json={"what": "ball", "side": "right", "clicks": [[column + 4, row]]}
    ).json()
    # The supplied truth states the ball's image diameter; the search is within 0.2 px of it across its short axis.
    assert 2 * snapped["circle"][2] == pytest.approx(118.739, abs=0.25)
    ball = {"kind": "ball", "circle": snapped["circle"], "circle_sd_px": snapped["circle_sd_px"], "diameter_mm": 20.0}
    refused = client.put(f"/api/films/{film}/scale", json=ball)
    assert (refused.status_code, refused.json()["guard"]) == (409, "implausible scale")
    page = client.put(f"/api/films/{film}/scale", json={**ball, "diameter_mm": 25.0, "settle": True}).json()
    assert page["scale"]["in_use"]["value"] == pytest.approx(0.2105, abs=0.002)
    assert page["scale"]["settled"] is True
    apart = [choice["apart_percent"] for choice in page["scale"]["choices"] if choice["apart_percent"] is not None]
    assert len(apart) == 1  # the header's distances stand beside it


# ---- readings


def _state(hip: dict[str, str]) -> dict[str, Any]:
    plain = landmarks_of(truth_of("alder"))
    return {"points": plain["points"], "circles": plain["circles"]}


def test_a_reading_is_kept_measured_undone_and_guarded_against_a_second_reader(client: TestClient, hip: dict[str, str]):
    film = f"/api/films/{hip['ap_pelvis']}"
    query = {"hip": hip["id"]}
    state = _state(hip)
    live = client.post(f"{film}/measure", params=query, json=state).json()
    assert live["finding"].startswith("The right leg is")
    saved = client.put(
        f"{film}/reading", params=query, json={"state": state, "base_step": 0, "what": "all points"}
    ).json()
    assert (saved["step"], saved["can_undo"]) == (1, True)
    angle = next(row for row in saved["measures"]["rows"] if row["key"] == "neck_shaft_angle_deg")["right"]
    assert angle["value"] == pytest.approx(truth_of("alder")["film_measures"]["neck_shaft_angle_deg"], abs=0.1)
    assert angle["low"] < angle["value"] < angle["high"]
    late = client.put(f"{film}/reading", params=query, json={"state": {}, "base_step": 0, "what": "late"})
    assert late.status_code == 409
    assert "Load the newer step" in late.json()["stopped"]
    assert client.post(f"{film}/reading/undo", params=query).json()["state"]["points"] == {}
    assert client.post(f"{film}/reading/redo", params=query).json()["state"]["points"] == state["points"]
    wrong = {"state": {"points": {"right.nose": [1, 2]}}, "base_step": 1, "what": "x"}
    assert "No landmark is called" in client.put(f"{film}/reading", params=query, json=wrong).json()["stopped"]
    again = client.post(f"{film}/reading/again", params=query).json()
    assert (again["repeat_of"], again["state"]["points"]) == (hip["ap_pelvis"], {})
    back = client.post(f"{film}/reading/again", params=query).json()
    assert (back["repeat_of"], back["step"]) == (None, 1)


def test_facts_limits_and_landmarks_are_served_and_checked(client: TestClient, hip: dict[str, str]):
    page = client.put(f"/api/hips/{hip['id']}/facts/weight_kg", json={"value": 84, "source": "scales"}).json()
    weight = next(fact for fact in page["facts"] if fact["key"] == "weight_kg")
    assert (weight["value"], weight["source"], weight["on"]) == (84.0, "scales", "2026-11-25")
    mistyped = client.put(f"/api/hips/{hip['id']}/facts/weight_kg", json={"value": 8400})
    assert "Check the number and its unit" in mistyped.json()["stopped"]
    rows = client.put(
        "/api/limits/least_wall_mm", json={"low": 2.0, "source": "department rule 4", "by": "Dr A. Moreau"}
    ).json()
    wall = next(row for row in rows if row["key"] == "least_wall_mm")
    assert (wall["low"], wall["status"], wall["edited_by"]) == (2.0, "local", "Dr A. Moreau")
    nameless = client.put("/api/limits/least_wall_mm", json={"low": 1.0, "source": "", "by": ""})
    assert "names who changed it and why" in nameless.json()["stopped"]
    marks = client.get("/api/landmarks").json()
    assert set(marks["schematics"]) == {"ap_pelvis", "ap_hip", "lateral_hip"}
    assert all(marks["schematics"].values())
    assert all(0 <= x <= 1 for mark in marks["landmarks"] for place in mark["pictures"].values() for x in place)


def test_comparison_placement_and_signature_answer_over_http(client: TestClient, hip: dict[str, str]):
    hip_path = f"/api/hips/{hip['id']}"
    client.put(f"/api/films/{hip['ap_pelvis']}/side", json={"seen": "both", "columns_to_left": True})
    comparison = client.get(f"{hip_path}/comparison").json()
    assert [level["title"] for level in comparison["levels"]] == ["Head surface", "Mid-head", "High neck", "Low neck"]
    assert client.put(f"{hip_path}/chosen", json={"level": "mid_head"}).json()["chosen"] == "mid_head"
    page = client.get(f"{hip_path}/placement").json()
    placement = page["appraisal"]["placement"]
    placement["pose"]["x_mm"] += 1.0
    live = client.post(f"{hip_path}/appraise", json=placement).json()
    assert live["placement"]["pose"]["x_mm"] == placement["pose"]["x_mm"]
    # Values alone are of a scan; on films the whole appraisal is as quick.
    on_films = client.post(f"{hip_path}/values", json=placement)
    assert (on_films.status_code, on_films.json()["guard"]) == (409, "family unsuitable")
    no_walls = client.post(f"{hip_path}/walls", json=placement)
    assert (no_walls.status_code, "bone of a scan" in no_walls.json()["stopped"]) == (422, True)
    kept = client.put(
        f"{hip_path}/placement", json={"placement": placement, "base_step": page["step"], "what": "moved 1 mm"}
    ).json()
    assert kept["appraisal"]["placement"] == placement
    stale = client.put(f"{hip_path}/placement", json={"placement": placement, "base_step": 99, "what": "x"})
    assert stale.status_code == 409
    other = {**placement, "level": "high_neck"}
    unsuitable = client.post(f"{hip_path}/appraise", json=other)
    assert (unsuitable.status_code, unsuitable.json()["guard"]) == (409, "family unsuitable")
    target = client.put(f"{hip_path}/target", json={"leg_mm": 3.0, "offset_mm": 0.0}).json()
    assert target["target_leg_mm"] == 3.0
    undone = client.post(f"{hip_path}/placement/undo").json()
    assert (undone["can_undo"], undone["can_redo"]) == (False, True)
    assert client.post(f"{hip_path}/placement/redo").json()["appraisal"]["placement"] == placement
    best = client.post(f"{hip_path}/placement/best", json={"level": "high_neck"}).json()
    assert best["appraisal"]["placement"]["level"] == "high_neck"
    signature = client.get(f"{hip_path}/signature").json()
    assert [check["guard"] for check in signature["checks"] if not check["passed"]] == []
    typed = {"signer": "Dr A", "side_typed": "left", "operation_date": "2026-12-10", "reasons": {}, "fall_back": None}
    wrong = client.post(f"{hip_path}/sign", json=typed)
    assert (wrong.status_code, wrong.json()["guard"]) == (409, "wrong side")
    late = client.post(f"{hip_path}/sign", json={**typed, "side_typed": "right", "operation_date": "2027-11-25"})
    assert (late.status_code, late.json()["guard"]) == (409, "stale images")
    pdf = client.get(f"{hip_path}/sheet.pdf")
    assert (pdf.headers["content-type"], pdf.content[:5]) == ("application/pdf", b"%PDF-")
    assert "ALDER" not in pdf.headers["content-disposition"]
    reasons = {wanted["key"]: "accepted after looking" for wanted in signature["overrides"]}
    signed = client.post(f"{hip_path}/sign", json={**typed, "side_typed": "right", "reasons": reasons}).json()
    assert signed["plan"]["version"] == 1
    sheet = client.get(f"/api/plans/{signed['plan']['plan_id']}/sheet.pdf", params={"paper": "letter"})
    assert sheet.content[:5] == b"%PDF-"
    # The side letter is read again, differently: printing what was signed closes.
    client.put(f"/api/films/{hip['lateral_hip']}/side", json={"seen": "left"})
    client.put(f"/api/films/{hip['ap_pelvis']}/side", json={"seen": "none"})
    assert client.get(f"/api/hips/{hip['id']}").json()["plans"][0]["signed_by"] == "Dr A"


# ---- a kill in the middle


def _ask(port: int, method: str, path: str, body: Any = None) -> Any:
    data = None if body is None else json.dumps(body).encode()
    request = urllib.request.Request(f"http://127.0.0.1:{port}{path}", data, method=method)
    request.add_header("Content-Type", "application/json")
    with urllib.request.urlopen(request, timeout=20) as answer:
        return json.loads(answer.read())


def _served(folder: Path) -> tuple[subprocess.Popen[bytes], int]:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    process = subprocess.Popen(
        [
            sys.executable,
            "-m",
            "headstock",
            "serve",
            "--data",
            str(folder),
            "--port",
            str(port),
            "--today",
            "2026-11-25",
        ],
        env=os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    for _ in range(240):
        try:
            _ask(port, "GET", "/api/about")
            return process, port
        except OSError:
            time.sleep(0.25)
    process.kill()
    raise AssertionError("the server did not start")


@pytest.mark.slow
def test_killing_the_server_mid_reading_loses_no_answered_step(tmp_path: Path, films: dict[str, Path]):
    from headstock.desk.bringing import bring_in

    desk = open_desk(tmp_path)
    (line,) = bring_in(desk, [films["ap_pelvis"]], who="A", now=NOW)
    desk.close()
    process, port = _served(tmp_path)
    try:
        where = f"/api/films/{line.film_id}/reading?hip={line.hip_id}"
        placed: dict[str, Any] = {}
        for step, (name, point) in enumerate(landmarks_of(truth_of("alder"))["points"].items()):
            placed[name] = point
            body = {"state": {"points": placed}, "base_step": step, "what": f"placed {name}"}
            assert _ask(port, "PUT", where, body)["step"] == step + 1
        process.send_signal(signal.SIGKILL)
        process.wait(20)
        process, port = _served(tmp_path)  # opens the record, walks its chain
        page = _ask(port, "GET", where)
        assert page["state"]["points"] == placed
        assert page["step"] == len(placed)
        assert page["can_undo"] is True
        undone = _ask(port, "POST", f"/api/films/{line.film_id}/reading/undo?hip={line.hip_id}")
        assert len(undone["state"]["points"]) == len(placed) - 1
    finally:
        process.kill()
        process.wait(20)

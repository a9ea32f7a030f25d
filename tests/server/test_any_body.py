"""Every address with wrong bodies: whatever is sent, the answer is a page or a refusal in words, never a breakdown."""

import copy
import json
import logging
import random
import sys
import urllib.parse
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from headstock.desk import place, sign
from headstock.desk.desk import open_desk
from headstock.records import check_chain
from headstock.records.drafts import draft_state, find_draft, save_step
from headstock.records.people import film as film_row
from headstock.records.people import hip as hip_row
from headstock.server.app import make_app

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "desk"))
from supplied import films_of
from test_stops import NOW, TODAY, _planned

with warnings.catch_warnings():
    # Starlette prefers a newer client library than the locked one; the one here answers the same.
    warnings.simplefilter("ignore")
    from fastapi.testclient import TestClient

BASE = "http://127.0.0.1:8470"
TEXTS = [
    "",
    "\x00",
    "\ud800",
    "../../etc/passwd",
    "a" * 5000,
    "‮abc",
    "none",
    "right",
    "ball",
    "x" * 100_000,
    "💉",
    "%s",
]
NUMBERS = [
    0, -1, 1, 2.5, 100, 700.5, float("nan"), float("inf"), float("-inf"), 1e308, -1e308, 5e-324, 10**400, 2**63, 1e7
]  # fmt: skip
NAMES = ["right.teardrop", "left.head_centre", "right.head", "right.lesion", "right.collapse", "right", "nonsense"]
KEPT = ("view", "columns_to_left", "side_letter", "side_letter_by", "scale_inputs", "scale_kind", "scale_settled_by")
LEFT_OUT = ("/api/demo", "/api/import")  # long work; imports have tests of their own


class Record:
    """One planned hip behind the application, put back to where it stood when a wrong body changed it."""

    def __init__(self, folder: Path) -> None:
        self.desk = open_desk(folder / "data")
        films = films_of("alder", folder)
        originals = {view: path.read_bytes() for view, path in films.items()}
        self.hip, by_number = _planned(self.desk, originals, originals["lateral_hip"])
        self.films = list(by_number.values())
        with self.desk.store.session() as session:
            self.rows = {f: {name: getattr(film_row(session, f), name) for name in KEPT} for f in self.films}
            self.drafts = {
                key: draft_state(session, find_draft(session, *key)).state
                for key in (("reading", self.films[0]), ("placement", self.hip))
            }
        self.reading = self.drafts["reading", self.films[0]]
        self.reading["outlines"] = {"right.lesion": [[1000, 900], [1040, 900], [1040, 960], [1000, 950]]}
        self.placement = place.placement_page(self.desk, self.hip, today=TODAY).appraisal.placement.model_dump()
        self.wanted = [one.key for one in sign.signature_page(self.desk, self.hip, today=TODAY).overrides]
        self.restore()
        self.application = make_app(self.desk, lambda: NOW)
        self.client = TestClient(self.application, base_url=BASE, raise_server_exceptions=False)

    def restore(self) -> None:
        with self.desk.store.writing() as session:
            for film_id, kept in self.rows.items():
                row = film_row(session, film_id)
                for name, value in kept.items():
                    setattr(row, name, value)
            hip = hip_row(session, self.hip)
            hip.target_leg_mm, hip.target_offset_mm, hip.chosen_level = 0.0, 0.0, "high_neck"
            session.execute(sa.text("DELETE FROM limit_edit"))
            session.execute(sa.text("DELETE FROM film_use"))
            for key, state in self.drafts.items():
                draft = find_draft(session, *key)
                save_step(session, draft, state, base_step=draft.step, what="put back", by="A", now=NOW)

    def step(self, *key: str) -> int:
        with self.desk.store.session() as session:
            return find_draft(session, *key).step

    def right_body(self, path: str, rng: random.Random) -> Any:
        """A body that this address takes."""
        bodies: dict[str, Any] = {
            "/reading": {"state": self.reading, "base_step": self.step("reading", self.films[0]), "what": "moved"},
            "/measure": self.reading,
            "/appraise": self.placement,
            "/values": self.placement,
            "/walls": self.placement,
            "/placement": {"placement": self.placement, "base_step": self.step("placement", self.hip), "what": "x"},
            "/best": {"level": rng.choice(["mid_head", "low_neck"]), "family": None, "size": None},
            "/sign": {
                "signer": "Dr A", "side_typed": "right", "operation_date": "2026-12-10", "fall_back": "low_neck",
                "reasons": dict.fromkeys(self.wanted, "accepted"), "cup_overrides": {"depth": "deeper"}, "note": "n",
            },
            "/scale": rng.choice([
                {"kind": "ball", "circle": [700, 500, 59.4], "circle_sd_px": 0.1, "diameter_mm": 25, "settle": True},
                {"kind": "ruler", "ruler": [[1, 1], [500, 500]], "ruler_mm": 100, "settle": True},
                {"kind": "typed_magnification", "magnification": 1.2, "settle": True},
                {"kind": "detector_and_distance", "source_detector_mm": 1150, "object_detector_mm": 200},
            ]),
            "/side": {"seen": "both", "columns_to_left": True, "view": "ap_pelvis"},
            "/target": {"leg_mm": 1, "offset_mm": 2},
            "/chosen": {"level": "mid_head"},
            "/use": {"used": True},
            "/snap": {"what": rng.choice(["ball", "head", "neck", "shaft"]), "side": "right",
                      "clicks": [[700, 500], [720, 600]], "circle": [1000, 900, 100]},
            "/reader": {"reader": "Dr A"},
            "/mark": {"click": [-80.0, 50.0, -78.0]},
            "/read": {"seed": [-80.0, 50.0, -78.0]},
            "/calibration": {"kind": "typed", "slope": 0.0008, "offset": 0.0, "source": "phantom of the scanner"},
            "/edits": {
                "edits": [{"tool": "brush", "label": "femur", "points": [[-80.0, 50.0, -78.0]], "radius_mm": 3.0}],
                "base_step": 0, "what": "brush",
            },
            "/cut": {"level": "mid_head", "depth_mm": 30.0, "keep": False},
        }  # fmt: skip
        if "/limits/" in path:
            return {"low": 1, "high": 2, "source": "x", "by": "B"}
        if "/facts/" in path:
            return {"value": rng.choice([True, 70, "text"]), "on": "2026-11-01", "source": "asked"}
        return copy.deepcopy(next(body for end, body in bodies.items() if path.endswith(end)))


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Record]:
    made = Record(tmp_path_factory.mktemp("any"))
    with made.client:
        yield made


def anything(rng: random.Random, depth: int = 0) -> Any:
    kind = rng.randrange(6 if depth < 3 else 4)
    if kind == 4:
        return [anything(rng, depth + 1) for _ in range(rng.randrange(4))]
    if kind == 5:
        return {rng.choice([*TEXTS[:6], *NAMES]): anything(rng, depth + 1) for _ in range(rng.randrange(3))}
    return rng.choice([rng.choice(TEXTS), rng.choice(NUMBERS), None, rng.random() < 0.5])


def places(value: Any, before: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for name, one in items:
        yield (*before, name)
        yield from places(one, (*before, name))


def spoilt(body: Any, rng: random.Random) -> Any:
    """The body with nothing, or up to three things in it, made wrong."""
    if rng.random() < 0.05:
        return anything(rng)
    for _ in range(rng.choice([0, 1, 1, 1, 2, 3])):
        found = list(places(body))
        if not found:
            return body
        *way, last = rng.choice(found)
        holder = body
        for name in way:
            holder = holder[name]
        old, chance = holder[last], rng.random()
        if chance < 0.15:
            holder.pop(last)
        elif chance < 0.75 and isinstance(old, int | float):
            holder[last] = rng.choice([*NUMBERS, old * 10, -old, old + 1])
        elif chance < 0.75 and isinstance(old, str):
            holder[last] = rng.choice(TEXTS)
        elif chance < 0.85 and isinstance(holder, dict):
            holder[rng.choice(NAMES)] = old
        else:
            holder[last] = anything(rng)
    return body


@pytest.mark.parametrize("seed", range(3))
def test_whatever_is_sent_the_answer_is_a_page_or_a_refusal_in_words(
    record: Record, seed: int, caplog: pytest.LogCaptureFixture
):
    rng = random.Random(seed)
    routes = [
        (method, route.path, getattr(route, "body_field", None) is not None)
        for route in record.application.routes
        if route.path.startswith("/api/") and route.path not in LEFT_OUT
        for method in route.methods
    ]
    assert len(routes) > 35  # every address of the application, and new ones as they come
    ids = {
        "hip": [record.hip], "film": record.films, "job_id": ["none"], "plan": ["none"],
        "key": ["renal_disease", "weight_kg", "cause", "film_age_days", "magnification", "least_wall_mm"],
    }  # fmt: skip
    caplog.set_level(logging.CRITICAL)
    seen: dict[int, int] = {}
    for _ in range(4):
        rng.shuffle(routes)
        for method, path, takes_body in routes:
            if rng.random() < 0.6:
                record.restore()
            address = path
            for name, known in ids.items():
                one = rng.choice(known) if rng.random() < 0.95 else rng.choice(TEXTS[:6])
                address = address.replace(
                    "{" + name + "}", urllib.parse.quote(one.encode("utf-8", "surrogatepass"), safe="")
                )
            query = {"hip": record.hip} if "/films/" in path else {}
            query |= {"paper": rng.choice(["a4", "letter", "\x00"])} if "sheet" in path else {}
            body = json.dumps(spoilt(record.right_body(path, rng), rng)).encode() if takes_body else None
            if body is not None and rng.random() < 0.03:
                body = body[: len(body) // 2]
            answer = record.client.request(
                method, address, params=query, content=body, headers={"content-type": "application/json"}
            )
            told = (method, path, answer.status_code, (body or b"")[:400])
            assert answer.status_code < 500, (*told, answer.text[:200])
            seen[answer.status_code // 100] = seen.get(answer.status_code // 100, 0) + 1
            if answer.status_code >= 400:
                stop = answer.json()
                assert set(stop) == {"stopped", "guard", "detail"}, told
                assert 0 < len(stop["stopped"]) < 6000, told
            elif answer.headers["content-type"] == "application/json":
                assert "NaN" not in answer.text, told
                assert "Infinity" not in answer.text, told
    assert seen[2] > 50, seen  # it does not merely refuse everything
    assert seen[4] > 20, seen
    check_chain(record.desk.store)


@pytest.mark.parametrize(
    ("body", "says"),
    [
        (b'{"reader": "\\ud800"}', "cannot be kept"),
        (b'{"reader": "a\\u0000b"}', "cannot be kept"),
        (b'{"reader": "' + b"a" * 3000 + b'"}', "longer than"),
        (b"[" * 2000 + b"]" * 2000, "could not be understood"),
        (b'{"reader": NaN}', "could not be understood"),
        (b'{"SMITH^JOHN": 1, "reader": "a"}', "could not be understood"),
    ],
)
def test_text_that_cannot_be_kept_is_refused_at_the_door(record: Record, body: bytes, says: str):
    answer = record.client.put("/api/reader", content=body, headers={"content-type": "application/json"})
    assert answer.status_code in (400, 422), answer.text
    assert says in answer.json()["stopped"] or answer.status_code == 400
    assert "SMITH" not in answer.text


@pytest.mark.parametrize("number", ["NaN", "Infinity", "1e308", "1" + "0" * 400])
def test_a_point_that_is_no_number_is_refused_and_nothing_is_kept(record: Record, number: str):
    record.restore()
    before = record.step("reading", record.films[0])
    body = json.dumps(record.right_body("/reading", random.Random(0))).replace("1040", number, 1)
    answer = record.client.put(
        f"/api/films/{record.films[0]}/reading",
        params={"hip": record.hip},
        content=body,
        headers={"content-type": "application/json"},
    )
    assert answer.status_code == 422
    assert "Nothing was changed" in answer.json()["stopped"]
    assert record.step("reading", record.films[0]) == before

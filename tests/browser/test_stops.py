"""A wrong side, no scale, an old film, an unsigned print: each stopped on the page, with words that say what to do."""

import re
import subprocess
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from . import steps
from .conftest import Server
from .supplied_places import Supplied, supplied

pytestmark = pytest.mark.browser


def _put(page: Page, url: str, body: dict[str, Any]) -> None:
    response = page.request.put(url, data=body)
    assert response.ok, response.text()


def _ready_to_sign(
    page: Page, base: str, who: Supplied, *, lateral_letter: str | None = None, scale: bool = True
) -> str:
    """Everything but the signature, by the same addresses the pages use; answers the hip."""
    page.goto(base)
    steps.bring(page, who.zip)
    hip = str(steps.hip_of(page, base, who.number)["hip_id"])
    ap, lateral = (steps.film_of(page, base, hip, view) for view in ("ap_pelvis", "lateral_hip"))
    films = f"{base}/api/films"
    _put(page, f"{films}/{ap}/side?hip={hip}", {"seen": "both", "columns_to_left": True, "view": "ap_pelvis"})
    _put(page, f"{films}/{lateral}/side?hip={hip}", {"seen": lateral_letter or who.side, "view": "lateral_hip"})
    if scale:
        ball = who.truth["film"]["marker_ball"]
        circle = [ball["centre"]["col"], ball["centre"]["row"], ball["image_diameter_px"] / 2]
        body = {"kind": "ball", "circle": circle, "circle_sd_px": 0.1, "diameter_mm": who.ball_mm, "settle": True}
        _put(page, f"{films}/{ap}/scale?hip={hip}", body)
    points = {key: list(at) for key, at in who.ap.items() if "head_centre" not in key}
    state = {"points": points, "circles": {key: list(circle) for key, circle in who.ap_circles.items()}}
    _put(page, f"{films}/{ap}/reading?hip={hip}", {"state": state, "base_step": 0, "what": "all points"})
    return hip


def _keep_placement(page: Page, base: str, hip: str) -> None:
    _put(page, f"{base}/api/hips/{hip}/chosen", {"level": "high_neck"})
    placement = steps.answer(page, f"{base}/api/hips/{hip}/placement")
    body = {"placement": placement["appraisal"]["placement"], "base_step": placement["step"], "what": "kept"}
    _put(page, f"{base}/api/hips/{hip}/placement", body)


def test_a_wrong_side_is_stopped(page: Page, server: Server, tmp_path: Path) -> None:
    who = supplied("birch")
    wrong = "right" if who.side == "left" else "left"
    hip = _ready_to_sign(page, server.url, who, lateral_letter=wrong)
    _keep_placement(page, server.url, hip)
    page.goto(f"{server.url}/hip/{hip}/signature")
    main = page.locator("main")
    expect(main).to_contain_text("Stopped", timeout=15_000)
    expect(main).to_contain_text(re.compile("side", re.IGNORECASE))
    expect(main).to_contain_text("does not agree")
    expect(main).to_contain_text(re.compile("Sign: closed"))
    steps.picture(page, tmp_path, "wrong-side")


def test_a_film_without_scale_is_stopped(page: Page, server: Server) -> None:
    who = supplied("cedar")
    hip = _ready_to_sign(page, server.url, who, scale=False)
    ap = steps.film_of(page, server.url, hip, "ap_pelvis")
    page.goto(f"{server.url}/hip/{hip}/film/{ap}")
    steps.film_is_shown(page)
    main = page.locator("main")
    expect(main).to_contain_text("This film has no scale yet")
    expect(main).to_contain_text("Find the ball")
    page.goto(f"{server.url}/hip/{hip}/signature")
    expect(main).to_contain_text("Stopped", timeout=15_000)
    expect(main).to_contain_text(re.compile("scale"))


def test_a_stale_film_is_stopped(page: Page, tmp_path: Path) -> None:
    who = supplied("alder")
    server = Server(tmp_path / "record", today="2027-09-01")
    server.start()
    try:
        hip = _ready_to_sign(page, server.url, who)
        _keep_placement(page, server.url, hip)
        page.goto(f"{server.url}/hip/{hip}/signature")
        main = page.locator("main")
        expect(main).to_contain_text("Stopped", timeout=15_000)
        expect(main).to_contain_text(re.compile(r"days old|older than|too old", re.IGNORECASE))
        expect(main).to_contain_text(re.compile("Take new films|new film", re.IGNORECASE))
    finally:
        server.stop()


def test_an_unsigned_print_says_draft_and_the_wrong_word_for_the_side_does_not_sign(page: Page, server: Server) -> None:
    who = supplied("alder")
    hip = _ready_to_sign(page, server.url, who)
    _keep_placement(page, server.url, hip)
    page.goto(f"{server.url}/hip/{hip}/signature")
    draft = page.request.get(f"{server.url}/api/hips/{hip}/sheet.pdf?paper=a4")
    assert draft.ok, draft.text()
    text = subprocess.run(["pdftotext", "-", "-"], input=draft.body(), capture_output=True, check=True).stdout.decode()
    assert text.count("must not go to theatre") == 2
    steps.fill_signature(page, side="left", signer="Dr A. Moreau", day="10 Dec 2026")
    page.locator("main button.do", has_text="Sign for the right hip").click()
    expect(page.locator("main")).to_contain_text(re.compile("side", re.IGNORECASE))
    assert steps.answer(page, f"{server.url}/api/hips/{hip}/signature")["plan"] is None

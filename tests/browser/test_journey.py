"""From a hospital's zip to a signed plan and its sheet, in a real browser, as a new user would."""

import os
import re
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from . import steps
from .conftest import PICTURES, Server
from .supplied_places import Supplied, supplied

pytestmark = pytest.mark.browser


@pytest.fixture
def keep(page: Page, tmp_path: Path) -> Callable[[str], None]:
    """Keep a picture of the page; among the documents when HEADSTOCK_PICTURES=1, else beside the test's data."""
    folder = PICTURES if os.environ.get("HEADSTOCK_PICTURES") == "1" else tmp_path
    return lambda name: steps.picture(page, folder, name)


def _sheet_text(page: Page, url: str) -> list[str]:
    pdf = page.request.get(url)
    assert pdf.ok, pdf.text()
    text = subprocess.run(["pdftotext", "-layout", "-", "-"], input=pdf.body(), capture_output=True, check=True).stdout
    return text.decode().split("\f")[:-1]


def _read_both_films(page: Page, base: str, hip: str, who: Supplied, keep: Callable[[str], None]) -> None:
    ap, lateral = (steps.film_of(page, base, hip, view) for view in ("ap_pelvis", "lateral_hip"))
    page.goto(f"{base}/hip/{hip}/film/{ap}")
    steps.film_is_shown(page)
    expect(page.locator("main")).to_contain_text("Stopped")
    steps.say_side(page, "both", "left half")
    expect(page.locator("main")).to_contain_text(re.compile("no scale", re.IGNORECASE))
    keep("film-no-scale")
    steps.scale_by_ball(page, who.ap_ball, who.ball_mm)
    keep("film-scale")
    page.goto(f"{base}/hip/{hip}/reading/{ap}")
    steps.film_is_shown(page)
    order = steps.read_film(page, base, ap, hip, who.ap, who.ap_circles)
    assert f"{who.side}.head_centre" in order
    steps.outline_dead_bone(page, who.lesion)
    keep("reading")
    page.goto(f"{base}/hip/{hip}/film/{lateral}")
    steps.film_is_shown(page)
    steps.say_side(page, who.side[0].upper())
    steps.scale_by_ball(page, who.lateral_ball, who.ball_mm)
    page.goto(f"{base}/hip/{hip}/reading/{lateral}")
    steps.film_is_shown(page)
    steps.read_film(page, base, lateral, hip, who.lateral, who.lateral_circles)
    keep("reading-lateral")


@pytest.mark.parametrize("name", ["alder", "birch", "cedar"])
def test_a_zip_becomes_a_signed_plan_and_a_sheet(
    name: str, page: Page, server: Server, keep: Callable[[str], None], tmp_path: Path
) -> None:
    who, base = supplied(name), server.url
    shown = keep if name == "alder" else lambda _: None
    troubles: list[str] = []
    page.on("pageerror", lambda error: troubles.append(str(error)))
    page.goto(base)
    expect(page.locator("main")).to_contain_text("Where does sound bone")
    shown("first-page")
    steps.bring(page, who.zip)
    shown("imported")
    row = steps.hip_of(page, base, who.number)
    assert row["side"] == who.side
    hip = row["hip_id"]
    _read_both_films(page, base, hip, who, shown)

    # What was read agrees with the truth of the film, within its own interval and the scale's.
    ap = steps.film_of(page, base, hip, "ap_pelvis")
    rows = {r["key"]: r for r in steps.answer(page, f"{base}/api/films/{ap}/reading?hip={hip}")["measures"]["rows"]}
    for key in ("femoral_offset_mm", "neck_shaft_angle_deg"):
        number = rows[key][who.side]
        assert number["low"] <= who.truth["film_measures"][key] <= number["high"], (key, number)

    page.goto(f"{base}/hip/{hip}/comparison")
    expect(page.locator("main")).to_contain_text("Low neck", timeout=20_000)
    shown("comparison")
    page.keyboard.press("2")
    expect(page.locator("th.sel")).to_contain_text("Mid-head")
    page.keyboard.press("Enter")
    page.wait_for_url("**/placement")
    steps.film_is_shown(page)
    for key in ("ArrowUp", "ArrowRight", "]"):
        page.keyboard.press(key)
        page.wait_for_timeout(150)
    shown("placement")
    page.keyboard.press("k")
    page.wait_for_url("**/signature")
    steps.fill_signature(page, side=who.side, signer="Dr A. Moreau", day="10 Dec 2026")
    shown("signature")
    page.locator("main button.do", has_text=f"Sign for the {who.side} hip").click()
    expect(page.locator("main h1")).to_contain_text(f"signed for the {who.side} hip", timeout=20_000)
    shown("signed")
    with page.expect_popup() as opened:
        page.locator("main button.do", has_text="Print the sheet").click()
    opened.value.close()

    plan = steps.answer(page, f"{base}/api/hips/{hip}/signature")["plan"]["plan_id"]
    for paper in ("a4", "letter"):
        pages = _sheet_text(page, f"{base}/api/plans/{plan}/sheet.pdf?paper={paper}")
        assert len(pages) == 2
        for sheet in pages:
            assert f"{who.side.capitalize()} hip" in sheet
            assert who.number in sheet
            assert "Dr A. Moreau" in sheet
            assert "must not go to theatre" not in sheet
    if name == "alder" and os.environ.get("HEADSTOCK_PICTURES") == "1":
        pdf = page.request.get(f"{base}/api/plans/{plan}/sheet.pdf?paper=a4").body()
        subprocess.run(["pdftoppm", "-r", "90", "-png", "-", str(PICTURES / "sheet")], input=pdf, check=True)
    assert troubles == []


def test_killing_the_server_in_the_middle_of_a_reading_loses_nothing(page: Page, server: Server) -> None:
    who, base = supplied("alder"), server.url
    page.goto(base)
    steps.bring(page, who.zip)
    hip = steps.hip_of(page, base, who.number)["hip_id"]
    ap = steps.film_of(page, base, hip, "ap_pelvis")
    for method, body in (
        ("side", {"seen": "both", "columns_to_left": True, "view": "ap_pelvis"}),
        ("scale", {"kind": "typed_magnification", "magnification": 1.19, "settle": True}),
    ):
        assert page.request.put(f"{base}/api/films/{ap}/{method}?hip={hip}", data=body).ok
    page.goto(f"{base}/hip/{hip}/reading/{ap}")
    steps.film_is_shown(page)
    steps.click_film(page, who.ap["right.teardrop"])
    expect(page.locator(".rd-next")).to_contain_text("eardrop, left", timeout=10_000)
    server.kill()
    steps.click_film(page, who.ap["left.teardrop"])
    expect(page.locator("header.plate")).to_contain_text("The server does not answer", timeout=15_000)
    server.start()
    page.reload()
    steps.film_is_shown(page)
    url = f"{base}/api/films/{ap}/reading?hip={hip}"
    page.wait_for_function(
        "async (url) => Object.keys((await (await fetch(url)).json()).state.points).length === 2",
        arg=url,
        timeout=20_000,
    )
    points = steps.answer(page, url)["state"]["points"]
    for key in ("right.teardrop", "left.teardrop"):
        assert points[key] == pytest.approx(who.ap[key], abs=2.0)
    # The way back survives the power cut as well.
    page.locator(".fv").click(position={"x": 5, "y": 400}, trial=True)
    page.keyboard.press("u")
    page.wait_for_function(
        "async (url) => Object.keys((await (await fetch(url)).json()).state.points).length === 1",
        arg=url,
        timeout=10_000,
    )


def test_the_demo_patients_open_in_one_click(page: Page, server: Server, keep: Callable[[str], None]) -> None:
    page.goto(server.url)
    page.locator("main button.do", has_text="demo patients").click()
    expect(page.locator("tbody")).to_contain_text("DEMO-0006", timeout=180_000)
    expect(page.locator(".job.done").first).to_be_visible(timeout=180_000)
    page.get_by_role("button", name=re.compile("Put away")).first.click()
    keep("patients")
    hip = steps.hip_of(page, server.url, "DEMO-0001")
    page.goto(f"{server.url}/hip/{hip['hip_id']}")
    expect(page.locator("main h1")).to_be_visible()
    keep("hip")
    page.goto(f"{server.url}/hip/{hip['hip_id']}/comparison")
    expect(page.locator("main")).to_contain_text(re.compile("joint-preserving surgery", re.IGNORECASE), timeout=20_000)
    for size in ((1440, 900), (1280, 720)):
        page.set_viewport_size({"width": size[0], "height": size[1]})
        for path in ("", f"/hip/{hip['hip_id']}", f"/hip/{hip['hip_id']}/comparison"):
            page.goto(f"{server.url}{path}")
            page.wait_for_timeout(900)
            steps.nothing_is_cut_or_small(page)


def test_nothing_is_asked_of_another_machine(page: Page, server: Server) -> None:
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.goto(server.url)
    page.wait_for_timeout(500)
    assert asked
    assert [url for url in asked if not url.startswith((server.url, "data:", "blob:"))] == []

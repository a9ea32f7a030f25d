"""Every screen: worked by keys alone, kept over a reload, safe with two tabs, whole at both window sizes."""

import json
import re
import time
import urllib.request
from collections.abc import Iterator
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from . import steps
from .conftest import Server

pytestmark = pytest.mark.browser

WIDE, LOW = (1440, 900), (1280, 720)

# Words that run out of a box that hides them, or out of the window; and a violet press below the edge.
CUT = """() => {
    const bad = [];
    for (const element of document.querySelectorAll("body *")) {
        if (element.closest("svg, .vh, option, .topics, .said")) continue;
        const own = [...element.childNodes].some((node) => node.nodeType === 3 && node.textContent.trim());
        if (!own || !element.getClientRects().length) continue;
        const range = document.createRange();
        range.selectNodeContents(element);
        const words = range.getBoundingClientRect();
        let scrolls = false;
        for (let box = element; box && box !== document.body; box = box.parentElement) {
            const style = getComputedStyle(box);
            if (style.position === "fixed") break;
            const edge = box.getBoundingClientRect();
            if (/auto|scroll/.test(style.overflowY)) scrolls = true;
            const wide = words.right > edge.right + 1.5 || words.left < edge.left - 1.5;
            const high = words.bottom > edge.bottom + 2 || words.top < edge.top - 2;
            const hides = (flow) => /hidden|clip/.test(flow);
            if ((wide && hides(style.overflowX)) || (high && !scrolls && hides(style.overflowY))) {
                bad.push(`${element.textContent.trim().slice(0, 60)} in .${box.className}`);
                break;
            }
        }
        if (!scrolls && words.right > innerWidth + 1) bad.push(`${element.textContent.trim().slice(0, 60)} leaves`);
    }
    for (const press of document.querySelectorAll("main .btn.do")) {
        if (press.getBoundingClientRect().bottom > innerHeight - 28) bad.push(`${press.textContent} is below the edge`);
    }
    return bad;
}"""


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """A server with the six demo patients."""
    made = Server(tmp_path_factory.mktemp("screens") / "record")
    made.start()
    try:
        begun = urllib.request.Request(f"{made.url}/api/demo", method="POST")
        job = json.load(urllib.request.urlopen(begun, timeout=60))["job_id"]
        for _ in range(400):
            state = json.load(urllib.request.urlopen(f"{made.url}/api/jobs/{job}", timeout=60))["state"]
            if state not in ("waits", "runs"):
                break
            time.sleep(0.5)
        assert state == "done", state
        yield made
    finally:
        made.stop()


def _hip(page: Page, demo: Server, number: str) -> str:
    return str(steps.hip_of(page, demo.url, number)["hip_id"])


def _tab_to(page: Page, selector: str) -> None:
    """Press Tab until the focus stands on what was meant."""
    for _ in range(160):
        if page.evaluate("(wanted) => document.activeElement?.matches(wanted) ?? false", selector):
            return
        page.keyboard.press("Tab")
    raise AssertionError(f"Tab does not reach {selector}")


def _ring(page: Page) -> bool:
    """What has the focus shows it, or lies in a field that does."""
    return bool(
        page.evaluate(
            """() => {
                const shown = (e) => getComputedStyle(e).boxShadow !== "none";
                const now = document.activeElement;
                return shown(now) || (now.closest(".field") !== null && shown(now.closest(".field")));
            }"""
        )
    )


def test_a_hip_goes_from_the_list_to_its_signature_by_keys_alone(page: Page, demo: Server) -> None:
    page.goto(demo.url)
    expect(page.locator("tr.is-here")).to_contain_text("DEMO-0001")
    page.keyboard.press("Enter")
    page.wait_for_url(re.compile(r"/hip/[0-9a-f]+$"))
    expect(page.locator("main h1")).to_be_visible()
    page.keyboard.press("Enter")
    page.wait_for_url("**/comparison")
    expect(page.locator("table.cmp")).to_be_visible(timeout=60_000)
    page.keyboard.press("w")
    expect(page.locator("aside.why")).to_be_visible()
    page.keyboard.press("Escape")
    expect(page.locator("aside.why")).to_have_count(0)
    page.keyboard.press("?")
    expect(page.get_by_role("dialog", name="All keys")).to_contain_text("Choose mid-head")
    page.keyboard.press("Escape")
    page.keyboard.press("2")
    expect(page.locator("th.sel")).to_contain_text("Mid-head")
    page.keyboard.press("Enter")
    page.wait_for_url("**/placement")
    steps.film_is_shown(page)
    expect(page.locator(".pl-side")).to_be_visible(timeout=60_000)
    page.keyboard.press("k")  # The best fit, unmoved, becomes the surgeon's by this press.
    page.wait_for_url("**/signature", timeout=60_000)
    expect(page.get_by_placeholder("left or right")).to_be_visible(timeout=60_000)
    reasons = page.get_by_placeholder("Your reason").count()
    for _ in range(reasons):
        _tab_to(page, "input[placeholder='Your reason']:placeholder-shown")
        assert _ring(page)
        page.keyboard.type("Seen and discussed.")
    _tab_to(page, "input[placeholder='10 Dec 2026']")
    page.keyboard.type("10 Dec 2026")
    _tab_to(page, "input[placeholder='left or right']")
    page.keyboard.type("right")
    _tab_to(page, "input[placeholder='your name']")
    page.keyboard.type("Dr A. Moreau")
    _tab_to(page, "main .btn.do")
    assert _ring(page)
    page.keyboard.press("Enter")
    expect(page.locator("main h1")).to_contain_text("signed for the right hip", timeout=30_000)
    # Who signed reads here from now on.
    page.keyboard.press("h")
    expect(page.locator("header.plate")).to_contain_text("Dr A. Moreau", timeout=10_000)


def test_two_tabs_on_one_reading_never_overwrite_each_other(page: Page, demo: Server) -> None:
    hip = _hip(page, demo, "DEMO-0004")
    film = steps.film_of(page, demo.url, hip, "ap_pelvis")
    address, url = f"{demo.url}/hip/{hip}/reading/{film}", f"{demo.url}/api/films/{film}/reading?hip={hip}"
    other = page.context.new_page()
    for tab in (page, other):
        tab.goto(address)
        steps.film_is_shown(tab)
        expect(tab.locator(".rd-measures tbody tr").first).to_be_visible(timeout=20_000)
        tab.locator(".fv").focus()
        tab.keyboard.press("Tab")
        expect(tab.locator(".rd-next")).to_contain_text("point 1 of")

    def points() -> Any:
        return steps.answer(page, url)["state"]["points"]

    first = points()
    page.keyboard.press("ArrowUp")
    page.wait_for_timeout(1500)
    mine = points()
    assert mine != first
    other.keyboard.press("ArrowLeft")
    told = other.locator(".rd-conflict")
    expect(told).to_contain_text("Nothing was overwritten", timeout=10_000)
    expect(other.locator("header.plate")).to_contain_text("not kept")
    assert points() == mine
    # It waits for a choice over a reload as well.
    other.goto(address)
    expect(told).to_be_visible(timeout=10_000)
    told.get_by_role("button", name="Show the later reading").click()
    expect(told).to_have_count(0)
    assert points() == mine
    other.close()


def test_a_step_left_in_the_browser_goes_out_from_the_first_page(page: Page, demo: Server) -> None:
    hip = _hip(page, demo, "DEMO-0006")
    film = steps.film_of(page, demo.url, hip, "ap_pelvis")
    url = f"{demo.url}/api/films/{film}/reading?hip={hip}"
    page.goto(f"{demo.url}/hip/{hip}/reading/{film}")
    steps.film_is_shown(page)
    before = steps.answer(page, url)["step"]
    page.route(
        "**/api/films/*/reading?*", lambda route: route.abort() if route.request.method == "PUT" else route.continue_()
    )
    expect(page.locator(".rd-measures tbody tr").first).to_be_visible(timeout=20_000)
    page.locator(".fv").focus()
    page.keyboard.press("Tab")
    page.keyboard.press("ArrowUp")
    expect(page.locator("header.plate")).to_contain_text("does not answer", timeout=10_000)
    assert steps.answer(page, url)["step"] == before
    page.goto(demo.url)
    expect(page.locator("tbody")).to_contain_text("DEMO-0006")
    page.unroute_all()
    page.reload()
    page.wait_for_function(
        "async ([url, before]) => (await (await fetch(url)).json()).step > before", arg=[url, before], timeout=20_000
    )


def _addresses(page: Page, demo: Server) -> list[str]:
    """Every page of a hip that is compared, of one not yet read, and the pages without a hip."""
    compared, unread = _hip(page, demo, "DEMO-0002"), _hip(page, demo, "DEMO-0005")
    page.request.put(f"{demo.url}/api/hips/{compared}/chosen", data={"level": "mid_head"})
    films = {view: steps.film_of(page, demo.url, compared, view) for view in ("ap_pelvis", "lateral_hip")}
    new = steps.film_of(page, demo.url, unread, "ap_pelvis")
    return [
        "/",
        "/limits",
        "/nowhere/at/all",
        f"/hip/{compared}",
        *(f"/hip/{compared}/{what}/{film}" for film in films.values() for what in ("film", "reading")),
        *(f"/hip/{compared}/{what}" for what in ("comparison", "placement", "signature", "films")),
        f"/hip/{unread}/film/{new}",
        f"/hip/{unread}/reading/{new}",
        f"/hip/{unread}/comparison",
        f"/hip/{unread}/placement",
        f"/hip/{unread}/signature",
    ]


def _settle(page: Page) -> None:
    expect(page.locator("main .wait")).to_have_count(0, timeout=60_000)
    expect(page.locator("main h1, main h2, main .fv").first).to_be_visible(timeout=60_000)
    page.wait_for_timeout(500)


def test_a_reload_keeps_the_page_and_back_goes_back(page: Page, demo: Server) -> None:
    troubles: list[str] = []
    page.on("pageerror", lambda error: troubles.append(str(error)))
    addresses = _addresses(page, demo)
    for address in addresses:
        page.goto(f"{demo.url}{address}")
        _settle(page)
        shown = page.locator("main").inner_text()[:40]
        page.reload()
        _settle(page)
        assert page.url == f"{demo.url}{address}"
        assert page.locator("main").inner_text()[:40] == shown
    hip = addresses[3]
    page.goto(f"{demo.url}{hip}")
    _settle(page)
    page.keyboard.press("Enter")
    page.wait_for_url(lambda url: not url.endswith(hip))
    page.go_back()
    page.wait_for_url(f"**{hip}")
    expect(page.locator("main h1")).to_be_visible()
    assert troubles == []


@pytest.mark.parametrize("size", [WIDE, LOW], ids=["1440x900", "1280x720"])
def test_nothing_is_cut_at(size: tuple[int, int], page: Page, demo: Server) -> None:
    page.set_viewport_size({"width": size[0], "height": size[1]})
    found: dict[str, list[str]] = {}
    for address in _addresses(page, demo):
        page.goto(f"{demo.url}{address}")
        _settle(page)
        if bad := page.evaluate(CUT):
            found[address] = bad
        steps.nothing_is_cut_or_small(page)
    assert found == {}


def test_every_row_of_the_comparison_stands_in_a_usual_window(page: Page, demo: Server) -> None:
    hip = _hip(page, demo, "DEMO-0002")
    page.goto(f"{demo.url}/hip/{hip}/comparison")
    _settle(page)
    rows = page.locator(".cmp tbody tr")
    wanted = len(steps.answer(page, f"{demo.url}/api/hips/{hip}/comparison")["rows"])
    expect(rows).to_have_count(wanted)
    expect(page.locator(".morerows")).to_have_count(0)
    assert page.locator(".cmpwrap").evaluate("(box) => box.scrollHeight - box.clientHeight") <= 2
    page.set_viewport_size({"width": LOW[0], "height": LOW[1]})
    fold = page.locator(".cmp .fold")
    expect(fold).to_contain_text("more rows, none with a limit set")
    expect(page.locator(".morerows")).to_have_count(0)
    page.keyboard.press("m")
    expect(rows).to_have_count(wanted + 1)


def test_motion_is_left_out_when_it_is_not_wanted(page: Page, demo: Server) -> None:
    page.emulate_media(reduced_motion="reduce")
    page.goto(demo.url)
    assert page.evaluate("getComputedStyle(document.documentElement).getPropertyValue('--m-fast').trim()") in (
        "0ms",
        "0s",
    )

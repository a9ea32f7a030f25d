"""What a person does on the pages, for the journeys. Film points are given in film pixels and clicked on screen."""

import math
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from playwright.sync_api import APIResponse, Page, expect


def picture(page: Page, folder: Path, name: str) -> None:
    """Keep what the page shows, once it is still."""
    page.wait_for_timeout(350)
    page.screenshot(path=folder / f"{name}.png")


def bring(page: Page, path: Path) -> None:
    """Choose a file on the page and wait until it is in."""
    page.set_input_files("#choose-files", path)
    expect(page.locator(".job.done").first).to_be_visible(timeout=60_000)


def answer(page: Page, url: str) -> dict[str, Any]:
    response: APIResponse = page.request.get(url)
    assert response.ok, response.text()
    return dict(response.json())


def hip_of(page: Page, base: str, number: str) -> dict[str, Any]:
    """The hip under study of a patient's number."""
    for group in answer(page, f"{base}/api/hips")["groups"]:
        for row in group["rows"]:
            if row["person"]["number"] == number and not row["is_other_hip"]:
                return dict(row)
    raise AssertionError(f"no hip of {number}")


def film_of(page: Page, base: str, hip: str, view: str) -> str:
    films = answer(page, f"{base}/api/hips/{hip}")["films"]
    return str(next(film["film_id"] for film in films if film["view"] == view))


def film_is_shown(page: Page) -> None:
    expect(page.locator(".fv canvas[data-shown=true]").first).to_be_visible(timeout=20_000)


def click_film(page: Page, at: tuple[float, float]) -> None:
    """Click the film at a point given in film pixels (column, row)."""
    marks = page.locator("svg.fv-marks").first
    box = marks.bounding_box()
    zoom, x, y, row_factor = (float(part) for part in str(marks.get_attribute("data-view")).split())
    assert box is not None
    where = (box["x"] + x + zoom * at[0], box["y"] + y + zoom * row_factor * at[1])
    assert box["x"] < where[0] < box["x"] + box["width"], f"{at} lies outside the picture"
    assert box["y"] < where[1] < box["y"] + box["height"], f"{at} lies outside the picture"
    page.mouse.click(*where)


def say_side(page: Page, letter: str, half: str | None = None) -> None:
    """Answer the side question of the film page."""
    asked = page.locator(".fp-asked")
    asked.get_by_text(letter, exact=True).click()
    if half is not None:
        asked.get_by_text(half, exact=True).click()
    page.get_by_role("button", name=re.compile("This is what I see")).click()
    # The answer is on the page once the question is put away.
    expect(page.locator("main")).to_contain_text("Look at the letter again", timeout=10_000)


def scale_by_ball(page: Page, at: tuple[float, float], diameter_mm: float) -> None:
    """Find the marker ball with one rough click and give its diameter."""
    page.locator("main").get_by_role("button", name=re.compile("Find the ball")).click()
    click_film(page, (at[0] + 12.0, at[1] - 9.0))
    expect(page.locator(".fp-form")).to_contain_text("Ball found", timeout=15_000)
    page.get_by_label(re.compile("diameter of the ball")).fill(f"{diameter_mm:g}")
    page.get_by_role("button", name="Use it", exact=True).click()
    expect(page.locator(".fp-sources li.on")).to_contain_text("Marker ball", timeout=10_000)


def read_film(
    page: Page,
    base: str,
    film: str,
    hip: str,
    places: Mapping[str, tuple[float, float]],
    circles: Mapping[str, tuple[float, float, float]],
) -> list[str]:
    """Place every landmark the page asks for, in its order, and accept what it finds; answers the order.

    A search that is not sure asks for three clicks on the outline: they are given from `circles`.
    """
    names = {}
    for landmark in answer(page, f"{base}/api/landmarks")["landmarks"]:
        for side in ("right", "left") if landmark["sided"] else (None,):
            key = f"{side}.{landmark['key']}" if side else landmark["key"]
            names[f"{landmark['label']}, {side}" if side else landmark["label"]] = key
    by_title = {title.lower(): key for title, key in names.items()}
    placed: list[str] = []
    box = page.locator(".rd-next").first
    before = ""
    for _ in range(400):
        page.wait_for_timeout(60)
        words = box.inner_text()
        title = words.splitlines()[0].lower()
        if words == before or "Looking for its outline" in words:
            continue
        before = words
        if title.startswith("all points placed"):
            return placed
        if "click three points" in title:
            if "0 of 3" not in words:
                continue
            column, row, radius = circles[placed[-1].replace("head_centre", "head")]
            medial = 1.0 if placed[-1].startswith("right") else -1.0
            for degrees in (200.0, 150.0, 60.0):
                angle = math.radians(degrees)
                click_film(page, (column + medial * radius * math.cos(angle), row + radius * math.sin(angle)))
                page.wait_for_timeout(120)
            before = ""
        elif box.get_by_role("button").count():
            page.keyboard.press("Space")
        else:
            wanted = by_title[title]
            if wanted not in placed:
                placed.append(wanted)
            click_film(page, places[wanted])
    raise AssertionError(f"still at “{box.inner_text()}”, after {placed}")


def outline_dead_bone(page: Page, rim: Sequence[tuple[float, float]]) -> None:
    """Outline the dead bone corner by corner, and close it."""
    page.keyboard.press("o")
    for corner in rim:
        click_film(page, corner)
        page.wait_for_timeout(60)
    page.keyboard.press("Enter")
    page.wait_for_timeout(500)


def fill_signature(page: Page, *, side: str, signer: str, day: str) -> None:
    """A reason for every limit not met, the day, the side typed by hand, the name."""
    expect(page.get_by_placeholder("left or right")).to_be_visible(timeout=20_000)
    for reason in page.get_by_placeholder("Your reason").all():
        reason.fill("Seen, accepted, and discussed with the patient.")
    page.get_by_placeholder("10 Dec 2026").fill(day)
    page.get_by_placeholder("left or right").fill(side)
    page.get_by_placeholder("your name").fill(signer)


def nothing_is_cut_or_small(page: Page) -> None:
    """No letter under 11 px and no page wider than its window."""
    found = page.evaluate(
        """() => {
            const small = [];
            for (const element of document.querySelectorAll("body *")) {
                const own = [...element.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim());
                if (!own || !element.getClientRects().length) continue;
                const size = parseFloat(getComputedStyle(element).fontSize);
                const svg = element.ownerSVGElement;
                const factor = svg && svg.viewBox.baseVal && svg.viewBox.baseVal.width
                    ? svg.getBoundingClientRect().width / svg.viewBox.baseVal.width : 1;
                const words = element.textContent.trim().slice(0, 40);
                if (size * factor < 10.9 && element.tagName !== "KBD") small.push(`${words}: ${size * factor}`);
            }
            return { small, wide: document.documentElement.scrollWidth > window.innerWidth };
        }"""
    )
    assert found == {"small": [], "wide": False}, found

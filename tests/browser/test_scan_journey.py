"""From a zip with a CT to a signed plan in space and its sheet, in a real browser, without typing a number."""

import os
import re
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from . import steps
from .conftest import PICTURES, Server
from .supplied_places import supplied

pytestmark = pytest.mark.browser
_LONG = 180_000  # two busy cores: finding the bone takes seconds on a quiet machine, more beside other tests


@pytest.fixture
def keep(page: Page, tmp_path: Path) -> Callable[[str], None]:
    """Keep a picture of the page; among the documents when HEADSTOCK_PICTURES=1, else beside the test's data."""
    folder = PICTURES if os.environ.get("HEADSTOCK_PICTURES") == "1" else tmp_path
    return lambda name: steps.picture(page, folder, name)


def _planes_are_shown(page: Page) -> None:
    expect(page.get_by_role("group", name="Planes of the scan")).to_be_visible(timeout=30_000)
    page.wait_for_timeout(1500)


def test_a_ct_becomes_a_stock_profile_a_comparison_in_space_a_signed_plan_and_a_sheet(
    page: Page, server: Server, keep: Callable[[str], None], tmp_path: Path
) -> None:
    who, base = supplied("birch"), server.url
    troubles: list[str] = []
    page.on("pageerror", lambda error: troubles.append(str(error)))
    page.goto(base)
    steps.bring(page, who.zip)
    hip = steps.hip_of(page, base, who.number)["hip_id"]
    assert steps.answer(page, f"{base}/api/hips/{hip}")["next"]["page"] == "scan"
    (scan,) = [one["scan_id"] for one in steps.answer(page, f"{base}/api/hips/{hip}")["scans"]]

    # Find the bone: one press, progress, then outlines and measures.
    page.goto(f"{base}/hip/{hip}/scan/{scan}")
    _planes_are_shown(page)
    keep("scan-before")
    page.get_by_role("button", name=re.compile("^Find the bone")).first.click()
    expect(page.get_by_role("button", name=re.compile("See the stock profile")).first).to_be_visible(timeout=_LONG)
    page.wait_for_timeout(2500)
    keep("scan")
    read = steps.answer(page, f"{base}/api/scans/{scan}?hip={hip}")
    truth = who.truth
    diameter = next(n for n in read["numbers"] if n["key"] == "head_diameter_mm")
    assert abs(diameter["value"] - truth["head_diameter_mm"]) < 1.0
    volume = next(n for n in read["numbers"] if n["key"] == "volume_cm3")
    assert volume["low"] < volume["value"] < volume["high"]

    # Correct a boundary by brush at the crosshair, then take it back: kept, undone, and the measures follow.
    page.get_by_role("group", name="Planes of the scan").click(position={"x": 260, "y": 260})
    page.keyboard.press("b")
    page.keyboard.press("1")
    page.keyboard.press(" ")
    for _ in range(100):
        step = steps.answer(page, f"{base}/api/scans/{scan}?hip={hip}")["segmentation"]
        if step["step"] == 1:
            break
        page.wait_for_timeout(300)
    assert step["step"] == 1
    assert step["can_undo"]
    keep("scan-corrected")
    page.keyboard.press("u")
    for _ in range(100):
        step = steps.answer(page, f"{base}/api/scans/{scan}?hip={hip}")["segmentation"]
        if not step["can_undo"]:
            break
        page.wait_for_timeout(300)
    assert step["can_redo"]

    # The stock profile: its finding, a cut moved by keys, every number with it.
    page.goto(f"{base}/hip/{hip}/stock")
    expect(page.locator("h1")).to_contain_text("Sound bone starts", timeout=_LONG)
    page.wait_for_timeout(1500)
    keep("stock")
    page.keyboard.press("3")
    page.wait_for_timeout(1500)
    page.keyboard.press("ArrowDown")
    page.keyboard.press("ArrowDown")
    page.wait_for_timeout(2500)
    keep("stock-cut-moved")
    profile = steps.answer(page, f"{base}/api/hips/{hip}/stock")
    assert all(level["lines"] for level in profile["levels"])

    # Four levels side by side, in space; choose one.
    page.goto(f"{base}/hip/{hip}/comparison")
    expect(page.locator("main")).to_contain_text("seat on sound bone", timeout=_LONG)
    page.wait_for_timeout(1500)
    keep("comparison-space")
    compared = steps.answer(page, f"{base}/api/hips/{hip}/comparison")
    assert len(compared["levels"]) == 4
    assert all(level["space"] is not None for level in compared["levels"])
    page.keyboard.press("3")
    for _ in range(60):
        if steps.answer(page, f"{base}/api/hips/{hip}/comparison")["chosen"] == "high_neck":
            break
        page.wait_for_timeout(300)

    # The placement in space: nudged by a key, kept as a step.
    page.goto(f"{base}/hip/{hip}/placement")
    page.wait_for_timeout(6000)
    keep("placement-space")
    before = steps.answer(page, f"{base}/api/hips/{hip}/placement")
    page.keyboard.press("ArrowUp")
    for _ in range(60):
        after = steps.answer(page, f"{base}/api/hips/{hip}/placement")
        if after["step"] > before["step"]:
            break
        page.wait_for_timeout(300)
    assert after["step"] > before["step"]
    moved = [
        abs(after["appraisal"]["placement"]["space"][k] - before["appraisal"]["placement"]["space"][k])
        for k in ("x_mm", "y_mm", "z_mm")
    ]
    assert max(moved) > 0.2

    # Sign what stands there, and print.
    signature = steps.answer(page, f"{base}/api/hips/{hip}/signature")
    assert all(check["passed"] for check in signature["checks"]), signature["checks"]
    signed = page.request.post(
        f"{base}/api/hips/{hip}/sign",
        data={
            "signer": "Dr A",
            "side_typed": who.side,
            "operation_date": "2026-12-10",
            "reasons": {one["key"]: "seen and accepted" for one in signature["overrides"]},
            "fall_back": None,
            "seen": signature["seen"],
        },
    )
    assert signed.ok, signed.text()
    page.goto(f"{base}/hip/{hip}/signature")
    page.wait_for_timeout(1500)
    keep("signature-space")
    plan = signed.json()["plan"]["plan_id"]
    pdf = page.request.get(f"{base}/api/plans/{plan}/sheet.pdf")
    assert pdf.ok, pdf.text()
    text = subprocess.run(
        ["pdftotext", "-layout", "-", "-"], input=pdf.body(), capture_output=True, check=True
    ).stdout.decode()
    assert "Left hip" in text
    assert "Planned film" in text
    assert "to the shaft" in text  # the guide wire
    assert "DRAFT" not in text
    assert not troubles

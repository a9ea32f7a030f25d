"""Films and slices look the same drawn by the graphics card and by the processor."""

import io

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image
from playwright.sync_api import Page, expect

from . import steps
from .conftest import Server
from .supplied_places import supplied

pytestmark = pytest.mark.browser


def _seen(page: Page, url: str, by: str) -> NDArray[np.int64]:
    """Grey levels (rows, columns) of the whole page; every canvas says that it was drawn by `by`."""
    page.goto(f"{url}?draw={'card' if by == 'graphics card' else 'processor'}")
    canvases = page.locator("canvas[data-drawn-by]")
    expect(canvases.first).to_be_visible(timeout=30_000)
    page.wait_for_load_state("networkidle")
    last = b""
    for _ in range(60):  # until two pictures in a row are the same
        picture = page.screenshot(animations="disabled")
        if picture == last:
            break
        last = picture
        page.wait_for_timeout(500)
    else:
        raise AssertionError("the page did not come to rest")
    assert {canvas.get_attribute("data-drawn-by") for canvas in canvases.all()} == {by}
    return np.asarray(Image.open(io.BytesIO(last)).convert("L"), np.int64)


@pytest.mark.parametrize("what", ["film", "scan"])
def test_the_card_and_the_processor_show_the_same_greys(page: Page, server: Server, what: str) -> None:
    who, base = supplied("birch"), server.url
    page.goto(base)
    steps.bring(page, who.zip)
    hip = steps.hip_of(page, base, who.number)["hip_id"]
    if what == "film":
        image = steps.film_of(page, base, hip, "ap_pelvis")
    else:
        (image,) = [one["scan_id"] for one in steps.answer(page, f"{base}/api/hips/{hip}")["scans"]]
    by_processor, by_card = (
        _seen(page, f"{base}/hip/{hip}/{what}/{image}", by) for by in ("processor", "graphics card")
    )
    # Rounding of one grey level; a picture, not an empty box, was compared.
    assert np.abs(by_card - by_processor).max() <= 1
    assert np.unique(by_processor).size > 100

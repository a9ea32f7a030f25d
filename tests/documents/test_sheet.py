"""The theatre sheet as a PDF: what is printed, where, at which size. Text is read back with poppler's pdftotext."""

import io
import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from headstock.documents import Paper, SheetNumber, interval_words, theatre_sheet, value_words
from headstock.errors import GuardError
from headstock.frames import Side
from headstock.measured import Measured, missing, normal

sys.path.insert(0, str(Path(__file__).parent))
from sample import sample


def _pages(pdf: bytes) -> list[str]:
    text = subprocess.run(
        ["pdftotext", "-layout", "-", "-"], input=pdf, capture_output=True, check=True
    ).stdout.decode()
    return text.split("\f")[:-1]


def _picture(pdf: bytes, page: int, dpi: int) -> np.ndarray:
    command = ["pdftoppm", "-r", str(dpi), "-f", str(page), "-l", str(page), "-png", "-"]
    return np.asarray(
        Image.open(io.BytesIO(subprocess.run(command, input=pdf, capture_output=True, check=True).stdout)).convert(
            "RGB"
        )
    )


@pytest.mark.parametrize("paper", list(Paper))
@pytest.mark.parametrize(("overruled", "cautions"), [(0, 0), (1, 2), (8, 7)])
def test_the_sheet_is_one_page_and_one_picture_page_however_much_must_be_said(paper, overruled, cautions):
    pages = _pages(theatre_sheet(sample(overruled=overruled, cautions=cautions), paper))
    assert len(pages) == 2
    assert sum(f"Caution {i}:" in pages[1] for i in range(cautions)) == cautions
    both = " ".join(" ".join(pages).split())
    assert all(f"{104 + i} deg" in both for i in range(overruled))


@pytest.mark.parametrize("side", list(Side))
def test_every_page_and_picture_carries_the_side_in_words_and_two_identifiers(side):
    for number, page in enumerate(_pages(theatre_sheet(sample(side=side)))):
        # The plate, a tag above each of the two pictures, and the words on each film.
        assert page.count(f"{side.word} hip") >= (4 if number == 0 else 5), page
        assert "Ada Demonstration" in page
        assert "SIM-0007" in page
        assert f"{side.other.word} hip" not in page


def test_an_unsigned_plan_prints_draft_across_every_page():
    """Guard: plan printed unsigned."""
    draft, signed = (theatre_sheet(sample(signed=value)) for value in (False, True))
    for number, page in enumerate(_pages(draft), start=1):
        assert "must not go to theatre" in page
        # The word is drawn in outline at a slant, so it is looked for as ink: red in each third of the page.
        with_word, without = (_picture(pdf, number, 60).astype(int) for pdf in (draft, signed))
        for third in range(3):
            rows = slice(third * len(with_word) // 3, (third + 1) * len(with_word) // 3)
            red, red_signed = (int(((p[rows, :, 0] - p[rows, :, 1]) > 25).sum()) for p in (with_word, without))
            assert red > red_signed + 300
    for page in _pages(signed):
        assert "draft" not in page
        assert "5e1c 88a0 42f7 b3d9" in page


@pytest.mark.parametrize("paper", list(Paper))
def test_the_sheet_of_a_superseded_plan_says_so_across_every_page(paper):
    valid = sample(signed=True)
    old, valid_pdf = theatre_sheet(replace(valid, superseded=True), paper), theatre_sheet(valid, paper)
    pages = _pages(old)
    assert len(pages) == 2
    for number, page in enumerate(pages, start=1):
        assert "Superseded: a later version is signed" in page
        assert "must not go to theatre" in page
        assert "5e1c 88a0 42f7 b3d9" in page
        with_word, without = (_picture(pdf, number, 60).astype(int) for pdf in (old, valid_pdf))
        for third in range(3):
            rows = slice(third * len(with_word) // 3, (third + 1) * len(with_word) // 3)
            red, red_valid = (int(((p[rows, :, 0] - p[rows, :, 1]) > 25).sum()) for p in (with_word, without))
            assert red > red_valid + 300
    assert not any("uperseded" in page for page in _pages(valid_pdf))


def test_an_unsigned_sheet_is_a_draft_and_nothing_else():
    for page in _pages(theatre_sheet(replace(sample(signed=False), superseded=True))):
        assert "draft" in page
        assert "uperseded" not in page


@pytest.mark.parametrize("paper", list(Paper))
def test_the_50_mm_bar_prints_50_mm(paper):
    dpi = 300
    page = _picture(theatre_sheet(sample(), paper), 1, dpi)
    foot = page[int(page.shape[0] * 0.945) :, page.shape[1] // 2 :].sum(axis=2) < 200
    longest = 0
    for row in foot:
        edges = np.flatnonzero(np.diff(np.concatenate([[0], row.view(np.int8), [0]])))
        longest = max(longest, int((edges[1::2] - edges[::2]).max(initial=0)))
    # One pixel at 300 dpi is 0.085 mm; the end posts add half a line (0.14 mm) each.
    assert longest / dpi * 25.4 == pytest.approx(50.0, abs=0.4)


def test_the_sheet_says_it_is_not_a_cleared_device_on_every_page():
    for page in _pages(theatre_sheet(sample())):
        assert "Not a cleared medical device" in page
        assert "local rules" in page


def test_the_same_content_gives_the_same_bytes():
    assert theatre_sheet(sample()) == theatre_sheet(sample())


def test_numbers_carry_interval_true_minus_and_plus():
    page = _pages(theatre_sheet(sample()))[0]
    assert re.search(r"\u22121\.5\s*mm", page)
    assert "\u22124.2 to 1.2" in page
    assert re.search(r"\+6\.5\s*mm", page)
    assert "needs a lateral" in page


def test_zero_has_no_sign_and_a_rounded_zero_is_zero():
    assert value_words(normal(-0.04, 0.1, "mm", "x"), 1, signed=True) == "0.0"
    assert value_words(normal(0.06, 0.1, "mm", "x"), 1, signed=True) == "+0.1"
    assert interval_words(missing("mm", "x", "needs a scale"), 1) == "needs a scale"


def test_a_number_without_interval_cannot_be_built_for_the_sheet():
    """Guard: number shown without interval."""
    with pytest.raises(Exception, match="interval"):
        SheetNumber("leg", Measured(1.0, "mm", "x"))


def test_a_sheet_without_two_identifiers_is_refused():
    """Guard: wrong patient."""
    content = sample()
    fields = {name: getattr(content, name) for name in content.__dataclass_fields__}
    with pytest.raises(GuardError, match="two identifiers"):
        type(content)(**(fields | {"patient_number": " "}))


def test_a_clock_with_parts_of_a_second_prints_too():
    content = sample()
    fields = {name: getattr(content, name) for name in content.__dataclass_fields__}
    theatre_sheet(type(content)(**(fields | {"printed_at": content.printed_at.replace(microsecond=250_000)})))

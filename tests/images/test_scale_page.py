"""docs/scale.md does what it says, and the outside check rows of this room hold."""

import contextlib
import csv
import io
import re
from pathlib import Path
from xml.etree import ElementTree

import pytest

from headstock.images import magnification, marker_magnification, marker_size_error_percent, true_size_mm

ROOT = Path(__file__).parents[2]
PAGE = ROOT / "docs" / "scale.md"
TOPICS = {
    "xr_magnification": magnification,
    "xr_marker": lambda true_mm, image_mm: marker_magnification(image_mm, true_mm),
    "xr_marker_offplane": marker_size_error_percent,
    "xr_head_true": lambda image_mm, magnification: true_size_mm(image_mm, magnification),
}


def test_the_ten_lines_print_what_the_page_says_they_print():
    (code,) = re.findall(r"```python\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.DOTALL)
    printed = io.StringIO()
    with contextlib.redirect_stdout(printed):
        exec(compile(code, "scale.md", "exec"), {})
    assert f"# {printed.getvalue().strip()}" in code


def test_every_link_and_picture_of_the_page_exists():
    for target in re.findall(r"\]\(([^)#]+)\)", PAGE.read_text(encoding="utf-8")):
        assert (PAGE.parent / target).is_file(), target


def test_the_rays_of_the_picture_are_central_projections():
    svg = ElementTree.parse(ROOT / "docs" / "pictures" / "scale.svg")
    circles = [
        {k: float(v) for k, v in c.attrib.items() if k in ("cx", "cy", "r")} for c in svg.iter() if "circle" in c.tag
    ]
    source, hip, ball = circles
    rays = next(p.attrib["d"] for p in svg.iter() if p.attrib.get("d", "").count("M250 48L") == 4)
    ends = [float(x) for x in re.findall(r"L([\d.]+) 388", rays)]
    edges = [(c["cx"] + sign * c["r"], c["cy"]) for c in (hip, ball) for sign in (-1, 1)]
    for end, (x, y) in zip(ends, edges, strict=True):
        expected = source["cx"] + (x - source["cx"]) * magnification(388 - source["cy"], 388 - y)
        assert end == pytest.approx(expected, abs=0.1)


def rows():
    with (ROOT / "src" / "headstock" / "desk" / "trade_checks.csv").open(encoding="utf-8", newline="") as table:
        return [row for row in csv.DictReader(table) if row["topic"] in TOPICS]


@pytest.mark.parametrize("row", rows(), ids=lambda row: row["id"])
def test_an_outside_check_row_holds(row):
    given = {key.strip(): float(value) for key, value in (part.split("=") for part in row["input"].split(";"))}
    assert TOPICS[row["topic"]](**given) == pytest.approx(float(row["expected"]), abs=float(row["tolerance"]))


def test_each_topic_of_this_room_has_a_row():
    assert {row["topic"] for row in rows()} == set(TOPICS)

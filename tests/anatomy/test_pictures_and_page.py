"""The schematics show every landmark where it belongs, and the page of measures is the registry's."""

import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

from headstock import anatomy
from headstock.anatomy import LANDMARKS, MEASURES, View
from headstock.anatomy.measures_page import measures_page
from headstock.anatomy.pictures import picture
from headstock.errors import FrameError
from headstock.frames import Side

DOCS = Path(__file__).parents[2] / "docs"
SVG = "{http://www.w3.org/2000/svg}"


@pytest.mark.parametrize("view", list(View))
def test_every_landmark_of_a_view_has_its_picture(view: View) -> None:
    drawn = picture(view, later_films=True)
    assert {m.name for m in drawn.marks} == {m.name for m in LANDMARKS.values() if view in m.views}
    for mark in drawn.marks:
        assert 0 < mark.x < drawn.width
        assert 0 < mark.y < drawn.height
        svg = ET.fromstring(drawn.to_svg(mark.name, mark.side or Side.RIGHT))
        title = svg.find(f"{SVG}title")
        assert title is not None
        assert LANDMARKS[mark.name].says in (title.text or "")
        ring = [c for c in svg.iter(f"{SVG}circle") if "chosen" in c.get("class", "")]
        assert [(float(c.get("cx", "")), float(c.get("cy", ""))) for c in ring] == [
            (pytest.approx(mark.x, abs=0.01), pytest.approx(mark.y, abs=0.01))
        ]


def test_marks_lie_where_the_anatomy_has_them() -> None:
    # Right hip on the picture's left, as on a film: medial is to the right, up is a smaller y.
    at = {(m.name, m.side): m for m in picture(View.AP_PELVIS).marks}
    for side, sign in ((Side.RIGHT, 1.0), (Side.LEFT, -1.0)):
        head, tear = at[("head_centre", side)], at[("teardrop", side)]
        assert sign * (tear.x - head.x) > 0
        assert sign * (head.x - at[("greater_trochanter", side)].x) > 0
        assert at[("lesser_trochanter", side)].y > head.y > at[("sourcil_lateral", side)].y
        assert at[("ischium", side)].y > tear.y
        assert at[("pelvis_top", side)].y < at[("asis", side)].y < head.y
    assert at[("pubic_symphysis", None)].x == picture(View.AP_PELVIS).width / 2


def test_a_left_hip_is_the_mirror_image() -> None:
    right, left = picture(View.AP_HIP), picture(View.AP_HIP, side=Side.LEFT)
    for a, b in zip(right.marks, left.marks, strict=True):
        assert (a.name, a.x, a.y) == (b.name, pytest.approx(right.width - b.x), b.y)
    assert right.paths != left.paths


def test_the_drawn_junctions_lie_on_the_drawn_head() -> None:
    for view, names in (
        (View.AP_HIP, ("head_neck_junction_superior", "head_neck_junction_inferior")),
        (View.LATERAL_HIP, ("head_neck_junction_anterior", "head_neck_junction_posterior")),
    ):
        at = {m.name: m for m in picture(view).marks}
        for name in names:
            gap = ((at[name].x - at["head_centre"].x) ** 2 + (at[name].y - at["head_centre"].y) ** 2) ** 0.5
            assert gap == pytest.approx(92.0, abs=1.5)


def test_a_landmark_of_another_view_has_no_ring_here() -> None:
    with pytest.raises(FrameError, match="not placed on the lateral"):
        picture(View.LATERAL_HIP).to_svg("teardrop")


def test_the_page_of_measures_is_what_the_registry_says() -> None:
    # To renew: python -c "from headstock.anatomy.measures_page import measures_page; print(measures_page(), end='')"
    assert (DOCS / "measures.md").read_text(encoding="utf-8") == measures_page()


def test_the_page_lists_every_measure_with_its_source_and_status() -> None:
    page = measures_page()
    for name, entry in MEASURES.items():
        assert f"### `{name}`" in page
        assert f"Source: {entry.source} (*{entry.status}*)." in page


def test_the_public_names_exist_and_are_sorted() -> None:
    assert anatomy.__all__ == sorted(anatomy.__all__, key=lambda n: (n.upper() != n, not n[0].isupper(), n))
    for name in anatomy.__all__:
        assert hasattr(anatomy, name)


def test_the_glossary_has_each_word_of_the_measures() -> None:
    text = (DOCS / "glossary.md").read_text(encoding="utf-8").lower()
    for word in (
        "femoral offset",
        "neck-shaft angle",
        "leg-length difference",
        "mpfa",
        "alpha angle",
        "extrusion index",
    ):
        assert f"| {word} |" in text

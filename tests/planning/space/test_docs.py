"""The page of planning in space names every line that reads otherwise on a scan than on films."""

from pathlib import Path

from headstock.planning.lines import LINES, SPACE_LINES

DOCS = Path(__file__).parents[3] / "docs"


def test_every_line_that_only_a_scan_has_or_makes_otherwise_is_in_planning_space_md():
    text = (DOCS / "planning-space.md").read_text("utf-8")
    other = {name: spec for name, spec in SPACE_LINES.items() if LINES.get(name) != spec}
    assert len(other) > 20
    for name, spec in other.items():
        assert f"| `{name}` | {spec.group} | {spec.unit} | {spec.why} |" in text, name


def test_decisions_the_page_links_to_exist():
    text = (DOCS / "planning-space.md").read_text("utf-8")
    links = [part.split(")")[0] for part in text.split("](")[1:]]
    assert len(links) > 5
    for link in links:
        assert (DOCS / link).is_file(), link

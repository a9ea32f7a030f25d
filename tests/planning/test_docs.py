"""The pages name every line, parameter and limit that the code has."""

import re
import tomllib
from pathlib import Path

import headstock
from headstock.implants import Catalogue
from headstock.implants.schema import CAP_PARAMETERS, SEATED_PARAMETERS
from headstock.planning.limits import parse_limits
from headstock.planning.lines import LINES, SPACE_LINES

DOCS = Path(__file__).parents[2] / "docs"


def test_every_line_of_an_appraisal_is_in_planning_md():
    text = (DOCS / "planning.md").read_text("utf-8")
    for name, spec in LINES.items():
        assert f"| `{name}` | {spec.group} | {spec.unit} | {spec.why} |" in text, name


def test_every_parameter_is_in_families_md():
    text = (DOCS / "families.md").read_text("utf-8")
    for name, (words, _) in (CAP_PARAMETERS | SEATED_PARAMETERS).items():
        assert f"| `{name}` | {words} |" in text, name


def test_the_example_of_families_md_is_a_family():
    example = re.search(r"```toml\n(.*?)```", (DOCS / "families.md").read_text("utf-8"), re.DOTALL)
    assert example is not None
    assert Catalogue.from_texts({"example.toml": example[1]}).family("our-bowl").sizes[0].id == "a"


def test_every_bound_belongs_to_a_line_or_to_another_room():
    table = tomllib.loads((Path(headstock.__file__).parent / "desk" / "limits.toml").read_text("utf-8"))
    known = set(LINES) | set(SPACE_LINES) | {"reserve_mm"}
    # Held by images, anatomy or the desk.
    elsewhere = {
        "magnification", "scale_contradiction_percent", "detector_spacing_mm", "plausible_head_diameter_mm",
        "film_age_days", "pelvic_rotation_percent", "pelvic_obliquity_deg", "collapse_depth_mm",
    }  # fmt: skip
    for limit in parse_limits(table):
        if limit.value is None:
            assert limit.measure in known | elsewhere, limit.name

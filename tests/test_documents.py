"""The documents: links lead somewhere, commands exist, and the README's ten lines run."""

import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PAGES = sorted([*ROOT.glob("*.md"), *(ROOT / "docs").rglob("*.md"), ROOT / "web" / "README.md"])


@pytest.mark.parametrize("document", PAGES, ids=lambda document: str(document.relative_to(ROOT)))
def test_every_link_of_a_page_leads_to_a_file(document: Path) -> None:
    for target in re.findall(r"\]\(([^)#\s]+)", document.read_text(encoding="utf-8")):
        if not re.match(r"[a-z]+:", target):
            assert (document.parent / target).exists(), f"{document.name} links to {target}"


def test_the_ten_lines_of_the_readme_print_a_number_with_its_interval() -> None:
    (code,) = re.findall(r"```python\n(.*?)```", (ROOT / "README.md").read_text(encoding="utf-8"), re.DOTALL)
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    value, low, high = (float(part) for part in re.findall(r"-?\d+\.\d", done.stdout))
    assert low < value < high
    # The numbers are those of a supplied patient, whose film gives an offset of 42.47 mm (tests/data/hips, alder).
    assert value == pytest.approx(42.5, abs=0.5)


def test_every_command_named_in_the_documents_exists() -> None:
    from typer.main import get_command

    from headstock.cli import app

    known = get_command(app)
    for page in PAGES:
        for words in re.findall(
            r"(?:`|^)headstock ([a-z]+)(?: ([a-z]+))?", page.read_text(encoding="utf-8"), re.MULTILINE
        ):
            assert words[0] in known.commands, f"{page.name}: headstock {words[0]}"
            if words[0] == "film" and words[1]:
                assert words[1] in known.commands["film"].commands, f"{page.name}: headstock film {words[1]}"


def test_every_room_names_its_public_words() -> None:
    import importlib

    for room in ("geometry", "images", "anatomy", "implants", "planning", "records", "documents", "jobs", "phantom"):
        module = importlib.import_module(f"headstock.{room}")
        assert sorted(module.__all__) == sorted(set(module.__all__)), room
        assert all(hasattr(module, name) for name in module.__all__), room

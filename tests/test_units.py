"""Units as a person reads them: cm³, never cm3, in every sentence; the plain letters stay as keys of machines."""

import ast
import re
from pathlib import Path
from typing import get_args

import pytest

from headstock.units import Unit, written

ROOT = Path(__file__).parents[1]
SOURCE = sorted((ROOT / "src" / "headstock").rglob("*.py"))
PLAIN = re.compile(r"(?<![\w])(?:mm|cm|m)\^?[23]\b")


@pytest.mark.parametrize(
    ("unit", "words"),
    [
        ("mm2", "mm²"), ("cm3", "cm³"), ("g/cm3", "g/cm³"), ("g/cm3 ash", "g/cm³ ash"), ("mm", "mm"),
        ("mm/px", "mm/px"), ("%", "%"), ("1", ""), ("count", ""), ("ug/L", "ug/L"),
    ],
)  # fmt: skip
def test_a_unit_is_written_with_its_power_raised(unit, words):
    assert written(unit) == words


def test_every_unit_can_be_written():
    assert not [unit for unit in get_args(Unit) if PLAIN.search(written(unit))]


def sentences(path):
    """Strings of a file that a person may read: of several words, and no docstring."""
    tree = ast.parse(path.read_text())
    docs = {
        id(node.body[0].value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef)
        and node.body
        and isinstance(node.body[0], ast.Expr)
    }
    for node in ast.walk(tree):
        if (
            isinstance(node, ast.Constant)
            and isinstance(node.value, str)
            and id(node) not in docs
            and " " in node.value
        ):
            yield node.value


def test_no_sentence_writes_a_power_in_plain_letters():
    found = [f"{path.name}: {words}" for path in SOURCE for words in sentences(path) if PLAIN.search(words)]
    assert len(SOURCE) > 200
    assert found == []


def test_no_page_writes_a_power_in_plain_letters():
    pages = [
        path
        for path in (ROOT / "web" / "src").rglob("*.ts*")
        if path.parent.name != "api" and ".test." not in path.name
    ]
    assert len(pages) > 50
    found = [
        f"{path.name}: {line.strip()}"
        for path in pages
        for line in path.read_text().splitlines()
        if PLAIN.search(line) and not line.strip().startswith(("//", "*", "/*"))
    ]
    assert found == []

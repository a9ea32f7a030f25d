"""The front end's types come from the server's models; the kept document may not fall behind.

The other half (document → `types.ts`) is tested by vitest, which has the generator.
"""

import importlib.util
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


def _tool():
    spec = importlib.util.spec_from_file_location("openapi_types", ROOT / "tools" / "openapi_types.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_the_kept_document_is_the_one_the_models_give():
    kept = (ROOT / "web" / "openapi.json").read_text(encoding="utf-8")
    assert kept == _tool().as_text(), "run `npm run schema && npm run types` in web/"


def test_what_is_received_has_every_field_and_what_is_sent_keeps_its_optional_ones():
    models = _tool().components()["components"]["schemas"]
    number, sent = models["Number"], models["SnapIn"]
    assert set(number["required"]) == set(number["properties"])
    assert "circle" in sent["properties"]
    assert "circle" not in sent["required"]

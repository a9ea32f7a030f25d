"""Write the OpenAPI components of the server's models, for the front end's types.

In: `headstock.server.schema`. Out: a JSON document, `web/openapi.json` by default
(or the path given). `npm run types` in `web/` turns it into `src/api/types.ts`.

What the browser sends keeps optional fields optional; what it receives has every
field, because the server always writes them. Decision: docs/decisions/0150-types-from-models.md
"""

import inspect
import json
import sys
from pathlib import Path
from typing import Any, Literal

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "src"))

from pydantic import BaseModel  # noqa: E402 - the source tree must be found first
from pydantic.json_schema import models_json_schema  # noqa: E402 - as above

from headstock.server import schema  # noqa: E402 - as above

SENT = ("In", "Save")


def components() -> dict[str, Any]:
    """OpenAPI document whose components are the server's models."""
    models = [
        value
        for _, value in sorted(inspect.getmembers(schema, inspect.isclass))
        if issubclass(value, BaseModel) and value not in (BaseModel, schema.Model, schema.Given)
    ]
    sent, received = _definitions(models, "validation"), _definitions(models, "serialization")
    for name, model in received.items():
        # The server writes every field; pydantic would call those with a default optional.
        model["required"] = sorted(model.get("properties", {}))
        if not name.endswith(SENT):
            sent[name] = model
    for model in sent.values():
        model.pop("title", None)
        for field in model.get("properties", {}).values():
            field.pop("title", None)  # pydantic's echo of the field's own name
    chosen = {name: sent[name] for name in sorted(sent)}
    return {
        "openapi": "3.1.0",
        "info": {"title": "headstock", "version": "1"},
        "paths": {},
        "components": {"schemas": chosen},
    }


def _definitions(models: list[type[BaseModel]], mode: Literal["validation", "serialization"]) -> dict[str, Any]:
    _, document = models_json_schema([(model, mode) for model in models], ref_template="#/components/schemas/{model}")
    definitions: dict[str, Any] = document["$defs"]
    return definitions


def as_text() -> str:
    """The document as it is kept in `web/openapi.json`."""
    return json.dumps(components(), indent=1, ensure_ascii=False, sort_keys=True) + "\n"


if __name__ == "__main__":
    target = Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT / "web" / "openapi.json"
    target.write_text(as_text(), encoding="utf-8")

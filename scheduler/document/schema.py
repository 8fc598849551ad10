"""The JSON Schema of plan.json: made from the types of the document, shipped as a file beside this one.

`python -m scheduler.document.schema` writes the file anew after a part has changed; a test fails while it is stale.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from scheduler.document.parts import PlanDocument
from scheduler.files import write_atomic

SCHEMA_FILE = Path(__file__).with_name("plan.schema.json")


def made_schema() -> dict[str, Any]:
    """Make the schema (draft 2020-12) from the types."""
    schema = PlanDocument.model_json_schema(mode="validation")
    head = {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": "urn:evenfall:plan:2",
        "title": "evenfall night plan",
    }
    return head | {k: v for k, v in _untitled(schema).items() if k not in head}


def schema_text() -> str:
    """Give the schema as its file holds it."""
    return json.dumps(made_schema(), indent=2, ensure_ascii=False) + "\n"


def _untitled(value: Any) -> Any:
    """Leave out the titles that only repeat the names of fields."""
    if isinstance(value, list):
        return [_untitled(v) for v in value]
    if not isinstance(value, dict):
        return value
    return {k: _untitled(v) for k, v in value.items() if not (k == "title" and isinstance(v, str))}


if __name__ == "__main__":
    write_atomic(SCHEMA_FILE, schema_text())

"""The project's own copy of the health report's contract says what the contract beside the checkout says."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from tests.conftest import PRACTICE

OWN = Path(__file__).parents[1] / "contract" / "health-report.schema.json"
THEIRS = PRACTICE / "contract" / "health-report.schema.json"
WORDS = ("$schema", "title", "description", "$defs")


def plain(schema: Any, definitions: dict[str, Any]) -> Any:
    """A schema without words, with its references written out and its alternatives in one order."""
    if isinstance(schema, list):
        return [plain(entry, definitions) for entry in schema]
    if not isinstance(schema, dict):
        return schema
    if "$ref" in schema:
        return plain(definitions[schema["$ref"].removeprefix("#/$defs/")], definitions)
    written = {key: plain(value, definitions) for key, value in schema.items()}
    for key in ("anyOf", "required"):
        if key in written:
            written[key] = sorted(written[key], key=json.dumps)
    return written


def read(path: Path) -> Any:
    schema = json.loads(path.read_text("utf-8"))
    return plain({key: value for key, value in schema.items() if key not in WORDS}, schema.get("$defs", {}))


def test_the_own_copy_of_the_contract_has_its_substance():
    assert read(OWN) == read(THEIRS)

"""The published JSON Schema of a reading; run as a program, this module writes it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import msgspec

from meniscal_measure.anatomy import Compartment
from meniscal_measure.records.layout import SCHEMA_ID, SCHEMA_VERSION, NeighbourPart, ReadingPart

FIELD_DEPTH = 4
"""How deep a field lies: under $defs, a record, its properties."""


def schema() -> dict[str, Any]:
    """Return the published JSON Schema (draft 2020-12) of a reading.

    Examples
    --------
    >>> schema()["$id"]
    'urn:meniscal-measure:reading:2'
    """
    (root,), parts = msgspec.json.schema_components([ReadingPart], ref_template="#/$defs/{name}")
    for name in (ReadingPart.__name__, NeighbourPart.__name__):
        parts[name]["oneOf"] = [
            _one_pair(Compartment.MEDIAL, Compartment.IMAGE_LEFT),
            _one_pair(Compartment.IMAGE_LEFT, Compartment.MEDIAL),
        ]
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": f"{SCHEMA_ID}:{SCHEMA_VERSION}",
        "title": "Meniscal extrusion reading",
        **root,
        "$defs": parts,
    }


def _one_pair(named: Compartment, other: Compartment) -> dict[str, Any]:
    return {
        "required": [named.value, named.opposite.value],
        "properties": {other.value: False, other.opposite.value: False},
    }


def schema_text() -> str:
    """Write the schema with one field of a record on a line, as it is published."""
    return f"{_lines(schema())}\n"


def _lines(value: Any, depth: int = 0) -> str:
    if depth == FIELD_DEPTH or not isinstance(value, dict):
        return json.dumps(value)
    pad = " " * depth
    parts = (f"{pad} {json.dumps(key)}: {_lines(part, depth + 1)}" for key, part in value.items())
    return "{\n" + ",\n".join(parts) + f"\n{pad}}}"


if __name__ == "__main__":
    published = Path(__file__).with_name(f"reading-{SCHEMA_VERSION}.schema.json")
    published.write_text(schema_text(), encoding="utf-8")

"""The published JSON Schema of a reading; run as a program, this module writes it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import msgspec

from meniscal_measure.anatomy import Compartment
from meniscal_measure.records.layout import (
    SCHEMA_ID,
    SCHEMA_VERSION,
    NeighbourPart,
    ReadingPart,
)


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


if __name__ == "__main__":
    Path(__file__).with_name(f"reading-{SCHEMA_VERSION}.schema.json").write_text(
        json.dumps(schema(), indent=1) + "\n", encoding="utf-8"
    )

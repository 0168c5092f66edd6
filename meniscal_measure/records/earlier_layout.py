"""Records of earlier versions, converted to the layout of this one."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from meniscal_measure.anatomy import Compartment, Landmark
from meniscal_measure.errors import InputError
from meniscal_measure.findings import Finding
from meniscal_measure.records.layout import SCHEMA_ID, SCHEMA_VERSION

OLDEST_VERSION = 1

Json = dict[str, Any]


def newest_layout(record: Mapping[str, Any]) -> Json:
    """Convert a record of any readable version to the layout of this one.

    Raises
    ------
    InputError
        If it is of another layout or version, or damaged.

    Examples
    --------
    >>> newest_layout({"schema": {"id": SCHEMA_ID, "version": SCHEMA_VERSION}})
    {'schema': {'id': 'urn:meniscal-measure:reading', 'version': 2}}
    """
    found = record.get("schema")
    if found == {"id": SCHEMA_ID, "version": SCHEMA_VERSION}:
        return dict(record)
    if found == {"id": SCHEMA_ID, "version": 1}:
        try:
            return _upgraded(record)
        except (LookupError, TypeError, ValueError, AttributeError) as error:
            raise InputError(
                "The record is damaged ({reason:private}). Measure again.", reason=repr(error)
            ) from error
    raise InputError(
        "The record's schema is {found:private}; this version reads {schema_id} versions"
        " {oldest_version} to {schema_version}. Measure again, or use the version that wrote it.",
        found=str(found),
        schema_id=SCHEMA_ID,
        oldest_version=OLDEST_VERSION,
        schema_version=SCHEMA_VERSION,
    )


def _upgraded(record: Mapping[str, Any]) -> Json:
    """Convert version 1; what it did not hold stays empty."""
    part = {key: value for key, value in record["slice"].items() if key != "convention"}
    unnumbered = {"number": None, "instance_number": None, "frame_number": None}
    axis, convention = record["conventions"]["axis"], record["slice"]["convention"]
    unknown = {"signed_at": "", "quality": [], "remark": "", "seal": ""}
    signature = {**unknown, "reader": record["verified_by"] or "", "axis": axis}
    return {
        **_renamed(record),
        "schema": {"id": SCHEMA_ID, "version": SCHEMA_VERSION},
        "conventions": {**record["conventions"], "slice": convention},
        "source": {**record["source"], "from_the_front": None},
        "slice": {**part, **unnumbered},
        "signatures": [signature] if record["verified"] else [],
        "warnings": [Finding.from_json(text).to_json() for text in record["warnings"]],
        "neighbours": [{**_renamed(neighbour), **unnumbered} for neighbour in record["neighbours"]],
    }


def _renamed(part: Mapping[str, Any]) -> Json:
    """Call the free edge by its name in every compartment of a slice."""
    renamed = {}
    for name in Compartment:
        if found := part.get(name.value):
            landmarks = {Landmark(key).value: value for key, value in found["landmarks"].items()}
            renamed[name.value] = {**found, "landmarks": landmarks}
    return {**part, **renamed}

"""A reading as JSON and back.

The layout is published as a JSON Schema (draft 2020-12) beside this module, see `schema`. Numbers
are not rounded. Keys name their unit. A version gains no key: its readers read it all.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict
from importlib.resources import files
from typing import Any

from meniscal_measure.anatomy import Compartment, Landmark, Side
from meniscal_measure.caliper.landmarks import Origin, PlacedLandmark, SliceConvention
from meniscal_measure.caliper.reading import (
    AxisConvention,
    CompartmentReading,
    Conventions,
    Decision,
    Extrusion,
    Quantity,
    Reading,
    SliceReading,
    Source,
    ThresholdRule,
    UncertaintyPart,
)
from meniscal_measure.errors import InputError
from meniscal_measure.findings import Finding
from meniscal_measure.geometry import as_vector
from meniscal_measure.records.notice import NOTICE

SCHEMA_ID = "urn:meniscal-measure:reading"
"""Names the layout; with the version it is the `$id` of the published schema."""

SCHEMA_VERSION = 2
"""Raised when a key is added or changes its meaning. Version 1 called the free edge inner_tip."""

READABLE_VERSIONS = (1, SCHEMA_VERSION)

QUANTITIES = {
    "body_width_mm": "body_width_u_mm",
    "overlap_mm": "overlap_u_mm",
    "relative_extrusion": "relative_extrusion_u",
    "coverage": "coverage_u",
    "extrusion_over_plateau_width": "extrusion_over_plateau_width_u",
}
"""Quantities of a compartment, each with the key of its standard uncertainty."""

Json = dict[str, Any]


def schema() -> Json:
    """Return the published JSON Schema of a reading."""
    text = files(__package__).joinpath(f"reading-{SCHEMA_VERSION}.schema.json").read_text("utf-8")
    return dict(json.loads(text))


def reading_to_dict(reading: Reading) -> Json:
    """Lay a reading out for JSON, as the published schema has it."""
    return {
        "schema": {"id": SCHEMA_ID, "version": SCHEMA_VERSION},
        "software": {"name": reading.software, "version": reading.software_version},
        "measured_at": reading.measured_at,
        "verified": reading.verified,
        "verified_by": reading.verified_by,
        "proposal_confidence": reading.proposal_confidence,
        "source": _source(reading.source),
        "conventions": asdict(reading.conventions),
        "slice": {
            **_place(reading.measured),
            "convention": reading.slice_convention,
            "reason": reading.slice_reason,
        },
        **_compartments(reading, reading.measured),
        "neighbours": [
            {**_place(part), **_compartments(reading, part)} for part in reading.neighbours
        ],
        "warnings": [found.to_json() for found in reading.warnings],
        "notice": NOTICE,
    }


def _source(source: Source) -> Json:
    plain = asdict(source)
    spacing = [plain.pop("row_spacing_mm"), plain.pop("column_spacing_mm")]
    side = None if source.side is None else source.side.word
    return {**plain, "side": side, "pixel_spacing_mm": spacing}


def _place(part: SliceReading) -> Json:
    return {
        "index": part.slice_index,
        "sop_instance_uid": part.sop_instance_uid,
        "position_mm": part.position_mm,
        "centre_mm": list(part.centre_mm),
        "plateau_width_mm": _value(part.plateau_width_mm),
        "plateau_width_u_mm": _u(part.plateau_width_mm),
    }


def _compartments(reading: Reading, part: SliceReading) -> Json:
    return {
        name.value: None if (found := part.compartments.get(name)) is None else _compartment(found)
        for name in reading.named_compartments
    }


def _compartment(reading: CompartmentReading) -> Json:
    extrusion = asdict(reading.extrusion)
    extrusion["interval95_mm"] = list(reading.extrusion.interval95_mm)
    extrusion["budget"] = [asdict(part) for part in reading.extrusion.budget]
    quantities: dict[str, float | None] = {}
    for key, u_key in QUANTITIES.items():
        quantity = getattr(reading, key)
        quantities |= {key: _value(quantity), u_key: _u(quantity)}
    return {
        **extrusion,
        **quantities,
        "coverage_width": reading.coverage_width,
        "axis": list(reading.axis),
        "landmarks": {
            landmark.value: {
                "patient_mm": list(placed.point_mm),
                "pixel": list(reading.landmark_pixels[landmark]),
                "sd_mm": placed.sd_mm,
                "sd_across_mm": placed.sd_across_mm,
                "origin": placed.origin,
            }
            for landmark, placed in reading.landmarks.items()
        },
    }


def _value(quantity: Quantity | None) -> float | None:
    return None if quantity is None else quantity.value


def _u(quantity: Quantity | None) -> float | None:
    return None if quantity is None else quantity.u


def reading_from_dict(record: Mapping[str, Any]) -> Reading:
    """Take a reading back from its JSON layout.

    Raises
    ------
    InputError
        If the record is of another layout or version, or a key is missing or of the wrong kind.
    """
    found = record.get("schema")
    if found not in [{"id": SCHEMA_ID, "version": version} for version in READABLE_VERSIONS]:
        raise InputError(
            f"The record's schema is {found}; this version reads {SCHEMA_ID} versions"
            f" {READABLE_VERSIONS[0]} to {SCHEMA_VERSION}. Measure again, or use the version that"
            " wrote it."
        )
    try:
        return _reading(record)
    except (KeyError, TypeError, ValueError) as error:
        raise InputError(
            f"The record does not follow its schema ({type(error).__name__}: {error});"
            " check it against the published JSON Schema."
        ) from error


def _reading(record: Mapping[str, Any]) -> Reading:
    conventions = record["conventions"]
    return Reading(
        source=_read_source(record["source"]),
        conventions=Conventions(
            axis=AxisConvention(conventions["axis"]),
            threshold_rule=ThresholdRule(conventions["threshold_rule"]),
            threshold_mm=conventions["threshold_mm"],
        ),
        slice_convention=SliceConvention(record["slice"]["convention"]),
        slice_reason=record["slice"]["reason"],
        measured=_read_slice(record["slice"], record),
        neighbours=tuple(_read_slice(part, part) for part in record["neighbours"]),
        warnings=tuple(map(Finding.from_json, record["warnings"])),
        software=record["software"]["name"],
        software_version=record["software"]["version"],
        measured_at=record["measured_at"],
        verified=record["verified"],
        verified_by=record["verified_by"],
        proposal_confidence=record["proposal_confidence"],
    )


def _read_source(source: Mapping[str, Any]) -> Source:
    plain = dict(source)
    row_spacing_mm, column_spacing_mm = plain.pop("pixel_spacing_mm")
    side = plain.pop("side")
    return Source(
        **plain,
        side=None if side is None else Side.from_word(side),
        row_spacing_mm=row_spacing_mm,
        column_spacing_mm=column_spacing_mm,
    )


def _read_slice(place: Mapping[str, Any], compartments: Mapping[str, Any]) -> SliceReading:
    return SliceReading(
        slice_index=place["index"],
        sop_instance_uid=place["sop_instance_uid"],
        position_mm=place["position_mm"],
        centre_mm=as_vector(place["centre_mm"]),
        plateau_width_mm=_quantity(place, "plateau_width_mm", "plateau_width_u_mm"),
        compartments={
            name: _read_compartment(name, compartments[name.value])
            for name in Compartment
            if compartments.get(name.value) is not None
        },
    )


def _read_compartment(name: Compartment, record: Mapping[str, Any]) -> CompartmentReading:
    landmarks = {Landmark(key): value for key, value in record["landmarks"].items()}
    return CompartmentReading(
        compartment=name,
        landmarks={
            key: PlacedLandmark(
                as_vector(value["patient_mm"]),
                value["sd_mm"],
                Origin(value["origin"]),
                value["sd_across_mm"],
            )
            for key, value in landmarks.items()
        },
        landmark_pixels={key: _pair(value["pixel"]) for key, value in landmarks.items()},
        axis=as_vector(record["axis"]),
        extrusion=_read_extrusion(record),
        coverage_width=record["coverage_width"],
        **{key: _quantity(record, key, u_key) for key, u_key in QUANTITIES.items()},
    )


def _read_extrusion(record: Mapping[str, Any]) -> Extrusion:
    return Extrusion(
        extrusion_mm=record["extrusion_mm"],
        u_mm=record["u_mm"],
        interval95_mm=_pair(record["interval95_mm"]),
        budget=tuple(UncertaintyPart(**part) for part in record["budget"]),
        probability_above_threshold=record["probability_above_threshold"],
        flag=record["flag"],
        decision=Decision(record["decision"]),
        grade=record["grade"],
    )


def _quantity(record: Mapping[str, Any], key: str, u_key: str) -> Quantity | None:
    return None if record[key] is None else Quantity(record[key], record[u_key])


def _pair(numbers: list[float]) -> tuple[float, float]:
    first, second = numbers
    return first, second

"""A reading as JSON and back, in the layout of `meniscal_measure.records.layout`."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import asdict, replace
from datetime import UTC, datetime
from functools import reduce
from typing import Any, TypeVar

import msgspec
from msgspec import UNSET

from meniscal_measure.anatomy import Compartment, Landmark, Side
from meniscal_measure.caliper.compartments import IMAGE_SIDES
from meniscal_measure.caliper.landmarks import PlacedLandmark
from meniscal_measure.caliper.reading import (
    CompartmentLandmarks,
    CompartmentReading,
    Conventions,
    Extrusion,
    Quantity,
    Reading,
    Signature,
    SliceReading,
    Source,
)
from meniscal_measure.errors import InputError
from meniscal_measure.findings import Finding
from meniscal_measure.records.earlier_layout import newest_layout
from meniscal_measure.records.layout import (
    SCHEMA_ID,
    SCHEMA_VERSION,
    CompartmentPart,
    FindingPart,
    LandmarkPart,
    NeighbourPart,
    ReadingPart,
    SlicePart,
)
from meniscal_measure.records.notice import NOTICE
from meniscal_measure.records.signatures import with_signature

QUANTITIES = {
    "body_width_mm": "body_width_u_mm",
    "overlap_mm": "overlap_u_mm",
    "relative_extrusion": "relative_extrusion_u",
    "coverage": "coverage_u",
    "extrusion_over_plateau_width": "extrusion_over_plateau_width_u",
}
"""Quantities of a compartment, each with the key of its standard uncertainty."""

Json = dict[str, Any]

Record = TypeVar("Record")


def reading_to_dict(reading: Reading) -> Json:
    """Lay a reading out for JSON, as the published schema has it.

    Examples
    --------
    >>> record = reading_to_dict(reading)
    >>> record["medial"]["extrusion_mm"], record["slice"]["index"], record["verified"]
    (4.5, 3, False)
    """
    return {
        "schema": {"id": SCHEMA_ID, "version": SCHEMA_VERSION},
        "software": {"name": reading.software, "version": reading.software_version},
        "measured_at": reading.measured_at,
        "verified": reading.verified,
        "verified_by": reading.verified_by,
        "signatures": [asdict(signature) for signature in reading.signatures],
        "proposal_confidence": reading.proposal_confidence,
        "source": _source(reading.source),
        "conventions": asdict(reading.conventions),
        "slice": {**_place(reading, reading.measured), "reason": reading.slice_reason},
        **_compartments(reading, reading.measured),
        "neighbours": [
            {**_place(reading, part), **_compartments(reading, part)} for part in reading.neighbours
        ],
        "warnings": [found.to_json(reading.slice_number) for found in reading.warnings],
        "notice": NOTICE,
    }


def _source(source: Source) -> Json:
    plain = asdict(source)
    spacing = [plain.pop("row_spacing_mm"), plain.pop("column_spacing_mm")]
    side = None if source.side is None else source.side.word
    return {**plain, "side": side, "pixel_spacing_mm": spacing}


def _place(reading: Reading, part: SliceReading) -> Json:
    name = reading.slice_name(part.slice_index)
    other = part.unmeasured
    unmeasured = other and {
        "unmeasured": {"compartment": other.compartment, "landmarks": _landmarks(other)}
    }
    return {
        "index": part.slice_index,
        "number": None if name is None else name.number,
        "instance_number": part.instance_number,
        "frame_number": part.frame_number,
        "sop_instance_uid": part.sop_instance_uid,
        "position_mm": part.position_mm,
        "centre_mm": list(part.centre_mm),
        "plateau_width_mm": _value(part.plateau_width_mm),
        "plateau_width_u_mm": _u(part.plateau_width_mm),
        **(unmeasured or {}),
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
        "landmarks": _landmarks(reading),
    }


def _landmarks(part: CompartmentLandmarks) -> Json:
    return {
        landmark.value: {
            "patient_mm": list(placed.point_mm),
            "pixel": list(part.landmark_pixels[landmark]),
            "sd_mm": placed.sd_mm,
            "sd_across_mm": placed.sd_across_mm,
            "origin": placed.origin,
        }
        for landmark, placed in part.landmarks.items()
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
        If the record is of another layout or version, a key is missing, unknown or of the wrong
        kind, or one contradicts another.

    Examples
    --------
    >>> reading_from_dict(reading_to_dict(reading)) == reading
    True
    """
    try:
        reading = _reading(msgspec.convert(newest_layout(record), ReadingPart))
    except (
        LookupError,
        TypeError,
        ValueError,
        AttributeError,
        ArithmeticError,
        RecursionError,
    ) as error:
        raise InputError(
            "The record does not follow its schema ({reason:private}); check it against the"
            " published JSON Schema.",
            reason=str(error),
        ) from error
    if record["schema"]["version"] == 1:  # which had no seals
        unsigned = replace(reading, signatures=())
        return reduce(with_signature, reading.signatures, unsigned)
    return reading


def _reading(part: ReadingPart) -> Reading:
    reading = Reading(
        source=_read_source(part),
        conventions=_as(Conventions, part.conventions),
        slice_reason=part.slice.reason,
        measured=_read_slice(part.slice, part),
        neighbours=tuple(_read_slice(neighbour, neighbour) for neighbour in part.neighbours),
        warnings=tuple(map(_read_finding, part.warnings)),
        software=part.software.name,
        software_version=part.software.version,
        measured_at=part.measured_at,
        signatures=tuple(_as(Signature, signature) for signature in part.signatures),
        proposal_confidence=part.proposal_confidence,
    )
    datetime.fromisoformat(part.measured_at).astimezone(UTC)  # refuses what is no time
    if (part.verified, part.verified_by) != (reading.verified, reading.verified_by):
        raise ValueError("what it says of its verification contradicts its signatures")
    return reading


def _as(kind: type[Record], part: msgspec.Struct) -> Record:
    """Take a record from the keys of the same names."""
    return msgspec.convert(part, kind, from_attributes=True)


def _read_finding(part: FindingPart) -> Finding:
    found = Finding.from_json(msgspec.structs.asdict(part))
    found.words()  # refuses values of another kind than its sentence needs
    return found


def _read_source(part: ReadingPart) -> Source:
    plain = msgspec.structs.asdict(part.source)
    plain["row_spacing_mm"], plain["column_spacing_mm"] = plain.pop("pixel_spacing_mm")
    plain["side"] = part.source.side and Side.from_word(part.source.side)
    return Source(**plain)


def _read_slice(place: SlicePart, compartments: ReadingPart | NeighbourPart) -> SliceReading:
    measured, unmeasured = dict(_read_compartments(compartments)), None
    if other := place.unmeasured:
        unmeasured = CompartmentLandmarks(other.compartment, *_read_landmarks(other.landmarks))
        if other.compartment in measured:
            raise ValueError(f"{other.compartment} is both measured and unmeasured")
    return SliceReading(
        slice_index=place.index,
        instance_number=place.instance_number,
        frame_number=place.frame_number,
        sop_instance_uid=place.sop_instance_uid,
        position_mm=place.position_mm,
        centre_mm=place.centre_mm,
        plateau_width_mm=_quantity(place.plateau_width_mm, place.plateau_width_u_mm),
        compartments=measured,
        unmeasured=unmeasured,
    )


def _read_compartments(
    part: ReadingPart | NeighbourPart,
) -> Iterator[tuple[Compartment, CompartmentReading]]:
    given = {name: getattr(part, name.value) for name in Compartment}
    keys = {name for name, found in given.items() if found is not UNSET}
    if keys not in ({Compartment.MEDIAL, Compartment.LATERAL}, IMAGE_SIDES):
        raise ValueError("it must hold medial and lateral, or image_left and image_right")
    for name in Compartment:
        if name in keys and given[name] is not None:
            yield name, _read_compartment(name, given[name])


def _read_compartment(name: Compartment, part: CompartmentPart) -> CompartmentReading:
    placed, pixels = _read_landmarks(part.landmarks)
    return CompartmentReading(
        compartment=name,
        landmarks=placed,
        landmark_pixels=pixels,
        axis=part.axis,
        extrusion=_as(Extrusion, part),
        coverage_width=part.coverage_width,
        **{
            key: _quantity(getattr(part, key), getattr(part, u_key))
            for key, u_key in QUANTITIES.items()
        },
    )


def _read_landmarks(
    parts: Mapping[Landmark, LandmarkPart],
) -> tuple[dict[Landmark, PlacedLandmark], dict[Landmark, tuple[float, float]]]:
    placed = {
        name: PlacedLandmark(part.patient_mm, part.sd_mm, part.origin, part.sd_across_mm)
        for name, part in parts.items()
    }
    return placed, {name: part.pixel for name, part in parts.items()}


def _quantity(value: float | None, u: float | None) -> Quantity | None:
    if value is None and u is None:
        return None
    if value is None or u is None:
        raise ValueError("a quantity and its uncertainty must both be given or both be null")
    return Quantity(value, u)

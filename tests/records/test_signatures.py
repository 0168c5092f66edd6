"""A signature holds as long as nothing that was signed is changed."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest

from meniscal_measure.anatomy import Compartment
from meniscal_measure.caliper.reading import CompartmentLandmarks, Reading
from meniscal_measure.errors import InputError
from meniscal_measure.records.codec import reading_from_dict, reading_to_dict
from meniscal_measure.records.signatures import check_seals, signed_by
from tests.handmade_readings import MakeCase

Json = dict[str, Any]

OTHER_WORD = {
    "axis": "local_tangent",
    "origin": "reader",
    "side": "left",
    "slice": "maximum_extrusion",
}
"""Another word that is allowed, where not every text is."""


@pytest.fixture
def signed(make_case: MakeCase) -> Reading:
    """Signed twice, with landmarks on neighbours and of a compartment that was not measured."""
    reading, _ = make_case()
    lateral = reading.measured.compartments[Compartment.LATERAL]
    looser_across = {
        name: replace(placed, sd_across_mm=0.5) for name, placed in lateral.landmarks.items()
    }
    alone = replace(
        reading.measured,
        compartments={Compartment.MEDIAL: reading.measured.compartments[Compartment.MEDIAL]},
        unmeasured=CompartmentLandmarks(
            Compartment.LATERAL, looser_across, lateral.landmark_pixels
        ),
    )
    first = signed_by(replace(reading, measured=alone), "Reader A", ["motion"], "a little")
    return signed_by(first, "Reader B")


def signed_values(record: Json) -> Iterator[tuple[str, Json, str]]:
    """Everything that a signature confirms: its name, and where in the record it is held."""
    yield "side", record["source"], "side"
    yield "slice convention", record["conventions"], "slice"
    for number, signature in enumerate(record["signatures"]):
        yield from ((f"signature {number}: {key}", signature, key) for key in signature)
    for part in (record["slice"], *record["neighbours"]):
        where = f"slice {part['index']}"
        yield f"{where}: image", part, "sop_instance_uid"
        measured = record if part is record["slice"] else part
        for name in ("medial", "lateral"):
            if measured[name] is not None:
                yield from landmark_values(f"{where}: {name}", measured[name]["landmarks"])
    unmeasured = record["slice"]["unmeasured"]["landmarks"]
    yield from landmark_values("unmeasured", unmeasured)


def landmark_values(where: str, landmarks: Json) -> Iterator[tuple[str, Json, str]]:
    for name, landmark in landmarks.items():
        for key in ("patient_mm", "sd_mm", "sd_across_mm", "origin"):
            yield f"{where} {name}: {key}", landmark, key


def another(key: str, value: Any) -> Any:
    """Another value, as slight as it can be."""
    match value:
        case list() if key == "patient_mm":
            return [value[0], value[1], value[2] + 0.001]
        case list():
            return [*value, "noise"]
        case float():
            return value + 0.001
        case None:
            return 0.9
    return OTHER_WORD.get(key, f"{value}1")


def holds(record: Json) -> bool:
    try:
        check_seals(reading_from_dict(record))
    except InputError as error:
        return "were changed after" not in error.words()
    return True


def test_nothing_that_was_signed_can_be_changed(signed: Reading) -> None:
    text = json.dumps(reading_to_dict(signed))
    assert holds(json.loads(text))
    names = [name for name, _, _ in signed_values(json.loads(text))]
    assert len(names) > 100
    unnoticed = []
    for name in names:
        record = json.loads(text)
        holder, key = next((h, k) for n, h, k in signed_values(record) if n == name)
        holder[key] = another(key, holder[key])
        record["verified_by"] = record["signatures"][-1]["reader"]
        unnoticed += [name] if holds(record) else []
    assert unnoticed == []


def test_a_signature_cannot_be_moved_to_another_reading(
    signed: Reading, make_case: MakeCase
) -> None:
    other, _ = make_case(right_mm=4.6)
    with pytest.raises(InputError, match="changed after Reader A signed"):
        check_seals(replace(other, signatures=signed.signatures))

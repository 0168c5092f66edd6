from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator, FormatChecker, ValidationError

from meniscal_measure.caliper.reading import Reading
from meniscal_measure.errors import InputError
from meniscal_measure.findings import Code, Finding
from meniscal_measure.records import layout
from meniscal_measure.records.codec import reading_from_dict, reading_to_dict
from meniscal_measure.records.identifiers import without_identifiers
from meniscal_measure.records.notice import NOTICE
from meniscal_measure.records.schema import schema, schema_text
from tests.handmade_readings import Case, MakeCase

CASES: dict[str, dict[str, object]] = {
    "usual": {},
    "one not measured": {"left_mm": None},
    "side unknown": {"side": None, "named_by_anatomy": False},
    "side unknown, named by anatomy": {"side": None},
    "verified": {"verified": True},
}


def through_json(reading: Reading) -> dict[str, Any]:
    return dict(json.loads(json.dumps(reading_to_dict(reading), allow_nan=False)))


def validate(record: dict[str, Any]) -> None:
    Draft202012Validator(schema(), format_checker=FormatChecker()).validate(record)


def test_the_published_schema_is_a_valid_schema() -> None:
    """Outside check: jsonschema's copy of the draft 2020-12 meta-schema."""
    Draft202012Validator.check_schema(schema())


@pytest.mark.parametrize("changes", CASES.values(), ids=CASES.keys())
def test_a_record_follows_the_schema_and_comes_back_unchanged(
    make_case: MakeCase, changes: dict[str, object]
) -> None:
    reading, _ = make_case(**changes)
    record = through_json(reading)
    validate(record)
    assert reading_from_dict(record) == reading


def test_a_record_without_identifiers_follows_the_schema_too(case: Case) -> None:
    validate(through_json(without_identifiers(case[0])))


def test_the_record_holds_the_published_keys(case: Case) -> None:
    record = through_json(case[0])
    assert record["schema"] == {"id": "urn:meniscal-measure:reading", "version": 2}
    assert record["software"] == {"name": "meniscal_measure", "version": "0.1.0"}
    assert record["source"]["study_instance_uid"] == "2.25.111111"
    assert record["source"]["pixel_spacing_mm"] == [0.4, 0.7]
    assert (record["source"]["side"], record["source"]["side_source"]) == (
        "right",
        "Laterality (0020,0060)",
    )
    assert record["slice"]["index"] == 3
    assert record["conventions"]["slice"] == "largest_medial_spine"
    assert len(record["slice"]["centre_mm"]) == 3
    assert record["verified"] is False
    assert record["notice"] == NOTICE
    assert [part["index"] for part in record["neighbours"]] == [2, 4]


def test_numbers_are_not_rounded(make_case: MakeCase) -> None:
    reading, _ = make_case(right_mm=4.123456789012345)
    medial = through_json(reading)["medial"]
    assert medial["extrusion_mm"] == 4.123456789012345
    assert medial["interval95_mm"][0] == 4.123456789012345 - 1.96 * 0.3


def test_a_landmark_is_given_in_patient_and_pixel_coordinates(case: Case) -> None:
    reading, images = case
    rim = through_json(reading)["medial"]["landmarks"]["rim"]
    grid = images.grids[reading.measured.slice_index]
    assert grid.to_patient(rim["pixel"]).tolist() == pytest.approx(rim["patient_mm"])
    assert rim["pixel"] == pytest.approx([92 / 0.7, 50 / 0.4])


def test_a_compartment_that_was_not_measured_is_null(make_case: MakeCase) -> None:
    assert through_json(make_case(left_mm=None)[0])["lateral"] is None


def test_compartments_keep_to_the_image_while_the_side_is_unknown(make_case: MakeCase) -> None:
    record = through_json(make_case(side=None, named_by_anatomy=False)[0])
    assert record["image_right"]["extrusion_mm"] == 4.5
    assert "medial" not in record


@pytest.mark.parametrize(
    ("spoil", "complaint"),
    [
        (lambda record: record.update(extra=1), "Additional properties"),
        (lambda record: record.pop("notice"), "'notice' is a required property"),
        (lambda record: record["medial"].pop("u_mm"), "is not valid under any"),
        (lambda record: record.update(image_left=None), "is not valid under any"),
        (lambda record: record["source"].update(side="R"), "is not valid under any"),
        (lambda record: record["conventions"].update(axis="diagonal"), "is not one of"),
        (lambda record: record.update(verified="no"), "is not of type 'boolean'"),
    ],
)
def test_the_schema_refuses_what_is_not_a_reading(
    case: Case, spoil: Callable[[dict[str, Any]], object], complaint: str
) -> None:
    record = through_json(case[0])
    spoil(record)
    with pytest.raises(ValidationError, match=complaint):
        validate(record)


def test_a_record_of_another_version_is_refused(case: Case) -> None:
    record = through_json(case[0]) | {
        "schema": {"id": "urn:meniscal-measure:reading", "version": 9}
    }
    with pytest.raises(InputError, match=r"'version': 9.*reads urn:\S+ versions 1 to 2"):
        reading_from_dict(record)


@pytest.mark.parametrize(
    ("spoil", "complaint"),
    [
        (lambda record: record.pop("slice"), "missing required field `slice`"),
        (
            lambda record: record["conventions"].update(axis="diagonal"),
            "Invalid enum value 'diagonal'",
        ),
        (lambda record: record["medial"].update(interval95_mm=3), "Expected `array`, got `int`"),
        (lambda record: record["medial"].update(body_width_u_mm=None), "a quantity and its"),
        (lambda record: record.pop("lateral"), "it must hold medial and lateral, or image_left"),
        (lambda record: record.update(verified=True), "contradicts its signatures"),
    ],
)
def test_a_damaged_record_is_refused_in_words(
    case: Case, spoil: Callable[[dict[str, Any]], object], complaint: str
) -> None:
    record = through_json(case[0])
    spoil(record)
    with pytest.raises(InputError, match=rf"does not follow its schema \(.*{complaint}"):
        reading_from_dict(record)


def test_the_schema_beside_the_code_is_the_one_generated() -> None:
    """Write it again with `python -m meniscal_measure.records.schema`."""
    published = Path(layout.__file__).with_name("reading-2.schema.json").read_text("utf-8")
    assert json.loads(published) == schema()
    assert published == schema_text()


def test_a_finding_whose_values_do_not_fit_its_sentence_is_refused(case: Case) -> None:
    found = Finding(Code.ASSUMED_PLACEMENT_SD, {"sd_mm": 0.2})
    record = through_json(replace(case[0], warnings=(found,)))
    assert reading_from_dict(record).warnings == (found,)
    record["warnings"][0]["values"]["sd_mm"] = "much"
    with pytest.raises(InputError, match="does not follow its schema"):
        reading_from_dict(record)


@pytest.mark.parametrize("time", ["", "yesterday", "2026-02-03T", "0001-01-01T00:00:00+23:00"])
def test_a_record_measured_at_no_time_is_refused(case: Case, time: str) -> None:
    record = reading_to_dict(case[0]) | {"measured_at": time}
    with pytest.raises(InputError, match="does not follow its schema"):
        reading_from_dict(record)

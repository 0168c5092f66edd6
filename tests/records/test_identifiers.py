from __future__ import annotations

import json
from dataclasses import replace

import pytest

from meniscal_measure.findings import Code, Finding
from meniscal_measure.records.codec import reading_to_dict
from meniscal_measure.records.identifiers import without_identifiers
from meniscal_measure.records.signatures import signed_by
from meniscal_measure.series.side import CORRECTED
from tests.handmade_findings import NAME, example
from tests.handmade_readings import Case, MakeCase


def test_every_identifying_field_is_emptied(make_case: MakeCase) -> None:
    source = without_identifiers(make_case()[0]).source
    assert source.patient_name == source.patient_id == source.study_date == ""
    assert source.study_instance_uid == source.series_instance_uid == ""
    assert source.sop_instance_uid == source.series_description == ""


def test_slices_and_reader_lose_their_identity_too(make_case: MakeCase) -> None:
    anonymous = without_identifiers(make_case(verified=True)[0])
    assert {part.sop_instance_uid for part in (anonymous.measured, *anonymous.neighbours)} == {""}
    assert anonymous.verified
    assert anonymous.verified_by is None


def test_what_people_wrote_is_left_out_whole(make_case: MakeCase) -> None:
    reading = replace(make_case()[0], slice_reason="as in Quillfeather's first scan")
    anonymous = without_identifiers(reading)
    assert anonymous.slice_reason == anonymous.source.series_reason == "[left out]"


@pytest.mark.parametrize(
    ("found", "said"),
    [
        (
            Finding(
                Code.SIDE_HINTED, {"attribute": "StudyDescription", "text": "Q", "side": "left"}
            ),
            'StudyDescription "[left out]" hints at a left knee;',
        ),
        (
            Finding(Code.SEVERAL_EXAMINATIONS, {"count": 2, "date": "20250917"}),
            "The images are those of 2 examinations; the one of [left out] was measured.",
        ),
        (
            Finding(Code.AS_WRITTEN, {"text": "cannot read /data/Q.F/knee.dcm"}),
            "Written by another version: [left out]",
        ),
    ],
)
def test_identifying_values_of_a_warning_are_left_out(
    case: Case, found: Finding, said: str
) -> None:
    (warning,) = without_identifiers(replace(case[0], warnings=(found,))).warnings
    assert str(warning).startswith(said)
    assert str(found) != str(warning)


def test_nothing_that_a_person_wrote_or_a_header_says_stays(make_case: MakeCase) -> None:
    reading, _ = make_case(warnings=tuple(map(example, Code)))
    reading = replace(
        reading,
        slice_reason=NAME,
        source=replace(reading.source, side_source=f"{CORRECTED} (as {NAME} said)"),
    )
    for reader in ("A", "B"):
        reading = signed_by(reading, f"{NAME} {reader}", remark=f"of {NAME}")
    record = reading_to_dict(without_identifiers(reading))
    assert NAME not in json.dumps(record)
    assert record["source"]["side_source"] == CORRECTED
    assert {signature["seal"] for signature in record["signatures"]} == {""}


def test_values_geometry_and_conventions_stay(case: Case) -> None:
    reading = case[0]
    anonymous = without_identifiers(reading)
    assert anonymous.measured.compartments == reading.measured.compartments
    assert anonymous.conventions == reading.conventions
    assert anonymous.source.side == reading.source.side

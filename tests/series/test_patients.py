from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from meniscal_measure.series.scan import open_study
from tests.series.conftest import Build, BuildMany, Save

OTHERS = [
    {"PatientID": "OTHER"},
    {"PatientName": "Second^Knee"},
    {"PatientBirthDate": "19500101"},
    {"PatientBirthDate": "19500101", "PatientID": None},
    {"IssuerOfPatientID": "ANOTHER HOSPITAL"},
    {"StudyInstanceUID": "2.25.99"},
]


@pytest.mark.parametrize("other", OTHERS, ids=lambda other: "+".join(other))
def test_a_series_of_two_patients_or_studies_is_refused_and_both_are_named(
    tmp_path: Path, mr_stack: BuildMany, save: Save, other: dict[str, Any]
) -> None:
    save(tmp_path, [*mr_stack([0, 3]), *mr_stack([6, 9], **other)])

    study = open_study(tmp_path)

    assert not study.stacks
    assert len(study.refusals) == 4
    said = study.refusals[0].reason
    assert "belong to 2 patients or studies" in said
    assert "phantom^knee" in said
    for value in filter(None, other.values()):
        assert value.casefold() in said.casefold()
        assert value.casefold() not in study.refusals[0].why.words(identifiers=False).casefold()


def test_other_series_are_not_touched_by_a_mixed_one(
    tmp_path: Path, mr_stack: BuildMany, save: Save
) -> None:
    mixed = [*mr_stack([0, 3]), *mr_stack([6, 9], PatientID="OTHER")]
    save(tmp_path, [*mixed, *mr_stack([0, 3, 6], SeriesInstanceUID="2.25.77")])

    (stack,) = open_study(tmp_path).stacks

    assert stack.identity.series_instance_uid == "2.25.77"


def test_two_patients_in_series_of_their_own_are_two_stacks(
    tmp_path: Path, mr_stack: BuildMany, save: Save
) -> None:
    other = {"PatientID": "OTHER", "StudyInstanceUID": "2.25.8", "SeriesInstanceUID": "2.25.9"}
    save(tmp_path, [*mr_stack([0, 3]), *mr_stack([6, 9], **other)])

    assert [len(stack.frames) for stack in open_study(tmp_path).stacks] == [2, 2]


@pytest.mark.parametrize("name", ["Phantom^Knee^^^", "PHANTOM^KNEE", "Phantom^Knee "])
def test_spellings_of_one_name_are_one_patient(
    tmp_path: Path, mr_stack: BuildMany, save: Save, name: str
) -> None:
    save(tmp_path, [*mr_stack([0, 3]), *mr_stack([6, 9], PatientName=name)])

    assert [len(stack.frames) for stack in open_study(tmp_path).stacks] == [4]


def test_a_name_beyond_ascii_is_the_same_on_every_frame(
    tmp_path: Path, multiframe: Build, save: Save
) -> None:
    named = {"SpecificCharacterSet": "ISO_IR 192", "PatientName": "Ørsted^Åse"}
    save(tmp_path, [multiframe([(0, 35, "1"), (3, 35, "1")], **named)])

    (stack,) = open_study(tmp_path).stacks

    assert stack.identity.patient_name == "Ørsted^Åse"
    assert len(stack.frames) == 2

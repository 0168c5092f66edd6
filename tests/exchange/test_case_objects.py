"""A case as DICOM objects, judged by a validator and two other readers."""

from __future__ import annotations

import io
import subprocess
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import highdicom as hd
import pytest
from pydicom.dataset import Dataset
from pypdf import PdfReader

from meniscal_measure import workflow
from meniscal_measure.errors import InputError, UsageError
from meniscal_measure.exchange import concepts
from meniscal_measure.exchange.case_objects import (
    CASE_NAMES,
    SavedCase,
    case_objects,
    deliver_case,
    is_case,
    saved_case,
)
from meniscal_measure.exchange.identity import Archived
from meniscal_measure.knee.answers import RootSign, answers_from
from meniscal_measure.knee.case_record import case_from_json, without_identifiers
from meniscal_measure.report.save_case import save_case
from meniscal_measure.series.model import Study
from meniscal_measure.workflow.case import make_case
from tests.command_line import run
from tests.exchange.conftest import SAMPLE, errors_of, saved
from tests.exchange.test_delivery import AT_ONCE, Shelf


def _mark(name: str, column: float, row: float) -> dict[str, object]:
    return {"name": name, "plane": "coronal", "slice": "8", "pixel": [column, row]}


@pytest.fixture(scope="module")
def study() -> Study:
    return workflow.read(SAMPLE)


@pytest.fixture(scope="module")
def folder(study: Study, tmp_path_factory: pytest.TempPathFactory) -> Path:
    answers = answers_from(
        {
            "sign": {"ghost": {"seen": "present", "by": "reader 1"}},
            "landmark": [
                _mark("medial_eminence_apex", 128, 110),
                _mark("tear", 140, 118),
                _mark("root_attachment", 136, 118),
                _mark("medial_femoral_surface", 150, 100),
                _mark("medial_tibial_surface", 150, 108),
            ],
        },
        "answers.toml",
    )
    made = make_case(study, answers=answers, landmarks=SAMPLE / "landmarks.json")
    place = tmp_path_factory.mktemp("case")
    save_case(made.case, made.pictures, place)
    return place


@pytest.fixture(scope="module")
def case(folder: Path, study: Study) -> SavedCase:
    return saved_case(folder / "case.json", [study])


@pytest.fixture(scope="module")
def objects(case: SavedCase) -> tuple[Dataset, ...]:
    return case_objects(case, Archived()).objects


def items(parent: Dataset) -> Iterator[Dataset]:
    for item in parent.get("ContentSequence", ()):
        yield item
        yield from items(item)


def test_a_validator_finds_no_error(objects: tuple[Dataset, ...], tmp_path: Path) -> None:
    """Source: dciodvfy of dicom3tools."""
    for one in objects:
        assert errors_of(saved(one, tmp_path)) == []


def test_another_program_prints_a_measurement(objects: tuple[Dataset, ...], tmp_path: Path) -> None:
    """Source: dsrdump of DCMTK, which parses the whole tree."""
    done = subprocess.run(
        ["dsrdump", str(saved(objects[0], tmp_path))], capture_output=True, text=True, check=True
    )
    assert "Distance of a tear from the root attachment" in done.stdout
    assert "Width of the medial joint space, lying" in done.stdout


def test_every_number_is_a_group_with_its_images_and_uncertainty(
    objects: tuple[Dataset, ...], case: SavedCase, tmp_path: Path
) -> None:
    """Source: highdicom's reader of TID 1500."""
    read: Any = hd.sr.srread(saved(objects[0], tmp_path))
    groups = read.content.get_image_measurement_groups()
    numbers = [found for part in case.case.parts for found in part.quantities]
    assert len(groups) == len(numbers) + 1, "one more for the sign that was answered"
    for group, found in zip(groups, numbers, strict=False):
        (measured,) = group.get_measurements()
        name, unit = concepts.QUANTITIES[found.unit]
        assert measured.value == found.value
        assert measured.name == name
        assert measured.unit.value == unit.value
        assert group.tracking_identifier.endswith(found.name)
        images = {item.referenced_sop_instance_uid for item in group.source_images}
        assert images == {where.sop_instance_uid for where in found.where}


def test_every_number_has_a_code_of_its_own(objects: tuple[Dataset, ...]) -> None:
    used = [item.ConceptCodeSequence[0].CodeValue for item in items(objects[0])
            if item.ValueType == "CODE"]  # fmt: skip
    assert concepts.KNEE_MEASURE.value not in used


def test_a_sign_is_what_the_reader_said(objects: tuple[Dataset, ...]) -> None:
    """Present is 52101004 in SNOMED CT (PS3.16 CID 240)."""
    (sign,) = [
        item for item in items(objects[0])
        if item.ConceptNameCodeSequence[0].CodeValue == concepts.ROOT_SIGNS[RootSign.GHOST].value
    ]  # fmt: skip
    assert sign.ConceptCodeSequence[0].CodeValue == "52101004"


def test_a_viewer_is_given_every_remark_in_words(
    objects: tuple[Dataset, ...], case: SavedCase
) -> None:
    said = [
        item.TextValue for item in items(objects[0])
        if item.ValueType == "TEXT"
        and item.ConceptNameCodeSequence[0].CodeValue == concepts.REMARK.value
    ]  # fmt: skip
    assert said == [f"{part.title}: {one}" for part in case.case.parts for one in part.remarks]
    assert any(one.startswith("Extrusion, baseline: Warning: ") for one in said)


def test_nothing_is_marked_as_verified(objects: tuple[Dataset, ...]) -> None:
    report, sheet = objects
    assert (report.CompletionFlag, report.VerificationFlag) == ("PARTIAL", "UNVERIFIED")
    assert "NOT VERIFIED" in sheet.DocumentTitle


def test_the_record_and_the_sheet_come_back(
    objects: tuple[Dataset, ...], case: SavedCase, folder: Path
) -> None:
    report, sheet = objects
    (record,) = [
        item.TextValue for item in items(report)
        if item.ValueType == "TEXT"
        and item.ConceptNameCodeSequence[0].CodeValue == concepts.CASE_RECORD.value
    ]  # fmt: skip
    assert case_from_json(record, folder) == case.case
    pdf = sheet.EncapsulatedDocument[: sheet.EncapsulatedDocumentLength]
    assert pdf == (folder / "case-sheet.pdf").read_bytes()
    assert len(PdfReader(io.BytesIO(pdf)).pages) == 2


def test_the_same_case_gets_the_same_objects(case: SavedCase, objects: tuple[Dataset, ...]) -> None:
    again = case_objects(case, Archived()).objects
    assert [one.SOPInstanceUID for one in again] == [one.SOPInstanceUID for one in objects]
    assert {one.StudyInstanceUID for one in again} == {case.case.studies[0].study_instance_uid}


def test_a_case_without_identifiers_is_filed_with_nobody(case: SavedCase) -> None:
    with pytest.raises(UsageError, match="without identifiers cannot be filed"):
        case_objects(replace(case, case=without_identifiers(case.case)), Archived())


def test_another_study_is_refused(case: SavedCase, samples: Path) -> None:
    other = workflow.read(samples / "normal")
    with pytest.raises(InputError, match=r"of the case is not in .*normal"):
        case_objects(replace(case, studies=[other]), Archived())
    with pytest.raises(InputError, match="of 1 studies, 2 were given"):
        case_objects(replace(case, studies=[other, other]), Archived())


def test_the_objects_are_kept_as_files_and_stored(case: SavedCase, tmp_path: Path) -> None:
    shelf = Shelf(case.studies[0].stacks[0].identity.patient_id)
    sent = deliver_case(case, shelf, Archived(), tmp_path, AT_ONCE)
    assert all(one.arrived for one in sent)
    assert shelf.stored == ["Comprehensive 3D SR Storage", "Encapsulated PDF Storage"]
    assert all((tmp_path / f"{name}.dcm").exists() for name in CASE_NAMES)


def test_nothing_is_filed_with_another_patient(case: SavedCase, tmp_path: Path) -> None:
    shelf = Shelf("SOMEBODY-ELSE")
    with pytest.raises(InputError, match="under Patient ID SOMEBODY-ELSE"):
        deliver_case(case, shelf, Archived(), tmp_path, AT_ONCE)
    assert shelf.stored == []


def test_a_record_tells_a_case_from_a_reading(folder: Path, samples: Path) -> None:
    assert is_case(folder / "case.json")
    assert not is_case(samples / "normal" / "landmarks.json")


def test_the_command_writes_the_objects_of_a_case(folder: Path, tmp_path: Path) -> None:
    arguments = ["archive", "objects", str(folder / "case.json"), str(SAMPLE), "--out"]
    done = run(*arguments, tmp_path)
    assert done.exit_code == 0, done.output
    assert {path.stem for path in tmp_path.iterdir()} == set(CASE_NAMES)

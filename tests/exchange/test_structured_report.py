"""The structured report, judged by the standard's codes, a validator and two other readers."""

from __future__ import annotations

import copy
import subprocess
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import highdicom as hd
import numpy as np
import pytest
from pydicom.dataset import Dataset
from pydicom.sr._concepts_dict import concepts as dictionary
from pydicom.sr.coding import Code as CodedConcept
from pydicom.uid import Comprehensive3DSRStorage

from meniscal_measure.errors import InputError, UsageError
from meniscal_measure.exchange import concepts
from meniscal_measure.exchange.identity import Archived
from meniscal_measure.exchange.reading_back import reading_of
from meniscal_measure.exchange.structured_report import structured_report
from meniscal_measure.findings import Code, Severity
from meniscal_measure.records.codec import reading_to_dict
from meniscal_measure.records.signatures import signed_by
from tests.exchange.conftest import Case, errors_of, saved
from tests.handmade_findings import example


@pytest.fixture(scope="module")
def report(case: Case) -> Dataset:
    return structured_report(case.reading, case.images, Archived())


def items(parent: Dataset) -> Iterator[Dataset]:
    for item in parent.get("ContentSequence", ()):
        yield item
        yield from items(item)


def extrusions(report: Dataset) -> list[Dataset]:
    return [
        item
        for item in items(report)
        if item.ValueType == "NUM"
        and item.ConceptNameCodeSequence[0].CodeValue == concepts.EXTRUSION.value
    ]


def texts_of(parent: Dataset, name: CodedConcept) -> list[str]:
    return [
        item.TextValue
        for item in items(parent)
        if item.ValueType == "TEXT" and item.ConceptNameCodeSequence[0].CodeValue == name.value
    ]


def test_a_viewer_is_given_every_warning_and_note_in_words(case: Case, tmp_path: Path) -> None:
    """A viewer shows texts one by one; in the record they stand too, but nobody reads it there."""
    found = tuple(map(example, Code))
    report = structured_report(replace(case.reading, warnings=found), case.images, Archived())
    assert errors_of(saved(report, tmp_path)) == []
    for severity in Severity:
        assert texts_of(report, concepts.SEVERITIES[severity]) == [
            one.words(slice_name=case.reading.slice_number)
            for one in found
            if one.severity is severity
        ]


def test_a_validator_finds_no_error(report: Dataset, tmp_path: Path) -> None:
    """Source: dciodvfy of dicom3tools."""
    assert errors_of(saved(report, tmp_path)) == []


def test_another_program_prints_the_measurement(
    report: Dataset, case: Case, tmp_path: Path
) -> None:
    """Source: dsrdump of DCMTK, which parses the whole tree."""
    done = subprocess.run(
        ["dsrdump", "+Pl", str(saved(report, tmp_path))], capture_output=True, text=True, check=True
    )
    medial = case.reading.medial
    assert medial is not None
    assert f'NUM:(,,"Meniscal extrusion")="{medial.extrusion.extrusion_mm:.12f}'[:48] in done.stdout
    assert '(74135004,SCT,"Meniscus")' in done.stdout
    assert '"Medial"' in done.stdout


def test_a_general_library_reads_groups_and_values(
    report: Dataset, case: Case, tmp_path: Path
) -> None:
    """Source: highdicom's reader of TID 1500."""
    read: Any = hd.sr.srread(saved(report, tmp_path))
    groups = read.content.get_image_measurement_groups()
    slices = (case.reading.measured, *case.reading.neighbours)
    assert len(groups) == sum(len(part.compartments) for part in slices)
    (first, *_) = groups[0].get_measurements(name=concepts.EXTRUSION)
    medial = case.reading.medial
    assert medial is not None
    assert first.value == medial.extrusion.extrusion_mm
    assert first.unit.value == "mm"


def test_every_group_names_its_slice_by_instance_number(report: Dataset, case: Case) -> None:
    named = [item.TextValue for item in items(report) if item.ValueType == "TEXT"]
    for part in (case.reading.measured, *case.reading.neighbours):
        assert part.instance_number is not None
        words = f"medial meniscus, image {part.instance_number} (Instance Number), slice"
        assert any(one.startswith(words) for one in named)


def test_standard_codes_are_those_of_the_dictionaries(report: Dataset) -> None:
    """Source: pydicom's tables of PS3.16, made from the standard."""
    ours = {concepts.SCHEME, "RFC5646"}
    used = {
        (code.CodingSchemeDesignator, code.CodeValue)
        for item in items(report)
        for name in ("ConceptNameCodeSequence", "ConceptCodeSequence")
        for code in item.get(name, ())
    }
    tables: dict[str, dict[str, dict[str, Any]]] = dict(dictionary)  # type: ignore[arg-type]
    known = {
        (scheme, value)
        for scheme, names in tables.items()
        for values in names.values()
        for value in values
    }
    assert {one for one in used if one[0] not in ours} <= known


def test_private_codes_name_their_scheme_and_have_one_meaning_each(report: Dataset) -> None:
    (scheme,) = report.CodingSchemeIdentificationSequence
    assert scheme.CodingSchemeDesignator == concepts.SCHEME
    assert scheme.CodingSchemeDesignator.startswith("99")
    own = [
        one
        for one in vars(concepts).values()
        if getattr(one, "scheme_designator", "") == "99MENISCAL"
    ]
    assert len({one.value for one in own}) == len({one.meaning for one in own}) == len(own)


def test_three_dimensional_ends_are_the_mapped_ends_on_the_image(
    report: Dataset, case: Case
) -> None:
    """Source: DICOM PS3.3 C.7.6.2.1.1, written out here from the image's own header."""
    header = case.measured_image.header
    (dy, dx), orientation = header.PixelSpacing, np.array(header.ImageOrientationPatient, float)
    medial = extrusions(report)[0]
    flat, solid = (
        np.reshape(item.GraphicData, (2, -1))
        for item in medial.ContentSequence
        if "GraphicData" in item
    )
    column, row = (flat - 0.5).T
    mapped = (
        np.array(header.ImagePositionPatient, float)
        + np.outer(column * dx, orientation[:3])
        + np.outer(row * dy, orientation[3:])
    )
    np.testing.assert_allclose(mapped, solid, atol=1e-4)  # coordinates are single precision
    measured = case.reading.medial
    assert measured is not None
    assert np.linalg.norm(solid[1] - solid[0]) == pytest.approx(
        measured.extrusion.extrusion_mm, abs=1e-4
    )


def test_every_extrusion_carries_its_interval_as_uncertainty(report: Dataset, case: Case) -> None:
    measured = case.reading.medial
    assert measured is not None
    properties = {
        item.ConceptNameCodeSequence[0].CodeValue: item.MeasuredValueSequence[0].FloatingPointValue
        for item in extrusions(report)[0].ContentSequence
        if item.ValueType == "NUM"
    }
    low, high = measured.extrusion.interval95_mm
    assert properties[concepts.UPPER_UNCERTAINTY.value] == high - measured.extrusion.extrusion_mm
    assert properties[concepts.LOWER_UNCERTAINTY.value] == measured.extrusion.extrusion_mm - low
    assert properties[concepts.STANDARD_UNCERTAINTY.value] == measured.extrusion.u_mm


def test_the_reading_comes_back_without_loss(report: Dataset, case: Case) -> None:
    assert reading_to_dict(reading_of(report)) == reading_to_dict(case.reading)


def test_a_changed_value_is_refused(report: Dataset) -> None:
    changed = copy.deepcopy(report)
    extrusions(changed)[0].MeasuredValueSequence[0].FloatingPointValue = 1.0
    with pytest.raises(InputError, match="changed after it was made"):
        reading_of(changed)


def test_another_kind_of_object_is_refused(case: Case) -> None:
    with pytest.raises(InputError, match="not a Comprehensive 3D SR"):
        reading_of(case.measured_image.header)


def test_what_is_not_verified_says_so_in_the_fields_of_the_standard(report: Dataset) -> None:
    assert report.VerificationFlag == "UNVERIFIED"
    assert report.CompletionFlag == "PARTIAL"
    assert "VerifyingObserverSequence" not in report


def test_a_verified_reading_names_its_reader(case: Case) -> None:
    verified = signed_by(case.reading, "A. Reader")
    report = structured_report(verified, case.images, Archived(organization="Reading room"))
    assert report.VerificationFlag == "VERIFIED"
    assert report.CompletionFlag == "COMPLETE"
    (observer,) = report.VerifyingObserverSequence
    assert str(observer.VerifyingObserverName) == "A. Reader^"
    assert observer.VerifyingOrganization == "Reading room"


def test_a_new_version_names_the_one_it_replaces(case: Case, report: Dataset) -> None:
    verified = signed_by(case.reading, "A. Reader")
    newer = structured_report(verified, case.images, Archived(replaces=(report,)))
    (study,) = newer.PredecessorDocumentsSequence
    (series,) = study.ReferencedSeriesSequence
    (old,) = series.ReferencedSOPSequence
    assert old.ReferencedSOPInstanceUID == report.SOPInstanceUID != newer.SOPInstanceUID
    assert old.ReferencedSOPClassUID == Comprehensive3DSRStorage


def test_a_report_never_replaces_itself(case: Case, report: Dataset) -> None:
    again = structured_report(case.reading, case.images, Archived(replaces=(report,)))
    assert "PredecessorDocumentsSequence" not in again


def test_the_same_reading_gets_the_same_identifiers(case: Case, report: Dataset) -> None:
    again = structured_report(case.reading, case.images, Archived())
    assert again.SOPInstanceUID == report.SOPInstanceUID
    assert again.SeriesInstanceUID == report.SeriesInstanceUID


def test_identifiers_stand_under_the_given_root(case: Case) -> None:
    report = structured_report(case.reading, case.images, Archived(uid_root="1.2.826.0.1"))
    assert report.SOPInstanceUID.startswith("1.2.826.0.1.")
    with pytest.raises(UsageError, match="UID root 'abc' is not usable"):
        structured_report(case.reading, case.images, Archived(uid_root="abc"))


def test_patient_and_study_are_those_of_the_images(report: Dataset, case: Case) -> None:
    header = case.measured_image.header
    for keyword in ("PatientID", "PatientName", "StudyInstanceUID", "StudyDate"):
        assert report[keyword].value == header[keyword].value

"""Headers of images whose patient and study derived objects are to repeat."""

from __future__ import annotations

from pathlib import Path

import pydicom
import pytest
from pydicom.datadict import dictionary_VR, tag_for_keyword
from pydicom.dataelem import RawDataElement
from pydicom.tag import Tag

from meniscal_measure.errors import InputError
from meniscal_measure.exchange.capture import report_document
from meniscal_measure.exchange.identity import Archived
from meniscal_measure.exchange.presentation_state import presentation_state
from meniscal_measure.exchange.source_images import source_images
from meniscal_measure.exchange.structured_report import structured_report
from meniscal_measure.series.scan import open_study
from tests.exchange.conftest import SAMPLE, Case, errors_of, saved


@pytest.mark.parametrize("declared", [None, "ISO_IR 100", "ISO_IR 144"])
def test_objects_hold_their_words_and_the_patient_in_any_character_set(
    case: Case, declared: str | None, tmp_path: Path
) -> None:
    """The default set lacks the plus-minus sign of a value. Source: dciodvfy of dicom3tools."""
    name = {"ISO_IR 100": "Höcker^Åsa", "ISO_IR 144": "Люкceмбypг^Ада"}.get(
        declared or "", "Doe^Jo"
    )
    for file in (SAMPLE / "series-1").iterdir():
        dataset = pydicom.dcmread(file)
        dataset.SpecificCharacterSet = declared
        dataset.PatientName, dataset.IssuerOfPatientID = name, "Clinic"
        dataset.save_as(tmp_path / file.name)
    (stack,) = open_study(tmp_path).stacks
    images = source_images(stack, list(case.images))
    image = images[case.reading.measured.slice_index]
    for made in (
        presentation_state(case.reading, images, (40.0, 900.0), Archived()),
        report_document(case.reading, image, b"%PDF", Archived()),
        structured_report(case.reading, images, Archived()),
    ):
        path = saved(made, tmp_path)
        assert errors_of(path) == []
        again = pydicom.dcmread(path)
        assert (str(again.PatientName), again.IssuerOfPatientID) == (name, "Clinic")


@pytest.mark.parametrize(
    ("keyword", "value"),
    [
        ("StudyDate", "yesterday"),
        ("PatientBirthDate", "31.12.1970"),
        ("StudyTime", "noon"),
        ("PatientSex", "X"),
    ],
)
def test_a_patient_or_study_that_no_object_may_repeat_is_refused(
    tmp_path: Path, keyword: str, value: str
) -> None:
    file = next((SAMPLE / "series-1").iterdir())
    dataset = pydicom.dcmread(file)
    tag = Tag(tag_for_keyword(keyword) or 0)
    raw = value.encode()
    dataset[tag] = RawDataElement(tag, dictionary_VR(tag), len(raw), raw, 0, False, True)
    dataset.save_as(tmp_path / file.name)
    (stack,) = open_study(tmp_path).stacks

    with pytest.raises(InputError, match=f"{keyword} of the images is {value}") as refused:
        source_images(stack, [0])
    assert value not in refused.value.words(identifiers=False)

"""Headers of images whose patient and study derived objects are to repeat."""

from __future__ import annotations

from pathlib import Path

import pydicom
import pytest
from pydicom.datadict import dictionary_VR, tag_for_keyword
from pydicom.dataelem import RawDataElement
from pydicom.tag import Tag

from meniscal_measure.errors import InputError
from meniscal_measure.exchange.source_images import source_images
from meniscal_measure.series.scan import open_study
from tests.exchange.conftest import SAMPLE


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

"""Texts of a header against what pydicom makes of them."""

from __future__ import annotations

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from pydicom.datadict import dictionary_VR
from pydicom.dataelem import RawDataElement
from pydicom.dataset import Dataset

from meniscal_measure.sentences import printable
from meniscal_measure.series.attribute_places import TAGS
from meniscal_measure.series.attributes import Header

KEYWORDS = ("PatientID", "PatientName", "StudyDate", "StudyInstanceUID", "StudyDescription")


@pytest.mark.filterwarnings("ignore:Invalid value", "ignore:The number of PN components")
@example("PatientName", "===")
@given(st.sampled_from(KEYWORDS), st.text("ABab01.^= -_~\\\0\t\n", max_size=12))
def test_plain_text_is_read_as_pydicom_reads_it(keyword: str, text: str) -> None:
    tag, value = TAGS[keyword], text.encode()
    element = RawDataElement(tag, dictionary_VR(tag), len(value), value, 0, False, True)
    held = Dataset({tag: element})
    found = Header(held).text(keyword)
    assert found == printable(str(held[keyword].value or "")).strip()


def test_text_beyond_ascii_is_read_in_the_character_set_of_the_file() -> None:
    held = Dataset()
    held.SpecificCharacterSet = "ISO_IR 192"
    tag = TAGS["PatientName"]
    name = "Grün^Jörg".encode()
    held[tag] = RawDataElement(tag, "PN", len(name), name, 0, False, True)
    assert Header(held).text("PatientName") == "Grün^Jörg"

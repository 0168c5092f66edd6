"""The header read at less cost is the one that pydicom's own reading of the file gives."""

from __future__ import annotations

import io
from pathlib import Path

import pydicom
import pytest
from pydicom.dataset import Dataset

from meniscal_measure.series.attributes import HEADER_ERRORS
from meniscal_measure.series.header_bytes import header_from

PYDICOM_FILES = sorted((Path(pydicom.__file__).parent / "data" / "test_files").rglob("*.dcm"))
"""The files pydicom tests its reading with: all encodings, with and without preamble, damaged."""


def by_pydicom(start: io.BytesIO) -> Dataset:
    return pydicom.dcmread(start, stop_before_pixels=True, force=True)


@pytest.mark.filterwarnings("ignore::UserWarning:pydicom")
@pytest.mark.parametrize("path", PYDICOM_FILES, ids=lambda path: path.name)
def test_header_and_end_are_those_of_pydicom(path: Path) -> None:
    assert_same(path.read_bytes())


def test_the_samples_are_read_as_by_pydicom(samples: Path) -> None:
    for path in sorted(samples.rglob("*.dcm"))[::10]:
        assert_same(path.read_bytes())


@pytest.mark.parametrize("length", [0, 100, 132, 140, 300, 500, 1000, 2000])
def test_a_header_cut_short_is_read_as_by_pydicom(samples: Path, length: int) -> None:
    path = next(iter(sorted(samples.rglob("*.dcm"))))
    assert_same(path.read_bytes()[:length])


def assert_same(content: bytes) -> None:
    ours, theirs = io.BytesIO(content), io.BytesIO(content)
    try:
        expected = by_pydicom(theirs)
    except HEADER_ERRORS as error:
        with pytest.raises(type(error)):
            header_from(ours)
        return
    found = header_from(ours)
    assert found == expected
    assert found.file_meta == expected.file_meta
    assert found.original_encoding == expected.original_encoding
    assert ours.tell() == theirs.tell()

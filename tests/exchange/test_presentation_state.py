"""The presentation state, judged by a validator and by DCMTK's reading of it."""

from __future__ import annotations

import subprocess
from dataclasses import replace
from pathlib import Path

import numpy as np
import pydicom
import pytest
from pydicom.dataset import Dataset

from meniscal_measure.exchange.identity import Archived
from meniscal_measure.exchange.presentation_state import presentation_state
from meniscal_measure.exchange.structured_report import caliper_mm
from meniscal_measure.findings import Code, Severity
from meniscal_measure.records.signatures import signed_by
from tests.exchange.conftest import Case, errors_of, saved
from tests.handmade_findings import example

WINDOW = (40.0, 900.0)


@pytest.fixture(scope="module")
def state(case: Case) -> Dataset:
    return presentation_state(case.reading, case.images, WINDOW, Archived())


def test_validators_find_no_error(state: Dataset, tmp_path: Path) -> None:
    """Sources: dciodvfy of dicom3tools, dcmpschk of DCMTK."""
    path = saved(state, tmp_path)
    assert errors_of(path) == []
    done = subprocess.run(["dcmpschk", str(path)], capture_output=True, text=True, check=True)
    assert "Test passed" in done.stdout + done.stderr


def test_another_program_reads_the_same_caliper_ends(
    state: Dataset, case: Case, tmp_path: Path
) -> None:
    """Source: DCMTK parses the state, applies it to the slice, and writes it again.

    DCMTK draws no graphics itself; what it has understood of them is what it writes.
    """
    image = case.stack.frames[case.reading.measured.slice_index].file.path
    rewritten = tmp_path / "rewritten.dcm"
    subprocess.run(
        ["dcmp2pgm", "-p", saved(state, tmp_path), "+S", rewritten, image, tmp_path / "shown.pgm"],
        check=True,
        capture_output=True,
    )
    measured = case.reading.medial
    assert measured is not None
    expected = case.measured_image.grid.to_pixel(caliper_mm(measured)) + 0.5
    read = [
        np.reshape(graphic.GraphicData, (-1, 2))
        for annotation in pydicom.dcmread(rewritten).GraphicAnnotationSequence
        for graphic in annotation.GraphicObjectSequence
    ]
    nearest = min(np.abs(line - expected).max() for line in read)
    assert nearest < 0.01  # of a pixel; half a pixel would be the error of a wrong origin


def test_grey_values_are_shown_through_the_window(
    state: Dataset, case: Case, tmp_path: Path
) -> None:
    """Source: DCMTK renders the slice under the state; PS3.3 C.11.2.1.2 says what comes out."""
    frame = case.stack.frames[case.reading.measured.slice_index]
    shown = tmp_path / "shown.pgm"
    subprocess.run(
        ["dcmp2pgm", "-p", saved(state, tmp_path), frame.file.path, shown],
        check=True,
        capture_output=True,
    )
    from PIL import Image

    rendered = np.asarray(Image.open(shown), dtype=float)
    stored = pydicom.dcmread(frame.file.path).pixel_array.astype(float)
    low, high = WINDOW
    expected = np.clip((stored - low) / (high - low), 0, 1) * 255
    assert np.abs(rendered - expected).mean() < 2


def test_the_creator_is_a_person_only_once_verified(case: Case, state: Dataset) -> None:
    assert str(state.ContentCreatorName) == "meniscal_measure^"
    assert "NOT VERIFIED" in state.ContentDescription
    verified = signed_by(case.reading, "A. Reader")
    signed = presentation_state(verified, case.images, WINDOW, Archived())
    assert str(signed.ContentCreatorName) == "A. Reader^"
    assert "NOT VERIFIED" not in signed.ContentDescription


@pytest.mark.parametrize("code", [code for code in Code if code.severity is Severity.WARNING])
def test_the_words_on_the_slice_name_every_warning(case: Case, code: Code) -> None:
    reading = replace(case.reading, warnings=(example(code),))
    state = presentation_state(reading, case.images, WINDOW, Archived())
    legend = state.GraphicAnnotationSequence[0].TextObjectSequence[-1].UnformattedTextValue
    assert f"WARNINGS, in full in the report: {code.word.replace('_', ' ')}." in legend


def test_the_words_on_the_slice_are_no_longer_than_the_standard_allows(case: Case) -> None:
    """Source: Unformatted Text Value is a Short Text, 1024 characters (DICOM PS3.5 table 6.2-1)."""
    reading = replace(case.reading, warnings=tuple(map(example, Code)))
    state = presentation_state(reading, case.images, WINDOW, Archived())
    legend = state.GraphicAnnotationSequence[0].TextObjectSequence[-1].UnformattedTextValue
    assert "placement SD 7.0 mm assumed" in legend
    assert len(legend) <= 1024


def test_every_measured_slice_is_drawn_on_and_conventions_are_named(
    state: Dataset, case: Case
) -> None:
    annotations = state.GraphicAnnotationSequence
    assert len(annotations) == 1 + len(case.reading.neighbours)
    texts = [text.UnformattedTextValue for one in annotations for text in one.TextObjectSequence]
    assert any("rim_to_rim" in text and "medial_spine_apex" in text for text in texts)
    assert any("not a diagnosis" in text for text in texts)
    assert any("Instance Number" in text for text in texts)

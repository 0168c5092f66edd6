"""Where the order of the slices cannot be relied on, an index alone names none."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

import meniscal_measure
from meniscal_measure.errors import LandmarkError
from meniscal_measure.findings import Code, Finding
from meniscal_measure.records.landmark_document import LandmarkDocument
from meniscal_measure.records.landmark_text import parse_landmark_text
from meniscal_measure.sentences import plain
from meniscal_measure.series.model import FileRef, Refusal, Study
from meniscal_measure.series.scan import NOT_DICOM
from meniscal_measure.workflow.placing import from_document

MISSING = {"gap_mm": 6.0, "before": 2, "after": 3, "usual_mm": 3.0}

Change = Callable[[Study], Study]


@pytest.fixture(scope="module")
def study(samples: Path) -> Study:
    return meniscal_measure.read(samples / "normal")


@pytest.fixture(scope="module")
def by_index(samples: Path) -> LandmarkDocument:
    content = json.loads((samples / "normal" / "landmarks.json").read_text())
    for item in content["slices"]:
        item["slice"] = item["slice"]["index"]
    return parse_landmark_text(json.dumps(content))


def found_in_images(found: Finding) -> Change:
    def change(study: Study) -> Study:
        (stack,) = study.stacks
        return replace(study, stacks=(replace(stack, findings=(found,)),))

    return change


def refused(study: Study) -> Study:
    return replace(study, refusals=(Refusal(FileRef(Path("9.dcm")), plain("cut short")),))


def no_dicom(name: str) -> Change:
    """A file that is not DICOM beside the images: an image damaged beyond recognition, or not."""

    def change(study: Study) -> Study:
        beside = study.stacks[0].frames[0].file.path.parent
        return replace(study, passed_over=(Refusal(FileRef(beside / name), plain(NOT_DICOM)),))

    return change


def split(at: int, *, echo: bool = False) -> Change:
    """The first slices in a stack of their own, in another frame of reference, or a second echo."""

    def change(study: Study) -> Study:
        (stack,) = study.stacks
        first = replace(stack, frames=stack.frames[:at], positions_mm=stack.positions_mm[:at])
        if echo:
            frames = (replace(frame, sop_instance_uid="2.25.7") for frame in first.frames)
            return replace(study, stacks=(stack, replace(first, frames=tuple(frames))))
        rest = replace(stack, frames=stack.frames[at:], positions_mm=stack.positions_mm[at:])
        return replace(study, stacks=(rest, first))

    return change


@pytest.mark.parametrize(
    "change",
    [
        refused,
        split(1),
        found_in_images(Finding(Code.DUPLICATES, {"count": 1})),
        found_in_images(Finding(Code.MISSING_SLICES, MISSING)),
        no_dicom("9.dcm"),
    ],
    ids=["refused", "in another stack", "duplicated", "missing", "beyond recognition"],
)
def test_an_index_names_no_slice_once_a_file_of_the_series_is(
    study: Study, by_index: LandmarkDocument, change: Change
) -> None:
    changed = change(study)
    with pytest.raises(LandmarkError, match="is named by its index"):
        from_document(by_index, changed, changed.stacks[0])


@pytest.mark.parametrize(
    "change",
    [
        split(3, echo=True),
        no_dicom("notes.txt"),
        no_dicom("elsewhere/9.dcm"),
        found_in_images(Finding(Code.UNEVEN_GAPS, {"least_mm": 3.0, "most_mm": 3.2})),
    ],
    ids=["a second echo", "notes", "another folder", "uneven gaps"],
)
def test_an_index_names_its_slice_in_a_whole_series(
    study: Study, by_index: LandmarkDocument, change: Change
) -> None:
    changed = change(study)
    placed = from_document(by_index, changed, changed.stacks[0])
    assert placed.landmarks.measured.slice_index == by_index.entries[0].name.index

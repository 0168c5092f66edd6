"""What a user sees when an input cannot be used: the file, the attribute, the remedy, no output."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pydicom
import pytest
from typer.testing import Result

from meniscal_measure.errors import ExitCode
from tests.command_line import run
from tests.pipes import pipe_at

pytestmark = pytest.mark.usefixtures("without_pictures")
Change = Callable[[pydicom.Dataset], None]


@pytest.fixture
def study(samples: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(samples / "normal", tmp_path / "study"))


def measure(study: Path, *more: str) -> Result:
    landmarks, out = str(study / "landmarks.json"), str(study.parent / "out")
    return run("measure", study, "--landmarks", landmarks, "--out", out, *more)


def images(study: Path) -> list[Path]:
    return sorted((study / "series-1").iterdir())


def change(paths: list[Path], edit: Change) -> None:
    for path in paths:
        dataset = pydicom.dcmread(path)
        edit(dataset)
        dataset.save_as(path)


def raw(dataset: pydicom.Dataset, tag: int, value_representation: str, value: bytes) -> None:
    """Put a value into a dataset that the library would not let through."""
    dataset[tag] = pydicom.dataelem.RawDataElement(
        pydicom.tag.Tag(tag), value_representation, len(value), value, 0, False, True
    )


def said(result: Result) -> str:
    return " ".join(result.output.split())


def assert_refused(result: Result, study: Path, *words: str) -> None:
    assert result.exit_code == ExitCode.NOTHING_MEASURABLE, result.output
    for word in words:
        assert word in said(result), f"{word!r} is not in {said(result)!r}"
    assert not (study.parent / "out").exists()


SPACINGS: dict[str, Change] = {
    "missing": lambda dataset: delattr(dataset, "PixelSpacing"),
    "zero": lambda dataset: setattr(dataset, "PixelSpacing", [0, 0.5]),
    "negative": lambda dataset: setattr(dataset, "PixelSpacing", [-0.5, 0.5]),
    "not a number": lambda dataset: raw(dataset, 0x00280030, "DS", b"NaN\\0.5 "),
}


@pytest.mark.parametrize("edit", SPACINGS.values(), ids=SPACINGS)
def test_a_spacing_that_is_no_spacing(study: Path, edit: Change) -> None:
    change(images(study), edit)
    assert_refused(measure(study), study, "PixelSpacing", images(study)[0].name)


def test_directions_that_are_not_at_a_right_angle(study: Path) -> None:
    change(
        images(study),
        lambda dataset: setattr(dataset, "ImageOrientationPatient", [1, 0, 0, 0.5, 0, -1]),
    )
    assert_refused(measure(study), study, "ImageOrientationPatient", images(study)[0].name)


def test_no_coronal_series(study: Path) -> None:
    change(
        images(study),
        lambda dataset: setattr(dataset, "ImageOrientationPatient", [0, 1, 0, 0, 0, -1]),
    )
    assert_refused(measure(study), study, "coronal")


def test_images_of_another_modality(study: Path) -> None:
    def to_ct(dataset: pydicom.Dataset) -> None:
        dataset.SOPClassUID = dataset.file_meta.MediaStorageSOPClassUID = pydicom.uid.CTImageStorage
        dataset.Modality = "CT"

    change(images(study), to_ct)
    assert_refused(measure(study), study, "MR", images(study)[0].name)


def test_a_foreign_file_in_the_place_of_a_study(tmp_path: Path, samples: Path) -> None:
    foreign = tmp_path / "letter.txt"
    foreign.write_text("Dear colleague")
    result = run(
        "measure",
        foreign,
        "--landmarks",
        samples / "normal" / "landmarks.json",
        "--out",
        tmp_path / "out",
    )
    assert_refused(result, foreign, "letter.txt", "DICOM")


def test_one_truncated_file_does_not_hide_the_good_ones(study: Path) -> None:
    measured = json.loads((study / "landmarks.json").read_text())["slices"]
    named = {item["slice"]["sop_instance_uid"] for item in measured}
    bad = next(path for path in images(study) if pydicom.dcmread(path).SOPInstanceUID not in named)
    bad.write_bytes(bad.read_bytes()[:-2000])
    result = measure(study)
    assert result.exit_code == ExitCode.DONE_WITH_REFUSALS, result.output
    assert bad.name in said(result)
    assert "Copy the file again" in said(result)
    assert (study.parent / "out" / "reading.json").exists()


def test_pixels_that_cannot_be_decoded(study: Path) -> None:
    def garble(dataset: pydicom.Dataset) -> None:
        dataset.file_meta.TransferSyntaxUID = pydicom.uid.JPEG2000Lossless
        dataset.PixelData = pydicom.encaps.encapsulate([b"not an image"])
        dataset["PixelData"].is_undefined_length = True

    change(images(study), garble)
    assert_refused(measure(study), study, "JPEG 2000", ".dcm")


def edit_landmarks(study: Path, edit: Callable[[dict[str, Any]], None]) -> None:
    path = study / "landmarks.json"
    document = json.loads(path.read_text())
    edit(document["slices"][0])
    path.write_text(json.dumps(document))


def test_a_landmark_outside_the_image(study: Path) -> None:
    edit_landmarks(study, lambda item: item.update(medial_rim=[4000.0, 10.0]))
    assert_refused(measure(study), study, "landmarks.json", "medial_rim", "outside the image")


def test_landmarks_in_the_wrong_order(study: Path) -> None:
    def exchange(item: dict[str, Any]) -> None:
        item["medial_free_edge"], item["medial_outer_edge"] = (
            item["medial_outer_edge"],
            item["medial_free_edge"],
        )

    edit_landmarks(study, exchange)
    assert_refused(measure(study), study, "landmarks.json", "medial_free_edge", "wrong order")


def test_column_and_row_exchanged(study: Path) -> None:
    def exchange(item: dict[str, Any]) -> None:
        item.update({key: value[::-1] for key, value in item.items() if isinstance(value, list)})

    edit_landmarks(study, exchange)
    assert_refused(measure(study), study, "landmarks.json", "column comes first")


def test_landmarks_of_another_study(study: Path) -> None:
    edit_landmarks(study, lambda item: item.update(slice="2.25.9"))
    assert_refused(measure(study), study, "landmarks.json", "2.25.9", "Give the study")


def test_a_reading_without_identifiers_cannot_be_reported_again(study: Path) -> None:
    measure(study, "--without-identifiers")
    reading = study.parent / "out" / "reading.json"
    again = str(study.parent / "again")
    result = run("report", reading, study, "--out", again)
    assert result.exit_code == ExitCode.USAGE, result.output
    assert "written without identifiers" in said(result)


def test_medial_and_lateral_exchanged(study: Path) -> None:
    def exchange(item: dict[str, Any]) -> None:
        for name in ("rim", "outer_edge", "free_edge"):
            medial, lateral = f"medial_{name}", f"lateral_{name}"
            item[medial], item[lateral] = item[lateral], item[medial]

    edit_landmarks(study, exchange)
    assert_refused(measure(study), study, "landmarks.json", "Exchange medial and lateral")


def test_an_output_that_cannot_be_written(study: Path) -> None:
    (study.parent / "out").write_text("a file where the folder should be")
    result = measure(study)
    assert result.exit_code == ExitCode.USAGE, result.output
    assert "Cannot write" in said(result)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
@pytest.mark.parametrize(
    "command",
    [
        ["measure", "{study}", "--landmarks", "{pipe}", "--out", "{out}"],
        ["report", "{pipe}", "{study}", "--out", "{out}"],
        ["case", "{study}", "--answers", "{pipe}", "--out", "{out}"],
        ["cohort", "measure", "{pipe}", "--store", "{out}/store.sqlite"],
        ["archive", "deidentify", "{study}", "--key-file", "{pipe}", "--out", "{out}"],
        ["phantom", "study", "{pipe}", "--out", "{out}"],
    ],
    ids=lambda command: " ".join(command[:2]),
)
def test_a_pipe_is_not_waited_for(study: Path, tmp_path: Path, command: list[str]) -> None:
    with pipe_at(tmp_path / "pipe") as pipe:
        result = run(
            *[part.format(study=study, pipe=pipe, out=tmp_path / "out") for part in command]
        )
    assert result.exit_code in (ExitCode.USAGE, ExitCode.NOTHING_MEASURABLE)
    assert "it is a pipe or a device, not a file" in " ".join(result.output.split())

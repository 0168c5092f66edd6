"""A slice that a person chose is the one that landmarks are proposed on."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pydicom
import pytest

from meniscal_measure.errors import ExitCode
from tests.command_line import run

pytestmark = pytest.mark.usefixtures("without_pictures")


def measured(study: Path, out: Path, *more: str) -> tuple[int, dict[str, Any]]:
    result = run("measure", study, "--out", out, "--json", *more)
    return result.exit_code, json.loads(result.output[: result.output.rindex("}") + 1])


@pytest.fixture(scope="module")
def series(samples: Path) -> Path:
    """A series of the shipped knee."""
    return samples / "root-tear" / "series-1"


@pytest.fixture(scope="module")
def record(
    series: Path,
    tmp_path_factory: pytest.TempPathFactory,
    blank_pictures: Callable[[pytest.MonkeyPatch], None],
) -> dict[str, Any]:
    """The series, measured on its eighth slice from the front."""
    out = tmp_path_factory.mktemp("measured") / "out"
    with pytest.MonkeyPatch.context() as patched:
        blank_pictures(patched)
        code, found = measured(series, out, "--slice", "8", "--side", "right")
    assert code == ExitCode.DONE, found
    return found


def test_landmarks_are_proposed_on_the_slice_that_is_named(
    series: Path, record: dict[str, Any], tmp_path: Path
) -> None:
    assert record["slice"]["number"] == 8
    assert record["conventions"]["slice"] == "chosen_by_reader"
    named = f"instance:{record['slice']['instance_number']}"
    _, again = measured(series, tmp_path / "again", "--slice", named, "--side", "right")
    assert again["slice"]["index"] == record["slice"]["index"]


def test_a_single_exported_image_is_measured_with_a_warning(
    series: Path, record: dict[str, Any], tmp_path: Path
) -> None:
    wanted = record["slice"]["sop_instance_uid"]
    (image,) = (
        file
        for file in series.rglob("*")
        if file.is_file() and pydicom.dcmread(file).SOPInstanceUID == wanted
    )
    code, alone = measured(image, tmp_path / "alone", "--side", "right")
    assert code == ExitCode.DONE, alone
    assert alone["conventions"]["slice"] == "chosen_by_reader"
    assert "single_exported_image" in [found["code"] for found in alone["warnings"]]


def test_every_proposal_says_what_its_networks_were_trained_on(record: dict[str, Any]) -> None:
    codes = [found["code"] for found in record["warnings"]]
    assert codes.count("trained_on_drawn_knees") == 1


def test_a_slice_that_is_not_there_is_refused_with_those_that_are(
    series: Path, tmp_path: Path
) -> None:
    code, record = measured(series, tmp_path / "out", "--slice", "99")
    assert code == ExitCode.USAGE
    assert "No slice of the series is called 99. It has slices 1 to" in record["error"]["message"]


def test_a_landmark_file_and_a_slice_exclude_each_other(samples: Path, tmp_path: Path) -> None:
    landmarks = str(samples / "root-tear" / "landmarks.json")
    code, record = measured(
        samples / "root-tear", tmp_path / "out", "--slice", "8", "--landmarks", landmarks
    )
    assert code == ExitCode.USAGE
    assert "The landmark file names the slice" in record["error"]["message"]

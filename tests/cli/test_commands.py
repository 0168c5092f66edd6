"""The commands as a user types them: output, files and exit codes."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path

import pydicom
import pytest

from meniscal_measure import errors
from meniscal_measure.errors import ExitCode
from tests.command_line import run

WRITTEN = ("reading.json", "readings.csv", "figure.png", "figure.svg", "report.pdf")


def measure(folder: Path, out: Path, *more: str) -> tuple[int, str]:
    landmarks = str(folder / "landmarks.json")
    result = run("measure", folder, "--landmarks", landmarks, "--out", out, *more)
    return result.exit_code, result.output


def test_help_says_what_it_is_for_and_that_it_is_no_diagnosis() -> None:
    result = run("--help")
    assert result.exit_code == ExitCode.DONE
    assert "not a diagnosis" in " ".join(result.output.split())


@pytest.mark.parametrize(
    "command", ["contents", "measure", "report", "review", "cohort", "phantom"]
)
def test_every_command_explains_itself(command: str) -> None:
    result = run(command, "--help")
    assert result.exit_code == ExitCode.DONE
    assert "Usage" in result.output


@pytest.mark.usefixtures("without_pictures")
def test_measure_prints_the_record_as_json(samples: Path, tmp_path: Path) -> None:
    code, output = measure(samples / "normal", tmp_path, "--json")
    assert code == ExitCode.DONE
    assert json.loads(output) == json.loads((tmp_path / "reading.json").read_text())


def test_contents_lists_the_series_and_the_one_to_be_measured(samples: Path) -> None:
    result = run("contents", samples / "normal", "--json")
    assert result.exit_code == ExitCode.DONE, result.output
    listed = json.loads(result.output)
    assert [series["plane"] for series in listed["series"]] == ["coronal"]
    assert listed["measured"] == 1
    (series,) = listed["series"]
    assert len(series["instance_numbers"]) == series["slices"]
    assert sorted(series["instance_numbers"]) == list(range(1, series["slices"] + 1))


def test_contents_reads_as_a_table(samples: Path) -> None:
    result = run("contents", samples / "normal")
    assert result.exit_code == ExitCode.DONE
    assert "To be measured: No. 1." in result.output


@pytest.mark.usefixtures("without_pictures")
def test_a_stored_reading_can_be_reported_again_and_confirmed(
    samples: Path, tmp_path: Path
) -> None:
    measure(samples / "normal", tmp_path / "first")
    result = run(
        "report",
        tmp_path / "first" / "reading.json",
        samples / "normal",
        "--out",
        tmp_path / "second",
        "--verified-by",
        "Reader A",
    )
    assert result.exit_code == ExitCode.DONE, result.output
    first = json.loads((tmp_path / "first" / "reading.json").read_text())
    second = json.loads((tmp_path / "second" / "reading.json").read_text())
    assert (first["verified"], second["verified"]) == (False, True)
    assert second["verified_by"] == "Reader A"
    assert second["medial"] == first["medial"]


def test_the_promised_files_are_written_without_identifiers_on_request(
    samples: Path, tmp_path: Path
) -> None:
    study = tmp_path / "study"
    shutil.copytree(samples / "normal", study)
    landmarks = study / "landmarks.json"
    said = json.loads(landmarks.read_text()) | {"slice_reason": "as PHANTOM-NORMAL was lying"}
    landmarks.write_text(json.dumps(said))
    for path in (study / "series-1").iterdir():
        dataset = pydicom.dcmread(path)
        dataset.PatientName, dataset.StudyDescription = "Quillfeather", "LEFT KNEE QUILLFEATHER"
        del dataset.Laterality
        dataset.save_as(path)
    code, output = measure(study, tmp_path / "out", "--without-identifiers")
    assert code == ExitCode.DONE, output
    assert "hints at a left knee" in " ".join(output.split())
    assert "QUILLFEATHER" not in output.upper()
    assert "medial" in output
    for name in WRITTEN:
        assert (tmp_path / "out" / name).stat().st_size > 0
    for path in (tmp_path / "out").iterdir():
        content = path.read_bytes().upper()
        assert b"PHANTOM" not in content, path
        assert b"QUILLFEATHER" not in content, path


def test_an_unknown_path_is_a_usage_error_in_words_and_in_json(tmp_path: Path) -> None:
    command = ["contents", str(tmp_path / "nowhere")]
    in_words = run(*command)
    assert in_words.exit_code == ExitCode.USAGE
    assert "nowhere" in in_words.output
    in_json = run(*command, "--json")
    assert json.loads(in_json.stdout)["error"]["kind"] == "UsageError"


def test_a_wrong_option_is_a_usage_error(samples: Path, tmp_path: Path) -> None:
    code, _ = measure(samples / "normal", tmp_path, "--side", "both")
    assert code == ExitCode.USAGE


def test_the_version_is_that_of_the_package() -> None:
    import meniscal_measure

    result = run("--version")
    assert result.output.strip() == f"meniscal-measure {meniscal_measure.__version__}"


RUN_EACH = """
import json, sys
from meniscal_measure.cli import app
from meniscal_measure.report import save
save.png_bytes = save.svg_bytes = save.pdf_bytes = save.report_pdf = lambda *_: b""
for words in json.loads(sys.argv[1]):
    assert not app(words, standalone_mode=False)
    print("END")
"""
"""Run commands in one process that draws nothing, as to draw takes most of the time."""


def test_a_terminal_limited_to_ascii_is_written_to_as_well(samples: Path, tmp_path: Path) -> None:
    study = tmp_path / "Müller"
    study.symlink_to(samples / "normal")
    measuring = ["measure", str(study), "--landmarks", str(study / "landmarks.json"), "--out"]
    commands = [
        ["contents", str(study)],
        ["contents", str(study), "--json"],
        [*measuring, str(tmp_path / "out")],
        [*measuring, str(tmp_path / "again"), "--json"],
    ]
    done = subprocess.run(
        [sys.executable, "-c", RUN_EACH, json.dumps(commands)],
        capture_output=True,
        check=False,
        env={"PYTHONIOENCODING": "ascii", "PATH": ""},
    )
    assert done.returncode == ExitCode.DONE, done.stderr
    _, listed, measured, record, _ = done.stdout.decode("ascii").split("END\n")
    assert "+/-" in measured
    json.loads(listed), json.loads(record)


@pytest.mark.usefixtures("without_pictures")
def test_a_blank_name_cannot_confirm(samples: Path, tmp_path: Path) -> None:
    measure(samples / "normal", tmp_path / "first")
    record, study = str(tmp_path / "first" / "reading.json"), str(samples / "normal")
    again = str(tmp_path / "again")
    result = run("report", record, study, "--out", again, "--verified-by", " ")
    assert result.exit_code == ExitCode.USAGE, result.output
    assert not (tmp_path / "again").exists()


@pytest.mark.parametrize("content", [None, "a letter", "[1]", "\xff"])
def test_what_is_no_reading_is_refused_with_the_remedy(
    samples: Path, tmp_path: Path, content: str | None
) -> None:
    record = tmp_path / "letter.json"
    if content is not None:
        record.write_text(content, encoding="latin-1")
    command = ["report", str(record), str(samples / "normal"), "--out", str(tmp_path / "out")]
    result = run(*command)
    expected = ExitCode.USAGE if content is None else ExitCode.NOTHING_MEASURABLE
    assert result.exit_code == expected, result.output
    assert "Give a reading.json".lower() in " ".join(result.output.split()).lower()


@pytest.mark.usefixtures("without_pictures")
def test_measure_proposes_landmarks_when_none_are_given(samples: Path, tmp_path: Path) -> None:
    command = ["measure", str(samples / "normal"), "--out", str(tmp_path)]
    result = run(*command)
    assert result.exit_code == ExitCode.DONE, result.output
    assert "PROPOSED, NOT VERIFIED" in result.output
    record = json.loads((tmp_path / "reading.json").read_text())
    assert record["verified"] is False
    assert record["medial"]["landmarks"]["rim"]["origin"] == "proposed"


@pytest.mark.parametrize("place", ["medial_rim=175", "medial_rim=nan,124", "medial_rim=175,inf"])
def test_a_landmark_placed_by_hand_must_be_legible(
    samples: Path, tmp_path: Path, place: str
) -> None:
    code, output = measure(samples / "normal", tmp_path / "out", "--place", place)
    assert code == ExitCode.USAGE
    assert "NAME=COLUMN,ROW" in output
    assert not (tmp_path / "out").exists()


def confirm(record: Path, study: Path, out: Path, *more: str) -> tuple[int, str]:
    command = ["report", str(record), str(study), "--out", str(out), "--verified-by", "Reader A"]
    result = run(*command, *more)
    return result.exit_code, " ".join(result.output.split())


@pytest.mark.usefixtures("without_pictures")
def test_a_verified_reading_is_replaced_only_by_force_and_kept_then(
    samples: Path, tmp_path: Path
) -> None:
    study, out = samples / "normal", tmp_path / "out"
    measure(study, out)
    assert confirm(out / "reading.json", study, out)[0] == ExitCode.DONE
    verified = (out / "reading.json").read_bytes()
    code, output = measure(study, out)
    assert code == ExitCode.USAGE, output
    assert "--force" in output
    assert (out / "reading.json").read_bytes() == verified
    measure(study, tmp_path / "other")
    again = run("report", tmp_path / "other" / "reading.json", study, "--out", out)
    assert again.exit_code == ExitCode.USAGE, again.output
    assert (out / "reading.json").read_bytes() == verified
    code, output = measure(study, out, "--force")
    assert code == ExitCode.DONE, output
    assert (out / "earlier-1" / "reading.json").read_bytes() == verified
    assert not json.loads((out / "reading.json").read_text())["verified"]


@pytest.mark.usefixtures("without_pictures")
def test_a_reading_of_an_unknown_side_cannot_be_confirmed(samples: Path, tmp_path: Path) -> None:
    study = Path(shutil.copytree(samples / "normal", tmp_path / "study"))
    for path in (study / "series-1").iterdir():
        dataset = pydicom.dcmread(path)
        del dataset.Laterality
        dataset.save_as(path)
    measure(study, tmp_path / "out")
    code, said = confirm(tmp_path / "out" / "reading.json", study, tmp_path / "again")
    assert code == ExitCode.USAGE, said
    assert "The side of the knee is not known" in said
    assert not (tmp_path / "again").exists()


@pytest.mark.usefixtures("without_pictures")
def test_a_value_edited_by_hand_is_not_reported(samples: Path, tmp_path: Path) -> None:
    measure(samples / "root-tear", tmp_path / "out")
    record = json.loads((tmp_path / "out" / "reading.json").read_text())
    record["medial"]["extrusion_mm"] = 2.4
    alone = tmp_path / "alone.json"  # without the manifest of its files, which would tell
    alone.write_text(json.dumps(record))
    code, said = confirm(alone, samples / "root-tear", tmp_path / "again")
    assert code == ExitCode.NOTHING_MEASURABLE, said
    assert "measured again, medial.extrusion_mm is another" in said


@pytest.mark.usefixtures("without_pictures")
def test_the_threshold_can_be_set_and_is_named(samples: Path, tmp_path: Path) -> None:
    code, output = measure(samples / "exactly-3mm", tmp_path, "--threshold-mm", "2.5", "--json")
    assert code == ExitCode.DONE, output
    record = json.loads(output)
    assert record["conventions"]["threshold_mm"] == 2.5
    assert record["medial"]["flag"] is True
    assert measure(samples / "exactly-3mm", tmp_path, "--threshold-mm", "0")[0] == ExitCode.USAGE


@pytest.mark.parametrize(
    "error",
    [errors.UnreadableFileError, errors.GeometryError, errors.SideError, errors.LandmarkError,
     errors.EdgeNotFoundError, errors.ManifestError, errors.NothingMeasurableError],
)  # fmt: skip
def test_what_is_wrong_with_an_input_is_never_called_a_wrong_use(
    error: type[errors.InputError],
) -> None:
    """As the table of exit codes in docs/files.md has it."""
    assert error.exit_code is ExitCode.NOTHING_MEASURABLE


@pytest.mark.parametrize(
    ("content", "code"),
    [(None, ExitCode.USAGE), ('{"slice": 7,', ExitCode.NOTHING_MEASURABLE),
     ("slice,landmark\n1,2", ExitCode.NOTHING_MEASURABLE)],
)  # fmt: skip
def test_a_landmark_file_that_is_missing_or_malformed_has_its_exit_code(
    samples: Path, tmp_path: Path, content: str | None, code: ExitCode
) -> None:
    path = tmp_path / "landmarks.json"
    if content is not None:
        path.write_text(content)
    command = ["measure", str(samples / "normal"), "--landmarks", str(path)]
    result = run(*command, "--out", tmp_path / "out")
    assert result.exit_code == code, result.output
    assert "landmarks.json" in "".join(result.output.split())

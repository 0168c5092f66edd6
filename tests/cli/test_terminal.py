"""What a file says cannot steer the terminal that it is shown on."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pydicom
import pytest
from pydicom.dataelem import RawDataElement
from pydicom.tag import Tag

from meniscal_measure.cli.common import print_json, safe_console
from tests.command_line import run

pytestmark = pytest.mark.usefixtures("without_pictures")

ESCAPE = "\x1b[2J\x1b]0;owned\x07"


def with_raw(path: Path, elements: dict[int, tuple[str, bytes]]) -> None:
    """Put values into a file as they are, valid or not."""
    dataset = pydicom.dcmread(path)
    for tag, (vr, value) in elements.items():
        padded = value + b" " * (len(value) % 2)
        dataset[tag] = RawDataElement(Tag(tag), vr, len(padded), padded, 0, False, True)
    dataset.save_as(path)


def hostile(vr: str, tag: int) -> dict[int, tuple[str, bytes]]:
    return {tag: (vr, f"X{ESCAPE}".encode())}


@pytest.mark.parametrize(
    "elements",
    [
        hostile("CS", 0x00200060),  # Laterality
        hostile("CS", 0x00180020),  # Scanning Sequence
        hostile("UI", 0x00080016),  # SOP Class UID
        hostile("CS", 0x00280004),  # Photometric Interpretation
        hostile("LO", 0x0008103E),  # Series Description
        hostile("DS", 0x00280030),  # Pixel Spacing
    ],
    ids=["side", "sequence", "class", "photometric", "description", "spacing"],
)
@pytest.mark.parametrize("command", ["contents", "measure"])
@pytest.mark.filterwarnings("ignore::UserWarning:pydicom")
def test_no_header_text_reaches_the_terminal_as_it_is(
    samples: Path, tmp_path: Path, elements: dict[int, tuple[str, bytes]], command: str
) -> None:
    study = Path(shutil.copytree(samples / "normal", tmp_path / f"study{ESCAPE[:3]}"))
    for path in study.rglob("*.dcm"):
        with_raw(path, elements)
    landmarks = ["--landmarks", str(study / "landmarks.json"), "--out", str(tmp_path / "out")]
    options = landmarks if command == "measure" else []

    result = run(command, study, *options)

    assert result.output
    assert "\x1b" not in result.output
    assert "\x07" not in result.output


def test_landmark_keys_cannot_steer_the_terminal(samples: Path, tmp_path: Path) -> None:
    landmarks = tmp_path / "landmarks.json"
    landmarks.write_text('{"slice": 1, "medial_rim\\u001b[2J": [1, 2]}', encoding="utf-8")

    result = run("measure", samples / "normal", "--landmarks", landmarks, "--out", tmp_path)

    assert "medial_rim" in result.output
    assert "\x1b" not in result.output


def test_a_console_keeps_its_own_colours_and_no_others(capsys: pytest.CaptureFixture[str]) -> None:
    console = safe_console()
    console._force_terminal = True
    console._color_system = console._detect_color_system()
    console.print("[bold]own[/bold] \x1b[31mnot own\nsecond line")

    shown = capsys.readouterr().out

    assert "\x1b[31m" not in shown
    assert "not own\nsecond line" in shown


def test_json_on_the_terminal_is_ascii(capsys: pytest.CaptureFixture[str]) -> None:
    said = {"name": "Ørsted\x9b2J", "file": "a\u202eb"}
    print_json(said)

    shown = capsys.readouterr().out

    assert shown.isascii()
    assert json.loads(shown) == said

"""The command that starts the page."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from meniscal_measure.errors import ExitCode
from meniscal_measure.review.desk import Desk
from meniscal_measure.review.signing import reject
from tests.command_line import run

START = "from meniscal_measure.cli import app; app()"


def test_one_command_serves_a_study_until_it_is_interrupted(
    samples: Path, tmp_path: Path, client_of: Callable[[str], Any]
) -> None:
    store = tmp_path / "readings.sqlite"
    arguments = ["review", str(samples / "exactly-3mm"), "--store", str(store), "--no-browser"]
    command = [sys.executable, "-c", START, *arguments, "--reader", "Reader Δ"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as server:
        assert server.stdout is not None
        first = server.stdout.readline()
        second = server.stdout.readline()
        address, _, fragment = first.removeprefix("The page is at ").strip().partition("#")
        tasks = client_of(address).json("tasks")["tasks"]
        server.send_signal(signal.SIGINT)

    assert first.startswith("The page is at http://127.0.0.1:")
    assert fragment == "reader=Reader%20%CE%94"
    assert second.strip() == f"Stop with Ctrl-C; everything is saved in {store}."
    assert [task["label"] for task in tasks] == ["exactly-3mm"]
    assert server.returncode in (0, -signal.SIGINT, 130)


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["absent"], "There is nothing at absent"),
        (["--blinded", "--repeats", "5"], "5 of 1 knees cannot be repeated without notice"),
        (["--blinded", "--keep-order", "--repeats", "1"], "Repeats cannot be hidden"),
        (["--repeats", "1"], "Repeats are hidden in a blinded study only; add --blinded"),
    ],
)
def test_what_cannot_be_carried_out_is_refused_with_the_reason(
    samples: Path,
    tmp_path: Path,
    arguments: list[str],
    said: str,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(tmp_path)
    study = [] if arguments[0] == "absent" else [str(samples / "exactly-3mm")]
    result = run("review", *study, *arguments, "--no-browser")

    assert result.exit_code == ExitCode.USAGE
    assert said in result.output.replace("\n", " ")


@pytest.mark.usefixtures("without_pictures")
def test_what_was_signed_is_reported_as_verified(
    open_desk: Callable[..., Desk],
    samples: Path,
    tmp_path: Path,
    sign_as_shown: Callable[..., object],
) -> None:
    desk = open_desk("exactly-3mm")
    place = desk.place("Reader A", desk.tasks("Reader A")[0]["id"])
    sign_as_shown(desk, place, desk.begin(place).revision)
    command = ["report", str(tmp_path / "store.sqlite")]

    out = tmp_path / "out"
    result = run(*command, samples / "exactly-3mm", "--out", out)
    assert result.exit_code == ExitCode.DONE, result.output
    reading = json.loads((out / "reading.json").read_text())
    assert (reading["verified"], reading["verified_by"]) == (True, "Reader A")
    assert reading["medial"]["extrusion_mm"] == pytest.approx(3.0, abs=0.01)

    result = run(*command, samples / "normal", "--out", out)
    assert result.exit_code == ExitCode.USAGE
    assert "was signed on images of" in result.output.replace("\n", " ")


@pytest.mark.usefixtures("without_pictures")
def test_one_of_two_readers_is_reported_and_a_rejection_is_called_one(
    open_desk: Callable[..., Desk],
    samples: Path,
    tmp_path: Path,
    sign_as_shown: Callable[..., object],
) -> None:
    desk = open_desk("exactly-3mm")
    for name in ("Reader A", "Reader B", "Reader C"):
        place = desk.place(name, desk.tasks(name)[0]["id"])
        if name == "Reader C":
            reject(desk, place, "Image quality too poor", desk.begin(place).revision)
        else:
            sign_as_shown(desk, place, desk.begin(place).revision)
    out = tmp_path / "out"
    command = ["report", str(tmp_path / "store.sqlite"), str(samples / "exactly-3mm")]

    def said(*options: str) -> tuple[int, str]:
        result = run(*command, "--out", out, *options)
        return result.exit_code, " ".join(result.output.split())

    code, words = said()
    assert code == ExitCode.USAGE
    assert "by Reader A, Reader B. Name one reader (--reader NAME)" in words
    assert said("--reader", "Reader B")[0] == ExitCode.DONE
    assert json.loads((out / "reading.json").read_text())["verified_by"] == "Reader B"
    code, words = said("--reader", "Reader C")
    assert code == ExitCode.USAGE
    assert "was rejected by Reader C" in words
    assert "(Image quality too poor)" in words

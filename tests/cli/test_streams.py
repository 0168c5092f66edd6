"""Closed or full streams, folders that are gone: words and a documented exit code, no traceback."""

from __future__ import annotations

import shlex
import subprocess
import sys
from pathlib import Path

import pytest

from meniscal_measure.errors import ExitCode
from tests.command_line import run

PROGRAM = f"{shlex.quote(sys.executable)} -c 'from meniscal_measure.cli import app; app()'"


def shell(command: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(["bash", "-c", command], capture_output=True, check=False, text=True)


@pytest.mark.parametrize("closed", [">&-", "2>&-", "<&- >&- 2>&-"])
def test_a_closed_stream_prevents_nothing(samples: Path, closed: str) -> None:
    assert shell(f"{PROGRAM} contents {samples / 'normal'} {closed}").returncode == ExitCode.DONE


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
@pytest.mark.parametrize("options", ["", "--json"])
def test_results_that_cannot_be_printed_are_an_error_in_words(samples: Path, options: str) -> None:
    done = shell(f"{PROGRAM} contents {samples / 'normal'} {options} > /dev/full")
    assert done.stderr == "The results cannot be printed: No space left on device.\n"
    assert done.returncode == ExitCode.USAGE


def test_a_reader_that_has_gone_ends_the_program_without_a_word(samples: Path) -> None:
    done = shell(f"exec 3> >(:); wait $!; {PROGRAM} contents {samples / 'normal'} --json >&3")
    assert (done.returncode, done.stderr) == (ExitCode.USAGE, "")


def test_a_current_folder_that_is_gone_is_said(samples: Path, tmp_path: Path) -> None:
    gone = tmp_path / "gone"
    study = samples.absolute() / "normal"
    place = Path.cwd()
    done = shell(
        f"mkdir {gone}; cd {gone}; rmdir {gone}; PYTHONPATH={place} {PROGRAM} contents {study}"
    )
    assert "The current folder does not exist any more" in done.stderr
    assert done.returncode == ExitCode.USAGE


def test_a_time_of_the_environment_that_is_none_is_said(
    samples: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "today")
    result = run("contents", samples / "normal")
    assert result.exit_code == ExitCode.USAGE
    assert "SOURCE_DATE_EPOCH is no whole number" in result.output


def test_a_folder_of_results_that_links_to_itself_is_refused(samples: Path, tmp_path: Path) -> None:
    study, loop = samples / "normal", tmp_path / "loop"
    loop.symlink_to(loop)
    result = run("measure", study, "--landmarks", study / "landmarks.json", "--out", loop)
    assert result.exit_code == ExitCode.USAGE
    assert "loop" in result.output

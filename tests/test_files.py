"""Files are written whole or not at all, and nothing of them stays beside what was there."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from meniscal_measure.errors import OutputError
from meniscal_measure.files import csv_text, write_text, written_whole

WRITER = """
import sys
from pathlib import Path
from meniscal_measure.files import written_whole

with written_whole(Path(sys.argv[1])) as stream:
    stream.write(b"half of it")
    stream.flush()
    print("writing", flush=True)
    sys.stdin.read()
"""


def start_writing(path: Path) -> subprocess.Popen[str]:
    """Start a process that writes a file and does not come to its end."""
    writer = subprocess.Popen(
        [sys.executable, "-c", WRITER, str(path)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert writer.stdout is not None
    assert writer.stdout.readline() == "writing\n"
    return writer


@pytest.mark.skipif(os.name == "nt", reason="killed processes are told from others on POSIX only")
def test_what_a_killed_process_left_is_removed_by_the_next_that_writes_there(
    tmp_path: Path,
) -> None:
    (tmp_path / "table.csv").write_text("older", "utf-8")
    writer = start_writing(tmp_path / "table.csv")
    os.kill(writer.pid, signal.SIGKILL)
    writer.communicate()
    assert len(list(tmp_path.iterdir())) == 2  # the kill left a file behind

    write_text(tmp_path / "other.csv", "new")

    assert {path.name for path in tmp_path.iterdir()} == {"table.csv", "other.csv"}
    assert (tmp_path / "table.csv").read_text("utf-8") == "older"


def test_what_a_running_process_is_writing_is_left_alone(tmp_path: Path) -> None:
    writer = start_writing(tmp_path / "table.csv")

    write_text(tmp_path / "other.csv", "new")
    writer.communicate("")

    assert writer.returncode == 0
    assert (tmp_path / "table.csv").read_text("utf-8") == "half of it"
    assert len(list(tmp_path.iterdir())) == 2


@pytest.mark.parametrize("name", [".notes", ".table.csv.part-elsewhere-1", ".part", "x.part-1"])
def test_files_of_others_are_left_alone(tmp_path: Path, name: str) -> None:
    (tmp_path / name).write_text("mine", "utf-8")

    write_text(tmp_path / "table.csv", "new")

    assert (tmp_path / name).read_text("utf-8") == "mine"


def test_a_fault_while_writing_leaves_what_was_there(tmp_path: Path) -> None:
    write_text(tmp_path / "table.csv", "older")

    with pytest.raises(ZeroDivisionError), written_whole(tmp_path / "table.csv") as stream:
        stream.write(b"new" * (1 // 0))

    assert [path.name for path in tmp_path.iterdir()] == ["table.csv"]
    assert (tmp_path / "table.csv").read_text("utf-8") == "older"


def test_what_cannot_be_put_into_place_is_an_error_of_ours_and_leaves_nothing(
    tmp_path: Path,
) -> None:
    (tmp_path / "table.csv").mkdir()

    with pytest.raises(OutputError, match=r"Cannot write .*table\.csv"):
        write_text(tmp_path / "table.csv", "new")

    assert [path.name for path in tmp_path.iterdir()] == ["table.csv"]


def test_no_cell_of_a_table_is_carried_out_by_a_spreadsheet() -> None:
    """Nor the name of a column, which may come from a manifest."""
    assert csv_text(["=1+1", "-x"], [["@x", "'=x"], ["-12.5", -0.3]]) == (
        "'=1+1,'-x\n'@x,''=x\n-12.5,-0.3\n"
    )

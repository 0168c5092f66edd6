"""The files of a reading are the old set or the new one, wherever the writing stops."""

from __future__ import annotations

import itertools
import os
import shutil
import stat
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from meniscal_measure.errors import InputError, OutputError
from meniscal_measure.records import file_set
from meniscal_measure.records.file_set import MANIFEST, check_set, settle, write_set

OLD = {"reading.json": b"old reading", "figure.png": b"old figure", "report.pdf": b"old report"}
NEW = {"reading.json": b"new reading", "figure.png": b"new figure", "report.pdf": b"new report"}

Step = Callable[..., object]


class Killed(BaseException):
    """Stands for the end of the process: nothing of the program runs after it."""


def held(folder: Path) -> dict[str, bytes]:
    """Every file below a folder but its manifest."""
    files = (path for path in folder.rglob("*") if path.is_file() and path.name != MANIFEST)
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in files}


def passes(folder: Path) -> bool:
    """Whether the set passes as whole without anybody settling it."""
    sums = dict(
        line.split("  ")[::-1] for line in (folder / MANIFEST).read_text("utf-8").splitlines()
    )
    return all(file_set._sum((folder / name).read_bytes()) == sums[name] for name in sums)


def kill_at(step: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the process end before the given step at which something changes on the disk."""
    steps = itertools.count()

    def counted(real: Step) -> Step:
        def run(*arguments: object, **options: object) -> object:
            if next(steps) == step:
                raise Killed
            return real(*arguments, **options)

        return run

    for where, name in ((Path, "mkdir"), (Path, "rename"), (Path, "replace"), (Path, "rmdir"),
                        (os, "open"), (os, "fsync"), (shutil, "rmtree")):  # fmt: skip
        monkeypatch.setattr(where, name, counted(getattr(where, name)))


@pytest.mark.parametrize("keep_old", [False, True])
def test_wherever_the_writing_stops_the_old_set_or_the_new_one_is_there(
    tmp_path: Path, keep_old: bool
) -> None:
    for step in itertools.count():
        folder = tmp_path / str(step)
        write_set(folder, OLD)
        with pytest.MonkeyPatch.context() as monkeypatch:
            kill_at(step, monkeypatch)
            try:
                write_set(folder, NEW, keep_old=keep_old)
            except Killed:
                finished = False
            else:
                finished = True
        in_place = {name: (folder / name).read_bytes() for name in OLD}
        assert in_place in (OLD, NEW) or not passes(folder), step
        settle(folder)
        check_set(folder, "reading.json")
        earlier = {f"earlier-1/{name}": content for name, content in OLD.items()}
        assert held(folder) in (OLD, NEW, OLD | earlier, NEW | earlier), step
        assert not [path for path in folder.iterdir() if path.name.startswith(".")]
        if finished:
            break
    assert held(folder) == (NEW | earlier if keep_old else NEW)
    assert step > 10, "steps at which the writing was stopped"


WRITER = """
import sys
from pathlib import Path
from typing import Any
from meniscal_measure.records.file_set import write_set
number = 0
while True:
    number += 1
    contents = {f"{name}.bin": bytes([number % 251]) * 200_000 for name in "abcdefgh"}
    print(number, flush=True)
    write_set(Path(sys.argv[1]), contents)
"""


def test_a_killed_writer_leaves_one_whole_set(tmp_path: Path) -> None:
    for sets in (1, 2, 3, 5, 8):
        command = [sys.executable, "-c", WRITER, str(tmp_path / "out")]
        with subprocess.Popen(command, stdout=subprocess.PIPE) as writer:
            assert writer.stdout is not None
            for _ in range(sets + 1):
                assert writer.stdout.readline()
            writer.kill()
        settle(tmp_path / "out")
        check_set(tmp_path / "out", "a.bin")
        found = held(tmp_path / "out")
        assert len(found) == 8
        assert len(set(found.values())) == 1


def test_a_file_that_does_not_belong_to_its_set_is_refused(tmp_path: Path) -> None:
    write_set(tmp_path, OLD)
    (tmp_path / "figure.png").write_bytes(NEW["figure.png"])
    with pytest.raises(InputError, match=r"figure\.png is not what was written with the other"):
        check_set(tmp_path, "reading.json")


def test_files_taken_out_of_a_set_or_without_a_manifest_are_not_asked_for(tmp_path: Path) -> None:
    write_set(tmp_path, OLD)
    (tmp_path / "report.pdf").unlink()
    check_set(tmp_path, "reading.json")
    (tmp_path / "figure.png").write_bytes(b"another")
    check_set(tmp_path, "notes.json")  # which is not of the set
    (tmp_path / MANIFEST).unlink()
    check_set(tmp_path, "reading.json")


def test_the_manifest_is_one_that_sha256sum_checks(tmp_path: Path) -> None:
    """Outside check: GNU coreutils."""
    write_set(tmp_path, OLD)
    program = shutil.which("sha256sum")
    if program is None:
        pytest.skip("sha256sum is not installed")
    subprocess.run([program, "--check", "--strict", MANIFEST], cwd=tmp_path, check=True)


@pytest.mark.skipif(os.name == "nt", reason="Windows has no permission bits")
def test_only_the_owner_may_read_a_set(tmp_path: Path) -> None:
    write_set(tmp_path / "out", OLD)
    write_set(tmp_path / "out", NEW, keep_old=True)
    for path in (tmp_path / "out").rglob("*"):
        assert stat.S_IMODE(path.stat().st_mode) == (0o700 if path.is_dir() else 0o600), path
    assert stat.S_IMODE((tmp_path / "out").stat().st_mode) == 0o700


def test_nothing_is_left_where_a_file_cannot_be_put_into_place(tmp_path: Path) -> None:
    (tmp_path / "report.pdf").mkdir()
    with pytest.raises(OutputError, match=r"report\.pdf is a folder there.*folder you may write"):
        write_set(tmp_path, NEW)
    assert [path.name for path in tmp_path.iterdir()] == ["report.pdf"]


def test_every_file_is_on_the_disk_before_the_set_is_committed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Or after a power cut a new name might stand over an empty file."""
    done: list[str] = []

    def noted(where: Any, name: str) -> None:
        real = getattr(where, name)

        def run(*arguments: object) -> object:
            done.append(name)
            return real(*arguments)

        monkeypatch.setattr(where, name, run)

    noted(os, "fsync")
    noted(Path, "rename")
    write_set(tmp_path, NEW)
    assert done == ["fsync"] * (len(NEW) + 1) + ["rename"]


def test_every_set_that_is_replaced_is_kept(tmp_path: Path) -> None:
    for number in range(3):
        write_set(tmp_path, {"reading.json": b"%d" % number}, keep_old=number > 0)
    assert held(tmp_path) == {
        "reading.json": b"2", "earlier-1/reading.json": b"0", "earlier-2/reading.json": b"1"
    }  # fmt: skip


def test_an_earlier_set_stays_whole_when_the_disk_is_full(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_set(tmp_path, OLD)
    opened = itertools.count()
    real = os.open

    def full(*arguments: Any, **options: Any) -> int:
        if next(opened) == 2:
            raise OSError(28, "No space left on device")
        return real(*arguments, **options)

    monkeypatch.setattr(os, "open", full)
    with pytest.raises(OutputError, match="No space left on device"):
        write_set(tmp_path, NEW)
    assert held(tmp_path) == OLD

"""Killed, starved, interrupted or started twice, a run loses no knee and doubles none."""

from __future__ import annotations

import json
import os
import random
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path

import pytest

from meniscal_measure.cohort.claim import claimed
from meniscal_measure.cohort.pool import AHEAD
from meniscal_measure.cohort.store import Store
from tests.cohort.stored import counts_of, rows_of

STAND_INS = Path(__file__).parent / "stand_ins"
KNEES = 40
FREE = 8
"""Knees that are measured at once; the others wait while a test holds the run."""
WORKERS = 2

KILLS = int(os.environ.get("COHORT_KILLS", "2"))
"""Kills of each sort. For the whole campaign: COHORT_KILLS=100, two hundred in all."""

SPAN_S = 0.9
"""Within so long a run starts, measures and ends, when nothing else keeps the machine busy."""


@dataclass(frozen=True)
class Cohort:
    """A cohort on disk and its run as a program of its own."""

    folder: Path

    @property
    def store(self) -> Path:
        return self.folder / "cohort.sqlite"

    @property
    def log(self) -> Path:
        return self.folder / "log"

    def start(self, *, workers: int = WORKERS, limit: int | None = None) -> subprocess.Popen[str]:
        arguments = [str(self.store), str(self.folder / "manifest.csv"), str(workers)]
        return subprocess.Popen(
            [sys.executable, str(STAND_INS / "cohort_program.py"), *arguments]
            + ([f"limit={limit}"] if limit else []),
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            start_new_session=True,
        )

    def hold(self) -> None:
        """Let no run come further than a few knees, however slowly this test goes on."""
        (self.folder / "go").unlink()

    def let_go(self) -> None:
        (self.folder / "go").touch()

    def assert_whole(self) -> None:
        """Every knee has one current reading, its own, and none was stored twice."""
        with Store.existing(self.store) as store:
            rows = rows_of(store)
        assert [row["subject"] for row in rows] == [f"S{n:03d}" for n in range(KNEES)]
        assert [row["medial_extrusion_mm"] for row in rows] == [n / 10 for n in range(KNEES)]
        with closing(sqlite3.connect(self.store)) as base:
            (readings, knees) = base.execute(
                "SELECT count (*), count (DISTINCT key) FROM reading WHERE status = 'measured'"
            ).fetchone()
            assert (readings, knees) == (KNEES, KNEES)
            assert base.execute("PRAGMA integrity_check").fetchone() == ("ok",)


@pytest.fixture
def cohort(tmp_path: Path) -> Cohort:
    (tmp_path / "images").mkdir()
    lines = ["subject,path"]
    for number in range(KNEES):
        orders = {"extrusion_mm": number / 10, "seconds": 0.02, "log": str(tmp_path / "log")}
        if number >= FREE:
            orders["until"] = str(tmp_path / "go")
        path = tmp_path / "images" / f"{number}.json"
        path.write_text(json.dumps(orders))
        lines.append(f"S{number:03d},images/{number}.json")
    (tmp_path / "manifest.csv").write_text("\n".join(lines))
    (tmp_path / "go").touch()
    return Cohort(tmp_path)


def wait_for(process: subprocess.Popen[str], done: int) -> None:
    """Read what a run tells until so many knees are done, or it ends."""
    assert process.stdout is not None
    for line in process.stdout:
        if line.strip().isdecimal() and int(line) >= done:
            return


def finished(process: subprocess.Popen[str]) -> str:
    """Let a run end by itself, and give the last it said."""
    out, err = process.communicate(timeout=120)
    assert process.returncode == 0, err
    return out.split()[-1]


def children(pid: int) -> list[int]:
    """Worker processes of a run (Linux); none once it has ended."""
    try:
        found = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
    except OSError:
        return []
    return [
        child
        for child in map(int, found)
        if b"meniscal_measure.cohort.worker" in command_line(child)
    ]


def command_line(pid: int) -> bytes:
    """How a process was started (Linux); empty once it has ended."""
    try:
        return Path(f"/proc/{pid}/cmdline").read_bytes()
    except OSError:
        return b""


def kill_main(process: subprocess.Popen[str], _: random.Random) -> None:
    process.kill()


def kill_a_worker(process: subprocess.Popen[str], chance: random.Random) -> None:
    workers = children(process.pid)
    if workers:
        with suppress(ProcessLookupError):  # it has ended meanwhile
            os.kill(chance.choice(workers), signal.SIGKILL)


@pytest.mark.parametrize("seed", range(KILLS))
@pytest.mark.parametrize("kill", [kill_main, kill_a_worker])
def test_killed_at_any_moment_nothing_is_lost_or_doubled(
    cohort: Cohort, kill: Callable[[subprocess.Popen[str], random.Random], None], seed: int
) -> None:
    chance = random.Random(seed)
    process = cohort.start()
    with suppress(subprocess.TimeoutExpired):
        process.wait(timeout=chance.uniform(0, SPAN_S))
    kill(process, chance)
    process.communicate(timeout=120)
    assert finished(cohort.start()) == "finished"
    cohort.assert_whole()
    # What a worker held is begun once more; nothing that was stored is begun again.
    begun = cohort.log.read_text().splitlines()
    assert len(begun) <= KNEES + WORKERS * AHEAD


def test_workers_end_with_the_main_process(cohort: Cohort) -> None:
    cohort.hold()
    process = cohort.start()
    wait_for(process, 3)
    workers = children(process.pid)
    assert workers
    process.kill()
    process.communicate(timeout=120)  # returns once no worker holds the pipe any more
    assert not any(command_line(worker) for worker in workers)


def test_ctrl_c_stores_what_is_in_work_and_stops(cohort: Cohort) -> None:
    cohort.hold()
    process = cohort.start()
    wait_for(process, 5)
    os.killpg(process.pid, signal.SIGINT)  # as a terminal sends it, workers included
    cohort.let_go()
    assert finished(process) == "stopped"
    begun = len(cohort.log.read_text().splitlines())
    with Store.existing(cohort.store) as store:
        assert counts_of(store)["measured"] == begun < KNEES
    assert finished(cohort.start()) == "finished"
    cohort.assert_whole()
    assert len(cohort.log.read_text().splitlines()) == KNEES


def test_a_second_run_on_the_store_is_refused_and_harms_nothing(cohort: Cohort) -> None:
    with claimed(cohort.store):  # as a first run holds it
        second = cohort.start()
        _, err = second.communicate(timeout=120)
    assert second.returncode == 1
    assert "UsageError: Another run is working on" in err
    assert not cohort.log.exists()
    assert finished(cohort.start()) == "finished"
    cohort.assert_whole()


def test_a_full_disk_is_said_and_the_run_goes_on_once_there_is_room(cohort: Cohort) -> None:
    starved = cohort.start(limit=160_000)
    _, err = starved.communicate(timeout=120)
    assert starved.returncode == 1
    assert "OutputError" in err
    assert "Make room on the disk" in err
    with Store.existing(cohort.store) as store:
        assert 0 < counts_of(store).get("measured", 0) < KNEES
    assert finished(cohort.start()) == "finished"
    cohort.assert_whole()


def test_a_folder_that_may_not_be_written_is_said(cohort: Cohort) -> None:
    command = [sys.executable, str(STAND_INS / "cohort_program.py"), "/proc/none/cohort.sqlite"]
    command += [str(cohort.folder / "manifest.csv"), "1"]
    result = subprocess.run(command, capture_output=True, text=True, check=False)
    assert result.returncode == 1
    assert "OutputError" in result.stderr
    assert "Name a place you may write to" in result.stderr

"""Worker processes: how tasks are handed to them, and what the loss of one costs."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from meniscal_measure.cohort.pool import AHEAD, Pool
from meniscal_measure.cohort.task import Measure, Settings, Status, Task
from tests.cohort.conftest import MakeKnee

MakeTask = Callable[..., Task]


@pytest.fixture
def make_task(make_knee: MakeKnee) -> MakeTask:
    """Write a knee and give the task of measuring it."""
    return lambda subject, **orders: Task(make_knee(subject, **orders), Settings(), b"")


def test_every_worker_has_a_task_before_one_has_another_ahead(
    measure: Measure, make_task: MakeTask, tmp_path: Path
) -> None:
    notes = [tmp_path / "one", tmp_path / "two"]
    tasks = [make_task(note.name, pid=str(note), seconds=0.2) for note in notes]
    with Pool(measure, workers=2) as pool:
        assert len(list(pool.carry_out(iter(tasks)))) == 2
    first, second = (note.read_text("utf-8") for note in notes)
    assert first != second


def test_no_more_tasks_are_taken_than_workers_hold(measure: Measure, make_task: MakeTask) -> None:
    taken = 0

    def tasks() -> Iterator[Task]:
        nonlocal taken
        for number in range(20):
            taken += 1
            yield make_task(f"S{number}")

    with Pool(measure, workers=2) as pool:
        for done, _ in enumerate(pool.carry_out(tasks()), start=1):
            assert taken - done <= 2 * AHEAD


def test_what_a_lost_worker_had_ahead_is_begun_once(
    measure: Measure, make_task: MakeTask, tmp_path: Path
) -> None:
    log = tmp_path / "log"
    tasks = [make_task("deadly", die=True), make_task("next", log=str(log))]
    with Pool(measure, workers=1) as pool:
        outcomes = list(pool.carry_out(iter(tasks)))
    assert [outcome.status for outcome in outcomes] == [Status.CRASHED, Status.MEASURED]
    assert len(log.read_text("utf-8").splitlines()) == 1


def test_a_worker_lost_while_idle_costs_no_task_a_try(
    measure: Measure, make_task: MakeTask, tmp_path: Path
) -> None:
    pid, died = tmp_path / "pid", tmp_path / "died"
    with Pool(measure, workers=1) as pool:
        list(pool.carry_out(iter([make_task("S1", pid=str(pid))])))
        worker = int(pid.read_text("utf-8"))
        os.kill(worker, signal.SIGKILL)
        os.waitid(os.P_PID, worker, os.WEXITED | os.WNOWAIT)
        (outcome,) = pool.carry_out(iter([make_task("unlucky", die_once=str(died))]))
    assert outcome.status is Status.MEASURED


def test_what_a_decoder_prints_does_not_get_among_the_answers(
    measure: Measure, make_task: MakeTask
) -> None:
    with Pool(measure, workers=1) as pool:
        (outcome,) = pool.carry_out(iter([make_task("S1", prints="noise")]))
    assert outcome.status is Status.MEASURED


def test_nothing_is_imported_from_the_working_folder(
    measure: Measure, make_task: MakeTask, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "msgspec.py").write_text("raise SystemExit('not the one meant')")
    monkeypatch.chdir(tmp_path)
    with Pool(measure, workers=1) as pool:
        (outcome,) = pool.carry_out(iter([make_task("S1")]))
    assert outcome.status is Status.MEASURED


def test_workers_end_with_the_pool(measure: Measure, make_task: MakeTask, tmp_path: Path) -> None:
    pid = tmp_path / "pid"
    with Pool(measure, workers=1) as pool:
        list(pool.carry_out(iter([make_task("S1", pid=str(pid))])))
    with pytest.raises(ProcessLookupError):
        os.kill(int(pid.read_text("utf-8")), 0)


def test_nothing_is_loaded_that_is_not_needed_to_measure_at_given_landmarks() -> None:
    """Loading it would take a worker longer than some hundred small knees, and 60 MiB."""
    sample = Path(__file__).parents[2] / "sample_phantoms" / "normal"
    program = f"""
import sys
from pathlib import Path
from meniscal_measure.cohort.entry import Entry
from meniscal_measure.cohort.source_files import stat_fingerprint
from meniscal_measure.cohort.task import Settings, measure_knee
import meniscal_measure.cohort.run
sample = Path({str(sample)!r})
stat_fingerprint(Entry("S1", str(sample)))
print(*sys.modules)
measure_knee(Entry("S1", str(sample)), sample, sample / "landmarks.json", Settings())
print(*sys.modules)
"""
    ran = subprocess.run([sys.executable, "-c", program], capture_output=True, check=True)
    to_plan, to_measure = (set(line.split()) for line in ran.stdout.decode().splitlines())
    assert not to_plan & {"numpy", "pydicom"}
    assert "pydicom" in to_measure
    assert not to_measure & {
        "matplotlib",
        "fontTools",
        "onnxruntime",
        "scipy.optimize",
        "scipy.sparse",
    }

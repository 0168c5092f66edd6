"""The same run on a Dask cluster on this machine."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import dask
import pytest
from distributed import LocalCluster

from meniscal_measure.cohort.cluster import BATCHES_PER_THREAD, LARGEST_BATCH, on_cluster
from meniscal_measure.cohort.entry import Entry
from meniscal_measure.cohort.run import Job, run_cohort
from meniscal_measure.cohort.store import Store
from meniscal_measure.cohort.task import Measure, Settings, Status, Task
from meniscal_measure.errors import UsageError
from tests.cohort.conftest import MakeKnee
from tests.cohort.stored import rows_of

WORKERS = 2


@pytest.fixture(scope="module")
def scheduler(measure: Measure) -> Iterator[str]:
    """Address of a scheduler with two workers that know the stand-in for the measuring."""
    with local_cluster(WORKERS) as cluster:
        yield cluster.scheduler_address


@pytest.fixture
def scheduler_of_its_own(measure: Measure) -> Iterator[str]:
    """Address of a scheduler whose workers a test may kill."""
    with local_cluster(WORKERS) as cluster:
        yield cluster.scheduler_address


pytestmark = pytest.mark.filterwarnings(
    "ignore:Creating scratch directories:UserWarning"  # a loaded machine is no fault
)


def local_cluster(workers: int) -> Any:
    """A cluster on this machine that gives up what two workers were lost on."""
    with dask.config.set({"distributed.scheduler.allowed-failures": 1}):
        return LocalCluster(  # type: ignore[no-untyped-call]
            n_workers=workers,
            threads_per_worker=1,
            host="127.0.0.1",
            dashboard_address="127.0.0.1:0",
        )


def test_a_cluster_gives_the_same_rows(
    scheduler: str, measure: Measure, make_knee: MakeKnee, tmp_path: Path
) -> None:
    store = tmp_path / "cohort.sqlite"
    entries = [make_knee(f"S{number}", extrusion_mm=number / 10) for number in range(20)]
    entries += [make_knee("bad", refuse="no"), make_knee("odd", fault="seven")]
    progress = run_cohort(entries, Job(store), carry_out=on_cluster(scheduler, measure=measure))
    assert progress.counts == {Status.MEASURED: 20, Status.REFUSED: 1, Status.CRASHED: 1}
    with Store.existing(store) as opened:
        rows = rows_of(opened)
    assert [row["medial_extrusion_mm"] for row in rows[:20]] == [n / 10 for n in range(20)]
    assert rows[21]["reason"] == "RuntimeError: seven"


def test_a_knee_that_kills_its_process_costs_neither_worker_nor_other_knees(
    scheduler: str, measure: Measure, make_knee: MakeKnee, tmp_path: Path
) -> None:
    entries = [make_knee(f"S{number}") for number in range(6)]
    entries.insert(2, make_knee("unlucky", die_once=str(tmp_path / "died")))
    entries.insert(4, make_knee("deadly", die=True))
    assert_only_the_deadly_is_lost(scheduler, measure, entries, tmp_path)


def test_a_knee_that_kills_the_worker_itself_costs_only_itself(
    scheduler_of_its_own: str, measure: Measure, make_knee: MakeKnee, tmp_path: Path
) -> None:
    entries = [make_knee(f"S{number}") for number in range(6)]
    entries.insert(2, make_knee("unlucky", die_once=str(tmp_path / "died"), whole_worker=True))
    entries.insert(4, make_knee("deadly", die=True, whole_worker=True))
    reason = assert_only_the_deadly_is_lost(scheduler_of_its_own, measure, entries, tmp_path)
    assert "KilledWorker" in reason


def assert_only_the_deadly_is_lost(
    scheduler: str, measure: Measure, entries: list[Entry], folder: Path
) -> str:
    """Run a cohort and give the reason why its one deadly knee is none of the measured."""
    store = folder / "cohort.sqlite"
    progress = run_cohort(entries, Job(store), carry_out=on_cluster(scheduler, measure=measure))
    assert progress.counts == {Status.MEASURED: len(entries) - 1, Status.CRASHED: 1}
    with Store.existing(store) as opened:
        (row,) = [row for row in rows_of(opened) if row["status"] == "crashed"]
    assert row["subject"] == "deadly"
    return str(row["reason"])


def test_a_knee_that_hangs_is_given_up(
    scheduler: str, measure: Measure, make_knee: MakeKnee, tmp_path: Path
) -> None:
    entries = [make_knee("S1"), make_knee("endless", seconds=3600), make_knee("S2")]
    store = tmp_path / "cohort.sqlite"
    carry_out = on_cluster(scheduler, measure=measure, time_limit_s=8.0)
    progress = run_cohort(entries, Job(store), carry_out=carry_out)
    assert progress.counts == {Status.MEASURED: 2, Status.CRASHED: 1}
    with Store.existing(store) as opened:
        assert "This knee took longer than 8 s" in [row["reason"] for row in rows_of(opened)][1]


def test_a_cluster_without_workers_is_not_waited_for_without_end(
    measure: Measure, make_knee: MakeKnee, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("meniscal_measure.cohort.cluster.WORKERLESS_S", 0.5)
    with local_cluster(0) as cluster:
        nobody = on_cluster(cluster.scheduler_address, measure=measure)
        with pytest.raises(UsageError, match=r"has had no workers for 0\.5 s\. Start some"):
            run_cohort([make_knee("S1")], Job(tmp_path / "cohort.sqlite"), carry_out=nobody)


def test_a_cluster_that_loses_all_workers_is_not_waited_for_without_end(
    measure: Measure, make_knee: MakeKnee, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("meniscal_measure.cohort.cluster.WORKERLESS_S", 2.0)
    with local_cluster(1) as cluster:

        def tasks() -> Iterator[Task]:
            yield Task(make_knee("S1", seconds=3600), Settings(), b"")
            cluster.scale(0)

        with pytest.raises(UsageError, match="run again to go on"):
            list(on_cluster(cluster.scheduler_address, measure=measure)(tasks()))


def test_a_scheduler_that_is_lost_is_said(
    measure: Measure, make_knee: MakeKnee, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("meniscal_measure.cohort.cluster.WORKERLESS_S", 2.0)
    with local_cluster(1) as cluster:

        def tasks() -> Iterator[Task]:
            yield Task(make_knee("S1", seconds=3600), Settings(), b"")
            cluster.close()

        with pytest.raises(UsageError, match="run again to go on"):
            list(on_cluster(cluster.scheduler_address, measure=measure)(tasks()))


def test_client_and_scheduler_hold_only_what_is_in_work(
    scheduler: str, measure: Measure, make_knee: MakeKnee
) -> None:
    entry, taken = make_knee("S1"), 0

    def tasks() -> Iterator[Task]:
        nonlocal taken
        for number in range(1200):
            taken += 1
            yield Task(replace(entry, subject=str(number)), Settings(), b"")

    done = 0
    for _ in on_cluster(scheduler, measure=measure)(tasks()):
        done += 1
        # One batch more than there is room for: outcomes come back as a batch.
        assert taken - done <= LARGEST_BATCH * (BATCHES_PER_THREAD * WORKERS + 1)
    assert done == 1200


def test_images_are_fetched_from_an_url(
    scheduler: str, measure: Measure, make_knee: MakeKnee, tmp_path: Path
) -> None:
    entry = make_knee("S1", extrusion_mm=4.2)
    entries = [
        replace(entry, path=f"file://{entry.path}"),
        replace(entry, subject="S2", path=f"file://{tmp_path}/gone.json"),
        replace(entry, subject="S3", path="nowhere://at/all"),
    ]
    store = tmp_path / "cohort.sqlite"
    run_cohort(entries, Job(store), carry_out=on_cluster(scheduler, measure=measure))
    with Store.existing(store) as opened:
        there, gone, nowhere = rows_of(opened)
    assert there["medial_extrusion_mm"] == 4.2
    assert (gone["status"], nowhere["status"]) == ("refused", "refused")
    assert "cannot be fetched" in gone["reason"]
    assert "cannot be fetched" in nowhere["reason"]


def test_a_scheduler_that_does_not_answer_is_said(
    tmp_path: Path, make_knee: MakeKnee, measure: Measure, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("meniscal_measure.cohort.cluster.CONNECT_S", 0.5)
    elsewhere = on_cluster("tcp://127.0.0.1:1", measure=measure)
    with pytest.raises(UsageError, match=r"No Dask scheduler answers at tcp://127\.0\.0\.1:1"):
        run_cohort([make_knee("S1")], Job(tmp_path / "cohort.sqlite"), carry_out=elsewhere)

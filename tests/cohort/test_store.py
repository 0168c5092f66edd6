"""The store only ever grows, and says why it cannot."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from meniscal_measure.cohort.claim import claimed
from meniscal_measure.cohort.entry import Entry
from meniscal_measure.cohort.manifest import read_manifest
from meniscal_measure.cohort.store import Store
from meniscal_measure.cohort.task import Outcome, Row, Settings, Status, Task
from meniscal_measure.errors import ManifestError, OutputError, UsageError

MakeKnee = Callable[..., Entry]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "cohort.sqlite"


def outcome(entry: Entry, stand_in: Any) -> Outcome:
    settings = Settings()
    task = Task(entry, settings, "glance")
    return Outcome(task, Status.MEASURED, "digest", row=Row.of(stand_in.record(3.2, settings)))


@pytest.mark.parametrize("change", ["UPDATE reading SET status = ''", "DELETE FROM reading"])
def test_readings_can_only_be_added(
    path: Path, make_knee: MakeKnee, stand_in: Any, change: str
) -> None:
    entry = make_knee("S1")
    with Store(path) as store:
        store.enrol([entry])
        store.append(store.begin_run(Settings()), outcome(entry, stand_in))
    base = sqlite3.connect(path)
    with pytest.raises(sqlite3.IntegrityError, match="readings are only ever added"):
        base.execute(change)
    base.close()


def test_a_run_has_one_outcome_for_an_entry(path: Path, make_knee: MakeKnee, stand_in: Any) -> None:
    entry = make_knee("S1")
    with Store(path) as store:
        store.enrol([entry])
        run = store.begin_run(Settings())
        store.append(run, outcome(entry, stand_in))
        with pytest.raises(UsageError, match="UNIQUE constraint failed"):
            store.append(run, outcome(entry, stand_in))


def test_full_records_come_back(path: Path, make_knee: MakeKnee, stand_in: Any) -> None:
    entry = make_knee("S1")
    with Store(path) as store:
        store.enrol([entry])
        store.append(store.begin_run(Settings()), outcome(entry, stand_in))
        ((key, record),) = store.records()
    assert key == entry.key
    assert record == stand_in.record(3.2, Settings())


def test_a_bad_manifest_leaves_the_last_one_in_place(
    path: Path, make_knee: MakeKnee, tmp_path: Path
) -> None:
    bad = tmp_path / "manifest.csv"
    bad.write_text("subject,path\nS2,images\n,images\n")
    with Store(path) as store:
        store.enrol([make_knee("S1")])
        with pytest.raises(ManifestError, match="line 3: no subject"):
            store.enrol(read_manifest(bad))
        assert [row["subject"] for row in store.rows()] == ["S1"]


def test_two_entries_for_one_reading_are_refused(path: Path, make_knee: MakeKnee) -> None:
    with Store(path) as store, pytest.raises(ManifestError, match="number them apart"):
        store.enrol([make_knee("S1"), make_knee("S1")])


def test_settings_of_the_last_run_are_kept(path: Path) -> None:
    with Store(path) as store:
        assert store.last_settings() is None
        store.begin_run(Settings(refine_edges=True))
        settings = store.last_settings()
    assert settings is not None
    assert settings["refine_edges"] is True
    assert settings["conventions"]["threshold_mm"] == 3.0


def test_a_store_that_is_not_there_is_not_made_by_asking(path: Path) -> None:
    with pytest.raises(UsageError, match="There is no store"):
        Store.existing(path)
    assert not path.exists()


def test_a_file_that_is_no_database_is_refused_and_kept(path: Path) -> None:
    path.write_text("my thesis, the only copy " * 100)
    with pytest.raises(UsageError, match="is not a store of readings"):
        Store(path)
    assert path.read_text().startswith("my thesis")


def test_a_database_of_something_else_is_refused(path: Path) -> None:
    base = sqlite3.connect(path)
    base.execute("CREATE TABLE patients (name)")
    base.close()
    with pytest.raises(UsageError, match="database of something else"):
        Store(path)


def test_a_store_of_another_version_is_refused(path: Path) -> None:
    Store(path).close()
    base = sqlite3.connect(path)
    base.execute("PRAGMA user_version = 99")
    base.close()
    with pytest.raises(UsageError, match="written by another version"):
        Store(path)


def test_a_folder_that_cannot_be_made_is_said(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(OutputError, match="cannot be made"):
        Store(tmp_path / "file" / "cohort.sqlite")


def test_one_run_at_a_time(path: Path) -> None:
    second = claimed(path)
    with claimed(path), pytest.raises(UsageError, match="Another run is working on"):
        second.__enter__()
    with claimed(path):
        pass


def test_readers_are_not_kept_out_by_a_claim(path: Path, make_knee: MakeKnee) -> None:
    with claimed(path), Store(path) as store:
        store.enrol([make_knee("S1")])
        with Store.existing(path) as reader:
            assert reader.counts() == {"waiting": 1}

"""The store only ever grows, and says why it cannot."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import fsspec  # type: ignore[import-untyped]
import pytest

from meniscal_measure.cohort.claim import claimed
from meniscal_measure.cohort.entry import Entry
from meniscal_measure.cohort.manifest import Manifest
from meniscal_measure.cohort.run import Job, Progress, run_cohort
from meniscal_measure.cohort.source_files import stat_fingerprint
from meniscal_measure.cohort.store import Store
from meniscal_measure.cohort.task import Measure, Outcome, Row, Settings, Status, Task, carry_out
from meniscal_measure.errors import ManifestError, OutputError, UsageError
from tests.cohort.conftest import MakeKnee
from tests.cohort.stored import counts_of, records_of, rows_of


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "cohort.sqlite"


def outcome(entry: Entry, stand_in: Any) -> Outcome:
    settings = Settings()
    fingerprint = stat_fingerprint(entry)
    assert fingerprint is not None
    task = Task(entry, settings, fingerprint)
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
        (record,) = records_of(store)
    assert record == stand_in.record(3.2, Settings())


def test_a_bad_manifest_leaves_the_last_one_in_place(
    path: Path, make_knee: MakeKnee, tmp_path: Path
) -> None:
    bad = tmp_path / "manifest.csv"
    bad.write_text("subject,path\nS2,images\n,images\n")
    with Store(path) as store:
        store.enrol([make_knee("S1")])
        with pytest.raises(ManifestError, match="line 3: no subject"):
            store.enrol(Manifest(bad))
        assert [row["subject"] for row in rows_of(store)] == ["S1"]


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
    with pytest.raises(OutputError, match="cannot be used: file is not a database"):
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
            assert counts_of(reader) == {"waiting": 1}


# Several manifests, and files that are exchanged or changed


@pytest.fixture
def run(path: Path, measure: Measure) -> Callable[..., Progress]:
    """Run a cohort in this process."""

    def run(entries: list[Entry], **job: Any) -> Progress:
        return run_cohort(
            entries,
            Job(path, **job),
            carry_out=lambda tasks: (carry_out(task, measure) for task in tasks),
        )

    return run


def states(path: Path) -> dict[str, tuple[str, float | None]]:
    with Store.existing(path) as store:
        return {r["subject"]: (r["status"], r["medial_extrusion_mm"]) for r in rows_of(store)}


def test_exchanged_paths_are_waiting_and_never_show_the_others_value(
    path: Path, make_knee: MakeKnee, run: Callable[..., Progress]
) -> None:
    one, two = make_knee("S1", extrusion_mm=1.0), make_knee("S2", extrusion_mm=5.0)
    run([one, two])
    swapped = [replace(one, path=two.path), replace(two, path=one.path)]
    with Store(path) as store:
        store.enrol(swapped)
    assert states(path) == {"S1": ("waiting", None), "S2": ("waiting", None)}
    run(swapped)
    assert states(path) == {"S1": ("measured", 5.0), "S2": ("measured", 1.0)}
    back = run([one, two])
    assert (back.already_done, states(path)["S1"]) == (2, ("measured", 1.0))


def test_a_changed_file_is_waiting_as_soon_as_a_run_has_looked(
    path: Path, make_knee: MakeKnee, run: Callable[..., Progress]
) -> None:
    entry = make_knee("S1", extrusion_mm=1.0)
    run([entry])
    make_knee("S1", extrusion_mm=4.25)
    with Store(path) as store:
        store.enrol([entry])
    assert states(path) == {"S1": ("waiting", None)}


def test_a_changed_file_is_waiting_though_the_manifest_is_the_same(
    path: Path, make_knee: MakeKnee, run: Callable[..., Progress], tmp_path: Path
) -> None:
    given = tmp_path / "manifest.csv"
    one, two = make_knee("S1", extrusion_mm=1.0), make_knee("S2", extrusion_mm=2.0)
    given.write_text(f"subject,path\nS1,{one.path}\nS2,{two.path}\n")
    run(Manifest(given))
    make_knee("S1", extrusion_mm=4.25)
    with Store(path) as store:
        store.enrol(Manifest(given))
    assert states(path) == {"S1": ("waiting", None), "S2": ("measured", 2.0)}


def test_the_outcome_of_files_that_changed_meanwhile_is_not_the_current_one(
    path: Path, make_knee: MakeKnee, measure: Measure
) -> None:
    entry = make_knee("S1", extrusion_mm=1.0)
    with Store(path) as store:
        store.enrol([entry])
        number = store.begin_run(Settings())
        (task,) = store.due(Settings(), retry_refused=False)
        late = carry_out(task, measure)
        make_knee("S1", extrusion_mm=4.25)
        store.enrol([entry])
        store.append(number, late)
    assert states(path) == {"S1": ("waiting", None)}


def test_changed_content_behind_a_url_is_noticed(
    path: Path, make_knee: MakeKnee, run: Callable[..., Progress]
) -> None:
    files = fsspec.filesystem("memory")
    knee = make_knee("S1", extrusion_mm=1.0)
    files.pipe("/knees/S1.json", Path(knee.path).read_bytes())
    entry = replace(knee, path="memory://knees/S1.json")
    run([entry])
    assert run([entry]).already_done == 1
    files.pipe("/knees/S1.json", Path(make_knee("S1", extrusion_mm=4.0).path).read_bytes())
    assert run([entry]).counts == {Status.MEASURED: 1}
    assert states(path) == {"S1": ("measured", 4.0)}
    files.rm("/knees", recursive=True)


def test_a_second_manifest_adds_and_says_what_stays(
    path: Path, make_knee: MakeKnee, run: Callable[..., Progress]
) -> None:
    one, two = make_knee("S1"), make_knee("S2")
    run([one, two])
    added = run([two, make_knee("S3")])
    assert (added.total, added.already_done, added.enrolled.kept, added.enrolled.left_out) == (
        3,
        2,
        1,
        0,
    )
    assert list(states(path)) == ["S1", "S2", "S3"]


def test_a_second_manifest_that_replaces_says_what_it_leaves_out(
    path: Path, make_knee: MakeKnee, run: Callable[..., Progress]
) -> None:
    run([make_knee("S1"), make_knee("S2")])
    alone = run([make_knee("S2"), make_knee("S3")], replace=True)
    assert (alone.total, alone.enrolled.kept, alone.enrolled.left_out) == (2, 0, 1)
    assert list(states(path)) == ["S2", "S3"]


def test_a_second_manifest_must_not_give_the_images_to_somebody_else(
    path: Path, make_knee: MakeKnee, run: Callable[..., Progress]
) -> None:
    entry = make_knee("S1")
    run([entry])
    with pytest.raises(ManifestError, match="subject Other visit 1: as subject S1 visit 1 before"):
        run([replace(entry, subject="Other")])
    assert list(states(path)) == ["S1"]


def test_files_that_are_not_there_are_listed_before_anything_is_measured(
    path: Path, make_knee: MakeKnee, run: Callable[..., Progress], tmp_path: Path
) -> None:
    entries = [make_knee("S1"), replace(make_knee("S2"), path=str(tmp_path / "none"))]
    with pytest.raises(ManifestError, match=r"(?s)1 entries name files.*S2, 1: the images .*none"):
        run(entries)
    with Store.existing(path) as store:
        assert counts_of(store) == {}


def test_the_same_manifest_is_not_parsed_again(
    path: Path, make_knee: MakeKnee, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    knee = make_knee("S1")
    given = tmp_path / "manifest.csv"
    given.write_text(f"subject,path\nS1,{knee.path}\n")
    with Store(path) as store:
        store.enrol(Manifest(given))
        monkeypatch.setattr(Manifest, "__iter__", None)
        assert store.enrol(Manifest(given)).total == 1
        given.write_text(f"subject,path\nS2,{knee.path}\n")
        with pytest.raises(TypeError):
            store.enrol(Manifest(given))

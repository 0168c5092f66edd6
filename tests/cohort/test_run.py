"""A run measures what is due, once; what goes wrong is a row with a reason."""

from __future__ import annotations

import json
import os
import sqlite3
import zlib
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from meniscal_measure.caliper.reading import AxisConvention, Conventions
from meniscal_measure.cohort import source_files
from meniscal_measure.cohort.entry import Entry
from meniscal_measure.cohort.run import Job, Progress, on_this_machine, run_cohort
from meniscal_measure.cohort.store import Store
from meniscal_measure.cohort.task import Measure, Settings, Status, carry_out
from meniscal_measure.errors import OutputError
from tests.cohort.conftest import MakeKnee, rows
from tests.cohort.stored import counts_of

Run = Callable[..., Progress]


@pytest.fixture
def store(tmp_path: Path) -> Path:
    return tmp_path / "cohort.sqlite"


@pytest.fixture
def run(store: Path, measure: Measure) -> Run:
    """Run a cohort in this process with the stand-in for the measuring."""

    def run(entries: list[Entry], **job: Any) -> Progress:
        return run_cohort(
            entries,
            Job(store, **job),
            carry_out=lambda tasks: (carry_out(task, measure) for task in tasks),
        )

    return run


def readings(store: Path) -> int:
    """Number of outcomes ever stored."""
    with Store.existing(store) as opened:
        return int(opened._ask("SELECT count (*) FROM reading"))


def test_every_entry_becomes_a_row_in_the_order_of_the_manifest(
    run: Run, store: Path, make_knee: MakeKnee
) -> None:
    progress = run([make_knee("S2", extrusion_mm=3.4), make_knee("S1", extrusion_mm=1.1)])
    assert (progress.done, progress.failures, progress.stopped) == (2, 0, False)
    found = [
        (row["subject"], row["status"], row["medial_extrusion_mm"], row["medial_flag"])
        for row in rows(store)
    ]
    assert found == [("S2", "measured", 3.4, 1), ("S1", "measured", 1.1, 0)]


def test_failures_are_rows_with_a_reason(run: Run, store: Path, make_knee: MakeKnee) -> None:
    progress = run(
        [
            make_knee("good"),
            make_knee("bad", refuse="PixelData is cut short."),
            make_knee("odd", fault="seven"),
            replace(make_knee("out"), exclude="metal implant"),
        ]
    )
    assert progress.failures == 2
    assert [(row["subject"], row["status"], row["reason"]) for row in rows(store)] == [
        ("good", "measured", ""),
        ("bad", "refused", "PixelData is cut short."),
        ("odd", "crashed", "RuntimeError: seven"),
        ("out", "excluded", "metal implant"),
    ]


def test_the_reason_of_a_crash_names_no_folder(
    run: Run, store: Path, make_knee: MakeKnee, tmp_path: Path
) -> None:
    """Folders may carry a patient's name; what other libraries say of a file is not ours."""
    plain = make_knee("S1")
    images = Path(plain.path)
    run([make_knee("S1", fault=f"lost {images}, {images}/SURNAME GIVEN/1.dcm")])
    (row,) = rows(store)
    assert row["status"] == "crashed"
    assert row["reason"] == "RuntimeError: lost images, images/1.dcm"


def test_running_again_measures_nothing_again(run: Run, store: Path, make_knee: MakeKnee) -> None:
    entries = [make_knee("S1"), make_knee("S2", refuse="no")]
    run(entries)
    again = run(entries)
    assert (again.already_done, again.counts.total()) == (2, 0)
    assert readings(store) == 2


def test_what_crashed_is_tried_again_what_was_refused_only_when_asked(
    run: Run, make_knee: MakeKnee
) -> None:
    entries = [make_knee("S1", refuse="no"), make_knee("S2", fault="x")]
    run(entries)
    assert run(entries).counts == {Status.CRASHED: 1}
    assert run(entries, retry_refused=True).counts == {Status.REFUSED: 1, Status.CRASHED: 1}


def test_a_changed_file_is_measured_again_and_the_old_reading_kept(
    run: Run, store: Path, make_knee: MakeKnee
) -> None:
    run([make_knee("S1", extrusion_mm=2.0), make_knee("S2")])
    progress = run([make_knee("S1", extrusion_mm=4.0), make_knee("S2")])
    assert progress.counts[Status.MEASURED] == 1
    assert rows(store)[0]["medial_extrusion_mm"] == 4.0
    assert readings(store) >= 3


def test_a_touched_file_with_the_same_bytes_is_not_measured_again(
    run: Run, store: Path, make_knee: MakeKnee, tmp_path: Path
) -> None:
    log = tmp_path / "log"
    entry = make_knee("S1", log=str(log))
    run([entry])
    os.utime(entry.path, ns=(1, 1))
    assert run([entry]).counts == {Status.UNCHANGED: 1}
    assert run([entry]).already_done == 1
    assert len(log.read_text().splitlines()) == 1
    assert (rows(store)[0]["status"], rows(store)[0]["medial_extrusion_mm"]) == ("measured", 2.5)


def test_images_moved_elsewhere_are_recognised_by_their_bytes(
    run: Run, make_knee: MakeKnee, tmp_path: Path
) -> None:
    entry = make_knee("S1")
    run([entry])
    moved = Path(entry.path).rename(tmp_path / "elsewhere.json")
    assert run([replace(entry, path=str(moved))]).counts == {Status.UNCHANGED: 1}


def test_changed_landmarks_re_measure_only_their_knee(
    run: Run, make_knee: MakeKnee, tmp_path: Path
) -> None:
    landmarks = tmp_path / "landmarks.json"
    landmarks.write_text("1")
    entries = [replace(make_knee("S1"), landmarks=str(landmarks)), make_knee("S2")]
    run(entries)
    landmarks.write_text("22")
    assert run(entries).counts == {Status.MEASURED: 1}


def test_changed_settings_are_never_mixed_with_the_old(
    run: Run, store: Path, make_knee: MakeKnee
) -> None:
    entries = [make_knee("S1", extrusion_mm=2.5), make_knee("S2", extrusion_mm=2.5)]
    lower = Settings(Conventions(threshold_mm=2.0))
    run(entries)
    run(entries, settings=lower)
    assert [row["medial_flag"] for row in rows(store)] == [1, 1]
    back = run(entries)
    assert (back.already_done, [row["medial_flag"] for row in rows(store)]) == (2, [0, 0])


def edited(packed: bytes, old: bytes, new: bytes) -> bytes:
    record = zlib.decompress(packed)
    assert old in record
    return zlib.compress(record.replace(old, new))


@pytest.mark.parametrize(
    "damage",
    [
        lambda _: b"",
        lambda _: b"nothing packed",
        lambda _: zlib.compress(b"[1]"),
        lambda packed: edited(packed, b'"verified": false', b'"verified": 1e999'),
        lambda packed: edited(packed, b'"u_mm": ', b'"u_mm": -'),
    ],
)
def test_a_damaged_record_is_measured_again_for_another_threshold(
    run: Run, store: Path, make_knee: MakeKnee, damage: Callable[[bytes], bytes]
) -> None:
    entries = [make_knee("S1", extrusion_mm=2.5)]
    run(entries)
    with closing(sqlite3.connect(store)) as base, base:
        for (name,) in [*base.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'")]:
            base.execute(f"DROP TRIGGER {name}")
        (packed,) = base.execute("SELECT record FROM document").fetchone()
        base.execute("UPDATE document SET record = ?", (damage(packed),))
    progress = run(entries, settings=Settings(Conventions(threshold_mm=2.0)))
    assert progress.counts == {Status.MEASURED: 1}
    assert rows(store)[0]["medial_flag"] == 1


def test_a_store_that_lost_its_settings_is_said_to_be_damaged(
    run: Run, store: Path, make_knee: MakeKnee
) -> None:
    run([make_knee("S1")])
    with (
        Store.existing(store) as opened,
        pytest.raises(OutputError, match="table of settings is damaged"),
    ):
        next(opened.due(Settings(refine_edges=True), retry_refused=False))


def test_another_threshold_only_applies_the_rule_again(
    run: Run, store: Path, make_knee: MakeKnee, tmp_path: Path
) -> None:
    log = str(tmp_path / "log")
    entries = [make_knee("S1", extrusion_mm=2.5, log=log), make_knee("S2", refuse="no", log=log)]
    run(entries)
    progress = run(entries, settings=Settings(Conventions(threshold_mm=2.0)))
    assert progress.counts == {Status.DECIDED: 1, Status.REFUSED: 1}
    assert len(Path(log).read_text().splitlines()) == 2
    decided, refused = rows(store)
    assert (decided["status"], decided["threshold_mm"]) == ("measured", 2.0)
    assert (decided["medial_flag"], decided["medial_extrusion_mm"]) == (1, 2.5)
    assert (refused["status"], refused["reason"]) == ("refused", "no")


@pytest.mark.parametrize(
    "settings",
    [Settings(refine_edges=True), Settings(Conventions(axis=AxisConvention.IMAGE_VERTICAL))],
)
def test_settings_that_change_measured_values_measure_again(
    run: Run, make_knee: MakeKnee, settings: Settings
) -> None:
    entries = [make_knee("S1"), make_knee("S2")]
    run(entries)
    assert run(entries, settings=settings).counts == {Status.MEASURED: 2}


def test_new_networks_measure_again_only_what_they_propose(
    run: Run, make_knee: MakeKnee, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    landmarks = tmp_path / "placed.json"
    landmarks.write_text("{}")
    log = tmp_path / "log"
    proposed = make_knee("S1", log=str(log))
    entries = [proposed, replace(make_knee("S2", log=str(log)), landmarks=str(landmarks))]
    assert run(entries).counts == {Status.MEASURED: 2}
    monkeypatch.setattr(source_files, "checksums", lambda: "others")
    again = run(entries)
    assert (again.already_done, again.counts) == (1, {Status.MEASURED: 1})
    lower = Settings(Conventions(threshold_mm=2.0))
    assert run(entries, settings=lower).counts == {Status.DECIDED: 2}
    assert len(log.read_text().splitlines()) == 3


def test_another_threshold_measures_again_what_was_touched_or_crashed(
    run: Run, store: Path, make_knee: MakeKnee
) -> None:
    run([make_knee("S1", extrusion_mm=2.5), make_knee("S2", fault="x")])
    entries = [make_knee("S1", extrusion_mm=2.75), make_knee("S2")]
    progress = run(entries, settings=Settings(Conventions(threshold_mm=2.0)))
    assert progress.counts == {Status.MEASURED: 2}
    assert [row["medial_extrusion_mm"] for row in rows(store)] == [2.75, 2.5]


def test_refused_is_measured_again_when_asked_whatever_the_threshold(
    run: Run, make_knee: MakeKnee
) -> None:
    entries = [make_knee("S1", refuse="no")]
    run(entries)
    lower = Settings(Conventions(threshold_mm=2.0))
    assert run(entries, settings=lower, retry_refused=True).counts == {Status.REFUSED: 1}


def test_what_is_not_done_yet_is_said_to_be_waiting(
    run: Run, store: Path, make_knee: MakeKnee
) -> None:
    entries = [make_knee("S1"), make_knee("S2")]
    run(entries[:1])
    with Store.existing(store) as opened:
        opened.enrol(entries)
        assert counts_of(opened) == {"measured": 1, "waiting": 1}


def test_a_knee_that_kills_its_worker_costs_only_itself(
    store: Path, measure: Measure, make_knee: MakeKnee, tmp_path: Path
) -> None:
    entries = [
        make_knee("S1"),
        make_knee("deadly", die=True),
        make_knee("unlucky", die_once=str(tmp_path / "died")),
        make_knee("S4"),
    ]
    progress = run_cohort(
        entries, Job(store), carry_out=on_this_machine(workers=1, measure=measure)
    )
    assert progress.counts == {Status.MEASURED: 3, Status.CRASHED: 1}
    assert "lost 2 times on this knee" in rows(store)[1]["reason"]


def test_a_knee_that_hangs_is_given_up_with_a_reason(
    store: Path, measure: Measure, make_knee: MakeKnee
) -> None:
    entries = [make_knee("S1"), make_knee("endless", seconds=3600), make_knee("S2")]
    carry_out = on_this_machine(workers=1, measure=measure, time_limit_s=8.0)
    progress = run_cohort(entries, Job(store), carry_out=carry_out)
    assert progress.counts == {Status.MEASURED: 2, Status.CRASHED: 1}
    assert "This knee took longer than 8 s" in rows(store)[1]["reason"]


def test_one_corrupt_file_among_a_thousand_is_one_row(
    run: Run, store: Path, make_knee: MakeKnee
) -> None:
    entries = [make_knee(f"S{number:04d}") for number in range(1000)]
    Path(entries[777].path).write_bytes(b"\x00\xff not what it was")
    progress = run(entries)
    assert progress.counts == {Status.MEASURED: 999, Status.CRASHED: 1}
    failed = [row["subject"] for row in rows(store) if row["status"] != "measured"]
    assert failed == ["S0777"]


def test_progress_is_shown_with_an_estimate(
    store: Path, measure: Measure, make_knee: MakeKnee
) -> None:
    seen: list[tuple[int, int, int, bool]] = []

    def watch(progress: Progress) -> None:
        known = progress.seconds_left is not None
        seen.append((progress.done, progress.total, progress.failures, known))

    entries = [make_knee("S1"), make_knee("S2", refuse="no")]
    run_cohort(
        entries, Job(store), carry_out=on_this_machine(workers=1, measure=measure), watch=watch
    )
    assert seen == [(0, 2, 0, False), (1, 2, 0, True), (2, 2, 1, True)]


def test_several_workers_do_each_entry_once(
    store: Path, measure: Measure, make_knee: MakeKnee, tmp_path: Path
) -> None:
    log = tmp_path / "log"
    entries = [make_knee(f"S{number}", log=str(log)) for number in range(30)]
    run_cohort(entries, Job(store), carry_out=on_this_machine(workers=3, measure=measure))
    keys = [json.loads(line)[0] for line in log.read_text().splitlines()]
    assert sorted(keys) == sorted(entry.subject for entry in entries)

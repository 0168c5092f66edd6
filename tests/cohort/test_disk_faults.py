"""Damaged images, a full disk and places that may not be written, on files as they really are."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from meniscal_measure.cohort.entry import Entry
from meniscal_measure.cohort.run import Job, on_this_machine, run_cohort
from meniscal_measure.cohort.store import Store
from meniscal_measure.cohort.table_export import (
    export_csv,
    export_description,
    export_table,
)
from meniscal_measure.cohort.task import Measure, Status
from meniscal_measure.errors import OutputError
from tests.cohort.conftest import MakeKnee, rows

SERIES = int(os.environ.get("COHORT_SERIES", "6"))
"""DICOM series of which one is damaged. For the whole campaign: COHORT_SERIES=1000."""

KNEES = 60


@dataclass(frozen=True)
class Disk:
    """A small file system of its own."""

    path: Path

    def remount(self, options: str) -> None:
        mount("-o", f"remount,{options}", str(self.path))


def mount(*arguments: str) -> None:
    subprocess.run(["mount", *arguments], check=True, capture_output=True)


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Disk]:
    path = tmp_path / "disk"
    path.mkdir()
    try:
        mount("-t", "tmpfs", "-o", "size=260k", "none", str(path))
    except (OSError, subprocess.CalledProcessError):
        pytest.skip("mounting a small disk needs the right to mount (Linux)")
    yield Disk(path)
    subprocess.run(["umount", str(path)], check=True)


def test_one_damaged_series_among_many_costs_only_itself(samples: Path, tmp_path: Path) -> None:
    entries = list(linked(samples / "normal", tmp_path, SERIES))
    damaged = SERIES // 2
    (slice_path,) = measured_slice(Path(entries[damaged].path), Path(entries[damaged].landmarks))
    whole = slice_path.read_bytes()
    slice_path.unlink()  # the link, not the file that all share
    slice_path.write_bytes(whole[: len(whole) // 2])
    store = tmp_path / "cohort.sqlite"
    progress = run_cohort(entries, Job(store), carry_out=on_this_machine())
    assert progress.counts == {Status.MEASURED: SERIES - 1, Status.REFUSED: 1}
    found = rows(store)
    refused = found.pop(damaged)
    assert refused["subject"] == entries[damaged].subject
    assert "not among the usable images" in refused["reason"]
    assert len({(row["status"], row["medial_extrusion_mm"]) for row in found}) == 1


def linked(study: Path, folder: Path, count: int) -> Iterator[Entry]:
    """Link the images of a study into many folders, so that the disk suffices."""
    base = Path(shutil.copytree(study, folder / "base"))
    for number in range(count):
        images = folder / f"knee-{number:04d}"
        images.mkdir()
        for image in (base / "series-1").iterdir():
            os.link(image, images / image.name)
        landmarks = str(base / "landmarks.json")
        yield Entry(subject=f"S{number:04d}", path=str(images), landmarks=landmarks)


def measured_slice(images: Path, landmarks: Path) -> list[Path]:
    """Find the file of the slice that landmarks are measured on."""
    uid = json.loads(landmarks.read_text("utf-8"))["slices"][0]["slice"]["sop_instance_uid"]
    return [path for path in images.iterdir() if uid.encode() in path.read_bytes()]


def test_a_full_disk_loses_nothing_that_was_stored(
    disk: Disk, measure: Measure, make_knee: MakeKnee
) -> None:
    entries = [make_knee(f"S{number:02d}", extrusion_mm=number / 10) for number in range(KNEES)]
    store, here = disk.path / "cohort.sqlite", on_this_machine(workers=2, measure=measure)
    with pytest.raises(OutputError, match=r"disk is full.*\. Make room on the disk"):
        run_cohort(entries, Job(store), carry_out=here)
    disk.remount("size=8m")
    measured = sum(row["status"] == "measured" for row in rows(store))
    assert 0 < measured < KNEES
    progress = run_cohort(entries, Job(store), carry_out=here)
    assert (progress.already_done, progress.done) == (measured, KNEES)
    assert [row["medial_extrusion_mm"] for row in rows(store)] == [n / 10 for n in range(KNEES)]


def test_a_store_that_may_only_be_read_is_exported_and_not_written(
    disk: Disk, measure: Measure, make_knee: MakeKnee, tmp_path: Path
) -> None:
    disk.remount("size=8m")
    store, entries = disk.path / "cohort.sqlite", [make_knee("S1", extrusion_mm=3.5)]
    here = on_this_machine(workers=1, measure=measure)
    run_cohort(entries, Job(store), carry_out=here)
    disk.remount("ro")
    with Store.existing(store) as opened:
        export_csv(opened, export_table(opened), tmp_path / "readings.csv")
    assert "3.5" in (tmp_path / "readings.csv").read_text("utf-8")
    with pytest.raises(OutputError, match="Name a place you may write to"):
        run_cohort(entries, Job(store), carry_out=here)


def test_an_export_into_a_place_that_may_not_be_written_is_said(disk: Disk) -> None:
    disk.remount("ro")
    with pytest.raises(
        OutputError, match=r"Read-only file system\. Name a folder you may write to"
    ):
        export_description([], disk.path / "datapackage.json")

"""A manifest proposed from a folder: subjects numbered, visits by date, doubts said."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pydicom
import pytest

from meniscal_measure.cohort.discover import propose_manifest
from meniscal_measure.errors import UsageError

Place = Callable[..., Path]


@pytest.fixture
def place(samples: Path, tmp_path: Path) -> Place:
    """Put an examination into the folder, two slices of it, with the attributes given."""

    def place(name: str, *, into: str = "", **attributes: str) -> Path:
        images = sorted((samples / "normal").rglob("*.dcm"))[:2]
        folder = tmp_path / "archive" / (into or name)
        folder.mkdir(parents=True, exist_ok=True)
        for image in images:
            dataset = pydicom.dcmread(image)
            dataset.StudyInstanceUID = f"2.25.{sum(map(ord, name))}"
            dataset.SeriesInstanceUID = f"{dataset.StudyInstanceUID}.1"
            for keyword, value in attributes.items():
                setattr(dataset, keyword, value)
            dataset.save_as(folder / f"{name}-{image.name}")
        return folder

    return place


def test_visits_of_a_patient_are_numbered_by_date_and_the_patient_not_named(
    place: Place, tmp_path: Path
) -> None:
    place("later", PatientID="Miller-1", StudyDate="20250301")
    place("earlier", PatientID="Miller-1", StudyDate="20240301")
    place("other", PatientID="Adams-7", StudyDate="20240501")
    entries = propose_manifest(tmp_path / "archive").entries
    found = [(entry.subject, entry.visit, Path(entry.path).name) for entry in entries]
    assert found == [
        ("S00001", "1", "other"), ("S00002", "1", "earlier"), ("S00002", "2", "later"),
    ]  # fmt: skip
    assert all(entry.side is not None for entry in entries)


def test_zip_archives_are_examinations_too(place: Place, tmp_path: Path) -> None:
    folder = place("one", PatientID="A", StudyDate="20240301")
    shutil.make_archive(str(tmp_path / "archive" / "packed"), "zip", folder)
    shutil.rmtree(folder)
    (entry,) = propose_manifest(tmp_path / "archive").entries
    assert entry.path.endswith("packed.zip")


def test_what_cannot_be_placed_is_said(place: Place, tmp_path: Path) -> None:
    place("nameless", PatientID="", StudyDate="")
    place("first", into="shared", PatientID="A", StudyDate="20240301")
    place("second", into="shared", PatientID="A", StudyDate="20240301")
    (tmp_path / "archive" / "broken.zip").write_bytes(b"PK\x03\x04 cut")
    remarks = "\n".join(propose_manifest(tmp_path / "archive").remarks)
    assert "no Patient ID; taken for a subject of its own" in remarks
    assert "no Study Date; the number of its visit means nothing" in remarks
    assert "shared: excluded, its folder holds other examinations too" in remarks
    assert "broken.zip: " in remarks
    assert "is a damaged zip archive" in remarks


def test_an_examination_lost_to_unusable_files_is_said(place: Place, tmp_path: Path) -> None:
    lost = place("early", into="P1/visit-1", PatientID="A", StudyDate="20240301")
    place("late", into="P1/visit-2", PatientID="A", StudyDate="20250301")
    for file in lost.iterdir():
        dataset = pydicom.dcmread(file)
        del dataset.PixelSpacing
        dataset.save_as(file)
    (remark,) = propose_manifest(tmp_path / "archive").remarks
    assert "P1: 2 of its files could not be used" in remark
    assert "an examination may be missing and the number of a visit be wrong" in remark
    assert "PixelSpacing is missing" in remark


def test_examinations_in_folders_within_are_told_apart(place: Place, tmp_path: Path) -> None:
    place("early", into="P1/visit-1", PatientID="A", StudyDate="20240301")
    place("late", into="P1/visit-2", PatientID="A", StudyDate="20250301")
    found = [
        (entry.visit, Path(entry.path).relative_to(tmp_path / "archive").as_posix(), entry.exclude)
        for entry in propose_manifest(tmp_path / "archive").entries
    ]
    assert found == [("1", "P1/visit-1", ""), ("2", "P1/visit-2", "")]


def test_a_folder_of_several_patients_is_a_group(place: Place, tmp_path: Path) -> None:
    place("one", into="tears/P1", PatientID="A", StudyDate="20240301")
    place("two", into="tears/P2", PatientID="B", StudyDate="20250301")
    place("three", into="P3", PatientID="C", StudyDate="20250301")
    entries = propose_manifest(tmp_path / "archive").entries
    assert [entry.group for entry in entries] == ["tears", "tears", ""]
    assert [Path(entry.path).name for entry in entries] == ["P1", "P2", "P3"]


def test_examinations_that_nothing_parts_are_excluded(place: Place, tmp_path: Path) -> None:
    place("first", into="shared", PatientID="A", StudyDate="20240301")
    place("second", into="shared/within", PatientID="A", StudyDate="20250301")
    entries = propose_manifest(tmp_path / "archive").entries
    assert [Path(entry.path).name for entry in entries] == ["shared", "within"]
    assert entries[0].exclude.startswith("its folder holds other examinations too")
    assert entries[1].exclude == ""


def test_progress_is_reported_for_each_examination(place: Place, tmp_path: Path) -> None:
    for name in ("one", "two"):
        place(name, PatientID=name, StudyDate="20240301")
    reported: list[tuple[int, int]] = []
    propose_manifest(
        tmp_path / "archive", progress=lambda done, total: reported.append((done, total))
    )
    assert reported == [(1, 2), (2, 2)]


def test_a_single_archive_is_one_examination(place: Place, tmp_path: Path) -> None:
    folder = place("one", PatientID="A", StudyDate="20240301")
    shutil.make_archive(str(tmp_path / "packed"), "zip", folder)
    (entry,) = propose_manifest(tmp_path / "packed.zip").entries
    assert entry.path == str(tmp_path / "packed.zip")


def test_a_folder_that_is_not_there_is_said(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="cannot be read: No such file or directory"):
        propose_manifest(tmp_path / "none")

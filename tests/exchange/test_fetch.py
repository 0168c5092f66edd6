"""Only the images that were asked for are measured, whatever lies in the folder or is sent."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import pydicom
import pytest
from pydicom.dataset import Dataset

from meniscal_measure.errors import ArchiveError, InputError
from meniscal_measure.exchange.peer import ArchivedSeries, Outcome, Query
from meniscal_measure.exchange.transfer import check_fetched, fetch_coronal, tries
from meniscal_measure.series.scan import open_study
from tests.exchange.conftest import SAMPLE

AT_ONCE = tries(attempts=1, first_wait_s=0)


@dataclass
class Shelf:
    """An archive in memory; it may list its one series under another UID than its images say."""

    images: list[Dataset]
    listed: dict[str, str] = field(default_factory=dict)
    name: str = "shelf"

    def find_series(self, query: Query) -> list[ArchivedSeries]:
        first = self.images[0]
        one = ArchivedSeries.answered(first, first)
        return [replace(one, **self.listed)]

    def find_instances(self, series: ArchivedSeries) -> list[str]:
        return [str(image.SOPInstanceUID) for image in self.images]

    def fetch(
        self, series: ArchivedSeries, instances: Sequence[str] | None, folder: Path
    ) -> Iterator[Outcome]:
        folder.mkdir(parents=True, exist_ok=True)
        for image in self.images:
            image.save_as(folder / f"{image.SOPInstanceUID}.dcm")
            yield Outcome(image.SOPInstanceUID)

    def send(self, objects: Sequence[Dataset]) -> Iterator[Outcome]:
        yield from ()


def patient(number: int) -> Shelf:
    images: list[Dataset] = [
        pydicom.dcmread(path) for path in sorted((SAMPLE / "series-1").iterdir())
    ]
    for image in images:
        image.PatientID = f"PATIENT-{number}"
        for keyword in ("StudyInstanceUID", "SeriesInstanceUID", "SOPInstanceUID"):
            image[keyword].value += f".{number}"
        image.file_meta.MediaStorageSOPInstanceUID = image.SOPInstanceUID
    return Shelf(images)


def test_a_folder_in_which_another_patient_was_fetched_gives_the_one_asked_for(
    tmp_path: Path,
) -> None:
    for number in (1, 2, 1):
        fetched = fetch_coronal(patient(number), Query(), tmp_path, AT_ONCE)
        study = open_study(fetched.folder)
        assert {stack.identity.patient_id for stack in study.stacks} == {f"PATIENT-{number}"}
        check_fetched(study, fetched.series)


@pytest.mark.parametrize("name", ["patient_id", "study_instance_uid"])
def test_images_that_name_another_patient_or_study_than_the_archive_are_refused(
    tmp_path: Path, name: str
) -> None:
    shelf = replace(patient(1), listed={name: "1.2.3"})
    fetched = fetch_coronal(shelf, Query(), tmp_path, AT_ONCE)
    with pytest.raises(InputError, match="Clear up whose knee it is"):
        check_fetched(open_study(fetched.folder), fetched.series)


def test_an_image_of_another_series_is_refused(tmp_path: Path) -> None:
    shelf = replace(patient(1), listed={"series_instance_uid": "1.2.3"})
    with pytest.raises(ArchiveError, match="another series than it was asked for"):
        fetch_coronal(shelf, Query(), tmp_path, AT_ONCE)


@pytest.mark.parametrize("uid", ["../../elsewhere", "/tmp/elsewhere", ""])
def test_a_uid_that_is_none_names_no_folder(tmp_path: Path, uid: str) -> None:
    shelf = replace(patient(1), listed={"study_instance_uid": uid})
    with pytest.raises(ArchiveError, match="a UID that is not valid"):
        fetch_coronal(shelf, Query(), tmp_path, AT_ONCE)

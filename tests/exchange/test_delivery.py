"""Results go to the patient whose images were measured, and to nobody else."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from pydicom.dataset import Dataset

import meniscal_measure
from meniscal_measure.errors import ArchiveUnreachableError, InputError
from meniscal_measure.exchange.delivery import deliver
from meniscal_measure.exchange.dicomweb import WebArchive
from meniscal_measure.exchange.identity import Archived
from meniscal_measure.exchange.peer import ArchivedSeries, Outcome, Query
from meniscal_measure.exchange.results import NAMES, result_objects
from meniscal_measure.exchange.transfer import send_once, tries
from meniscal_measure.workflow import KneeReading
from tests.exchange.conftest import SAMPLE

AT_ONCE = tries(attempts=2, first_wait_s=0)


@dataclass
class Shelf:
    """An archive in memory that holds the study under some Patient ID."""

    patient_id: str
    stored: list[str] = field(default_factory=list)
    name: str = "shelf"

    def find_series(self, query: Query) -> list[ArchivedSeries]:
        uid = query.study_instance_uid
        return [ArchivedSeries(uid, f"{uid}.1", self.patient_id, "")]

    def find_instances(self, series: ArchivedSeries) -> list[str]:
        return []

    def fetch(
        self, series: ArchivedSeries, instances: Sequence[str] | None, folder: Path
    ) -> Iterator[Outcome]:
        yield from ()

    def send(self, objects: Sequence[Dataset]) -> Iterator[Outcome]:
        for one in objects:
            self.stored.append(one.SOPClassUID.name)
            yield Outcome(one.SOPInstanceUID)


@pytest.fixture(scope="module")
def knee() -> KneeReading:
    return meniscal_measure.measure(SAMPLE, landmarks=SAMPLE / "landmarks.json")


def test_all_objects_are_kept_as_files_and_stored(knee: KneeReading, tmp_path: Path) -> None:
    shelf = Shelf(knee.reading.source.patient_id)
    sent = deliver(knee.save(tmp_path), knee.stack, shelf, Archived(), tmp_path, AT_ONCE)
    assert all(one.arrived for one in sent)
    assert shelf.stored == [
        "Comprehensive 3D SR Storage",
        "Grayscale Softcopy Presentation State Storage",
        "Secondary Capture Image Storage",
        "Encapsulated PDF Storage",
    ]
    written = [tmp_path / f"{name}.dcm" for name in NAMES]
    assert all(path.exists() for path in written)
    assert not any(path.stat().st_mode & 0o077 for path in written)  # they name the patient


@pytest.mark.usefixtures("without_pictures")
def test_nothing_is_filed_with_another_patient(knee: KneeReading, tmp_path: Path) -> None:
    shelf = Shelf("SOMEBODY-ELSE")
    with pytest.raises(InputError, match="under Patient ID SOMEBODY-ELSE, the images measured say"):
        deliver(knee.save(tmp_path), knee.stack, shelf, Archived(), tmp_path, AT_ONCE)
    assert shelf.stored == []
    assert (tmp_path / "reading.json").exists()


@pytest.mark.usefixtures("without_pictures")
def test_web_services_that_are_gone_are_tried_again(knee: KneeReading, tmp_path: Path) -> None:
    gone = WebArchive("http://127.0.0.1:9/dicom-web", timeout_s=5)
    one = ArchivedSeries("1.2", "1.2.3", "", "")
    with pytest.raises(ArchiveUnreachableError, match=r"127\.0\.0\.1:9"):
        [*gone.fetch(one, ["1.2.3.4"], tmp_path)]
    report, *_ = result_objects(knee.save(tmp_path), knee.stack, Archived()).objects
    (outcome,) = send_once(gone, [report], tmp_path, AT_ONCE)
    assert not outcome.answered

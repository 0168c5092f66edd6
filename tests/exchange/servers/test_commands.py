"""The commands, from an archive to a reading and back."""

from __future__ import annotations

from pathlib import Path

import pydicom
import pytest
from pydicom.uid import Comprehensive3DSRStorage

from meniscal_measure.exchange.identity import Archived
from meniscal_measure.exchange.peer import ArchivedSeries, Peer, Query
from meniscal_measure.exchange.transfer import send_once
from meniscal_measure.records.reading_file import read_reading
from tests.command_line import run
from tests.exchange.conftest import SAMPLE, sample_images
from tests.exchange.servers.conftest import ALL_PEERS


def reports(peer: Peer, out: Path) -> list[str]:
    reading = read_reading(out / "reading.json")
    series = ArchivedSeries(
        reading.source.study_instance_uid,
        Archived().series_uid("report", reading),
        *("", ""),
    )
    return peer.find_instances(series)


@pytest.mark.usefixtures("without_pictures")
@ALL_PEERS
def test_one_command_fetches_measures_and_stores(peer: Peer, tmp_path: Path) -> None:
    stored = sample_images()
    send_once(peer, stored, tmp_path)
    out = tmp_path / "out"
    common = ["--archive", peer.name, "--patient-id", stored[0].PatientID, "--out", str(out)]
    command = [
        "archive",
        "measure",
        *common,
        "--landmarks",
        str(SAMPLE / "landmarks.json"),
        "--send",
    ]
    done = run(*command)
    assert done.exit_code == 0, done.output
    assert "4 of 4 objects are in" in done.stderr
    assert len(reports(peer, out)) == 1
    found = peer.find_series(Query(patient_id=stored[0].PatientID))
    assert [one.series_instance_uid for one in found] == [stored[0].SeriesInstanceUID]


@pytest.mark.usefixtures("without_pictures")
@pytest.mark.parametrize("peer", ["orthanc-dimse"], indirect=True)
def test_a_confirmed_report_names_the_one_it_replaces(peer: Peer, tmp_path: Path) -> None:
    send_once(peer, sample_images(), tmp_path)
    study, first, second = str(SAMPLE), tmp_path / "first", tmp_path / "second"
    marks = ["--landmarks", str(SAMPLE / "landmarks.json")]

    def told(*command: str) -> None:
        done = run(*command)
        assert done.exit_code == 0, done.output + done.stderr

    told("measure", study, *marks, "--out", str(first))
    to = ["--archive", peer.name]
    told("archive", "send", str(first / "reading.json"), study, *to, "--out", str(first))
    told(
        *("report", str(first / "reading.json"), study),
        *("--out", str(second), "--verified-by", "A. Reader"),
    )
    told(
        *("archive", "send", str(second / "reading.json"), study, *to),
        *("--out", str(second), "--organization", "Reading room"),
    )
    newest = pydicom.dcmread(second / "structured-report.dcm")
    assert newest.SOPClassUID == Comprehensive3DSRStorage
    assert newest.VerificationFlag == "VERIFIED"
    (study_item,) = newest.PredecessorDocumentsSequence
    replaced = study_item.ReferencedSeriesSequence[0].ReferencedSOPSequence[0]
    earlier = pydicom.dcmread(first / "structured-report.dcm")
    assert replaced.ReferencedSOPInstanceUID == earlier.SOPInstanceUID
    assert len(reports(peer, second)) == 2


def test_the_study_must_be_named(tmp_path: Path) -> None:
    command = ["archive", "measure", "--archive", "dicom://A@127.0.0.1:9", "--out", str(tmp_path)]
    done = run(*command)
    assert done.exit_code == 2
    assert "Name the study" in done.stderr


@pytest.mark.parametrize(
    "address", ["archive", "dicom://A@host", "dicom://A@host:99999", "ftp://x"]
)
def test_what_is_no_address_is_said_to_be_none(address: str, tmp_path: Path) -> None:
    command = ["archive", "measure", "--archive", address, "--patient-id", "1"]
    done = run(*command, "--out", tmp_path)
    assert done.exit_code == 2
    assert "is not the address of an archive" in done.stderr

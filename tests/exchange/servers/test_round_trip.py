"""Store, query and fetch against Orthanc (DIMSE and DICOMweb) and DCMTK's dcmqrscp."""

from __future__ import annotations

import ssl
import subprocess
from pathlib import Path

import pydicom
import pytest
from pydicom.dataset import Dataset

from meniscal_measure.errors import (
    ArchiveError,
    ArchiveUnreachableError,
    NothingMeasurableError,
    UsageError,
)
from meniscal_measure.exchange.dicomweb import WebArchive
from meniscal_measure.exchange.dimse import DimseArchive
from meniscal_measure.exchange.identity import Archived
from meniscal_measure.exchange.peer import Peer, Query
from meniscal_measure.exchange.presentation_state import presentation_state
from meniscal_measure.exchange.structured_report import structured_report
from meniscal_measure.exchange.transfer import IMAGES, PROBES, fetch_coronal, send_once, tries
from tests.exchange.conftest import Case, sample_images
from tests.exchange.servers.conftest import (
    ALL_PEERS,
    STORE_PORT,
    server,
)

AT_ONCE = tries(attempts=2, first_wait_s=0)


def other_plane(images: list[Dataset]) -> list[Dataset]:
    """The same images as a sagittal series of the same study."""
    for number, image in enumerate(images):
        image.SeriesInstanceUID += ".1"
        image.SOPInstanceUID += ".1"
        image.file_meta.MediaStorageSOPInstanceUID = image.SOPInstanceUID
        image.ImageOrientationPatient = [0, 1, 0, 0, 0, -1]
        image.ImagePositionPatient = [number * 3.0, -60, 60]
        image.SeriesDescription = "SAG"
    return images


@ALL_PEERS
def test_only_the_coronal_series_comes_back_and_its_pixels_are_the_same(
    peer: Peer, tmp_path: Path
) -> None:
    stored = sample_images()
    sent = send_once(peer, [*stored, *other_plane(sample_images())], tmp_path, AT_ONCE)
    assert [one for one in sent if not one.arrived] == []
    fetched = fetch_coronal(peer, Query(patient_id=stored[0].PatientID), tmp_path, AT_ONCE)
    assert fetched.missing == ()
    assert len([*(tmp_path / PROBES).rglob("*.dcm")]) == 2  # one image of each series
    files = {path.stem: pydicom.dcmread(path) for path in fetched.folder.iterdir()}
    assert set(files) == {image.SOPInstanceUID for image in stored}
    assert not any(path.stat().st_mode & 0o077 for path in fetched.folder.iterdir())
    for image in stored:
        assert files[image.SOPInstanceUID].PixelData == image.PixelData


@ALL_PEERS
def test_results_are_stored_beside_the_images(peer: Peer, case: Case, tmp_path: Path) -> None:
    objects = [
        structured_report(case.reading, case.images, Archived()),
        presentation_state(case.reading, case.images, (0, 1000), Archived()),
    ]
    sent = send_once(peer, [*sample_images(), *objects], tmp_path, AT_ONCE)
    assert [one for one in sent if not one.arrived] == []
    found = peer.find_series(Query(patient_id=case.measured_image.header.PatientID))
    assert {one.study_instance_uid for one in found} == {
        case.measured_image.header.StudyInstanceUID
    }


@ALL_PEERS
def test_an_interrupted_fetch_resumes(peer: Peer, tmp_path: Path) -> None:
    stored = sample_images()
    send_once(peer, stored, tmp_path, AT_ONCE)
    fetched = fetch_coronal(peer, Query(), tmp_path, AT_ONCE)
    kept, *lost = sorted(fetched.folder.iterdir())
    stamp = kept.stat().st_mtime_ns
    for path in lost:
        path.unlink()
    fetch_coronal(peer, Query(), tmp_path, AT_ONCE)
    assert len([*fetched.folder.iterdir()]) == len(stored)
    assert kept.stat().st_mtime_ns == stamp


@ALL_PEERS
def test_two_patients_are_never_taken_for_one(peer: Peer, tmp_path: Path) -> None:
    stranger = sample_images()
    for image in stranger:
        image.PatientID = "SOMEBODY-ELSE"
        for keyword in ("StudyInstanceUID", "SeriesInstanceUID", "SOPInstanceUID"):
            image[keyword].value += ".2"
        image.file_meta.MediaStorageSOPInstanceUID = image.SOPInstanceUID
    send_once(peer, [*sample_images(), *stranger], tmp_path, AT_ONCE)
    with pytest.raises(UsageError, match="2 studies of 2 patients"):
        fetch_coronal(peer, Query(), tmp_path, AT_ONCE)
    assert not (tmp_path / IMAGES).exists()


@ALL_PEERS
def test_a_patient_who_is_not_there_is_said_to_be_missing(peer: Peer, tmp_path: Path) -> None:
    with pytest.raises(NothingMeasurableError, match="holds no MR series that matches"):
        fetch_coronal(peer, Query(patient_id="NOBODY"), tmp_path, AT_ONCE)


def test_a_wrong_title_is_refused_with_the_remedy(query_server: None) -> None:
    """dcmqrscp may have closed before its refusal is read: then it is asked again."""
    wrong = DimseArchive("127.0.0.1", 4243, "ARCHIVE", calling_ae_title="STRANGER")
    with pytest.raises(ArchiveError, match="application entity titles: ours is STRANGER"):
        tries(attempts=20, first_wait_s=0)(lambda: wrong.find_series(Query()))


@pytest.mark.parametrize(
    "silent",
    [DimseArchive("127.0.0.1", 9, "NOBODY"), WebArchive("http://127.0.0.1:9/dicom-web")],
    ids=["dimse", "web"],
)
def test_an_archive_that_is_not_there_is_tried_again_and_named(
    silent: Peer, tmp_path: Path
) -> None:
    with pytest.raises(ArchiveUnreachableError, match=r"127.0.0.1:9.* cannot be reached"):
        fetch_coronal(silent, Query(), tmp_path, AT_ONCE)


def test_a_full_disk_leaves_what_arrived_and_names_the_rest(
    query_server: None, tmp_path: Path
) -> None:
    archive = DimseArchive("127.0.0.1", 4243, "ARCHIVE")
    stored = sample_images()
    send_once(archive, stored, tmp_path, AT_ONCE)
    small = tmp_path / "small"
    small.mkdir()
    room = 6 * len(stored[0].PixelData) // 1024
    subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={room}k", "tmpfs", small], check=True)
    try:
        fetched = fetch_coronal(archive, Query(), small, AT_ONCE)
        arrived = [*fetched.folder.iterdir()]
        assert arrived
        assert all("No space left" in one.reason for one in fetched.missing)
        assert len(arrived) + len(fetched.missing) == len(stored)
        for path in arrived:
            assert pydicom.dcmread(path).pixel_array.size
    finally:
        subprocess.run(["umount", small], check=True)


def test_an_archive_that_requires_tls_is_reached(tmp_path: Path) -> None:
    """Source: DCMTK's storescp with +tls; certificates made by openssl."""
    key, certificate = tmp_path / "key.pem", tmp_path / "certificate.pem"
    subprocess.run(
        [
            *("openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2"),
            *("-subj", "/CN=127.0.0.1", "-addext", "subjectAltName=IP:127.0.0.1"),
            *("-keyout", key, "-out", certificate),
        ],
        check=True,
        capture_output=True,
    )
    listening: list[str | Path] = ["/usr/bin/storescp", "--ignore", "-pw", "-ic"]
    listening += ["+tls", key, certificate, str(STORE_PORT)]
    with server(listening, STORE_PORT, folder=tmp_path):
        secured = ssl.create_default_context(cafile=certificate)
        archive = DimseArchive("127.0.0.1", STORE_PORT, "ANY", tls=secured)
        assert all(one.arrived for one in send_once(archive, sample_images(), tmp_path, AT_ONCE))
        with pytest.raises(ArchiveUnreachableError):
            [*DimseArchive("127.0.0.1", STORE_PORT, "ANY").send(sample_images())]

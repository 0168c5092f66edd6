"""Archive servers of other makers on this machine's loopback, each with storage of its own."""

from __future__ import annotations

import json
import socket
import subprocess
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from tenacity import retry, retry_if_exception_type, stop_after_attempt, wait_fixed

from meniscal_measure.exchange.dicomweb import WebArchive
from meniscal_measure.exchange.dimse import DimseArchive

HTTP_PORT, DICOM_PORT, QUERY_PORT, STORE_PORT = 8042, 4242, 4243, 4244


@retry(retry=retry_if_exception_type(OSError), stop=stop_after_attempt(1800), wait=wait_fixed(0.05))
def answers(port: int) -> None:
    socket.create_connection(("127.0.0.1", port)).close()


@contextmanager
def server(command: Sequence[str | Path], *ports: int, folder: Path) -> Iterator[None]:
    """A program that listens, stopped when done; its log stays in the folder."""
    with (folder / "log.txt").open("w") as log:
        running = subprocess.Popen(
            [str(part) for part in command], cwd=folder, stdout=log, stderr=subprocess.STDOUT
        )
        try:
            for port in ports:
                answers(port)
            yield
        finally:
            running.kill()  # nothing it holds is kept
            running.wait()


@pytest.fixture
def orthanc(tmp_path: Path) -> Iterator[None]:
    """An Orthanc with its DICOMweb plug-in."""
    folder = tmp_path / "orthanc"
    folder.mkdir()
    settings: dict[str, Any] = {
        "StorageDirectory": str(folder / "storage"),
        "IndexDirectory": str(folder / "storage"),
        "HttpPort": HTTP_PORT,
        "DicomPort": DICOM_PORT,
        "RemoteAccessAllowed": False,
        "AuthenticationEnabled": False,
        "DicomCheckCalledAet": False,
        "DicomAlwaysAllowStore": True,
        "DicomAlwaysAllowFind": True,
        "DicomAlwaysAllowGet": True,
        "Plugins": ["/usr/lib/orthanc/libOrthancDicomWeb.so.1.7"],
    }
    (folder / "settings.json").write_text(json.dumps(settings))
    with server(["Orthanc", folder / "settings.json"], DICOM_PORT, HTTP_PORT, folder=folder):
        yield


@contextmanager
def query_archive(tmp_path: Path, *, most_mb: int = 1024) -> Iterator[None]:
    """DCMTK's dcmqrscp with one storage area, ARCHIVE, that only knows MENISCAL."""
    folder = tmp_path / "dcmqrscp"
    (folder / "storage").mkdir(parents=True)
    (folder / "settings.cfg").write_text(
        f"""NetworkTCPPort = {QUERY_PORT}
MaxPDUSize = 16384
MaxAssociations = 16
HostTable BEGIN
ours = (MENISCAL, localhost, 11112)
HostTable END
VendorTable BEGIN
VendorTable END
AETable BEGIN
ARCHIVE {folder / "storage"} RW (200, {most_mb}mb) ours
AETable END
"""
    )
    with server(["/usr/bin/dcmqrscp", "-c", folder / "settings.cfg"], QUERY_PORT, folder=folder):
        yield


@pytest.fixture
def query_server(tmp_path: Path) -> Iterator[None]:
    """DCMTK's dcmqrscp for the time of a test."""
    with query_archive(tmp_path):
        yield


Peers = Callable[[str], DimseArchive | WebArchive]


@pytest.fixture
def peer(request: pytest.FixtureRequest) -> DimseArchive | WebArchive:
    """The archive that the parameter names, its server started."""
    if request.param == "dcmqrscp":
        request.getfixturevalue("query_server")
        return DimseArchive("127.0.0.1", QUERY_PORT, "ARCHIVE")
    request.getfixturevalue("orthanc")
    if request.param == "orthanc-dimse":
        return DimseArchive("127.0.0.1", DICOM_PORT, "ORTHANC")
    return WebArchive(f"http://127.0.0.1:{HTTP_PORT}/dicom-web")


ALL_PEERS = pytest.mark.parametrize(
    "peer", ["orthanc-dimse", "orthanc-web", "dcmqrscp"], indirect=True
)

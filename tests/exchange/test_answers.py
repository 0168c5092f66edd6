"""What archives and other servers answer, and what a user is told of it."""

from __future__ import annotations

import json
import shutil
import ssl
import subprocess
import threading
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import certifi
import pytest
from pydicom.dataset import Dataset
from pynetdicom.sop_class import MRImageStorage, Verification  # type: ignore[attr-defined]

from meniscal_measure.errors import ArchiveError, ArchiveUnreachableError
from meniscal_measure.exchange.addresses import archive_at
from meniscal_measure.exchange.dicomweb import WebArchive
from meniscal_measure.exchange.peer import Query
from tests.exchange.conftest import sample_images
from tests.exchange.listening import listening

Answering = Callable[..., str]


@pytest.fixture
def answering() -> Iterator[Answering]:
    """Start a server that gives the same answer to everything; returned is its address."""
    servers = []

    def answering(status: int, body: bytes, kind: str, secure: ssl.SSLContext | None = None) -> str:
        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                self.rfile.read(int(self.headers.get("Content-Length", 0)))
                self.send_response(status)
                self.send_header("Content-Type", kind)
                self.send_header("Content-Length", str(len(body)))
                self.end_headers()
                self.wfile.write(body)

            def do_POST(self) -> None:
                self.do_GET()

            def log_message(self, *_: object) -> None:
                pass

        server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        if secure is not None:
            server.socket = secure.wrap_socket(server.socket, server_side=True)
        threading.Thread(target=server.serve_forever, daemon=True).start()
        servers.append(server)
        return f"http{'s' if secure else ''}://127.0.0.1:{server.server_port}/dicom-web"

    yield answering
    for server in servers:
        server.shutdown()
        server.server_close()


@pytest.fixture(scope="module")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, ssl.SSLContext]:
    """A certificate that nobody trusts, and a server's use of it."""
    if shutil.which("openssl") is None:
        pytest.skip("not on this machine: openssl")
    folder = tmp_path_factory.mktemp("certificate")
    key, certificate = folder / "key.pem", folder / "certificate.pem"
    subprocess.run(
        [
            *("openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2"),
            *("-subj", "/CN=127.0.0.1", "-addext", "subjectAltName=IP:127.0.0.1"),
            *("-keyout", key, "-out", certificate),
        ],
        check=True,
        capture_output=True,
    )
    secure = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    secure.load_cert_chain(certificate, key)
    return certificate, secure


@pytest.fixture
def image() -> Dataset:
    return sample_images()[0]


def stored(uid: str) -> bytes:
    """Confirm an instance (DICOM PS3.18 10.5.3.2)."""
    item = {"00081155": {"vr": "UI", "Value": [uid]}}
    return json.dumps({"00081199": {"vr": "SQ", "Value": [item]}}).encode()


def test_what_the_archive_confirms_has_arrived(answering: Answering, image: Dataset) -> None:
    address = answering(200, stored(image.SOPInstanceUID), "application/dicom+json")
    (outcome,) = WebArchive(address).send([image])
    assert outcome.arrived


@pytest.mark.parametrize("body", [b"{}", stored("1.2.3")], ids=["nothing", "another instance"])
def test_a_success_that_confirms_nothing_is_none(
    answering: Answering, image: Dataset, body: bytes
) -> None:
    """As a proxy answers that knows nothing of the archive."""
    (outcome,) = WebArchive(answering(200, body, "application/dicom+json")).send([image])
    assert outcome.reason == "the archive did not confirm that it has stored it"


def test_a_page_for_people_is_no_answer(answering: Answering, image: Dataset) -> None:
    archive = WebArchive(answering(200, b"<html>Please log in</html>", "text/html"))
    with pytest.raises(ArchiveError, match=r"not DICOMweb .* root of the archive's DICOMweb"):
        archive.find_series(Query())
    (outcome,) = archive.send([image])
    assert not outcome.arrived


def test_an_empty_success_is_no_confirmation(answering: Answering, image: Dataset) -> None:
    (outcome,) = WebArchive(answering(204, b"", "text/plain")).send([image])
    assert not outcome.arrived


@pytest.mark.parametrize("in_environment", [False, True])
def test_only_a_certificate_that_is_named_is_trusted(
    answering: Answering,
    certificate: tuple[Path, ssl.SSLContext],
    monkeypatch: pytest.MonkeyPatch,
    in_environment: bool,
) -> None:
    """Also where the machine names others to every program, as hospitals' do."""
    monkeypatch.delenv("REQUESTS_CA_BUNDLE", raising=False)
    monkeypatch.delenv("CURL_CA_BUNDLE", raising=False)
    if in_environment:
        monkeypatch.setenv("REQUESTS_CA_BUNDLE", certifi.where())
    file, secure = certificate
    archive = WebArchive(answering(200, b"[]", "application/dicom+json", secure))
    with pytest.raises(
        ArchiveUnreachableError, match=r"certificate is not trusted.*--certificates"
    ):
        archive.find_series(Query())
    trusting = archive_at(archive.address, certificates=file)
    assert trusting.find_series(Query()) == []


def test_an_archive_without_the_service_is_not_said_to_be_away(image: Dataset) -> None:
    with listening([Verification], []) as peer:
        with pytest.raises(ArchiveError, match=r"accepts none of Study Root Query.*MENISCAL"):
            peer.find_series(Query())
        with pytest.raises(ArchiveError, match=rf"accepts none of {MRImageStorage.name}"):
            [*peer.send([image])]

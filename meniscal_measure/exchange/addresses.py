"""The address of an archive, parsed."""

from __future__ import annotations

import re
import ssl
from pathlib import Path
from urllib.parse import urlsplit

import requests

from meniscal_measure.errors import UsageError
from meniscal_measure.exchange.dicomweb import WebArchive
from meniscal_measure.exchange.dimse import DimseArchive

DIMSE_ADDRESS = re.compile(
    r"dicom://(?P<title>[^@/:\s]{1,16})@(?P<host>[^@/:\s]+|\[[0-9A-Fa-f:]+\]):(?P<port>\d{1,5})/?"
)
"""An application entity has a title of at most 16 characters (DICOM PS3.5 6.2, AE)."""
MAX_PORT = 65535


def archive_at(
    address: str,
    calling_title: str = "MENISCAL",
    timeout_s: float = 30.0,
    certificates: Path | None = None,
) -> DimseArchive | WebArchive:
    """Find the archive at `dicom://TITLE@HOST:PORT` or at the `https://` root of DICOMweb services.

    Parameters
    ----------
    address
        Of the archive.
    calling_title
        Our own application entity title.
    timeout_s
        Longest wait for an answer.
    certificates
        File of the certificates to trust (PEM); it also turns TLS on for `dicom://`.

    Raises
    ------
    UsageError
        If it is neither, or the certificates cannot be read.

    Examples
    --------
    >>> archive_at("dicom://ARCHIVE@localhost:104").name
    'dicom://ARCHIVE@localhost:104'
    """
    tls = _tls(certificates)
    if address.startswith(("https://", "http://")) and _has_host(address):
        session = requests.Session()
        if certificates is not None:
            session.verify = str(certificates)
        return WebArchive(address.rstrip("/"), timeout_s, session)
    found = DIMSE_ADDRESS.fullmatch(address)
    if found is None or not 0 < int(found["port"]) <= MAX_PORT:
        raise UsageError(
            "{address} is not the address of an archive. Write dicom://TITLE@HOST:PORT, or the"
            " https:// address of its DICOMweb services.",
            address=address,
        )
    return DimseArchive(
        host=found["host"].strip("[]"),
        port=int(found["port"]),
        ae_title=found["title"],
        calling_ae_title=calling_title,
        timeout_s=timeout_s,
        tls=tls,
    )


def _has_host(address: str) -> bool:
    try:
        return bool(urlsplit(address).hostname)
    except ValueError:  # a bracket that is not closed
        return False


def _tls(certificates: Path | None) -> ssl.SSLContext | None:
    if certificates is None:
        return None
    try:
        return ssl.create_default_context(cafile=certificates)
    except OSError as error:  # ssl.SSLError is one too
        raise UsageError(
            "The certificates in {file:private} cannot be read. Give a PEM file.",
            file=str(certificates),
        ) from error

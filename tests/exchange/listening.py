"""An archive in this process, which does with what it receives as a test says."""

from __future__ import annotations

import secrets
import socket
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from typing import Any

from pydicom.uid import UID
from pynetdicom import AE

from meniscal_measure.exchange.dimse import DimseArchive

OWN_PORTS = range(20_000, 32_768)
"""Ports that Linux hands out to nobody who asks for any (ip_local_port_range)."""


def lasting_port() -> int:
    """Find a port that stays free while nothing of this test listens on it."""
    while True:
        port = secrets.choice(OWN_PORTS)
        with closing(socket.socket()) as tried:
            if tried.connect_ex(("127.0.0.1", port)):
                return port


@contextmanager
def listening(
    kinds: Sequence[UID], handlers: Sequence[tuple[Any, Any]], port: int = 0
) -> Iterator[DimseArchive]:
    """Listen on this machine for some kinds of objects and queries."""
    entity = AE(ae_title="ARCHIVE")
    for kind in kinds:
        entity.add_supported_context(kind)
    server = entity.start_server(("127.0.0.1", port), block=False, evt_handlers=[*handlers])
    assert server is not None
    try:
        yield DimseArchive("127.0.0.1", server.server_address[1], "ARCHIVE")
    finally:
        server.shutdown()

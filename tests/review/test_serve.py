"""A server that is stopped comes to its end, whatever a browser holds open."""

import socket
from threading import Event, Thread
from typing import Any
from urllib.parse import urlsplit

import pytest
from starlette.responses import Response

from meniscal_measure.review import serve
from meniscal_measure.review.serve import PageServer

LONG_S = 60
"""Far longer than it is given."""


def test_a_connection_taken_up_at_the_last_moment_does_not_hold_the_server(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Browsers open connections ahead of requests; this one is not told that the server stops."""
    monkeypatch.setattr(serve, "GRACE_S", 1)
    server = PageServer(Response())
    config = server._server.config
    config.load()
    protocol: Any = config.http_protocol_class
    taken_up, connection_made = Event(), protocol.connection_made

    def noted(self: Any, transport: Any) -> None:
        connection_made(self, transport)
        taken_up.set()

    monkeypatch.setattr(protocol, "connection_made", noted)
    monkeypatch.setattr(protocol, "shutdown", lambda self: None)
    running = Thread(target=server.run, daemon=True)
    running.start()
    address = urlsplit(server.address)
    with socket.create_connection((str(address.hostname), int(address.port or 0))):
        assert taken_up.wait(LONG_S)
        server.stop()
        running.join(LONG_S)
        assert not running.is_alive()

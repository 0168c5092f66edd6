"""Serving the page to this machine only."""

from __future__ import annotations

import os
import secrets
import socket
import zlib
from pathlib import Path

import uvicorn
from starlette.types import ASGIApp

from meniscal_measure.errors import UsageError
from meniscal_measure.review.guard import Guard

LOOPBACK = "127.0.0.1"
TOKEN_BYTES = 24
GRACE_S = 3
"""Requests that are being answered when the server stops have so long to end. A connection that a
browser opened ahead of a request, and that was taken up at the last moment, would else hold it."""

DYNAMIC_PORTS = range(49152, 65536)
"""Ports that are assigned to no service (RFC 6335, section 6)."""


class _Server(uvicorn.Server):
    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        await super().shutdown(sockets)
        for connection in list(self.server_state.connections):  # those that outlasted `GRACE_S`
            connection.transport.abort()


class PageServer:
    """A server bound to the loopback address, with a token of its own.

    Connections are taken up from the moment it exists and answered once it runs. It listens on
    `port`; 0 takes the usual one if there is one and it is free, else any.

    Raises
    ------
    UsageError
        If the port is taken.
    """

    def __init__(self, application: ASGIApp, *, port: int = 0, usual_port: int = 0) -> None:
        self._socket = _usual(usual_port) if usual_port and not port else _listening(port)
        port = self._socket.getsockname()[1]
        token = secrets.token_urlsafe(TOKEN_BYTES)
        self.address = f"http://{LOOPBACK}:{port}/{token}/"
        """Address of the page, token included."""
        config = uvicorn.Config(
            Guard(application, token, port),
            log_level="warning",
            access_log=False,  # addresses hold the token
            lifespan="off",
            server_header=False,
            ws="none",
            timeout_graceful_shutdown=GRACE_S,
        )
        self._server = _Server(config)

    def run(self) -> None:
        """Serve until the program is interrupted or `stop` is called."""
        self._server.run(sockets=[self._socket])

    def stop(self) -> None:
        """Let `run` come to its end."""
        self._server.should_exit = True


def usual_port(store: Path) -> int:
    """Choose the port on which the page of a store is found again.

    A browser gives back a change that was not saved only to a page of the same port.

    Examples
    --------
    >>> usual_port(Path("/readings.sqlite"))
    51783
    """
    return DYNAMIC_PORTS[zlib.crc32(os.fsencode(os.path.realpath(store))) % len(DYNAMIC_PORTS)]


def _usual(port: int) -> socket.socket:
    try:
        return _listening(port)
    except UsageError:  # another program has it
        return _listening(0)


def _listening(port: int) -> socket.socket:
    # Named TCP, so that asyncio turns Nagle's delay off: answers would wait 40 ms otherwise.
    bound = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    if os.name == "posix":  # elsewhere the option would share the port with a running program
        bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)  # started again within a minute
    try:
        bound.bind((LOOPBACK, port))
        bound.listen()
    except OSError as error:
        bound.close()
        raise UsageError(
            f"Port {port} cannot be used: {error.strerror}. Name another, or none for a free one."
        ) from error
    return bound

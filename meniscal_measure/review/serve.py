"""Serving the page to this machine only."""

from __future__ import annotations

import os
import secrets
import socket

import uvicorn
from starlette.types import ASGIApp

from meniscal_measure.errors import UsageError
from meniscal_measure.review.guard import Guard

LOOPBACK = "127.0.0.1"
TOKEN_BYTES = 24


class PageServer:
    """A server bound to the loopback address, with a token of its own.

    Connections are taken up from the moment it exists and answered once it runs.

    Parameters
    ----------
    application
        What answers.
    port
        Port to listen on; 0 takes a free one.

    Raises
    ------
    UsageError
        If the port is taken.
    """

    def __init__(self, application: ASGIApp, *, port: int = 0) -> None:
        self._socket = _listening(port)
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
        )
        self._server = uvicorn.Server(config)

    def run(self) -> None:
        """Serve until the program is interrupted or `stop` is called."""
        self._server.run(sockets=[self._socket])

    def stop(self) -> None:
        """Let `run` come to its end."""
        self._server.should_exit = True


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

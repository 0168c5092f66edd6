"""Who may speak to the server: this machine, this address, and only with the token.

The page shows patient images, so every request is checked before anything else sees it:
the token in the path, the Host header (against rebinding of a foreign name to this machine), the
Origin header and Fetch Metadata (against other pages in the same browser), and its size.
"""

from __future__ import annotations

import hmac

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

MAX_BODY_BYTES = 1_000_000
"""Largest accepted request body; a working state has a few thousand bytes."""

ANSWER_HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self';"
        " connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none';"
        " require-trusted-types-for 'script'; trusted-types 'none'"
    ),
    "Cache-Control": "no-store",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
}
"""On every answer. Nothing is kept by the browser and no other page may load or frame anything."""


class Guard:
    """Lets requests through to the application that carry the token and come from its own page.

    The token is the first segment of every path; the application sees paths without it.
    """

    def __init__(self, app: ASGIApp, token: str, port: int) -> None:
        self._app = app
        self._token = token
        self._hosts = {f"127.0.0.1:{port}", f"localhost:{port}"}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Check a request and hand it on, or refuse it."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            return

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                MutableHeaders(scope=message).update(ANSWER_HEADERS)
            await send(message)

        refusal = self._refusal(scope)
        if refusal is not None:
            await refusal(scope, receive, send_guarded)
            return
        path = "/" + scope["path"].split("/", 2)[2]
        await self._app({**scope, "path": path, "raw_path": path.encode()}, receive, send_guarded)

    def _refusal(self, scope: Scope) -> PlainTextResponse | None:
        headers = Headers(scope=scope)
        segments = scope["path"].split("/", 2)
        if headers.getlist("host") not in [[host] for host in self._hosts]:
            return _refused("This address is not the one of the page.")
        if len(segments) < 3 or not hmac.compare_digest(segments[1].encode(), self._token.encode()):
            return _refused("The address of the page is not complete. Take it from the program.")
        if not self._is_own(scope["method"], headers):
            return _refused("Only the page itself may ask for this.")
        return _size_refusal(scope["method"], headers)

    def _is_own(self, method: str, headers: Headers) -> bool:
        if headers.get("sec-fetch-site", "none") not in ("same-origin", "none"):
            return False
        origin = headers.get("origin")
        if origin is None:
            return method in ("GET", "HEAD")
        return origin == f"http://{headers['host']}"


def _size_refusal(method: str, headers: Headers) -> PlainTextResponse | None:
    if method in ("GET", "HEAD"):
        return None
    length = headers.get("content-length", "")
    if not length.isdecimal():
        return PlainTextResponse("The request must state its length.", 411)
    if int(length) > MAX_BODY_BYTES:
        return PlainTextResponse("The request is too large.", 413)
    return None


def _refused(reason: str) -> PlainTextResponse:
    return PlainTextResponse(reason, 403)

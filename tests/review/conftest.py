"""A desk on the sample phantoms, a server around it, and a browser in front."""

from __future__ import annotations

import http.client
import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from threading import Thread
from typing import Any
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

from meniscal_measure.caliper.reading import Conventions
from meniscal_measure.review.desk import Desk
from meniscal_measure.review.plan import Blinding
from meniscal_measure.review.serve import PageServer
from meniscal_measure.review.signing import Terms
from meniscal_measure.review.worklist import Knee, open_worklist

CHROMIUM = Path("/usr/bin/chromium")
CHROMIUM_ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
OPEN_TERMS = Terms(Conventions())
BLIND_TERMS = Terms(Conventions(), Blinding(seed=7))

OpenDesk = Callable[..., Desk]
Served = Callable[[Desk], "Client"]


@dataclass(frozen=True)
class Client:
    """Speaks to a server as the page does, or as something else would."""

    address: str
    reader: str = "Reader A"

    def raw(
        self, method: str, path: str, headers: dict[str, str], body: str | None = None
    ) -> tuple[int, dict[str, str], bytes]:
        parts = urlsplit(self.address)
        connection = http.client.HTTPConnection(parts.hostname or "", parts.port or 0, timeout=20)
        try:
            connection.request(method, path, body, headers)
            answer = connection.getresponse()
            return answer.status, dict(answer.getheaders()), answer.read()
        finally:
            connection.close()

    def ask(self, path: str, body: dict[str, Any] | None = None) -> tuple[int, bytes]:
        parts = urlsplit(self.address)
        headers = {"X-Reader": self.reader.replace(" ", "%20"), "Origin": f"http://{parts.netloc}"}
        method, text = ("GET", None) if body is None else ("POST", json.dumps(body))
        status, _, content = self.raw(method, f"{parts.path}api/{path}", headers, text)
        return status, content

    def json(self, path: str, body: dict[str, Any] | None = None) -> Any:
        status, content = self.ask(path, body)
        assert status == 200, content
        return json.loads(content)

    def first_task(self) -> str:
        task: str = self.json("tasks")["tasks"][0]["id"]
        return task


@pytest.fixture
def open_desk(tmp_path: Path, samples: Path) -> OpenDesk:
    """Open a desk on one sample, or on a work list."""

    def build(
        what: str | Path = "exactly-3mm", terms: Terms = OPEN_TERMS, store: str = "store.sqlite"
    ) -> Desk:
        return Desk(open_worklist(samples / what), tmp_path / store, terms)

    return build


@pytest.fixture
def bare_desk(tmp_path: Path, samples: Path) -> Callable[..., Desk]:
    """Open a desk on samples of which no landmarks are known."""

    def build(*names: str, terms: Terms = OPEN_TERMS) -> Desk:
        knees = [Knee(name, samples / name / "series-1") for name in names]
        return Desk(knees, tmp_path / "bare.sqlite", terms)

    return build


@contextmanager
def _running(server: PageServer) -> Iterator[None]:
    thread = Thread(target=server.run)
    thread.start()
    try:
        yield
    finally:
        server.stop()
        thread.join()


@pytest.fixture
def served() -> Iterator[Served]:
    """Serve a desk until the test ends."""
    open_servers = []

    def serve(desk: Desk) -> Client:
        server = PageServer(desk)
        running = _running(server)
        running.__enter__()
        open_servers.append(running)
        return Client(server.address)

    yield serve
    for running in open_servers:
        running.__exit__(None, None, None)


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """A real browser; Debian's package, driven from outside."""
    if not CHROMIUM.exists():
        pytest.skip("chromium is not installed (apt-get install chromium)")
    with sync_playwright() as playwright:
        yield playwright.chromium.launch(executable_path=CHROMIUM, args=CHROMIUM_ARGUMENTS)


@pytest.fixture
def page(browser: Browser) -> Iterator[Page]:
    """A fresh tab without memory of earlier ones, in which a script error fails the test."""
    with browser.new_context(viewport={"width": 1280, "height": 800}) as context:
        page = context.new_page()
        errors: list[str] = []
        page.on("pageerror", lambda error: errors.append(str(error)))
        yield page
        assert errors == []


@pytest.fixture
def shown(page: Page) -> Callable[..., Page]:
    """Open the page of a server as a reader and wait for the first slice."""

    def show(client: Client, *, tab: Page = page, reader: str = "AB") -> Page:
        tab.goto(f"{client.address}#reader={reader}")
        tab.wait_for_selector("#stage[data-drawn]")
        return tab

    return show

"""What the commands that show a page in the browser have in common."""

from __future__ import annotations

import webbrowser
from typing import TYPE_CHECKING, Annotated
from urllib.parse import quote

import typer

from meniscal_measure.cli.common import say

if TYPE_CHECKING:
    from meniscal_measure.review.serve import PageServer

NoBrowser = Annotated[
    bool, typer.Option("--no-browser", help="Print the address and do not open a browser.")
]


def serve_page(server: PageServer, reader: str, words: str, *, no_browser: bool) -> None:
    """Say where the page is, open it, and serve it until it ends."""
    address = server.address + (f"#reader={quote(reader, safe='')}" if reader else "")
    say(f"The page is at {address}\n{words}")
    if not no_browser:
        webbrowser.open(address)
    server.run()

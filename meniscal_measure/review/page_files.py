"""What pages are made of: their fixed files, and slices."""

from __future__ import annotations

import re
from collections.abc import Mapping
from importlib.resources import files

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from meniscal_measure.review.endpoints import Endpoint
from meniscal_measure.review.slices import encode_slice
from meniscal_measure.series.model import Stack
from meniscal_measure.series.pixels import read_pixels

MEDIA_TYPES = {
    ".html": "text/html; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
}

SCRIPT = re.compile(r'  <script type="module" src="(\w+\.js)"></script>')
IMPORT = re.compile(r'^import .* from "\./(\w+\.js)";$', re.MULTILINE)


def page_routes(first: str) -> list[Route]:
    """One fixed route for each file of the pages: no path of a request ever reaches the disk.

    `first` is the file at the root.
    """
    folder = files(__package__).joinpath("page")
    texts = {file.name: file.read_text("utf-8") for file in folder.iterdir()}
    routes = []
    for name, text in texts.items():
        suffix = name[name.rfind(".") :]
        if suffix in MEDIA_TYPES:
            whole = with_preloads(text, texts) if suffix == ".html" else text
            path = "/" if name == first else f"/{name}"
            routes.append(Route(path, _fixed(whole.encode(), MEDIA_TYPES[suffix])))
    return routes


def with_preloads(page: str, texts: Mapping[str, str]) -> str:
    """Name all modules of a page in its head: none waits until another one imports it.

    Examples
    --------
    >>> page = '  <script type="module" src="a.js"></script>'
    >>> print(with_preloads(page, {"a.js": 'import { b } from "./b.js";', "b.js": ""}))
      <link rel="modulepreload" href="b.js">
      <script type="module" src="a.js"></script>
    """
    modules = SCRIPT.findall(page)
    for module in modules:  # grows meanwhile
        modules += dict.fromkeys(set(IMPORT.findall(texts[module])) - set(modules))
    links = [f'  <link rel="modulepreload" href="{each}">\n' for each in sorted(modules[1:])]
    return SCRIPT.sub(lambda script: "".join([*links, script[0]]), page)


def _fixed(content: bytes, media_type: str) -> Endpoint:
    async def answer(request: Request) -> Response:
        return Response(content, media_type=media_type)

    return answer


def slice_pixels(stack: Stack, index: int) -> Response:
    """Answer with the grey values of a slice, see `encode_slice`."""
    (image,) = read_pixels(stack, [index])
    return Response(encode_slice(image), media_type="application/octet-stream")

"""What pages are made of: their fixed files, and slices."""

from __future__ import annotations

import re
import struct
from collections.abc import Mapping
from importlib.resources import files

import numpy as np
from numpy.typing import NDArray
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from meniscal_measure.review.endpoints import Endpoint

MEDIA_TYPES = {
    ".html": "text/html; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
}

MAX_CODE = 65535

HEADER = struct.Struct("<ddII")
"""Grey value of code 0, grey values per code, rows, columns; then the codes, little-endian."""

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


def encode_slice(image: NDArray[np.float32]) -> bytes:
    """Encode one slice in 16-bit grey values, so that windowing needs no server.

    Parameters
    ----------
    image
        Grey values, shape (rows, columns). Values that are not finite are shown as the lowest.

    Returns
    -------
    bytes
        `HEADER` and one unsigned 16-bit code for each pixel, row by row. Whole grey values that
        span less than 65,536 are kept exactly; others to 1/65,535 of their span.

    Examples
    --------
    >>> HEADER.unpack_from(encode_slice(np.array([[5.0, 9.0]], dtype=np.float32)))
    (5.0, 1.0, 1, 2)
    """
    finite = np.isfinite(image)
    low = float(image[finite].min()) if finite.any() else 0.0
    values = np.where(finite, image, low).astype(np.float64)
    span = float(values.max()) - low
    is_whole = span <= MAX_CODE and bool(np.all(values == np.round(values)))
    step = 1.0 if is_whole or span == 0 else span / MAX_CODE
    codes = np.round((values - low) / step).astype("<u2")
    return HEADER.pack(low, step, *image.shape) + codes.tobytes()


def slice_answer(image: NDArray[np.float32]) -> Response:
    """Answer with the grey values of a slice, see `encode_slice`."""
    return Response(encode_slice(image), media_type="application/octet-stream")

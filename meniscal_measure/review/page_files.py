"""What pages are made of: their fixed files, and slices."""

from __future__ import annotations

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


def page_routes(first: str) -> list[Route]:
    """One fixed route for each file of the pages: no path of a request ever reaches the disk.

    `first` is the file at the root.
    """
    routes = []
    for file in files(__package__).joinpath("page").iterdir():
        suffix = file.name[file.name.rfind(".") :]
        if suffix in MEDIA_TYPES:
            path = "/" if file.name == first else f"/{file.name}"
            routes.append(Route(path, _fixed(file.read_bytes(), MEDIA_TYPES[suffix])))
    return routes


def _fixed(content: bytes, media_type: str) -> Endpoint:
    async def answer(request: Request) -> Response:
        return Response(content, media_type=media_type)

    return answer


def slice_pixels(stack: Stack, index: int) -> Response:
    """Answer with the grey values of a slice, see `encode_slice`."""
    (image,) = read_pixels(stack, [index])
    return Response(encode_slice(image), media_type="application/octet-stream")

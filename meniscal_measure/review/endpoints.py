"""From requests to the desk and back: parsing, threads, and errors in words."""

from __future__ import annotations

import sys
import traceback
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any, Protocol, TypeVar
from urllib.parse import unquote

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from meniscal_measure.errors import (
    EdgeNotFoundError,
    LandmarkError,
    MeniscalMeasureError,
    OutputError,
    SideError,
    StaleStateError,
    UnreadableFileError,
    UsageError,
)
from meniscal_measure.sentences import printable

READER_HEADER = "X-Reader"
"""Carries the reader's name, percent-encoded UTF-8."""

STATUS: dict[type[MeniscalMeasureError], int] = {
    StaleStateError: 409,
    OutputError: 507,
    UsageError: 400,
    MeniscalMeasureError: 422,
}
"""HTTP status of each kind of error; the first that fits counts."""

SAFE_ERRORS = (EdgeNotFoundError, LandmarkError, StaleStateError)
"""Errors whose messages speak of landmarks on the slice and nothing else."""

CONTACT = "Tell whoever runs the study; the window of the program says more."

REPLACEMENTS: dict[type[MeniscalMeasureError], str] = {
    UnreadableFileError: f"An image of this knee is missing or cannot be read. {CONTACT}",
    SideError: f"The side of this knee contradicts what its images say. {CONTACT}",
    OutputError: f"It could not be saved. What was signed before is safe. {CONTACT}",
}
"""What a reader who must not know whose knee it is sees in place of other errors."""

SERIES_HEADER = "X-Series"
"""Names the series that the page shows, by its key; absent while the page does not know it."""

FAULT = "A fault in the program; nothing signed is lost. The window it runs in says more."

PRINTED_PLACES = 8
"""Calls named where a fault is printed, the last of them where it arose."""

Json = dict[str, Any]


class Blindable(Protocol):
    """What answers: a desk, whose readers may be blinded."""

    @property
    def is_blinded(self) -> bool:
        """Whether readers must not know whose knee they read."""


DeskT = TypeVar("DeskT", bound=Blindable)

Answer = Callable[[DeskT, str, Request, Json], Response | Json | None]
"""Answers a request of a reader: desk, reader, request, parsed body. Values are sent as JSON."""

Endpoint = Callable[[Request], Awaitable[Response]]


def endpoint(answer: Answer[DeskT], desk: DeskT) -> Endpoint:
    """Run an answer in a thread of its own and put its errors into words."""

    async def answered(request: Request) -> Response:
        try:
            reader = unquote(request.headers.get(READER_HEADER, ""), errors="strict")
            body = await request.json() if request.method == "POST" else {}
            if not isinstance(body, dict):
                raise UsageError("The request must be a JSON object.")
            return await run_in_threadpool(_response, answer, desk, reader, request, body)
        except MeniscalMeasureError as error:
            if desk.is_blinded:
                print(printable(str(error)), file=sys.stderr)
            status = next(code for kind, code in STATUS.items() if isinstance(error, kind))
            words = safe_words(error, blinded=desk.is_blinded)
            return _in_words(type(error).__name__, words, status)
        except (ValueError, KeyError, TypeError, RecursionError) as error:  # of the body
            _print_fault(error)
            return _in_words(
                "UsageError", f"The request cannot be used ({type(error).__name__}).", 400
            )
        except Exception as error:
            _print_fault(error)
            return _in_words("Fault", FAULT, 500)

    return answered


def _response(
    answer: Answer[DeskT], desk: DeskT, reader: str, request: Request, body: Json
) -> Response:
    found = answer(desk, reader, request, body)
    return found if isinstance(found, Response) else JSONResponse(found)


def safe_words(error: MeniscalMeasureError, *, blinded: bool) -> str:
    """Put an error into words; while blinded, without paths, names and descriptions.

    Examples
    --------
    >>> safe_words(SideError("Doe^Jo: two left knees."), blinded=True).partition(".")[0]
    'The side of this knee contradicts what its images say'
    """
    if not blinded or isinstance(error, SAFE_ERRORS):
        return str(error)
    replaced = (words for kind, words in REPLACEMENTS.items() if isinstance(error, kind))
    return next(replaced, f"This knee cannot be used as it is. {CONTACT}")


def _print_fault(error: BaseException) -> None:
    """Print where a fault arose, without its message, which may hold header values or paths."""
    places = [
        f"{Path(frame.filename).name}:{frame.lineno} {frame.name}"
        for frame in traceback.extract_tb(error.__traceback__)
    ]
    print(f"{type(error).__name__} at {' > '.join(places[-PRINTED_PLACES:])}", file=sys.stderr)


def _in_words(kind: str, message: str, status: int) -> JSONResponse:
    return JSONResponse({"kind": kind, "message": message}, status)

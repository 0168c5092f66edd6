"""Decoding with GDCM in a process of its own.

GDCM is the only permissively licensed decoder of JPEG lossless, but on some damaged data its native
code ends the whole process instead of reporting an error. Here only a helper process ends, and the
file is refused like any other that cannot be decoded.
"""

from __future__ import annotations

import io
import os
import pickle
import struct
import subprocess
import sys
from collections.abc import Sequence
from contextlib import suppress
from types import TracebackType
from typing import Any, Self

from numpy.typing import NDArray
from pydicom.errors import BytesLengthException
from pydicom.pixels.utils import iter_pixels

DECODER_ERRORS = (
    RuntimeError,
    ValueError,
    TypeError,
    AttributeError,
    LookupError,
    OSError,
    EOFError,
    AssertionError,
    struct.error,
    BytesLengthException,
)
"""What pydicom and its decoder plug-ins raise on pixel data they cannot decode."""

FROM_NO_FOLDER = ("-P",)
"""Keeps Python from importing what lies in the working folder, which may have come with images."""


class GuardedDecoder:
    """Starts the helper process on first use and again after it broke down."""

    def __init__(self) -> None:
        self._process: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._stop()

    def decode(self, content: bytes, indices: Sequence[int], syntax: str) -> list[NDArray[Any]]:
        """Decode frames of a DICOM file given by its bytes.

        Raises
        ------
        ValueError
            If they cannot be decoded, be it that the decoder says so or breaks down.
        """
        process = self._process = self._process or _started()
        assert process.stdin is not None
        assert process.stdout is not None
        try:
            pickle.dump((content, list(indices), syntax), process.stdin)
            process.stdin.flush()
            answer = pickle.load(process.stdout)
        except (EOFError, BrokenPipeError) as error:
            self._stop()
            raise ValueError("the decoder broke down on it") from error
        if isinstance(answer, str):
            raise ValueError(answer)
        return list(answer)

    def _stop(self) -> None:
        if self._process is not None:
            with suppress(BrokenPipeError):
                self._process.communicate()
            self._process = None


def _started() -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, *FROM_NO_FOLDER, "-m", __name__],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
    )


def _serve() -> None:
    """Answer decoding jobs from standard input until it ends."""
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # whatever native code prints must not get among the answers
    with suppress(EOFError):
        while True:
            content, indices, syntax = pickle.load(sys.stdin.buffer)
            pickle.dump(_answer(content, indices, syntax), answers)
            answers.flush()


def _answer(content: bytes, indices: Sequence[int], syntax: str) -> list[NDArray[Any]] | str:
    images = iter_pixels(
        io.BytesIO(content),
        indices=indices,
        transfer_syntax_uid=syntax,
        decoding_plugin="gdcm",
    )
    try:
        return list(images)
    except DECODER_ERRORS:  # what GDCM's wrapper says of it is about the wrapper
        return "the data is damaged"


if __name__ == "__main__":
    _serve()

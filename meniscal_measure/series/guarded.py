"""Decoding compressed pixels in a process of its own.

On damaged data native decoders were seen to end the whole process (GDCM), to run for ten seconds on
a kilobyte (JPEG-LS) and to ask for gigabytes. Here only a helper process ends, in time and within
its memory, and the file is refused like any other that cannot be decoded. One helper serves all
slices.
"""

from __future__ import annotations

import atexit
import io
import os
import pickle
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from threading import Lock, Timer
from typing import Any, BinaryIO

from numpy.typing import NDArray
from pydicom.errors import BytesLengthException
from pydicom.pixels.utils import iter_pixels

from meniscal_measure.series.bounded import DAMAGE_ERRORS

DECODER_ERRORS = (*DAMAGE_ERRORS, AssertionError, BytesLengthException)
"""What pydicom and its decoder plug-ins raise on pixel data they cannot decode."""

FROM_NO_FOLDER = ("-P",)
"""Keeps Python from importing modules of the working folder, which may have come with images."""

FRAME_SECONDS = 5.0
"""Longest time for one frame; a frame of 512 x 512 takes some hundredths of a second."""

START_SECONDS = 60.0
"""Longest time for the helper to start, on a busy machine."""

MOST_MEMORY_BYTES = 2**30
"""Most memory the helper may take beyond what it starts with, where the system can limit it."""

_SAID = "Unable to decode as exceptions were raised by all available plugins: "
"""What pydicom puts in front of a decoder's own words."""

_READY = "ready"


class GuardedDecoder:
    """Starts the helper process on first use and again after it broke down; thread-safe."""

    def __init__(self) -> None:
        self._process: subprocess.Popen[bytes] | None = None
        self._owner = 0
        self._lock = Lock()

    def decode(
        self, source: Path | bytes, indices: Sequence[int], syntax: str, plugin: str
    ) -> list[NDArray[Any]]:
        """Decode frames of a DICOM file.

        Parameters
        ----------
        source
            The file, or its bytes.
        indices
            Frames, counted from 0.
        syntax, plugin
            Transfer Syntax UID and pydicom's plug-in to decode it with.

        Raises
        ------
        ValueError
            If they cannot be decoded: the decoder says so, breaks down or takes too long.
        """
        with self._lock:
            try:
                process = self._running()
                pickle.dump((source, list(indices), syntax, plugin), _pipe(process.stdin))
                _pipe(process.stdin).flush()
                return [_answer_of(process) for _ in indices]
            except (EOFError, OSError, pickle.UnpicklingError) as error:
                self._stop()
                raise ValueError("the decoder broke down on it or took too long") from error

    def stop(self) -> None:
        """End the helper process."""
        with self._lock:
            self._stop()

    def _running(self) -> subprocess.Popen[bytes]:
        if self._process is None or self._owner != os.getpid():  # a fork must not share the pipes
            self._process, self._owner = _started(), os.getpid()
            with _ended_after(START_SECONDS, self._process):
                pickle.load(_pipe(self._process.stdout))
        return self._process

    def _stop(self) -> None:
        if self._process is not None and self._owner == os.getpid():
            self._process.kill()
            with suppress(OSError, ValueError):
                self._process.communicate()
        self._process = None


shared_decoder = GuardedDecoder()
"""The one decoder of this process."""

atexit.register(shared_decoder.stop)


def _pipe(stream: Any) -> BinaryIO:
    assert stream is not None
    return stream  # type: ignore[no-any-return]  # pipes are opened in `_started`


def _started() -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, *FROM_NO_FOLDER, "-m", __name__],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
    )


@contextmanager
def _ended_after(seconds: float, process: subprocess.Popen[bytes]) -> Iterator[None]:
    timer = Timer(seconds, process.kill)
    timer.daemon = True
    timer.start()
    try:
        yield
    finally:
        timer.cancel()


def _answer_of(process: subprocess.Popen[bytes]) -> NDArray[Any]:
    with _ended_after(FRAME_SECONDS, process):
        answer = pickle.load(_pipe(process.stdout))
    if isinstance(answer, str):
        raise ValueError(answer)
    image: NDArray[Any] = answer
    return image


def _serve() -> None:
    """Answer decoding jobs from standard input until it ends."""
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # whatever native code prints must not get among the answers
    _limit_memory()
    pickle.dump(_READY, answers)
    answers.flush()
    with suppress(EOFError):
        while True:
            for answer in _answers(*pickle.load(sys.stdin.buffer)):
                pickle.dump(answer, answers)
                answers.flush()


def _answers(
    source: Path | bytes, indices: Sequence[int], syntax: str, plugin: str
) -> Iterator[NDArray[Any] | str]:
    content = io.BytesIO(source) if isinstance(source, bytes) else source
    try:
        yield from iter_pixels(
            content, indices=indices, transfer_syntax_uid=syntax, decoding_plugin=plugin
        )
    except DECODER_ERRORS as error:
        yield in_words(error) if plugin != "gdcm" else "the data is damaged"


def in_words(error: Exception) -> str:
    """Put into words what the decoder says of the data, without its internals.

    Examples
    --------
    >>> in_words(ValueError("no end of image"))
    'no end of image'
    """
    if not isinstance(error, RuntimeError | ValueError | EOFError):
        return "the data is damaged"
    return " ".join(str(error).split()).rstrip(".").removeprefix(_SAID)


def _limit_memory() -> None:
    try:
        import resource
    except ImportError:  # only where there is POSIX
        return
    pages = Path("/proc/self/statm")
    if pages.exists():
        held = int(pages.read_text().split()[0]) * resource.getpagesize()
        resource.setrlimit(resource.RLIMIT_AS, (held + MOST_MEMORY_BYTES,) * 2)


if __name__ == "__main__":
    _serve()

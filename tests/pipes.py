"""Named pipes that a program must not wait for, and on which a test does not wait either."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from threading import Event, Thread


@contextmanager
def pipe_at(path: Path) -> Iterator[Path]:
    """Make a pipe that nobody may read.

    Who does is given two bytes and the end, as often as asked, and the test fails afterwards.
    """
    os.mkfifo(path)
    done, readers = Event(), []

    def write() -> None:
        while not done.is_set():
            with suppress(BrokenPipeError), path.open("wb") as stream:  # waits for a reader
                readers.extend([] if done.is_set() else ["the program"])
                stream.write(b"{}")

    writer = Thread(target=write, daemon=True)
    writer.start()
    try:
        yield path
    finally:
        done.set()
        reader = os.open(path, os.O_RDONLY | os.O_NONBLOCK)  # for whom the writer waits
        writer.join()
        os.close(reader)
    assert not readers

"""Writing files so that a reader never sees half of one."""

from __future__ import annotations

import csv
import io
import os
import tempfile
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

from meniscal_measure.errors import OutputError

Progress = Callable[[int, int], None]
"""Called after each file, study or knee with the number done and their total."""


@contextmanager
def written_whole(path: Path) -> Iterator[BinaryIO]:
    """Open a file beside `path` for writing and rename it into place when all went well.

    Raises
    ------
    OutputError
        If the folder cannot be made or written. Nothing is left behind.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    except OSError as error:
        raise _refused(path, error) from error
    beside = Path(name)
    try:
        with os.fdopen(handle, "wb") as stream:
            yield stream
        beside.chmod(0o666 & ~_umask())
        beside.replace(path)
    except OSError as error:
        beside.unlink(missing_ok=True)
        raise _refused(path, error) from error
    except BaseException:
        beside.unlink(missing_ok=True)
        raise


def write_text(path: Path, text: str) -> None:
    """Write a text file in UTF-8, whole or not at all, its line ends as they are.

    Raises
    ------
    OutputError
        If the folder cannot be made or written. Nothing is left behind.
    """
    with written_whole(path) as stream:
        stream.write(text.encode("utf-8"))


def csv_text(columns: Sequence[str], rows: Iterable[Iterable[object]]) -> str:
    r"""Lay a table out as comma-separated text (RFC 4180, lines ended by a line feed alone).

    Examples
    --------
    >>> csv_text(["knee", "remark"], [["K1", 'says "no", twice'], ["K2", None]])
    'knee,remark\nK1,"says ""no"", twice"\nK2,\n'
    """
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows(rows)
    return stream.getvalue()


def _umask() -> int:
    mask = os.umask(0o022)
    os.umask(mask)
    return mask


def _refused(path: Path, error: OSError) -> OutputError:
    return OutputError(
        f"Cannot write {path}: {error.strerror or error}. Name a folder you may write to."
    )
